"""Room left: after the chosen drums are in, what remains by zone and slot, and which unused candidates would fit.

An unused file is judged like any candidate, with the chosen drums as part of the music: what fits well there and brings
some of the reference is an idea (common practice, no source: an extra that is not missed should not be added).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from dossier.model.findings import Fit, RoomLeft
from dossier.model.vocabulary import ZONE_LABELS, Grade

MOST_IDEAS = 3


class Extra(Struct, frozen=True):
    """An unused candidate, measured on top of the instrumental and the chosen drums."""

    name: str
    role: str
    fit: Fit
    score: float
    grade: Grade


def decide(
    zones: Mapping[str, float], slots: tuple[float, ...], extras: Sequence[Extra], *, fill: float,
    policy: Mapping[str, float],
) -> RoomLeft:  # fmt: skip
    """What would fit into what is left: shares of the reference by zone and by slot of the bar.

    `fill` is that of the beat with the chosen drums.
    """
    roomiest = max(ZONE_LABELS, key=lambda zone: zones[zone])
    fitting = [
        extra for extra in extras
        if extra.fit.room_filled >= policy["extra_least_room"] and extra.grade == "fits well"
    ]  # fmt: skip
    fitting.sort(key=lambda extra: (-extra.score, extra.name))
    taken: list[Extra] = []
    for extra in fitting:
        if all(extra.role != other.role for other in taken):
            taken.append(extra)
    ideas = tuple(
        f"{extra.name} as an extra {extra.role.replace('-', ' ')}: it would "
        f"fill {100 * extra.fit.room_filled:.1f} % more and cover {100 * extra.fit.covered_music:.1f} % of the rest"
        for extra in taken[:MOST_IDEAS]
    )
    left = round(100 * zones[roomiest])
    rest = f"most of the rest lies in the {ZONE_LABELS[roomiest]} ({left} % of that zone)"
    where = rest if left else "no space is left"
    sentence = f"With the chosen drums the beat is {100 * fill:.0f} % full; {where}."
    if not ideas:
        sentence += " Nothing else is worth adding."
    elif fill > policy["full_above"]:
        sentence += " The beat is full now, so an extra should be a rare one, not a steady part."
    return RoomLeft(zones=zones, slots=slots, sentence=sentence, ideas=ideas)
