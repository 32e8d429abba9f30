"""A drum loop: tempo, length in beats, downbeat, swing, hits with roles, continuity.

Conventions
    Samples are `(frames, channels)`, any level; times in seconds from the start of the file; tempo in quarter notes a
    minute; swing is first / (first + second) of a pair, 0.5 straight, 2/3 triplet.

Tempo
    What the user states, else what the file's name states, else the file's length, taken as a whole number of beats
    near the tempo that its onsets suggest (or simple ratios of it: an ear for onsets confuses 160 in triplets with 120
    in sixteenths, a length does not), else the onsets alone.  Loops are cut on bar lines, mostly of one, two, four or
    eight bars (common practice, no source).

Downbeat
    The first strong hit on the grid that is low, that starts the sound, and after which whole bars remain (common
    practice, no source).  What lies before it is leading silence or a pickup.

Continuity
    The loop's level in dB, in frames of 10 ms, is read between the hits (from 60 ms after each to the next one) and at
    the hits.  The median between, relative to the median hit, counts 1 at the hits' own level, 0 at 50 dB under it,
    linearly in dB.

References
    `dossier.measure.onsets` and `dossier.measure.rhythm` for the methods under it, `dossier.measure.loophits` for hits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dossier.measure import rhythm
from dossier.measure.loophits import hits_of
from dossier.measure.names import numbers_in, tempo_from_name
from dossier.measure.onsets import SILENT_PEAK, Onsets, channels_of, detect
from dossier.model.measures import Array, LoopHit, LoopMeasures, Samples

STEADY = 0.25  # confidence of a fit from which a tempo is claimed, as for a beat's grid
LOWEST_BPM, HIGHEST_BPM = 55.0, 200.0
_RATIOS = (1.0, 0.5, 2.0, 0.75, 4 / 3, 2 / 3, 1.5)
_LENGTH_WITHIN = 0.006  # of the tempo that the onsets suggest
_LENGTH_BEATS = 0.1  # and of a beat over the whole length
_FIT_S = 0.015  # an onset this near to a slot is on it
_SWING_SURE = 0.3
_FRAME_S = 0.010
_CLEAR_OF_HIT_S = 0.060
_CONTINUITY_DB = 50.0


@dataclass(frozen=True, slots=True)
class _Tempo:
    bpm: float
    source: str


def _weights(onsets: Onsets) -> Array:
    return np.asarray(np.sqrt(onsets.strengths / onsets.strengths.max()))


def _alignment(onsets: Onsets, bpm: Array) -> Array:
    """0-2.5: how well the onsets line up with these tempos' beats and subdivisions, at any phase."""
    weights = _weights(onsets)
    turns: npt.NDArray[np.complexfloating] = np.exp(2j * np.pi * np.outer(bpm / 60.0, onsets.times_s))
    one, two, three, four, six = (np.abs(turns**k @ weights) / weights.sum() for k in (1, 2, 3, 4, 6))
    return np.asarray(0.5 * one + np.maximum(two + four, three + six), dtype=np.float64)


def _bar_like(beats: int) -> float:
    """Preference among lengths in beats."""
    if beats in (4, 8, 16, 32, 64):
        return 1.0
    if beats % 4 == 0 or beats == 2:
        return 0.85
    return 0.7 if beats % 2 == 0 or beats % 3 == 0 else 0.5


def _lengths(onsets: Onsets) -> list[float]:
    """Lengths that may be whole beats: of the file, and from its first sound on."""
    lengths = [onsets.duration_s]
    if 0.003 < onsets.first_sound_s < 0.5 * onsets.duration_s:
        lengths.append(onsets.duration_s - onsets.first_sound_s)
    return lengths


def _best_length(onsets: Onsets, tempos: list[tuple[float, float]]) -> tuple[float, int] | None:
    """Best (tempo, beats) among (length, rough tempo) pairs whose length is nearly a whole number of beats."""
    found: dict[float, int] = {}
    for length_s, rough in tempos:
        beats = round(length_s * rough / 60.0)
        away = abs(length_s * rough / 60.0 - beats)
        if beats >= 1 and away < min(_LENGTH_BEATS, max(_LENGTH_WITHIN * beats, 0.02)):
            bpm = 60.0 * beats / length_s
            if LOWEST_BPM <= bpm <= HIGHEST_BPM:
                found[bpm] = beats
    if not found:
        return None
    tempi = np.array(sorted(found))
    score = _alignment(onsets, tempi) * rhythm.prior(tempi) * np.array([_bar_like(found[float(b)]) for b in tempi])
    best = float(tempi[int(np.argmax(score))])
    return best, found[best]


