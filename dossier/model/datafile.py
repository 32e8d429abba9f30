"""The data file: every number of a dossier, in a versioned format.  The page is drawn from this document.

Format history
    1   first format.
    2   levels against the music, usual ranges and the music's own gain in the balance; sections' gains beside the part.
        A fit tells its job, what is heard, over and covered music; grades; how sure.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct, field

from dossier.model.ears import BlindRun, Comparison
from dossier.model.findings import (
    Approach,
    Balance,
    Candidate,
    DrumsHeard,
    Kit,
    LowEnd,
    Plan,
    RoomLeft,
    SectionFill,
    Translation,
)
from dossier.model.measures import StereoMeasure
from dossier.model.vocabulary import Rights

FORMAT_VERSION = 2


class ProgramInfo(Struct, frozen=True):
    name: str
    version: str


class BeatInfo(Struct, frozen=True):
    title: str
    slug: str
    artist: str
    tempo_bpm: float
    key: str | None
    meter: str  # "4/4"
    duration_s: float
    bars: int
    swing: float
    first_downbeat_s: float
    intent: str
    target_lufs: float
    listening_level_db_spl: float
    sample_rate_hz: int
    sources: Mapping[str, str]  # field -> "beat.toml" | "tag" | "file name" | "estimated" | "assumed" | "default"
    confidences: Mapping[str, float]
    notes: tuple[str, ...] = ()
    tempo_alternatives: tuple[float, ...] = ()  # tempos that the music may have instead
    swing_of: str = "sixteenths"  # the pairs that swing: "eighths" | "sixteenths"
    voice: str = "none"  # "none" | "expected" (room is kept free) | "in-stems"
    id: str = ""  # as beat.toml gives it


class RevisionInfo(Struct, frozen=True):
    id: str  # "r001"
    made: str  # ISO 8601, UTC
    identity: str  # sha256 of inputs, settings and program version
    changes: tuple[str, ...] = ()  # since the previous revision, in words
    previous: str | None = None
    asked: str = ""  # what the answer to the previous revision asked to change
    done: str = ""  # what came of it here


class InputFile(Struct, frozen=True):
    file: str
    sha256: str
    kind: str  # "stem" | "drum" | "groove" | "settings" | "reference"
    rights: Rights
    origin: str
    duration_s: float | None = None
    sample_rate_hz: int | None = None
    channels: int | None = None
    gain_db: float = 0.0
    integrated_lufs: float | None = None
    true_peak_dbtp: float | None = None
    used: bool = True  # False: could not be read, see warnings
    start_s: float = 0.0  # of a stem: where it begins in the music


class Instrumental(Struct, frozen=True):
    fill: float
    zones: Mapping[str, float]
    sections: tuple[SectionFill, ...]
    bars: tuple[float, ...]
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    loudness_range_lu: float | None
    width: Mapping[str, StereoMeasure]
    roomiest_zone: str
    fullest_zone: str
    zone_states: Mapping[str, str] = field(default_factory=dict)  # "open", "part filled", "full" or "over-full"
    kept: Mapping[str, float] = field(default_factory=dict)  # share of each zone that is kept free for a voice
    drums: tuple[DrumsHeard, ...] = ()  # that are in the music already


class Occupancy(Struct, frozen=True):
    """Maps over band x slot.  Rows are bands from low to high; values are shares of the reference, 0 and up."""

    band_hz: tuple[float, ...]
    band_zone: tuple[str, ...]
    slot_s: float
    slots_per_bar: int
    first_slot_s: float
    instrumental: tuple[tuple[float, ...], ...]
    with_drums: tuple[tuple[float, ...], ...]
    overlap: tuple[tuple[float, ...], ...]  # what of the chosen drums the instrumental masks
    treatment_change: tuple[tuple[float, ...], ...] = ()  # treated less untreated
    reference_sone: tuple[float, ...] = ()  # sone/Cam a band
    kept: tuple[float, ...] = ()  # share of each band that is kept free for a voice; empty: nothing is


class PatternRow(Struct, frozen=True):
    role: str
    cells: tuple[float, ...]  # velocity a step, 0 rest


class PatternInfo(Struct, frozen=True):
    source: str
    assumed: bool
    steps_per_beat: int
    steps: int
    rows: tuple[PatternRow, ...]
    section: str | None = None
    note: str = ""


class Proposal(Struct, frozen=True):
    """Something a collaborator can agree to or ask to change; the id is stable across revisions."""

    id: str  # "approach", "drums", "plan:drums/kick.wav", "gain:kick", "rights:drums/loop.wav"
    kind: str  # "approach" | "drums" | "plan" | "gain" | "rights"
    text: str


class Mark(Struct, frozen=True):
    proposal: str  # Proposal.id
    mark: str  # "agreed" | "to change"
    note: str = ""


class Decision(Struct, frozen=True):
    """One line of decisions.jsonl."""

    id: str  # "d0001"
    made: str  # ISO 8601, UTC
    revision: str
    identity: str  # of that revision
    by: str
    status: str  # "agreed" | "to change" | "note"
    text: str
    marks: tuple[Mark, ...] = ()
    gains_db: Mapping[str, float] = field(default_factory=dict)
    source: str = "by hand"  # or "response"
    supersedes: str | None = None
    response_id: str | None = None  # so that the same response is not taken in twice
    blind: tuple[BlindRun, ...] = ()  # shown beside the decision; decides nothing by itself


class Response(Struct, frozen=True):
    """What a collaborator sends back: saved by the page, read by `dossier decide`."""

    format: str  # "dossier response"
    format_version: int
    id: str
    beat: str  # slug
    revision: str
    identity: str
    name: str
    made: str
    marks: tuple[Mark, ...] = ()
    notes: str = ""
    gains_db: Mapping[str, float] = field(default_factory=dict)
    blind: tuple[BlindRun, ...] = ()  # from version 2 on


class SettingUsed(Struct, frozen=True):
    name: str
    value: float
    default: float
    unit: str
    reason: str


class TasteUsed(Struct, frozen=True):
    """The user's own usual levels that the gains follow."""

    name: str  # of its file
    made: str  # when it was learnt, ISO 8601
    pieces: int  # that it was learnt from
    differs_db: Mapping[str, float]  # "all drums" from the default; roles from theirs, against all drums; no zeros
    text: str


