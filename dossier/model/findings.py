"""What was decided, with the measurements that each finding rests on.

Ratios are 0-1, levels dB, times seconds.  Sentences (`reason`, `reasons`, `advice`) are written where the decision is
made, from the numbers that made it; pages, tables and data files only repeat them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct, field

from dossier.model.measures import LoopHit
from dossier.model.vocabulary import ApproachKind, Direction, Feel, Grade, Kind, Means, Rights, Role

Amount = float | str


class SectionFill(Struct, frozen=True):
    name: str
    first_bar: int  # 1-based, as musicians count
    bars: int
    fill: float
    zones: Mapping[str, float]


HOOKS = ("hook", "chorus", "refrain", "drop")  # names of the part that a listener remembers (common practice)


def hook_of(sections: Sequence[SectionFill]) -> SectionFill | None:
    """The section to listen to: the hook where one is named so, else the fullest."""
    named = [s for s in sections if any(name in s.name.casefold() for name in HOOKS)]
    return max(named or sections, key=lambda s: s.fill, default=None)


class Room(Struct, frozen=True):
    """How full the instrumental is."""

    fill: float
    zones: Mapping[str, float]
    sections: tuple[SectionFill, ...]
    roomiest_zone: str
    fullest_zone: str
    bars: tuple[float, ...]  # fill of each bar
    kept: Mapping[str, float] = field(default_factory=dict)  # share of each zone that is kept free for a voice


class DrumsHeard(Struct, frozen=True):
    """Bars in which the music has drums already."""

    first_bar: int  # 1-based
    bars: int
    stems: tuple[str, ...]  # in which they are heard; none where only the sum tells


class Fit(Struct, frozen=True):
    """How one drum part sits in this beat, at the gain that its balance asks for."""

    job: float | None  # 0-1: how like its role it sounds; None in data files that do not tell
    heard_in_zones: float | None  # sone heard in its role's own zones, at its hits
    room_filled: float  # rise of what stays within the reference, as a share of the reference
    over: float  # loudness above the reference, as a share of the reference
    covered_music: float  # share of the music that it covers
    overlap: float
    audible_share: float
    lift_lu: float | None
    tempo_match: float  # 0-1
    tuning_match: float | None  # 0-1, None where unpitched
    mono_loss_lu: float | None
    heard_zones: Mapping[str, float] = field(default_factory=dict)  # sone a zone, at its hits


class Holds(Struct, frozen=True):
    """In how many of the drawn settings a decision comes out the same."""

    of: int
    draws: int
    otherwise: str = ""  # what else it is most often, and in how many
    moved_by: str = ""  # the setting that tells the two apart best


class SectionGain(Struct, frozen=True):
    """A part's gain in a section that has an intent of its own, where it is not the base gain."""

    name: str
    intent: str
    first_bar: int  # 1-based
    bars: int
    gain_db: float  # to set


class Gains(Struct, frozen=True):
    """The one gain of a drum part, in steps of 0.1 dB."""

    db: float  # beside the music as its stems are
    state: str  # what it was solved in: "alone" in the music, or "together" with the other parts as they are treated
    level_lu: float | None = None  # that it gives against the music
    music_db: float = 0.0  # 0 or less: what the music comes down by, so that no part is set above what it may have
    range_db: tuple[float, float] = (0.0, 0.0)  # quartiles of people's mixes about it, to set
    sections: tuple[SectionGain, ...] = ()

    @property
    def to_set_db(self) -> float:
        """The gain to set, with the music at its own."""
        return round(self.db + self.music_db, 1) + 0.0


class LoopCost(Struct, frozen=True):
    """What bringing a loop to a tempo did to it, measured on the pass that was laid."""

    attack_smear_ms: float  # by how much its hits rise more slowly, in the median
    timing_ms: float  # how far its hits fall beside the slots that they had, on average
    semitones: float  # by how much its pitch moved
    gaps: float  # 0-1: share of energy that was made to fill gaps, or cut where slices meet
    groove_kept: float  # 0-1: share of its own hits that are played; 1 unless re-laid


class LoopFit(Struct, frozen=True):
    """How a loop was brought to the beat's tempo."""

    method: Means
    ratio: float  # speed factor applied
    change_percent: float
    semitones: float  # pitch change that comes with it; 0 for a stretch
    source_tempo_bpm: float | None
    beats: float  # quarter notes that one pass of the loop covers in the beat
    downbeat_s: float
    poor_match: bool
    note: str
    feel: Feel = "own"
    match: float = 1.0  # 0-1: what is left of the loop after its cost
    cost: LoopCost | None = None  # None in files of format 1


