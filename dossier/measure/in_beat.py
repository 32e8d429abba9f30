"""A drum part measured in the beat: fill, spill, overlap, buried, audible share and lift.

Conventions
    A `Scene` is the instrumental at the level at which the finished mix plays it; a `PlacedPart` is a drum on the
    scene's frames, at a gain relative to the instrumental as it is.  Excitations of parts add.  Bands are 1 Cam wide,
    so specific loudness in sone/Cam is sone a band.

Definitions (alone, partial: loudness without and with the masker; Moore, Glasberg and Baer, see `hearing`)
    room filled     rise of what stays within N'free: of sum min(N', N'free), as a share of the sum of N'ref; N'free is
                    the reference less what is kept of it for a voice
    spill           sum of max(0, N' - N'free) with the drum less the same without, as a share of the sum of N'ref
    overlap         sum of (alone - partial in the instrumental), as a share of the sum of N'ref
    buried          1 - (instrumental's partial loudness with the drum as masker) / (its loudness alone)
    audible share   (drum's partial loudness in everything else that plays) / (its loudness alone), over its own hits,
                    the frames with at least a quarter of the loudness of its loudest one
    heard           its partial loudness in all else that plays, in sone a zone, mean over its own hits
    lift            K-weighted level of the drum over the instrumental, in the drum's own bands at its own hits, in LU
All sums run over active frames, from the first to the last sound of the instrumental.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from dossier.measure import hearing
from dossier.measure import occupancy as occ
from dossier.model.measures import FRAME_S, Array, Grid, Indices, Mask
from dossier.model.scene import InBeat, PlacedPart, Scene
from dossier.model.vocabulary import ZONE_KEYS

OWN_HIT_SHARE = 0.25  # of a drum's loudest frame makes a frame one of its hits: ghosts count, tails do not
OWN_BAND_DB = 12.0  # below a drum's strongest K-weighted band, down to which a fine band is its own


def scene(
    powers: Array, *, reference: Array, kept: Array, active: Mask, k_weights: Array, spl_offset_db: float
) -> Scene:
    """Build a scene from the instrumental's powers `(frames, fine)` in full-scale^2."""
    excitation = hearing.excitation(powers, spl_offset_db=spl_offset_db)
    return Scene(
        powers=powers, excitation=excitation, loudness=hearing.specific_loudness(excitation), reference=reference,
        kept=kept, active=active, zone_weights=occ.zone_weights(), k_weights=k_weights, spl_offset_db=spl_offset_db,
    )  # fmt: skip


def played(on: Scene, powers: Array, change_db: float) -> Scene:
    """The scene with other powers `(frames, fine)`, played `change_db` louder."""
    offset = on.spl_offset_db + change_db
    excitation = hearing.excitation(powers, spl_offset_db=offset)
    loudness = hearing.specific_loudness(excitation)
    return replace(on, powers=powers, excitation=excitation, loudness=loudness, spl_offset_db=offset)


def place(on: Scene, powers: Array, *, gain_db: float) -> PlacedPart:
    """Put a drum part, given by its powers `(frames, fine)` at 0 dB gain, into the scene."""
    level = powers.sum(axis=1)
    rows = (level > 1e-10 * level.max(initial=0.0)) & (level > 0)
    excitation, alone = np.zeros_like(on.excitation), np.zeros_like(on.excitation)
    if rows.any():
        excitation[rows] = hearing.excitation(powers[rows], spl_offset_db=on.spl_offset_db + gain_db)
        alone[rows] = hearing.specific_loudness(excitation[rows])
    return PlacedPart(powers=powers, gain_db=gain_db, excitation=excitation, alone=alone)


def audible_share(on: Scene, drum: PlacedPart, others: Array | None = None) -> float:
    """Partial loudness in the instrumental and the `others` (excitation, `(frames, bands)`) over loudness alone.

    1 for a drum that nothing masks; 0 for a silent drum.
    """
    return heard(on, drum, others)[0]


def heard(on: Scene, drum: PlacedPart, others: Array | None = None) -> tuple[float, dict[str, float]]:
    """Audible share, and what is heard in each zone, mean sone over its own hits."""
    rows = own_hits(on, drum)
    masker = on.excitation[rows] if others is None else on.excitation[rows] + others[rows]
    return _heard(on, drum.alone[rows], _partial(on, drum.excitation[rows], masker, drum.alone[rows]))


def _heard(on: Scene, alone: Array, left: Array) -> tuple[float, dict[str, float]]:
    """The same from the loudness of its own hits, alone and beside all else."""
    if alone.sum() <= 0:
        return 0.0, dict.fromkeys(ZONE_KEYS, 0.0)
    zones = on.zone_weights @ left.mean(axis=0)
    return float(left.sum() / alone.sum()), dict(zip(ZONE_KEYS, zones.tolist(), strict=True))


def own_hits(on: Scene, drum: PlacedPart) -> Mask:
    """Active frames in which the drum really sounds, `(frames,)`."""
    loud = np.where(on.active, drum.alone.sum(axis=1), 0.0)
    return np.asarray((loud >= OWN_HIT_SHARE * loud.max(initial=0.0)) & (loud > 0))


