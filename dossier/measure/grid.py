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
    `dossier.measure.onsets`, `dossier.measure.rhythm` and `dossier.measure.bar_lines` hold the methods.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dossier.measure import bar_lines, rhythm
from dossier.measure.file_names import tempo_from_name
from dossier.measure.onsets import Onsets, channels_of, detect
from dossier.model.measures import Grid, Samples

FALLBACK_BPM = 120.0
STEADY = 0.25  # confidence below which no steady tempo is claimed; onsets at random reach 0.11 in 200 trials


def _snapped(time_s: float, spread_s: float) -> float:
    """0 where the estimate cannot tell the time from 0: an onset is read late by up to its attack."""
    return 0.0 if time_s < bar_lines.snap_within(spread_s) else time_s


def _bars(onsets: Onsets, first_s: float, bar_s: float, slot_s: float) -> int:
    """Bars from the first downbeat to the end of the sound; a last, partial one counts if it lasts over a slot."""
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
    return replace(
        onsets,
        times_s=onsets.times_s[kept],
        strengths=onsets.strengths[kept],
        low_strengths=onsets.low_strengths[kept],
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
        downbeat, downbeat_confidence = bar_lines.first_bar_line(channels_of(samples), rate_hz, used, fit, meter)
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


def _octave_note(fit: rhythm.GridFit) -> list[str]:
    if not fit.others_bpm:
        return []
    others = " or ".join(f"{tempo:.4g}" for tempo in fit.others_bpm)
    return [f"The tempo was estimated as {fit.tempo_bpm:.4g} BPM; it can also be read as {others} BPM."]
