"""Pitch of a kick, a tom or a bass note, and its name; for the key of a piece see `dossier.measure.key_finding`.

Conventions
    Samples are `(frames, channels)`, any level, any rate; frequencies in Hz.  Notes are written with sharps, since
    a file on its own has no key (`dossier.model.notes`).  Channels are never summed as waveforms, their powers are.

Method
    The period comes from the normalised autocorrelation (McLeod and Wyvill, ICMC 2005; MEM) of what follows the attack.
    The fundamental, or the strongest partial if it is missing, is then filtered out and its instantaneous frequency
    tracked; the settled pitch is where that track stays longest, by amplitude.

    The confidence is the periodic share of the sound while it is at that pitch (autocorrelation over two periods,
    weighted by energy), times the root of the share of all energy that lies where pitches are.  It is reduced where the
    track wavers as that of noise does (a glide does not), or hardly stays at the pitch.
"""

from __future__ import annotations

from math import log2

import numpy as np
import scipy
from msgspec.structs import replace

from dossier.measure.key_finding import key
from dossier.measure.onsets import SILENT_PEAK, channels_of, peak_of, reaching
from dossier.measure.sound_shape import autocorrelation, running_sum
from dossier.model.measures import Array, Pitch, Samples
from dossier.model.notes import note_of

__all__ = ["key", "note_of", "pitch", "with_root"]

LOWEST_HZ, HIGHEST_HZ = 25.0, 1200.0
PITCHED = 0.45  # confidence from which a sound has a pitch; white and pink noise reach 0.35
_BAND_HZ = 3600.0  # partials up to here help to find the period
_LONGEST_S = 2.0
SETTLE_S = 0.05  # a kick's sweep is mostly over after this
PERIOD_S = 0.4  # stretch from which the period is read
KEEP = 0.9  # first maximum within this of the largest: McLeod and Wyvill's k
PARTIALS = 6
AT_PITCH_CENTS = 100.0
STAYS = 0.2  # share of the energy at the pitch from which the confidence counts in full
_MIDDLE_C = 60
WAVERS_CENTS = 60.0  # to and fro in half a period; noise 50 to 150, glides and tones below 5


def _unpitched(why: str, confidence: float = 0.0) -> Pitch:
    return Pitch(None, None, None, confidence, f"unpitched: {why}")


def _period(signal: Array, rate_hz: float) -> float:
    """Frequency in Hz at which a stretch of sound, `(channels, n)`, repeats; 0 where nothing does."""
    longest = min(int(1.15 * rate_hz / LOWEST_HZ), int(0.66 * signal.shape[1]))
    if longest < 8:
        return 0.0
    normal = autocorrelation(signal, longest)
    negative = np.flatnonzero(normal <= 0.0)
    if not len(negative):
        return 0.0
    tops = np.flatnonzero((normal[1:-1] > normal[:-2]) & (normal[1:-1] >= normal[2:])) + 1
    tops = tops[(tops >= 0.9 * rate_hz / HIGHEST_HZ) & (tops > negative[0])]
    if not len(tops):
        return 0.0
    left, here, right = normal[tops - 1], normal[tops], normal[tops + 1]
    bend = np.minimum(left - 2.0 * here + right, -1e-12)
    part = np.clip(0.5 * (left - right) / bend, -0.5, 0.5)
    heights = here - 0.25 * (left - right) * part
    if heights.max() <= 0.0:
        return 0.0
    chosen = int(np.argmax(heights >= KEEP * heights.max()))
    return rate_hz / float(tops[chosen] + part[chosen])


def _track(spectrum: Array, bin_hz: float, centre_hz: float, reach_hz: float, duration_s: float) -> tuple[Array, Array]:
    """Instantaneous frequency of what lies within `reach_hz` of `centre_hz`, and its power, over time.

    `spectrum` is one-sided, `(channels, bins)`.  The band's window is a squared cosine.
    """
    low, high = max(1, int((centre_hz - reach_hz) / bin_hz)), int((centre_hz + reach_hz) / bin_hz) + 2
    band = spectrum[:, low:high]
    hz = (low + np.arange(band.shape[1])) * bin_hz
    shape = np.cos(0.5 * np.pi * np.clip((hz - centre_hz) / reach_hz, -1.0, 1.0)) ** 2
    size = scipy.fft.next_fast_len(max(256, 4 * band.shape[1]))
    steps = scipy.fft.ifft(band * shape, size, axis=1)
    rate = size * bin_hz
    used = max(3, min(size, int(duration_s * rate)))
    moved = (steps[:, 1:used] * steps[:, : used - 1].conj()).sum(axis=0)
    return low * bin_hz + np.angle(moved) / (2.0 * np.pi) * rate, np.abs(moved)


