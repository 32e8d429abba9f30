"""Rank: every candidate placed in the beat and scored on the same terms; the kit chosen together.

Looking closely costs, so large folders are first looked at coarsely: on a few bars of the beat, at the gain at which
the drum meets the instrumental at one lift for all; the best of each role, and the best loops, are then placed on the
beat and brought to the gain that their intent asks for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from dossier.decide import fit
from dossier.model.findings import Kit
from dossier.model.measures import Indices
from dossier.stages.analyse import Analysis, Drum
from dossier.stages.kits import choose_kit, kit_fit, kit_target
from dossier.stages.levels import blocks, ranking_slots
from dossier.stages.placed import Placed, place_candidate, place_coarsely, rescored
from dossier.stages.placing import Groove, Playable, playable
from dossier.workers import side_by_side

__all__ = ["Placed", "Ranking", "best_loop", "kit_target", "rank", "rescored", "with_members"]

COARSE_SLOTS = 32  # two bars of sixteenths are enough to tell the hopeless from the promising


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """All placed candidates by score, the kit, and the candidates that could not be placed with the reason."""

    loops: tuple[Placed, ...]
    one_shots: tuple[Placed, ...]
    kit: Kit | None
    kit_parts: tuple[Placed, ...]
    unplaced: tuple[tuple[Drum, str], ...]
    notes: tuple[str, ...]
    slots: Indices  # on which they were compared


def best_loop(ranking: Ranking) -> Placed | None:
    """The loop that speaks for all loops: the best one; one that fits the tempo badly only where there is no other."""
    looked = [item for item in ranking.loops if item.closely]
    fitting = [item for item in looked if item.play.loop is None or not item.play.loop.poor_match]
    if not fitting and ranking.kit is not None:
        return None
    return next(iter(fitting or looked), None)


def rank(analysis: Analysis, groove: Groove) -> Ranking:
    """Place, score and order all candidates of a beat."""
    unplaced: list[tuple[Drum, str]] = []
    playables: list[tuple[Drum, Playable]] = []
    plays = side_by_side(lambda drum: playable(drum, analysis, groove), analysis.drums, ahead=len(analysis.drums))
    for drum, play in zip(analysis.drums, plays, strict=True):
        if play is None:
            why = drum.measures.hit.reasons.get("role", "its role could not be told from its sound or name")
            unplaced.append((drum, why))
            continue
        told = replace(drum, problems=(*drum.problems, *play.notes)) if play.notes else drum
        playables.append((told, play))
    slots = ranking_slots(analysis, groove)
    coarse = _coarse(playables, analysis, blocks(analysis, groove, COARSE_SLOTS))

    def closely(index: int) -> Placed:
        return coarse[index] if index in coarse else place_candidate(*playables[index], analysis, slots)

    placed = list(side_by_side(closely, range(len(playables)), ahead=len(playables)))
    placed.sort(key=lambda item: (not item.closely, -item.score, item.drum.name))
    loops = tuple(item for item in placed if item.play.kind == "loop")
    one_shots = tuple(item for item in placed if item.play.kind == "one-shot")
    chosen = choose_kit(analysis, groove, one_shots, slots, unplaced)
    return Ranking(loops=loops, one_shots=one_shots, kit=chosen.kit, kit_parts=chosen.parts, unplaced=tuple(unplaced),
                   notes=chosen.notes, slots=slots)  # fmt: skip


def _coarse(playables: Sequence[tuple[Drum, Playable]], analysis: Analysis, few: Indices) -> dict[int, Placed]:
    """Those to be left at a coarse look, by index; empty where there are few candidates.

    Of each role and of the loops the policy's number goes on to a close look: files fixed in beat.toml first, then the
    best by the coarse score.
    """
    policy = analysis.policy
    groups: dict[str, list[int]] = {}
    for index, (_, play) in enumerate(playables):
        groups.setdefault(play.role or "loop", []).append(index)
    left: dict[int, Placed] = {}
    pins = set(analysis.beat.kit_pins.values())
    for group, members in groups.items():
        most = int(policy["closely_loops"] if group == "loop" else policy["closely_per_role"])
        if len(members) > most:
            seen = side_by_side(lambda i: place_coarsely(*playables[i], analysis, few), members, ahead=len(members))
            looked = dict(zip(members, seen, strict=True))
            order = sorted(members, key=lambda i: (playables[i][0].name not in pins, -looked[i].score, i))
            left.update({i: looked[i] for i in order[most:]})
    return left


def with_members(ranking: Ranking, parts: Sequence[Placed], analysis: Analysis) -> Ranking:
    """The ranking with other (treated) sound in its kit, scored anew."""
    if ranking.kit is None or not parts:
        return ranking
    measured, value, terms = kit_fit(analysis, parts, ranking.slots)
    whole = replace(ranking.kit, score=value, terms=terms, fit=measured,
                    reason=fit.reason(measured, gain_db=None, terms=terms, policy=analysis.policy))  # fmt: skip
    return replace(ranking, kit=whole, kit_parts=tuple(parts))
