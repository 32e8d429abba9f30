"""Hints: what this drum in this beat suggests to try, beside the amounts that every search tries.

Covered ranges: bands in which the instrumental leaves next to nothing of a drum.  What is not heard there still hides
the music, so an EQ that takes it away costs no more than it must.
Second files: of the other one-shots those that are loud where the drum is not and the beat has room.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from dossier.decide.approach import LABELS
from dossier.measure import hearing, in_beat
from dossier.measure import occupancy as occ
from dossier.model.measures import Array, Samples
from dossier.model.scene import PlacedPart, Scene
from dossier.model.vocabulary import ZONE_KEYS, Role
from dossier.stages.rank import Placed
from dossier.treat import eq
from dossier.treat.families import AmountLine

LAYERS = 3  # second files that layering may try
COVERED_BELOW = 0.15  # of its loudness in a band: less is not missed
WORTH = 0.08  # of all that is masked: a smaller range is no work for an EQ
BEYOND = 0.04  # of all that is heard: less than this beyond a range is nothing, and a pass may take it
FAINT = 0.01  # of the loudest band: the drum has nothing there
RANGES = 2
ROLES_BESIDE: Mapping[Role, tuple[Role, ...]] = {  # common practice, no source: a click, a noise or a body to add
    "kick": ("tom", "rim", "percussion"), "tom": ("kick", "percussion"),
    "snare": ("clap", "rim", "percussion"), "clap": ("snare", "rim", "percussion"), "rim": ("snare", "clap"),
    "closed-hat": ("shaker", "percussion"), "open-hat": ("ride", "crash", "closed-hat"),
    "shaker": ("closed-hat", "percussion"), "ride": ("crash", "open-hat"), "crash": ("ride", "open-hat"),
    "percussion": ("rim", "shaker", "tom"),
}  # fmt: skip


def covered_lines(on: Scene, drum: PlacedPart) -> tuple[AmountLine, ...]:
    """EQ amounts that take the drum back where the instrumental covers it; none where it is heard everywhere."""
    rows = in_beat.own_hits(on, drum)
    alone = drum.alone[rows].sum(axis=0)
    heard = np.minimum(hearing.partial_loudness(drum.excitation[rows], on.excitation[rows]).sum(axis=0), alone)
    lost, edges = alone - heard, hearing.BAND_EDGES_HZ
    faint = alone <= FAINT * alone.max(initial=0.0)
    whole, masked = float(heard.sum()), float(lost.sum())
    found = []
    for first, last in _runs((heard <= COVERED_BELOW * alone) | faint):
        while first < last and faint[first]:
            first += 1
        while first < last and faint[last - 1]:
            last -= 1
        share = float(lost[first:last].sum())
        if masked <= 0.0 or share < WORTH * masked:
            continue
        bottom = float(heard[:first].sum()) <= BEYOND * whole
        top = float(heard[last:].sum()) <= BEYOND * whole
        if not (bottom and top):  # else all of it is covered: no EQ helps there
            found.append((share, first, last, bottom, top))
    found.sort(key=lambda entry: (-entry[0], entry[1]))
    return tuple(
        eq.covered_line(float(edges[first]), float(edges[last]), from_bottom=bottom, to_top=top)
        for _, first, last, bottom, top in found[:RANGES]
    )


def _runs(marked: Array) -> list[tuple[int, int]]:
    """First and one past the last index of every run of true values."""
    steps = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(steps[::2], steps[1::2], strict=True)]


def zone_shares(on: Scene, placed: Placed) -> Array:
    """How the loudness of a one-shot, at its gain, is spread over the zones, `(zones,)`, adding to about 1.

    Taken from the mean spectrum of the slots in which it is loudest.
    """
    level = placed.powers.sum(axis=1)
    rows = level > 0.25 * level.max(initial=0.0)
    if not rows.any():
        return np.zeros(len(ZONE_KEYS))
    excitation = hearing.excitation(
        placed.powers[rows].mean(axis=0)[None, :], spl_offset_db=on.spl_offset_db + placed.gain_db
    )
    loudness = hearing.specific_loudness(excitation)[0]
    return np.asarray(on.zone_weights @ loudness / max(float(loudness.sum()), 1e-12))


def room_by_zone(on: Scene) -> Array:
    """What the instrumental leaves of each zone, `(zones,)`, 0 to 1."""
    fills = occ.zone_fills(on.loudness, on.reference, on.active)
    return np.array([1.0 - fills[zone] for zone in ZONE_KEYS])


def complement(drum: Array, layer: Array, room: Array) -> float:
    """How much of a layer lies where the drum has less and the beat has room; all `(zones,)`.  0 to 1."""
    return float((np.maximum(layer - drum, 0.0) * room).sum())


def second_files(
    on: Scene, placed: Placed, one_shots: Sequence[Placed], *, room: Array, shares: Mapping[str, Array]
) -> dict[str, Samples]:
    """The second files that layering may try under a one-shot, the best complement first.

    Parameters
    ----------
    one_shots : all that were placed closely, of any role
    room, shares : `room_by_zone` of the scene; `zone_shares` by file
    """
    if placed.play.kind == "loop" or placed.play.role is None:
        return {}
    roles = (placed.play.role, *ROLES_BESIDE.get(placed.play.role, ()))
    others = [
        item for item in one_shots
        if item.closely and item.play.role in roles and item.drum.name != placed.drum.name
    ]  # fmt: skip
    own = shares[placed.drum.name]
    others.sort(key=lambda item: (-complement(own, shares[item.drum.name], room), item.drum.name))
    return {item.drum.name: item.play.samples for item in others[:LAYERS]}


def adds_in(drum: Array, layer: Array, room: Array) -> str:
    """The zone in which a layer adds most, in words."""
    return str(LABELS[ZONE_KEYS[int(np.argmax(np.maximum(layer - drum, 0.0) * room))]])
