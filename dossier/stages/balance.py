"""Balance: the drums of both sides at their gains, how those move in sections, and what is told of each.

Gains are solved in `dossier.stages.gains`; every figure that is shown is measured on the whole beat.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from dossier.arrange.parts import gain_over_time
from dossier.decide import balance as decide_balance
from dossier.measure import in_beat, loudness
from dossier.memo import Memo
from dossier.model.choice import Balanced, BalancedPart, Choice
from dossier.model.findings import BalancePart
from dossier.model.measures import FRAME_S, Array
from dossier.model.parts import PlacedCandidate, Played
from dossier.model.scene import InBeat
from dossier.model.situation import Analysis, Situation
from dossier.model.vocabulary import Role
from dossier.stages.gains import moves_of


def balance(analysis: Analysis, choice: Choice, memo: Memo) -> Balanced:
    """The chosen parts at their gains, the other side's beside them."""
    here = analysis.here
    chosen, others = (tuple(in_sections(here, item) for item in side) for side in (choice.chosen, choice.others))
    rows = _rows(here, chosen, memo, chosen=True)
    both = [*zip(chosen, rows, strict=True), *zip(others, _rows(here, others, memo, chosen=False), strict=True)]
    candidates = [item for item in (*choice.ranking.loops, *choice.ranking.one_shots) if item.closely]
    pairs = decide_balance.equal_peaks(_meters(rows, candidates), here.policy, together=len(rows))
    # as each part's own level is: at the gains that are told, before those of sections
    together = np.sum([_at_gain(item) for item in choice.chosen], axis=0) if chosen else None
    drums = None if together is None else loudness.integrated_from_blocks(together)
    return Balanced(
        parts=tuple(BalancedPart(item=item, row=row) for item, row in both), equal_peaks=pairs,
        music_gain_db=chosen[0].gains.music_db if chosen else 0.0,
        all_drums_lu=None if drums is None else drums - here.music.integrated_lufs,
    )  # fmt: skip


def part_name(item: PlacedCandidate) -> str:
    """The id of a part: its role, or that it is the loop."""
    return item.part.role or "loop"


def over_music(here: Situation, items: Sequence[PlacedCandidate]) -> float:
    """How much louder than the music alone it is with parts at their gains, LU."""
    total = here.music.blocks.copy()
    for item in items:
        drums = _at_gain(in_sections(here, item))[: len(total)]
        total[: len(drums)] += drums
    mix = loudness.integrated_from_blocks(total)
    return 0.0 if mix is None else mix - here.music.integrated_lufs


def in_sections(here: Situation, item: PlacedCandidate) -> PlacedCandidate:
    """The part with its gain moving as its sections ask, in sound and in powers."""
    part = replace(item.part, moves=moves_of(here, item.gains))
    if not part.moves:
        return item
    powers = item.powers
    frames = here.grid.first_downbeat_s + FRAME_S * (np.arange(len(powers)) + 0.5)
    powers = powers * 10.0 ** (gain_over_time(part, frames) / 10.0)[:, None]
    blocks = loudness.BLOCK_S * (np.arange(len(item.plays.blocks)) + 0.5)
    return replace(
        item, part=part, read_powers=lambda: powers,
        plays=replace(item.plays, blocks=item.plays.blocks * 10.0 ** (gain_over_time(part, blocks) / 10.0)),
    )  # fmt: skip


def _at_gain(item: PlacedCandidate) -> Array:
    return np.asarray(item.plays.blocks * 10.0 ** (item.gains.db / 10.0))


def _rows(here: Situation, items: Sequence[PlacedCandidate], memo: Memo, *, chosen: bool) -> tuple[BalancePart, ...]:
    """What is told of parts that play together, measured on the whole beat."""
    if not items:
        return ()
    scene, usual = here.scene, here.conditions.usual

    def measured() -> tuple[InBeat, ...]:
        placed = [in_beat.place(scene, item.powers, gain_db=item.gains.db) for item in items]
        total = np.sum([one.excitation for one in placed], axis=0)
        return tuple(in_beat.measure(scene, one, others=total - one.excitation) for one in placed)

    beside = memo("level", tuple[InBeat, ...], measured, [(item.powers, item.gains.db) for item in items])
    rows = []
    for item, found in zip(items, beside, strict=True):
        role, plays, gains = item.part.role, item.plays, item.gains
        usual_lu = decide_balance.usual_range(role, usual)
        advice = decide_balance.advice(gains, usual_lu=usual_lu, lift_lu=found.lift_lu, policy=here.policy,
                                        mixes=usual.mixes)  # fmt: skip
        rows.append(BalancePart(
            id=part_name(item), part=part_name(item).replace("-", " "), file=item.drum.name, role=role,
            intent=here.conditions.intent_of(role), sample_peak_dbfs=plays.sample_peak_dbfs,
            true_peak_dbtp=plays.true_peak_dbtp, integrated_lufs=plays.integrated_lufs,
            peak_to_loudness_db=plays.peak_to_loudness_db, level_lu=gains.level_lu, usual_lu=usual_lu,
            audible_share=found.audible_share, lift_lu=found.lift_lu, overlap=found.overlap, treated=item.treated,
            gain_db=gains.to_set_db, gain_range_db=gains.range_db, music_gain_db=gains.music_db,
            sections=gains.sections, advice=advice, chosen=chosen,
        ))  # fmt: skip
    return tuple(rows)


def _meters(rows: Sequence[BalancePart], candidates: Sequence[PlacedCandidate]) -> list[decide_balance.Metered]:
    """The chosen parts by their names, then the other candidates by their files."""
    used = {row.file for row in rows}
    listed: list[tuple[str, Role | None, BalancePart | Played]] = [(row.part, row.role, row) for row in rows]
    listed += [
        (item.drum.name.rsplit("/", 1)[-1], item.part.role, item.plays)
        for item in candidates if item.drum.name not in used
    ]  # fmt: skip
    return [decide_balance.Metered(name, role, of.sample_peak_dbfs, of.integrated_lufs) for name, role, of in listed]
