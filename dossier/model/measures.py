"""What was measured: numbers with their units, or `None` with a reason where a number does not exist."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field

from dossier.model.vocabulary import Kind, Role

Samples = npt.NDArray[np.floating]  # (frames, channels)
Array = npt.NDArray[np.floating]
Indices = npt.NDArray[np.intp]
Mask = npt.NDArray[np.bool_]

OUTLINE_PIECES = 6  # of what is kept of every file: tenths of a second of a hit, equal parts of a loop
FRAME_S = 0.1  # the time step of hearing, whatever tempo and notation


class Sound(Protocol):
    """`(frames, channels)` read slice by slice: an array, or an object that makes each slice on demand."""

    @property
    def shape(self) -> tuple[int, ...]: ...

    @property
    def dtype(self) -> np.dtype[Any]: ...

    def __len__(self) -> int: ...

    def __getitem__(self, frames: slice, /) -> Any: ...


class Clip(Struct, frozen=True, eq=False):
    """Checked audio: `(frames, channels)` with 1 or 2 channels, finite, and its sample rate."""

    samples: Samples
    rate_hz: int

    @property
    def duration_s(self) -> float:
        return len(self.samples) / self.rate_hz


class Loudness(Struct, frozen=True):
    """BS.1770-5 / R 128 quantities and peaks of one signal; see `dossier.measure.loudness`."""

    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    loudness_range_lu: float | None
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    crest_factor_db: float | None
    peak_to_loudness_db: float | None
    one_hit_lufs: float | None  # maximum momentary of the hit padded to 400 ms
    reasons: Mapping[str, str] = field(default_factory=dict)


class StereoMeasure(Struct, frozen=True):
    """Width of one signal, whole or in one zone."""

    side_to_mid_db: float | None
    correlation: float | None
    mono_loss_lu: float | None  # how much quieter the mono sum is; 0 for a mono or in-phase signal


class StereoImage(Struct, frozen=True):
    whole: StereoMeasure
    zones: Mapping[str, StereoMeasure]
    reasons: Mapping[str, str] = field(default_factory=dict)


class BandEnergies(Struct, frozen=True, eq=False):
    """Accumulated spectral energy, from which every hearing measure starts.

    `cumulative[k, b]` is the energy of fine band `b` from the start of the signal up to `k * step_s`: squared amplitude
    summed over channels and samples, divided by the sample rate (full-scale^2 * seconds).  Row 0 is zero.  The mean
    power between two times is the difference of two (linearly interpolated) rows over the time between them, so no
    slot edge ever drifts against the analysis frames.
    """

    cumulative: Array  # (steps + 1, fine bands), float64
    step_s: float
    duration_s: float


class Grid(Struct, frozen=True):
    """The beat's grid of slots (sixteenth notes)."""

    tempo_bpm: float
    tempo_source: str  # "beat.toml" | "tag" | "file name" | "estimated" | "assumed"
    tempo_confidence: float  # 0-1
    first_downbeat_s: float
    downbeat_source: str
    downbeat_confidence: float
    swing: float  # 0.5 straight
    swing_source: str
    swing_confidence: float
    meter: tuple[int, int]
    bars: int  # that the music covers from the first downbeat, a partial last one included
    notes: tuple[str, ...] = ()
    tempo_alternatives: tuple[float, ...] = ()  # other readings of the pulse, likeliest first, at most two
    tempo_changes: tuple[tuple[float, float], ...] = ()  # (s, BPM): from when on which tempo; empty if it holds
    swing_of: str = "sixteenths"  # the pairs that swing: "eighths" | "sixteenths"
    meter_source: str = "assumed"  # "beat.toml" | "estimated" | "assumed"
    meter_confidence: float = 0.0  # 0-1

    @property
    def slots_per_bar(self) -> int:
        return self.meter[0] * 16 // self.meter[1]

    @property
    def swing_pair_beats(self) -> float:
        """Quarter notes in a pair of the notes that swing."""
        return 1.0 if self.swing_of == "eighths" else 0.5

    @property
    def bar_beats(self) -> float:
        """Quarter notes a bar."""
        return self.meter[0] * 4.0 / self.meter[1]

    @property
    def slot_s(self) -> float:
        return 15.0 / self.tempo_bpm

    @property
    def slots(self) -> int:
        return self.bars * self.slots_per_bar

    @property
    def bar_s(self) -> float:
        return self.slots_per_bar * self.slot_s

    @property
    def frames(self) -> int:
        """Whole frames of hearing from the first downbeat to the end of the last bar, at least one."""
        return max(1, int(self.bars * self.bar_s / FRAME_S + 1e-6))

    def frame_edges_s(self) -> Array:
        """Edges of all frames, `(frames + 1,)`, in seconds from the start of the stems."""
        return self.first_downbeat_s + FRAME_S * np.arange(self.frames + 1)

    def frames_of(self, first_bar: int, bars: int) -> Indices:
        """The frames that lie mostly in some bars, the first counted from 0."""
        begin, end = (round(bar * self.bar_s / FRAME_S) for bar in (first_bar, first_bar + bars))
        return np.arange(min(begin, self.frames), min(end, self.frames), dtype=np.intp)


