"""Drums on their way into a beat: a measured candidate, the part that it plays, and that part placed at its gain."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from msgspec import Struct, field
from msgspec.structs import replace

from dossier.model.beat import DrumFile, Pattern
from dossier.model.findings import Fit, Gains, Kit, LoopFit, LoopMeans, Plan
from dossier.model.measures import Array, Clip, FileMeasures, Grid, Indices, Samples
from dossier.model.vocabulary import Grade, Kind, Role


class Drum(Struct, frozen=True, eq=False):
    """One candidate, measured on its own."""

    file: DrumFile
    clip: Clip | None  # two channels; None: as it lies on the disk, read where it is needed
    outline: Array  # (OUTLINE_PIECES, fine bands), mean power of its first tenths of a second, of a loop in equal parts
    measures: FileMeasures
    sha256: str
    problems: tuple[str, ...]

    @property
    def name(self) -> str:
        return self.file.file


class SeenDrum(Struct, frozen=True, eq=False):
    """One candidate as it is known before a library is sifted: coarsely, or measured already."""

    file: DrumFile
    sha256: str
    kind: Kind
    role: Role | None
    likeness: Mapping[Role, float]
    pitch_hz: float | None
    mono_loss_lu: float | None
    outline: Array  # as `Drum.outline`
    duration_s: float
    sample_rate_hz: int
    channels: int
    drum: Drum | None  # None: not yet measured

    @property
    def name(self) -> str:
        return self.file.file


class Voice(Struct, frozen=True):
    """The hits of one role through the whole beat: start, end (cut by the next hit) and amplitude.

    What its velocities say of its level: "played" (a MIDI file's, each role with its own), "written" (tablature, beside
    a plain hit), "" nothing (assumed, or one velocity for all).
    """

    role: Role
    starts_s: tuple[float, ...]
    ends_s: tuple[float, ...]
    gains: tuple[float, ...]
    velocities: str = ""


class Groove(Struct, frozen=True, eq=False):
    """What is played: the beat's patterns, and the voices that they make on the grid."""

    pattern: Pattern
    section_patterns: Mapping[str, Pattern]
    assumed: bool
    voices: Mapping[Role, Voice]


class DrumPart(Struct, frozen=True, eq=False):
    """A candidate as it plays in one beat, at the beat's sample rate: treatments and renders use what was measured.

    A one-shot is its sound from the onset on and the voice that plays it; a loop is one pass, fitted to the tempo.
    """

    name: str  # the candidate's file
    kind: Kind
    role: Role | None
    samples: Samples  # (frames, 2)
    rate_hz: int
    grid: Grid
    voice: Voice | None  # None for a loop
    loop: LoopFit | None
    assumed_voice: bool = False
    notes: tuple[str, ...] = ()  # what is odd about it in this beat
    moves: tuple[tuple[float, float], ...] = ()  # (s, dB): corners of its gain over time, on top of its gain

    @property
    def first_bar(self) -> int:
        """The bar of its first hit, 0-based."""
        if self.voice is None or not self.voice.starts_s:
            return 0
        return max(0, int((self.voice.starts_s[0] - self.grid.first_downbeat_s) / self.grid.bar_s + 1e-6))

    def with_samples(self, samples: Samples) -> DrumPart:
        return replace(self, samples=samples)


class Played(Struct, frozen=True, eq=False):
    """How a part plays on the grid of the whole beat at 0 dB gain; None where it is silent."""

    blocks: Array  # (blocks,), K-weighted mean square of each 100 ms from the start of the stems
    integrated_lufs: float | None
    hit_lufs: float | None  # loudest 100 ms of its loudest hit; of a loop, of the whole
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None

    @property
    def peak_to_loudness_db(self) -> float | None:
        if self.true_peak_dbtp is None or self.integrated_lufs is None:
            return None
        return self.true_peak_dbtp - self.integrated_lufs


class PlacedCandidate(Struct, frozen=True, eq=False):
    """A candidate at its gain in the beat, with its fit and score there."""

    drum: Drum
    part: DrumPart
    read_powers: Callable[[], Array] | None  # read when they are first asked for; None after a coarse look
    plays: Played
    gains: Gains
    fit: Fit
    score: float
    terms: Mapping[str, float]
    grade: Grade
    why: str  # of the grade, at most eight words
    reason: str
    treated: bool = False
    means: tuple[LoopMeans, ...] = ()  # of a loop that was looked at closely

    @property
    def closely(self) -> bool:
        return self.read_powers is not None

    @property
    def powers(self) -> Array:
        """`(frames, fine bands)` at 0 dB."""
        assert self.read_powers is not None, "no powers are read at a coarse look"
        return self.read_powers()


class Ranking(Struct, frozen=True, eq=False):
    """All placed candidates by score, the kit, and the candidates that could not be placed with the reason."""

    loops: tuple[PlacedCandidate, ...]
    one_shots: tuple[PlacedCandidate, ...]
    kit: Kit | None
    kit_parts: tuple[PlacedCandidate, ...]
    unplaced: tuple[tuple[Drum, str], ...]
    notes: tuple[str, ...]
    frames: Indices  # on which they were compared
    sifted: Mapping[str, float] = field(default_factory=dict)  # coarse score, by name, of those that cannot win

    @property
    def best_loop(self) -> PlacedCandidate | None:
        """The loop that speaks for all: the best; one that fits the tempo badly only where there is nothing else."""
        looked = [item for item in self.loops if item.closely]
        fitting = [item for item in looked if item.part.loop is None or not item.part.loop.poor_match]
        if not fitting and self.kit is not None:
            return None
        return next(iter(fitting or looked), None)


class Treated(Struct, frozen=True, eq=False):
    """A searched plan and the sound that it made."""

    plan: Plan
    placed: PlacedCandidate  # as it was
    samples: Samples

    @property
    def changes(self) -> bool:
        """Whether the plan is worth following."""
        return self.plan.helped and bool(self.plan.steps)
