"""Pitch of a kick, a tom or a bass note, and its name; the key of a piece of music lies in `dossier.measure.keyfind`.

Conventions
    Samples are `(frames, channels)`, any level, any rate; frequencies in Hz; notes in equal temperament, A4 = 440 Hz,
    440 * 2^((n - 69) / 12) for MIDI note n, written with sharps, octaves from C to B, so that A4 is n = 69.  Channels
    are never summed as waveforms, their powers are.

Pitch
    The period comes from the normalised autocorrelation (McLeod and Wyvill, ICMC 2005; MEM) of what follows the attack.
    The fundamental, or the strongest partial where it is missing, is then cut out of the spectrum, and its
    instantaneous frequency is followed; the settled pitch is the place where that track stays longest, by energy.  The
    confidence is the periodic share of all energy after the attack, times how steadily the track stays there.
"""

from __future__ import annotations

from math import floor, log2

import numpy as np
import scipy.fft

from dossier.measure.keyfind import key
from dossier.measure.onsets import SILENT_PEAK, channels_of, magnitude
from dossier.model.measures import Array, Pitch, Samples

__all__ = ["key", "note_of", "pitch"]

NOTES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
LOWEST_HZ, HIGHEST_HZ = 25.0, 1200.0
PITCHED = 0.35  # confidence from which a sound has a pitch; white and pink noise stay under it
_BAND_HZ = 3600.0  # partials up to here tell the period
_LONGEST_S = 2.0
_SETTLE_S = 0.05  # a kick's sweep is mostly over after this
_PERIOD_S = 0.4  # stretch that tells the period
_KEEP = 0.9  # first maximum within this of the largest: McLeod and Wyvill's k
_PARTIALS = 6
_TRACK_STEPS = 512
_NEAR_CENTS = 35.0


def note_of(hz: float) -> tuple[str, float]:
    """Nearest note in equal temperament, A4 = 440 Hz, and the distance from it in cents, -50 to 50.

    Raises ValueError for a frequency that is not above zero.
    """
    if not hz > 0.0:
        raise ValueError(f"a note needs a frequency above 0 Hz, found {hz}")
    number = 69.0 + 12.0 * log2(hz / 440.0)
    nearest = floor(number + 0.5)
    return f"{NOTES[nearest % 12]}{nearest // 12 - 1}", 100.0 * (number - nearest)


def _unpitched(why: str, confidence: float = 0.0) -> Pitch:
    return Pitch(None, None, None, confidence, f"unpitched: {why}")


def _normal_autocorrelation(signal: Array, longest: int) -> Array:
    """Normalised by the energies of the two overlapping parts, -1 to 1, `(longest + 1,)`; signal is (channels, n)."""
    count = signal.shape[1]
    size = scipy.fft.next_fast_len(count + longest + 1, real=True)
    spectrum = scipy.fft.rfft(signal, size)
    raw = scipy.fft.irfft((spectrum.real**2 + spectrum.imag**2).sum(axis=0), size)[: longest + 1]
    energy = np.zeros(count + 1)
    np.cumsum((signal**2).sum(axis=0), out=energy[1:])
    lags = np.arange(longest + 1)
    both = np.sqrt(energy[count - lags] * (energy[count] - energy[lags]))
    return np.where(both > 1e-9 * energy[count], raw / np.maximum(both, 1e-300), 0.0)


def _period(signal: Array, rate_hz: float) -> tuple[float, float]:
    """(frequency, periodic share 0-1) of a stretch of sound; (0, 0) where there is none."""
    count = signal.shape[1]
    longest = min(int(1.15 * rate_hz / LOWEST_HZ), int(0.66 * count))
    if longest < 8:
        return 0.0, 0.0
    normal = _normal_autocorrelation(signal, longest)
    inner = normal[1:-1]
    shortest = max(1, int(rate_hz / HIGHEST_HZ * 0.9))
    negative = np.flatnonzero(normal <= 0.0)
    if not len(negative):
        return 0.0, 0.0
    tops = np.flatnonzero((inner > normal[:-2]) & (inner >= normal[2:])) + 1
    tops = tops[(tops >= shortest) & (tops > negative[0])]
    if not len(tops):
        return 0.0, 0.0
    left, here, right = normal[tops - 1], normal[tops], normal[tops + 1]
    bend = left - 2.0 * here + right
    part = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, -1.0), 0.0)
    heights = here - 0.25 * (left - right) * part
    chosen = int(np.argmax(heights >= _KEEP * heights.max()))
    return rate_hz / float(tops[chosen] + part[chosen]), float(np.clip(heights[chosen], 0.0, 1.0))


def _track(spectrum: Array, bin_hz: float, centre_hz: float, reach_hz: float, duration_s: float) -> tuple[Array, Array]:
    """Instantaneous frequency of what lies within `reach_hz` of `centre_hz`, and its power, over time.

    `spectrum` is one-sided, `(channels, bins)`.  The band's window is a squared cosine.
    """
    low, high = max(1, int((centre_hz - reach_hz) / bin_hz)), int((centre_hz + reach_hz) / bin_hz) + 2
    band = spectrum[:, low:high]
    hz = (low + np.arange(band.shape[1])) * bin_hz
    shape = np.cos(0.5 * np.pi * np.clip((hz - centre_hz) / reach_hz, -1.0, 1.0)) ** 2
    size = max(_TRACK_STEPS, scipy.fft.next_fast_len(4 * band.shape[1]))
    steps = scipy.fft.ifft(band * shape, size, axis=1)
    rate = size * bin_hz
    used = max(3, min(size, int(duration_s * rate)))
    moved = (steps[:, 1:used] * steps[:, : used - 1].conj()).sum(axis=0)
    return low * bin_hz + np.angle(moved) / (2.0 * np.pi) * rate, np.abs(moved)


