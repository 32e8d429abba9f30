"""Errors that a user can act on.

Every message says what went wrong, where, what was found and what to do.  `DossierError` is the base of all; the
command line prints it as one line on standard error, never as a traceback.
"""

from __future__ import annotations

from msgspec import Struct


class DossierError(Exception):
    """Base of every error that the program raises on purpose."""


class AudioError(DossierError):
    """An audio file cannot be read or written, or holds nothing usable."""


class ArchiveError(DossierError):
    """The archive on disk cannot be read or written."""


class MachineError(ArchiveError):
    """The machine is at its end (a full disk, no more files or memory): what was asked for was right."""


class EngineError(DossierError):
    """Other machines cannot be used: no scheduler at an address, no worker, other versions there."""


class UnusableFileError(DossierError):
    """A place that holds no file that can be read.  The message follows the file's name in a sentence."""


class MeasureError(DossierError):
    """Samples that a measure cannot take (wrong shape, not finite): a programming error made visible."""


class Problem(Struct, frozen=True):
    """One thing wrong with a beat folder: where it stands, what was found, what is allowed."""

    file: str
    key: str
    message: str

    def __str__(self) -> str:
        where = f"{self.file}: {self.key}" if self.key else self.file
        return f"{where}: {self.message}"


class BeatError(DossierError):
    """A beat folder or its beat.toml cannot be used.  Carries every problem, not only the first."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in problems))

    def __reduce__(self) -> tuple[type[BeatError], tuple[list[Problem]]]:
        """Pickle the problems too, so that the error survives the way from another process."""
        return type(self), (list(self.problems),)
