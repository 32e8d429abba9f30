"""Settle: the approach, and the balance of the drums that it chose (and of the others, for comparison).

Gains are solved on the ranking's slots, and every figure that is shown is measured on the whole beat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.decide import approach as decide_approach
from dossier.decide import balance as decide_balance
from dossier.decide import fit
from dossier.measure import hearing, in_beat
from dossier.model.findings import Approach, BalancePart, EqualPeaks, Fit, SectionBalance, SectionFill
from dossier.model.measures import Array, Indices, Loudness
from dossier.model.scene import PlacedPart, Scene
from dossier.model.vocabulary import Direction, Intent, Role
from dossier.stages.analyse import Analysis
from dossier.stages.levels import as_it_plays, gain_bounds, intent_of, solve_together, target_of
from dossier.stages.placing import Playable
from dossier.stages.rank import Placed, Ranking, best_loop, kit_target


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One drum part in the balance: a placed candidate, treated or as it is."""

    id: str
    label: str
    placed: Placed
    play: Playable
    powers: Array  # (slots, fine), 0 dB
    plays: Loudness  # at 0 dB
    treated: bool = False

    @property
    def role(self) -> Role | None:
        return self.play.role


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """The parts at their gains: those of the approach, then those of the other one."""

    parts: tuple[Part, ...]
    rows: tuple[BalancePart, ...]  # one a part, in the same order
    equal_peaks: tuple[EqualPeaks, ...]
    sections: tuple[SectionBalance, ...]

    @property
    def chosen(self) -> tuple[tuple[Part, BalancePart], ...]:
        """The parts that play, each with its row."""
        return tuple((part, row) for part, row in zip(self.parts, self.rows, strict=True) if row.chosen)


def part_of(placed: Placed) -> Part:
    """A candidate as a part of the balance, untreated; named by its role, or as the loop."""
    name = placed.play.role or "loop"
    plays = placed.plays if placed.plays is not None else as_it_plays(placed.play)
    return Part(id=name, label=name.replace("-", " "), placed=placed, play=placed.play, powers=placed.powers,
                plays=plays)  # fmt: skip


def contenders(
    analysis: Analysis, ranking: Ranking, *, treated: bool = False, way: Direction | None = None
) -> Approach:
    """The approach of the beat and of its sections, from the best loop and the best kit.

    `treated`: they are as their plans left them, searched in the direction `way`, which then stays.
    """
    slots = np.arange(analysis.grid.slots, dtype=np.intp)
    loop = best_loop(ranking)
    loop_contender = (
        decide_approach.Contender(name=loop.drum.name, score=loop.score, fit=loop.fit) if loop is not None else None
    )
    kit_contender = (
        decide_approach.Contender(name="kit", score=ranking.kit.score, fit=ranking.kit.fit)
        if ranking.kit is not None
        else None
    )
    per_bar = analysis.grid.slots_per_bar
    sections = []
    for section in analysis.room.sections:
        rows = slots[(section.first_bar - 1) * per_bar : (section.first_bar - 1 + section.bars) * per_bar]
        sections.append((section, *_in_section(analysis, ranking, loop, section, rows)))
    return decide_approach.decide(
        analysis.room, loop=loop_contender, kit=kit_contender, sections=sections, treated=treated, way=way,
        policy=analysis.policy,
    )  # fmt: skip


def chosen_placed(approach: Approach, ranking: Ranking) -> tuple[tuple[Placed, ...], tuple[Placed, ...]]:
    """The drums of the approach, and the other approach's drums."""
    best = best_loop(ranking)
    loop = (best,) if best is not None else ()
    kit = ranking.kit_parts
    if not loop:
        return kit, ()
    if not kit or ranking.kit is None:
        return loop, ()
    prefers_loop = loop[0].score >= ranking.kit.score if approach.kind == "either" else approach.kind == "loop"
    return (loop, kit) if prefers_loop else (kit, loop)


def settle(
    analysis: Analysis, slots: Indices, chosen: Sequence[Part], others: Sequence[Part],
    candidates: Sequence[Placed] = (),
) -> Settled:  # fmt: skip
    """Solve the gains of the chosen parts together (and of the other approach's among themselves).

    `candidates` are compared with the parts by their meters only.
    """
    rows = solve_parts(analysis, chosen, slots)
    other_rows = tuple(replace(row, chosen=False) for row in solve_parts(analysis, others, slots))
    return Settled(
        parts=(*chosen, *others), rows=(*rows, *other_rows),
        equal_peaks=decide_balance.equal_peaks(_meters(rows, candidates), analysis.policy, together=len(rows)),
        sections=section_balances(analysis, chosen, rows),
    )  # fmt: skip


def _meters(rows: Sequence[BalancePart], candidates: Sequence[Placed]) -> list[decide_balance.Metered]:
    """The chosen parts by their names, then the other candidates by their files, untreated."""
    found = [
        decide_balance.Metered(name=row.part, role=row.role, sample_peak_dbfs=row.sample_peak_dbfs,
                               integrated_lufs=row.integrated_lufs)
        for row in rows
    ]  # fmt: skip
    used = {row.file for row in rows}
    for item in candidates:
        if item.drum.name not in used:
            plays = item.plays if item.plays is not None else as_it_plays(item.play)
            found.append(
                decide_balance.Metered(
                    name=item.drum.name.rsplit("/", 1)[-1], role=item.play.role,
                    sample_peak_dbfs=plays.sample_peak_dbfs, integrated_lufs=plays.integrated_lufs,
                )
            )  # fmt: skip
    return found


