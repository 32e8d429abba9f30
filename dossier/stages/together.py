"""Together: instrumental and chosen drums at their gains as one: occupancy over the beat, the room that is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dossier.decide import room_left as decide_room_left
from dossier.measure import hearing, in_beat
from dossier.measure import occupancy as occ
from dossier.model.datafile import Occupancy
from dossier.model.findings import RoomLeft
from dossier.model.measures import Array
from dossier.model.scene import PlacedPart
from dossier.model.vocabulary import ZONE_KEYS
from dossier.stages.analyse import Analysis
from dossier.stages.rank import Ranking
from dossier.stages.settle import Part, Settled

Maps = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Together:
    """The beat with its drums."""

    occupancy: Occupancy
    room_left: RoomLeft | None


def measure(analysis: Analysis, ranking: Ranking, settled: Settled) -> Together:
    """Occupancy with and without the drums, what they hide, and what one more file would bring."""
    chosen = [(part, row.gain_db) for part, row in settled.chosen]
    placed = [in_beat.place(analysis.scene, part.powers, gain_db=gain_db) for part, gain_db in chosen]
    used = {part.placed.drum.name for part, _ in chosen}
    return Together(_occupancy(analysis, chosen, placed), _room_left(analysis, placed, ranking, used))


def _occupancy(
    analysis: Analysis, chosen: Sequence[tuple[Part, float]], placed: Sequence[PlacedPart]
) -> Occupancy:
    scene, grid = analysis.scene, analysis.grid
    with_drums = in_beat.occupancy_with(scene, list(placed))
    hidden = [in_beat.overlap_map(scene, item) for item in placed]
    lost = np.sum(hidden, axis=0) if placed else np.zeros_like(with_drums)
    change: Maps = ()
    if any(part.treated for part, _ in chosen):
        plain = [in_beat.place(scene, part.placed.powers, gain_db=gain_db) for part, gain_db in chosen]
        change = _map(with_drums - in_beat.occupancy_with(scene, plain))
    weights = scene.zone_weights
    return Occupancy(
        band_hz=tuple(round(float(hz), 1) for hz in hearing.BAND_HZ),
        band_zone=tuple(ZONE_KEYS[int(np.argmax(weights[:, band]))] for band in range(weights.shape[1])),
        slot_s=grid.slot_s, slots_per_bar=grid.slots_per_bar, first_slot_s=grid.first_downbeat_s,
        instrumental=_map(occ.occupancy(scene.loudness, scene.reference)), with_drums=_map(with_drums),
        overlap=_map(lost), treatment_change=change,
        reference_sone=tuple(round(float(value), 5) for value in scene.reference),
    )  # fmt: skip


def _map(values: Array) -> Maps:
    """`(slots, bands)` to rows of bands, to three decimals."""
    return tuple(map(tuple, np.round(values.T, 3).tolist()))


def _room_left(
    analysis: Analysis, placed: Sequence[PlacedPart], ranking: Ranking, used: set[str]
) -> RoomLeft | None:
    """The room left with the drums; what one more file brings is told on the slots that candidates are compared on."""
    if not placed:
        return None
    scene = analysis.scene
    total = scene.excitation + np.sum([item.excitation for item in placed], axis=0)
    loudness = hearing.specific_loudness(total)
    fills = occ.zone_fills(loudness, scene.reference, scene.active)
    room = occ.room(loudness, scene.reference)
    per_bar = analysis.grid.slots_per_bar
    share = (room * scene.reference[None, :]).sum(axis=1) / scene.reference.sum()
    by_slot = [float(share[scene.active & (np.arange(len(share)) % per_bar == slot)].mean())
               if (scene.active & (np.arange(len(share)) % per_bar == slot)).any() else 0.0
               for slot in range(per_bar)]  # fmt: skip
    extra = []
    on = scene.subset(ranking.slots)
    added = in_beat.adding(on, np.sum([item.excitation[ranking.slots] for item in placed], axis=0))
    for item in (*ranking.loops, *ranking.one_shots):
        if item.closely and item.drum.name not in used and item.play.kind == "one-shot":
            trial = in_beat.place(on, item.powers[ranking.slots], gain_db=item.gain_db)
            extra.append(decide_room_left.Extra(name=item.drum.name, role=item.play.role or "", **added(trial)))
    return decide_room_left.decide({zone: 1.0 - fill for zone, fill in fills.items()}, tuple(by_slot), extra,
                                   fill=float(occ.fill(loudness, scene.reference, active=scene.active)),
                                   policy=analysis.policy)  # fmt: skip
