"""Loops on the grid: brought to the beat's tempo, cut to whole beats, repeated.

Conventions
    A loop is brought to the tempo by the gentlest means: as it is (the difference is inaudible), repitch (like a record
    played faster: tempo and pitch move together), or stretch (a phase vocoder keeps the pitch and smears attacks).
    Half and double time are tried, and the smallest change is taken.
    Pitch change of a repitch in semitones: 12*log2(ratio).
    A pass lasts whole bars of the beat, or a whole number of passes makes a bar, so that beat one stays on beat one: a
    loop of other lengths is cut back, or followed by a rest, whichever is nearer (common practice, no source).
    A pickup, what sounds before beat one, leads into the next pass: it is laid over the end of the pass, unless that
    sounds as loud itself and so leads in already.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from math import log2

import numpy as np

from dossier.arrange.one_shots import cumulative_at
from dossier.model.beat import Pattern
from dossier.model.findings import LoopFit
from dossier.model.measures import FRAME_S, Array, BandEnergies, Grid, LoopMeasures, Samples
from dossier.model.numbers import signed
from dossier.model.vocabulary import ROLES

STRETCH_WINDOW_S = 0.02
SHORTEST_STRETCH_S = 0.01  # a shorter piece has no pitch to keep: it is repitched
PICKUP_STANDS_OUT_DB = 6.0
EDGE_FADE_S = 0.0025


def fit_loop(
    loop: LoopMeasures, *, duration_s: float, tempo_bpm: float, swing: float = 0.5, bar_beats: float = 4.0,
    policy: Mapping[str, float],
) -> LoopFit:  # fmt: skip
    """Decide how a loop is brought to `tempo_bpm`; without a steady tempo it is laid as it is, as a poor match.

    `swing`, `bar_beats`: the beat's swing and the quarter notes in its bar; the fit's note says where the loop differs.
    Up to `loop_as_is_within` (a setting, as the others) nothing is done, up to `loop_repitch_within` the loop is
    repitched, above it stretched; beyond `loop_poor_beyond` it is marked as a poor match.
    """
    if loop.tempo_bpm is None:
        beats, uneven = _whole_bars(max(1.0, round((duration_s - loop.downbeat_s) * tempo_bpm / 60.0)), bar_beats)
        why = loop.reasons.get("tempo_bpm", "no steady tempo was found in it")
        words = [why, "it is laid from its first sound, tempo unchanged", uneven]
        return LoopFit(
            method="as it is", ratio=1.0, change_percent=0.0, semitones=0.0, source_tempo_bpm=None, beats=beats,
            downbeat_s=loop.downbeat_s, poor_match=True, note="; ".join(word for word in words if word),
        )  # fmt: skip
    source = loop.tempo_bpm
    cost_of = {1.0: 0.0, 0.5: policy["loop_half_time_cost"], 2.0: policy["loop_half_time_cost"]}
    factor = min(cost_of, key=lambda f: abs(log2(tempo_bpm * f / source)) + cost_of[f])
    ratio = tempo_bpm * factor / source
    change = ratio - 1.0
    own = loop.beats if loop.beats is not None else duration_s * source / 60.0
    beats, uneven = _whole_bars(max(0.5, round(own * 2.0 / factor) / 2.0), bar_beats)
    time_note = {0.5: "played in half time", 1.0: "", 2.0: "played in double time"}[factor]
    if abs(change) <= policy["loop_as_is_within"]:
        ratio, method, semitones, cost = 1.0, "as it is", 0.0, "fits as it is"
    elif abs(change) <= policy["loop_repitch_within"]:
        method, semitones = "repitch", 12.0 * log2(ratio)
        cost = f"repitched by {signed(100 * change)} %, which moves its pitch by {signed(semitones, 2)} semitones"
    else:
        method, semitones = "stretch", 0.0
        cost = f"stretched by {signed(100 * change)} %, which keeps its pitch and softens its attacks"
    poor = abs(change) > policy["loop_poor_beyond"]
    far = f"more than {100 * policy['loop_poor_beyond']:.0f} % away: a poor match" if poor else ""
    feel = ""
    if factor == 1.0 and loop.swing is not None:
        feel = f"its swing of {100 * loop.swing:.0f} % goes with the beat's"
        if abs(loop.swing - swing) >= policy["loop_swing_heard"]:
            feel = f"its swing is {100 * loop.swing:.0f} % against {100 * swing:.0f} % in the beat"
    words = [cost, time_note, feel, uneven, far]
    return LoopFit(
        method=method, ratio=ratio, change_percent=100.0 * change, semitones=semitones,
        source_tempo_bpm=source, beats=beats, downbeat_s=loop.downbeat_s, poor_match=poor,
        note="; ".join(word for word in words if word),
    )  # fmt: skip


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
    if len(lead) and _level(lead) > _level(cycle[frames - len(lead) :]) + PICKUP_STANDS_OUT_DB:
        cycle[frames - len(lead) :] += lead
    return cycle


def _level(samples: Samples) -> float:
    """Mean power in dB, bounded below."""
    return 10.0 * float(np.log10(np.mean(samples**2) + 1e-20)) if samples.size else -200.0


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
