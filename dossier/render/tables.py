"""Tables as the page shows them: texts ready to read, with the bare number beside them for sorting and saving."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

from dossier.render import format as fmt


class Cell(Struct, frozen=True):
    text: str
    value: float | str | None = None  # what it sorts and is saved by; None: the text
    tone: str = ""  # a class of the style sheet
    note: str = ""  # a second, quiet line


class Column(Struct, frozen=True):
    label: str
    numeric: bool = True
    unit: str = ""


class Table(Struct, frozen=True):
    """The first cell of a row is its heading.  `ident` names it in the page and in saved files."""

    ident: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


def share(value: float | None, *, small: bool = False) -> Cell:
    """A share of 1 in per cent; the saved number stays the share."""
    return Cell(fmt.small_percent(value) if small else fmt.percent(value), value)


def level(value: float | None, unit: str = "", *, digits: int = 1, sign: bool = False) -> Cell:
    return Cell(fmt.number(value, digits, sign=sign, unit=unit), value)


def table(ident: str, caption: str, columns: Iterable[Column], rows: Iterable[Iterable[Cell]]) -> Table:
    return Table(ident, caption, tuple(columns), tuple(tuple(row) for row in rows))
