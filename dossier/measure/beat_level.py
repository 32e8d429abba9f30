"""Which metrical level is the beat: of the tempos in simple ratios that one pulse allows, the one to write down.

Conventions
    Tempos in quarter notes a minute, periods in seconds.

Evidence, one number for each candidate beat B; a softmax over the candidates weighs it
    Common tempo: distance from 124 BPM in octaves, squared; people tap near 500 ms (van Noorden and Moelants, J. New
    Music Research 28(1), 1999; MEM).
    Repetition: log autocorrelation of the low band's spectral flux (of all bands without lows) at the three periods
    B * 2^k from 1.2 to 9.6 s.  Bars repeat in doublings of the beat; readings off by 2/3 or 4/3 fall between them.
    Tatum: log magnitude of the flux spectrum at the two periods B * 2^k from 0.1 to 0.4 s: short notes halve the beat.
    Knee: how much the treble repeats better after B than after B / 2, and after 2 B than after B.  Up to the beat each
    doubling gains, beyond it little is left to gain.
"""

from __future__ import annotations

import numpy as np
import scipy
from msgspec import Struct

from dossier.measure.onsets import Onsets
from dossier.model.measures import Array

LOWEST_BPM, HIGHEST_BPM = 50.0, 220.0
_RATIOS = np.array([1, 2, 1 / 2, 2 / 3, 3 / 2, 4 / 3, 3 / 4, 3, 1 / 3, 4, 1 / 4, 8 / 3, 3 / 8])
_NAMED = np.array([2, 1 / 2, 2 / 3, 3 / 2, 4 / 3, 3 / 4])  # the ratios of alternatives worth telling
_LEAST_LIKELY = 0.01  # an alternative less likely than this is not told
_USUAL_BPM = 124.0  # by likelihood 120 to 124 are alike; this reads most songs right that it was not fitted to
FLOOR = 0.03  # keeps the logarithms of what does not repeat finite
_LONG_S, _SHORT_S = 1.2, 0.1  # where the periods of bars and of short notes start
_LONGEST_SHARE = 0.75  # of the piece: lags beyond have too few pairs
_SEGMENT_S = 24.0  # lines are read over stretches of this length: a longer one would ask for a steadier tempo
_LEAST_LOWS = 0.02  # share of the flux below which a piece has no lows to go by
_CHANCE, _PLAIN = 0.05, 0.25  # mean autocorrelation that onsets at random stay under (60 trials), and that is no doubt
# Fitted by maximum likelihood (L2 penalty) to 292 stretches of 70 songs of three collections of game music.
_WEIGHTS = np.array([-3.222, 1.52, 2.04, 1.165, -3.053])


class Level(Struct, frozen=True):
    """The beat's level among those that the pulse allows."""

    tempo_bpm: float
    confidence: float  # 0-1
    others_bpm: tuple[float, ...]  # likeliest first, at most two
    steady: float  # 0-1: how much the piece repeats at doublings of the beat, beyond chance


def family(tempo_bpm: float) -> Array:
    """The tempos in simple ratios to this one that are played, `(n,)`."""
    tempos = tempo_bpm * _RATIOS
    return np.asarray(tempos[(tempos >= LOWEST_BPM) & (tempos <= HIGHEST_BPM)])


def autocorrelation(values: Array) -> Array:
    """Autocorrelation along the last axis, `(..., n)`: mean removed, 1 at lag 0, corrected for the overlap."""
    count = values.shape[-1]
    size = scipy.fft.next_fast_len(2 * count, real=True)
    spectrum = scipy.fft.rfft(values - values.mean(axis=-1, keepdims=True), size, axis=-1)
    raw = scipy.fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=-1)[..., :count]
    raw = np.asarray(raw / (count - np.arange(count)))
    return np.asarray(raw / np.maximum(raw[..., :1], 1e-12))


def at_lag(correlation: Array, lag: Array) -> Array:
    """Highest value within a frame of each lag; NaN where the lag is too long for the piece."""
    frames = np.arange(len(correlation))
    places = np.clip(lag[..., None] + np.array([-1.0, -0.5, 0.0, 0.5, 1.0]), 0.0, len(correlation) - 1.0)
    values = np.interp(places, frames, correlation).max(axis=-1)
    return np.asarray(np.where(lag + 1.0 < _LONGEST_SHARE * len(correlation), values, np.nan))


def capped_flux(onsets: Onsets) -> Array:
    """The bands' flux, `(3, frames)`, without the few outstanding rises that would rule its autocorrelation."""
    flux = onsets.band_flux.copy()
    for band in flux:
        if band.any():
            np.minimum(band, np.quantile(band[band > 0.0], 0.99), out=band)
    return flux


