"""Search hints: what this drum in this beat suggests to try, beside the amounts that every search tries.

Covered ranges: bands in which the instrumental leaves next to nothing of a drum.  What is not heard there still masks
the music, so an EQ that takes it away costs little.
Second files: other one-shots that are loud where the drum is not and the beat has room.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from msgspec import Struct

from dossier.model.measures import Array
from dossier.model.vocabulary import ZONES, Role

ROLES_BESIDE: Mapping[Role, tuple[Role, ...]] = {  # common practice, no source: a click, a noise or a body to add
    "kick": ("tom", "rim", "percussion"), "tom": ("kick", "percussion"),
    "snare": ("clap", "rim", "percussion"), "clap": ("snare", "rim", "percussion"), "rim": ("snare", "clap"),
    "closed-hat": ("shaker", "percussion"), "open-hat": ("ride", "crash", "closed-hat"),
    "shaker": ("closed-hat", "percussion"), "ride": ("crash", "open-hat"), "crash": ("ride", "open-hat"),
    "percussion": ("rim", "shaker", "tom"),
}  # fmt: skip


class CoveredRange(Struct, frozen=True):
    """Bands from `first` to before `last` of which next to nothing is heard."""

    first: int
    last: int
    from_bottom: bool  # nothing to speak of is heard below
    to_top: bool


def covered_ranges(alone: Array, heard: Array, policy: Mapping[str, float]) -> tuple[CoveredRange, ...]:
    """Ranges worth an EQ, those that lose most first; none where the drum is heard everywhere, or nowhere.

    `alone`, `heard`: loudness of the drum a band without and with the music, `(bands,)`, summed over its hits.
    """
    heard = np.minimum(heard, alone)
    lost = alone - heard
    faint = alone <= policy["hint_faint"] * alone.max(initial=0.0)
    whole, masked = float(heard.sum()), float(lost.sum())
    beyond = policy["hint_beyond"] * whole
    found = []
    for first, last in _runs((heard <= policy["hint_covered_below"] * alone) | faint):
        while first < last and faint[first]:
            first += 1
        while first < last and faint[last - 1]:
            last -= 1
        share = float(lost[first:last].sum())
        if masked <= 0.0 or share < policy["hint_worth"] * masked:
            continue
        bottom, top = float(heard[:first].sum()) <= beyond, float(heard[last:].sum()) <= beyond
        if not (bottom and top):  # else all of it is covered: no EQ helps there
            found.append((share, CoveredRange(first, last, from_bottom=bottom, to_top=top)))
    found.sort(key=lambda entry: (-entry[0], entry[1].first))
    return tuple(entry for _, entry in found[: int(policy["hint_ranges"])])


def _runs(marked: Array) -> list[tuple[int, int]]:
    """First and one past the last index of every run of true values."""
    steps = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(steps[::2], steps[1::2], strict=True)]


def complement(drum: Array, layer: Array, room: Array) -> Array:
    """How much of a layer lies where the drum has less and the beat has room, `(zones,)`; all are `(zones,)`, 0-1."""
    return np.asarray(np.maximum(layer - drum, 0.0) * room)


def second_files(
    name: str, role: Role, others: Iterable[tuple[str, Role | None]], shares: Mapping[str, Array], room: Array,
    policy: Mapping[str, float],
) -> list[str]:  # fmt: skip
    """The files that layering may try under a one-shot, the best complement first.

    `others`: files and roles of the one-shots to choose from; `shares`: how the loudness of each file is spread over
    the zones, `(zones,)`; `room`: what the instrumental leaves of each zone, `(zones,)`, 0-1.
    """
    roles = (role, *ROLES_BESIDE.get(role, ()))
    fitting = [other for other, its in others if its in roles and other != name]
    fitting.sort(key=lambda other: (-float(complement(shares[name], shares[other], room).sum()), other))
    return fitting[: int(policy["hint_layers"])]


def adds_in(drum: Array, layer: Array, room: Array) -> str:
    """The zone in which a layer adds most, in words."""
    return ZONES[int(np.argmax(complement(drum, layer, room)))].label
