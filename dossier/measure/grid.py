"""The beat's grid of slots: tempo, first downbeat, swing, meter, bars.

Conventions
    Tempo in quarter notes a minute; a slot is a sixteenth; times in seconds from the start of the stems.  Swing is
    first / (first + second) of a pair of `swing_of`, 0.5 straight, 2/3 triplet.  What the user states is taken as it
    is, and where the sound contradicts it `notes` say so.  What is estimated carries a confidence from 0 to 1: the
    tempo's is the lesser of the share of onset strength on the grid beyond chance and of how sure the beat's level is.

Order of sources
    The argument (beat.toml), else a tempo in the stems' tags, else one in their file names, either where the sound does
    not contradict it, else the estimate; where no steady tempo is found, sixteenths of 120 with a plain warning.

References
    `dossier.measure.onsets`, `rhythm`, `beat_level` and `bar_lines` hold the methods.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.measure import bar_lines, beat_level, rhythm
from dossier.measure.file_names import tempo_from_name
from dossier.measure.onsets import Onsets, channels_of, detect
from dossier.model.measures import Grid, Samples

__all__ = ["estimate", "tempo_from_name"]

FALLBACK_BPM = 120.0
SAME_TEMPO = 0.006  # relative distance of tempos that are one
STEADY = 0.25  # confidence below which no steady tempo is claimed; onsets at random reach 0.11 in 200 trials
IN_THREES = 0.6  # most that a tempo is sure of in threes that nobody stated: they may be fours of another tempo
_UNHEARD_S = 0.012  # drift over the whole piece
_CLEAR = 0.5  # confidence of a fit that may speak against a stated tempo


def _snapped(time_s: float, spread_s: float) -> float:
    """Exactly 0 where the estimate cannot tell it from 0 (an onset is read late by up to its attack)."""
    return 0.0 if time_s < bar_lines.snap_within(spread_s) else time_s


def _bars(onsets: Onsets, first_s: float, bar_s: float, slot_s: float) -> int:
    """Bars from the first downbeat to the end of the sound; a last part counts from more than a slot of sound."""
    length = onsets.last_sound_s - first_s
    if length <= 0.0:
        return 0
    whole = int(np.floor(length / bar_s + 1e-6))
    return max(1, whole + int(length - whole * bar_s > slot_s + 1e-6))


def _named_tempo(names: Sequence[str], notes: list[str]) -> float | None:
    stated = Counter(tempo for tempo in map(tempo_from_name, names) if tempo is not None)
    if not stated:
        return None
    best = max(stated, key=lambda tempo: (stated[tempo], -tempo))
    if len(stated) > 1:
        others = ", ".join(f"{tempo:g}" for tempo in sorted(stated) if tempo != best)
        notes.append(f"File names state more than one tempo: {best:g} BPM was taken, not {others}.")
    return best


def _drifting(onsets: Onsets, tempo_bpm: float) -> rhythm.GridFit | None:
    """The fit near a stated tempo where the onsets drift against it by more than a quarter slot, else None."""
    free = rhythm.fit(onsets, near_bpm=[tempo_bpm])
    if free is None or free.confidence < _CLEAR:
        return None
    drift_s = abs(free.tempo_bpm / tempo_bpm - 1.0) * onsets.duration_s
    return None if drift_s < 0.25 * 15.0 / tempo_bpm or abs(free.tempo_bpm / tempo_bpm - 1.0) > 0.02 else free


def _between(onsets: Onsets, from_s: float, to_s: float) -> Onsets:
    """The onsets of a stretch, at least the first one at or after its start; times stay those of the file."""
    first, end = np.searchsorted(onsets.times_s, (from_s, np.nextafter(to_s, np.inf)))
    first = min(int(first), len(onsets.times_s) - 1)
    kept = slice(first, max(int(end), first + 1))
    frames = slice(int(from_s * onsets.frame_rate_hz), int(np.ceil(to_s * onsets.frame_rate_hz)) + 1)
    return replace(
        onsets,
        times_s=onsets.times_s[kept],
        strengths=onsets.strengths[kept],
        low_strengths=onsets.low_strengths[kept],
        flux=onsets.flux[frames],
        band_flux=onsets.band_flux[:, frames],
    )


class _Tempo(Struct, frozen=True):
    """A tempo with the fit of its grid, None where there is no steady one."""

    bpm: float
    source: str
    confidence: float
    fit: rhythm.GridFit | None
    others_bpm: tuple[float, ...] = ()


def _rounded(fit: rhythm.GridFit, duration_s: float) -> float:
    """Tempos are set in whole numbers far more often than just beside one: the nearest, if hardly any drift tells."""
    away = abs(fit.tempo_bpm - round(fit.tempo_bpm))
    near = away < 0.04 or away / fit.tempo_bpm * duration_s < _UNHEARD_S
    return float(round(fit.tempo_bpm)) if near and fit.spread_s < 0.03 else fit.tempo_bpm


def _estimated(onsets: Onsets, swing: float | None, meter: tuple[int, int] | None, notes: list[str]) -> _Tempo:
    """The tempo from the sound alone."""
    fit = rhythm.fit(onsets, swing=swing)
    triple = meter is not None and meter[0] % 3 == 0 and meter not in bar_lines.COMPOUND
    pulse = fit.pulse_bpm if fit is not None else None
    even = pulse is not None
    level = None if fit is None else beat_level.choose(onsets, fit.tempo_bpm, triple=triple, even=even)
    if fit is None or level is None or max(fit.confidence, level.steady) < STEADY:
        notes.append(
            "No steady tempo was found: the slots are 16ths of 120 BPM, which may not be the music's. "
            "State the tempo in beat.toml."
        )
        return _Tempo(FALLBACK_BPM, "assumed", 0.0, None)
    confidence, others = fit.confidence, level.others_bpm
    if pulse is not None and pulse <= rhythm.PULSE_HIGHEST_BPM:  # slow enough to be the beat
        heard = (level.tempo_bpm, *others)
        others = tuple(other for other in heard if abs(other / fit.tempo_bpm - 1.0) > 0.01)[:2]
    else:
        confidence = min(max(confidence, level.steady), level.confidence)
        if abs(level.tempo_bpm / fit.tempo_bpm - 1.0) > 0.01:
            fit = rhythm.fit(onsets, swing=swing, near_bpm=[level.tempo_bpm]) or fit
        quarters = 1.5 * fit.tempo_bpm
        in_eighths = bar_lines.meter(onsets, quarters)[0] == (6, 8) if meter is None else meter in bar_lines.COMPOUND
        if in_eighths and quarters <= rhythm.HIGHEST_BPM and rhythm.in_threes(onsets, fit):
            others = (fit.tempo_bpm, *others[:1])
            fit = rhythm.fit(onsets, near_bpm=[quarters]) or fit
    bpm = _rounded(fit, onsets.duration_s)
    others = tuple(float(other * bpm / fit.tempo_bpm) for other in others)
    if others:
        told = " or ".join(f"{tempo:.4g}" for tempo in others)
        notes.append(f"The tempo was estimated as {bpm:.4g} BPM; it can also be read as {told} BPM.")
    return _Tempo(bpm, "estimated", confidence, fit, others)


def _changes(
    onsets: Onsets, parts: Sequence[rhythm.TempoSection], longest: rhythm.TempoSection, tempo_bpm: float,
    notes: list[str],
) -> tuple[tuple[float, float], ...]:  # fmt: skip
    """From when on which tempo is played, on the level of the grid's."""
    out = []
    for part in parts:
        piece = _between(onsets, part.start_s, part.end_s)
        level = beat_level.choose(piece, part.tempo_bpm, near_bpm=tempo_bpm)
        out.append((part.start_s, tempo_bpm if part is longest else level.tempo_bpm))
    told = ", then ".join(f"{tempo:.4g} BPM from {start:.0f} s" for start, tempo in out)
    notes.append(
        f"The tempo changes: {told}.  The grid keeps that of the longest stretch, from {longest.start_s:.0f} s to "
        f"{longest.end_s:.0f} s, and does not fit the others."
    )
    return tuple(out)


