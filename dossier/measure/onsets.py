"""Onsets: when something starts to sound, how strongly, and how much of it in the low end.

Conventions
    Samples are `(frames, channels)` (a 1-D array counts as one channel); times are seconds from the first sample.
    The signal is scaled by its own peak first, so nothing depends on level.  Channels are never summed as waveforms, so
    a side-only signal has the same onsets as a mid-only one.

Method
    Spectral flux (Bello et al., IEEE Trans. Speech and Audio Processing 13(5), 2005; MEM): the half-wave rectified
    rise of log band power over 20 ms, summed over bands one FFT bin wide at the bottom and a sixth of an octave further
    up.  Peaks over a moving mean are onsets.  The time of each is then read from the waveform: the instant at which the
    energy of the next 8 ms most exceeds that of the 8 ms before, on a grid of 0.25 ms.  librosa's beat tracker is not
    used here: on click tracks it reads the tempo up to 1 % off, and it takes seconds to load.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import scipy
from msgspec import Struct, field

from dossier.errors import MeasureError
from dossier.model.measures import Array, Indices, Samples

FRAME_RATE_HZ = 100.0  # flux frames a second, nearly: the hop is a whole number of samples
WINDOW_S = 0.0215  # 1024 samples at 48 kHz: 47 Hz a bin, short enough that a hit fills it
LOW_END_HZ = 160.0  # bands below this count as low end (kick and bass fundamentals; common practice, no source)
LOWS_END_HZ, MIDS_END_HZ = 200.0, 1500.0  # bands of the flux that tells the beat's level
TOP_HZ = 16000.0
FLOOR = 1e-5  # band powers 50 dB below the loud frames do not count as sound
SILENT_PEAK = 1e-9  # -180 dBFS: below the last bit of any file format
_CHUNK_FRAMES = 512
_PIECE = 1 << 14  # samples that are searched at once
_REFINED = 1500  # this many of the strongest onsets get their time from the waveform


class Onsets(Struct, frozen=True, eq=False):
    """Onsets of one signal, in order of time."""

    times_s: Array  # (n,)
    strengths: Array  # (n,) rise of log power summed over bands; only ratios mean anything
    low_strengths: Array  # (n,) the same for the bands below LOW_END_HZ
    flux: Array  # (frames,) rise of log power above its surroundings
    frame_rate_hz: float
    first_sound_s: float  # first sample within 40 dB of the peak
    last_sound_s: float  # end of the last 10 ms within 50 dB of the loudest 10 ms
    duration_s: float
    peak: float = 0.0  # largest magnitude of the signal
    band_flux: Array = field(default_factory=lambda: np.zeros((3, 0)))  # (3, frames) that of lows, mids and highs


def channels_of(samples: Samples) -> Samples:
    """Samples as `(frames, channels)`, checked.

    Raises
    ------
    MeasureError
        More than two dimensions, or a value that is not finite.
    """
    two = samples[:, None] if samples.ndim == 1 else samples
    if two.ndim != 2:
        raise MeasureError(f"samples must be (frames, channels), found an array of shape {samples.shape}")
    # A finite sum proves that every value is finite; an infinite one may be overflow, so each value is checked then.
    with np.errstate(over="ignore", invalid="ignore"):
        doubtful = two.size and not np.isfinite(two.sum())
    if doubtful and not np.isfinite(two).all():
        raise MeasureError("samples must be finite, found NaN or infinity")
    return two


def peak_of(two: Samples) -> float:
    """Largest magnitude; 0 without samples."""
    return float(max(two.max(), -two.min())) if two.size else 0.0


def reaching(two: Samples, level: float) -> tuple[int, int]:
    """First and last frame in which a channel's magnitude reaches a level that some frame does reach."""
    starts = range(0, len(two), _PIECE)

    def frames_of(start: int) -> Indices:
        piece = two[start : start + _PIECE]
        return np.flatnonzero(((piece >= level) | (piece <= -level)).any(axis=1))

    first = next(start + int(at[0]) for start in starts if len(at := frames_of(start)))
    return first, next(start + int(at[-1]) for start in reversed(starts) if len(at := frames_of(start)))