def _on_slots(onsets: Onsets, bpm: float, start_s: float) -> float:
    """Share of the onsets' weight on sixteenths or on eighth triplets, counted from a time."""
    weights = _weights(onsets)
    shares = []
    for slots in (4.0, 3.0):
        steps = (onsets.times_s - start_s) * bpm / 60.0 * slots
        miss = np.abs(steps - np.round(steps)) * 60.0 / bpm / slots
        shares.append(float(weights[miss < _FIT_S].sum() / weights.sum()))
    return max(shares)


def _from_length_alone(onsets: Onsets) -> float | None:
    """Tempo of a loop with too few onsets for a fit: whole beats on whose sixteenths they all lie."""
    if len(onsets.times_s) < 3:
        return None
    options = []
    for length_s in _lengths(onsets):
        for beats in (1, 2, 3, 4, 6, 8, 12, 16):
            bpm = 60.0 * beats / length_s
            if LOWEST_BPM <= bpm <= HIGHEST_BPM and _on_slots(onsets, bpm, onsets.duration_s - length_s) > 0.9:
                options.append((length_s, bpm))
    best = _best_length(onsets, options)
    return None if best is None else best[0]


def _tempo(onsets: Onsets, tempo_bpm: float | None, name: str) -> tuple[_Tempo | None, str]:
    """Tempo and its source, or None and the reason."""
    if tempo_bpm is not None:
        return _Tempo(tempo_bpm, "beat.toml"), ""
    named = tempo_from_name(name)
    if named is not None:
        return _Tempo(named, "file name"), ""
    for number in numbers_in(name):
        beats = onsets.duration_s * number / 60.0
        if beats > 1.9 and abs(beats - 4.0 * round(beats / 4.0)) < 0.005 * beats:
            return _Tempo(number, "number in the file name that its length fits"), ""
    if not len(onsets.times_s):
        return None, "nothing strikes in it"
    free = rhythm.fit(onsets)
    if free is None or free.confidence < STEADY:
        alone = _from_length_alone(onsets)
        if alone is not None:
            return _Tempo(alone, "its length"), ""
        if free is None:
            return None, f"{len(onsets.times_s)} onsets are too few to tell a tempo"
        return None, "its onsets keep no steady tempo"
    rough = [(length, free.tempo_bpm * ratio) for ratio in _RATIOS for length in _lengths(onsets)]
    best = _best_length(onsets, rough)
    if best is None:
        return _Tempo(float(free.tempo_bpm), "its onsets"), ""
    bpm, beats = best
    other = bpm / 2.0 if bpm > rhythm.PRIOR_BPM else bpm * 2.0
    ear = f"; {other:.4g} BPM can be heard too" if 60.0 <= other <= 180.0 else ""
    return _Tempo(bpm, f"its length, {beats} beats{ear}"), ""


def _downbeat(onsets: Onsets, fit: rhythm.Fit) -> float:
    """Time of beat one."""
    beat_s = 60.0 / fit.tempo_bpm
    slot_s = beat_s / 4.0
    strength = onsets.strengths / onsets.strengths.max()
    low = onsets.low_strengths / max(float(onsets.low_strengths.max()), 1e-9)
    strong = np.flatnonzero(strength > 0.25)
    reach = min(4.0 * beat_s + 0.5 * slot_s, 0.6 * onsets.duration_s)

    def remains(time: float) -> float:
        beats = (onsets.duration_s - time) / beat_s
        for unit, worth in ((4.0, 0.6), (2.0, 0.35), (1.0, 0.2)):
            nearest = unit * round(beats / unit)
            if nearest > 0.0 and abs(beats - nearest) * beat_s < max(_FIT_S, 0.004 * onsets.duration_s):
                return worth
        return 0.0

    def line(time: float) -> float:
        """The grid's own line at the place of an onset: it averages over all of them."""
        steps = (time - fit.beat_s) / slot_s
        return fit.beat_s + round(steps) * slot_s

    best, best_score = onsets.first_sound_s, -1.0
    if len(strong) and strong[0] >= 0:
        first = float(onsets.times_s[strong[0]])
        if abs(line(0.0)) < _FIT_S and first > _FIT_S:
            best, best_score = 0.0, remains(0.0) + 0.3
        for index in strong:
            time = float(onsets.times_s[index])
            if time > reach:
                break
            exact = line(time)
            if abs(exact - time) > _FIT_S:
                continue
            beats = (time - fit.beat_s) / beat_s
            score = 0.5 * float(low[index]) + 0.2 * float(strength[index]) + remains(exact)
            score += 0.25 * (index == strong[0]) + 0.15 * (abs(beats - round(beats)) * beat_s < _FIT_S)
            if score > best_score + 1e-6:
                best, best_score = exact, score
    return max(0.0, float(best))


