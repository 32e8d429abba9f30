"""What a demo beat's score is, and the clock that its parts are played by.

A score names every audio file of its beat and how each is made.  Files are made one by one and on demand, each with a
random generator of its own, so that one missing file can be made again without the others.

Conventions: bars and steps (sixteenths) count from 0; all music is in 4/4; swing is the share of an eighth that its
first sixteenth takes (0.5 straight, 2/3 triplet).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from .synth import Rng, Sound, faded, high_pass, to_peak

STEPS = 16


@dataclass(frozen=True, slots=True)
class Clock:
    """Turns bars and steps into frames."""

    rate_hz: int
    tempo_bpm: float
    bars: int
    swing: float = 0.5

    @property
    def step_s(self) -> float:
        return 15.0 / self.tempo_bpm

    @property
    def frames(self) -> int:
        return round(self.bars * STEPS * self.step_s * self.rate_hz)

    def at_s(self, bar: float, step: float) -> float:
        """Time of a step, swung: odd sixteenths come late, and so does what lies between them, in proportion."""
        pair, rest = divmod(bar * STEPS + step, 2.0)
        late = rest * self.swing if rest <= 1.0 else self.swing + (rest - 1.0) * (1.0 - self.swing)
        return (2.0 * pair + 2.0 * late) * self.step_s

    def frame(self, bar: float, step: float, *, off_s: float = 0.0) -> int:
        """First frame of a step, `off_s` early or late, never before the music starts."""
        return max(round((self.at_s(bar, step) + off_s) * self.rate_hz), 0)

    def length(self, steps: float) -> int:
        return round(steps * self.step_s * self.rate_hz)

    def silence(self, channels: int = 1) -> Sound:
        return np.zeros(self.frames if channels == 1 else (channels, self.frames), dtype=np.float32)


def loose(rng: Rng, spread_s: float) -> float:
    """A human's deviation from the grid, in seconds, never more than twice its usual size."""
    return float(np.clip(rng.normal(0.0, spread_s), -2 * spread_s, 2 * spread_s))


def rolled(rng: Rng, count: int, rate_hz: int) -> list[int]:
    """Starts, in frames, of a chord's notes under a hand: each some milliseconds after the one below it."""
    return [int(start * rate_hz) for start in np.cumsum([0.0, *rng.uniform(0.004, 0.013, count - 1)])]


def finished_stem(sound: Sound, rate_hz: int, peak_dbfs: float) -> Sound:
    """No DC and nothing below hearing, its end faded within the last bar, its highest sample where it was asked for."""
    return to_peak(faded(high_pass(sound, 18.0, rate_hz), rate_hz, in_s=0.0005, out_s=0.12), peak_dbfs)


Maker = Callable[[], Sound]


@dataclass(frozen=True, slots=True)
class Score:
    """One beat: its figures, and the maker of each of its files (names relative to the beat's folder)."""

    slug: str
    clock: Clock
    bits: int
    stems: Mapping[str, Maker]
    drums: Mapping[str, Maker]
    midi: Mapping[str, Callable[[], bytes]] = field(default_factory=dict)
