"""Ranking: every candidate placed in the beat and scored on the same terms; the kit chosen together.

Looking closely costs, so a library is first sifted without laying anything (`stages.library`), and what is left is
measured.  The loops of it are looked at coarsely, on a few bars of the beat.  The best of each role, and the best
loops, are then placed on the beat at the gain that their intent asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from msgspec.structs import replace

from dossier.memo import Memo
from dossier.model.measures import Indices
from dossier.model.parts import Drum, DrumPart, Groove, PlacedCandidate, Ranking
from dossier.model.situation import Analysis, Situation
from dossier.parallel import counted, thread_map
from dossier.stages.candidates import READ_AHEAD, drum_part, measured
from dossier.stages.gains import blocks
from dossier.stages.kits import choose_kit
from dossier.stages.library import sift
from dossier.stages.loop_laying import glance
from dossier.stages.loop_means import place_loop
from dossier.stages.placing import place_alone, place_coarsely

COARSE_FRAMES = 40  # four seconds are enough to tell the hopeless from the promising


def rank(analysis: Analysis, memo: Memo, say: Callable[[str], object] = str) -> Ranking:
    """Place, score and order all candidates of a beat; `say` gets a count of them."""
    here, groove = analysis.here, analysis.groove
    unplaced: list[tuple[Drum, str]] = []
    parts: list[tuple[Drum, DrumPart | None]] = []  # None: a loop
    kept, sifted = sift(analysis.drums, here, groove, frozenset(analysis.beat.kit_pins.values()))
    drums = [*thread_map(partial(measured, memo=Memo(memo.cache)), kept, ahead=len(kept))]
    laid = thread_map(lambda drum: drum_part(drum, here, groove), drums, ahead=READ_AHEAD)
    for drum, part in zip(drums, laid, strict=True):
        if part is None and drum.measures.hit.kind == "one-shot":
            why = drum.measures.hit.reasons.get("role", "its role could not be told from its sound or name")
            unplaced.append((drum, why))
            continue
        told = replace(drum, problems=(*drum.problems, *part.notes)) if part is not None and part.notes else drum
        parts.append((told, part))
    frames = blocks(here, groove, int(here.policy["ranking_frames"]))
    few, pins = blocks(here, groove, COARSE_FRAMES), set(analysis.beat.kit_pins.values())
    coarse = _coarse(parts, here, groove, few, pins, memo)

    def closely(index: int) -> PlacedCandidate:
        drum, part = parts[index]
        if index in coarse:
            return coarse[index]
        if part is None:
            return place_loop(drum, here, groove, frames, memo)
        return place_alone(drum, part, here, frames, memo)

    looked = counted(thread_map(closely, range(len(parts)), ahead=len(parts)), len(parts), "candidates", say)
    placed = sorted(looked, key=_order)
    loops = tuple(item for item in placed if item.part.kind == "loop")
    one_shots = tuple(item for item in placed if item.part.kind == "one-shot")
    kit, kit_parts, notes = choose_kit(analysis, one_shots, frames, unplaced, memo)
    return Ranking(loops=loops, one_shots=one_shots, kit=kit, kit_parts=kit_parts, unplaced=tuple(unplaced),
                   notes=notes, frames=frames, sifted=sifted)  # fmt: skip


def with_treated(ranking: Ranking, treated: Sequence[PlacedCandidate]) -> Ranking:
    """The ranking with candidates as their plans leave them."""
    by_name = {item.drum.name: item for item in treated}

    def now(items: Sequence[PlacedCandidate]) -> tuple[PlacedCandidate, ...]:
        return tuple(sorted((by_name.get(item.drum.name, item) for item in items), key=_order))

    return replace(ranking, loops=now(ranking.loops), one_shots=now(ranking.one_shots))


def _order(item: PlacedCandidate) -> tuple[bool, float, str]:
    return not item.closely, -item.score, item.drum.name


def _coarse(
    parts: Sequence[tuple[Drum, DrumPart | None]], here: Situation, groove: Groove, few: Indices, pins: set[str],
    memo: Memo,
) -> dict[int, PlacedCandidate]:  # fmt: skip
    """Those to be left at a coarse look, by index; empty where there are few candidates.

    Of each role and of the loops the policy's number goes on to a close look: files fixed in beat.toml first, then the
    best by the coarse score.
    """
    policy = here.policy

    def look(index: int) -> PlacedCandidate:
        drum, part = parts[index]
        return place_coarsely(drum, part or glance(drum, here, groove, memo), here, few, memo)

    groups: dict[str, list[int]] = {}
    for index, (_, part) in enumerate(parts):
        groups.setdefault((part and part.role) or "loop", []).append(index)
    left: dict[int, PlacedCandidate] = {}
    for group, members in groups.items():
        most = int(policy["closely_loops"] if group == "loop" else policy["closely_per_role"])
        if len(members) > most:
            looked = dict(zip(members, thread_map(look, members, ahead=len(members)), strict=True))
            order = sorted(members, key=lambda i: (parts[i][0].name not in pins, -looked[i].score, i))
            left.update({i: looked[i] for i in order[most:]})
    return left