class Key(Struct, frozen=True):
    name: str | None  # "D minor"
    confidence: float
    reason: str = ""
    source: str = "estimated"  # "beat.toml" | "tag" | "estimated"


class Pitch(Struct, frozen=True):
    """Fundamental of a drum or a bass note; `hz` is None where it is unpitched."""

    hz: float | None
    note: str | None  # "A1"
    cents: float | None  # from that note in equal temperament, A4 = 440
    confidence: float
    reason: str = ""
    source: str = "sound"  # "sound" | "tag"


class LoopHit(Struct, frozen=True):
    time_s: float
    role: Role
    level_db: float  # relative to the loop's loudest hit
    likeness: float = 0.0  # 0-1, how like a drum of its family it sounds; 0 in data files that do not tell


class HitMeasures(Struct, frozen=True):
    """The shape of a one-shot, or of a loop as a whole where that makes sense."""

    kind: Kind
    kind_confidence: float
    role: Role | None
    role_confidence: float
    onset_s: float  # where the sound really starts in the file
    attack_s: float | None
    decay_20_s: float | None
    decay_60_s: float | None
    effective_length_s: float | None
    centroid_hz: float | None
    rolloff_hz: float | None
    zone_shares: Mapping[str, float]
    transient_to_sustain_db: float | None
    tonality: float | None  # 0 noise - 1 tone
    likeness: Mapping[Role, float]  # of a one-shot: how like each role it sounds, adding up to 1
    reasons: Mapping[str, str] = field(default_factory=dict)


class CoarseMeasures(Struct, frozen=True, eq=False):
    """What a coarse look tells of a one-shot; see `dossier.measure.coarse`."""

    onset_s: float
    length_s: float  # effective
    evenness: float  # share of that length in which 90 % of the energy passes
    likeness: Array  # (roles,), in the order of ROLES, adding up to 1
    pitch_hz: float | None
    mono_loss_lu: float | None
    outline: Array  # (OUTLINE_PIECES, fine bands), mean power


class LoopMeasures(Struct, frozen=True):
    tempo_bpm: float | None
    tempo_source: str
    beats: float | None  # its length in quarter notes at that tempo
    downbeat_s: float  # where beat one falls in the file (leading silence, pickup)
    swing: float | None
    hits: tuple[LoopHit, ...]
    continuity: float | None  # 0-1: how much sounds between the hits
    reasons: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()  # stated tempos against the sound and one another


class Tags(Struct, frozen=True):
    """What the tags inside a file state, unchecked against its sound."""

    tempo_bpm: float | None = None
    key: str | None = None  # "D minor"
    root_note: int | None = None  # MIDI note, 1-127
    notes: tuple[str, ...] = ()  # what they state that cannot be
    time_reference: int | None = None  # of the first sample, in samples since midnight


class FileMeasures(Struct, frozen=True):
    """All that is known of one file on its own: what `dossier measure` prints."""

    file: str
    sample_rate_hz: int
    channels: int
    duration_s: float
    bit_depth: str
    loudness: Loudness
    stereo: StereoImage
    hit: HitMeasures
    loop: LoopMeasures | None
    pitch: Pitch
    notes: tuple[str, ...] = ()  # what its tags, its name and its sound say against one another
