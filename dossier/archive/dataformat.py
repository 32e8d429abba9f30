"""Data files as bytes: the versioned JSON of a dossier and of the archive, written and read.

Conventions
    The same document gives the same bytes: fields stand in the order of their type, mappings in the project's order of
    zones and roles and otherwise by name, numbers are rounded (single numbers to 6 decimals, rows of numbers to 5; the
    finest thing said anywhere is a hundredth of a decibel or of a percent).  A row of numbers or short words stays on
    one line, small objects too, so that the file can be read and compared line by line.
    Every document opens with its `format_version`.  `UPGRADES` lifts an older document version by version; a newer one
    is refused by name.  JSON is RFC 8259, in UTF-8; it has no NaN and no infinity, so a
    number that is not finite is an error here, with its place.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, BinaryIO, TypeVar

import msgspec
from msgspec import Struct

from dossier.errors import ArchiveError
from dossier.model.datafile import FORMAT_VERSION, DossierData
from dossier.model.vocabulary import ROLES, ZONE_KEYS

T = TypeVar("T")


def _levels_against_the_music(tree: dict[str, Any]) -> dict[str, Any]:
    """Version 1 knew no usual levels, and listed sections' gains beside the parts."""
    balance, music = tree["balance"], tree["instrumental"].get("integrated_lufs")
    bars = {section["name"]: section for section in tree["instrumental"]["sections"]}

    def part(old: dict[str, Any]) -> dict[str, Any]:
        ends, loud = (old.get("gain_low_db"), old.get("gain_high_db")), old["integrated_lufs"]
        sections = [
            {"name": one["name"], "intent": one["intent"], "gain_db": one["gains_db"][old["id"]],
             "first_bar": bars[one["name"]]["first_bar"], "bars": bars[one["name"]]["bars"]}
            for one in balance.get("sections", ()) if old["id"] in one["gains_db"] and one["name"] in bars
        ]  # fmt: skip
        return old | {
            "level_lu": None if loud is None or music is None else loud + old["gain_db"] - music, "usual_lu": None,
            "gain_range_db": None if None in ends else ends, "sections": sections,
        }  # fmt: skip

    return tree | {"balance": balance | {"parts": [part(old) for old in balance["parts"]]}}


def _fits_by_job(tree: dict[str, Any]) -> dict[str, Any]:
    """Fits told spill and buried, and neither job nor what is heard in a role's own zones."""
    kit = tree.get("kit") or {}
    for holder in (*tree.get("candidates", ()), *kit.get("members", ()), kit):
        if fit := holder.get("fit"):
            fit |= {"over": fit.pop("spill"), "covered_music": fit.pop("buried"), "job": None, "heard_in_zones": None}
    return tree


# From version n to n + 1, on plain objects as they stand in the file.  Version 1 is the first.
UPGRADES: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {
    1: lambda tree: _fits_by_job(_levels_against_the_music(tree)),
}

_VERSION = re.compile(rb'\s*\{\s*"format_version"\s*:\s*(\d{1,9})\s*[,}]')
_BEFORE_LONG, _LONG_PARTS, _WHOLE = b'\n "comparisons": ', b',\n "settings": ', b"}\n"
_HEAD_BYTES = 2**17  # more than most heads have
_WIDTH = 118
_WORD = 12  # a list of words this short stays on one line
_DECIMALS = 6
_ROW_DECIMALS = 5
_LONG_ROW = 64  # numbers, from which on NumPy rounds faster
_RANK = {key: rank for rank, key in enumerate((*ZONE_KEYS, *ROLES))}


class NewerFormatError(ArchiveError):
    """A data file that a later version of the program wrote."""


class _Probe(Struct, frozen=True):
    format_version: int


def encode(document: object) -> bytes:
    """A document as JSON: indented, rounded, the same bytes for the same content.

    It may hold structs, mappings with string keys, sequences, strings, numbers (numpy's too), booleans and None.
    Raises ArchiveError, with the path, where a number is not finite or a value has no place in JSON.
    """
    return (_text(document, 0, "") + "\n").encode()


def read_data(raw: bytes, *, shown_as: str = "data file") -> DossierData:
    """A dossier's data file, of this format version or an older one.

    Raises NewerFormatError if a later version of the program wrote it, else ArchiveError if it is damaged or is no data
    file.
    """
    return decode(raw, DossierData, shown_as=shown_as)


def decode(raw: bytes, kind: type[T], *, shown_as: str) -> T:
    """As `read_data`, into a `kind` that may name only some of the document's fields: the others are skipped."""
    try:
        told = _VERSION.match(raw)  # as this program writes it, before everything else
        found = int(told.group(1)) if told else msgspec.json.decode(raw, type=_Probe).format_version
        if found > FORMAT_VERSION:
            raise NewerFormatError(
                f"{shown_as}: format {found}, written by a newer version of the program; this one reads up to "
                f"{FORMAT_VERSION}. Install the newer version to use it"
            )
        if found == FORMAT_VERSION:
            return msgspec.json.decode(raw, type=kind)
        if not 1 <= found < FORMAT_VERSION or any(step not in UPGRADES for step in range(found, FORMAT_VERSION)):
            raise ArchiveError(f"{shown_as}: format {found} is not a format of this program")
        tree: dict[str, Any] = msgspec.json.decode(raw)
        for step in range(found, FORMAT_VERSION):
            tree = UPGRADES[step](tree)
        return msgspec.convert(tree, type=kind)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError, LookupError, TypeError, AttributeError) as error:
        raise ArchiveError(f"{shown_as}: damaged, or not a data file ({error})") from error


