"""Geometry of the maps: where a frequency, a zone or a bar lies, and which colour a value gets.

Conventions: maps are `(bands, slots)` shares of the reference, row 0 the lowest band; places along the bands are in
band widths from the lower edge of the lowest band, interpolated over the logarithm of the centre frequencies.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from dossier.model.vocabulary import ZONE_KEYS
from dossier.render import format as fmt
from dossier.render import glossary
from dossier.render.svg import Tick

Values = npt.NDArray[np.float64]

_TICKS_HZ = (50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0)
_TOPS = (0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0)  # ends that the scales of overlap and change may have


def band_position(hz: float, centres: Sequence[float]) -> float:
    at = np.log(np.asarray(centres, dtype=np.float64))
    return float(np.interp(np.log(hz), at, np.arange(len(centres)) + 0.5, left=0.0, right=float(len(centres))))


def frequency_ticks(centres: Sequence[float]) -> tuple[Tick, ...]:
    low, high = centres[0], centres[-1]
    return tuple(Tick(band_position(f, centres), fmt.hz(f)) for f in _TICKS_HZ if low <= f <= high)


def band_edges(centres: Sequence[float]) -> list[float]:
    """Edges between bands: geometric means of neighbouring centres, the outer ones mirrored."""
    if len(centres) < 2:
        return [c * side for c in centres for side in (math.sqrt(0.5), math.sqrt(2))]
    inner = [math.sqrt(a * b) for a, b in pairwise(centres)]
    return [centres[0] ** 2 / inner[0], *inner, centres[-1] ** 2 / inner[-1]]


def zone_edges(band_zone: Sequence[str]) -> tuple[int, ...]:
    """Bands at which a new zone begins."""
    return tuple(i for i in range(1, len(band_zone)) if band_zone[i] != band_zone[i - 1])


def zone_names(band_zone: Sequence[str]) -> tuple[Tick, ...]:
    out = []
    for key in ZONE_KEYS:
        rows = [i for i, name in enumerate(band_zone) if name == key]
        if rows:
            out.append(Tick((rows[0] + rows[-1] + 1) / 2, glossary.zone(key)))
    return tuple(out)


def beats_per_bar(meter: str) -> int:
    """Upper figure of the meter; 4 where it cannot be read."""
    head = meter.split("/")[0]
    return int(head) if head.isascii() and head.isdigit() and int(head) > 0 else 4


def bar_ticks(bars: int, slots_per_bar: int) -> tuple[Tick, ...]:
    every = next((n for n in (1, 2, 4, 8, 16, 32) if bars / n <= 26), 64)
    return tuple(Tick(i * slots_per_bar, str(i + 1)) for i in range(0, bars, every))


def array(rows: Sequence[Sequence[float]]) -> Values:
    return np.asarray(rows, dtype=np.float64) if rows else np.zeros((0, 0))


def merged(values: Values, every: int) -> Values:
    """Means of each `every` neighbouring columns; a shorter last group has its own mean."""
    starts = np.arange(0, values.shape[1], every)
    counts = np.diff([*starts, values.shape[1]])
    return np.asarray(np.add.reduceat(values, starts, axis=1) / counts) if every > 1 else values


def zone_means(values: Values, band_zone: Sequence[str], slots_per_bar: int) -> Values:
    """Mean share of each zone's cells in each bar: `(zones, bars)`."""
    bars = -(-values.shape[1] // slots_per_bar) if values.size else 0
    names = np.asarray(band_zone)
    out = np.full((len(ZONE_KEYS), bars), np.nan)
    for z, key in enumerate(ZONE_KEYS):
        rows = values[names == key]
        if len(rows):
            out[z] = [rows[:, bar * slots_per_bar : (bar + 1) * slots_per_bar].mean() for bar in range(bars)]
    return out


def indices(values: Values, low: float, high: float) -> npt.NDArray[np.uint8]:
    """Values to palette entries 0-252 between the ends of a scale, in 63 steps: finer ones would not be seen."""
    return 4 * np.rint(63 * np.clip((values - low) / (high - low), 0.0, 1.0)).astype(np.uint8)


def scale_top(values: Values) -> float:
    """End of a scale that covers all but the largest 0.2 % of the cells."""
    largest = float(np.quantile(np.abs(values), 0.998)) if values.size else 0.0
    return next((top for top in _TOPS if largest <= top), _TOPS[-1])
