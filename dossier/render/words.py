"""Numbers as a reader says them, and the definitions of the words that the page uses.

Conventions: a true minus sign (U+2212), a no-break space between number and unit, one decimal for levels, whole per
cent for shares; what could not be measured is an en dash, which the page explains.  Rounding is Python's own
(half to even on the binary value), so the same number always reads the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import datetime

from dossier.model.vocabulary import ZONES

NBSP = "\u00a0"
MISSING = "\u2013"
MINUS = "\u2212"

ZONE_LABEL: Mapping[str, str] = {zone.key: zone.label for zone in ZONES}
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

RIGHTS_WORDS: Mapping[str, str] = {
    "own": "own work",
    "licensed": "licensed",
    "cleared": "cleared",
    "pending": "clearing pending",
    "unknown": "rights unknown",
}
RIGHTS_SETTLED = frozenset({"own", "licensed", "cleared"})
ROLE_WORDS: Mapping[str, str] = {"closed-hat": "closed hat", "open-hat": "open hat"}
APPROACH_WORDS: Mapping[str, str] = {
    "loop": "a loop",
    "one-shots": "separate one-shots",
    "either": "a loop or one-shots",
}
LOOKED_WORDS: Mapping[str, str] = {
    "closely": "laid in the beat and measured there",
    "coarsely": "looked at on two bars of the beat",
    "not at all": "not measured",
}

# Shown where a term is met first in a section, and in full at the end of the page.
TERMS: Mapping[str, str] = {
    "fill": "Loudness as a share of what finished mixes carry on average; more than 100 % where it exceeds that.",
    "room": "What is left: the reference less what the music uses, never below zero.",
    "occupancy": "How much of the reference loudness one band carries in one sixteenth.",
    "reference": "The loudness that finished mixes carry on average in each band at the target loudness.",
    "zone": "A named stretch of the spectrum, from sub (20\u201360 Hz) to brilliance (6\u201316 kHz).",
    "band": "One auditory band, 1 Cam wide: about the finest step in pitch range that hearing separates.",
    "slot": "One sixteenth note on the beat's grid.",
    "overlap": "The drum's loudness that the instrumental masks, as a share of the reference's.",
    "room filled": "How much of the room this drum takes: what it adds up to the reference.",
    "spill": "Loudness that the drum adds above the reference, as a share of the reference's.",
    "buried": "How much of the instrumental's loudness the drum masks.",
    "audible share": "How loud the drum is in the beat compared with how loud it is alone, over its own hits.",
    "lift": "Level of the drum over the instrumental, in the drum's own bands, at its own hits, in LU.",
    "approach": "Whether a loop or separate one-shots suit this beat, and whether they should be fuller or leaner.",
    "fuller": "More body: the drum should take up more of the room that is left.",
    "leaner": "Less body: the drum should take up less, because little room is left.",
    "LUFS": "Loudness units relative to full scale: perceived loudness after ITU-R BS.1770.",
    "LU": "Loudness unit: a difference of 1 LU is a difference of 1 dB in loudness.",
    "dBTP": "Decibels true peak: the highest point of the waveform between samples too.",
    "sample peak": "The highest sample, in decibels below full scale.",
    "crest factor": "Peak over average level: high for a click, low for a steady tone.",
    "peak to loudness": "True peak less integrated loudness: how much of the peak is not heard as loudness.",
    "length": "How long the drum is loud enough to matter.",
    "mono loss": "How much quieter the sound gets when both channels are summed to one.",
    "candidate": "A drum file under consideration: a loop or a one-shot.",
    "headroom": "What is left to a true peak of \u22121 dBTP.",
    "loudness range": "How far the loudness moves over the piece (EBU Tech 3342).",
    "score": "One number for the fit: the sum of the weighted terms shown with it.",
}


_DIRECTION_CONTROLS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def clean(text: str) -> str:
    """Make characters visible that would reorder the text around them or that HTML does not allow.

    File names may hold any of them; a name must not be able to turn the sentence that quotes it around.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        f"[U+{ord(c):04X}]" if c in _DIRECTION_CONTROLS
        else "\ufffd" if (ord(c) < 32 and c not in "\t\n") or 0x7F <= ord(c) < 0xA0 or 0xD800 <= ord(c) < 0xE000
        else c
        for c in text
    )  # fmt: skip


