"""A drum loop: tempo, length in beats, downbeat, swing, hits with roles, continuity.

Conventions
    Samples are `(frames, channels)`, any level; times in seconds from the start of the file; tempo in quarter notes a
    minute; swing is first / (first + second) of a pair, 0.5 straight, 2/3 triplet.

Tempo, downbeat, beats
    The tempo is what the user states, else what the file's tag or its name states and the sound does not contradict,
    else what `dossier.measure.loop_tempo` reads from length and onsets together; beat one and the length of a pass come
    from there too.  What lies before beat one is leading silence or a pickup.  A bare number in the name counts as a
    tempo if the length is whole bars of it.

Continuity
    How much sounds between the hits, 0-1.  The loop's level in dB, in frames of 10 ms, is read at the hits and between
    them, from 60 ms after each to the next.  The median between is 1 at the level of the median hit and falls linearly
    in dB to 0 at 50 dB below it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.measure import rhythm
from dossier.measure.file_names import numbers_in, tempo_from_name
from dossier.measure.grid import SAME_TEMPO, STEADY
from dossier.measure.loop_hits import hits_of
from dossier.measure.loop_tempo import LoopReading, read, usual
from dossier.measure.onsets import SILENT_PEAK, Onsets, channels_of, detect
from dossier.model.measures import LoopHit, LoopMeasures, Samples

_SWING_SURE = 0.3
_FRAME_S = 0.010
_CLEAR_OF_HIT_S = 0.060
_CONTINUITY_DB = 50.0
_AGREES = 0.5  # of the fit at the loop's own tempo: right tempos and their multiples keep more, wrong ones under 0.4


class _Stated(Struct, frozen=True):
    """A stated tempo that is taken, how the loop reads at it, and what is said of the stated ones."""

    tempo_bpm: float | None
    source: str
    reading: LoopReading | None
    notes: tuple[str, ...]


def _stated(onsets: Onsets, tempo_bpm: float | None, tag_bpm: float | None, name: str) -> _Stated:
    """The first stated tempo that the sound does not contradict; the user's own is taken even so."""
    claims = [(tempo_bpm, "beat.toml"), (tag_bpm, "tag"), (tempo_from_name(name), "file name")]
    taken: _Stated | None = None
    notes: list[str] = []
    free = read(onsets) if any(bpm is not None for bpm, _ in claims) else None
    for bpm, source in claims:
        if bpm is None:
            continue
        held = read(onsets, tempo_bpm=bpm)
        own = source == "beat.toml"
        if taken is not None and abs(bpm / (taken.tempo_bpm or bpm) - 1.0) < SAME_TEMPO:
            continue
        if free is not None and _contradicted(bpm, held, free):
            how = ", and is taken all the same" if own else ""
            notes.append(f"{bpm:g} BPM ({source}) does not fit its sound, which has {free.tempo_bpm:.4g} BPM{how}")
        elif taken is not None:
            notes.append(f"its {source} states {bpm:g} BPM; {taken.tempo_bpm:g} BPM ({taken.source}) is taken")
        if taken is None and (own or free is None or not _contradicted(bpm, held, free)):
            taken = _Stated(bpm, source, held, ())
    if taken is not None:
        return replace(taken, notes=tuple(notes))
    for number in numbers_in(name.rpartition(".")[0] or name):
        beats = onsets.duration_s * number / 60.0
        if round(beats / 4.0) >= 1 and abs(beats - 4.0 * round(beats / 4.0)) < min(0.005 * beats, 0.05):
            source = "number in the file name that its length fits"
            return _Stated(number, source, read(onsets, tempo_bpm=number), tuple(notes))
    return _Stated(None, "", free or read(onsets), tuple(notes))


def _contradicted(bpm: float, held: LoopReading | None, free: LoopReading) -> bool:
    """Whether a steady loop strikes far less on the slots of a stated tempo than on those of its own or its octaves."""
    octaves = np.log2(bpm / free.tempo_bpm)
    another = free.steady and abs(octaves - round(octaves)) > SAME_TEMPO
    return another and (held is None or held.fit < _AGREES * free.fit)


def _source(bars: LoopReading) -> str:
    """How the tempo was found, and the half or double tempo that an ear may hear as well."""
    other = bars.tempo_bpm / 2.0 if bars.tempo_bpm > rhythm.PRIOR_BPM else bars.tempo_bpm * 2.0
    ear = f"; {other:.4g} BPM can be heard too" if 60.0 <= other <= 180.0 else ""
    beats = "1 beat" if bars.beats == 1.0 else f"{bars.beats:g} beats"
    return (f"its length, {beats}" if bars.whole else "its onsets") + ear


