"""Loops cut at their own hits: each slice laid where the beat wants it, or played by the beat's pattern.

Conventions
    A slice runs from 1 ms before its hit to the next one's, so that no fade touches an attack.  It keeps its pitch,
    polarity and channels; only where it starts changes.
    Into a slice leads what sounded just before it in the loop, cross-faded linearly with the end of the slice before:
    both are pieces of one sound, so that a loop sliced to its own tempo is itself again.
    A slice that is too long is cut there; one that is too short goes on by its own decay: its tail is mirrored at its
    end, which leaves no step, and made to fall on as the tail fell.  Into a rest it fades.
    A pass is laid in a circle: what is left of its last slice sounds into its start.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from math import ceil

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.arrange.midi import MIDI_NOTE
from dossier.arrange.one_shots import CHOKED_BY
from dossier.arrange.pattern import swung
from dossier.model.beat import Pattern
from dossier.model.measures import Array, LoopHit, LoopMeasures, Samples
from dossier.model.vocabulary import Role

CROSS_FADE_S = 0.003
LEAD_S = 0.001  # between a cut and its hit
REST_FADE_S = 0.020
CLOSEST_S = 0.010  # hits nearer to one another make one slice
ON_BEAT_ONE_S = 0.030  # a hit this near beat one is beat one; an earlier one is a pickup
TAIL_S = 0.150  # the end of a slice from which its decay is read
SMOOTHED_S = 0.020
GONE_NEPER = 11.5  # 100 dB down nothing is left to play
RINGS_ON_S = 0.100  # of a slice that is played before a rest
PICKUP_STANDS_OUT_DB = 6.0
FIRST_FREE_KEY = 84  # above the percussion keys of General MIDI
SAME_SLOT = 0.125  # quarter notes: half a sixteenth
LONGEST_COMPARED = 64.0  # quarter notes

# Which slice stands in where a loop has none of a role (common practice, no source).
STANDS_IN: Mapping[Role, tuple[Role, ...]] = {
    "snare": ("clap", "rim"), "clap": ("snare", "rim"), "rim": ("snare", "clap"), "closed-hat": ("shaker", "ride"),
    "open-hat": ("crash", "ride", "closed-hat"), "ride": ("closed-hat",), "shaker": ("closed-hat",),
    "crash": ("open-hat",), "tom": ("percussion",), "percussion": ("tom", "rim"),
}  # fmt: skip


class Slice(Struct, frozen=True):
    """A piece of a loop from one of its hits to the next; frames of the loop."""

    hit: int
    end: int
    role: Role
    level_db: float
    time_s: float = 0.0  # of its hit, as it was told


class Placed(Struct, frozen=True):
    """A slice in a pass: its hit and the frame from which on another, or nothing, sounds in its place."""

    slice: Slice
    hit: int
    until: int
    gain: float = 1.0
    rests: bool = False  # nothing follows: it fades


class Pass(Struct, frozen=True, eq=False):
    """One pass, `(frames, channels)`, and the slices in it."""

    samples: Samples
    placed: tuple[Placed, ...]
    gaps: float  # 0-1: of the energy, what slices go on with beyond what the loop holds of them, or lose at their ends


def slices_of(hits: Sequence[LoopHit], *, frames: int, rate_hz: int) -> tuple[Slice, ...]:
    """The slices of a loop of `frames`, in order; hits less than 10 ms after another belong to it."""
    kept: list[LoopHit] = []
    for hit in sorted(hits, key=lambda hit: hit.time_s):
        inside = 0.0 <= hit.time_s < frames / rate_hz
        if inside and (not kept or hit.time_s - kept[-1].time_s >= CLOSEST_S):
            kept.append(hit)
    starts = [round(hit.time_s * rate_hz) for hit in kept]
    ends = [*(start - _lead(rate_hz) for start in starts[1:]), frames][: len(starts)]
    placed = zip(starts, ends, kept, strict=True)
    return tuple(Slice(start, end, hit.role, hit.level_db, hit.time_s) for start, end, hit in placed)


def sliced(
    samples: Samples, rate_hz: int, slices: Sequence[Slice], *, downbeat_s: float, ratio: float, beats: float,
    tempo_bpm: float, feel: Callable[[float], float] | None = None,
) -> Pass:  # fmt: skip
    """One pass of a loop, `(frames, channels)`, with each slice at the slot that it had; `beats` long at `tempo_bpm`.

    `ratio`: how many times faster the beat is than the loop.  `feel` moves places in quarter notes from beat one, in
    order; without it hits keep the loop's own feel.  What lies before beat one is laid over the end of the pass, unless
    that sounds as loud itself.  Raises `ValueError` without slices.
    """
    if not slices:
        raise ValueError("a loop without hits cannot be sliced")
    frames = round(beats * 60.0 / tempo_bpm * rate_hz)
    origin, near = round(downbeat_s * rate_hz), round(ON_BEAT_ONE_S * rate_hz)
    end = min(len(samples), origin + round(frames * ratio))
    beat_frames = 60.0 / tempo_bpm * rate_hz

    def place(frame: int) -> int:
        at = (frame - origin) / ratio
        return round(feel(at / beat_frames) * beat_frames if feel is not None else at)

    body = [one for one in slices if origin - near <= one.hit < end - _lead(rate_hz)]
    early = [one for one in slices if one.hit < origin - near]
    if not body or body[0].hit > origin + near:  # it rests, or rings, on beat one
        first = body[0].hit - _lead(rate_hz) if body else end
        body = [Slice(origin, first, "percussion", -200.0), *body]
    laid = [Placed(replace(one, end=min(one.end, end)), place(one.hit), 0) for one in body]
    over = place(end)
    rests = frames - over > REST_FADE_S * rate_hz
    last = over if rests else frames + laid[0].hit - _lead(rate_hz)
    laid = _until_next(laid, last, rate_hz, rests=rests)
    out = lay(samples, rate_hz, laid, frames)
    if not early:
        return out
    pickup = [Placed(one, frames + place(one.hit), 0) for one in early]
    pickup = _until_next(pickup, frames + laid[0].hit - _lead(rate_hz), rate_hz)
    lead = lay(samples, rate_hz, [one for one in pickup if one.hit - _lead(rate_hz) >= 0], frames)
    span = slice(min((one.hit for one in lead.placed), default=frames), frames)
    if level_db(lead.samples[span]) <= level_db(out.samples[span]) + PICKUP_STANDS_OUT_DB:
        return out
    return Pass(out.samples + lead.samples, (*out.placed, *lead.placed), max(out.gaps, lead.gaps))


def _until_next(placed: Sequence[Placed], last: int, rate_hz: int, *, rests: bool = False) -> list[Placed]:
    done = [replace(one, until=after.hit - _lead(rate_hz)) for one, after in pairwise(placed)]
    return [*done, replace(placed[-1], until=last, rests=rests)]


def slice_of_role(
    slices: Sequence[Slice], rate_hz: int, *, pins: Mapping[Role, float] | None = None
) -> dict[Role, int]:
    """Which slice plays each role, by index: of its own, or of the nearest role that the loop has.

    Of several the loudest that rings for long before the next hit.  `pins` name a slice by a time in seconds in it, or
    by that of its hit, rounded to hundredths.
    """
    best: dict[Role, int] = {}
    for index, one in enumerate(slices):
        if one.role not in best or _worth(one, rate_hz) > _worth(slices[best[one.role]], rate_hz) + 1e-9:
            best[one.role] = index
    for role, others in STANDS_IN.items():
        if role not in best:
            found = next((best[other] for other in others if other in best and slices[best[other]].role == other), None)
            if found is not None:
                best[role] = found
    for role, time_s in (pins or {}).items():
        before = [index for index, one in enumerate(slices) if one.hit <= (time_s + CLOSEST_S / 2) * rate_hz]
        if before:
            best[role] = before[-1]
    return best


def _worth(one: Slice, rate_hz: int) -> float:
    """Level of a slice, less what is missing of a fifth of a second: 6 dB for half of it."""
    return one.level_db + 20.0 * float(np.log10(min(1.0, max(1, one.end - one.hit) / (0.2 * rate_hz))))


def relaid(
    samples: Samples, rate_hz: int, slices: Sequence[Slice], plays: Mapping[Role, int], pattern: Pattern, *,
    tempo_bpm: float, swing: float = 0.5, swing_pair: float = 0.5,
) -> Pass:  # fmt: skip
    """One pass of the beat's pattern, `(frames, channels)`, played by slices: role -> index, see `slice_of_role`.

    A role's next hit ends the one before, as on a sampler pad; other roles ring on beside it.
    """
    beat_frames = 60.0 / tempo_bpm * rate_hz
    frames = round(pattern.length_beats * beat_frames)
    at: dict[Role, list[tuple[int, float]]] = {}
    for hit in pattern.hits:
        place = swung(hit.beat, swing, pair=swing_pair) if pattern.swing_applies else hit.beat
        if hit.role in plays:
            at.setdefault(hit.role, []).append((round(place * beat_frames), hit.velocity**2))
    placed = []
    for role, hits in at.items():
        one = slices[plays[role]]
        rings = min(frames, one.end - one.hit + round(RINGS_ON_S * rate_hz))
        cuts = np.sort([place for other in (role, *CHOKED_BY.get(role, ())) for place, _ in at.get(other, [])])
        for place, gain in sorted(hits):
            later = cuts[cuts > place]
            following = int(later[0] if len(later) else cuts[0] + frames) - _lead(rate_hz)
            rests = following > place + rings
            until = place + rings if rests else following
            placed.append(Placed(one, place, max(until, place + 1), gain, rests))
    placed.sort(key=lambda one: (one.hit, one.slice.hit))
    return lay(samples, rate_hz, placed, frames)


def keys_of(slices: Sequence[Slice], rate_hz: int) -> dict[int, int]:
    """The key of each slice, by index: of a role the best on its General MIDI note, further ones from 84 up.

    What lies past the last key has none.
    """
    best = {index for role, index in slice_of_role(slices, rate_hz).items() if slices[index].role == role}
    keys = {index: MIDI_NOTE[slices[index].role] for index in sorted(best)}
    free = iter(range(FIRST_FREE_KEY, 128))
    for index in range(len(slices)):
        if index not in keys and (key := next(free, None)) is not None:
            keys[index] = key
    return keys


def on_its_own(samples: Samples, rate_hz: int, one: Slice) -> Samples:
    """A slice as a sound, from just before its hit to where the next is, its edges faded."""
    out = np.array(samples[max(0, one.hit - _lead(rate_hz)) : one.end], dtype=np.float64)
    rise, fall = (min(len(out), max(1, round(edge_s * rate_hz))) for edge_s in (LEAD_S / 2, CROSS_FADE_S))
    out[:rise] *= np.linspace(0.0, 1.0, rise, endpoint=False)[:, None]
    out[len(out) - fall :] *= np.linspace(1.0, 0.0, fall)[:, None]
    return out


def groove_kept(loop: LoopMeasures, pattern: Pattern, plays: Mapping[Role, Role]) -> float:
    """Of the loop's own hits, weighed by their amplitude, the share that the pattern plays too, 0-1.

    `plays`: the role of the slice by which each role is played.  0 for a loop whose tempo is not known.
    """
    if loop.tempo_bpm is None or not loop.beats:
        return 0.0
    span = min(LONGEST_COMPARED, max(pattern.length_beats, loop.beats))
    played = [
        (hit.beat + k * pattern.length_beats, plays[hit.role])
        for k in range(ceil(span / pattern.length_beats)) for hit in pattern.hits if hit.role in plays
    ]  # fmt: skip
    kept = whole = 0.0
    for k in range(ceil(span / loop.beats)):
        for one in loop.hits:
            place = (one.time_s - loop.downbeat_s) * loop.tempo_bpm / 60.0 + k * loop.beats
            weight = 10.0 ** (one.level_db / 20.0)
            whole += weight
            kept += weight * any(role == one.role and abs(at - place) <= SAME_SLOT for at, role in played)
    return kept / whole if whole else 0.0


def lay(samples: Samples, rate_hz: int, placed: Sequence[Placed], frames: int) -> Pass:
    """Slices of `samples`, `(frames, channels)`, added up in a pass of `frames`, in a circle; float64."""
    out = np.zeros((frames, samples.shape[1]))
    whole, changed = 1e-30, 0.0
    for one in placed:
        sound = sound_of(samples, rate_hz, one)
        made = sound[_fade(rate_hz) + one.slice.end - one.slice.hit + _lead(rate_hz) :]
        lost = samples[max(0, one.slice.hit + one.until - one.hit) : one.slice.end] * one.gain
        gone = float(np.square(lost).sum())
        changed += float(np.square(made).sum()) + gone
        whole += float(np.square(sound).sum()) + gone
        start, done = (one.hit - _lead(rate_hz) - _fade(rate_hz)) % max(1, frames), 0
        while frames and done < len(sound):
            count = min(len(sound) - done, frames - start)
            out[start : start + count] += sound[done : done + count]
            start, done = 0, done + count
    return Pass(out, tuple(placed), changed / whole)


def sound_of(samples: Samples, rate_hz: int, one: Placed) -> Samples:
    """A slice as it sounds in the pass, from what leads into it (3 ms before its cut) to its end, at its gain."""
    fade, cut = _fade(rate_hz), one.slice.hit - _lead(rate_hz)
    length = max(1, one.until - one.hit + _lead(rate_hz))
    held = min(length, max(1, one.slice.end - cut))
    first = cut - fade
    out = np.zeros((fade + length, samples.shape[1]))
    found = samples[max(0, first) : cut + held]
    out[max(0, -first) : max(0, -first) + len(found)] = found
    if length > held:
        out[fade + held :] = _decay(out[fade : fade + held], length - held, rate_hz)
    rise = np.arange(1, fade + 1)[:, None] / (fade + 1)
    out[:fade] *= rise
    end = min(length, max(fade, round(REST_FADE_S * rate_hz))) if one.rests else min(length, fade)
    out[len(out) - end :] *= (np.arange(end, 0, -1) / (end + 1))[:, None]
    return out * one.gain if one.gain != 1.0 else out


def _decay(body: Samples, count: int, rate_hz: int) -> Samples:
    """`count` frames that go on where a slice ends, falling as its tail fell."""
    from scipy.ndimage import uniform_filter1d

    tail = body[-max(1, round(TAIL_S * rate_hz)) :]
    power = np.einsum("ij,ij->i", tail, tail)
    first = max(0, min(int(power.argmax()) + round(0.01 * rate_hz), len(tail) - round(0.03 * rate_hz)))
    tail, power = tail[first:], power[first:]
    if len(tail) < 2 or not power.any():
        return np.zeros((count, body.shape[1]))
    level = np.sqrt(uniform_filter1d(power, min(len(power), round(SMOOTHED_S * rate_hz)), mode="reflect"))
    level = np.maximum(level, 1e-9 * float(level.max()))
    seen = np.log(level[:: max(1, round(0.002 * rate_hz))])
    apart = np.arange(len(seen)) - 0.5 * (len(seen) - 1)
    slope = min(0.0, float(apart @ seen / max(float(apart @ apart), 1e-9)) / max(1, round(0.002 * rate_hz)))
    out = np.zeros((count, body.shape[1]))
    count = min(count, int(GONE_NEPER / max(-slope, 1e-9)) + 1)
    turn = np.arange(count) % (2 * len(tail))  # back from the end, and forth again
    index = np.where(turn < len(tail), len(tail) - 1 - turn, turn - len(tail))
    wanted: Array = level[-1] * np.exp(slope * np.arange(1, count + 1))
    out[:count] = tail[index] * np.minimum(1.0, wanted / level[index])[:, None]
    return out


def feel_of_beat(loop_swing: float | None, swing: float, *, pair: float = 0.5) -> Callable[[float], float]:
    """Places in quarter notes moved from the loop's swing, straight where it cannot be told, to the beat's."""
    own = loop_swing if loop_swing is not None else 0.5

    def moved(place: float) -> float:
        number, inside = divmod(place / pair, 1.0)
        straight = 0.5 * inside / own if inside < own else 0.5 + 0.5 * (inside - own) / (1.0 - own)
        return swung((number + straight) * pair, swing, pair=pair)

    return moved


def level_db(samples: Samples) -> float:
    """Mean power in dB, bounded below."""
    return 10.0 * float(np.log10(np.mean(samples**2) + 1e-20)) if samples.size else -200.0


def _lead(rate_hz: int) -> int:
    return round(LEAD_S * rate_hz)


def _fade(rate_hz: int) -> int:
    return max(1, round(CROSS_FADE_S * rate_hz))