def _empty(duration_s: float) -> Onsets:
    none = np.zeros(0)
    return Onsets(none, none, none, none, FRAME_RATE_HZ, 0.0, 0.0, duration_s)


def _band_edges(bins: int, bin_hz: float) -> npt.NDArray[np.int64]:
    """First bin of each band and one past the last: bands one bin wide at least, a sixth of an octave further up."""
    top = min(bins, int(TOP_HZ / bin_hz) + 1)
    edges = [1]
    while edges[-1] < top:
        edges.append(max(edges[-1] + 1, round(edges[-1] * 2 ** (1 / 6))))
    edges[-1] = min(edges[-1], bins)
    return np.unique(np.asarray(edges))


def power_frames(two: Samples, rate_hz: int, *, gain: float = 1.0) -> Iterator[tuple[slice, Array]]:
    """Rows, and the power of their lines from 0 Hz to below half the rate, `(rows, window / 2)`, of frames under a Hann
    window, each round its place in time: one every `hop_of` samples, after a gain.

    Both channels go through one complex transform: with Z = FFT(left + i right), |Z(k)|^2 + |Z(-k)|^2 is twice the sum
    of their powers.
    """
    hop, window = hop_of(rate_hz), window_of(rate_hz)
    half, frames = window // 2, len(two) // hop + 1
    shape = np.repeat(gain * np.hanning(window), 2).astype(np.float32)  # of real and imaginary parts, side by side
    for start in range(0, frames, _CHUNK_FRAMES):
        count = min(_CHUNK_FRAMES, frames - start)
        piece = np.zeros(((count - 1) * hop + window, 2), dtype=np.float32)
        begin = start * hop - half
        inside, at = two[max(0, begin) : begin + len(piece)], max(0, -begin)
        piece[at : at + len(inside), : two.shape[1]] = inside[:, :2]
        views = np.lib.stride_tricks.sliding_window_view(piece.ravel(), 2 * window)[:: 2 * hop]
        spectra = scipy.fft.fft((views * shape).view(np.complex64), axis=1, overwrite_x=True)
        power = spectra.real**2
        power += spectra.imag**2
        power[:, 1:half] += power[:, :half:-1]
        yield slice(start, start + count), power[:, :half]


def hop_of(rate_hz: int) -> int:
    """Samples from frame to frame."""
    return max(1, round(rate_hz / FRAME_RATE_HZ))


def window_of(rate_hz: int) -> int:
    """Samples of a frame: a power of two."""
    return int(2 ** max(5, round(np.log2(WINDOW_S * rate_hz))))


def _band_powers(two: Samples, rate_hz: int, peak: float) -> tuple[Array, Array]:
    """Power of each band in each frame, `(frames, bands)`, and the bands' centre frequencies in Hz."""
    window = window_of(rate_hz)
    bin_hz = rate_hz / window
    edges = _band_edges(window // 2, bin_hz)
    out = np.empty((len(two) // hop_of(rate_hz) + 1, len(edges) - 1), dtype=np.float32)
    for rows, power in power_frames(two, rate_hz, gain=1.0 / peak):
        out[rows] = np.add.reduceat(power[:, : edges[-1]], edges[:-1], axis=1)
    return out, bin_hz * np.sqrt(edges[:-1] * (edges[1:] - 1.0 + (edges[1:] == edges[:-1])))


def _moving_mean(values: Array, half: int) -> Array:
    """Mean over 2 half + 1 neighbours, fewer at the ends."""
    total = np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])
    index = np.arange(len(values))
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, len(values))
    return np.asarray((total[high] - total[low]) / (high - low))


