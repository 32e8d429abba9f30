"""Occupancy maps: the instrumental and the chosen drums at their gains as one, and the room that is left."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from dossier.decide import fit
from dossier.decide import room_left as decide_room_left
from dossier.measure import hearing, in_beat
from dossier.measure import occupancy as occ
from dossier.memo import Memo
from dossier.model.choice import Balanced, BalancedPart
from dossier.model.datafile import Occupancy
from dossier.model.findings import RoomLeft
from dossier.model.measures import Array, Grid
from dossier.model.parts import PlacedCandidate, Ranking, Treated
from dossier.model.scene import PlacedPart
from dossier.model.situation import Situation
from dossier.model.vocabulary import ZONE_KEYS
from dossier.stages.candidates import part_powers
from dossier.stages.placing import judge

Maps = tuple[tuple[float, ...], ...]


def placed_parts(here: Situation, balanced: Balanced) -> list[PlacedPart]:
    """The chosen parts at their gains."""
    return [in_beat.place(here.scene, part.item.powers, gain_db=part.item.gains.db) for part in balanced.chosen]


def occupancy_maps(
    here: Situation, balanced: Balanced, placed: Sequence[PlacedPart], treated: Sequence[Treated]
) -> Occupancy:
    """Occupancy with and without the drums, what the music masks of them, and what their treatments change."""
    scene, grid = here.scene, here.grid
    with_drums = in_beat.occupancy_with(scene, placed)
    masked = [in_beat.overlap_map(scene, item) for item in placed]
    lost = np.sum(masked, axis=0) if placed else np.zeros_like(with_drums)
    weights = scene.zone_weights
    return Occupancy(
        band_hz=tuple(round(float(hz), 1) for hz in hearing.BAND_HZ),
        band_zone=tuple(ZONE_KEYS[int(np.argmax(weights[:, band]))] for band in range(weights.shape[1])),
        slot_s=grid.slot_s, slots_per_bar=grid.slots_per_bar, first_slot_s=grid.first_downbeat_s,
        instrumental=_map(occ.occupancy(scene.loudness, scene.reference), grid), with_drums=_map(with_drums, grid),
        overlap=_map(lost, grid), treatment_change=_treatment_change(here, balanced, with_drums, treated),
        kept=tuple(round(float(value), 4) for value in scene.kept) if scene.kept.any() else (),
        reference_sone=tuple(round(float(value), 5) for value in scene.reference),
    )  # fmt: skip


def _treatment_change(here: Situation, balanced: Balanced, with_drums: Array, treated: Sequence[Treated]) -> Maps:
    """Occupancy less what it would be with the same drums untreated, at the same gains; empty without treatments."""
    untreated = {item.placed.drum.name: item.placed.part for item in treated}
    if not any(part.item.treated for part in balanced.chosen):
        return ()

    def plain(part: BalancedPart) -> PlacedPart:
        item = part.item
        powers = part_powers(untreated[item.drum.name]) if item.treated else item.powers
        return in_beat.place(here.scene, powers, gain_db=item.gains.db)

    change = with_drums - in_beat.occupancy_with(here.scene, [plain(part) for part in balanced.chosen])
    return _map(change, here.grid)


def _map(values: Array, grid: Grid) -> Maps:
    """`(frames, bands)` to rows of bands over the slots, to three decimals."""
    return tuple(map(tuple, np.round(in_beat.per_slot(values, grid).T, 3).tolist()))


def room_left(
    here: Situation, ranking: Ranking, balanced: Balanced, placed: Sequence[PlacedPart], memo: Memo
) -> RoomLeft | None:
    """The room left with the drums; what one more file brings is told on the frames that candidates are compared on."""
    if not placed:
        return None
    excitation = here.scene.excitation + np.sum([item.excitation for item in placed], axis=0)
    scene = replace(here.scene, excitation=excitation, loudness=hearing.specific_loudness(excitation))
    fills, frames = occ.zone_fills(scene.loudness, scene.reference, scene.active), ranking.frames
    room = occ.room(scene.loudness, scene.reference, scene.kept)
    kept, per_bar = occ.zone_fills(scene.kept * scene.reference[None, :], scene.reference), here.grid.slots_per_bar
    share = (room * scene.reference[None, :]).sum(axis=1) / scene.reference.sum()
    shares, active = in_beat.per_slot(share, here.grid), in_beat.per_slot(scene.active.astype(float), here.grid) > 0.5
    position = np.arange(len(shares)) % per_bar
    playing = [active & (position == slot) for slot in range(per_bar)]
    by_slot = tuple(float(shares[rows].mean()) if rows.any() else 0.0 for rows in playing)
    on = scene.subset(frames)
    beside = memo.within("room left", frames, [(item.powers, item.gain_db) for item in placed])

    def extra(item: PlacedCandidate) -> decide_room_left.Extra:
        role = item.part.role
        found, score, _ = judge(on, item.powers[frames], item.fit, here=here, role=role, gain_db=item.gains.db,
                                memo=beside)  # fmt: skip
        return decide_room_left.Extra(item.drum.name, role or "", found, score, fit.grade(score, role))

    used = {part.item.drum.name for part in balanced.chosen}
    unused = [item for item in ranking.one_shots if item.closely and item.drum.name not in used]
    left = {zone: max(0.0, 1.0 - fill - kept[zone]) for zone, fill in fills.items()}
    return decide_room_left.decide(
        left, by_slot, [extra(item) for item in unused],
        fill=float(occ.fill(scene.loudness, scene.reference, active=scene.active)), policy=here.policy,
    )  # fmt: skip
