"""Key of a piece of music, and pitch of a kick, a tom or a bass note.

Conventions
    Samples are `(frames, channels)`, any level, any rate; frequencies in Hz; notes in equal temperament, A4 = 440 Hz,
    440 * 2^((n - 69) / 12) for MIDI note n, written with sharps, octaves from C to B, so that A4 is n = 69.  Channels
    are never summed as waveforms, their powers are.

Key
    Spectral peaks from 55 to 2000 Hz, read between the bins, are gathered into twelve pitch classes (after the piece's
    own tuning is taken off), and the twelve sums are correlated with the profiles of Krumhansl and Kessler,
    Psychological Review 89 (1982), turned to each of the 24 keys (MEM).  The confidence is the margin to the second
    best key, less where the best one fits badly itself.

Pitch
    The period comes from the normalised autocorrelation (McLeod and Wyvill, ICMC 2005; MEM) of what follows the attack.
    The fundamental, or the strongest partial where it is missing, is then cut out of the spectrum, and its
    instantaneous frequency is followed; the settled pitch is the place where that track stays longest, by energy.  The
    confidence is the periodic share of all energy after the attack, times how steadily the track stays there.
"""

from __future__ import annotations

from functools import lru_cache
from math import floor, log2

import numpy as np
import scipy.fft

from dossier.measure.onsets import SILENT_PEAK, channels_of, magnitude
from dossier.model.measures import Array, Key, Pitch, Samples

NOTES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
KEY_NAMES = (
    tuple(f"{note} major" for note in ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")),
    tuple(f"{note} minor" for note in ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")),
)
# Krumhansl and Kessler 1982, probe tone ratings from the tonic upwards (MEM).
MAJOR_PROFILE = (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88)
MINOR_PROFILE = (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17)

KEY_LOW_HZ, KEY_HIGH_HZ = 55.0, 2000.0
KEY_WINDOW_S = 0.7  # tells semitones apart from about 80 Hz up
KEY_SHORTEST_S = 1.0
_KEY_FRAMES = 320  # of a longer piece as many frames, evenly spread, are looked at
_PEAK_OVER = 4.0  # a peak's power over the mean of its surroundings
_CLEAR_MARGIN = 0.10  # margin in correlation at which a key is sure

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


# Key -----------------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _profiles() -> Array:
    """Profiles of all keys, `(24, 12)`, major from C upwards, then minor; each with mean 0 and length 1."""
    rows = np.array([np.roll(p, k) for p in (MAJOR_PROFILE, MINOR_PROFILE) for k in range(12)])
    rows = rows - rows.mean(axis=1, keepdims=True)
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))


