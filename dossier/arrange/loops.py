"""Loops on the grid: brought to the beat's tempo by every means that there is, cut to whole beats, repeated.

Conventions
    As it is: only its length is made to fit.  Repitch: like a record played faster, tempo and pitch move together by
    12*log2(ratio) semitones.  Sliced: cut at its hits, each laid where it belongs (`dossier.arrange.slices`).  Stretch:
    a phase vocoder keeps the pitch and smears attacks.  Re-laid: its slices play the beat's pattern.
    Half and double time are tried, and the smallest change is taken.
    A pass lasts whole bars of the beat, or a whole number of passes makes a bar, so that beat one stays on beat one: a
    loop of other lengths is cut back, or followed by a rest, whichever is nearer (common practice, no source).
    A pickup, what sounds before beat one, leads into the next pass: it is laid over the end of the pass, unless that
    sounds as loud itself and so leads in already.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from math import log2
from typing import Any

import numpy as np
from msgspec.structs import replace

from dossier.arrange.one_shots import cumulative_at
from dossier.arrange.pattern import roles_of
from dossier.arrange.slices import PICKUP_STANDS_OUT_DB, Slice, level_db
from dossier.model.beat import Pattern
from dossier.model.findings import LoopFit
from dossier.model.measures import FRAME_S, Array, BandEnergies, Grid, LoopMeasures, Samples
from dossier.model.numbers import signed
from dossier.model.vocabulary import ROLES, Feel, Means, Role

STRETCH_WINDOW_S = 0.02
SHORTEST_STRETCH_S = 0.01  # a shorter piece has no pitch to keep: it is repitched
EDGE_FADE_S = 0.0025
LOUD_DB = -20.0  # below the loudest hit


def fits(
    loop: LoopMeasures, *, duration_s: float, tempo_bpm: float, swing: float = 0.5, bar_beats: float = 4.0,
    feel: Feel = "own", policy: Mapping[str, float],
) -> dict[Means, LoopFit | str]:  # fmt: skip
    """How a loop is brought to `tempo_bpm` by each means but re-laying, or why that means is none.

    `swing`, `bar_beats`: the beat's swing and the quarter notes in its bar; notes say where the loop differs.  Within
    `loop_as_is_within` (a setting) of the tempo nothing else is needed.
    """
    if loop.tempo_bpm is None:
        beats, uneven = _whole_bars(max(1.0, round((duration_s - loop.downbeat_s) * tempo_bpm / 60.0)), bar_beats)
        why = loop.reasons.get("tempo_bpm", "no steady tempo was found in it")
        words = [why, "it is laid from its first sound, tempo unchanged", uneven]
        as_it_is = LoopFit(
            method="as it is", ratio=1.0, change_percent=0.0, semitones=0.0, source_tempo_bpm=None, beats=beats,
            downbeat_s=loop.downbeat_s, poor_match=True, note="; ".join(word for word in words if word),
        )  # fmt: skip
        return {"as it is": as_it_is, **dict.fromkeys(("repitch", "sliced", "stretch"), why)}
    source = loop.tempo_bpm
    cost_of = {1.0: 0.0, 0.5: policy["loop_half_time_cost"], 2.0: policy["loop_half_time_cost"]}
    factor = min(cost_of, key=lambda f: abs(log2(tempo_bpm * f / source)) + cost_of[f])
    ratio = tempo_bpm * factor / source
    percent, semitones = 100.0 * (ratio - 1.0), 12.0 * log2(ratio)
    own = loop.beats if loop.beats is not None else duration_s * source / 60.0
    beats, uneven = _whole_bars(max(0.5, round(own * 2.0 / factor) / 2.0), bar_beats)
    time_note = {0.5: "played in half time", 1.0: "", 2.0: "played in double time"}[factor]
    its_feel = ""
    if factor == 1.0 and loop.swing is not None:
        its_feel = f"its swing of {100 * loop.swing:.0f} % goes with the beat's"
        if abs(loop.swing - swing) >= policy["loop_swing_heard"]:
            its_feel = f"its swing is {100 * loop.swing:.0f} % against {100 * swing:.0f} % in the beat"
    fit = LoopFit(method="as it is", ratio=1.0, change_percent=percent, semitones=0.0, source_tempo_bpm=source,
                  beats=beats, downbeat_s=loop.downbeat_s, poor_match=False, note="")  # fmt: skip

    def told(words: str, its_feel: str = its_feel, **changes: Any) -> LoopFit:
        said = (words, time_note, its_feel, uneven)
        return replace(fit, **changes, note="; ".join(word for word in said if word))

    if abs(ratio - 1.0) <= policy["loop_as_is_within"]:
        done = told("fits as it is")
        return {"as it is": done, **dict.fromkeys(("repitch", "sliced", "stretch"), "not needed: it fits as it is")}
    to = f"{signed(percent)} %"
    sliced: LoopFit | str = f"it cannot be sliced: {loop.reasons.get('hits', 'no hits were found in it')}"
    if loop.hits:
        moved = f"given the beat's swing of {100 * swing:.0f} %" if feel == "beat" else its_feel
        sliced = told(f"cut at its hits and moved by {to}", moved, method="sliced", ratio=ratio, feel=feel)
    repitched = f"repitched by {to}, which moves its pitch by {signed(semitones, 2)} semitones"
    return {
        "as it is": told(f"laid as it is, {to} away"),
        "repitch": told(repitched, method="repitch", ratio=ratio, semitones=semitones),
        "sliced": sliced,
        "stretch": told(f"stretched by {to}, which keeps its pitch and softens its attacks", method="stretch",
                        ratio=ratio),
    }  # fmt: skip


def relaid_fit(like: LoopFit, pattern: Pattern, plays: Mapping[Role, Slice]) -> LoopFit:
    """How a loop's slices play the beat's pattern; `plays` tells the slice of each role."""
    roles = [role for role in roles_of([pattern]) if role in plays]
    missing = [role.replace("-", " ") for role in roles_of([pattern]) if role not in plays]
    by = [f"{plays[role].role.replace('-', ' ')} at {plays[role].time_s:.2f} s" for role in roles]
    told = ", ".join(f"{role.replace('-', ' ')} by the {one}" for role, one in zip(roles, by, strict=True))
    note = f"its slices play the pattern: {told}" + (f"; nothing in it plays {' or '.join(missing)}" if missing else "")
    return replace(like, method="re-laid", ratio=1.0, change_percent=0.0, semitones=0.0, feel="beat", note=note,
                   beats=pattern.length_beats)  # fmt: skip


def _whole_bars(beats: float, bar_beats: float) -> tuple[float, str]:
    """Quarter notes of a pass that keeps to the bars, and what had to be done for it."""
    bars = beats / bar_beats
    passes = 1.0 / bars
    if abs(bars - round(bars)) < 0.01 or (bars < 1.0 and abs(passes - round(passes)) < 0.01):
        return beats, ""
    kept = bar_beats * max(1, round(bars - 0.01))  # a tie is cut rather than padded
    done = f"a rest of {kept - beats:g} follows each pass"
    if kept < beats:
        done = f"its last {beats - kept:g} {'is' if beats - kept == 1 else 'are'} left out"
    return kept, f"its {beats:g} quarter notes are not whole bars of this beat, so {done}"


def shortened(fit: LoopFit, *, beats: float, bar_beats: float) -> LoopFit:
    """The fit, cut to a beat of `beats` quarter notes: of a longer loop only what is heard is laid."""
    if fit.beats <= beats:
        return fit
    note = f"longer than the beat: {beats / bar_beats:g} of its {fit.beats / bar_beats:g} bars are heard"
    return replace(fit, beats=beats, note=f"{fit.note}; {note}")


def part_by_part(loop: LoopMeasures, fit: LoopFit, pattern: Pattern, *, tempo_bpm: float, bar_beats: float) -> str:
    """What the loop plays against what a kit would play (`pattern`), role by role in hits a bar, in words.

    Only hits in the part of the loop that `fit` lays count; empty where none is known.
    """
    last_s = fit.downbeat_s + fit.beats * 60.0 / tempo_bpm * fit.ratio - 0.01
    mine = Counter(hit.role for hit in loop.hits if fit.downbeat_s - 0.01 <= hit.time_s < last_s)
    if not mine:
        return ""
    theirs = Counter(hit.role for hit in pattern.hits)
    bars, pattern_bars = fit.beats / bar_beats, pattern.length_beats / bar_beats
    pairs = [
        f"{role.replace('-', ' ')} {mine[role] / bars:.3g} against {theirs[role] / pattern_bars:.3g}"
        for role in ROLES if role in mine or role in theirs
    ]  # fmt: skip
    return f"hits a bar, the loop against the pattern: {', '.join(pairs)}"


def loud_hits_s(loop: LoopMeasures, fit: LoopFit | None = None, *, tempo_bpm: float = 0.0) -> Array:
    """Times of the hits that are loud enough to tell an attack; of a fit only those in the part that it lays."""
    loud = np.array([hit.time_s for hit in loop.hits if hit.level_db > LOUD_DB])
    if fit is None:
        return loud
    last_s = fit.downbeat_s + fit.beats * 60.0 / tempo_bpm * fit.ratio
    return loud[(loud >= fit.downbeat_s) & (loud < last_s - EDGE_FADE_S)]


def cycle_samples(samples: Samples, rate_hz: int, fit: LoopFit, *, tempo_bpm: float) -> Samples:
    """One pass of the fitted loop from its downbeat, `(frames, channels)` float64, `fit.beats` long at `tempo_bpm`.

    A pass that is too short is padded with silence; for what lies before the downbeat see the module's conventions.
    """
    start = round(fit.downbeat_s * rate_hz)
    frames = round(fit.beats * 60.0 / tempo_bpm * rate_hz)
    needed = round(frames * fit.ratio) + rate_hz  # what lies far past the pass need not be brought to the tempo
    body, pickup = _at_tempo(samples[start : start + needed], rate_hz, fit), _at_tempo(samples[:start], rate_hz, fit)
    cycle = np.zeros((frames, samples.shape[1]))
    cut = min(frames, len(body))
    cycle[:cut] = body[:cut]
    fade = min(cut, max(1, round(EDGE_FADE_S * rate_hz)))
    if len(body) > frames:  # ends by a cut: a short fade instead of a click
        cycle[cut - fade : cut] *= np.linspace(1.0, 0.0, fade)[:, None]
    lead = pickup[-min(frames, len(pickup)) :] if len(pickup) else pickup
    if len(lead) and level_db(lead) > level_db(cycle[frames - len(lead) :]) + PICKUP_STANDS_OUT_DB:
        cycle[frames - len(lead) :] += lead
    return cycle


def _at_tempo(samples: Samples, rate_hz: int, fit: LoopFit) -> Samples:
    if fit.method == "as it is" or len(samples) < 2:
        return np.asarray(samples, dtype=np.float64)
    if fit.method == "repitch" or len(samples) < SHORTEST_STRETCH_S * rate_hz:
        import soxr

        return np.asarray(soxr.resample(np.asarray(samples, dtype=np.float64), fit.ratio, 1.0, quality="HQ"))
    import librosa

    # About 20 ms: long enough for a drum's tone, short enough to keep its attack in place.
    window = 2 ** round(log2(max(64.0, min(STRETCH_WINDOW_S * rate_hz, len(samples) / 4))))
    stretched = librosa.effects.time_stretch(
        np.ascontiguousarray(samples.T, dtype=np.float64), rate=fit.ratio, n_fft=window, hop_length=window // 4
    )
    return np.asarray(stretched.T)


def span(grid: Grid, rate_hz: int) -> tuple[int, int]:
    """First sample of a loop in the beat, and the one after its last."""
    start_s = grid.first_downbeat_s
    return round(start_s * rate_hz), round((start_s + grid.slots * grid.slot_s) * rate_hz)


def add_cycle(out: Samples, cycle: Samples, rate_hz: int, grid: Grid, *, start_s: float = 0.0) -> None:
    """Add the repeated pass to `out`, in place; both `(frames, channels)`, the first sample of `out` at `start_s`."""
    downbeat, end = (place - round(start_s * rate_hz) for place in span(grid, rate_hz))
    start, stop = max(0, downbeat), min(len(out), end)
    while start < stop:
        inside = (start - downbeat) % len(cycle)
        count = min(len(cycle) - inside, stop - start)
        out[start : start + count] += cycle[inside : inside + count]
        start += count


def lay_cycle_energies(cycle: BandEnergies, grid: Grid) -> Array:
    """Mean power of the repeated loop in every frame, linear, `(frames, fine bands)`, from the energies of one pass."""
    edges = FRAME_S * np.arange(grid.frames + 1)
    passes, inside = np.divmod(edges + 1e-9, cycle.duration_s)
    accumulated = passes[:, None] * cycle.cumulative[-1] + cumulative_at(cycle, np.maximum(inside - 1e-9, 0.0))
    return np.asarray(np.maximum(np.diff(accumulated, axis=0), 0.0) / FRAME_S)