def read_head(file: BinaryIO) -> bytes:
    """A data file up to its last long parts, as a document of its own; all of one that was written in another order.

    Those parts hold nine tenths of it and more; to skip them in the parser takes three times as long as all else.  A
    line break in a string is never written as one.
    """
    start = b""
    while block := file.read(_HEAD_BYTES):
        start += block
        end = start.find(_LONG_PARTS)
        if end >= 0:
            last = start.rfind(b'\n "', 0, end)
            file.seek(-len(_WHOLE), os.SEEK_END)
            if start.startswith(_BEFORE_LONG, last) and file.read() == _WHOLE:
                return start[:end] + b"}"
            break
    file.seek(0)
    return file.read()


def _text(value: object, indent: int, path: str) -> str:
    if value is None or type(value) in (str, int, bool):  # most values; what follows takes long to ask
        return msgspec.json.encode(value).decode()
    if type(value) is float:
        return msgspec.json.encode(_rounded(value, _DECIMALS, path)).decode()
    if isinstance(value, msgspec.Struct):
        return _object([(name, getattr(value, name)) for name in value.__struct_fields__], indent, path)
    if isinstance(value, Mapping):
        return _object([(str(key), value[key]) for key in sorted(value, key=_order)], indent, path)
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return _array(value, indent, path)
    if hasattr(value, "tolist"):  # numpy's arrays and numbers, without importing numpy
        return _text(value.tolist(), indent, path)
    if isinstance(value, float):
        value = _rounded(value, _DECIMALS, path)
    elif not (value is None or isinstance(value, str | int)):
        raise _not_writable(path, f"a {type(value).__name__}, which a data file cannot hold")
    return msgspec.json.encode(value).decode()


def _order(key: object) -> tuple[int, str]:
    return _RANK.get(str(key), len(_RANK)), str(key)


def _rounded(value: float, decimals: int, path: str) -> float:
    if not math.isfinite(value):
        raise _not_writable(path, f"not a finite number ({float(value)})")
    return round(float(value), decimals) + 0.0  # + 0.0: no negative zero


def _rounded_row(values: Sequence[object]) -> list[Any] | None:
    """A long row of floats, rounded as `round` does it; None where one is not finite, large or too close to a tie."""
    import numpy as np

    steps = np.array(values) * 10.0**_ROW_DECIMALS
    if not np.abs(steps).max() < 1e9 or np.abs(steps % 1.0 - 0.5).min() < 1e-6:
        return None
    return list((np.rint(steps) / 10.0**_ROW_DECIMALS + 0.0).tolist())


def _not_writable(path: str, what: str) -> ArchiveError:
    return ArchiveError(f"cannot write the data file: {path.removeprefix('.')} is {what}")


def _object(pairs: Iterable[tuple[str, object]], indent: int, path: str) -> str:
    parts = [
        f"{msgspec.json.encode(name).decode()}: {_text(value, indent + 1, f'{path}.{name}')}" for name, value in pairs
    ]
    return _joined(parts, "{", "}", indent)


def _array(values: Sequence[object], indent: int, path: str) -> str:
    """Numbers and short words stay on one line."""
    if values and hasattr(values[0], "tolist"):
        values = [value.tolist() if hasattr(value, "tolist") else value for value in values]
    if values and (kinds := {type(value) for value in values}) <= {float, int}:
        where = f"{path}.[row]"
        row = _rounded_row(values) if kinds == {float} and len(values) >= _LONG_ROW else None
        if row is None:
            row = [_rounded(value, _ROW_DECIMALS, where) if isinstance(value, float) else value for value in values]
        return msgspec.json.encode(row).decode()  # without spaces, which in a long beat's maps take 0.2 MB
    if values and all(type(value) is str and len(value) <= _WORD for value in values):
        return f"[{', '.join(msgspec.json.encode(value).decode() for value in values)}]"
    parts = [_text(value, indent + 1, f"{path}.[{place}]") for place, value in enumerate(values)]
    return _joined(parts, "[", "]", indent)


def _joined(parts: list[str], opening: str, closing: str, indent: int) -> str:
    if not parts:
        return opening + closing
    if sum(len(part) + 2 for part in parts) + indent <= _WIDTH and not any("\n" in part for part in parts):
        return f"{opening}{', '.join(parts)}{closing}"
    pad = " " * (indent + 1)
    return f"{opening}\n{pad}" + f",\n{pad}".join(parts) + f"\n{' ' * indent}{closing}"
