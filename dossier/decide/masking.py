"""Masking: parts that are covered at their level, by what, and what to do about it.

Masking sets no gain: authors do not turn parts up where the music covers them (tests/bench/learn_levels.py), so what
is told is what the music, or another part, would have to give way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from dossier.model.findings import Covered
from dossier.model.vocabulary import ZONES, Role

LOWS: frozenset[Role] = frozenset({"kick", "tom"})


def covered_below(role: Role | None, policy: Mapping[str, float]) -> float:
    """The audible share below which less of a part is heard than in nine of ten mixes that people made."""
    return policy["covered_lows_below"] if role in LOWS else policy["covered_below"]


def least_db(share_at: Callable[[float], float], enough: float, policy: Mapping[str, float]) -> float | None:
    """The least change, in whole decibels, at which enough is heard; None where the most that is asked does not do."""
    most = int(policy["give_way_most_db"])
    return next((float(by_db) for by_db in range(1, most + 1) if share_at(by_db) >= enough), None)


def covered(
    *, id: str, label: str, by: str, zone: int, share: float, enough: float, give_way_db: float | None,
    raise_db: float | None, policy: Mapping[str, float],
) -> Covered:  # fmt: skip
    """The finding in words; `by` is the stem or the part that covers most, `label` what the part is called."""
    where, most_hz = ZONES[zone], ZONES[zone].high_hz
    ends = [f"{hz / 1000:g}" if most_hz > 2000 else f"{hz:g}" for hz in (where.low_hz, most_hz)]
    there = f"the {where.label} ({' to '.join(ends)} {'kHz' if most_hz > 2000 else 'Hz'})"
    name = by.rsplit("/", 1)[-1].rsplit(".", 1)[0]
    fixed = (
        "Turning it up won't fix it" if raise_db is None
        else f"To be heard it would have to be {raise_db:.0f} dB louder than people set it"
    )  # fmt: skip
    if give_way_db is None:
        most = policy["give_way_most_db"]
        do = f"even {most:.0f} dB less of {name} there would not free it; take another {label}, or leave one out"
    else:
        do = f"lower {name} there by {give_way_db:.0f} dB where the {label} plays, or take another {label}"
    text = (
        f"The {label} is covered: less of it is heard than in nine of ten finished mixes. "
        f"{name} covers it, most in {there}. {fixed}; {do}."
    )
    return Covered(part=id, by=by, zone=where.key, share=share, usual_share=enough, give_way_db=give_way_db,
                   raise_db=raise_db, text=text)  # fmt: skip
