"""From samples to energy in fine bands over time, and from that to mean power a slot.

Conventions
    Samples are `(frames, channels)`, full scale 1.  Energy is full-scale^2 * seconds, summed over channels; power is
    energy over time, so a full-scale sine on one channel has power 0.5.  Both cover 19.2 Hz to 16.25 kHz.

Method
    Two short-time Fourier transforms with a Hann window w, a frame every 10 ms.  The sum of w^2 over all frames is the
    same at every sample, so the frames' energies add up to the signal's (Parseval).  A bin spans half a bin to either
    side; where a band's edge cuts it, its energy is shared in proportion.
        long window    80 ms, on the signal resampled to 2 kHz, for the bands below
        short window   40 ms, at the signal's own rate, for the bands above
    with a linear cross-fade over eight fine bands from 442 to 604 Hz.  Lengths are in seconds, so the sample rate does
    not matter.

    Why these lengths: through them a steady tone of 70 dB SPL reads at most 5 % too loud from 80 Hz up (10 % at 60 Hz,
    where the threshold of hearing is steep).  Twice the length would gain 3 % at 60 Hz and nothing above 80 Hz, and
    would blur the slots.

    When a frame counts: in the 10 ms step that begins where the frame ends, not round its centre.  Hearing is so
    compressive that a hundredth of a hit's energy in the slot before it would read as a third of its loudness.  This
    way nothing counts before it sounds, and a hit belongs to the slot it starts in, even when played some milliseconds
    early.  The price is a lag of 45 ms (long window) or 25 ms, and a tail: after a sound ends, up to a window's length
    of it still counts.  Hearing has such a tail too (Moore, Glasberg, Plack and Biswas, J. Acoust. Soc. Am. 83 (1988):
    the ear's temporal window leans to the past; MEM).

    What would count past the end of the signal counts in its last step, so no energy is lost.

References
    Harris, Proc. IEEE 66 (1978), 51-83: windows and their overlap.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from dossier.errors import MeasureError
from dossier.measure.bands import FINE_EDGES_HZ
from dossier.model.measures import Array, BandEnergies, Samples

STEP_S = 0.01
LONG_WINDOW_STEPS, SHORT_WINDOW_STEPS = 8, 4
LONG_RATE_HZ = 2000
CROSS_FIRST, CROSS_LAST = 37, 45  # fine bands of the cross-fade: 10 to 12 Cam
HANN_POWER = 3.0 / 8.0  # mean of a squared Hann window
_CHUNK_SAMPLES = 1 << 16  # of windowed signal held at once
_CHUNK_ROWS = 4096  # of accumulated energy interpolated at once


class _Bins(Struct, frozen=True, eq=False):
    """How one transform's bins are shared among the fine bands `first` to `first + len(starts)`."""

    first: int
    highest: int  # last bin that is used
    bins: npt.NDArray[np.intp]  # of every share, less 1 (bin 0 is never used)
    shares: npt.NDArray[np.float32]
    starts: npt.NDArray[np.intp]  # where each band's shares begin


