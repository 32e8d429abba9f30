"""Masking: which chosen parts are covered, by which stem or other part, in which zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec.structs import replace

from dossier.decide import masking as decide_masking
from dossier.measure import hearing, in_beat
from dossier.memo import Memo
from dossier.model.beat import Stem
from dossier.model.choice import Balanced, BalancedPart
from dossier.model.findings import Covered
from dossier.model.measures import Array
from dossier.model.scene import PlacedPart
from dossier.model.situation import Situation
from dossier.model.vocabulary import ZONES


def covered_parts(
    here: Situation, balanced: Balanced, placed: Sequence[PlacedPart], memo: Memo
) -> tuple[Covered, ...]:
    """The chosen parts of which less is heard than usual, with what would free them."""
    by_id = {part.id: one for part, one in zip(balanced.chosen, placed, strict=True)}
    below = [
        part for part in balanced.chosen
        if part.row.audible_share < decide_masking.covered_below(part.row.role, here.policy)
        and in_beat.own_hits(here.scene, by_id[part.id]).any()
    ]  # fmt: skip
    return tuple(_covered(here, part, by_id, memo) for part in below)


def _covered(here: Situation, part: BalancedPart, placed: Mapping[str, PlacedPart], memo: Memo) -> Covered:
    rows = np.flatnonzero(in_beat.own_hits(here.scene, placed[part.id]))
    on, spl_offset_db = here.scene.subset(rows), here.scene.spl_offset_db
    there = {name: replace(one, powers=one.powers[rows], excitation=one.excitation[rows], alone=one.alone[rows])
             for name, one in placed.items()}  # fmt: skip
    drum = there.pop(part.id)
    masker = on.excitation + sum(one.excitation for one in there.values())
    lost = drum.alone - hearing.partial_loudness(drum.excitation, masker)
    zone = int(np.argmax(on.zone_weights @ lost.sum(axis=0)))
    inside = (ZONES[zone].low_hz <= hearing.FINE_HZ) & (ZONES[zone].high_hz > hearing.FINE_HZ)
    stems = {stem.file: _stem_powers(here, stem, memo)[rows] for stem, _ in here.music.stems}
    powers = stems | {name: one.powers * 10.0 ** (one.gain_db / 10.0) for name, one in there.items()}
    by = max(powers, key=lambda name: float(powers[name][:, inside].sum()))
    whole = on.powers if by in stems else powers[by]

    def heard(masker: Array, drum: PlacedPart) -> float:
        return float(hearing.partial_loudness(drum.excitation, masker).sum() / drum.alone.sum())

    def lowered(by_db: float) -> float:
        less = np.minimum(powers[by], whole) * inside * (1.0 - 10.0 ** (-by_db / 10.0))
        before, after = (hearing.excitation(side, spl_offset_db=spl_offset_db) for side in (whole, whole - less))
        return heard(np.maximum(masker - before + after, 0.0), drum)

    def raised(by_db: float) -> float:
        return heard(masker, in_beat.place(on, drum.powers, gain_db=drum.gain_db + by_db))

    enough = decide_masking.covered_below(part.row.role, here.policy)
    return decide_masking.covered(
        id=part.id, label=part.row.part, by=by, zone=zone, share=part.row.audible_share, enough=enough,
        give_way_db=decide_masking.least_db(lowered, enough, here.policy),
        raise_db=decide_masking.least_db(raised, enough, here.policy), policy=here.policy,
    )  # fmt: skip


def _stem_powers(here: Situation, stem: Stem, memo: Memo) -> Array:
    """Powers of one stem on the beat's frames, `(frames, fine bands)`."""
    rate = here.music.rate_hz

    def measured() -> Array:
        return hearing.slot_powers(hearing.band_energies(here.music.sound_of(stem), rate), here.grid.frame_edges_s())

    return memo("heard", np.ndarray, measured, "stem", stem.file)