def _continuity(two: Samples, rate_hz: int, onsets: Onsets) -> float | None:
    frame = max(1, round(_FRAME_S * rate_hz))
    count = len(two) // frame
    if count < 8 or not len(onsets.times_s):
        return None
    power = (two[: count * frame].astype(np.float64) ** 2).sum(axis=1).reshape(count, frame).mean(axis=1)
    level = 10.0 * np.log10(np.maximum(power, 1e-12 * power.max()))
    strong = onsets.times_s[onsets.strengths > 0.15 * onsets.strengths.max()]
    starts = (strong / _FRAME_S * (_FRAME_S * rate_hz / frame)).astype(np.int64)
    between = np.arange(count) >= (starts[0] if len(starts) else 0)
    clear = round(_CLEAR_OF_HIT_S / _FRAME_S)
    at_hits = []
    for start in starts:
        between[start : start + clear] = False
        at_hits.append(float(level[start : start + 4].max()) if start < count else float(level[-1]))
    if not between.any():
        # Hits less than 60 ms apart leave nothing between them: it is all hits.
        return 1.0
    apart = float(np.median(level[between])) - float(np.median(at_hits))
    return float(np.clip(1.0 + apart / _CONTINUITY_DB, 0.0, 1.0))


def _nothing(why: str) -> LoopMeasures:
    fields = ("tempo_bpm", "beats", "swing", "hits", "continuity")
    return LoopMeasures(None, "", None, 0.0, None, (), None, dict.fromkeys(fields, why))


def related(bpm: float, other_bpm: float) -> bool:
    """Whether two tempos can be readings of one rhythm: equal, or as 2, 3/2 or 4/3 to 1."""
    return any(abs(bpm / other_bpm / ratio - 1.0) < SAME_TEMPO for ratio in (1, 2, 1 / 2, 3 / 2, 2 / 3, 4 / 3, 3 / 4))


def measure(
    samples: Samples, rate_hz: int, *, tempo_bpm: float | None = None, tag_bpm: float | None = None, name: str = "",
    hits_at_s: Sequence[float] = (),
) -> LoopMeasures:
    """Measure a drum loop, `(frames, channels)` or `(frames,)`.

    `tempo_bpm` is what the user states, `tag_bpm` what the file's tag does; its `name` may state a tempo too.
    `hits_at_s`: where the user hears hits, in place of those that are found.

    `beats` is the length of one pass, whole wherever the cut allows it.  `tempo_source` is 'beat.toml', 'tag', 'file
    name', 'its length, N beats' (with a half or double tempo that can be heard too) or 'its onsets'.  `notes` tell
    stated tempos that do not fit the sound.  Without a steady tempo, tempo, beats and swing are None with a reason and
    the downbeat is the first sound.  Raises `MeasureError` for a wrong shape or a value that is not finite.
    """
    two = channels_of(samples)
    if not two.size or float(np.abs(two).max()) < SILENT_PEAK:
        return _nothing("silence")
    onsets = detect(two, rate_hz)
    reasons: dict[str, str] = {}
    claim = _stated(onsets, tempo_bpm, tag_bpm, name)
    stated, source, bars = claim.tempo_bpm, claim.source, claim.reading
    guess = bars if bars is not None and bars.whole and usual(bars.beats) == 1.0 else None
    if bars is not None and stated is None and not bars.steady:
        bars = None
    swing: float | None = None
    tempo, beats, downbeat_s = stated, None, onsets.first_sound_s
    if bars is not None:
        tempo, beats, downbeat_s = bars.tempo_bpm, bars.beats, bars.downbeat_s
        source = source or _source(bars)
        fit = rhythm.fit(onsets, tempo_bpm=bars.tempo_bpm)
        if fit is not None and fit.swing_confidence > _SWING_SURE and fit.confidence > STEADY:
            swing = 0.5 if abs(fit.swing - 0.5) < 0.015 else float(fit.swing)
        else:
            reasons["swing"] = "too few hits lie between the beats to tell"
    elif stated is not None:
        beats = _whole(onsets.duration_s * stated / 60.0)
        reasons["swing"] = "nothing strikes in it"
    else:
        count = len(onsets.times_s)
        why = "nothing strikes in it" if not count else "its onsets keep no steady tempo"
        if 0 < count < 3:
            why = f"{count} onset{'s' if count > 1 else ''} cannot tell a tempo"
        elif guess is not None:
            why += f"; its length would be {guess.beats:g} beats of {guess.tempo_bpm:.1f} BPM"
        reasons.update(tempo_bpm=why, beats=why, swing=why)
    hits: tuple[LoopHit, ...] = hits_of(two, rate_hz, _at(onsets, hits_at_s), every=bool(hits_at_s))
    if not hits:
        reasons["hits"] = "nothing strikes in it"
    continuity = _continuity(two, rate_hz, onsets)
    if continuity is None:
        reasons["continuity"] = "nothing strikes in it" if not len(onsets.times_s) else "too short"
    return LoopMeasures(
        tempo_bpm=tempo, tempo_source=source, beats=beats, downbeat_s=float(downbeat_s), swing=swing, hits=hits,
        continuity=continuity, reasons=reasons, notes=claim.notes,
    )  # fmt: skip


def _at(onsets: Onsets, times_s: Sequence[float]) -> Onsets:
    """The onsets, or other times inside the sound in their place."""
    inside = np.array([time_s for time_s in times_s if time_s < onsets.duration_s])
    return replace(onsets, times_s=inside, strengths=np.ones(len(inside))) if len(inside) else onsets


def _whole(beats: float) -> float:
    """A length in beats, whole where it nearly is."""
    return float(round(beats)) if round(beats) >= 1 and abs(beats - round(beats)) < max(0.06, 0.006 * beats) else beats
