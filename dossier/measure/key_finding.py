"""Key of a piece of music from its spectral peaks.

Conventions
    Samples are `(frames, channels)`, any level, any rate.  Notes are MIDI numbers, A4 = 440 Hz = 69; pitch classes run
    from C to B.  Channels are never summed as waveforms, their powers are.

Method
    Spectral peaks in windows of 0.7 s, interpolated between bins, are assigned to the sixty notes from A1 to G#6 after
    the piece's own tuning is removed.  What may be the third, fifth, sixth or seventh partial of a lower note is
    discounted, and bass notes count double.  The sums of the twelve pitch classes are correlated with the profiles of
    Krumhansl and Kessler, Psychological Review 89 (1982; MEM), rotated to each of the 24 keys.  Relative keys share all
    their notes, so the key whose tonic is in the bass where the music starts gets a small bonus (common practice, no
    source).

    Notes last and the peaks of noise do not: a sound whose peaks mostly change from window to window has no key.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import scipy

from dossier.measure.onsets import SILENT_PEAK, channels_of, peak_of
from dossier.model.measures import Array, Indices, Key, Samples

NAMES = (
    tuple(f"{note} major" for note in ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")),
    tuple(f"{note} minor" for note in ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")),
)
# Krumhansl and Kessler 1982, probe tone ratings from the tonic upwards (MEM).
MAJOR_PROFILE = (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88)
MINOR_PROFILE = (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17)

CLEAR_KEY = 0.5  # confidence from which a key that is heard speaks against a stated one
SHORTEST_S = 1.0
LOWEST_NOTE, NOTES = 33, 60  # A1 to G#6: whole octaves, so that noise favours no pitch class
WINDOW_S = 0.7  # tells semitones apart from about 80 Hz up
_MOST_WINDOWS = 320  # a longer piece is sampled by this many, evenly spread
_AT_ONCE = 8
_PEAK_OVER = 4.0  # least power of a peak over the mean around it
_AROUND = 20  # bins to each side
_FAINTEST = 1e-5  # of the loudest peak: 50 dB below it
_PARTIALS = {19: 1.0, 28: 1.0, 31: 0.8, 34: 0.8}  # semitones above the fundamental: partials 3, 5, 6, 7
_DISCOUNT = 0.3
_BASS_NOTE = 53.0  # F3; the middle of a soft border below which notes count as bass
_START_S = 0.5
_START = 0.1  # in correlation
_LASTING = 0.36  # least share of peaks that last; noise reaches 0.29, music starts at 0.57
_FEWEST = 2.0  # effective number of pitch classes
_CLEAR_MARGIN = 0.12  # margin in correlation at which a key is sure


@lru_cache(maxsize=1)
def _profiles() -> Array:
    """Profiles of all keys, `(24, 12)`, major from C upwards, then minor; each with mean 0 and norm 1."""
    rows = np.array([np.roll(profile, k) for profile in (MAJOR_PROFILE, MINOR_PROFILE) for k in range(12)])
    rows = rows - rows.mean(axis=1, keepdims=True)
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))


def _windows(two: Samples, rate_hz: int) -> tuple[int, Indices]:
    """Length of the windows and their starts, in samples."""
    window = scipy.fft.next_fast_len(int(WINDOW_S * rate_hz))
    count = max(1, min(_MOST_WINDOWS, 2 * len(two) // window))
    return window, np.linspace(0, max(0, len(two) - window), count).astype(np.intp)


def _around(power: Array) -> Array:
    """Mean power around each bin; the ends repeat that of the nearest full stretch."""
    total = np.cumsum(power, axis=1)
    around = np.empty_like(power)
    around[:, _AROUND + 1 : -_AROUND] = (total[:, 2 * _AROUND + 1 :] - total[:, : -2 * _AROUND - 1]) / (2 * _AROUND + 1)
    around[:, : _AROUND + 1] = around[:, _AROUND + 1 : _AROUND + 2]
    around[:, -_AROUND:] = around[:, -_AROUND - 1 : -_AROUND]
    return around


def _peaks(two: Samples, rate_hz: int, window: int, starts: Indices) -> tuple[Indices, Array, Array]:
    """Windows, note numbers and powers of all spectral peaks."""
    bin_hz = rate_hz / window
    first_hz = 440.0 * 2.0 ** ((LOWEST_NOTE - 1 - 69) / 12.0)
    low = max(2, int(first_hz / bin_hz))
    high = min(int(first_hz * 2.0 ** ((NOTES + 2) / 12.0) / bin_hz), window // 2 - 2)
    if high - low < 4 * _AROUND:
        return np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0)
    shape = np.hanning(window + 1)[:-1].astype(np.float32)
    found: list[tuple[Indices, Array, Array]] = []
    block = np.zeros((_AT_ONCE, window), dtype=np.complex64)
    for first in range(0, len(starts), _AT_ONCE):
        chosen = starts[first : first + _AT_ONCE]
        block[:] = 0.0
        for row, start in enumerate(chosen):
            piece = two[start : start + window]
            block.real[row, : len(piece)] = piece[:, 0]
            if two.shape[1] > 1:
                block.imag[row, : len(piece)] = piece[:, 1]
        spectra = scipy.fft.fft(block[: len(chosen)] * shape, axis=1, overwrite_x=True)
        # Both channels in one complex transform: |Z(k)|^2 + |Z(-k)|^2 is twice the sum of their powers.
        reach = spectra[:, low - 1 : high + 1]
        mirror = spectra[:, window - high : window - low + 2][:, ::-1]
        power = (reach.real**2 + reach.imag**2 + mirror.real**2 + mirror.imag**2).astype(np.float64)
        middle = power[:, 1:-1]
        top = (middle > power[:, :-2]) & (middle >= power[:, 2:]) & (middle > _PEAK_OVER * _around(power)[:, 1:-1])
        rows, bins = np.nonzero(top)
        left, here, right = (np.log(np.maximum(power[rows, bins + k], 1e-30)) for k in (0, 1, 2))
        bend = left - 2.0 * here + right
        part = 0.5 * (left - right) / np.where(bend < -1e-9, bend, -1.0)
        hz = (low + bins + np.clip(part, -0.5, 0.5)) * bin_hz
        found.append((np.asarray(first + rows, dtype=np.intp), 69.0 + 12.0 * np.log2(hz / 440.0), middle[rows, bins]))
    rows, notes, powers = (np.concatenate(parts) for parts in zip(*found, strict=True))
    loud = powers > _FAINTEST * powers.max(initial=1e-20)
    return rows[loud], notes[loud], powers[loud]


def _salience(rows: Indices, notes: Array, powers: Array, windows: int) -> Array:
    """Strength of each of the sixty notes in each window, `(windows, 60)`, in root amplitude."""
    weights = powers**0.25  # so that loud notes do not drown soft ones
    away = float(np.angle(np.exp(2j * np.pi * notes) @ weights)) / (2.0 * np.pi)  # the piece's own tuning
    nearest = np.round(notes - away)
    weights = weights * np.maximum(0.0, 1.0 - 2.0 * np.abs(notes - away - nearest))
    place = nearest.astype(np.int64) - LOWEST_NOTE
    inside = (place >= 0) & (place < NOTES)
    raw = np.zeros((windows, NOTES))
    np.maximum.at(raw, (rows[inside], place[inside]), weights[inside])
    found = raw.copy()
    for above, part in _PARTIALS.items():
        found[:, above:] -= _DISCOUNT * part * raw[:, :-above]
    return np.maximum(found, 0.0)


def _classes(notes: Array) -> Array:
    """Sums over octaves, `(12,)`, from C."""
    return np.roll(notes.reshape(-1, 12).sum(axis=0), LOWEST_NOTE % 12)


def key(samples: Samples, rate_hz: int) -> Key:
    """Key of a piece of music, from `(frames, channels)` or `(frames,)`.

    A name such as 'D minor' and a confidence from 0 to 1: the margin over the second best key, reduced where even the
    best fits badly or the notes hardly last.  Silence, less than 1 s, noise and single notes have no key; `reason` says
    so.  Raises `MeasureError` for a wrong shape or a value that is not finite.
    """
    two = channels_of(samples)
    peak = peak_of(two)
    if peak < SILENT_PEAK:
        return Key(None, 0.0, "silence")
    if len(two) < SHORTEST_S * rate_hz:
        return Key(None, 0.0, f"shorter than {SHORTEST_S:g} s")
    scaled = (two * (1.0 / peak)).astype(np.float32)
    scaled -= scaled.mean(axis=0, dtype=np.float64).astype(np.float32)
    if peak_of(scaled) < 1e-5:
        return Key(None, 0.0, "a constant: nothing sounds")
    window, starts = _windows(scaled, rate_hz)
    rows, notes, powers = _peaks(scaled, rate_hz, window, starts)
    if not len(notes):
        return Key(None, 0.0, "no note stands out from the others")
    salience = _salience(rows, notes, powers, len(starts))
    total = float(salience.sum())
    if total <= 0.0:
        return Key(None, 0.0, "no note stands out from the others")
    lasting = float(np.minimum(salience[1:], salience[:-1]).sum()) / total * len(salience) / max(1, len(salience) - 1)
    if lasting < _LASTING:
        return Key(None, 0.0, "no note lasts: its peaks come and go as those of noise do")
    bass = 1.0 / (1.0 + np.exp((np.arange(NOTES) + LOWEST_NOTE - _BASS_NOTE) / 1.5))
    sums = _classes((salience * (1.0 + bass)).sum(axis=0))
    if float(sums.sum() ** 2 / (sums**2).sum()) < _FEWEST:
        return Key(None, 0.0, "too few different notes")
    centred = sums - sums.mean()
    fits = _profiles() @ (centred / np.linalg.norm(centred))
    sounding = np.flatnonzero(salience.sum(axis=1) > 0.1 * salience.sum(axis=1).max())
    start = starts - starts[sounding[0]]
    opening = _classes((salience[(start >= 0) & (start <= _START_S * rate_hz)] * bass).sum(axis=0))
    if opening.max() > 0.0:
        fits = fits + _START * np.tile(opening / opening.max(), 2)
    order = np.argsort(-fits, kind="stable")
    best, margin = int(order[0]), float(fits[order[0]] - fits[order[1]])
    confidence = float(
        np.clip(margin / _CLEAR_MARGIN, 0.0, 1.0)
        * np.clip(fits[best] / 0.7, 0.0, 1.0)
        * np.clip((lasting - _LASTING) / 0.12, 0.0, 1.0)
    )
    return Key(NAMES[best // 12][best % 12], confidence)