def _refine(two: Samples, rate_hz: int, times_s: Array) -> Array:
    """The steepest rise in the waveform's energy within 25 ms of each given time."""
    block = max(1, round(rate_hz * 0.00025))
    reach, side = 100, 32  # blocks: 25 ms to look in, 8 ms to each side to compare
    width = (2 * (reach + side)) * block
    starts = np.round(times_s * rate_hz).astype(np.int64) - width // 2
    refined = np.array(times_s, dtype=np.float64)
    for first in range(0, len(starts), 64):
        chosen = starts[first : first + 64]
        pieces = np.zeros((len(chosen), width + 1, two.shape[1]))
        for piece, edge in zip(pieces, (chosen - 1).tolist(), strict=True):  # a sample's edge is to the one before it
            found = two[max(0, edge) : max(0, edge + width + 1)]
            piece[max(0, -edge) : max(0, -edge) + len(found)] = found
        energy = (np.diff(pieces, axis=1) ** 2).sum(axis=2).reshape(len(chosen), -1, block).sum(axis=2)
        total = np.concatenate([np.zeros((len(chosen), 1)), np.cumsum(energy, axis=1)], axis=1)
        here = np.arange(side, energy.shape[1] - side + 1)
        after, before = total[:, here + side] - total[:, here], total[:, here] - total[:, here - side]
        floor = 1e-3 * np.maximum(energy.max(axis=1, keepdims=True) * side, 1e-300)
        rise = np.log((after + floor) / (before + floor))
        best = rise.argmax(axis=1)
        clear = rise[np.arange(len(best)), best] > 0.7  # 3 dB: less is no edge, and the flux peak is kept
        refined[first : first + 64][clear] = ((chosen + here[best] * block) / rate_hz)[clear]
    return np.maximum(refined, 0.0)


def detect(samples: Samples, rate_hz: int) -> Onsets:
    """Find the onsets of a signal, `(frames, channels)` or `(frames,)`.

    None for silence or an empty array.  A signal that sounds from its first sample has its first onset at 0.  Raises
    `MeasureError` as `channels_of`.
    """
    two = channels_of(samples)
    duration_s = len(two) / rate_hz
    peak = peak_of(two)
    if peak < SILENT_PEAK:
        return _empty(duration_s)
    frame_rate = rate_hz / hop_of(rate_hz)
    powers, centres = _band_powers(two, rate_hz, peak)
    loud = np.percentile(powers.max(axis=1), 99.0)
    if loud <= 0.0:
        return _empty(duration_s)  # a constant: nothing but DC
    level = np.log1p(powers / np.float32(FLOOR * loud))
    before = np.concatenate([np.zeros((2, level.shape[1]), level.dtype), level[:-2]])
    rise = np.maximum(level - before, 0.0)
    low = rise[:, centres < LOW_END_HZ].sum(axis=1).astype(np.float64)
    raw = rise.sum(axis=1).astype(np.float64)
    half = round(0.25 * frame_rate)
    flux = np.maximum(raw - _moving_mean(raw, half), 0.0)
    edges = np.searchsorted(centres, (0.0, LOWS_END_HZ, MIDS_END_HZ, np.inf))
    bands = [rise[:, first:end].sum(axis=1).astype(np.float64) for first, end in pairwise(edges)]

    reach = max(1, round(0.03 * frame_rate))
    padded = np.pad(flux, reach, constant_values=0.0)
    local = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    # A mean weighted by itself: a typical peak, where the largest may be the one rise of all bands out of silence.
    typical = float((flux**2).sum() / max(float(flux.sum()), 1e-9))
    peaks = np.flatnonzero((flux >= local) & (flux > 0.15 * typical) & (flux > 0.25 * level.shape[1] ** 0.5))
    peaks = peaks[np.concatenate([[True], np.diff(peaks) > 1])] if len(peaks) else peaks
    times = peaks / frame_rate
    if len(peaks) > _REFINED:
        chosen = np.sort(np.argsort(flux[peaks], kind="stable")[-_REFINED:])
        times = np.array(times, dtype=np.float64)
        times[chosen] = _refine(two, rate_hz, times[chosen])
    elif len(peaks):
        times = _refine(two, rate_hz, times)
    order = np.argsort(times, kind="stable")
    block = max(1, round(0.01 * rate_hz))
    first, last = reaching(two, 0.01 * peak)[0], reaching(two, 10 ** (-50 / 20) * peak)[1]
    return Onsets(
        times_s=times[order],
        strengths=flux[peaks][order],
        low_strengths=low[peaks][order],
        flux=flux,
        frame_rate_hz=frame_rate,
        first_sound_s=first / rate_hz,
        last_sound_s=min((last // block + 1) * block / rate_hz, duration_s),
        duration_s=duration_s,
        peak=peak,
        band_flux=np.stack([np.maximum(band - _moving_mean(band, half), 0.0) for band in bands]),
    )