class LoopMeans(Struct, frozen=True):
    """One way to bring a loop to the tempo, tried in this beat; the ways of one loop are judged by the same fit."""

    means: Means
    chosen: bool
    why: str  # of the chosen one, and of one that cannot be: why; otherwise what it costs
    match: float | None = None  # None where it was not tried
    cost: LoopCost | None = None
    score: float | None = None
    gain_db: float | None = None  # to set, with the music at `music_gain_db`; None where it was not placed
    music_gain_db: float = 0.0


class Step(Struct, frozen=True):
    """One treatment with its amounts, in trade units."""

    treatment: str
    label: str  # "low-pass at 4.0 kHz, Q 0.71"
    amounts: Mapping[str, Amount]


class DrumFigures(Struct, frozen=True):
    """A drum as it plays in this beat: one side of a before-and-after."""

    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    integrated_lufs: float | None
    crest_factor_db: float | None
    effective_length_s: float | None
    fill: float  # of the beat with this drum in it
    room_filled: float
    spill: float
    overlap: float
    buried: float
    audible_share: float
    envelope_db: tuple[float, ...] = ()
    envelope_step_s: float = 0.0
    spectrum_db: tuple[float, ...] = ()  # one value a band
    heard_zones: Mapping[str, float] = field(default_factory=dict)  # sone a zone, at its hits
    job: float | None = None  # 0-1: how like its role it sounds; of a hit


class Tried(Struct, frozen=True):
    """A treatment that was tried and not taken, with the reason."""

    treatment: str
    label: str
    reason: str


class Plan(Struct, frozen=True):
    """A searched chain of at most three treatments for one candidate."""

    id: str
    candidate: str  # file, or "kit"
    role: Role | None
    direction: Direction
    steps: tuple[Step, ...]
    before: DrumFigures  # at its gain
    after: DrumFigures  # at the gain that it gets as treated
    helped: bool
    reason: str
    tried: tuple[Tried, ...]
    evaluations: int
    render: str | None = None  # file name beside the page
    occupancy_change: tuple[tuple[float, ...], ...] = ()  # (band, slot of the pattern cycle)
    at_equal_loudness: DrumFigures | None = None  # treated, as loud as before; None in data files of format 1


class Candidate(Struct, frozen=True):
    file: str
    name: str
    kind: Kind
    role: Role | None
    rights: Rights
    origin: str
    looked_at: str  # "closely" | "coarsely" | "not at all"
    score: float | None
    terms: Mapping[str, float]  # weighted terms that add up to the score
    fit: Fit | None
    gain_db: float | None  # to set, with the music at `music_gain_db`
    reason: str
    loop: LoopFit | None
    integrated_lufs: float | None
    one_hit_lufs: float | None
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    crest_factor_db: float | None
    pitch_hz: float | None
    pitch_note: str | None
    effective_length_s: float | None
    chosen: bool = False
    plan: str | None = None  # Plan.id
    problems: tuple[str, ...] = ()
    means: tuple[LoopMeans, ...] = ()  # of a loop that was looked at closely, gentle ones first
    grade: Grade | None = None  # None where it was not placed, and in older files
    why: str = ""  # of the grade, at most eight words
    hits: tuple[LoopHit, ...] = ()  # of a loop, named by role, so that it can be compared with a kit part by part
    level_lu: float | None = None  # at its gain, against the music at its own
    gain_range_db: tuple[float, float] | None = None
    music_gain_db: float = 0.0


class KitMember(Struct, frozen=True):
    role: Role
    file: str
    gain_db: float
    fit: Fit
    pinned: bool
    reason: str
    gain_range_db: tuple[float, float] | None = None


class Kit(Struct, frozen=True):
    members: tuple[KitMember, ...]
    missing_roles: tuple[Role, ...]
    score: float
    terms: Mapping[str, float]
    fit: Fit
    reason: str
    grade: Grade | None = None
    why: str = ""


class WhatIf(Struct, frozen=True):
    """One 'what would change the verdict': a stem really lowered or removed, and the beat measured again."""

    text: str
    stem: str
    change_db: float | None  # None: removed
    fill: float
    kind: ApproachKind
    direction: Direction


class SectionApproach(Struct, frozen=True):
    name: str
    kind: ApproachKind
    direction: Direction
    reason: str


class Approach(Struct, frozen=True):
    kind: ApproachKind
    direction: Direction
    reasons: tuple[str, ...]
    verdict: str  # one sentence
    sections: tuple[SectionApproach, ...] = ()
    what_would_change_it: tuple[WhatIf, ...] = ()
    poor: str = ""  # where no drum works: why, and what would
    gaps: tuple[str, ...] = ()  # the same of single roles of the kit
    uncertain: str | None = None  # why, where the advice flips under small changes of the assumptions
    holds: Holds | None = None
    drums_hold: Mapping[str, Holds] = field(default_factory=dict)  # by file: the best loop, the kit's members


