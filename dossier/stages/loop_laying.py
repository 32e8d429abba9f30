"""Loops in the beat: laid by each means that there is, and what each costs, measured on what was laid."""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier import audio
from dossier.arrange import loops, slices
from dossier.arrange.slices import Pass, Slice
from dossier.decide import means as decide_means
from dossier.measure import attacks
from dossier.memo import Memo
from dossier.model.findings import LoopCost, LoopFit
from dossier.model.measures import Array, LoopMeasures, Samples
from dossier.model.parts import Drum, DrumPart, Groove
from dossier.model.situation import Situation
from dossier.model.vocabulary import Means, Role
from dossier.stages.library import sound_of

GLANCE_BARS = 2


class LaidLoop(Struct, frozen=True, eq=False):
    """One pass and what it cost, as they are kept."""

    samples: Samples  # of single precision
    cost: LoopCost


def fits_of(drum: Drum, here: Situation, groove: Groove) -> dict[Means, LoopFit | str]:
    """How the loop is brought to the beat by each means, or why that means is none."""
    loop, grid, policy = drum.measures.loop, here.grid, here.policy
    assert loop is not None
    bar = grid.bar_beats
    found = loops.fits(loop, duration_s=drum.measures.duration_s, tempo_bpm=grid.tempo_bpm, swing=grid.swing,
                       bar_beats=bar, feel=drum.file.feel, policy=policy)  # fmt: skip
    for means, fit in found.items():
        if not isinstance(fit, str):
            short = loops.shortened(fit, beats=grid.bars * bar, bar_beats=bar)
            beside = loops.part_by_part(loop, short, groove.pattern, tempo_bpm=grid.tempo_bpm, bar_beats=bar)
            found[means] = replace(short, note=f"{short.note}; {beside}") if beside else short
    like = found["as it is"]
    assert not isinstance(like, str)
    found["re-laid"] = _relaid(drum, loop, like, groove, policy["relaid_least_played"])
    return found


def _relaid(drum: Drum, loop: LoopMeasures, like: LoopFit, groove: Groove, least: float) -> LoopFit | str:
    if not loop.hits:
        return f"it cannot be sliced: {loop.reasons.get('hits', 'no hits were found in it')}"
    rate = drum.measures.sample_rate_hz
    cut, plays = _slices(drum, round(drum.measures.duration_s * rate), rate)
    pins, hits = drum.file.plays, groove.pattern.hits
    own = sum(h.role in plays and (h.role in pins or cut[plays[h.role]].role == h.role) for h in hits)
    if own < least * len(hits):
        return f"its slices can play {own} of the pattern's {len(hits)} hits"
    fit = loops.relaid_fit(like, groove.pattern, {role: cut[index] for role, index in plays.items()})
    others = ", ".join(groove.section_patterns)  # a pass is repeated through the whole beat
    return replace(fit, note=f"{fit.note}; in {others} too, despite its own pattern") if others else fit


def _slices(drum: Drum, frames: int, rate_hz: int) -> tuple[tuple[Slice, ...], dict[Role, int]]:
    assert drum.measures.loop is not None
    cut = slices.slices_of(drum.measures.loop.hits, frames=frames, rate_hz=rate_hz)
    return cut, slices.slice_of_role(cut, rate_hz, pins=drum.file.plays)


def first_of(found: dict[Means, LoopFit | str], wanted: Means | None) -> Means:
    """The means for a first look: the wanted one, as it is where that fits, else cut, which takes no time to lay."""
    possible = [means for means, fit in found.items() if not isinstance(fit, str)]
    order: tuple[Means | None, ...] = (wanted, "sliced", "repitch", "as it is")
    return next(means for means in order if means is not None and means in possible)


def loop_part(
    drum: Drum, fit: LoopFit, here: Situation, groove: Groove, memo: Memo, *, samples: Samples | None = None
) -> DrumPart:
    """The loop in the beat by one means; `samples`: at the beat's rate, where they are at hand."""
    grid = here.grid
    rate = here.music.rate_hz
    measured = drum.measures.loop
    assert measured is not None

    def lay() -> LaidLoop:
        sound = samples if samples is not None else audio.resample(sound_of(drum), rate).samples
        laid, places = _lay(drum, measured, fit, sound, here, groove)
        return LaidLoop(laid.samples.astype(np.float32), _cost(drum, measured, fit, laid, places, sound, rate, groove))

    depends = (measured.hits, measured.swing, drum.file.plays) if _cut(fit) else ()
    kept = memo("level", LaidLoop, lay, drum.sha256, rate, fit.method, fit.feel, fit.ratio, fit.beats, fit.downbeat_s,
                fit.source_tempo_bpm, depends)  # fmt: skip
    match = 0.0 if fit.source_tempo_bpm is None and not _cut(fit) else decide_means.match(kept.cost, here.policy)
    poor = match < here.policy["loop_poor_below"]
    told = replace(fit, match=match, cost=kept.cost, poor_match=poor)
    return DrumPart(name=drum.name, kind="loop", role=None, samples=kept.samples.astype(float), rate_hz=rate,
                    grid=grid, voice=None, loop=told)  # fmt: skip


