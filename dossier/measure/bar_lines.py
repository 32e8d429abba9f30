"""Where bars start: the first bar line of a piece whose tempo and beat are known.

Evidence, in the unit of the first (only differences matter)
    Accent: how well the onset strengths fit a bar that starts at a given slot.  Metrical weights follow the nested
    levels of a metre (Lerdahl and Jackendoff, A Generative Theory of Tonal Music, 1983; MEM).
    Harmony: chords mostly change on bar lines (common practice, no source).  The change at a half beat is one minus the
    cosine between the mean spectra, in semitone bands, of the two beats after it and the two before.  It counts only as
    far as bars agree: by how many standard errors the strongest place stands out from the others.
    Start: music mostly starts on a bar line, and stems are exported from one (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import scipy

from dossier.measure import beat_level, rhythm
from dossier.measure.onsets import Onsets
from dossier.model.measures import Array, Samples

SNAP_S = 0.008  # a bar line this near to the start of the file is the start of the file
SOFT_SNAP_S = 0.016  # the same where attacks are soft, and read late by about their spread
_FIRST_SOUND = 0.2  # evidence that the first sound is on a bar line
_FILE_START = 0.15  # evidence that the start of the file is
_HARMONY = 0.6  # evidence of a place where all bars change their harmony
COMPOUND = ((6, 8), (9, 8), (12, 8))  # meters whose beat is a dotted quarter
_TRIPLE = 0.12  # log autocorrelation by which threes stand out: of 278 stretches in 4/4 pass 5, of one song in 3-3-2
_PLAIN = 0.8  # the same where there is no doubt
_MOST_STEPS = 256  # half beats that are looked at: 32 bars of four
_LOW_HZ, _HIGH_HZ = 80.0, 1600.0


def snap_within(spread_s: float) -> float:
    """How close to 0 s a bar line snaps to 0, given the spread of the onsets about the grid."""
    return SOFT_SNAP_S if spread_s > 0.002 else SNAP_S


def _metrical_weights(slots_per_bar: int, slots_per_beat: int) -> Array:
    """Weight of each slot of a bar: 1 for the bar, less for its half, beats, half beats and sixteenths."""
    weights = np.full(slots_per_bar, 0.1)
    weights[:: max(1, slots_per_beat // 2)] = 0.2
    weights[::slots_per_beat] = 0.45
    if slots_per_bar % (2 * slots_per_beat) == 0:
        weights[slots_per_bar // 2] = 0.7
    weights[0] = 1.0
    return weights


def _accent(onsets: Onsets, slot: Array, slots_per_bar: int, slots_per_beat: int) -> Array:
    """How well the strengths fit a bar that starts at each slot, 0-1."""
    total = onsets.strengths / onsets.strengths.sum()
    if onsets.low_strengths.sum() > 0.0:
        total = 0.5 * total + 0.5 * onsets.low_strengths / onsets.low_strengths.sum()
    profile = np.zeros(slots_per_bar)
    np.add.at(profile, np.mod(slot, slots_per_bar), total)
    weights = _metrical_weights(slots_per_bar, slots_per_beat)
    return np.array([float((np.roll(profile, -start) * weights).sum()) for start in range(slots_per_bar)])


def _spectra(two: Samples, rate_hz: int, peak: float, first_s: float, step_s: float, count: int) -> Array:
    """Spectra of `count` steps from `first_s` on, in semitone bands, each a unit vector (zero for silence)."""
    length = max(16, int(step_s * rate_hz))
    size = scipy.fft.next_fast_len(length)
    bands = int(12 * np.log2(_HIGH_HZ / _LOW_HZ)) + 1
    edges = np.round(_LOW_HZ * 2.0 ** (np.arange(bands + 1) / 12.0) * size / rate_hz).astype(np.int64)
    edges = np.unique(np.clip(edges, 1, size // 2 - 1))
    shape = np.hanning(length).astype(np.float32)
    out = np.zeros((count, max(1, len(edges) - 1)))
    for index in range(count):
        start = round((first_s + index * step_s) * rate_hz)
        piece = two[max(0, start) : max(0, start + length)]
        if len(piece) < length // 2 or len(edges) < 2:
            continue
        signal = np.zeros(size, dtype=np.complex64)
        signal.real[: len(piece)] = piece[:, 0] * shape[: len(piece)]
        if two.shape[1] > 1:
            signal.imag[: len(piece)] = piece[:, 1] * shape[: len(piece)]
        signal *= np.float32(1.0 / peak)
        spectrum = scipy.fft.fft(signal, overwrite_x=True)
        forward, back = spectrum[: edges[-1]], spectrum[: size - edges[-1] : -1]
        power = forward.real**2 + forward.imag**2
        power[1:] += back.real**2 + back.imag**2
        level = np.sqrt(np.sqrt(np.add.reduceat(power, edges[:-1]).astype(np.float64)))
        norm = float(np.sqrt((level**2).sum()))
        if norm > 1e-3:
            out[index] = level / norm
    return out


def harmony(two: Samples, rate_hz: int, onsets: Onsets, *, first_s: float, step_s: float, steps_per_bar: int) -> Array:
    """Evidence, 0-1, that bars start at each step of a bar counted from `first_s`; all 0 where there is none."""
    nothing = np.zeros(steps_per_bar)
    count = min(_MOST_STEPS, int((onsets.last_sound_s - first_s) / step_s))
    if count < 3 * steps_per_bar:
        return nothing
    spectra = _spectra(two, rate_hz, onsets.peak, first_s, step_s, count)
    reach = 4
    total = np.concatenate([np.zeros((1, spectra.shape[1])), np.cumsum(spectra, axis=0)])
    here = np.arange(reach, count - reach + 1)
    after, before = total[here + reach] - total[here], total[here] - total[here - reach]
    lengths = np.sqrt((after**2).sum(axis=1) * (before**2).sum(axis=1))
    sounding = lengths > 1e-6
    change = np.where(sounding, 1.0 - (after * before).sum(axis=1) / np.maximum(lengths, 1e-6), 0.0)
    place = here % steps_per_bar
    groups = [change[(place == k) & sounding] for k in range(steps_per_bar)]
    if min(len(group) for group in groups) < 2:
        return nothing
    means = np.array([group.mean() for group in groups])
    error = np.sqrt(np.mean([group.var(ddof=1) / len(group) for group in groups])) + 0.002
    best = int(means.argmax())
    others = np.delete(means, [(best + k) % steps_per_bar for k in (-1, 0, 1)])
    distance = float(means[best] - others.max()) / float(error)
    sure = float(np.clip((distance - 2.0) / 3.0, 0.0, 1.0))
    return np.asarray(
        sure * np.clip((means - means.min()) / max(float(means.max() - means.min()), 1e-9), 0.0, 1.0) ** 2
    )


def meter(onsets: Onsets, tempo_bpm: float) -> tuple[tuple[int, int], float]:
    """4/4, 3/4 or 6/8 by what repeats, and a confidence, 0-1; 0 where neither threes nor fours stand out.

    The flux's autocorrelation at 3 and 9 quarters stands against that at 4 and 8, of all bands and, which must agree
    for a triple meter, of the lows.  Of triple ones, 6/8 repeats after dotted quarters better than after quarters.
    """
    correlations = beat_level.autocorrelation(beat_level.capped_flux(onsets))
    if correlations.shape[1] < 10:
        return (4, 4), 0.0
    # Smoothed over five frames: a sharp peak between two frames would else count less than one on a frame.
    tracks = [np.convolve(track, np.full(5, 0.2), "same") for track in (correlations.mean(axis=0), correlations[0])]
    step = onsets.frame_rate_hz * 60.0 / tempo_bpm

    def repeats(quarters: tuple[float, float]) -> Array:
        found = np.array([beat_level.at_lag(track, step * np.array(quarters)) for track in tracks])
        return np.asarray(np.log(np.maximum(found, 0.0) + beat_level.FLOOR).mean(axis=1))

    every, low = repeats((3.0, 9.0)) - repeats((4.0, 8.0))
    if not np.isfinite(every + low):
        return (4, 4), 0.0
    if every > _TRIPLE and low > 0.0:
        dotted = repeats((1.5, 4.5))[0] > repeats((1.0, 2.0))[0]
        return ((6, 8) if dotted else (3, 4)), float(np.clip(every / _PLAIN, 0.0, 1.0))
    return (4, 4), float(np.clip(-every / _PLAIN, 0.0, 1.0)) if every < -_TRIPLE else 0.0


def first_bar_line(
    samples: Samples, rate_hz: int, onsets: Onsets, fit: rhythm.GridFit, meter: tuple[int, int]
) -> tuple[float, float]:
    """Time in seconds of the first bar line at or after the start of the music, and a confidence, 0-1.

    `samples` is `(frames, channels)`; `onsets` (at least one) and `fit` (tempo, beat, swing) describe the same signal;
    `meter` is the beats of a bar and their note value.
    """
    slots_per_bar = meter[0] * 16 // meter[1]
    slots_per_beat = 16 // meter[1] if slots_per_bar % (16 // meter[1]) == 0 else 4
    beat_s = 60.0 / fit.tempo_bpm
    slot_s = beat_s / 4.0
    bar_s = slots_per_bar * slot_s
    beats = (onsets.times_s - fit.beat_s) / beat_s
    places = rhythm.positions(fit.swing, fit.swing_beats)
    edges = np.concatenate([places - 1.0, places, places + 1.0])
    within = np.mod(beats, 1.0)
    slot = (4 * np.floor(beats)).astype(np.int64) + np.abs(within[:, None] - edges).argmin(axis=1) - 4
    score = _accent(onsets, slot, slots_per_bar, slots_per_beat)

    if slots_per_bar % 2 == 0:
        # Search from the first bar start, as `fit.beat_s` counts bars, at or after the start of the file.
        whole_bars = np.ceil(-fit.beat_s / bar_s)
        from_s = fit.beat_s + whole_bars * bar_s
        steps = slots_per_bar // 2
        evidence = harmony(samples, rate_hz, onsets, first_s=from_s, step_s=2 * slot_s, steps_per_bar=steps)
        score[::2] += _HARMONY * evidence

    # In swung pairs only a slot that is not late can start a bar.
    straight = [k for k in range(4) if abs(places[k] - k / 4.0) < 0.045]
    allowed = np.array([(start % 4) in straight for start in range(slots_per_bar)])
    loud = onsets.strengths >= 0.2 * onsets.strengths.max()
    score[int(slot[loud][0]) % slots_per_bar] += _FIRST_SOUND
    zero_slot = -fit.beat_s / slot_s
    if abs(zero_slot - round(zero_slot)) * slot_s < snap_within(fit.spread_s):
        score[round(zero_slot) % slots_per_bar] += _FILE_START
    score = np.where(allowed, score, -1.0)
    start = int(np.argmax(score))
    ranked = np.sort(score)[::-1]
    confidence = float(np.clip((ranked[0] - ranked[1]) / 0.2, 0.0, 1.0)) if len(ranked) > 1 else 0.0

    line_s = fit.beat_s + start * slot_s
    first_s = float(onsets.times_s[loud][0])
    line_s += bar_s * np.floor((first_s - line_s) / bar_s + 0.5 * slot_s / bar_s)
    # `line_s` is now the bar line at or before the first sound.  If that bar begins before the file does, or is empty
    # for its first half, what sounds in it is a pickup: the music's first bar line is the next one.
    late = first_s - line_s > 0.5 * bar_s + 0.5 * slot_s
    if line_s < -max(SNAP_S, 0.5 * slot_s) or late:
        line_s += bar_s
    return float(line_s), confidence
