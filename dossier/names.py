"""Names and titles made safe: to print, to put in a path, to suggest.

Conventions
    `printable` keeps a file's name recognisable and distinct, and makes hidden characters visible: control characters,
    line separators, invisible and direction-changing characters (the bidirectional controls of Unicode Standard Annex
    9) and bytes that are no UTF-8 (Python's surrogate escapes, PEP 383).  Unescaped, a name could reorder the text
    around it, or could not be written as UTF-8 at all.
    `clean` is for titles and other prose: it drops the same characters and collapses white space.
    `slug` is for folders and file names: lower-case ASCII letters, digits and single hyphens, safe on every file
    system.
"""

from __future__ import annotations

import difflib
import hashlib
import unicodedata
from collections.abc import Iterable

# Marks and isolates of UAX 9, zero-width space, word joiner and byte order mark.  The zero-width joiners U+200C/D stay:
# several scripts and emoji need them.
_INVISIBLE = frozenset("\u061c\u200b\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2060\u2066\u2067\u2068\u2069\ufeff")
_HIDDEN_CATEGORIES = frozenset({"Cc", "Cs", "Zl", "Zp"})

# Letters that compatibility decomposition leaves alone (common transliterations, no source).
_LETTERS = str.maketrans(
    {"ß": "ss", "ø": "o", "Ø": "o", "æ": "ae", "Æ": "ae", "œ": "oe", "Œ": "oe", "ł": "l", "Ł": "l", "đ": "d", "Đ": "d",
     "ð": "d", "Ð": "d", "þ": "th", "Þ": "th", "ı": "i", "'": "", "’": "", "&": " and "}
)  # fmt: skip
MAX_SLUG = 64  # leaves room for '-r001.json' and a long parent path under the 255 bytes that file systems give a name
# Device names that Windows reserves in every folder ("Naming Files, Paths, and Namespaces", Win32 documentation; MEM).
_RESERVED = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))})


def _hidden(character: str) -> bool:
    return character in _INVISIBLE or unicodedata.category(character) in _HIDDEN_CATEGORIES


def printable(name: str, *, keep: str = "") -> str:
    """A name as it may be printed: hidden characters stand as escapes (`\\u202e`, `\\xff`), the rest is unchanged.

    `keep`: hidden characters that stay, such as line breaks in a text.
    """
    if name.isascii() and name.isprintable():
        return name
    return "".join(_escape(c) if _hidden(c) and c not in keep else c for c in name)


def _escape(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # a byte that is no UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return f"\\u{code:04x}"


def clean(text: str) -> str:
    """Prose without hidden characters, in Unicode's composed form (NFC), white space collapsed; may become empty."""
    spaced = "".join(" " if character.isspace() else character for character in text)
    kept = "".join(character for character in spaced if not _hidden(character))
    return unicodedata.normalize("NFC", " ".join(kept.split()))


def slug(title: str) -> str:
    """A title as a folder name: never empty, at most `MAX_SLUG` characters of `a-z`, `0-9` and single hyphens.

    Accents are dropped.  Where letters are lost (another script, a long title, no letter at all), six digits of the
    title's SHA-256 keep slugs apart.

    Examples
    --------
    >>> slug("Lantern Market")
    'lantern-market'
    >>> slug("Ærø, søndag (v2)")
    'aero-sondag-v2'
    """
    text = unicodedata.normalize("NFKD", title.translate(_LETTERS)).lower()
    lost = False
    words = [""]
    for character in text:
        if character.isascii() and character.isalnum():
            words[-1] += character
        elif not unicodedata.combining(character):
            lost = lost or character.isalnum()
            words.append("")
    plain = "-".join(word for word in words if word)
    if plain in _RESERVED:
        plain += "-beat"
    if plain and not lost and len(plain) <= MAX_SLUG:
        return plain
    mark = hashlib.sha256(clean(title).encode("utf-8", "replace")).hexdigest()[:6]
    return f"{plain[: MAX_SLUG - 7].strip('-') or 'beat'}-{mark}"


def nearest(word: str, allowed: Iterable[str]) -> str | None:
    """The allowed word that looks most like `word` (difflib's ratio, at least 0.6, case ignored), or None."""
    by_case: dict[str, str] = {}
    for candidate in allowed:
        by_case.setdefault(candidate.casefold(), candidate)
    found = difflib.get_close_matches(word.casefold(), list(by_case), n=1, cutoff=0.6)
    return by_case[found[0]] if found else None


def did_you_mean(word: str, allowed: Iterable[str]) -> str:
    """`; did you mean 'kick'?`, or nothing where no allowed word is close."""
    near = nearest(word, allowed)
    return f"; did you mean '{printable(near)}'?" if near is not None else ""