_UNITS = r"(?:dBFS|dBTP|dB|LUFS|LU|kHz|Hz|ms|s|BPM|%|cents?|semitones?)"
_NUMBER = r"\d+(?:\.\d+)?"
_SECOND = rf"(?:[ {NBSP}](?:to|and|or|against) [-+{MINUS}]?{_NUMBER})?"  # "-4.0 to -1.5 dB"
_MINUS = re.compile(rf"(?<![\w.\-/])-(?={_NUMBER}{_SECOND}[ {NBSP}]{_UNITS}(?![\w]))")
_BARE = re.compile(r"(?<=[\s(])-(?=\d+\.\d+(?!\w|\.\w))")  # "score -0.41", not "take -2.5.wav"
_DIGIT = re.compile(r"\d")
_SPACE = re.compile(rf"(?<=\d) (?={_UNITS}(?![\w]))")


def tidy(text: str) -> str:
    """A finding's sentence with true minus signs before quantities and no line break before their unit."""
    if not _DIGIT.search(text):
        return text
    if "-" in text:
        text = _BARE.sub(MINUS, _MINUS.sub(MINUS, text))
    return _SPACE.sub(NBSP, text) if " " in text else text


def number(value: float | None, digits: int = 1, *, sign: bool = False, unit: str = "") -> str:
    """`-3.04` -> `−3.0`; with `sign` a plus stands before what is above zero.  Zero never has a sign."""
    if value is None:
        return MISSING
    text = f"{abs(value):.{digits}f}"
    zero = not text.strip("0.")
    mark = "" if zero else MINUS if value < 0 else "+" if sign else ""
    return f"{mark}{text}{NBSP}{unit}" if unit else f"{mark}{text}"


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
    """Per cent with a decimal while it is below ten: for shares that are small by nature (overlap, spill)."""
    if share is None:
        return MISSING
    return percent(share, digits=1 if abs(share) < 0.0995 else 0, sign=sign)


def hz(value: float | None) -> str:
    """`55.2 Hz`, `180 Hz`, `2.4 kHz`, `12 kHz`."""
    if value is None:
        return MISSING
    if value < 99.95:
        return f"{value:.1f}".removesuffix(".0") + f"{NBSP}Hz"
    if value < 999.5:
        return f"{value:.0f}{NBSP}Hz"
    kilo = value / 1000
    return (f"{kilo:.1f}".removesuffix(".0") if kilo < 9.95 else f"{kilo:.0f}") + f"{NBSP}kHz"


def seconds(value: float | None) -> str:
    """`180 ms`, `1.20 s`, `64 s`."""
    if value is None:
        return MISSING
    if value < 0.9995:
        return f"{1000 * value:.0f}{NBSP}ms"
    return f"{value:.2f}{NBSP}s" if value < 10 else f"{value:.0f}{NBSP}s"


def clock(value: float) -> str:
    """Minutes and seconds: `3:07`."""
    whole = round(value)
    return f"{whole // 60}:{whole % 60:02d}"


def day(stamp: str) -> str:
    """`2026-03-14T18:20:00Z` -> `14 March 2026`; a text that is no date is returned as it is."""
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


def zone(key: str) -> str:
    return ZONE_LABEL.get(key, key)


def zone_range(key: str) -> str:
    """`60–250 Hz`, `2–4 kHz`, `500 Hz–2 kHz`."""
    found = next((z for z in ZONES if z.key == key), None)
    if found is None:
        return ""
    low, high = hz(found.low_hz), hz(found.high_hz)
    if low.rsplit(NBSP, 1)[1] == high.rsplit(NBSP, 1)[1]:
        low = low.rsplit(NBSP, 1)[0]
    return f"{low}\u2013{high}"


def role(name: str | None) -> str:
    return "" if name is None else ROLE_WORDS.get(name, name)


def rights(state: str) -> str:
    return RIGHTS_WORDS.get(state, state)


def sentence(text: str) -> str:
    """A finding's remark as a sentence: a capital where it starts with a word, a full stop at its end."""
    if not text:
        return ""
    first = text.split(maxsplit=1)[0]
    start = text if "." in first.rstrip(".") or "/" in first else capital(text)
    return start if start.rstrip()[-1:] in {".", "!", "?", ":", ";"} else start.rstrip() + "."


def short(text: str, most: int = 16) -> str:
    """A text cut to `most` characters, the cut shown by an ellipsis."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "\u2026"


def capital(text: str) -> str:
    """The first letter raised, the rest as it is."""
    return text[:1].upper() + text[1:]


def source_words(source: str | None, confidence: float | None) -> str:
    """Where a value comes from: `estimated, confidence 71 %`, `from beat.toml`, or nothing where it is not known."""
    if not source:
        return ""
    if source in {"estimated", "assumed", "default"}:
        text = {"default": "by default"}.get(source, source)
        return f"{text}, confidence {percent(confidence)}" if source == "estimated" and confidence is not None else text
    return f"from {source}" if source == "beat.toml" else f"from the {source}"
