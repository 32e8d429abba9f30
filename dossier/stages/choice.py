"""Choice: the approach, decided between the best loop and the best kit.

After treatments both sides stand in their final state: treated where a plan helped, at the gain that is told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec.structs import replace

from dossier.decide import approach as decide_approach
from dossier.decide import fit
from dossier.decide.approach import Contender
from dossier.decide.plan import in_the_end
from dossier.memo import Memo
from dossier.model.choice import Choice
from dossier.model.findings import Approach, Fit, Room
from dossier.model.measures import Array, Indices
from dossier.model.parts import PlacedCandidate, Ranking, Treated
from dossier.model.situation import Analysis, Situation
from dossier.model.vocabulary import Direction, Grade, Role
from dossier.stages.drum_meter import at_gain
from dossier.stages.kits import balanced_together, kit_of
from dossier.stages.placing import judge, place_alone
from dossier.stages.ranking import with_treated


def choose(analysis: Analysis, ranking: Ranking, treated: Sequence[Treated], way: Direction, memo: Memo) -> Choice:
    """The approach and its drums; `way` is the direction in which the plans were searched, which stays."""
    here = analysis.here
    final = _with_plans(here, ranking, treated, memo)
    told = [_as_it_ends(here, item, final) for item in treated]
    if any(one.changes != item.changes for one, item in zip(told, treated, strict=True)):
        final = _with_plans(here, ranking, told, memo)
    approach = approach_of(here, analysis.room, final, memo, treated=True, way=way)
    chosen, others = sides(approach, final)
    return Choice(approach=approach, untreated=ranking, plans=tuple(told), ranking=final, chosen=chosen, others=others)


def _with_plans(here: Situation, ranking: Ranking, treated: Sequence[Treated], memo: Memo) -> Ranking:
    """The ranking with every drum as its plan leaves it, and the kit's gains solved again."""
    by_name = {item.placed.drum.name: item for item in treated if item.changes}

    def after(item: PlacedCandidate) -> PlacedCandidate:
        plan = by_name.get(item.drum.name)
        if plan is None:
            return item
        part = item.part.with_samples(plan.samples)
        return replace(place_alone(item.drum, part, here, ranking.frames, memo, treated=True), means=item.means)

    kit, kit_parts = ranking.kit, tuple(after(item) for item in ranking.kit_parts)
    if kit is not None:
        pinned = {member.role for member in kit.members if member.pinned}
        kit_parts = balanced_together(here, kit_parts, ranking.frames, memo)
        kit = kit_of(here, kit_parts, ranking.frames, pinned=pinned, missing=kit.missing_roles)
    loops = [after(item) for item in ranking.loops if item.drum.name in by_name]
    return replace(with_treated(ranking, [*loops, *kit_parts]), kit=kit, kit_parts=kit_parts)


def _as_it_ends(here: Situation, item: Treated, final: Ranking) -> Treated:
    """A plan with its figures at the gain that its drum has in the end."""
    there = {one.drum.name: one for one in (*final.loops, *final.kit_parts)}.get(item.placed.drum.name)
    if not item.changes or there is None:
        return item
    plan = in_the_end(item.plan, at_gain(here.scene, there.powers, there.gains.db, like=item.plan.after))
    return replace(item, plan=plan, samples=item.samples if plan.helped else item.placed.part.samples)


def approach_of(
    here: Situation, room: Room, ranking: Ranking, memo: Memo, *, treated: bool = False, way: Direction | None = None
) -> Approach:
    """The approach of the beat and of its sections, from the best loop and the best kit.

    `treated`: they are as their plans left them, searched in the direction `way`, which then stays.
    """
    loop, kit = ranking.best_loop, ranking.kit
    best_loop = best_kit = None
    if loop is not None:
        best_loop = Contender(loop.drum.name, loop.score, loop.fit, poor=_poor(loop.grade, loop.terms, None, here))
    if kit is not None:
        poor = [(item.part.role, _poor(item.grade, item.terms, item.part.role, here)) for item in ranking.kit_parts]
        gaps = tuple(f"no {(role or '').replace('-', ' ')} here works: {words}" for role, words in poor if words)
        best_kit = Contender("kit", kit.score, kit.fit, poor=_poor(kit.grade, kit.terms, None, here), gaps=gaps)
    sections = []
    for section in room.sections:
        rows = here.grid.frames_of(section.first_bar - 1, section.bars)
        sections.append((section, *_in_section(here, ranking, loop, rows, memo.within(rows))))
    return decide_approach.decide(
        room, loop=best_loop, kit=best_kit, sections=sections, treated=treated, way=way, policy=here.policy
    )


def _poor(grade: Grade | None, terms: Mapping[str, float], role: Role | None, here: Situation) -> str:
    return fit.poor_words(terms, role=role, policy=here.policy) if grade == "poor" else ""


def sides(approach: Approach, ranking: Ranking) -> tuple[tuple[PlacedCandidate, ...], tuple[PlacedCandidate, ...]]:
    """The drums of the approach, and the other side's."""
    best, kit = ranking.best_loop, ranking.kit_parts
    loop = (best,) if best is not None else ()
    if best is None or not kit or ranking.kit is None:
        return (loop or kit), ()
    prefers_loop = best.score >= ranking.kit.score if approach.kind == "either" else approach.kind == "loop"
    return (loop, kit) if prefers_loop else (kit, loop)


def _in_section(
    here: Situation, ranking: Ranking, loop: PlacedCandidate | None, rows: Indices, memo: Memo
) -> tuple[Contender | None, Contender | None]:
    on = here.scene.subset(rows)

    def score(name: str, powers: Array, gain: float, like: Fit) -> Contender:
        measured, value, _ = judge(on, powers[rows], like, here=here, gain_db=gain, memo=memo)
        return Contender(name=name, score=value, fit=measured)

    loop_there = score(loop.drum.name, loop.powers, loop.gains.db, loop.fit) if loop is not None else None
    if not ranking.kit_parts or ranking.kit is None:
        return loop_there, None
    powers = np.sum([item.powers * 10.0 ** (item.gains.db / 10.0) for item in ranking.kit_parts], axis=0)
    return loop_there, score("kit", powers, 0.0, ranking.kit.fit)
