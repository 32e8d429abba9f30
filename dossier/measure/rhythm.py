"""Tempo, beat phase and swing from onsets: what `grid` asks of an instrumental and `loops` of a drum loop.

Conventions
    Frequencies of beats in Hz, tempos in beats (quarter notes) a minute, times in seconds.  A slot is a sixteenth.
    Swing = first / (first + second) of a pair of eighths or of sixteenths: 0.5 straight, 2/3 triplet.

Method
    A candidate beat frequency f is scored by (a) how well the onsets line up with f and its subdivisions: the magnitude
    of the onset train's Fourier transform at f, 2f and 4f, or 3f and 6f for triplets; (b) the autocorrelation of the
    spectral flux at one, two and four beats; (c) how many of its beats carry an onset; (d) a log-normal prior, as in
    Ellis, J. New Music Research 36(1), 2007 (MEM), here around 105 BPM.  The whole-file transform has a line width of
    one over the duration, so the tempo is read far more finely than from a beat tracker's frames; a robust least
    squares fit of the onsets to the grid then gives tempo and phase together.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import scipy
from msgspec import Struct
from msgspec.structs import replace

from dossier.measure.onsets import Onsets
from dossier.model.measures import Array

LOWEST_BPM, HIGHEST_BPM = 50.0, 220.0  # plausible tempos; common practice, no source
PULSE_LOWEST_BPM, PULSE_HIGHEST_BPM = 58.0, 185.0  # an even pulse with nothing between is itself the beat
_FAST_PULSE_BPM = 130.0
PRIOR_BPM, PRIOR_OCTAVES = 105.0, 1.0
_STEP_S = 0.002  # resolution of the onset train
_SPREAD_S = 0.010  # half width of 'on the grid'
_PHASES = 192  # phase bins a beat
MIN_ONSETS = 4
SIMPLE_RATIOS = (1.0, 2.0, 1 / 2, 3.0, 1 / 3, 3 / 2, 2 / 3, 4 / 3, 3 / 4, 4.0, 1 / 4)  # readings of one pulse
_WINDOW_S, _HOP_S = 10.0, 5.0  # a tempo that changes is looked for in windows of this length
_LEAST_IN_WINDOW = 12  # onsets
_EXPLAINED, _UNEXPLAINED = 0.85, 0.7  # share of a window's best alignment
_MOST_TEMPOS = 4
_CONTRADICTED = 0.6  # share of the best alignment below which a stated tempo is not the music's
_NEAR = 0.012  # a tempo that is known to be likely may be off by this share: a rounded number in a name


class GridFit(Struct, frozen=True):
    """A steady grid fitted to onsets."""

    tempo_bpm: float
    beat_s: float  # time of one beat; the others follow at 60 / tempo_bpm to either side
    confidence: float  # 0-1: share of onset strength on the grid, less what chance would put there
    swing: float
    swing_beats: float  # length of the swung pair: 1.0 eighths, 0.5 sixteenths
    swing_confidence: float
    spread_s: float  # median distance of onsets from the grid
    pulse_bpm: float | None = None  # rate of the onsets where they are one even pulse and nothing else


def at(values: Array, index: Array) -> Array:
    """Linear interpolation of `values` at fractional positions, held at the ends."""
    place = np.clip(index, 0.0, len(values) - 1.001)
    whole = place.astype(np.int64)
    part = place - whole
    return values[whole] * (1.0 - part) + values[whole + 1] * part


class _Train:
    """The onsets as an impulse train, and its spectrum."""

    def __init__(self, onsets: Onsets) -> None:
        self.times = onsets.times_s
        self.weights = np.sqrt(onsets.strengths / onsets.strengths.max())
        self.span_s = float(self.times[-1] - self.times[0])
        count = int(self.times[-1] / _STEP_S) + 3
        train = np.zeros(count)
        place = self.times / _STEP_S
        whole = place.astype(np.int64)
        np.add.at(train, whole, self.weights * (1.0 - (place - whole)))
        np.add.at(train, whole + 1, self.weights * (place - whole))
        size = scipy.fft.next_fast_len(max(4 * count, 1 << 15), real=True)
        self.spectrum: Array = np.abs(scipy.fft.rfft(train, size)) / self.weights.sum()
        self.bin_hz = 1.0 / (size * _STEP_S)

    def line(self, frequency_hz: Array) -> Array:
        """0-1: how well the onsets line up with a pulse of this frequency."""
        return at(self.spectrum, frequency_hz / self.bin_hz)


def _autocorrelation(onsets: Onsets) -> Array:
    centred = onsets.flux - onsets.flux.mean()
    size = scipy.fft.next_fast_len(2 * len(centred), real=True)
    spectrum = scipy.fft.rfft(centred, size)
    raw = scipy.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: len(centred)]
    raw = raw / (len(centred) - np.arange(len(centred)))
    return np.asarray(raw / raw[0])


def _alignment(train: _Train, beat_hz: Array) -> Array:
    one, two, three, four, six = (train.line(k * beat_hz) for k in (1, 2, 3, 4, 6))
    return np.asarray(0.5 * one + np.maximum(two + four, three + six))


def _repetition(correlation: Array, frame_rate_hz: float, beat_hz: Array) -> Array:
    total = np.zeros_like(beat_hz)
    for beats, weight in ((1.0, 1.0), (2.0, 0.5), (4.0, 1.0)):
        lag = beats * frame_rate_hz / beat_hz
        near = np.maximum.reduce([at(correlation, lag + shift) for shift in (-1.0, 0.0, 1.0)])
        total += weight * np.where(lag < 0.6 * len(correlation), np.maximum(near, 0.0), 0.0)
    return total


def _covered(train: _Train, beat_hz: float) -> float:
    """Share of beats that carry an onset, at the best phase."""
    beats = train.times * beat_hz
    whole = int(beats[-1] - beats[0]) + 1
    best = 0
    for phase in np.arange(24) / 24.0:
        near = np.round(beats - phase)
        hit = np.abs(beats - phase - near) < 0.03 * beat_hz
        best = max(best, len(np.unique(near[hit])))
    return min(1.0, best / whole)


def prior(tempo_bpm: Array | float) -> Array:
    """Log-normal preference among tempos; 1 at `PRIOR_BPM`."""
    return np.asarray(np.exp(-0.5 * (np.log2(np.asarray(tempo_bpm) / PRIOR_BPM) / PRIOR_OCTAVES) ** 2))


def _candidates(train: _Train, onsets: Onsets) -> list[tuple[float, float]]:
    """(score, beat_hz), best first."""
    step = min(0.25 / max(train.span_s, 0.5), 0.005)
    beat_hz = np.arange(LOWEST_BPM / 60.0, HIGHEST_BPM / 60.0, step)
    correlation = _autocorrelation(onsets)
    score = _alignment(train, beat_hz) + _repetition(correlation, onsets.frame_rate_hz, beat_hz)
    score *= prior(60.0 * beat_hz)
    chosen: list[int] = []
    for index in np.argsort(-score, kind="stable"):
        if all(abs(np.log(beat_hz[index] / beat_hz[other])) > 0.02 for other in chosen):
            chosen.append(int(index))
        if len(chosen) == 8:
            break
    rated = [(float(score[i]) * (0.3 + 0.7 * _covered(train, float(beat_hz[i]))), float(beat_hz[i])) for i in chosen]
    return sorted(rated, reverse=True)


def _even_pulse(train: _Train) -> float | None:
    """Frequency of the pulse where the onsets are one even pulse and nothing else, else None."""
    steps = np.diff(train.times)
    if len(steps) < 4:
        return None
    typical = float(np.median(steps))
    if np.mean(np.abs(steps - typical) < max(0.012, 0.03 * typical)) < 0.85:
        return None
    return 1.0 / typical


def _in_pairs(train: _Train, pulse_hz: float) -> bool:
    """Whether every second stroke of a fast even pulse is the stronger: then the pulse is eighths."""
    half, quarter = train.line(pulse_hz * np.array([0.5, 0.25]))
    return bool(60.0 * pulse_hz > _FAST_PULSE_BPM and half > 0.08 and half > 1.3 * quarter)


def _sharpen(train: _Train, beat_hz: float, share: float) -> float:
    """The frequency within this share of `beat_hz` (or a line's width) at which the onsets line up best."""
    reach = max(0.6 / max(train.span_s, 0.5), share * beat_hz)
    near = np.linspace(beat_hz - reach, beat_hz + reach, 1 + 2 * int(100 + 10 * reach * train.span_s))
    return float(near[np.argmax(_alignment(train, near))])


def positions(swing: float, swing_beats: float) -> Array:
    """Phases of the four slots of a beat, in beats."""
    if swing_beats == 1.0:
        return np.array([0.0, swing / 2.0, swing, (1.0 + swing) / 2.0])
    return np.array([0.0, swing / 2.0, 0.5, 0.5 + swing / 2.0])


_RANKS = np.array([1.0, 0.6, 0.8, 0.6])  # a beat counts more than its half, that more than the sixteenths between


_FIRST_ON_BEAT = 0.1  # music and its file mostly start on a beat: it settles what the pattern alone leaves open
_LEAST_SWING, _MOST_SWING = 0.485, 0.73  # what is played; common practice, no source
_SWUNG_COST = 0.03  # a swung grid has one more freedom than a straight one, and must be clearly better


def _start(train: _Train) -> float:
    """Time of the first onset that is not faint."""
    return float(train.times[np.argmax(train.weights > 0.45)])


def _hypotheses(train: _Train, beat_hz: float, swing: float | None) -> list[tuple[float, float, float]]:
    """(beat phase in beats, swing, length of the swung pair): the best of each kind, for a closer look."""
    folded = np.zeros(_PHASES)
    np.add.at(folded, np.round(train.times * beat_hz * _PHASES).astype(np.int64) % _PHASES, train.weights)
    width = max(1.0, 0.5 * _SPREAD_S * beat_hz * _PHASES)
    distance = np.minimum(np.arange(_PHASES), _PHASES - np.arange(_PHASES))
    kernel = np.exp(-0.5 * (distance / width) ** 2)
    near = np.fft.irfft(np.fft.rfft(folded) * np.fft.rfft(kernel), _PHASES) / float(train.weights.sum())
    start = np.roll(kernel, round(_start(train) * beat_hz * _PHASES) % _PHASES)
    phases = np.arange(_PHASES)
    found: dict[tuple[float, float, float], None] = {}
    ratios = [[swing]] if swing is not None else [[0.5], list(np.arange(0.52, 0.725, 0.01))]
    for pair in (0.5, 1.0):
        for kind in ratios:
            slots = np.round([positions(ratio, pair) * _PHASES for ratio in kind]).astype(np.int64)
            index = phases[:, None] + slots[:, None]
            score = near[index % _PHASES] @ _RANKS  # (ratios, phases)
            for bonus in (0.0, 0.3):
                best = np.unravel_index(int((score + bonus * start).argmax()), score.shape)
                found[(float(best[1]) / _PHASES, float(kind[int(best[0])]), pair)] = None
    return list(found)


def _solve(train: _Train, beat_hz: float, phase: float, slots: Array, *, fixed: bool) -> tuple[float, float]:
    """Robust least squares of onset times on grid positions: beat frequency and time of beat 0."""
    offset = phase / beat_hz
    for tolerance in (0.25, 0.15, 0.1, 0.1):
        beats = (train.times - offset) * beat_hz
        choices = np.floor(beats)[:, None] + np.concatenate([slots - 1.0, slots, slots[:1] + 1.0])
        nearest = choices[np.arange(len(beats)), np.abs(choices - beats[:, None]).argmin(axis=1)]
        miss = np.abs(beats - nearest)
        # Closer onsets count more (a soft edge, so that no onset drops in or out at once).
        weight = train.weights * np.exp(-0.5 * (miss / (0.5 * tolerance)) ** 2) * (miss < tolerance)
        if weight.sum() <= 0.0:
            break
        mean_beat = np.average(nearest, weights=weight)
        mean_time = np.average(train.times, weights=weight)
        if not fixed:
            variance = np.average((nearest - mean_beat) ** 2, weights=weight)
            if variance > 0.25:
                covariance = np.average((nearest - mean_beat) * (train.times - mean_time), weights=weight)
                period = covariance / variance
                if 0.98 < period * beat_hz < 1.02:
                    beat_hz = 1.0 / period
        offset = mean_time - mean_beat / beat_hz
    return beat_hz, float(offset)


def _swing_of(train: _Train, beat_hz: float, offset: float, swing: float, pair: float) -> tuple[float, float]:
    """Swing read from the onsets between the pairs' firsts, and how sure it is."""
    within = ((train.times - offset) * beat_hz / pair) % 1.0
    near = np.abs(within - swing) < 0.09
    if pair == 1.0 and abs(swing - 0.5) < 0.02:
        near = np.zeros(len(within), dtype=bool)
    if near.sum() < 3:
        return swing, 0.0
    order = np.argsort(within[near], kind="stable")
    weights = train.weights[near][order]
    total = np.cumsum(weights)
    ratio = float(within[near][order][np.searchsorted(total, 0.5 * total[-1])])
    spread = float(np.median(np.abs(within[near] - ratio))) * pair / beat_hz
    sure = min(1.0, near.sum() / 12.0) * float(np.exp(-((spread / 0.015) ** 2)))
    return ratio, sure


def _quality(train: _Train, beat_hz: float, offset: float, slots: Array, pulse: bool) -> tuple[float, float, float]:
    """Score among phases and swings, confidence that there is a grid at all, median distance from it."""
    beats = ((train.times - offset) * beat_hz) % 1.0
    distances = np.abs(beats[:, None] - np.append(slots, 1.0)) / beat_hz
    miss = distances.min(axis=1)
    tolerance = min(0.02, 0.12 * 0.25 / beat_hz)
    share = float(train.weights[miss < tolerance].sum() / train.weights.sum())
    chance = 8.0 * tolerance * beat_hz
    # The search picks the luckiest of many grids: allow for three standard deviations of a chance result and more
    # where there are few onsets.
    lucky = chance + (3.0 + 10.0 / len(beats)) * np.sqrt(chance * (1.0 - chance) / len(beats))
    confidence = float(np.clip((share - min(lucky, 0.9)) / (1.0 - min(lucky, 0.9)), 0.0, 1.0))
    # Onsets at random give a spectrum whose squares are exponentially distributed with mean 1 / n: their largest value
    # over a band of m independent lines is about ln(m) / n.  `beyond` is how many times that the grid's line reaches.
    count = float(train.weights.sum() ** 2 / (train.weights**2).sum())
    line = max(float(train.line(np.array([k * beat_hz]))[0]) for k in (1, 2, 3, 4))
    beyond = line * line * count / np.log(10.0 + 150.0 * train.span_s)
    if not pulse:
        confidence *= min(1.0, beyond / 1.2) ** 4
    confidence = max(confidence, float(np.clip((beyond - 1.5) / 1.5, 0.0, 0.8)))
    ranks = np.append(_RANKS, 1.0)[distances.argmin(axis=1)]
    score = float((train.weights * ranks * np.exp(-0.5 * (miss / (0.6 * tolerance)) ** 2)).sum() / train.weights.sum())
    first = abs((_start(train) - offset) * beat_hz - round((_start(train) - offset) * beat_hz)) / beat_hz
    return score + _FIRST_ON_BEAT * (first < 2.0 * tolerance), confidence, float(np.median(miss))


def fit(
    onsets: Onsets, *, tempo_bpm: float | None = None, swing: float | None = None, near_bpm: Sequence[float] = ()
) -> GridFit | None:
    """GridFit a steady grid to onsets.

    Parameters
    ----------
    onsets : from `onsets.detect`
    tempo_bpm : hold the tempo at this and fit only phase and swing
    swing : hold the swing
    near_bpm : tempos that are known to be likely: the best of them is taken and refined, within 1.2 %

    Returns
    -------
    GridFit or None : None with fewer than `MIN_ONSETS` onsets, or all of them within half a second and no tempo given.
    """
    if len(onsets.times_s) < (1 if tempo_bpm else MIN_ONSETS):
        return None
    train = _Train(onsets)
    if tempo_bpm is None and train.span_s < 0.5:
        return None
    pulse = _even_pulse(train)
    if tempo_bpm is not None:
        beat_hz = tempo_bpm / 60.0
    elif near_bpm:
        options = np.asarray(near_bpm) / 60.0
        rating = _alignment(train, options) + _repetition(_autocorrelation(onsets), onsets.frame_rate_hz, options)
        beat_hz = _sharpen(train, float(options[int(np.argmax(rating * prior(60.0 * options)))]), _NEAR)
    else:
        beat_hz = _candidates(train, onsets)[0][1]
        if pulse is not None:
            beat_hz = 0.5 * pulse if _in_pairs(train, pulse) else pulse
            while beat_hz * 60.0 > PULSE_HIGHEST_BPM:
                beat_hz /= 2.0
            while beat_hz * 60.0 < PULSE_LOWEST_BPM:
                beat_hz *= 2.0
        beat_hz = _sharpen(train, beat_hz, 0.004)
    best: tuple[float, GridFit] | None = None
    for phase, ratio, pair in _hypotheses(train, beat_hz, swing):
        exact_hz, offset = _solve(train, beat_hz, phase, positions(ratio, pair), fixed=tempo_bpm is not None)
        measured, sure = _swing_of(train, exact_hz, offset, ratio, pair)
        if swing is None and sure > 0.0:
            ratio = measured
            slots = positions(ratio, pair)
            exact_hz, offset = _solve(train, exact_hz, offset * exact_hz, slots, fixed=tempo_bpm is not None)
        score, confidence, spread = _quality(train, exact_hz, offset, positions(ratio, pair), pulse is not None)
        if abs(ratio - 0.5) > 0.015:
            score -= _SWUNG_COST if _LEAST_SWING < ratio < _MOST_SWING else 5.0 * _SWUNG_COST
        made = GridFit(60.0 * exact_hz, offset, confidence, ratio, pair, sure, spread, pulse and 60.0 * pulse)
        if best is None or score > best[0] + 1e-9:
            best = score, made
    return None if best is None else best[1]


def in_threes(onsets: Onsets, fit: GridFit) -> bool:
    """Whether all thirds of the beat strike, and next to nothing between them: a beat of three eighths, no swing."""
    beats = (onsets.times_s - fit.beat_s) * fit.tempo_bpm / 60.0
    weights = np.sqrt(np.minimum(onsets.strengths, np.quantile(onsets.strengths, 0.95)))

    def share(phase: float) -> float:
        near = np.abs((beats - phase + 0.5) % 1.0 - 0.5) < 0.05
        return float(weights[near].sum() / weights.sum())

    second, third = share(1.0 / 3.0), share(2.0 / 3.0)
    between = max(share(0.25), share(0.5), share(0.75))
    return min(second, third) > max(0.15, 0.6 * max(second, third), 3.0 * between)


class TempoSection(Struct, frozen=True):
    """A stretch of one tempo."""

    start_s: float
    end_s: float
    tempo_bpm: float


def _supports(curve: Array, beat_hz: Array, tempo_hz: float) -> Array:
    """Best alignment, a window, within 0.8 % of a tempo or of one in a simple ratio to it; `curve` is (windows, n)."""
    near = np.zeros(len(beat_hz), dtype=bool)
    for ratio in SIMPLE_RATIOS:
        near |= np.abs(beat_hz / (ratio * tempo_hz) - 1.0) < 0.008
    return np.asarray(curve[:, near].max(axis=1))


def sections(onsets: Onsets) -> list[TempoSection]:
    """Stretches of different tempos; one where the tempo holds, none where the piece is too short to tell.

    Windows of 10 s, every 5 s, are explained by as few tempos as will do.  A tempo counts as another only where two
    windows in a row are explained by it and not by the first, and no simple ratio links the two.
    """
    count = int((onsets.duration_s - _WINDOW_S) / _HOP_S) + 1
    beat_hz = np.arange(LOWEST_BPM / 60.0, HIGHEST_BPM / 60.0, 0.004)
    starts, curves = [], []
    for start in _HOP_S * np.arange(count):
        first, end = np.searchsorted(onsets.times_s, (start, start + _WINDOW_S))
        if end - first >= _LEAST_IN_WINDOW:
            piece = replace(onsets, times_s=onsets.times_s[first:end] - start, strengths=onsets.strengths[first:end])
            starts.append(float(start))
            curves.append(_alignment(_Train(piece), beat_hz))
    if len(curves) < 2:
        return []
    curve = np.stack(curves)
    highest = curve.max(axis=1)
    shared = float(beat_hz[int((curve / highest[:, None]).mean(axis=0).argmax())])
    tempos = [shared, *(float(beat_hz[index]) for index in curve.argmax(axis=1))]
    support = np.stack([_supports(curve, beat_hz, tempo) / highest for tempo in tempos])  # (tempos, windows)
    chosen = [int((support > _EXPLAINED).sum(axis=1).argmax())]
    label = np.zeros(len(curves), dtype=np.int64)
    for _ in range(_MOST_TEMPOS - 1):
        open_ = support[chosen].max(axis=0) < _UNEXPLAINED
        gain = (support > _EXPLAINED) & open_
        runs = (gain[:, 1:] & gain[:, :-1]).sum(axis=1)
        if not runs.any():
            break
        chosen.append(int(runs.argmax()))
    label = support[chosen].argmax(axis=0)
    for index in range(1, len(label) - 1):  # a window across a change fits neither tempo: it goes with its neighbour
        if label[index - 1] != label[index] != label[index + 1]:
            label[index] = label[index - 1]
    edges = [0, *(np.flatnonzero(np.diff(label)) + 1), len(label)]
    out: list[TempoSection] = []
    for first, end in pairwise(edges):
        mine = curve[first:end].mean(axis=0)
        near = np.abs(beat_hz / tempos[chosen[label[first]]] - 1.0) < 0.01
        tempo = float(beat_hz[near][mine[near].argmax()])
        while out and not 0.7 < tempo * 60.0 / out[0].tempo_bpm < 1.42:
            tempo *= 0.5 if tempo * 60.0 > out[0].tempo_bpm else 2.0
        from_s = 0.0 if first == 0 else 0.5 * (starts[first - 1] + starts[first] + _WINDOW_S)
        to_s = onsets.duration_s if end == len(label) else 0.5 * (starts[end - 1] + starts[end] + _WINDOW_S)
        out.append(TempoSection(from_s, to_s, 60.0 * tempo))
    return out


def contradicts(onsets: Onsets, tempo_bpm: float) -> bool:
    """Whether the onsets plainly keep a steady tempo that is neither this one nor in a simple ratio to it."""
    if len(onsets.times_s) < _LEAST_IN_WINDOW:
        return False
    train = _Train(onsets)
    beat_hz = np.arange(LOWEST_BPM / 60.0, HIGHEST_BPM / 60.0, min(0.1 / max(train.span_s, 0.5), 0.004))
    curve = _alignment(train, beat_hz)
    near = np.zeros(len(beat_hz), dtype=bool)
    for ratio in SIMPLE_RATIOS:
        near |= np.abs(60.0 * beat_hz / (ratio * tempo_bpm) - 1.0) < _NEAR
    return bool(curve[near].max() < _CONTRADICTED * curve.max())
