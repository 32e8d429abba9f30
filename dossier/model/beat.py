"""What the user gave: the beat folder and its beat.toml, read and checked (see `dossier.beatfile`)."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from msgspec import Struct, field

from dossier.model.usual import Taste
from dossier.model.vocabulary import Feel, Intent, Kind, Means, Rights, Role, Voice


class Stem(Struct, frozen=True):
    """One exported track without drums."""

    file: str  # as shown: relative to the beat folder, forward slashes
    path: Path  # where the file is; never shown or shared
    gain_db: float = 0.0
    origin: str = ""
    rights: Rights = "unknown"
    role: str = ""  # what it plays, in the user's words; "bass" marks the bass of the low end
    start_s: float | None = None  # where it begins in the music; None: its time reference says, or at 0


class DrumFile(Struct, frozen=True):
    """One candidate, a loop or a one-shot.  `None` means 'let the sound decide'."""

    file: str
    path: Path
    kind: Kind | None = None
    role: Role | None = None
    tempo_bpm: float | None = None
    origin: str = ""
    rights: Rights = "unknown"
    means: Means | None = None  # how a loop is brought to the tempo
    slices_s: tuple[float, ...] = ()  # where a loop is cut, in order; empty: at its own hits
    feel: Feel = "own"
    plays: Mapping[Role, float] = field(default_factory=dict)  # role -> a time in the slice that plays it, re-laid


class Given(Struct, frozen=True):
    """What a command adds to a beat: folders of drums, which of their files count, and another name."""

    drums: tuple[Path, ...] = ()
    include: tuple[str, ...] = ()  # globs over names inside those folders
    exclude: tuple[str, ...] = ()
    name: str = ""
    archive: Path | None = None  # where it is built: the taste beside it holds where beat.toml names none
    all_candidates: bool = False  # list also those that are sifted out


NOTHING_GIVEN = Given()


class PatternHit(Struct, frozen=True):
    """One note of a pattern."""

    role: Role
    beat: float  # quarter notes from the start of the pattern, before swing
    velocity: float  # 0-1; 1 is an accent


class Pattern(Struct, frozen=True):
    """Hits over a whole number of quarter notes, repeated through its sections."""

    hits: tuple[PatternHit, ...]
    length_beats: float
    source: str  # "beat.toml", the MIDI file's name, or "assumed"
    swing_applies: bool = True  # tablature is straight until the beat's swing is applied; MIDI keeps its own timing
    steps_per_beat: int = 4


class Section(Struct, frozen=True):
    """A named run of bars."""

    name: str
    first_bar: int  # 0-based
    bars: int
    intent: Intent | None = None


class Beat(Struct, frozen=True):
    """One piece of music as the user describes it.  `None` means 'estimate it, and say so'."""

    folder: Path
    slug: str
    title: str
    stems: tuple[Stem, ...]
    drums: tuple[DrumFile, ...]
    id: str = ""  # beats of one id are one beat, whatever their names
    artist: str = ""
    tempo_bpm: float | None = None
    meter: tuple[int, int] | None = None
    key: str | None = None  # "D minor"
    first_downbeat_s: float | None = None
    swing: float | None = None  # 0.5 straight, 2/3 triplet
    target_lufs: float | None = None
    intent: Intent = "level"
    voice: Voice = "expected"
    role_intents: Mapping[Role, Intent] = field(default_factory=dict)
    listening_level_db_spl: float | None = None
    pattern: Pattern | None = None
    section_patterns: Mapping[str, Pattern] = field(default_factory=dict)
    sections: tuple[Section, ...] = ()
    kit_pins: Mapping[Role, str] = field(default_factory=dict)  # role -> DrumFile.file
    references: tuple[Path, ...] = ()
    libraries: tuple[Path, ...] = ()  # folders of drums elsewhere; never shown
    policy: Mapping[str, float] = field(default_factory=dict)
    taste: Taste | None = None  # the user's own usual levels
    config_files: tuple[Path, ...] = ()  # beat.toml, MIDI, taste, whose content is part of the beat's identity
    notes: tuple[str, ...] = ()  # what the reader assumed, in plain words
