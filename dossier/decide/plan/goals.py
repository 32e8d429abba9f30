"""What a plan is for: the goal of each direction, and what it must not cost.

Conventions
    before and after are `DrumFigures` of one drum in the beat **at equal integrated loudness on the grid**: whatever is
    louder seems to fill more.  A gain is a change for the better, as a share of what was there before.  Thresholds are
    in `dossier.decide.policy` (`plan_...`).
    fuller     gain = (room filled after - before) / before, and enough of the reference; no more over.
    leaner     gain = 1 - (covered music + over) after / before; neither of the two up.
    as it is   either gain, but only where it costs the other side nothing: fuller at no more covered, leaner at no
               less room filled.
    Both keep the drum's job: its likeness to its role and, in sone, what is heard of it in its own zones, by groups of
    zones (a kick's weight and its click) and in the zone of each that holds most of it (a hat's air).
    The sign of the gain must hold at the final gain too.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from msgspec import Struct

from dossier.decide import fit
from dossier.model.findings import DrumFigures
from dossier.model.vocabulary import ZONE_LABELS, Direction, Role


class Verdict(Struct, frozen=True):
    """How a treated drum compares: the gain towards the goal, and what it broke, if anything."""

    gain: float
    broken: str  # in words with numbers; empty where everything holds
    met: bool
    side: Direction  # which gain it is: "fuller" or "leaner"


def load(figures: DrumFigures) -> float:
    """Covered music and over together."""
    return figures.buried + figures.spill


def gain(before: DrumFigures, after: DrumFigures, side: Direction) -> float:
    """Change for the better on one side, as a share of what was there before; 0 where there was nothing."""
    old, new = (load(before), load(after)) if side == "leaner" else (before.room_filled, after.room_filled)
    if old <= 0.0:
        return 0.0 if side == "leaner" or new <= 0.0 else 1.0
    return (old - new) / old if side == "leaner" else (new - old) / old


def judge(
    before: DrumFigures, after: DrumFigures, side: Direction, role: Role | None, policy: Mapping[str, float], *,
    strict: bool = False,
) -> Verdict:  # fmt: skip
    """Compare a treated drum with itself untreated, at equal loudness; `side`: what the treatment was for.

    `strict`: the other side must not get worse either.
    """
    problems = []

    def must_not_rise(what: str, old: float, new: float) -> None:
        if new > old + policy["plan_slack"]:
            problems.append(f"{what} rises from {100.0 * old:.1f} to {100.0 * new:.1f} %")

    must_not_rise("what goes over finished mixes", before.spill, after.spill)
    if side == "leaner" or strict:
        must_not_rise("covered music", before.buried, after.buried)
    if strict and side == "leaner":
        must_not_rise("room left", -before.room_filled, -after.room_filled)
    problems += _job_lost(before, after, role, policy)
    gained = gain(before, after, side)
    enough = gained >= policy[f"plan_{side}_goal"] and (
        side == "leaner" or after.room_filled - before.room_filled >= policy["plan_least"]
    )
    return Verdict(gain=gained, broken=", and ".join(problems), met=enough and not problems, side=side)


def _job_lost(
    before: DrumFigures, after: DrumFigures, role: Role | None, policy: Mapping[str, float]
) -> Iterator[str]:
    """What a drum no longer does, in words."""
    if before.job is not None and after.job is not None and after.job < before.job - policy["plan_job_slack"]:
        yield f"it sounds less like {fit.role_words(role)}: {100.0 * before.job:.0f} to {100.0 * after.job:.0f} %"
    for group in fit.OWN_ZONES[role]:
        most = max(group, key=lambda zone: before.heard_zones.get(zone, 0.0))
        for zones in (group, (most,)):
            old, new = (sum(side.heard_zones.get(zone, 0.0) for zone in zones) for side in (before, after))
            if old >= policy["inaudible_sone"] and new < old * (1.0 - policy["plan_heard_loss"]):
                where = " and ".join(ZONE_LABELS[zone] for zone in zones)
                yield f"{100.0 * (1.0 - new / old):.0f} % less of it is heard in the {where}"
                break