def measure(on: Scene, drum: PlacedPart, others: Array | None = None) -> InBeat:
    """Every quantity of one drum part in the scene; `others` is the excitation of the other drum parts that play."""
    active = on.active
    rows = (drum.alone.sum(axis=1) > 0) & active
    total = on.reference_sum
    before, spill_before = _fill_and_spill(on, on.loudness)
    with_drum = on.loudness.copy()
    music, own = on.excitation[rows], drum.excitation[rows]
    together = hearing.compressed(music + own)
    with_drum[rows] = hearing.specific_loudness(music + own, compressed_exc=together)
    after, spill_after = _fill_and_spill(on, with_drum)
    alone, music_alone = drum.alone[rows], on.loudness[rows]
    own_left = _partial(on, own, music, alone, together)
    masked = alone - own_left
    left = _partial(on, music, own, music_alone, together)
    all_music = float(on.loudness[active].sum())
    buried = float((music_alone - left).sum()) / all_music if all_music > 0 else 0.0
    spill, hits = spill_after - spill_before, own_hits(on, drum)[rows]
    share, zones = _heard(on, alone[hits], own_left[hits]) if others is None else heard(on, drum, others)
    return InBeat(
        fill=after, music_fill=before, room_filled=after - before - spill, spill=spill, buried=buried,
        overlap=float(masked.sum()) / total, audible_share=share, lift_lu=lift(on, drum),
        heard_zones=zones,
    )  # fmt: skip


def overlap_map(on: Scene, drum: PlacedPart) -> Array:
    """Loudness of the drum that the instrumental masks in each cell, as a share of the reference: `(frames, bands)`."""
    rows = drum.alone.sum(axis=1) > 0
    out = np.zeros_like(on.loudness)
    out[rows] = drum.alone[rows] - _partial(on, drum.excitation[rows], on.excitation[rows])
    return np.asarray(np.maximum(out, 0.0) / on.reference[None, :])


def lift(on: Scene, drum: PlacedPart) -> float | None:
    """K-weighted level of the drum over the instrumental in the drum's own bands and frames, in LU.

    None for a silent drum, and where the instrumental is silent in all of those cells.
    """
    rows = own_hits(on, drum)
    if not rows.any():
        return None
    weighted = drum.powers[rows].sum(axis=0) * on.k_weights
    bands = weighted >= weighted.max() * 10.0 ** (-OWN_BAND_DB / 10.0)
    drum_power = float(weighted[bands].sum())
    music = float((on.powers[rows].sum(axis=0) * on.k_weights)[bands].sum())
    if music <= 0 or drum_power <= 0:
        return None
    return float(10.0 * np.log10(drum_power / music) + drum.gain_db)


def spread_frames(frames: int, most: int, *, block: int) -> Indices:
    """Indices of about `most` frames, `(n,)`: blocks of `block` frames spread evenly over the beat; all of a short one.

    A block as long as the pattern sees all of it, wherever it falls.
    """
    block = max(1, min(block, most, frames))
    wanted = max(1, most // block)
    if frames <= wanted * block:
        return np.arange(frames, dtype=np.intp)
    firsts = np.clip(((np.arange(wanted) + 0.5) * frames / wanted - block / 2.0).round(), 0, frames - block)
    chosen = np.zeros(frames, dtype=bool)
    chosen[(firsts[:, None] + np.arange(block)[None, :]).astype(np.intp)] = True
    return np.flatnonzero(chosen)


def per_slot(values: Array, grid: Grid) -> Array:
    """Means in slots, `(frames, ...)`, of values in frames, `(frames, ...)`: slots collect frames by overlap.

    What lies past the last whole frame takes its value.
    """
    held = np.concatenate([np.zeros_like(values[:1]), np.cumsum(np.concatenate([values, values[-1:]]), axis=0)])
    at = np.minimum(grid.slot_s * np.arange(grid.slots + 1) / FRAME_S, len(held) - 1.0)
    lower = np.minimum(at.astype(int), len(held) - 2)
    share = (at - lower).reshape(-1, *[1] * (values.ndim - 1))
    whole = held[lower] * (1.0 - share) + held[lower + 1] * share
    return np.asarray(np.diff(whole, axis=0) * (FRAME_S / grid.slot_s))


def _partial(
    on: Scene, signal: Array, masker: Array, alone: Array | None = None, compressed_sum: Array | None = None
) -> Array:
    return hearing.partial_loudness(
        signal, masker, k_moved_db=on.masking_db, alone=alone, compressed_sum=compressed_sum
    )


def _fill_and_spill(on: Scene, loudness: Array) -> tuple[float, float]:
    spilt = occ.spill(loudness, on.reference, active=on.active, kept=on.kept)
    return occ.fill(loudness, on.reference, active=on.active), spilt


def occupancy_with(on: Scene, drums: Sequence[PlacedPart]) -> Array:
    """Occupancy of instrumental and drums together, `(frames, bands)`."""
    total = on.excitation + sum((drum.excitation for drum in drums), np.zeros_like(on.excitation))
    return np.asarray(occ.occupancy(hearing.specific_loudness(total), on.reference))
