"""Treatments: for the drums of each approach the plan that leads in the direction, searched in this beat.

Every trial is rendered, laid on the grid and measured against the instrumental on the ranking's frames, as loud as the
drum was before; what is told is measured on the whole beat.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import partial

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.decide import plan as decide_plan
from dossier.decide import search_hints
from dossier.measure import hearing, in_beat, true_peak
from dossier.measure import occupancy as occ
from dossier.memo import Memo
from dossier.model.findings import Approach, Plan
from dossier.model.measures import Array, Indices, Samples
from dossier.model.numbers import signed
from dossier.model.parts import DrumPart, PlacedCandidate, Played, Ranking, Treated
from dossier.model.scene import Scene
from dossier.model.situation import Analysis, Conditions, Situation
from dossier.model.vocabulary import ZONE_KEYS, ZONES, Direction
from dossier.names import slug
from dossier.parallel import HERE, Engine
from dossier.stages import drum_meter, kit_bus
from dossier.stages.gains import LONGEST_BLOCK_BARS, base_gains
from dossier.treat import FAMILIES, eq
from dossier.treat.families import AmountLine

_TEMPO_IN_NAME = re.compile(r"[\s_-]*\d+(?:[.,]\d+)?\s*bpm", re.IGNORECASE)


class PlanSearch(Struct, frozen=True, eq=False):
    """One search with all that it needs, so that it can run in another process."""

    part: DrumPart
    gain_db: float  # beside the music as its stems are
    to_set_db: float
    scene: Scene
    conditions: Conditions
    music_lufs: float
    frames: Indices
    direction: Direction
    layers: Mapping[str, Samples]
    adds_in: Mapping[str, str]  # layer -> the zone in which it adds most, in words
    own_lines: Mapping[str, tuple[AmountLine, ...]]  # amounts made for this drum in this beat
    over_hz: tuple[tuple[float, float], ...]  # zones that are over the reference with the drum in
    most: int
    cycle_bars: int

    def depends(self) -> list[object]:
        """Everything that a result rests on beside the beat itself."""
        given = ("part", "scene", "conditions")
        amounts = [getattr(self, name) for name in self.__struct_fields__ if name not in given]
        return [self.part.name, self.part.role, self.part.samples, *amounts]


def search_plans(
    analysis: Analysis, ranking: Ranking, approach: Approach, memo: Memo, *, engine: Engine = HERE,
    say: Callable[[str], object] = str,
) -> tuple[Treated, ...]:
    """A plan for each member of the kit, for the best loops and for the kit as a whole, in the approach's direction.

    The kit as a whole (`kit_bus.NAME` in place of a file) comes last, and only where one-shots are, or may be, used.
    """
    here, groove = analysis.here, analysis.groove
    loops = [item for item in ranking.loops if item.closely][: int(here.policy["plans_loops"])]
    wanted = [*ranking.kit_parts, *loops]
    as_one = kit_bus.is_wanted(ranking, approach, here.policy)
    if as_one and (whole := kit_bus.kit_as_one(here, groove, ranking, memo)) is not None:
        wanted.append(whole)
    bars = round(groove.pattern.length_beats / here.grid.bar_beats)
    on = here.scene.subset(ranking.frames)
    fills = occ.zone_fills(on.loudness, on.reference, on.active)
    kept = occ.zone_fills(on.kept * on.reference[None, :], on.reference)
    room = np.array([max(0.0, 1.0 - fills[zone] - kept[zone]) for zone in ZONE_KEYS])
    close = {item.drum.name: item for item in ranking.one_shots if item.closely}
    shares = {
        name: memo("plan", Array, partial(zone_shares, on, item), "zones", item.drum.sha256, item.part.role,
                   item.gains.db) for name, item in close.items()
    }  # fmt: skip
    searches = []
    for item in wanted:
        own, role = item.drum.name, item.part.role
        names = [] if role is None else search_hints.second_files(
            own, role, [(name, other.part.role) for name, other in close.items()], shares, room, here.policy
        )  # fmt: skip
        layers = {name: close[name].part.samples for name in names}
        adds_in = {name: search_hints.adds_in(shares[own], shares[name], room) for name in names}
        way = approach.direction
        searches.append(_search_of(here, ranking, way, item, on=on, bars=bars, layers=layers, adds_in=adds_in))
    depends = [one.depends() for one in searches]
    found = memo.map("plan", decide_plan.SearchResult, search, searches, depends, engine=engine, what="treatments",
                     say=say)  # fmt: skip
    treated = []
    for number, (item, one) in enumerate(zip(wanted, found, strict=True), 1):
        render = _render_name(analysis.beat.slug, number, item.part) if one.plan.helped and one.plan.steps else None
        plan = replace(one.plan, id=f"plan-{number:02d}", render=render)
        treated.append(Treated(plan=plan, placed=item, samples=one.samples))
    return tuple(treated)


def zone_shares(on: Scene, item: PlacedCandidate) -> Array:
    """How the loudness of a one-shot, at its gain, is spread over the zones, `(zones,)`, adding to about 1.

    Taken from the mean spectrum of the frames in which it is loudest.
    """
    level = item.powers.sum(axis=1)
    rows = level > 0.25 * level.max(initial=0.0)
    if not rows.any():
        return np.zeros(len(ZONE_KEYS))
    mean = item.powers[rows].mean(axis=0)[None, :]
    excitation = hearing.excitation(mean, spl_offset_db=on.spl_offset_db + item.gains.db)
    loudness = hearing.specific_loudness(excitation)[0]
    return np.asarray(on.zone_weights @ loudness / max(float(loudness.sum()), 1e-12))


def covered_lines(
    on: Scene, item: PlacedCandidate, frames: Indices, policy: Mapping[str, float]
) -> tuple[AmountLine, ...]:
    """EQ amounts that take the drum back where the instrumental covers it; none where it is heard everywhere."""
    drum = in_beat.place(on, item.powers[frames], gain_db=item.gains.db)
    rows = in_beat.own_hits(on, drum)
    heard = hearing.partial_loudness(drum.excitation[rows], on.excitation[rows]).sum(axis=0)
    edges = hearing.BAND_EDGES_HZ
    return tuple(
        eq.covered_line(float(edges[one.first]), float(edges[one.last]), from_bottom=one.from_bottom, to_top=one.to_top)
        for one in search_hints.covered_ranges(drum.alone[rows].sum(axis=0), heard, policy)
    )


def over_zones(on: Scene, item: PlacedCandidate, frames: Indices) -> dict[tuple[float, float], float]:
    """Ends in Hz of the zones that are over the reference with the drum in, and the share that it adds there."""
    drum = in_beat.place(on, item.powers[frames], gain_db=item.gains.db)
    sides = (on.excitation, on.excitation + drum.excitation)
    before, after = (occ.zone_fills(hearing.specific_loudness(side), on.reference, on.active) for side in sides)
    return {
        (zone.low_hz, zone.high_hz): after[zone.key] - before[zone.key] for zone in ZONES if after[zone.key] > 1.0
    }


def _search_of(
    here: Situation, ranking: Ranking, direction: Direction, item: PlacedCandidate, *, on: Scene,
    layers: Mapping[str, Samples], adds_in: Mapping[str, str], bars: int,
) -> PlanSearch:  # fmt: skip
    policy, part = here.policy, item.part
    most = policy["plan_evaluations"] if part.kind == "one-shot" else policy["plan_loop_evaluations"]
    over = over_zones(on, item, ranking.frames)
    if part.kind == "loop":
        bars = round(len(part.samples) / part.rate_hz / part.grid.bar_s)
    covered = covered_lines(on, item, ranking.frames, policy) if direction == "leaner" else ()
    cuts = [eq.over_line(low, high) for (low, high), added in over.items() if added >= policy["plan_least"]]
    lines = {"EQ": (*cuts, *covered)}
    return PlanSearch(
        part=part, gain_db=item.gains.db, to_set_db=item.gains.to_set_db, scene=here.scene,
        conditions=_sendable(here.conditions), music_lufs=here.music.integrated_lufs,
        frames=ranking.frames, over_hz=tuple(over),
        direction=direction, layers=layers, adds_in=adds_in, own_lines=lines, most=int(most),
        cycle_bars=max(1, min(LONGEST_BLOCK_BARS, bars)),
    )  # fmt: skip


def _sendable(conditions: Conditions) -> Conditions:
    """The conditions with plain dicts, which another process can be handed."""
    usual = conditions.usual
    return replace(
        conditions, role_intents=dict(conditions.role_intents), policy=dict(conditions.policy),
        usual=replace(usual, roles=dict(usual.roles), all_drums_lu=dict(usual.all_drums_lu)),
    )  # fmt: skip


def _render_name(beat: str, number: int, part: DrumPart) -> str:
    """Sorts in the order of the plans; a loop, which was fitted to the beat, says its tempo there."""
    stem = part.name.rsplit("/", 1)[-1].rsplit(".", 1)[0]
    if part.name == kit_bus.NAME:
        return f"{beat}-{number:02d}-kit-treated.wav"
    if part.kind == "loop":
        name, tail = slug(_TEMPO_IN_NAME.sub("", stem) or "loop"), f"-{part.grid.tempo_bpm:.4g}bpm"
    else:
        name, tail = slug(stem), ""
    role = part.role or "loop"
    named = name if name == role or name.startswith(f"{role}-") else f"{role}-{name}"
    return f"{beat}-{number:02d}-{named}-treated{tail}.wav"


def search(task: PlanSearch) -> decide_plan.SearchResult:
    """Search one plan, in the beat that the task describes; its figures are those on the whole beat."""
    part, scene, gain_db = task.part, task.scene, task.gain_db

    def gain_of(plays: Played) -> float:
        return base_gains([(part, plays)], task.conditions, task.music_lufs)[0]

    meter_of = partial(drum_meter.DrumMeter, part, scene, gain_db, gain_of)
    whole = meter_of()
    result = decide_plan.search(
        part.samples, part.rate_hz, candidate=part.name, role=part.role, direction=task.direction,
        families=FAMILIES, ear=meter_of(task.frames), whole=whole, true_peak=true_peak.true_peak, layers=task.layers,
        policy=task.conditions.policy, own_lines=task.own_lines, over_hz=task.over_hz, most_evaluations=task.most,
    )  # fmt: skip
    sides = whole.powers(part.samples), whole.powers(result.samples)
    gains_db = gain_db, whole.final_gain_db(result.samples)
    change = drum_meter.occupancy_change(scene, part, *sides, gains_db, bars=task.cycle_bars)
    plan = replace(result.plan, occupancy_change=change)
    return replace(result, plan=replace(plan, reason=_with_grounds(plan, task)))


def _with_grounds(plan: Plan, task: PlanSearch) -> str:
    """The plan's reason, and what in this beat speaks for its steps."""
    reason = plan.reason
    for step in plan.steps:
        if step.treatment == "layering" and str(step.amounts["file"]) in task.adds_in:
            zone = task.adds_in[str(step.amounts["file"])]
            reason += f" The layer adds where the drum has less and the beat has room, most in the {zone}."
    if plan.candidate == kit_bus.NAME and plan.helped:
        reason += " This treats all members of the kit together, in place of treating them one by one; "
        reason += f"the file plays at {signed(task.to_set_db)} dB."
    return reason