class Looked(Struct, frozen=True):
    """How many candidates were looked at how closely."""

    files: int
    measured: int
    placed: int
    unreadable: int
    coarsely: int = 0  # of `measured`, those that only a coarse look was taken at: they cannot win


class BareDossier(Struct, frozen=True, kw_only=True):
    """All of the document but its maps; what the archive's page needs of it stands first, what is long last."""

    format_version: int
    program: ProgramInfo
    beat: BeatInfo
    revision: RevisionInfo
    inputs: tuple[InputFile, ...]
    instrumental: Instrumental
    approach: Approach
    balance: Balance
    low_end: LowEnd | None
    translation: Translation | None
    room_left: RoomLeft | None
    patterns: tuple[PatternInfo, ...]
    looked: Looked
    proposals: tuple[Proposal, ...]
    decisions: tuple[Decision, ...]
    warnings: tuple[str, ...]
    renders: tuple[str, ...] = ()
    candidates_tried: int = 0  # drums that were measured; of a library only those that could win are in `candidates`
    lowered: Mapping[str, float] = field(default_factory=dict)  # renders that would pass full scale: by how many dB
    taste: TasteUsed | None = None  # None: the default levels
    concerns: tuple[str, ...] = ()  # at most three, worst first, in sentences
    comparisons: tuple[Comparison, ...] = ()  # pairs that the page lets compare blind
    settings: tuple[SettingUsed, ...]
    candidates: tuple[Candidate, ...]
    kit: Kit | None
    plans: tuple[Plan, ...]


class DossierData(BareDossier, frozen=True, kw_only=True):
    """The document."""

    occupancy: Occupancy
