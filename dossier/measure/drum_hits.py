"""Drums that are in the music already: hits that leave a drum's noise behind, and the bars that have them.

Method
    In frames of 10 ms, the noise floor of a range of frequency is the geometric mean of its lines' power times their
    number: tones stand above it and hardly lift it, noise does.  Where it rises, seven figures go through a logistic
    function: the floor's level from 0.5 to 2, 2 to 5 and 9 to 16 kHz, in dB of the music's mean power, and for the
    upper two how far all power stands above it, and how far it has fallen 85 ms later.  The weights are fitted by
    `tests/fit_drum_hits.py` on 56 pieces with and without their drums, in two sound sets, and 44 pitched instruments; a
    bar has drums where it and a neighbour hold sure hits often enough.

    With each collection of pieces left out of the fit in turn, drums at their authors' levels are found in 104 of 112
    mixes (6 dB softer: 100), and in 3 of 108 without drums (two pieces).  A break of four bars is found where it is in
    66 of 76.  Of 44 pitched instruments played alone, in a third sound set, a kalimba and a xylophone are taken for
    drums.  With the pitched instruments' notes drawn otherwise it was 103, 97, 2, 62 of 74, and the kalimba alone.

    Not found: a kick alone (10 of 112), toms alone, and drums without a top above 9 kHz (low-passed at 5 kHz: 10 of
    112).  Eight ranges from 30 Hz up, fitted on those too, find 99 of the kicks, and take 28 of 108 pieces for drums.
    The breath of a voice may be taken for drums.

References
    Herrera, Yeterian and Gouyon, ICMAI 2002 (descriptors of drum sounds; MEM): drums are short, and noisy up to the
    top.
"""

from __future__ import annotations

import numpy as np

from dossier.measure.onsets import channels_of, hop_of, power_frames, window_of
from dossier.model.measures import Array, Grid, Samples

HOP_S = 0.01
RANGES_HZ = ((500.0, 2000.0), (2000.0, 5000.0), (9000.0, 16000.0))
WEIGHTS = (-0.101, 0.032, 0.151, -0.164, -0.137, 0.054, -0.073)  # a dB: floors; tones and falls of the upper two
BIAS = 7.12
SURE = 0.85
A_SECOND = 0.5  # sure hits, over two neighbouring bars
_LEAST_RISE_DB = 12.0  # of the upper two together, in 30 ms
_FALL = 8  # frames
_FLOOR_DB = -80.0


def floors(samples: Samples, rate_hz: int) -> tuple[Array, Array, float]:
    """Noise floor and power of each range in each frame, `(frames, 3)`, and the mean power of the frames that sound."""
    two = channels_of(samples)
    frames = len(two) // hop_of(rate_hz) + 1
    bins = np.ceil(np.asarray(RANGES_HZ) * (window_of(rate_hz) / rate_hz)).astype(int)
    floor, ranges, total = np.empty((frames, len(bins))), np.empty((frames, len(bins))), np.empty(frames)
    for rows, power in power_frames(two, rate_hz):
        total[rows] = power[:, 1:].sum(axis=1)
        for column, (low, high) in enumerate(bins):
            lines = power[:, low:high]
            floor[rows, column] = (high - low) * np.exp(np.log(lines + 1e-20).mean(axis=1))
            ranges[rows, column] = lines.sum(axis=1)
    sounding = total[total > 1e-6 * total.max(initial=0.0)]
    return floor, ranges, float(sounding.mean()) if len(sounding) else 0.0


def figures(floor: Array, ranges: Array, mean_power: float) -> tuple[Array, Array]:
    """Rises of the floor: their times in seconds, `(n,)`, and the seven figures of each, `(n, 7)`."""
    level = np.maximum(10.0 * np.log10(floor / mean_power + 1e-30), _FLOOR_DB)
    rise = np.zeros(len(level))
    rise[3:] = np.maximum(level[3:] - level[:-3], 0.0)[:, 1:].sum(axis=1)
    highest = np.lib.stride_tricks.sliding_window_view(np.pad(rise, 4), 9).max(axis=1)
    at = np.flatnonzero((rise >= highest) & (rise > _LEAST_RISE_DB))
    at = at[np.diff(at, prepend=-9) > 4]
    at = at[at < len(level) - _FALL - 2]
    peak, loudest = (np.max([values[at + step] for step in (-1, 0, 1, 2)], axis=0) for values in (level, ranges))
    tones = 10.0 * np.log10(loudest / mean_power + 1e-30) - peak
    later = (level[at + _FALL] + level[at + _FALL + 1]) / 2.0
    return at * HOP_S, np.concatenate([peak, np.clip(tones, 0.0, 30.0)[:, 1:], (peak - later)[:, 1:]], axis=1)


def hits(samples: Samples, rate_hz: int, *, mean_power: float | None = None) -> tuple[Array, float]:
    """Times in seconds of sure drum hits in music, `(n,)`, and its mean power; none below a sample rate of 32 kHz.

    Of a stem, `mean_power` is that of all music, so that what is faint in it stays faint.  Raises `MeasureError` as
    `onsets.channels_of`.
    """
    if len(samples) < rate_hz or rate_hz < 2.0 * RANGES_HZ[-1][1]:
        return np.zeros(0), 0.0
    floor, ranges, own = floors(samples, rate_hz)
    mean = own if mean_power is None else mean_power
    if mean <= 0.0:
        return np.zeros(0), 0.0
    times, found = figures(floor, ranges, mean)
    return times[found @ np.asarray(WEIGHTS) + BIAS > np.log(SURE / (1.0 - SURE))], mean


def bars_with_drums(times_s: Array, grid: Grid) -> tuple[tuple[int, int], ...]:
    """Runs of bars with drum hits: first bar, 0-based, and their number."""
    if grid.bars < 2:
        return ()
    counts = np.histogram(times_s, grid.first_downbeat_s + grid.bar_s * np.arange(grid.bars + 1))[0]
    pairs = counts[1:] + counts[:-1] >= 2.0 * grid.bar_s * A_SECOND
    marked = np.zeros(grid.bars + 2, dtype=bool)
    marked[1:-2] = pairs
    marked[2:-1] |= pairs
    edges = np.flatnonzero(np.diff(marked.astype(int)))
    return tuple((int(first), int(end - first)) for first, end in edges.reshape(-1, 2))