def solve_parts(analysis: Analysis, parts: Sequence[Part], slots: Indices) -> tuple[BalancePart, ...]:
    """Gains of parts that play together, and their figures."""
    if not parts:
        return ()
    solved = solve_on(analysis.scene, analysis, parts, slots, start_db=[part.placed.gain_db for part in parts])
    placed = [
        in_beat.place(analysis.scene, part.powers, gain_db=answer.gain_db)
        for part, answer in zip(parts, solved, strict=True)
    ]
    total = np.sum([item.excitation for item in placed], axis=0)
    rows = []
    for part, answer, item in zip(parts, solved, placed, strict=True):
        found = in_beat.measure(analysis.scene, item, others=total - item.excitation)
        target = target_of(analysis, part.role)
        beside = [(other.label, there) for other, there in zip(parts, placed, strict=True) if other is not part]
        rows.append(
            BalancePart(
                id=part.id, part=part.label, file=part.placed.drum.name, role=part.role,
                intent=intent_of(analysis, part.role), sample_peak_dbfs=part.plays.sample_peak_dbfs,
                true_peak_dbtp=part.plays.true_peak_dbtp, integrated_lufs=part.plays.integrated_lufs,
                peak_to_loudness_db=part.plays.peak_to_loudness_db, audible_share=found.audible_share,
                target_share=target, lift_lu=found.lift_lu, overlap=found.overlap, gain_db=answer.gain_db,
                bounded=answer.stopped_high or answer.stopped_low, treated=part.treated,
                advice=decide_balance.advice(
                    replace(answer, share=found.audible_share), part=part.label, target=target, lift_lu=found.lift_lu,
                    treated=part.treated, conflict=_conflict(analysis, item, beside),
                ),
            )
        )  # fmt: skip
    return tuple(rows)


def section_balances(
    analysis: Analysis, parts: Sequence[Part], rows: Sequence[BalancePart]
) -> tuple[SectionBalance, ...]:
    """Gains in the sections that have an intent of their own, solved on those sections' slots."""
    found = []
    slots = np.arange(analysis.grid.slots, dtype=np.intp)
    per_bar = analysis.grid.slots_per_bar
    for section in analysis.beat.sections:
        there = slots[section.first_bar * per_bar : (section.first_bar + section.bars) * per_bar]
        if section.intent is None or not parts or not analysis.scene.active[there].any():
            continue
        playing = [part for part in parts if part.powers[there].any()]
        settled = {row.id: row.gain_db for row in rows}
        solved = solve_on(analysis.scene, analysis, playing, there, intent=section.intent,
                          start_db=[settled[part.id] for part in playing])  # fmt: skip
        gains = {part.id: answer.gain_db for part, answer in zip(playing, solved, strict=True)}
        found.append(SectionBalance(name=section.name, intent=section.intent, gains_db=gains))
    return tuple(found)


def solve_on(
    scene: Scene, analysis: Analysis, parts: Sequence[Part], slots: Indices, *, start_db: Sequence[float],
    intent: Intent | None = None,
) -> tuple[decide_balance.Solved, ...]:  # fmt: skip
    """Gains of parts that play together on some slots of a scene; `intent` overrides the beat's."""
    return solve_together(
        scene.subset(slots), keep=analysis.keep, powers=[part.powers[slots] for part in parts], start_db=start_db,
        targets=[target_of(analysis, part.role, intent) for part in parts],
        bounds=[gain_bounds(analysis, part.role, part.plays) for part in parts],
    )  # fmt: skip


def _in_section(
    analysis: Analysis, ranking: Ranking, loop: Placed | None, section: SectionFill, rows: Indices
) -> tuple[decide_approach.Contender | None, decide_approach.Contender | None]:
    on = analysis.scene.subset(rows)
    policy = analysis.policy

    def score(name: str, powers: Array, gain: float, like: Fit, target: float) -> decide_approach.Contender:
        found = in_beat.measure(on, in_beat.place(on, powers[rows], gain_db=gain))
        there = replace(
            like, room_filled=found.room_filled, spill=found.spill, overlap=found.overlap, buried=found.buried,
            audible_share=found.audible_share, lift_lu=found.lift_lu,
        )  # fmt: skip
        value, _ = fit.score(there, fill=found.fill - found.room_filled, target_share=target, policy=policy)
        return decide_approach.Contender(name=name, score=value, fit=there)

    loop_there = None
    if loop is not None:
        loop_there = score(loop.drum.name, loop.powers, loop.gain_db, loop.fit, target_of(analysis, None))
    if not ranking.kit_parts or ranking.kit is None:
        return loop_there, None
    powers = np.sum([part.powers * 10.0 ** (part.gain_db / 10.0) for part in ranking.kit_parts], axis=0)
    target = kit_target(analysis, ranking.kit_parts)
    return loop_there, score("kit", powers, 0.0, ranking.kit.fit, target)


def _conflict(analysis: Analysis, item: PlacedPart, beside: Sequence[tuple[str, PlacedPart]]) -> str:
    """What covers the part most, in words: a zone of the instrumental, or another drum."""
    scene = analysis.scene
    rows = in_beat.own_hits(scene, item)
    heard = hearing.partial_loudness(item.excitation[rows], scene.excitation[rows])
    lost = (item.alone[rows] - heard).sum(axis=0)
    worst, most = "", float(lost.sum())
    if most > 0:
        zone = int(np.argmax(scene.zone_weights @ lost))
        worst = f"the {list(decide_approach.LABELS.values())[zone]} of the instrumental"
    for label, other in beside:
        both = hearing.partial_loudness(item.excitation[rows], scene.excitation[rows] + other.excitation[rows])
        taken = float((heard - both).sum())
        if taken > most:
            worst, most = f"the {label}", taken
    return worst
