"""Progress of a command on standard error: one moving line on a terminal, a plain line a step anywhere else.

Conventions
    The moving line is taken away while anything else is printed, and at the end; standard output is never touched, so
    that it can be piped while standard error is a terminal.
    A terminal that cannot move its cursor (TERM=dumb) gets plain lines.  Colours are left out where NO_COLOR is set
    (no-color.org).
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress as MovingLine


class Progress:
    """What is going on, on standard error: a moving line on a terminal, a line a step anywhere else.

    Parameters
    ----------
    total
        Things to do; 0 where it is not known.
    note
        Writes a line to standard error; None where steps are only worth a word on a terminal.
    """

    def __init__(self, total: int, *, note: Callable[[str], None] | None) -> None:
        self._total, self._number, self._note = total, 0, note
        self._line: MovingLine | None = None
        if sys.stderr.isatty() and os.environ.get("TERM") not in ("dumb", "unknown"):
            self._line = _moving_line()
            self._task = self._line.add_task("", total=None)

    def __enter__(self) -> Progress:
        if self._line is not None:
            self._line.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._line is not None:
            self._line.stop()

    def item(self, name: str) -> Callable[[str], None]:
        """Begin the next thing; what takes its steps."""
        self._number += 1
        counted = f"{self._number} of {self._total}: " if self._total > 1 else ""
        named = f"{name}: " if name else ""
        line = self._line
        if line is None:
            note = self._note
            return (lambda step: None) if note is None else (lambda step: note(f"{named}{step}"))
        line.reset(self._task, description=f"{counted}{name}")
        return lambda step: line.update(self._task, description=f"{counted}{named}{step}")

    def note(self, message: str) -> None:
        """Say something that stays."""
        if self._note is not None:
            with self.aside():
                self._note(message)

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Take the moving line away while something is printed."""
        if self._line is None:
            yield
            return
        self._line.stop()
        try:
            yield
        finally:
            self._line.start()


def _moving_line() -> MovingLine:
    from rich.console import Console
    from rich.progress import Progress as MovingLine
    from rich.progress import SpinnerColumn, TextColumn, TimeElapsedColumn
    from rich.table import Column

    console = Console(file=sys.stderr, highlight=False, color_system=None if os.environ.get("NO_COLOR") else "auto")
    return MovingLine(
        SpinnerColumn("line"), TextColumn("{task.description}", markup=False, table_column=Column(no_wrap=True)),
        TimeElapsedColumn(),
        console=console, transient=True, redirect_stdout=False, redirect_stderr=False,
    )  # fmt: skip
