"""TOML that a stranger may have written, parsed within bounds."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from dossier.beatfile.validate import found
from dossier.errors import UnusableFileError
from dossier.names import printable

_TOO_DEEP = "is nested too deeply; no table of it needs more than three levels"
# A parser's memory grows with the square of a dotted key's parts: 50,000 of them would take 10 GB.  Texts and remarks
# are taken out first, in the parser's own order, so what is left of dots stands in keys, numbers and dates.
_TOML_TEXT = re.compile(
    r'"""(?:\\.|.)*?(?:"""|\Z)|"(?:\\.|[^"\\\n])*+"?|' r"'''.*?(?:'''|\Z)|'[^'\n]*+'?|#[^\n]*+", re.DOTALL
)
_DEEP_KEY = re.compile(r"(?<![\w-])[\w-]++(?:[ \t]*+\.[ \t]*+[\w-]++){8}")


def parsed(raw: bytes, *, quote: bool = True) -> dict[str, Any]:
    """The document; an error shows the wrong line if `quote`.

    Raises UnusableFileError; its text follows the file's name in a sentence.
    """
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnusableFileError(f"is not UTF-8 text (byte {error.start + 1}); save it as UTF-8") from error
    if _DEEP_KEY.search(_TOML_TEXT.sub("s", text)):
        raise UnusableFileError(_TOO_DEEP)
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise UnusableFileError(_TOO_DEEP) from error
    except ValueError as error:
        raise UnusableFileError(f"is not valid TOML: {_located(str(error), text if quote else '')}") from error


def _located(message: str, text: str) -> str:
    """The parser's message, with the line it stumbled over."""
    place = re.search(r"at line (\d+)", message)
    lines = text.splitlines()
    if not place or not 1 <= int(place[1]) <= len(lines):
        return printable(message)
    return f"{printable(message)}; that line is {found(lines[int(place[1]) - 1].strip())}"