def _settled(hz: Array, power: Array, rate_hz: float) -> tuple[float, float]:
    """Frequency at which a track stays longest, and the share of its energy within `_NEAR_CENTS` of it."""
    good = (hz > 0.0) & (power > 1e-5 * power.max())
    cents, energy = 1200.0 * np.log2(np.where(good, hz, 1.0)), np.where(good, power, 0.0)
    amplitude = np.sqrt(energy)
    low = float(cents[good].min())
    bins = np.clip(((cents - low) / 5.0).astype(np.int64), 0, 1 << 12)
    counts = np.bincount(bins[good], weights=amplitude[good])
    kernel = np.exp(-0.5 * (np.arange(-8, 9) / 3.0) ** 2)
    place = low + 5.0 * (int(np.argmax(np.convolve(counts, kernel, mode="same"))) + 0.5)
    for width in (20.0, 12.0, 12.0, 12.0):
        near = amplitude * np.exp(-0.5 * ((cents - place) / width) ** 2)
        if near.sum() > 0.0:
            place = float(near @ cents / near.sum())
    steady = float(energy[np.abs(cents - place) < _NEAR_CENTS].sum() / energy.sum())
    return 2.0 ** (place / 1200.0), steady


def pitch(samples: Samples, rate_hz: int) -> Pitch:
    """Settled fundamental of a kick, a tom or a bass note.

    Parameters
    ----------
    samples : (frames, channels) or (frames,), any level; of a longer sound the first 2 s are looked at
    rate_hz : sample rate

    Returns
    -------
    Pitch : 25 to 1200 Hz.  `hz` is None, with the reason, for silence, for less than two periods of sound, and for
        noise, hats and snares without tone.

    Raises
    ------
    MeasureError
        If the array is not one of samples, or holds a value that is not finite.
    """
    two = channels_of(samples)
    loudness = magnitude(two) if two.size else np.zeros(0)
    peak = float(loudness.max()) if two.size else 0.0
    if peak < SILENT_PEAK:
        return _unpitched("silence")
    first = int(np.argmax(loudness >= 0.01 * peak))
    last = len(loudness) - int(np.argmax(loudness[::-1] >= 0.001 * peak))
    piece = two[first : min(last, first + int(_LONGEST_S * rate_hz))]
    if len(piece) < 0.02 * rate_hz:
        return _unpitched("shorter than 20 ms")
    if piece.shape[1] == 2 and np.array_equal(piece[:, 0], piece[:, 1]):
        piece = piece[:, :1]
    scaled = (piece.T * (1.0 / peak)).astype(np.float32)
    scaled = scaled - scaled.mean(axis=1, keepdims=True)
    # Everything up to _BAND_HZ at a lower rate; the signal is padded against wrapping round.
    size = scipy.fft.next_fast_len(len(piece) + int(0.05 * rate_hz), real=True)
    spectrum = scipy.fft.rfft(scaled, size)
    bin_hz = rate_hz / size
    low, high = int(np.ceil(15.0 / bin_hz)), min(int(_BAND_HZ / bin_hz), spectrum.shape[1] - 1)
    spectrum[:, :low] = 0.0
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=0, dtype=np.float64)
    if high - low < 4 or not power[: high + 1].sum() > 1e-6 * max(float(power.sum()), 1e-30):
        return _unpitched("nothing sounds where pitches lie")
    inside = float(power[: high + 1].sum() / power.sum())
    spectrum = spectrum[:, : high + 1].astype(np.complex128)
    small = scipy.fft.next_fast_len(2 * (high + 1) + 2, real=True)
    signal = scipy.fft.irfft(spectrum, small) * (small / size)
    rate = small * bin_hz
    duration_s = len(piece) / rate_hz
    signal = signal[:, : max(8, int(duration_s * rate))]
    energy = np.cumsum((signal**2).sum(axis=0))
    length_s = float(np.searchsorted(energy, 0.999 * energy[-1])) / rate
    skip_s = min(_SETTLE_S, 0.3 * length_s)
    stretch = signal[:, int(skip_s * rate) : int((skip_s + _PERIOD_S) * rate)]
    found_hz, periodic = _period(stretch, rate)
    if not found_hz or periodic <= 0.0:
        return _unpitched("no period repeats")
    # The fundamental, or the strongest partial where it is all but missing.
    levels = np.array([_level(power, bin_hz, found_hz * k, 0.04 * found_hz * k) for k in range(1, _PARTIALS + 1)])
    partial = 1 if levels[0] > 0.02 * levels.max() else int(np.argmax(levels)) + 1
    hz, steady = found_hz, 0.0
    for _ in range(2):
        track, strength = _track(spectrum, bin_hz, partial * hz, 0.62 * hz, duration_s)
        late = int(len(track) * skip_s / duration_s)
        track, strength = track[late:], strength[late:]
        if not strength.max(initial=0.0) > 0.0:
            return _unpitched("no period repeats")
        settled, steady = _settled(track, strength, rate)
        hz = settled / partial
    if not LOWEST_HZ <= hz <= HIGHEST_HZ:
        return _unpitched(f"the period found, {hz:.1f} Hz, lies outside {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz")
    confidence = float(np.clip(periodic * steady, 0.0, 1.0)) * float(np.sqrt(inside))
    if confidence < PITCHED:
        return _unpitched("more noise than tone", confidence)
    note, cents = note_of(hz)
    return Pitch(hz, note, cents, confidence)


def _level(power: Array, bin_hz: float, centre_hz: float, reach_hz: float) -> float:
    low, high = int((centre_hz - reach_hz) / bin_hz), int((centre_hz + reach_hz) / bin_hz) + 2
    return float(power[max(0, low) : high].sum())