def _settled(hz: Array, power: Array) -> float:
    """Frequency at which a track stays longest, weighted by amplitude; 0 where there is none."""
    good = (hz > 0.5 * LOWEST_HZ) & (power > 1e-5 * power.max(initial=1e-30))
    if not good.any():
        return 0.0
    cents, amplitude = 1200.0 * np.log2(hz[good]), np.sqrt(power[good])
    low = float(cents.min())
    counts = np.bincount(((cents - low) / 5.0).astype(np.int64), weights=amplitude)
    kernel = np.exp(-0.5 * (np.arange(-8, 9) / 3.0) ** 2)
    smooth = np.convolve(counts, kernel)[8 : 8 + len(counts)]
    place = low + 5.0 * (int(np.argmax(smooth)) + 0.5)
    for width in (20.0, 12.0, 12.0, 12.0):
        near = amplitude * np.exp(-0.5 * ((cents - place) / width) ** 2)
        if near.sum() > 0.0:
            place = float(near @ cents / near.sum())
    return float(2.0 ** (place / 1200.0))


def _periodic_share(signal: Array, rate_hz: float, pitch_hz: float, at_pitch: Array, first: int) -> float:
    """Autocorrelation at about one period in windows of two, weighted by energy, over the windows at the pitch.

    `at_pitch` holds 0 or 1 for equal steps over the signal's length; windows start from sample `first` on.
    """
    period = rate_hz / pitch_hz
    lags = np.unique(np.round(np.ceil(24.0 / period) * period * np.linspace(0.94, 1.06, 7)).astype(np.int64))
    width = max(int(2.0 * period), 48)
    count = signal.shape[1] - int(lags[-1])
    starts = np.arange(min(first, max(0, count - width)), count - width + 1, max(1, width // 4))
    if not len(starts):
        return 0.0
    energy = running_sum((signal**2).sum(axis=0))
    here = energy[starts + width] - energy[starts]
    best = np.zeros(len(starts))
    for lag in lags:
        product = running_sum((signal[:, :count] * signal[:, lag : lag + count]).sum(axis=0))
        both = here * (energy[starts + lag + width] - energy[starts + lag])
        best = np.maximum(best, (product[starts + width] - product[starts]) / np.sqrt(np.maximum(both, 1e-30)))
    place = ((starts + 0.5 * (width + lags[len(lags) // 2])) / signal.shape[1] * len(at_pitch)).astype(np.int64)
    weight = here * at_pitch[np.minimum(place, len(at_pitch) - 1)]
    return float(np.clip(weight @ best / weight.sum(), 0.0, 1.0)) if weight.sum() > 0.0 else 0.0


def _wavering(cents: Array, power: Array) -> float:
    """Cents a track moves to and fro from point to point, weighted by energy; 0 for a steady glide."""
    if len(cents) < 2:
        return 1e3
    moved, weight = np.diff(cents), np.minimum(power[1:], power[:-1])
    total = float(weight.sum())
    return float(weight @ np.abs(moved) - abs(weight @ moved)) / total if total > 0.0 else 1e3


def _level(power: Array, bin_hz: float, centre_hz: float) -> float:
    """Energy within 4 % of a frequency."""
    low, high = int(0.96 * centre_hz / bin_hz), int(1.04 * centre_hz / bin_hz) + 2
    return float(power[low:high].sum())


def with_root(found: Pitch, root_note: int | None) -> tuple[Pitch, tuple[str, ...]]:
    """The pitch that a sound has, and what its tag's root note (MIDI, 1-127) adds to it or has against it.

    A sound within a semitone of the root, in any octave, keeps its own, finer pitch; one that is clearly elsewhere is
    believed; one without a pitch takes the tag's.  Middle C is written by programs that know no root, so it is never
    taken alone (common practice, no source).
    """
    if root_note is None or (found.hz is None and root_note == _MIDDLE_C):
        return found, ()
    hz = 440.0 * 2.0 ** ((root_note - 69) / 12.0)
    note = note_of(hz)[0]
    if found.hz is None:
        return Pitch(hz, note, 0.0, found.confidence, source="tag"), ()
    apart = abs((12.0 * log2(found.hz / hz) + 6.0) % 12.0 - 6.0)
    if apart <= 1.0 or root_note == _MIDDLE_C:
        return (replace(found, source="tag") if apart <= 1.0 else found), ()
    return found, (f"its tag states {note} as its root; its sound has {found.note}, which is taken",)


def pitch(samples: Samples, rate_hz: int) -> Pitch:
    """Settled fundamental of a kick, a tom or a bass note, from `(frames, channels)` or `(frames,)`.

    Returns
    -------
    Pitch
        25 to 1200 Hz, from the first 2 s.  `hz` is None, with the reason, for silence, less than 20 ms of sound, noise,
        and hats and snares without a tone.

    Raises
    ------
    MeasureError
        Wrong shape, or a value that is not finite.
    """
    two = channels_of(samples)
    peak = peak_of(two)
    if peak < SILENT_PEAK:
        return _unpitched("silence")
    first, last = reaching(two, 0.01 * peak)[0], reaching(two, 0.001 * peak)[1] + 1
    piece = two[first : min(last, first + int(_LONGEST_S * rate_hz))]
    duration_s = len(piece) / rate_hz
    if duration_s < 0.02:
        return _unpitched("shorter than 20 ms")
    if piece.shape[1] == 2 and np.array_equal(piece[:, 0], piece[:, 1]):
        piece = piece[:, :1]
    scaled = np.ascontiguousarray((piece * (1.0 / peak)).T, dtype=np.float32)
    scaled -= scaled.mean(axis=1, keepdims=True)
    # Resample what lies below _BAND_HZ to a lower rate; the padding keeps the ends from wrapping round.
    size = scipy.fft.next_fast_len(len(piece) + int(0.05 * rate_hz), real=True)
    spectrum = scipy.fft.rfft(scaled, size)
    bin_hz = rate_hz / size
    low, high = int(np.ceil(15.0 / bin_hz)), min(int(_BAND_HZ / bin_hz), spectrum.shape[1] - 1)
    spectrum = spectrum[:, : high + 1]
    spectrum[:, :low] = 0.0
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=0, dtype=np.float64)
    if high - low < 4 or float(power.sum()) < 1e-9 * len(piece):
        return _unpitched("nothing sounds where pitches lie")
    small = scipy.fft.next_fast_len(2 * (high + 1) + 2, real=True)
    signal = scipy.fft.irfft(spectrum, small).astype(np.float64) * (small / size)
    rate = small * bin_hz
    signal = signal[:, : max(8, int(duration_s * rate))]
    energy = running_sum((signal**2).sum(axis=0))
    skip_s = min(SETTLE_S, 0.3 * float(np.searchsorted(energy, 0.999 * energy[-1])) / rate)
    skip = int(skip_s * rate)
    late = scaled[:, int(skip_s * rate_hz) :].ravel()
    inside = float(energy[-1] - energy[skip]) / rate / max(float(late @ late) / rate_hz, 1e-30)

    found_hz = _period(signal[:, skip : skip + int(PERIOD_S * rate)], rate)
    if not found_hz:
        return _unpitched("no period repeats")
    # The fundamental, or the strongest partial where it is all but missing.
    levels = np.array([_level(power, bin_hz, found_hz * k) for k in range(1, PARTIALS + 1)])
    partial = 1 if levels[0] > 0.02 * levels.max() else int(np.argmax(levels)) + 1
    hz = found_hz
    for _ in range(2):
        track, strength = _track(spectrum, bin_hz, partial * hz, 0.62 * hz, duration_s)
        settled = int(len(track) * skip_s / duration_s)
        hz = _settled(track[settled:], strength[settled:]) / partial
        if not LOWEST_HZ <= hz <= HIGHEST_HZ:
            return _unpitched(f"what repeats does not lie between {LOWEST_HZ:g} and {HIGHEST_HZ:g} Hz")
    cents = 1200.0 * np.log2(np.maximum(track, 1.0) / (partial * hz))
    at_pitch = (np.abs(cents) < AT_PITCH_CENTS).astype(np.float64)
    stays = float(strength[settled:] @ at_pitch[settled:] / strength[settled:].sum())
    step = max(1, round(0.5 * len(track) / duration_s / hz))
    wavers = _wavering(cents[settled::step], strength[settled::step])
    confidence = _periodic_share(signal, rate, hz, at_pitch, skip)
    confidence *= float(np.sqrt(min(1.0, inside))) * min(1.0, stays / STAYS) / (1.0 + (wavers / WAVERS_CENTS) ** 2)
    if confidence < PITCHED:
        return _unpitched("more noise than tone", confidence)
    note, off = note_of(hz)
    return Pitch(hz, note, off, confidence)