def _tempo(
    onsets: Onsets,
    stated: Sequence[tuple[float | None, str]],
    swing: float | None,
    meter: tuple[int, int] | None,
    notes: list[str],
) -> tuple[_Tempo, Onsets]:
    """The tempo from the first source that states one, and the onsets that the grid is to be fitted to."""
    given, source = next(((tempo, of) for tempo, of in stated if tempo is not None), (None, ""))
    if given is None:
        return _estimated(onsets, swing, meter, notes), onsets
    confidence = 1.0 if source == "beat.toml" else 0.9
    if not len(onsets.times_s):
        return _Tempo(given, source, confidence, None), onsets
    heard, against = None, rhythm.contradicts(onsets, given)
    if against:
        heard = _estimated(onsets, swing, meter, [])
    elif (near := _drifting(onsets, given)) is not None:
        heard = _Tempo(_rounded(near, onsets.duration_s), "estimated", near.confidence, near)
    if heard is not None and heard.fit is not None and heard.fit.confidence >= _CLEAR:
        if source != "beat.toml":
            notes.append(f"A {source} states {given:g} BPM, but the onsets fit {heard.bpm:.2f} BPM, which was taken.")
            return heard, onsets
        drift_s = abs(heard.bpm / given - 1.0) * onsets.duration_s
        costs = "does not follow them" if against else f"drifts by {drift_s:.2f} s over the length of the stems"
        notes.append(f"The onsets fit {heard.bpm:.2f} BPM better than the stated {given:g}: the grid {costs}.")
        onsets = _between(onsets, 0.0, max(onsets.first_sound_s + 8 * 240.0 / given, float(onsets.times_s[0])))
    return _Tempo(given, source, confidence, rhythm.fit(onsets, tempo_bpm=given, swing=swing)), onsets


