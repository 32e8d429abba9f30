"""Treatments: for the drums of each approach the plan that leads in the direction, searched in this beat.

Every trial is rendered, laid on the grid and measured against the instrumental on the ranking's slots, at the drum's
own gain; the before and after that are shown are measured on the whole beat.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.decide import plan as decide_plan
from dossier.decide.plan_goals import Goals
from dossier.measure import hearing, hits, inbeat, loudness
from dossier.model.findings import Approach, DrumFigures, Plan
from dossier.model.measures import Array, Indices, Samples
from dossier.model.vocabulary import Direction
from dossier.stages.analyse import Analysis
from dossier.stages.levels import as_it_plays, target_of
from dossier.stages.placing import Playable
from dossier.stages.produce import Treated
from dossier.stages.rank import Placed, Ranking, rescored, with_members
from dossier.stages.settle import Part, part_of
from dossier.treat import FAMILIES, peaks
from dossier.workers import spread

ENVELOPE_POINTS = 120
ENVELOPE_FLOOR_DB = -60.0
LAYERS = 3  # second files that layering may try


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One search with all that it needs, so that it can run in another process."""

    play: Playable
    gain_db: float
    scene: inbeat.Scene
    slots: Indices
    direction: Direction
    layers: Mapping[str, Samples]
    goals: Goals
    most: int
    plan_id: str
    slug: str


def search_plans(analysis: Analysis, ranking: Ranking, approach: Approach, *, jobs: int = 1) -> tuple[Treated, ...]:
    """A plan for each member of the kit and for the best loops, in the approach's direction."""
    loops = [item for item in ranking.loops if item.closely][: int(analysis.policy["plans_loops"])]
    wanted = (*ranking.kit_parts, *loops)
    tasks = [_task(analysis, ranking, approach.direction, placed, number) for number, placed in enumerate(wanted, 1)]
    found = spread(search, tasks, jobs=jobs)
    return tuple(
        Treated(plan=plan, placed=placed, samples=samples)
        for placed, (plan, samples) in zip(wanted, found, strict=True)
    )


def treated_part(placed: Placed, treated: Sequence[Treated]) -> Part:
    """The part of the balance: with its plan where that helped."""
    part = part_of(placed)
    for item in treated:
        if item.placed.drum is placed.drum and item.plan.helped and item.plan.steps:
            play = placed.play.with_samples(item.samples)
            return replace(part, play=play, powers=play.powers(), plays=as_it_plays(play), treated=True)
    return part


def treated_ranking(analysis: Analysis, ranking: Ranking, treated: Sequence[Treated]) -> Ranking:
    """The ranking as it comes out with the plans that helped: what the approach is decided on."""
    by_name = {item.placed.drum.name: item for item in treated if item.plan.helped and item.plan.steps}

    def after(placed: Placed) -> Placed:
        item = by_name.get(placed.drum.name)
        if item is None:
            return placed
        return rescored(placed, analysis, placed.play.with_samples(item.samples), ranking.slots)

    loops = sorted((after(item) for item in ranking.loops), key=lambda item: (not item.closely, -item.score))
    return with_members(
        replace(ranking, loops=tuple(loops)), [after(item) for item in ranking.kit_parts], analysis
    )


def _task(analysis: Analysis, ranking: Ranking, direction: Direction, placed: Placed, number: int) -> Task:
    policy, play = analysis.policy, placed.play
    goals = Goals(
        gain=policy["plan_gain_goal"], share_loss=policy["plan_share_loss"],
        share_enough=target_of(analysis, play.role),
    )  # fmt: skip
    most = policy["plan_evaluations"] if play.kind == "one-shot" else policy["plan_loop_evaluations"]
    return Task(
        play=play, gain_db=placed.gain_db, scene=analysis.scene, slots=ranking.slots, direction=direction,
        layers=_layers(ranking, placed), goals=goals, most=int(most), plan_id=f"plan-{number:02d}",
        slug=analysis.beat.slug,
    )  # fmt: skip


def search(task: Task) -> tuple[Plan, Samples]:
    """Search one plan; the plan with its figures on the whole beat, and the drum as it leaves it."""
    play, on = task.play, task.scene.subset(task.slots)

    def quick(samples: Samples) -> DrumFigures:
        powers = play.powers(samples)
        found = inbeat.measure(on, inbeat.place(on, powers[task.slots], gain_db=task.gain_db))
        level = inbeat.plays_lufs(powers, on.k_weights, play.grid.slot_s)
        return replace(_figures(found, samples, play.rate_hz), integrated_lufs=level)

    result = decide_plan.search(
        play.samples, play.rate_hz, candidate=play.name, role=play.role, direction=task.direction, families=FAMILIES,
        measure=quick, true_peak=peaks.true_peak, layers=task.layers, goals=task.goals, most_evaluations=task.most,
        plan_id=task.plan_id,
    )  # fmt: skip
    before = full_figures(task.scene, play, play.samples, task.gain_db)
    after = full_figures(task.scene, play, result.samples, task.gain_db)
    stem = play.name.rsplit("/", 1)[-1].rsplit(".", 1)[0]
    name = f"{task.slug}-{task.plan_id.rsplit('-', 1)[-1]}-{play.role or 'loop'}-{stem}-treated.wav"
    plan = replace(
        decide_plan.told_again(result.plan, before=before, after=after, goals=task.goals),
        render=name if result.plan.helped and result.plan.steps else None,
        occupancy_change=_occupancy_change(task.scene, play, result.samples, task.gain_db),
    )  # fmt: skip
    return plan, result.samples