def band_energies(samples: Samples, rate_hz: int) -> BandEnergies:
    """Accumulated energy in fine bands, in steps of 10 ms, of `(frames, 1 or 2)` floats at any rate.

    `cumulative` is `(ceil(duration / 10 ms) + 1, 156)`, float64, never falling; its last row is the whole energy.
    Bands above half the rate stay empty.  Silence gives zeros; no samples give one row.  Raises `MeasureError` for a
    wrong shape, samples that are not finite, or a rate that is not positive.
    """
    if samples.ndim != 2 or samples.shape[1] not in (1, 2):
        raise MeasureError(f"band energies need samples of shape (frames, 1 or 2), found {samples.shape}")
    if rate_hz <= 0:
        raise MeasureError(f"band energies need a positive sampling rate, found {rate_hz} Hz")
    duration = len(samples) / rate_hz
    steps = -(-len(samples) * 100 // rate_hz)
    cumulative = np.zeros((steps + 1, len(FINE_EDGES_HZ) - 1))
    if steps:
        low, lead = _at_long_rate(samples, rate_hz)
        _add(cumulative, low, LONG_RATE_HZ, LONG_WINDOW_STEPS, lead_s=lead)
        _add(cumulative, samples, rate_hz, SHORT_WINDOW_STEPS)
        if not np.isfinite(cumulative[-1]).all():
            raise MeasureError("band energies need finite samples")
    return BandEnergies(cumulative=cumulative, step_s=STEP_S, duration_s=duration)


def energy_until(energies: BandEnergies, times_s: npt.ArrayLike) -> Array:
    """Energy up to each time, `(times, fine)`: zero before the start, all of it after the end."""
    return _at_positions(energies.cumulative, np.asarray(times_s, dtype=float) / energies.step_s)


def slot_powers(energies: BandEnergies, edges_s: npt.ArrayLike) -> Array:
    """Mean power in each slot, `(slots, fine)`, full-scale^2, from `slots + 1` edges in seconds.

    The accumulated energy is interpolated at the edges, so slots of any length keep their place however long the music
    is.  Outside the signal there is silence, also for a slot that is partly outside.

    Raises `MeasureError` for fewer than two edges, or edges that do not rise.
    """
    edges = np.asarray(edges_s, dtype=float)
    if edges.ndim != 1 or len(edges) < 2 or not (np.diff(edges) > 0).all():
        raise MeasureError("slot edges need to be at least two rising times")
    return np.asarray(np.diff(energy_until(energies, edges), axis=0) / np.diff(edges)[:, None])


def cross_fade() -> Array:
    """Share of the long window in each fine band, `(fine,)`."""
    bands = np.arange(len(FINE_EDGES_HZ) - 1)
    return np.asarray(np.clip((CROSS_LAST - bands - 0.5) / (CROSS_LAST - CROSS_FIRST), 0.0, 1.0))


def _at_long_rate(samples: Samples, rate_hz: int) -> tuple[Samples, float]:
    """The signal at the long window's rate with silence at both ends, and the seconds of silence at each.

    The silence holds what the resampling filter rings before the first and after the last sample.
    """
    import soxr

    resampler = soxr.ResampleStream(rate_hz, LONG_RATE_HZ, samples.shape[1], dtype="float32", quality="HQ")
    silence = np.zeros((-(-rate_hz * 2 // 100), samples.shape[1]), dtype=np.float32)
    parts = [resampler.resample_chunk(silence)]
    for at in range(0, len(samples), 8 * _CHUNK_SAMPLES):
        chunk = np.ascontiguousarray(samples[at : at + 8 * _CHUNK_SAMPLES], dtype=np.float32)
        parts.append(resampler.resample_chunk(chunk))
    parts.append(resampler.resample_chunk(silence, last=True))
    return np.concatenate(parts), len(silence) / rate_hz


def _add(cumulative: Array, samples: Samples, rate_hz: int, window_steps: int, *, lead_s: float = 0.0) -> None:
    """Add one transform's share of the energy to `cumulative`; `samples` start `lead_s` before the signal."""
    hop = max(1, round(STEP_S * rate_hz))
    size = window_steps * hop
    bins = bins_of(size, rate_hz, window_steps)
    if bins is None:
        return
    summed = _frame_energies(samples, hop, size, bins)
    np.cumsum(summed, axis=0, out=summed)
    summed *= 1.0 / (size * rate_hz * window_steps * HANN_POWER)
    # Row k of `summed` holds the frames that end by k hops; each counts evenly over the hop that follows its end.
    positions = (np.arange(1, len(cumulative)) * STEP_S + lead_s) * (rate_hz / hop) - 1.0
    positions[-1] = len(summed) - 1
    columns = slice(bins.first, bins.first + len(bins.starts))
    for at in range(0, len(positions), _CHUNK_ROWS):
        rows = _at_positions(summed, positions[at : at + _CHUNK_ROWS])
        cumulative[1 + at : 1 + at + len(rows), columns] += rows


def _frame_energies(samples: Samples, hop: int, size: int, bins: _Bins) -> Array:
    """Squared spectra of every frame summed into the bands of `bins`, below a row of zeros: `(frames + 1, bands)`.

    Frame k ends with sample (k + 1) hop - 1.  Two channels go through one complex transform: for z = left + i right,
    |Z(k)|^2 + |Z(-k)|^2 = 2 |L(k)|^2 + 2 |R(k)|^2, which is their energy with both signs of frequency.
    """
    import scipy.fft

    before = size // hop - 1  # hops of a first frame that lie before the signal
    frames = -(-len(samples) // hop) + before
    hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
    window = np.repeat(hann, 2).astype(np.float32)  # of real and imaginary parts, side by side
    energies = np.zeros((frames + 1, len(bins.starts)))
    at_once = max(1, _CHUNK_SAMPLES // size)
    for first in range(0, frames, at_once):
        count = min(at_once, frames - first)
        begin = (first - before) * hop
        piece = np.zeros(((count + before) * hop, 2), dtype=np.float32)
        inside = samples[max(0, begin) : max(0, begin + len(piece))]
        at = max(0, -begin)
        piece[at : at + len(inside), : samples.shape[1]] = inside
        windowed = np.lib.stride_tricks.sliding_window_view(piece.ravel(), 2 * size)[:: 2 * hop] * window
        spectra = scipy.fft.fft(windowed.view(np.complex64), axis=1, overwrite_x=True, workers=1)
        upper, lower = spectra[:, 1 : bins.highest + 1], spectra[:, size - bins.highest :]
        power = upper.real**2
        power += upper.imag**2
        mirrored = lower.real**2
        mirrored += lower.imag**2
        power += mirrored[:, ::-1]
        shared = power[:, bins.bins]
        shared *= bins.shares
        energies[first + 1 : first + 1 + count] = np.add.reduceat(shared, bins.starts, axis=1)
    return energies


@lru_cache(maxsize=32)
def bins_of(size: int, rate_hz: float, window_steps: int) -> _Bins | None:
    """How a transform of `size` samples shares out its bins; None where it sees none of its window's bands."""
    width = rate_hz / size
    shares = cross_fade() if window_steps == LONG_WINDOW_STEPS else 1.0 - cross_fade()
    used = np.flatnonzero((shares > 0) & (FINE_EDGES_HZ[:-1] < rate_hz / 2))
    if not len(used):
        return None
    bins: list[int] = []
    weights: list[float] = []
    starts: list[int] = []
    for band in used:
        low, high = FINE_EDGES_HZ[band] / width, min(FINE_EDGES_HZ[band + 1] / width, size / 2)
        starts.append(len(bins))
        for k in range(int(low + 0.5), int(np.ceil(high - 0.5)) + 1):
            bins.append(k - 1)
            weights.append(float(shares[band] * max(0.0, min(high, k + 0.5) - max(low, k - 0.5))))
    return _Bins(
        first=int(used[0]), highest=max(bins) + 1, bins=np.array(bins), starts=np.array(starts),
        shares=np.array(weights, dtype=np.float32),
    )  # fmt: skip


def _at_positions(rows: Array, positions: Array) -> Array:
    """Rows at fractional positions, interpolated linearly and held at the ends."""
    last = len(rows) - 1
    clipped = np.clip(positions, 0.0, last)
    below = np.minimum(clipped.astype(np.intp), max(0, last - 1))
    part = (clipped - below)[:, None]
    lower = rows[below]
    return np.asarray(lower + (rows[np.minimum(below + 1, last)] - lower) * part)