def estimate(
    samples: Samples,
    rate_hz: int,
    *,
    tempo_bpm: float | None = None,
    first_downbeat_s: float | None = None,
    swing: float | None = None,
    meter: tuple[int, int] | None = None,
    tag_bpm: float | None = None,
    names: Sequence[str] = (),
) -> Grid:
    """Grid of a beat from its instrumental and from what the user states.

    Parameters
    ----------
    samples : (frames, channels), the sum of the stems, any level
    rate_hz : sample rate
    tempo_bpm, first_downbeat_s, swing : stated values, taken as they are
    meter : beats of a bar and their note value, a whole number of sixteenths; None: 4/4, 3/4 or 6/8 from the sound
    tag_bpm : what the stems' tags state
    names : the stems' file names, which may state a tempo

    Returns
    -------
    Grid : always usable.  Silence and signals without onsets get the stated tempo, or 120 BPM with a warning in
        `notes`; `bars` is 0 for silence.
    """
    notes: list[str] = []
    onsets = detect(samples, rate_hz)
    named = _named_tempo(names, notes) if tempo_bpm is None else None
    if tag_bpm is not None and named is not None and abs(named / tag_bpm - 1.0) > SAME_TEMPO:
        notes.append(f"A file name states {named:g} BPM, a tag {tag_bpm:g}: the tag goes first.")
    parts = rhythm.sections(onsets)
    longest = max(parts, key=lambda part: part.end_s - part.start_s) if len(parts) > 1 else None
    steady = onsets if longest is None else _between(onsets, longest.start_s, longest.end_s)
    tempo, used = _tempo(
        steady, ((tempo_bpm, "beat.toml"), (tag_bpm, "tag"), (named, "file name")), swing, meter, notes
    )
    changes = () if longest is None else _changes(onsets, parts, longest, tempo.bpm, notes)
    fit = tempo.fit
    slot_s = 15.0 / tempo.bpm
    bar, meter_source, meter_confidence = _meter(used, fit, meter, notes)
    bar_s = bar[0] * 16 // bar[1] * slot_s
    if tempo.source == "estimated" and meter_source == "estimated" and bar != (4, 4):
        tempo = replace(tempo, confidence=min(tempo.confidence, IN_THREES))

    if first_downbeat_s is not None:
        downbeat, downbeat_source, downbeat_confidence = first_downbeat_s, "beat.toml", 1.0
    elif fit is not None and len(used.times_s):
        downbeat, downbeat_confidence = bar_lines.first_bar_line(channels_of(samples), rate_hz, used, fit, bar)
        if changes:  # the stretch may lie within the piece: its bars are counted back to the start of the sound
            downbeat -= bar_s * np.floor(max(0.0, downbeat - onsets.first_sound_s + 0.5 * slot_s) / bar_s)
        downbeat, downbeat_source = _snapped(downbeat, fit.spread_s), "estimated"
        downbeat_confidence *= max(fit.confidence, 0.3)
    else:
        downbeat, downbeat_source, downbeat_confidence = _snapped(onsets.first_sound_s, 0.01), "assumed", 0.0

    swing_of = "eighths" if fit is not None and fit.swing_beats == 1.0 else "sixteenths"
    if swing is not None:
        ratio, swing_source, swing_confidence = swing, "beat.toml", 1.0
    elif fit is not None and fit.swing_confidence > 0.3 and fit.confidence > STEADY:
        ratio, swing_source, swing_confidence = fit.swing, "estimated", fit.swing_confidence * fit.confidence
        if abs(ratio - 0.5) < 0.015:
            ratio = 0.5
        else:
            notes.append(f"Swing of {100 * ratio:.0f} % was read from the {swing_of}.")
    else:
        ratio, swing_source, swing_confidence = 0.5, "assumed", 0.0
    return Grid(
        tempo_bpm=float(tempo.bpm),
        tempo_source=tempo.source,
        tempo_confidence=float(tempo.confidence),
        tempo_alternatives=tempo.others_bpm,
        tempo_changes=changes,
        first_downbeat_s=float(downbeat),
        downbeat_source=downbeat_source,
        downbeat_confidence=float(downbeat_confidence),
        swing=float(ratio),
        swing_of=swing_of if ratio != 0.5 else "sixteenths",
        swing_source=swing_source,
        swing_confidence=float(swing_confidence),
        meter=bar,
        meter_source=meter_source,
        meter_confidence=float(meter_confidence),
        bars=_bars(onsets, float(downbeat), bar_s, slot_s),
        notes=tuple(notes),
    )


def _meter(
    onsets: Onsets, fit: rhythm.GridFit | None, stated: tuple[int, int] | None, notes: list[str]
) -> tuple[tuple[int, int], str, float]:
    """The meter, its source and a confidence."""
    found, confidence = ((4, 4), 0.0) if fit is None else bar_lines.meter(onsets, fit.tempo_bpm)
    if stated is not None:
        triple = stated[0] % 3 == 0
        if fit is not None and confidence > 0.3 and (found != (4, 4)) != triple and stated[0] in (2, 3, 4, 6, 8, 9, 12):
            notes.append(f"The music seems to be in {found[0]}/{found[1]}, not {stated[0]}/{stated[1]}.")
        return stated, "beat.toml", 1.0
    if confidence <= 0.0:
        return (4, 4), "assumed", 0.0
    if found != (4, 4):
        notes.append(f"The meter was read from the sound as {found[0]}/{found[1]}.")
    return found, "estimated", confidence