def _peaks(two: Samples, rate_hz: int) -> tuple[Array, Array]:
    """MIDI note numbers and weights of all spectral peaks, in all frames."""
    window = scipy.fft.next_fast_len(int(KEY_WINDOW_S * rate_hz))
    count = max(1, min(_KEY_FRAMES, 2 * len(two) // window))
    starts = np.linspace(0, max(0, len(two) - window), count).astype(np.int64)
    bin_hz = rate_hz / window
    low, high = max(8, int(KEY_LOW_HZ / bin_hz)), min(int(KEY_HIGH_HZ / bin_hz), window // 2 - 2)
    if high - low < 24:
        return np.zeros(0), np.zeros(0)
    shape = np.hanning(window + 1)[:-1].astype(np.float32)
    notes: list[Array] = []
    weights: list[Array] = []
    block = np.zeros((8, window), dtype=np.complex64)
    for first in range(0, count, 8):
        chosen = starts[first : first + 8]
        for row, start in enumerate(chosen):
            piece = two[start : start + window]
            block[row] = 0.0
            block.real[row, : len(piece)] = piece[:, 0]
            if two.shape[1] > 1:
                block.imag[row, : len(piece)] = piece[:, 1]
        spectra = scipy.fft.fft(block[: len(chosen)] * shape, axis=1)
        reach = spectra[:, low - 1 : high + 1]
        mirror = spectra[:, window - high : window - low + 2][:, ::-1]
        power = (reach.real**2 + reach.imag**2 + mirror.real**2 + mirror.imag**2).astype(np.float64)
        # Both channels in one transform: |Z(k)|^2 + |Z(-k)|^2 is twice the sum of the channels' powers.
        total = np.cumsum(power, axis=1)
        half = 20
        around = np.empty_like(power)
        around[:, half + 1 : -half] = (total[:, 2 * half + 1 :] - total[:, : -2 * half - 1]) / (2 * half + 1)
        around[:, : half + 1] = around[:, half + 1 : half + 2]
        around[:, -half:] = around[:, -half - 1 : -half]
        middle = power[:, 1:-1]
        loud = middle > 1e-5 * np.maximum(middle.max(axis=1, keepdims=True), 1e-30)
        top = (middle > power[:, :-2]) & (middle >= power[:, 2:]) & (middle > _PEAK_OVER * around[:, 1:-1]) & loud
        rows, bins = np.nonzero(top)
        left, here, right = (np.log(np.maximum(power[rows, bins + k], 1e-30)) for k in (0, 1, 2))
        bend = left - 2.0 * here + right
        part = 0.5 * (left - right) / np.where(bend < -1e-9, bend, -1.0)
        hz = (low + bins + np.clip(part, -0.5, 0.5)) * bin_hz
        notes.append(69.0 + 12.0 * np.log2(hz / 440.0))
        weights.append(middle[rows, bins] ** 0.25)  # the root of the amplitude: loud notes do not drown soft ones
    return np.concatenate(notes), np.concatenate(weights)


def chroma(samples: Samples, rate_hz: int) -> Array:
    """Strength of the twelve pitch classes from C to B, summing to 1; all 0 where no peak stands out."""
    two = channels_of(samples)
    peak = float(magnitude(two).max()) if two.size else 0.0
    if peak < SILENT_PEAK:
        return np.zeros(12)
    notes, weights = _peaks((two * (1.0 / peak)).astype(np.float32), rate_hz)
    if not weights.sum() > 0.0:
        return np.zeros(12)
    turn = np.exp(2j * np.pi * notes) @ weights  # the piece's own tuning: mean distance from the notes, round a circle
    away = float(np.angle(turn)) / (2.0 * np.pi)
    placed = notes - away
    nearest = np.round(placed)
    weights = weights * np.maximum(0.0, 1.0 - 2.0 * np.abs(placed - nearest))
    sums = np.zeros(12)
    np.add.at(sums, nearest.astype(np.int64) % 12, weights)
    return sums / sums.sum() if sums.sum() > 0.0 else sums


def key(samples: Samples, rate_hz: int) -> Key:
    """Key of a piece of music.

    Parameters
    ----------
    samples : (frames, channels) or (frames,), any level
    rate_hz : sample rate

    Returns
    -------
    Key : a name such as 'D minor', and a confidence from 0 to 1.  Silence, less than `KEY_SHORTEST_S` and sounds
        without notes have no key, and say so.  Relative keys share all notes: their confidence is low by nature.

    Raises
    ------
    MeasureError
        If the array is not one of samples, or holds a value that is not finite.
    """
    two = channels_of(samples)
    if not two.size or float(magnitude(two).max()) < SILENT_PEAK:
        return Key(None, 0.0, "silence")
    if len(two) < KEY_SHORTEST_S * rate_hz:
        return Key(None, 0.0, f"shorter than {KEY_SHORTEST_S:g} s")
    sums = chroma(two, rate_hz)
    centred = sums - sums.mean()
    length = float(np.linalg.norm(centred))
    if length < 0.08:  # a flat chroma, as noise has (0.02 to 0.05); music reaches 0.15 and more
        return Key(None, 0.0, "no note stands out from the others")
    fits = _profiles() @ (centred / length)
    order = np.argsort(-fits, kind="stable")
    best, margin = int(order[0]), float(fits[order[0]] - fits[order[1]])
    confidence = float(np.clip(margin / _CLEAR_MARGIN, 0.0, 1.0) * np.clip(fits[best] / 0.7, 0.0, 1.0))
    return Key(KEY_NAMES[best // 12][best % 12], confidence)


# Pitch ---------------------------------------------------------------------------------------------------------------


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
