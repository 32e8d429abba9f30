"""True peak: the highest level that the waveform reaches between its samples.

Conventions: samples are `(frames, channels)`, amplitudes 1.0 = full scale, silence before the first and after the last
sample.  The estimate is the larger of the sample peak and the peak of the signal oversampled four times, as ITU-R
BS.1770-5 Annex 2 asks; at 4x the worst under-reading at half the sample rate is 20 log10(cos(pi/8)) = -0.69 dB, and
-0.17 dB at a quarter of the rate (Annex 2's formula, 20 log10(cos(pi f / (n fs))); MEM).

The interpolator is a linear-phase FIR of 32 taps a phase, a sinc under a Kaiser window.  Annex 2 prints a 48-tap
example (12 a phase) and allows others; the longer one is flatter near the top of the band.  Its first phase is the
identity, so only three phases are computed.

Two bounds, both computed from the taps, keep it cheap.  An FIR's output never exceeds the sum of its absolute taps (its
l1 norm, here at most 2.39, 7.6 dB) times the largest sample under it.  Nor does an interpolated value exceed the larger
of its two neighbours by more than G times the largest second difference under the taps: taps less linear interpolation
= g * [1, -2, 1] plus a remainder, and G is the l1 norm of g.  Only stretches whose bound exceeds the best peak so far
are interpolated, most promising first; the result equals that of interpolating everything, to 0.0001 dB.

References: ITU-R BS.1770-5 (11/2023), Annex 2: guidelines for accurate measurement of true-peak level; EBU Tech 3341
(2023), Table 1 cases 15-23: tolerance +0.2 / -0.4 dB.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from msgspec import Struct

from dossier.errors import MeasureError
from dossier.model.channels import as_mono
from dossier.model.measures import Array, Samples

OVERSAMPLING = 4  # BS.1770-5 Annex 2: at least 4x at 48 kHz
TAPS = 32  # taps a phase, twice the half width
KAISER_BETA = 8.0  # stop band about -80 dB
CHUNK = 32  # frames that share one bound
SEGMENT = 1024  # chunks that are interpolated together
BOUNDED = 4096  # chunks whose bounds are found together: threads that take turns at short steps wait for each other
BATCH = 32  # chunks in one matrix product: too small for BLAS to share among threads, whose number then changes nothing
NEAR = 1e-5  # 0.0001 dB: values this close to the best tie with it, and some are recomputed in double precision
HALF = TAPS // 2
SPAN = CHUNK + TAPS - 1  # samples that the interpolated values of one chunk depend on


class Interpolator(Struct, frozen=True, eq=False):
    """The three phases between the samples and their bounds."""

    taps: Array  # (3, TAPS): value at n + (p + 1) / 4 = sum_k taps[p, k] x[n - HALF + 1 + k]
    matrix: Array  # (SPAN, 3 * CHUNK), float32: all values of one chunk in one product
    l1: float  # largest sum of absolute taps
    curvature: float  # largest l1 norm of g: what a unit second difference can add to the larger neighbour
    remainder: float  # what linear interpolation and curvature leave, per unit of the largest sample


@lru_cache(maxsize=1)
def interpolator() -> Interpolator:
    """The interpolator, and the bounds that follow from its taps."""
    offsets = np.arange(TAPS) - (HALF - 1)
    taps = np.empty((OVERSAMPLING - 1, TAPS))
    curvature = remainder = 0.0
    for p in range(OVERSAMPLING - 1):
        fraction = (p + 1) / OVERSAMPLING
        t = fraction - offsets
        h = np.sinc(t) * np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (t / HALF) ** 2))) / np.i0(KAISER_BETA)
        taps[p] = h / h.sum()  # exactly 1 at 0 Hz
        rest = taps[p].copy()
        rest[HALF - 1] -= 1.0 - fraction
        rest[HALF] -= fraction
        g = np.cumsum(np.cumsum(rest))  # rest = g[:-2] * [1, -2, 1] except for what its last two places keep
        curvature = max(curvature, float(np.abs(g[:-2]).sum()))
        remainder = max(remainder, float(abs(g[-2]) + abs(g[-1] - 2.0 * g[-2])))
    matrix = np.zeros((SPAN, CHUNK, OVERSAMPLING - 1), np.float32)
    for n in range(CHUNK):
        matrix[n : n + TAPS, n, :] = taps.T
    l1 = float(np.abs(taps).sum(axis=1).max())
    return Interpolator(taps, matrix.reshape(SPAN, -1), l1, curvature, remainder)


def true_peak(samples: Samples, *, sample_peak: float | None = None) -> float:
    """True peak over all channels, linear (1.0 = full scale): never below the sample peak, 0.0 for silence.

    `samples` is `(frames, channels)`, finite; `sample_peak` spares a search where the caller knows it.  The edges
    count: a signal that starts or stops at a high level overshoots there, as it does in a converter.  Raises
    `MeasureError` for another shape.
    """
    if samples.ndim != 2:
        raise MeasureError(f"true peak: samples must be (frames, channels), got shape {samples.shape}")
    if samples.size == 0:
        return 0.0
    samples = as_mono(samples)
    if sample_peak is None:
        sample_peak = float(max(samples.max(), -samples.min()))
    if sample_peak == 0.0:
        return 0.0
    fir = interpolator()
    bounds = _bounds(samples, sample_peak, fir)  # (channels, chunks), relative to the sample peak
    channels, chunks = bounds.shape
    size = min(SEGMENT, chunks)
    segments = -(-chunks // size)
    padded = np.zeros((channels, segments * size), np.float32)
    padded[:, :chunks] = bounds
    grouped = padded.reshape(channels, segments, size)
    ceiling = grouped.max(axis=(0, 2))
    best = np.float32(1.0)
    finalists: list[tuple[Array, Array]] = []
    for s in np.argsort(-ceiling, kind="stable"):
        if ceiling[s] <= best:
            break
        rows = _rows(samples, int(s) * size - 1, size, sample_peak)[grouped[:, s, :] > best]
        highest = _peaks(rows, fir)
        best = max(best, highest.max())
        near = np.flatnonzero(highest >= best * (1.0 - NEAR))[:CHUNK]
        if len(near):
            finalists.append((highest[near], rows[near]))
    if best == 1.0:
        return sample_peak
    tops = np.concatenate([top for top, _ in finalists])
    rows = np.concatenate([kept for _, kept in finalists])[tops >= best * (1.0 - NEAR)][: 4 * CHUNK].astype(np.float64)
    return sample_peak * max(1.0, _exact_peak(rows, fir))


def peak_envelope(samples: Samples, start: int, stop: int) -> Array:
    """The largest magnitude over the channels of each sample and of the waveform up to the next.

    `samples` is `(frames, channels)`; what lies round `start` and `stop` is looked at too.  Returns `(stop - start,)`,
    linear, in single precision between the samples.
    """
    chunks = -(-(stop - start) // CHUNK)
    part = _cut(samples, start - (HALF - 1), chunks * CHUNK + TAPS - 1).astype(np.float32)
    rows = np.lib.stride_tricks.sliding_window_view(part, SPAN, axis=1)[:, ::CHUNK].reshape(-1, SPAN)
    between = _between(rows, interpolator()).reshape(len(part), -1, OVERSAMPLING - 1)
    phases = between.max(axis=0)[: stop - start].T
    sampled = np.abs(samples[start:stop].T)
    return np.asarray(np.maximum.reduce([*phases, *sampled]))


def _bounds(samples: Samples, sample_peak: float, fir: Interpolator) -> Array:
    """Bounds of the interpolated values of every chunk, `(channels, chunks + 2)`, relative to the sample peak.

    The first and last chunk lie outside the signal, where only the interpolator's tails reach.
    """
    frames, channels = samples.shape
    chunks = -(-frames // CHUNK)
    level, bend = np.zeros((2, channels, chunks + 4), np.float32)
    step = BOUNDED * CHUNK
    for start in range(0, chunks * CHUNK, step):
        count = min(step, chunks * CHUNK - start)
        part = _cut(samples, start - 1, count + 2)
        first = 2 + start // CHUNK
        last = first + count // CHUNK
        # Sample by chunk, so that maxima are of whole rows: row k + 1 holds sample k of each chunk.
        views = np.lib.stride_tricks.sliding_window_view(part, CHUNK + 2, axis=1)[:, ::CHUNK]
        rows = np.ascontiguousarray(views.transpose(2, 0, 1))
        curve = rows[:-2] + rows[2:]
        curve -= 2 * rows[1:-1]
        for out, values in ((level, rows[1:-1]), (bend, curve)):
            out[:, first:last] = np.abs(values).max(axis=0) / sample_peak
    # The second difference at the first place outside either end is the end sample itself.
    bend[:, 1] = np.abs(samples[0]) / sample_peak
    bend[:, 2 + chunks] = np.abs(samples[-1]) / sample_peak
    around, bend_around = (np.maximum(np.maximum(a[:, :-2], a[:, 1:-1]), a[:, 2:]) for a in (level, bend))
    ends = np.maximum(level[:, 1:-1], level[:, 2:])
    bound: Array = np.minimum(fir.l1 * around, ends + fir.curvature * bend_around + fir.remainder * around)
    return bound * (1.0 + NEAR)  # room for the rounding of single precision


def _cut(samples: Samples, start: int, count: int) -> Samples:
    """Frames from `start`, zero outside the signal: `(channels, count)`, contiguous by channel."""
    frames, channels = samples.shape
    out = np.zeros((channels, count), samples.dtype)
    low, high = max(start, 0), min(start + count, frames)
    if high > low:
        out[:, low - start : high - start] = samples[low:high].T
    return out


def _rows(samples: Samples, first: int, chunks: int, sample_peak: float) -> Samples:
    """The float32 samples under each of some chunks, `(channels, chunks, SPAN)`, scaled to a peak of 1.0."""
    part = _cut(samples, first * CHUNK - (HALF - 1), chunks * CHUNK + TAPS - 1) / sample_peak
    view = np.lib.stride_tricks.sliding_window_view(part.astype(np.float32), SPAN, axis=1)
    return view[:, ::CHUNK]


def _peaks(rows: Samples, fir: Interpolator) -> Samples:
    """Largest absolute interpolated value of each chunk, `(chunks,)`, in single precision."""
    return np.asarray(_between(rows, fir).max(axis=1))


def _between(rows: Samples, fir: Interpolator) -> Samples:
    """Absolute interpolated values of each chunk, `(chunks, CHUNK * 3)`, in single precision, a batch at a time."""
    batches = -(-len(rows) // BATCH)
    padded = np.zeros((batches * BATCH, SPAN), np.float32)
    padded[: len(rows)] = rows
    values = padded.reshape(batches, BATCH, SPAN) @ fir.matrix
    return np.abs(values, out=values).reshape(-1, values.shape[2])[: len(rows)]


def _exact_peak(rows: Array, fir: Interpolator) -> float:
    """Interpolate the finalists in double precision, in one fixed order of operations."""
    peak = 0.0
    for taps in fir.taps:
        values = np.zeros((len(rows), CHUNK))
        for k in range(TAPS):
            values += taps[k] * rows[:, k : k + CHUNK]
        peak = max(peak, float(np.abs(values).max()))
    return peak