def glance(drum: Drum, here: Situation, groove: Groove, memo: Memo) -> DrumPart:
    """Its first bars, to look at it coarsely: of hundreds of loops nobody needs all."""
    ways = fits_of(drum, here, groove)
    fit = ways[first_of(ways, drum.file.means)]
    assert not isinstance(fit, str)
    short = replace(fit, beats=min(fit.beats, GLANCE_BARS * here.grid.bar_beats))
    part = loop_part(drum, short, here, groove, memo)
    part = part.with_samples(part.samples.astype(np.float32))
    return replace(part, loop=replace(part.loop, beats=fit.beats)) if part.loop is not None else part


def _cut(fit: LoopFit) -> bool:
    return fit.method in ("sliced", "re-laid")


def _lay(
    drum: Drum, loop: LoopMeasures, fit: LoopFit, sound: Samples, here: Situation, groove: Groove
) -> tuple[Pass, tuple[Array, Array]]:
    """One pass, and where hits lie in the loop and in it, in seconds."""
    rate, tempo = here.music.rate_hz, here.grid.tempo_bpm
    if not _cut(fit):
        cycle = loops.cycle_samples(sound, rate, fit, tempo_bpm=tempo)
        times = loops.loud_hits_s(loop, fit, tempo_bpm=tempo)
        return Pass(cycle, (), 0.0), (times, (times - fit.downbeat_s) / fit.ratio)
    laid, loud = cut_pass(drum, fit, sound, here, groove)[1], set(loops.loud_hits_s(loop))
    heard = [one for one in laid.placed if one.slice.time_s in loud]
    return laid, (np.array([one.slice.time_s for one in heard]), np.array([one.hit / rate for one in heard]))


def cut_pass(
    drum: Drum, fit: LoopFit, sound: Samples, here: Situation, groove: Groove
) -> tuple[tuple[Slice, ...], Pass]:
    """The slices of a loop, `sound` at the beat's rate, and the pass that they play."""
    grid, rate, loop = here.grid, here.music.rate_hz, drum.measures.loop
    assert loop is not None
    tempo, swing, pair = grid.tempo_bpm, grid.swing, grid.swing_pair_beats
    cut, plays = _slices(drum, len(sound), rate)
    if fit.method == "re-laid":
        played = groove.pattern
        return cut, slices.relaid(sound, rate, cut, plays, played, tempo_bpm=tempo, swing=swing, swing_pair=pair)
    feel = slices.feel_of_beat(loop.swing, swing, pair=pair) if fit.feel == "beat" else None
    return cut, slices.sliced(sound, rate, cut, downbeat_s=fit.downbeat_s, ratio=1.0 + fit.change_percent / 100.0,
                              beats=fit.beats, tempo_bpm=tempo, feel=feel)  # fmt: skip


def _cost(
    drum: Drum, loop: LoopMeasures, fit: LoopFit, laid: Pass, places: tuple[Array, Array], sound: Samples, rate: int,
    groove: Groove,
) -> LoopCost:  # fmt: skip
    times, laid_at = places
    pad = min(len(laid.samples), round(attacks.BEFORE_S * 2 * rate))
    around = np.concatenate([laid.samples[len(laid.samples) - pad :], laid.samples, laid.samples[:pad]])
    slower = attacks.rises_s(around, rate, laid_at + pad / rate) - attacks.rises_s(sound, rate, times)
    known = slower[np.isfinite(slower)]
    timing = 0.0
    if fit.method == "as it is" and fit.source_tempo_bpm is not None:
        away = abs(1.0 - 1.0 / (1.0 + fit.change_percent / 100.0))
        timing = away * (float(laid_at.mean()) if len(laid_at) else 0.5 * len(laid.samples) / rate)
    kept = 1.0
    if fit.method == "re-laid":
        cut, plays = _slices(drum, len(sound), rate)
        kept = slices.groove_kept(loop, groove.pattern, {role: cut[index].role for role, index in plays.items()})
    return LoopCost(
        attack_smear_ms=max(0.0, 1e3 * float(np.median(known))) if len(known) else 0.0, timing_ms=1e3 * timing,
        semitones=fit.semitones, gaps=laid.gaps, groove_kept=kept,
    )  # fmt: skip
