"""Tables as the page shows them: texts ready to read, with the bare number beside them for sorting and saving."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dossier.render import format as fmt


@dataclass(frozen=True, slots=True)
class Cell:
    text: str
    value: float | str | None = None  # what it sorts and is saved by; None: the text
    bar: float | None = None  # a share: a bar behind the text, on the scale of its table
    tone: str = ""  # a class of the style sheet
    note: str = ""  # a second, quiet line


@dataclass(frozen=True, slots=True)
class Column:
    label: str
    numeric: bool = True
    term: str = ""  # a key of `glossary.terms`
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """The first cell of a row is its heading.  `ident` names it in the page and in saved files."""

    ident: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]

    @property
    def bars_end(self) -> float:
        """The share at which bars would be as wide as their cells: 1, or the largest."""
        return max((1.0, *(cell.bar for row in self.rows for cell in row if cell.bar is not None)))


def share(value: float | None, *, bar: bool = False, small: bool = False) -> Cell:
    """A share of 1 in per cent; the saved number stays the share."""
    shown = fmt.small_percent(value) if small else fmt.percent(value)
    return Cell(shown, value, value if bar else None)


def level(value: float | None, unit: str = "", *, digits: int = 1, sign: bool = False) -> Cell:
    return Cell(fmt.number(value, digits, sign=sign, unit=unit), value)


def table(ident: str, caption: str, columns: Iterable[Column], rows: Iterable[Iterable[Cell]]) -> Table:
    return Table(ident, caption, tuple(columns), tuple(tuple(row) for row in rows))
