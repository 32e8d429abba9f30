"""Tools of `low_end`: a band without phase shift, a low rate to work at, cross-correlation.

Conventions: samples `(frames, channels)`; a delay d of `b` means b[n - d]; all arithmetic after decimation is float64.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dossier.model.measures import Array, Samples

FLANK_OCTAVES = 0.5
WORKING_HZ = 1500.0  # lowest working rate: five times the upper flank
FIR_DELAY = 10  # of the decimator, in samples of the low rate
LEAD_S = 0.1  # silence before a signal, to hold the ringing ahead of a filter without phase shift
ROWS_AT_ONCE, PRODUCTS = 256, 16  # rows in one matrix product of the decimator, and products in one go
INTERPOLATION_HALF = 16  # taps to each side
KAISER_BETA = 8.0  # stop band about -80 dB


def band(f_hz: Array, low_hz: float, high_hz: float) -> Array:
    """Amplitude of a band-pass with cosine flanks half an octave wide, 0.5 at its two edges."""
    with np.errstate(divide="ignore"):
        octaves = np.log2(np.maximum(f_hz, 0.0))
    rise = np.clip((octaves - np.log2(low_hz)) / FLANK_OCTAVES + 0.5, 0.0, 1.0)
    fall = np.clip((np.log2(high_hz) - octaves) / FLANK_OCTAVES + 0.5, 0.0, 1.0)
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall)))


def low_band(samples: Samples, rate_hz: int, low_hz: float, high_hz: float) -> tuple[Array, float]:
    """A band below 250 Hz at a rate just high enough for it, after `LEAD_S` of lead, and that rate.

    Decimated by a linear-phase FIR whose delay is removed, then filtered in the frequency domain: no phase shift.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    factor = max(1, int(rate_hz // WORKING_HZ))
    low: Samples = samples.astype(np.float64 if samples.dtype == np.float64 else np.float32, copy=False)
    if factor > 1:
        low = _decimated(low, factor)
    rate = rate_hz / factor
    lead = round(LEAD_S * rate)
    frames = len(low) + lead
    padded = np.zeros((next_fast_len(frames + lead, real=True), low.shape[1]))
    padded[lead:frames] = low
    spectrum = rfft(padded, axis=0)
    spectrum *= band(np.arange(len(spectrum)) * (rate / len(padded)), low_hz, high_hz)[:, None]
    out: Array = irfft(spectrum, len(padded), axis=0)
    return out, rate


def _decimated(samples: Samples, factor: int) -> Array:
    """Every `factor`-th frame under a linear-phase low-pass, without delay, `(ceil(frames / factor), channels)`.

    On rows of `factor` samples the FIR is a matrix product and a sum along its diagonals: rows that fit the processor's
    cache, in products that are too small for BLAS to share among threads.
    """
    delays, half = 2 * FIR_DELAY + 1, FIR_DELAY * factor
    fir = np.sinc(np.arange(-half, half + 1) / factor) * np.kaiser(2 * half + 1, KAISER_BETA)
    taps = np.zeros(delays * factor, samples.dtype)
    taps[: len(fir)] = fir / fir.sum()
    channels, item = samples.shape[1], samples.dtype.itemsize
    products = np.empty((channels, delays, PRODUCTS * ROWS_AT_ONCE), samples.dtype)
    by_delay = products.reshape(channels, delays, PRODUCTS, ROWS_AT_ONCE).swapaxes(1, 2)
    made = products.shape[2] - delays + 1
    strides = (products.strides[0], products.strides[1] + item, item)
    diagonals = np.lib.stride_tricks.as_strided(products, (channels, delays, made), strides, writeable=False)
    rows = np.empty((channels, PRODUCTS, ROWS_AT_ONCE, factor), samples.dtype)
    out = np.empty((-(-len(samples) // factor), channels))
    for first in range(0, len(out), made):
        rows.fill(0.0)
        begin = (first - FIR_DELAY) * factor
        inside = samples[max(0, begin) : begin + PRODUCTS * ROWS_AT_ONCE * factor]
        at = max(0, -begin)
        rows.reshape(channels, -1)[:, at : at + len(inside)] = inside.T
        np.matmul(taps.reshape(delays, factor), rows.swapaxes(2, 3), out=by_delay)
        some = out[first : first + made]
        some[:] = diagonals.sum(axis=1).T[: len(some)]
    return out


def sounding(low: Array, rate: float, *, window_s: float, range_db: float) -> Array:
    """1.0 in windows within `range_db` of the loudest one, else 0.0: `(frames,)`."""
    window = max(1, round(window_s * rate))
    whole = -(-len(low) // window)
    power = np.zeros(whole * window)
    power[: len(low)] = (low**2).sum(axis=1)
    level = power.reshape(whole, window).mean(axis=1)
    loud = (level > level.max() * 10.0 ** (-range_db / 10.0)).astype(np.float64)
    return np.asarray(np.repeat(loud, window)[: len(low)])


def widened(mask: Array, reach: int) -> Array:
    """A mask of 0.0 and 1.0, widened by `reach` frames on both sides."""
    edge = np.zeros(reach)
    count = np.concatenate([[0.0], np.cumsum(np.concatenate([edge, mask, edge]))])
    return np.asarray((count[2 * reach + 1 :] - count[: len(mask)] > 0.5).astype(np.float64))


def correlate(a: Array, b: Array, limit: int) -> Array:
    """Sum over n and channels of a[n] b[n - d] for the delays d = -limit ... limit of `b`."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(max(max(len(a), len(b)) + limit + 1, 2 * limit + 2), real=True)
    product = (rfft(a, size, axis=0) * rfft(b, size, axis=0).conj()).sum(axis=1)
    full = irfft(product, size)
    return np.asarray(np.concatenate([full[size - limit :], full[: limit + 1]]) if limit else full[:1])


def correlate_at(a: Array, b: Array, delays: Array) -> Array:
    """The same at fractional delays, interpolated by a windowed sinc.

    Exact enough for signals from `low_band`, which hold nothing above a fifth of their rate.
    """
    half = INTERPOLATION_HALF
    base = np.floor(delays).astype(np.int64)
    reach = int(np.abs(base).max()) + half + 1
    around = correlate(a, b, reach)
    offsets = np.arange(-half + 1, half + 1)
    t = (delays - base)[:, None] - offsets
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (t / half) ** 2))) / np.i0(KAISER_BETA)
    return np.asarray((around[base[:, None] + offsets + reach] * np.sinc(t) * window).sum(axis=1))


def strongest(correlation: Array, delays: npt.NDArray[np.int64]) -> tuple[int, int]:
    """Index and sign of the largest absolute correlation; ties go to the least delay, then to +1."""
    size = np.abs(correlation)
    tied = np.flatnonzero(size >= size.max() * (1.0 - 1e-9))  # equal but for rounding
    order = np.lexsort((delays[tied] < 0, correlation[tied] < 0, np.abs(delays[tied])))
    best = int(tied[order[0]])
    return best, -1 if correlation[best] < 0 else 1
