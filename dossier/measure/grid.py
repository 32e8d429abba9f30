"""The beat's grid of slots: tempo, first downbeat, swing, bars.

Conventions
    Tempo in quarter notes a minute; a slot is a sixteenth; times in seconds from the start of the stems.  Swing is
    first / (first + second) of a pair, 0.5 straight, 2/3 triplet; whether it is a swing of eighths or of sixteenths
    stands in the notes.  What the user states is taken as it is; what is estimated carries a confidence from 0 to 1
    that is the share of onset strength on the grid beyond what chance would put there.

Order of sources
    The argument (beat.toml), else a tempo in the stems' file names, else the estimate; where no steady tempo is found,
    sixteenths of 120 with a plain warning.

References
    `dossier.measure.onsets` and `dossier.measure.rhythm` hold the methods.  Metrical weights of the slots of a bar
    follow the nested levels of a metre (Lerdahl and Jackendoff, A Generative Theory of Tonal Music, 1983; MEM).
    That stems are exported from a bar line is common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from dossier.measure import rhythm
from dossier.measure.names import tempo_from_name
from dossier.measure.onsets import Onsets, detect
from dossier.model.measures import Array, Grid, Samples

__all__ = ["estimate", "tempo_from_name"]

FALLBACK_BPM = 120.0
STEADY = 0.25  # confidence below which no steady tempo is claimed; onsets at random reach 0.11 in 200 trials
SNAP_S = 0.008  # a bar line this near to the start of the file is the start of the file
_SOFT_SNAP_S = 0.016  # the same where attacks are soft, and read late by about their spread
_FIRST_SOUND = 0.2  # evidence that the first sound is on a bar line, in the unit of `_accent`
_FILE_START = 0.15  # evidence that the start of the file is


def _metrical_weights(slots_per_bar: int, slots_per_beat: int) -> Array:
    """Weight of each slot of a bar: 1 the bar, then halves of it, beats, half beats, sixteenths."""
    weights = np.full(slots_per_bar, 0.1)
    weights[:: max(1, slots_per_beat // 2)] = 0.2
    weights[::slots_per_beat] = 0.45
    if slots_per_bar % (2 * slots_per_beat) == 0:
        weights[slots_per_bar // 2] = 0.7
    weights[0] = 1.0
    return weights


def _accent(onsets: Onsets, slot: Array, slots_per_bar: int, slots_per_beat: int) -> Array:
    """For each slot of the bar: how well the strengths fit a bar that starts there (0-1, differences matter)."""
    total = onsets.strengths / onsets.strengths.sum()
    if onsets.low_strengths.sum() > 0.0:
        total = 0.5 * total + 0.5 * onsets.low_strengths / onsets.low_strengths.sum()
    profile = np.zeros(slots_per_bar)
    np.add.at(profile, np.mod(slot, slots_per_bar), total)
    weights = _metrical_weights(slots_per_bar, slots_per_beat)
    return np.array([np.dot(np.roll(profile, -start), weights) for start in range(slots_per_bar)])


def _bar_start(onsets: Onsets, fit: rhythm.Fit, meter: tuple[int, int]) -> tuple[float, float]:
    """Time of the first bar line at or after the start of the music, and a confidence."""
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
    # Where the pairs are swung, only a slot that is not late can start a bar.
    straight = [k for k in range(4) if abs(places[k] - k / 4.0) < 0.045]
    allowed = np.array([(start % 4) in straight for start in range(slots_per_bar)])
    loud = onsets.strengths >= 0.2 * onsets.strengths.max()
    first_slot = int(slot[loud][0]) % slots_per_bar
    score[first_slot] += _FIRST_SOUND
    zero_slot = -fit.beat_s / slot_s
    if abs(zero_slot - round(zero_slot)) * slot_s < _snap(fit.spread_s):
        score[round(zero_slot) % slots_per_bar] += _FILE_START
    score = np.where(allowed, score, -1.0)
    start = int(np.argmax(score))
    ranked = np.sort(score)[::-1]
    confidence = float(np.clip((ranked[0] - ranked[1]) / 0.2, 0.0, 1.0))
    line_s = fit.beat_s + start * slot_s
    first_s = float(onsets.times_s[loud][0])
    line_s += bar_s * np.floor((first_s - line_s) / bar_s + 0.5 * slot_s / bar_s)
    # `line_s` is now the bar line at or before the first sound.  A bar that the file does not hold, or that is empty
    # for its first half, is a pickup: the music's first bar line is the next one.
    late = first_s - line_s > 0.5 * bar_s + 0.5 * slot_s
    if line_s < -max(SNAP_S, 0.5 * slot_s) or late:
        line_s += bar_s
    return float(line_s), confidence


def _snap(spread_s: float) -> float:
    return _SOFT_SNAP_S if spread_s > 0.002 else SNAP_S


def _snapped(time_s: float, spread_s: float) -> float:
    """Exactly 0 where the estimate cannot tell it from 0 (an onset is read late by up to its attack)."""
    return 0.0 if time_s < _snap(spread_s) else time_s


def _bars(onsets: Onsets, first_s: float, bar_s: float, slot_s: float) -> int:
    """Bars from the first downbeat to the end of the sound; a last part counts from more than a slot of sound."""
    length = onsets.last_sound_s - first_s
    if length <= 0.0:
        return 0
    whole = int(np.floor(length / bar_s + 1e-6))
    return max(1, whole + (length - whole * bar_s > slot_s + 1e-6))


def _named_tempo(names: Sequence[str], notes: list[str]) -> float | None:
    stated = Counter(tempo for tempo in map(tempo_from_name, names) if tempo is not None)
    if not stated:
        return None
    best = max(stated, key=lambda tempo: (stated[tempo], -tempo))
    if len(stated) > 1:
        others = ", ".join(f"{tempo:g}" for tempo in sorted(stated) if tempo != best)
        notes.append(f"File names state more than one tempo: {best:g} BPM was taken, not {others}.")
    return best


def _check_stated(onsets: Onsets, tempo_bpm: float, notes: list[str]) -> bool:
    """Note where the onsets fit another tempo than the stated one; True if they drift against it."""
    free = rhythm.fit(onsets, near_bpm=[tempo_bpm])
    if free is None or free.confidence < 0.5:
        return False
    drift_s = abs(free.tempo_bpm / tempo_bpm - 1.0) * onsets.duration_s
    if drift_s < 0.25 * 15.0 / tempo_bpm or abs(free.tempo_bpm / tempo_bpm - 1.0) > 0.02:
        return False
    notes.append(
        f"The onsets fit {free.tempo_bpm:.2f} BPM better than the stated {tempo_bpm:g}: "
        f"the grid drifts by {drift_s:.2f} s over the length of the stems."
    )
    return True


def _early(onsets: Onsets, until_s: float) -> Onsets:
    kept = onsets.times_s <= max(until_s, float(onsets.times_s[0]))
    return Onsets(
        times_s=onsets.times_s[kept],
        strengths=onsets.strengths[kept],
        low_strengths=onsets.low_strengths[kept],
        flux=onsets.flux,
        frame_rate_hz=onsets.frame_rate_hz,
        first_sound_s=onsets.first_sound_s,
        last_sound_s=onsets.last_sound_s,
        duration_s=onsets.duration_s,
    )


def estimate(
    samples: Samples,
    rate_hz: int,
    *,
    tempo_bpm: float | None = None,
    first_downbeat_s: float | None = None,
    swing: float | None = None,
    meter: tuple[int, int] = (4, 4),
    names: Sequence[str] = (),
) -> Grid:
    """Grid of a beat from its instrumental and from what the user states.

    Parameters
    ----------
    samples : (frames, channels), the sum of the stems, any level
    rate_hz : sample rate
    tempo_bpm, first_downbeat_s, swing : stated values, taken as they are
    meter : beats of a bar and their note value; a bar must be a whole number of sixteenths
    names : the stems' file names, which may state a tempo

    Returns
    -------
    Grid : always usable.  Silence and signals without onsets get the stated tempo, or 120 BPM with a warning in
        `notes`; `bars` is 0 for silence.
    """
    notes: list[str] = []
    onsets = detect(samples, rate_hz)
    named = _named_tempo(names, notes) if tempo_bpm is None else None
    stated = tempo_bpm if tempo_bpm is not None else named
    tempo_source = "beat.toml" if tempo_bpm is not None else "file name" if named is not None else "estimated"
    tempo_confidence = 1.0 if tempo_bpm is not None else 0.9 if named is not None else 0.0
    used = onsets
    if stated is not None and len(onsets.times_s) and _check_stated(onsets, stated, notes):
        used = _early(onsets, onsets.first_sound_s + 8 * 240.0 / stated)
    fit = rhythm.fit(used, tempo_bpm=stated, swing=swing)
    if stated is None:
        tempo_confidence = 0.0 if fit is None else fit.confidence
        if fit is None or fit.confidence < STEADY:
            tempo_source, stated = "assumed", FALLBACK_BPM
            tempo_confidence = 0.0
            notes.append(
                "No steady tempo was found: the slots are 16ths of 120 BPM, which may not be the music's. "
                "State the tempo in beat.toml."
            )
            fit = None
        else:
            stated = fit.tempo_bpm
            if abs(stated - round(stated)) < 0.04 and fit.spread_s < 0.03:
                stated = float(round(stated))  # tempos are set in whole numbers far more often than 0.04 beside one
            notes.extend(_octave_note(fit))
    slots_per_bar = meter[0] * 16 // meter[1]
    slot_s = 15.0 / stated
    bar_s = slots_per_bar * slot_s

    if first_downbeat_s is not None:
        downbeat, downbeat_source, downbeat_confidence = first_downbeat_s, "beat.toml", 1.0
    elif fit is not None and len(used.times_s):
        downbeat, downbeat_confidence = _bar_start(used, fit, meter)
        downbeat, downbeat_source = _snapped(downbeat, fit.spread_s), "estimated"
        downbeat_confidence *= max(fit.confidence, 0.3)
    else:
        downbeat, downbeat_source, downbeat_confidence = _snapped(onsets.first_sound_s, 0.01), "assumed", 0.0

    if swing is not None:
        ratio, swing_source, swing_confidence = swing, "beat.toml", 1.0
    elif fit is not None and fit.swing_confidence > 0.3 and fit.confidence > STEADY:
        ratio, swing_source, swing_confidence = fit.swing, "estimated", fit.swing_confidence * fit.confidence
        if abs(ratio - 0.5) < 0.015:
            ratio = 0.5
        else:
            unit = "eighths" if fit.swing_beats == 1.0 else "sixteenths"
            notes.append(f"Swing of {100 * ratio:.0f} % was read from the {unit}.")
    else:
        ratio, swing_source, swing_confidence = 0.5, "assumed", 0.0
    return Grid(
        tempo_bpm=float(stated),
        tempo_source=tempo_source,
        tempo_confidence=float(tempo_confidence),
        first_downbeat_s=float(downbeat),
        downbeat_source=downbeat_source,
        downbeat_confidence=float(downbeat_confidence),
        swing=float(ratio),
        swing_source=swing_source,
        swing_confidence=float(swing_confidence),
        meter=meter,
        bars=_bars(onsets, float(downbeat), bar_s, slot_s),
        notes=tuple(notes),
    )


def _octave_note(fit: rhythm.Fit) -> list[str]:
    if not fit.others_bpm:
        return []
    others = " or ".join(f"{tempo:.4g}" for tempo in fit.others_bpm)
    return [f"The tempo was estimated as {fit.tempo_bpm:.4g} BPM; it can also be read as {others} BPM."]
