"""Numbers, dates and lists as a reader says them: the only place that turns a number into text.

Conventions: a true minus sign (U+2212), a no-break space between number and unit, one decimal for levels, whole per
cent for shares, an en dash for what could not be measured, no sign on zero.  Numbers round half to even on the binary
value, as Python does by itself; `templates/format.js` follows the same rule.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime

NBSP = "\u00a0"
MISSING = "\u2013"
MINUS = "\u2212"

_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

_UNITS = r"(?:dBFS|dBTP|dB|LUFS|LU|kHz|Hz|ms|s|BPM|%|cents?|semitones?)"
_NUMBER = r"\d+(?:\.\d+)?"
_SECOND = rf"(?:[ {NBSP}](?:to|and|or|against) [-+{MINUS}]?{_NUMBER})?"  # "-4.0 to -1.5 dB"
_MINUS = re.compile(rf"(?<![\w.\-/])-(?={_NUMBER}{_SECOND}[ {NBSP}]{_UNITS}(?![\w]))")
_BARE = re.compile(r"(?<=[\s(])-(?=\d+\.\d+(?!\w|\.\w))")  # "score -0.41", not "take -2.5.wav"
_DIGIT = re.compile(r"\d")
_SPACE = re.compile(rf"(?<=\d) (?={_UNITS}(?![\w]))")
_NOTE = re.compile(r"\b([A-G])([#b])(?=-?\d|\b|$)")


def tidy(text: str) -> str:
    """Give a sentence true minus signs before quantities and no-break spaces before their units."""
    if not _DIGIT.search(text):
        return text
    if "-" in text:
        text = _BARE.sub(MINUS, _MINUS.sub(MINUS, text))
    return _SPACE.sub(NBSP, text) if " " in text else text


def notes(text: str) -> str:
    """Note and key names with true accidentals: `Eb3 and F# minor` -> `E\u266d3 and F\u266f minor`."""
    return _NOTE.sub(lambda found: found[1] + {"#": "\u266f", "b": "\u266d"}[found[2]], text)


def number(value: float | None, digits: int = 1, *, sign: bool = False, unit: str = "") -> str:
    """`-3.04` -> `−3.0`; with `sign` a plus stands before what is above zero.  Zero never has a sign."""
    if value is None:
        return MISSING
    text = f"{abs(value):.{digits}f}"
    zero = not text.strip("0.")
    mark = "" if zero else MINUS if value < 0 else "+" if sign else ""
    return f"{mark}{text}{NBSP}{unit}" if unit else f"{mark}{text}"


def plain(value: float | None, digits: int = 2) -> str:
    """At most `digits` decimals, without closing zeros: `92`, `92.5`."""
    text = number(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text else text


def db(value: float | None, *, sign: bool = False) -> str:
    return number(value, 1, sign=sign, unit="dB")


def lufs(value: float | None) -> str:
    return number(value, 1, unit="LUFS")


def dbtp(value: float | None) -> str:
    return number(value, 1, unit="dBTP")


def lu(value: float | None, *, sign: bool = False) -> str:
    return number(value, 1, sign=sign, unit="LU")


def percent(share: float | None, *, digits: int = 0, sign: bool = False) -> str:
    """A share of 1 as per cent."""
    return MISSING if share is None else number(100 * share, digits, sign=sign, unit="%")


def small_percent(share: float | None, *, sign: bool = False) -> str:
    """Per cent, with one decimal below ten: for shares that tend to be small, as an overlap."""
    if share is None:
        return MISSING
    return percent(share, digits=1 if abs(share) < 0.0995 else 0, sign=sign)


def hz(value: float | None) -> str:
    """`55.2 Hz`, `180 Hz`, `2.4 kHz`, `12 kHz`."""
    if value is None:
        return MISSING
    if value < 99.95:
        return f"{plain(value, 1)}{NBSP}Hz"
    if value < 999.5:
        return number(value, 0, unit="Hz")
    return f"{plain(value / 1000, 1 if value < 9950 else 0)}{NBSP}kHz"


def seconds(value: float | None, *, sign: bool = False) -> str:
    """`180 ms`, `1.20 s`, `64 s`."""
    if value is not None and abs(value) < 0.9995:
        return number(1000 * value, 0, sign=sign, unit="ms")
    return number(value, 2 if value is None or abs(value) < 10 else 0, sign=sign, unit="s")


def clock(value: float) -> str:
    """Minutes and seconds: `3:07`."""
    whole = round(value)
    return f"{whole // 60}:{whole % 60:02d}"


def day(stamp: str) -> str:
    """`2026-03-14T18:20:00Z` -> `14 March 2026`; a text that is no date comes back unchanged."""
    try:
        when = datetime.fromisoformat(stamp)
    except ValueError:
        return stamp
    return f"{when.day}{NBSP}{_MONTHS[when.month - 1]} {when.year}"


def listed(items: Iterable[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    words = list(items)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def count(amount: int, one: str, many: str | None = None) -> str:
    """`1 bar`, `24 bars`, `no bars`."""
    name = one if amount == 1 else many or f"{one}s"
    return f"{amount if amount else 'no'}{NBSP}{name}"


def sentence(text: str) -> str:
    """A remark as a sentence: capitalised unless it starts with a file name, with a full stop."""
    if not text:
        return ""
    first = text.split(maxsplit=1)[0]
    start = text if "." in first.rstrip(".") or "/" in first else capital(text)
    return start if start.rstrip()[-1:] in {".", "!", "?", ":", ";"} else start.rstrip() + "."


def short(text: str, most: int = 16) -> str:
    """Cut a text to `most` characters, ending in an ellipsis."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "\u2026"


def file_name(path: str) -> str:
    """A file without its folders."""
    return path.rsplit("/", 1)[-1]


def capital(text: str) -> str:
    """Capitalise the first letter and nothing else."""
    return text[:1].upper() + text[1:]
