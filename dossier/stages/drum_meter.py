"""Drum meter: a drum as it plays in this beat, one side of a before-and-after, quickly for a search and in full."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from dossier.measure import hearing, hits, in_beat, loudness
from dossier.model.findings import DrumFigures
from dossier.model.measures import FRAME_S, Array, Indices, Samples
from dossier.model.parts import DrumPart
from dossier.model.scene import Scene
from dossier.stages.candidates import as_it_plays, part_powers

ENVELOPE_POINTS = 120
ENVELOPE_FLOOR_DB = -60.0


@dataclass(slots=True, eq=False)
class DrumMeter:
    """Figures of a drum's samples on some frames of the beat, without its peaks and what only a page shows."""

    part: DrumPart
    on: Scene  # of those frames
    frames: Indices
    gain_db: float
    last: list[tuple[Samples, Array, DrumFigures]] = field(default_factory=list)  # what was measured last

    def figures(self, samples: Samples) -> DrumFigures:
        powers = part_powers(self.part, samples)
        found = in_beat.measure(self.on, in_beat.place(self.on, powers[self.frames], gain_db=self.gain_db))
        figures = DrumFigures(
            sample_peak_dbfs=None, true_peak_dbtp=None, crest_factor_db=None, effective_length_s=None,
            integrated_lufs=in_beat.plays_lufs(powers, self.on.k_weights), **found.told(DrumFigures),
        )  # fmt: skip
        self.last[:] = [(samples, powers, figures)]
        return figures

    def turned(self, samples: Samples, turn_db: float) -> DrumFigures:
        """The same at another gain; of the samples measured last this costs next to nothing."""
        if not self.last or self.last[0][0] is not samples:
            self.figures(samples)
        _, powers, figures = self.last[0]
        return at_gain(self.on, powers[self.frames], self.gain_db + turn_db, like=figures)


def at_gain(on: Scene, powers: Array, gain_db: float, *, like: DrumFigures) -> DrumFigures:
    """Figures in the beat at a gain; what does not depend on it, or only on the file, is taken from `like`."""
    found = in_beat.measure(on, in_beat.place(on, powers, gain_db=gain_db))
    return replace(like, **found.told(DrumFigures))


def full_figures(scene: Scene, part: DrumPart, samples: Samples, gain_db: float) -> tuple[DrumFigures, Array]:
    """One side of a before-and-after on the whole beat, with envelope and spectrum, and its slot powers."""
    changed = part.with_samples(samples)
    powers = part_powers(changed)
    found = in_beat.measure(scene, in_beat.place(scene, powers, gain_db=gain_db))
    envelope, step = envelope_db(samples, part.rate_hz)
    file = loudness.measure(samples, part.rate_hz)
    plays_lufs = as_it_plays(changed, len(scene.powers) * FRAME_S).integrated_lufs
    figures = DrumFigures(
        **found.told(DrumFigures),
        sample_peak_dbfs=file.sample_peak_dbfs, true_peak_dbtp=file.true_peak_dbtp,
        crest_factor_db=file.crest_factor_db, integrated_lufs=plays_lufs,
        effective_length_s=hits.measure(samples, part.rate_hz, kind=part.kind, role=part.role).effective_length_s,
        envelope_db=envelope, envelope_step_s=step, spectrum_db=_spectrum(powers),
    )  # fmt: skip
    return figures, powers


def envelope_db(samples: Samples, rate_hz: int) -> tuple[tuple[float, ...], float]:
    """Peak envelope in dBFS over at most `ENVELOPE_POINTS` steps, and the step in seconds."""
    step = max(1, -(-len(samples) // ENVELOPE_POINTS))
    peaks = np.abs(samples).max(axis=1)
    padded = np.pad(peaks, (0, -len(peaks) % step)).reshape(-1, step).max(axis=1)
    levels = 20.0 * np.log10(np.maximum(padded, 10.0 ** (ENVELOPE_FLOOR_DB / 20.0)))
    return tuple(round(float(level), 2) for level in levels), step / rate_hz


def occupancy_change(
    scene: Scene, part: DrumPart, before: Array, after: Array, gain_db: float, *, bars: int
) -> tuple[tuple[float, ...], ...]:
    """Occupancy with the treated drum less with the untreated one, from their slot powers, `(band, slot)`.

    Over one cycle of `bars` bars: the first in which the drum plays.
    """
    grid = part.grid
    first = part.first_bar // bars * bars
    change = np.zeros_like(scene.loudness)
    rows = grid.frames_of(first, bars)
    on = scene.subset(rows)
    sides = [in_beat.occupancy_with(on, [in_beat.place(on, side[rows], gain_db=gain_db)]) for side in (after, before)]
    change[rows] = sides[0] - sides[1]
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
