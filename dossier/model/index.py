"""The archive's own document (archive.json): what the archive page is drawn from.  Built from data files alone.

Ratios are 0-1, levels dB, times seconds, as in the data files.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct

from dossier.model.datafile import Decision, ProgramInfo
from dossier.model.ears import Agreement, RunTold, Vote
from dossier.model.findings import SectionFill
from dossier.model.standing import Standing
from dossier.model.vocabulary import ApproachKind, Direction, Rights

INDEX_FORMAT_VERSION = 2


class ChosenDrum(Struct, frozen=True):
    """One drum part that a revision puts into the beat, with the figures of its level balance."""

    part: str  # as it is shown: "kick", "loop"
    file: str
    sha256: str  # of the file, "" where it is not among the inputs: the same sound in two beats is known by it
    gain_db: float | None
    integrated_lufs: float | None
    audible_share: float | None
    lift_lu: float | None
    treated: bool  # the figures are those of the treated drum


class RightsInUse(Struct, frozen=True):
    """Rights of one file that the rough mix really uses."""

    file: str
    kind: str  # "stem" | "drum"
    rights: Rights


class RevisionSummary(Struct, frozen=True):
    """One revision, as far as the archive page needs it."""

    id: str
    made: str  # ISO 8601, UTC
    page: str  # relative to the archive
    data: str
    title: str
    artist: str
    tempo_bpm: float
    key: str | None
    meter: str
    duration_s: float
    bars: int
    fill: float
    zones: Mapping[str, float]
    sections: tuple[SectionFill, ...]
    roomiest_zone: str
    kind: ApproachKind
    direction: Direction
    verdict: str
    drums: tuple[ChosenDrum, ...]
    mix_lufs: float | None
    mix_true_peak_dbtp: float | None
    headroom_db: float | None
    target_lufs: float
    rights: tuple[RightsInUse, ...]
    warnings: int
    changes: tuple[str, ...]
    renders: int = 0  # files that it came with
    renders_there: int = 0  # those that are still there
    mix: str = ""  # the rough mix, relative to the archive
    hook_s: float = 0.0  # where the part begins that a listener remembers,
    hook_length_s: float = 0.0
    hook_lufs: float | None = None  # and how loud the rough mix is there
    identity: str = ""


class BeatSummary(Struct, frozen=True):
    slug: str
    revisions: tuple[RevisionSummary, ...]  # oldest first, at least one
    standing: Standing
    decisions: tuple[Decision, ...]  # all of them, oldest first, superseded ones too
    files: tuple[str, ...] = ()  # every file of the newest revision, candidates too
    heard: tuple[RunTold, ...] = ()  # blind comparisons, oldest first
    votes: tuple[Vote, ...] = ()

    @property
    def newest(self) -> RevisionSummary:
        return self.revisions[-1]


class Skipped(Struct, frozen=True):
    """Something in the archive that could not be used, with the reason."""

    file: str  # relative to the archive
    reason: str


class ArchiveIndex(Struct, frozen=True):
    format_version: int
    program: ProgramInfo
    beats: tuple[BeatSummary, ...]  # by title
    skipped: tuple[Skipped, ...] = ()
    agreement: Agreement | None = None  # of all listeners with the advice
