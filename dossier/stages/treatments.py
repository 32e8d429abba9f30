"""Treatments: for the drums of each approach the plan that leads in the direction, searched in this beat.

Every trial is rendered, laid on the grid and measured against the instrumental on the ranking's slots, at the drum's
own gain; the before and after that are shown are measured on the whole beat.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

from dossier.decide import plan as decide_plan
from dossier.measure import in_beat, true_peak
from dossier.model.findings import Approach, Plan
from dossier.model.measures import Indices, Samples
from dossier.model.scene import Scene
from dossier.model.vocabulary import Direction
from dossier.names import slug
from dossier.stages import bus, figures, hints
from dossier.stages.again import Again
from dossier.stages.analyse import Analysis
from dossier.stages.levels import LONGEST_BLOCK_BARS, as_it_plays, target_of
from dossier.stages.placing import Playable, groove_of
from dossier.stages.produce import Treated
from dossier.stages.rank import Placed, Ranking, kit_target, rescored, with_members
from dossier.stages.settle import Part, part_of
from dossier.treat import FAMILIES
from dossier.treat.families import AmountLine

_TEMPO_IN_NAME = re.compile(r"[\s_-]*\d+(?:[.,]\d+)?\s*bpm", re.IGNORECASE)


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One search with all that it needs, so that it can run in another process."""

    play: Playable
    gain_db: float
    scene: Scene
    slots: Indices
    direction: Direction
    layers: Mapping[str, Samples]
    adds_in: Mapping[str, str]  # layer -> the zone in which it adds most, in words
    own_lines: Mapping[str, tuple[AmountLine, ...]]  # amounts made for this drum in this beat
    policy: Mapping[str, float]  # the settings of plans
    share_enough: float
    most: int
    plan_id: str
    render: str
    cycle_bars: int

    def cost_s(self) -> float:
        """How long a search takes, in seconds, roughly: on one core of this decade."""
        return 0.1 + 0.3e-6 * len(self.play.samples) * self.most

    def depends(self) -> tuple[object, ...]:
        """All that a result rests on beside the beat itself."""
        play = self.play
        return (
            play.name, play.role, play.samples, self.gain_db, self.slots, self.direction, self.layers, self.adds_in,
            self.own_lines, self.policy, self.share_enough, self.most, self.plan_id, self.render, self.cycle_bars,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Searched:
    """A plan with its figures on the whole beat, and the drum as it leaves it."""

    plan: Plan
    samples: Samples


def search_plans(analysis: Analysis, ranking: Ranking, approach: Approach, *, jobs: int = 1) -> tuple[Treated, ...]:
    """A plan for each member of the kit, for the best loops and for the kit as a whole, in the approach's direction.

    The kit as a whole (`bus.NAME` in place of a file) comes last, and only where one-shots are, or may be, used.
    """
    groove = groove_of(analysis)
    loops = [item for item in ranking.loops if item.closely][: int(analysis.policy["plans_loops"])]
    wanted = [*ranking.kit_parts, *loops]
    whole = bus.kit_as_one(analysis, groove, ranking) if bus.wanted(ranking, approach) else None
    if whole is not None:
        wanted.append(whole)
    bars = round(groove.pattern.length_beats * analysis.grid.meter[1] / 4.0 / analysis.grid.meter[0])
    on = analysis.scene.subset(ranking.slots)
    room = hints.room_by_zone(on)
    shares = {item.drum.name: hints.zone_shares(on, item) for item in ranking.one_shots if item.closely}
    tasks = []
    for number, placed in enumerate(wanted, 1):
        layers = hints.second_files(on, placed, ranking.one_shots, room=room, shares=shares)
        adds = {name: hints.adds_in(shares[placed.drum.name], shares[name], room) for name in layers}
        tasks.append(
            _task(analysis, ranking, approach.direction, placed, number, on=on, layers=layers, adds_in=adds, bars=bars)
        )
    found = analysis.keep.spread(
        "plan", Searched, search, tasks, depends=[task.depends() for task in tasks], jobs=jobs, cost_s=Task.cost_s
    )  # fmt: skip
    return tuple(
        Treated(plan=item.plan, placed=placed, samples=item.samples)
        for placed, item in zip(wanted, found, strict=True)
    )


def whole_kit_render(
    analysis: Analysis, ranking: Ranking, treated: Sequence[Treated], *, beside: Executor
) -> dict[str, Again]:
    """The kit through its bus treatment in the beat's length, where its plan helped, begun at once; by file name."""
    return {
        item.plan.render: bus.render(analysis, ranking, item.placed, item.plan).begun(beside)
        for item in treated if item.plan.candidate == bus.NAME and item.plan.render
    }  # fmt: skip


def treated_part(placed: Placed, treated: Sequence[Treated]) -> Part:
    """The part of the balance: with its plan where that helped."""
    part = part_of(placed)
    for item in treated:
        if item.placed.drum is placed.drum and item.plan.helped and item.plan.steps:
            if placed.play.samples is item.samples:  # scored as its plan left it already
                return replace(part, treated=True)
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


def _task(
    analysis: Analysis, ranking: Ranking, direction: Direction, placed: Placed, number: int, *, on: Scene,
    layers: Mapping[str, Samples], adds_in: Mapping[str, str], bars: int,
) -> Task:  # fmt: skip
    policy, play = analysis.policy, placed.play
    whole = play.name == bus.NAME
    enough = kit_target(analysis, ranking.kit_parts) if whole else target_of(analysis, play.role)
    most = policy["plan_evaluations"] if play.kind == "one-shot" else policy["plan_loop_evaluations"]
    if play.kind == "loop":
        bars = round(len(play.samples) / play.rate_hz / play.grid.bar_s)
    drum = in_beat.place(on, placed.powers[ranking.slots], gain_db=placed.gain_db)
    return Task(
        play=play, gain_db=placed.gain_db, scene=analysis.scene, slots=ranking.slots, direction=direction,
        layers=layers, adds_in=adds_in,
        own_lines={"EQ": hints.covered_lines(on, drum)} if direction == "leaner" else {},
        policy={name: policy[name] for name in policy if name.startswith("plan_")}, share_enough=enough, most=int(most),
        plan_id=f"plan-{number:02d}", render=_render_name(analysis.beat.slug, number, play),
        cycle_bars=max(1, min(LONGEST_BLOCK_BARS, bars)),
    )  # fmt: skip


def _render_name(beat: str, number: int, play: Playable) -> str:
    """Sorts in the order of the plans; a loop, which was fitted to the beat, says its tempo there."""
    stem = play.name.rsplit("/", 1)[-1].rsplit(".", 1)[0]
    if play.name == bus.NAME:
        return f"{beat}-{number:02d}-kit-treated.wav"
    if play.kind == "loop":
        name, tail = slug(_TEMPO_IN_NAME.sub("", stem) or "loop"), f"-{play.grid.tempo_bpm:.4g}bpm"
    else:
        name, tail = slug(stem), ""
    role = play.role or "loop"
    named = name if name == role or name.startswith(f"{role}-") else f"{role}-{name}"
    return f"{beat}-{number:02d}-{named}-treated{tail}.wav"


def search(task: Task) -> Searched:
    """Search one plan, in the beat that the task describes."""
    play, on = task.play, task.scene.subset(task.slots)
    ear = figures.Listener(play=play, on=on, slots=task.slots, gain_db=task.gain_db)
    result = decide_plan.search(
        play.samples, play.rate_hz, candidate=play.name, role=play.role, direction=task.direction, families=FAMILIES,
        measure=ear.figures, measure_at_gain=ear.turned, true_peak=true_peak.true_peak, layers=task.layers,
        policy=task.policy, share_enough=task.share_enough, own_lines=task.own_lines, most_evaluations=task.most,
        plan_id=task.plan_id,
    )  # fmt: skip
    before, powers_before = figures.full(task.scene, play, play.samples, task.gain_db)
    changed = figures.full(task.scene, play, result.samples, task.gain_db) if result.plan.helped else None
    after, powers = changed or (before, powers_before)
    matched = None
    if result.plan.helped and before.integrated_lufs is not None and after.integrated_lufs is not None:
        gain_db = task.gain_db + before.integrated_lufs - after.integrated_lufs
        matched = figures.at_gain(task.scene, powers, gain_db, like=after)
    plan = replace(
        decide_plan.with_figures(
            result.plan, before=before, after=after, policy=task.policy, share_enough=task.share_enough, matched=matched
        ),
        render=task.render if result.plan.helped and result.plan.steps else None,
        occupancy_change=figures.occupancy_change(
            task.scene, play, powers_before, powers, task.gain_db, bars=task.cycle_bars
        ),
    )  # fmt: skip
    return Searched(plan=replace(plan, reason=_with_grounds(plan, task)), samples=result.samples)


def _with_grounds(plan: Plan, task: Task) -> str:
    """The plan's reason, and what in this beat speaks for its steps."""
    reason = plan.reason
    for step in plan.steps:
        if step.treatment == "layering" and str(step.amounts["file"]) in task.adds_in:
            zone = task.adds_in[str(step.amounts["file"])]
            reason += f" The layer adds where the drum has less and the beat has room, most in the {zone}."
    if plan.candidate == bus.NAME and plan.helped:
        reason += (
            " This treats all members of the kit together, in place of treating them one by one; the file plays at "
            f"{task.gain_db:+.1f} dB."
        )
    return reason