def _lines(flux: Array, frame_rate_hz: float, frequencies_hz: Array) -> Array:
    """0-1: magnitude of the flux spectrum at each frequency, mean of the bands, over stretches of the piece."""
    frames = flux.shape[1]
    turn = np.exp(-2j * np.pi * np.arange(frames)[:, None] * frequencies_hz.ravel() / frame_rate_hz)
    count = max(1, round(frames / (_SEGMENT_S * frame_rate_hz)))
    starts = np.linspace(0, frames, count, endpoint=False).astype(np.int64)
    total = np.zeros(frequencies_hz.size)
    for band in flux:
        magnitude = np.abs(np.add.reduceat(band[:, None] * turn, starts, axis=0)).sum(axis=0)
        total += magnitude / max(float(band.sum()), 1e-9) / len(flux)
    return total.reshape(frequencies_hz.shape)


def _doublings(beat_s: Array, from_s: float, count: int) -> Array:
    """The periods beat * 2^k, k whole, of the `count` octaves from `from_s` on, `(n, count)`."""
    first = beat_s * 2.0 ** np.ceil(np.log2(from_s / beat_s))
    return np.asarray(first[:, None] * 2.0 ** np.arange(count))


def _mean(rows: Array) -> Array:
    """Mean of what is known of each row, 0 where nothing is."""
    known = np.isfinite(rows)
    return np.asarray(np.where(known, rows, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1))


def evidence(onsets: Onsets, tempos_bpm: Array, *, triple: bool = False) -> tuple[Array, float]:
    """What speaks for each tempo, `(n, 5)`: common tempo, repetition, tatum, knee below, knee above; how steady.

    In a triple meter the periods of the repetition are doublings of three beats.
    """
    beat_s = 60.0 / tempos_bpm
    flux, rate = capped_flux(onsets), onsets.frame_rate_hz
    correlations = autocorrelation(flux)
    every, high = correlations.mean(axis=0), correlations[2]
    low = correlations[0] if flux[0].sum() > _LEAST_LOWS * flux.sum() else every
    bars = _doublings((3.0 if triple else 1.0) * beat_s, _LONG_S, 3)
    repeats = np.log(np.maximum(at_lag(low, rate * bars), 0.0) + FLOOR)
    short = np.log(_lines(flux, rate, 1.0 / _doublings(beat_s, _SHORT_S, 2)) + FLOOR)
    half, one, two = (at_lag(high, rate * share * beat_s) for share in (0.5, 1.0, 2.0))
    common = np.log2(tempos_bpm / _USUAL_BPM) ** 2
    out = np.stack([common, _mean(repeats), _mean(short), one - half, two - one], axis=1)
    steady = float(_mean(at_lag(every, rate * _doublings(beat_s, _LONG_S / 4.0, 5))).max())
    return np.nan_to_num(out), float(np.clip((steady - _CHANCE) / (_PLAIN - _CHANCE), 0.0, 1.0))


def _shares(scores: Array) -> Array:
    raised = np.exp(scores - scores.max())
    return np.asarray(raised / raised.sum())


def choose(
    onsets: Onsets, tempo_bpm: float, *, triple: bool = False, even: bool = False, near_bpm: float | None = None
) -> Level:
    """The beat's level among the tempos in simple ratios to `tempo_bpm`.

    Parameters
    ----------
    onsets : with their band flux
    tempo_bpm : of any level of the pulse
    triple : the meter is known to be in threes
    even : the onsets are one even pulse, whose knee is the pulse, whatever the beat
    near_bpm : only tempos within half an octave of this count, if there are any

    The confidence is the geometric mean of its likelihood and of the least that is left of it when one kind of
    evidence is taken away: what rests on one kind alone is not sure.
    """
    tempos = family(tempo_bpm)
    if near_bpm is not None:
        close = np.abs(np.log2(tempos / near_bpm)) <= 0.5
        tempos = tempos[close] if close.any() else tempos
    told_by, steady = evidence(onsets, tempos, triple=triple)
    parts = told_by * _WEIGHTS
    if even:
        parts[:, 3:] = 0.0
    shares = _shares(parts.sum(axis=1))
    order = np.argsort(-shares, kind="stable")
    best = int(order[0])
    without = [np.delete(parts, kind, axis=1).sum(axis=1) for kind in ([0], [1], [2], [3, 4])]
    least = min(float(_shares(scores)[best]) for scores in without)
    ratios = tempos[order] / tempos[best]
    told = (np.abs(ratios[:, None] / _NAMED - 1.0).min(axis=1) < 0.01) & (shares[order] >= _LEAST_LIKELY)
    others = tuple(float(tempo) for tempo in tempos[order][told][:2])
    return Level(float(tempos[best]), float(np.sqrt(shares[best] * least)), others, steady)
