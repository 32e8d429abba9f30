"""Drum meter: a drum as it plays in this beat, as loud as before a treatment and at the gain that it then gets."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.measure import hearing, hits, in_beat, loudness, roles
from dossier.model.findings import DrumFigures
from dossier.model.measures import FRAME_S, Array, Indices, Samples
from dossier.model.parts import DrumPart, Played
from dossier.model.scene import Scene
from dossier.stages.candidates import as_it_plays, part_powers

ENVELOPE_POINTS = 120
ENVELOPE_FLOOR_DB = -60.0


class Heard(Struct, frozen=True, eq=False):
    """Samples as they play on the grid."""

    samples: Samples
    powers: Array
    plays: Played


class DrumMeter:
    """Figures of samples in place of a part's own, on some frames of the beat, or on all with what a page shows."""

    def __init__(
        self, part: DrumPart, scene: Scene, gain_db: float, gain_of: Callable[[Played], float],
        frames: Indices | None = None,
    ) -> None:  # fmt: skip
        """`gain_of`: the gain that a drum gets by how it plays; `gain_db`: that of the part as it is."""
        self.part, self.gain_db, self.gain_of, self.frames = part, gain_db, gain_of, frames
        self.on = scene if frames is None else scene.subset(frames)
        self._length_s = len(scene.powers) * FRAME_S
        self._last = self._untreated = self._hear(part.samples)

    def level(self, samples: Samples) -> DrumFigures:
        """At the loudness of the part as it is."""
        heard, was = self._heard(samples), self._untreated.plays.integrated_lufs
        now = heard.plays.integrated_lufs
        turn_db = was - now if was is not None and now is not None else 0.0
        return self._figures(heard, self.gain_db + turn_db, turn_db)

    def final(self, samples: Samples) -> DrumFigures:
        """At the gain that the samples get in the end, with what is told of a hit's likeness to its role."""
        role, figures = self.part.role, self._figures(self._heard(samples), self.final_gain_db(samples), 0.0)
        if role is None:
            return figures
        return replace(figures, job=roles.likeness_of_sound(samples, self.part.rate_hz).get(role))

    def final_gain_db(self, samples: Samples) -> float:
        """The part's gain, moved as the gain of a drum that plays like this is."""
        return self.gain_db + self.gain_of(self._heard(samples).plays) - self.gain_of(self._untreated.plays)

    def powers(self, samples: Samples) -> Array:
        """Slot powers on the whole beat."""
        return self._heard(samples).powers

    def _heard(self, samples: Samples) -> Heard:
        for heard in (self._untreated, self._last):
            if heard.samples is samples:
                return heard
        self._last = self._hear(samples)
        return self._last

    def _hear(self, samples: Samples) -> Heard:
        changed = self.part.with_samples(samples)
        return Heard(samples, part_powers(changed), as_it_plays(changed, self._length_s))

    def _figures(self, heard: Heard, gain_db: float, turn_db: float) -> DrumFigures:
        """`turn_db` is told as part of the levels."""
        powers = heard.powers if self.frames is None else heard.powers[self.frames]
        found = in_beat.measure(self.on, in_beat.place(self.on, powers, gain_db=gain_db))

        def turned(level: float | None) -> float | None:
            return None if level is None else level + turn_db

        figures = DrumFigures(
            **found.told(DrumFigures), sample_peak_dbfs=turned(heard.plays.sample_peak_dbfs), crest_factor_db=None,
            true_peak_dbtp=turned(heard.plays.true_peak_dbtp), effective_length_s=None,
            integrated_lufs=turned(heard.plays.integrated_lufs),
        )  # fmt: skip
        if self.frames is not None:
            return figures
        part, envelope = self.part, envelope_db(heard.samples, self.part.rate_hz)
        file = loudness.measure(heard.samples, part.rate_hz)
        shape = hits.measure(heard.samples, part.rate_hz, kind=part.kind, role=part.role)
        return replace(
            figures, sample_peak_dbfs=turned(file.sample_peak_dbfs), true_peak_dbtp=turned(file.true_peak_dbtp),
            crest_factor_db=file.crest_factor_db, effective_length_s=shape.effective_length_s,
            envelope_db=envelope[0], envelope_step_s=envelope[1], spectrum_db=_spectrum(heard.powers),
        )  # fmt: skip


def at_gain(on: Scene, powers: Array, gain_db: float, *, like: DrumFigures) -> DrumFigures:
    """Figures in the beat at a gain; what depends only on the file is taken from `like`."""
    found = in_beat.measure(on, in_beat.place(on, powers, gain_db=gain_db))
    return replace(like, **found.told(DrumFigures))


def envelope_db(samples: Samples, rate_hz: int) -> tuple[tuple[float, ...], float]:
    """Peak envelope in dBFS over at most `ENVELOPE_POINTS` steps, and the step in seconds."""
    step = max(1, -(-len(samples) // ENVELOPE_POINTS))
    peaks = np.abs(samples).max(axis=1)
    padded = np.pad(peaks, (0, -len(peaks) % step)).reshape(-1, step).max(axis=1)
    levels = 20.0 * np.log10(np.maximum(padded, 10.0 ** (ENVELOPE_FLOOR_DB / 20.0)))
    return tuple(round(float(level), 2) for level in levels), step / rate_hz


def occupancy_change(
    scene: Scene, part: DrumPart, before: Array, after: Array, gains_db: tuple[float, float], *, bars: int
) -> tuple[tuple[float, ...], ...]:
    """Occupancy with the treated drum less with the untreated one, from their slot powers, `(band, slot)`.

    `gains_db`: of the one and the other.  Over one cycle of `bars` bars: the first in which the drum plays.
    """
    grid = part.grid
    first = part.first_bar // bars * bars
    change = np.zeros_like(scene.loudness)
    rows = grid.frames_of(first, bars)
    on = scene.subset(rows)
    sides = [
        in_beat.occupancy_with(on, [in_beat.place(on, side[rows], gain_db=gain)])
        for side, gain in zip((before, after), gains_db, strict=True)
    ]
    change[rows] = sides[1] - sides[0]
    cycle = in_beat.per_slot(change, grid)[first * grid.slots_per_bar :][: bars * grid.slots_per_bar]
    return tuple(tuple(round(float(value), 3) for value in row) for row in cycle.T)


def _spectrum(powers: Array) -> tuple[float, ...]:
    """K-unweighted mean power a band over the frames in which the part sounds, dB."""
    level = powers.sum(axis=1)
    rows = level > 0.01 * level.max(initial=0.0)
    mean = powers[rows].mean(axis=0) if rows.any() else powers.mean(axis=0)
    bands = len(hearing.BAND_HZ)
    inside = np.clip(np.digitize(hearing.FINE_CAM, hearing.BAND_EDGES_CAM) - 1, -1, bands)
    summed = np.array([mean[inside == band].sum() for band in range(bands)])
    return tuple(round(float(value), 1) for value in 10.0 * np.log10(np.maximum(summed, 1e-12)))
