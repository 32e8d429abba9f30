"""Balance: the drums of both sides at their gains, with how far those move, and what is told of each.

Gains are solved in `dossier.stages.gains` on the ranking's frames; every figure that is shown is measured on the whole
beat.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from dossier.decide import balance as decide_balance
from dossier.measure import hearing, in_beat
from dossier.model.choice import Balanced, BalancedPart, Choice
from dossier.model.findings import BalancePart, SectionBalance
from dossier.model.measures import Indices, Loudness
from dossier.model.parts import PlacedCandidate
from dossier.model.scene import PlacedPart, Scene
from dossier.model.situation import Analysis, Situation
from dossier.model.vocabulary import ZONES, Role
from dossier.stages.gains import solve_on, target_of
from dossier.stages.music import at_level


def balance(analysis: Analysis, choice: Choice) -> Balanced:
    """The chosen parts with their ranges and sections, the other side's beside them."""
    here, frames = analysis.here, choice.ranking.frames
    sections = _section_gains(analysis, choice.chosen)
    chosen = _with_ranges(here, choice.chosen, frames)
    rows = _rows(here, [item for item, _ in chosen], chosen=True)
    level = here.policy["robust_level_db"]
    turns = f" Uncertain: {level:.0f} dB lower or higher in the room this turns."
    parts = []
    for (item, hangs), row in zip(chosen, rows, strict=True):
        there = {section.name: section.gains_db[row.id] for section in sections if row.id in section.gains_db}
        told = replace(row, advice=row.advice + turns) if hangs else row
        parts.append(BalancedPart(item=replace(item, gains=replace(item.gains, sections=there)), row=told))
    other_rows = _rows(here, choice.others, chosen=False)
    parts += [BalancedPart(item=item, row=row) for item, row in zip(choice.others, other_rows, strict=True)]
    candidates = [item for item in (*choice.ranking.loops, *choice.ranking.one_shots) if item.closely]
    pairs = decide_balance.equal_peaks(_meters(rows, candidates), here.policy, together=len(rows))
    return Balanced(parts=tuple(parts), equal_peaks=pairs, sections=sections)


def part_name(item: PlacedCandidate) -> str:
    """The id of a part: its role, or that it is the loop."""
    return item.part.role or "loop"


def _with_ranges(
    here: Situation, items: Sequence[PlacedCandidate], frames: Indices
) -> list[tuple[PlacedCandidate, bool]]:
    """The parts with the range over which each gain moves when the listening level does; whether its bound hangs on it.

    The reference moves no gain: what is heard of a drum does not depend on it.
    """
    if not items:
        return []
    level = here.policy["robust_level_db"]
    moved = [tuple(item.gains for item in items)]
    moved += [solve_on(at_level(here, change), here, items, frames) for change in (-level, level)]
    out = []
    for item, seen in zip(items, zip(*moved, strict=True), strict=True):
        gains = [one.db for one in seen]
        hangs = len({bool(one.stopped) for one in seen}) > 1
        out.append((replace(item, gains=replace(item.gains, low_db=min(gains), high_db=max(gains))), hangs))
    return out


def _section_gains(analysis: Analysis, items: Sequence[PlacedCandidate]) -> tuple[SectionBalance, ...]:
    """Gains in the sections that have an intent of their own, solved on those sections' frames."""
    here = analysis.here
    found = []
    for section in analysis.beat.sections:
        there = here.grid.frames_of(section.first_bar, section.bars)
        if section.intent is None or not items or not here.scene.active[there].any():
            continue
        playing = [item for item in items if item.powers[there].any()]
        gains = solve_on(here.scene, here, playing, there, intent=section.intent)
        told = {part_name(item): one.db for item, one in zip(playing, gains, strict=True)}
        found.append(SectionBalance(name=section.name, intent=section.intent, gains_db=told))
    return tuple(found)


def _rows(here: Situation, items: Sequence[PlacedCandidate], *, chosen: bool) -> tuple[BalancePart, ...]:
    """What is told of parts that play together, measured on the whole beat."""
    if not items:
        return ()
    scene = here.scene
    placed = [in_beat.place(scene, item.powers, gain_db=item.gains.db) for item in items]
    total = np.sum([one.excitation for one in placed], axis=0)
    labels = [part_name(item).replace("-", " ") for item in items]
    rows = []
    for item, label, one in zip(items, labels, placed, strict=True):
        found = in_beat.measure(scene, one, others=total - one.excitation)
        role, plays, gains = item.part.role, item.plays, item.gains
        assert plays is not None
        target = target_of(here, role)
        beside = {name: there for name, there in zip(labels, placed, strict=True) if there is not one}
        advice = decide_balance.advice(
            gains, share=found.audible_share, part=label, target=target, lift_lu=found.lift_lu, treated=item.treated,
            conflict=_worst_masker(scene, one, beside),
        )  # fmt: skip
        rows.append(BalancePart(
            id=part_name(item), part=label, file=item.drum.name, role=role, intent=here.conditions.intent_of(role),
            sample_peak_dbfs=plays.sample_peak_dbfs, true_peak_dbtp=plays.true_peak_dbtp, target_share=target,
            integrated_lufs=plays.integrated_lufs, peak_to_loudness_db=plays.peak_to_loudness_db, advice=advice,
            audible_share=found.audible_share, lift_lu=found.lift_lu, overlap=found.overlap, treated=item.treated,
            gain_db=gains.db, gain_low_db=gains.low_db, gain_high_db=gains.high_db, bounded=bool(gains.stopped),
            chosen=chosen,
        ))  # fmt: skip
    return tuple(rows)


def _meters(rows: Sequence[BalancePart], candidates: Sequence[PlacedCandidate]) -> list[decide_balance.Metered]:
    """The chosen parts by their names, then the other candidates by their files."""
    used = {row.file for row in rows}
    listed: list[tuple[str, Role | None, BalancePart | Loudness]] = [(row.part, row.role, row) for row in rows]
    listed += [
        (item.drum.name.rsplit("/", 1)[-1], item.part.role, item.plays)
        for item in candidates if item.drum.name not in used and item.plays is not None
    ]  # fmt: skip
    return [decide_balance.Metered(name, role, of.sample_peak_dbfs, of.integrated_lufs) for name, role, of in listed]


def _worst_masker(scene: Scene, drum: PlacedPart, beside: Mapping[str, PlacedPart]) -> str:
    """What masks a part most, in words: a zone of the instrumental, or another drum; empty where nothing does."""
    rows = in_beat.own_hits(scene, drum)
    heard = hearing.partial_loudness(drum.excitation[rows], scene.excitation[rows])
    lost = (drum.alone[rows] - heard).sum(axis=0)
    worst, most = "", float(lost.sum())
    if most > 0:
        worst = f"the {ZONES[int(np.argmax(scene.zone_weights @ lost))].label} of the instrumental"
    for label, other in beside.items():
        both = hearing.partial_loudness(drum.excitation[rows], scene.excitation[rows] + other.excitation[rows])
        taken = float((heard - both).sum())
        if taken > most:
            worst, most = f"the {label}", taken
    return worst