class BalancePart(Struct, frozen=True):
    """One drum part in the balance; the id names its audio layer on the page."""

    id: str
    part: str  # "kick", "loop", as it is shown
    file: str
    role: Role | None
    intent: str
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    integrated_lufs: float | None
    peak_to_loudness_db: float | None
    level_lu: float | None  # at its gain, against the music at its own
    usual_lu: tuple[float, float] | None  # 25th and 75th percentile over mixes that people made
    audible_share: float
    lift_lu: float | None
    overlap: float
    gain_db: float  # to set, with the music at `music_gain_db`
    gain_range_db: tuple[float, float] | None  # quartiles of people's mixes about it
    advice: str
    music_gain_db: float = 0.0  # that goes with this gain; of the chosen parts that of the balance
    sections: tuple[SectionGain, ...] = ()
    chosen: bool = True  # False: the other approach's drums, balanced among themselves
    treated: bool = False  # the figures are those of the treated drum
    cycle_file: str = ""  # the renders that the gain belongs to: one cycle,
    full_file: str = ""  # and the whole beat, of a chosen part


class EqualPeaks(Struct, frozen=True):
    first: str
    second: str
    peak_difference_db: float
    loudness_difference_lu: float
    text: str


class Mix(Struct, frozen=True):
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    headroom_db: float | None  # to -1 dBTP
    loudness_range_lu: float | None
    gain_db: float  # applied to the whole mix to reach the target
    limited: bool  # the target was not reached, because the ceiling would have asked too much of the limiter
    sections: tuple[tuple[str, float | None], ...] = ()
    limiter_db: float = 0.0  # the most that the rough mix's limiter takes


class Covered(Struct, frozen=True):
    """A part of which less is heard than in nine of ten mixes that people made."""

    part: str  # BalancePart.id
    by: str  # what covers it most: a stem's file, or another part's id
    zone: str
    share: float  # audible share
    usual_share: float  # of nine in ten mixes
    give_way_db: float | None  # what `by` would have to be lowered by in the zone; None: nothing that is asked would do
    raise_db: float | None  # what the part would have to be raised by instead; None: turning it up won't fix it
    text: str


class Balance(Struct, frozen=True):
    parts: tuple[BalancePart, ...]
    equal_peaks: tuple[EqualPeaks, ...]
    mix: Mix
    advice: tuple[str, ...] = ()
    covered: tuple[Covered, ...] = ()
    music_gain_db: float = 0.0  # to set; 0 or less
    all_drums_lu: float | None = None  # the chosen parts together at their gains (sections' aside), against the music
    mix_over_music_lu: float = 0.0  # how much louder than the music alone the mix is, were no two sounds alike
    drums_file_gain_db: float = 0.0  # 0 or less: the file of all drums is lowered by this; lower the music by as much


class LowEndRemedy(Struct, frozen=True):
    """One way to let kick and bass share the low end, really computed."""

    name: str  # "duck the bass", "tune the kick"
    label: str
    kick_share: float
    bass_lost: float
    amounts: Mapping[str, Amount]
    render: str | None = None
    heard_sone: float | None = None  # of the kick below 250 Hz, over the frames in which it plays untreated


class LowEnd(Struct, frozen=True):
    kick: str | None
    bass_stem: str | None
    overlap_sub: float | None  # share of the kick's loudness in the zone that the bass masks
    overlap_bass: float | None
    kick_share: float | None  # what is heard of the kick below 250 Hz beside the bass
    kick_pitch_hz: float | None
    kick_note: str | None
    kick_cents_from_key: float | None
    bass_notes: tuple[str, ...]
    polarity: str | None  # "as it is" | "invert"
    delay_ms: float | None
    delay_gain_db: float | None  # what the better alignment brings in low-end level
    remedies: tuple[LowEndRemedy, ...]
    sentences: tuple[str, ...]
    reasons: Mapping[str, str] = field(default_factory=dict)
    kick_spectrum_db: tuple[float, ...] = ()  # level by band while the kick plays, at its gain
    bass_spectrum_db: tuple[float, ...] = ()  # of the bass in the same frames
    kick_heard_sone: float | None = None  # below 250 Hz, mean over the frames in which it plays
    kick_rings_ms: float | None = None  # its effective length
    kick_gap_ms: float | None = None  # the shortest time between two of its hits


class PartTranslation(Struct, frozen=True):
    part: str
    mono_loss_lu: float | None
    small_speaker_share: float | None  # of its loudness left above 150 Hz
    quiet_share: float | None  # of its loudness in the mix that is left when all is played 15 dB lower


class Translation(Struct, frozen=True):
    parts: tuple[PartTranslation, ...]
    mono_zones: Mapping[str, float | None]  # mono loss of the mix, LU
    sentences: tuple[str, ...]


class RoomLeft(Struct, frozen=True):
    """After the chosen drums are in: what is left, and what would still fit."""

    zones: Mapping[str, float]
    slots: tuple[float, ...]  # room left by slot in the bar
    sentence: str
    ideas: tuple[str, ...]