def _beats(onsets: Onsets, downbeat_s: float, bpm: float) -> float:
    """Length of one pass in quarter notes: whole where the file's length, or what follows the downbeat, is whole."""
    beat_s = 60.0 / bpm
    for length_s in (onsets.duration_s - downbeat_s, onsets.duration_s):
        beats = length_s / beat_s
        if round(beats) >= 1 and abs(beats - round(beats)) < max(0.06, 0.006 * beats):
            return float(round(beats))
    # A tail that rings on, or silence, after whole bars.
    played = (float(onsets.times_s[-1]) - downbeat_s) / beat_s + 0.25 if len(onsets.times_s) else 0.0
    room = (onsets.duration_s - downbeat_s) / beat_s
    for unit in (4.0, 2.0, 1.0):
        whole = unit * np.ceil(played / unit)
        if 0.0 < whole <= room:
            return float(whole)
    return float(onsets.duration_s / beat_s)


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
        # Hits follow each other faster than 60 ms: nothing lies between, it is all hits.
        return 1.0
    apart = float(np.median(level[between])) - float(np.median(at_hits))
    return float(np.clip(1.0 + apart / _CONTINUITY_DB, 0.0, 1.0))


def _nothing(why: str) -> LoopMeasures:
    fields = ("tempo_bpm", "beats", "swing", "hits", "continuity")
    return LoopMeasures(None, "", None, 0.0, None, (), None, dict.fromkeys(fields, why))


def measure(samples: Samples, rate_hz: int, *, tempo_bpm: float | None = None, name: str = "") -> LoopMeasures:
    """Measure a drum loop.

    Parameters
    ----------
    samples : (frames, channels) or (frames,)
    rate_hz : sample rate
    tempo_bpm : what the user states
    name : file name, which may state a tempo

    Returns
    -------
    LoopMeasures : `beats` is the length of one pass, whole wherever the cut allows it; `tempo_source` is 'beat.toml',
        'file name', 'its length, N beats' (with a half or double tempo that can be heard too) or 'its onsets'.  Without
        a steady tempo, tempo, beats and swing are None with a reason, and the downbeat is the first sound.

    Raises
    ------
    MeasureError
        If the array is not one of samples, or holds a value that is not finite.
    """
    two = channels_of(samples)
    if not two.size or float(np.abs(two).max()) < SILENT_PEAK:
        return _nothing("silence")
    onsets = detect(two, rate_hz)
    reasons: dict[str, str] = {}
    tempo, why = _tempo(onsets, tempo_bpm, name)
    fit = None
    if tempo is not None and len(onsets.times_s):
        fit = rhythm.fit(onsets, tempo_bpm=tempo.bpm)
    swing: float | None = None
    beats: float | None = None
    downbeat_s = onsets.first_sound_s
    if tempo is None:
        reasons.update(tempo_bpm=why, beats=why, swing=why)
    else:
        if fit is not None:
            downbeat_s = _downbeat(onsets, fit)
        tempo = _refined(onsets, tempo, downbeat_s)
        beats = _beats(onsets, downbeat_s, tempo.bpm)
        if fit is not None and fit.swing_confidence > _SWING_SURE and fit.confidence > STEADY:
            swing = 0.5 if abs(fit.swing - 0.5) < 0.015 else float(fit.swing)
        else:
            reasons["swing"] = "too few hits lie between the beats to tell"
    hits: tuple[LoopHit, ...] = hits_of(two, rate_hz, onsets)
    if not hits:
        reasons["hits"] = "nothing strikes in it"
    continuity = _continuity(two, rate_hz, onsets)
    if continuity is None:
        reasons["continuity"] = "nothing strikes in it" if not len(onsets.times_s) else "too short"
    return LoopMeasures(
        tempo_bpm=None if tempo is None else tempo.bpm,
        tempo_source="" if tempo is None else tempo.source,
        beats=beats,
        downbeat_s=float(downbeat_s),
        swing=swing,
        hits=hits,
        continuity=continuity,
        reasons=reasons,
    )


def _refined(onsets: Onsets, tempo: _Tempo, downbeat_s: float) -> _Tempo:
    """A tempo read from onsets, made exact where whole beats follow the downbeat."""
    if tempo.source != "its onsets":
        return tempo
    length_s = onsets.duration_s - downbeat_s
    beats = round(length_s * tempo.bpm / 60.0)
    if beats >= 2 and abs(length_s * tempo.bpm / 60.0 - beats) < min(_LENGTH_BEATS, _LENGTH_WITHIN * beats):
        return _Tempo(60.0 * beats / length_s, f"its length from the downbeat, {beats} beats")
    return tempo