def full_figures(scene: inbeat.Scene, play: Playable, samples: Samples, gain_db: float) -> DrumFigures:
    """One side of a before-and-after, on the whole beat, with envelope and spectrum."""
    changed = play.with_samples(samples)
    powers = changed.powers()
    found = inbeat.measure(scene, inbeat.place(scene, powers, gain_db=gain_db))
    plays = as_it_plays(changed)
    envelope, step = envelope_db(samples, play.rate_hz)
    return replace(
        _figures(found, samples, play.rate_hz),
        integrated_lufs=plays.integrated_lufs,
        effective_length_s=hits.measure(samples, play.rate_hz, kind=play.kind, role=play.role).effective_length_s,
        envelope_db=envelope, envelope_step_s=step,
        spectrum_db=_spectrum(powers),
    )  # fmt: skip


def envelope_db(samples: Samples, rate_hz: int) -> tuple[tuple[float, ...], float]:
    """Peak envelope in dBFS over at most `ENVELOPE_POINTS` steps, and the step in seconds."""
    step = max(1, -(-len(samples) // ENVELOPE_POINTS))
    peaks = np.abs(samples).max(axis=1)
    padded = np.pad(peaks, (0, -len(peaks) % step)).reshape(-1, step).max(axis=1)
    levels = 20.0 * np.log10(np.maximum(padded, 10.0 ** (ENVELOPE_FLOOR_DB / 20.0)))
    return tuple(round(float(level), 2) for level in levels), step / rate_hz


def _figures(found: inbeat.InBeat, samples: Samples, rate_hz: int) -> DrumFigures:
    peak = loudness.measure(samples, rate_hz)
    return DrumFigures(
        sample_peak_dbfs=peak.sample_peak_dbfs, true_peak_dbtp=peak.true_peak_dbtp, integrated_lufs=None,
        crest_factor_db=peak.crest_factor_db, effective_length_s=None,
        fill=found.fill, room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
        audible_share=found.audible_share,
    )  # fmt: skip


def _layers(ranking: Ranking, placed: Placed) -> Mapping[str, Samples]:
    """Second files that may be layered under a one-shot: the best others of its role and of the roles beside it."""
    if placed.play.kind == "loop":
        return {}
    beside = {"snare": ("clap", "rim"), "clap": ("snare",), "rim": ("snare", "clap"), "kick": ("tom",)}
    roles = (placed.play.role, *beside.get(placed.play.role or "", ()))
    found = [
        item for item in ranking.one_shots
        if item.closely and item.play.role in roles and item.drum.name != placed.drum.name
    ]  # fmt: skip
    return {item.drum.name: item.play.samples for item in found[:LAYERS]}


def _spectrum(powers: Array) -> tuple[float, ...]:
    """K-unweighted mean power a band over the slots in which the part sounds, dB."""
    level = powers.sum(axis=1)
    rows = level > 0.01 * level.max(initial=0.0)
    mean = powers[rows].mean(axis=0) if rows.any() else powers.mean(axis=0)
    bands = len(hearing.BAND_HZ)
    inside = np.clip(np.digitize(hearing.FINE_CAM, hearing.BAND_EDGES_CAM) - 1, -1, bands)
    summed = np.array([mean[inside == band].sum() for band in range(bands)])
    return tuple(round(float(value), 1) for value in 10.0 * np.log10(np.maximum(summed, 1e-12)))


def _occupancy_change(
    scene: inbeat.Scene, play: Playable, samples: Samples, gain_db: float
) -> tuple[tuple[float, ...], ...]:
    """Occupancy with the treated drum less with the untreated one, `(band, slot)`, over the first bar it plays in."""
    per_bar, bar = play.grid.slots_per_bar, play.first_bar
    rows = np.arange(bar * per_bar, min((bar + 1) * per_bar, play.grid.slots), dtype=np.intp)
    on = scene.subset(rows)
    change = inbeat.occupancy_with(on, [inbeat.place(on, play.powers(samples)[rows], gain_db=gain_db)])
    change = change - inbeat.occupancy_with(on, [inbeat.place(on, play.powers()[rows], gain_db=gain_db)])
    return tuple(tuple(round(float(value), 3) for value in row) for row in change.T)
