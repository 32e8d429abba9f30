"""Sensitivity: whether the advice hangs on an assumption, and which change of a stem would turn it.

An outcome turns the verdict where it is neither the verdict itself nor what the same calculation says of the beat as it
is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dossier.decide import approach as decide_approach
from dossier.model.findings import Approach, WhatIf
from dossier.model.vocabulary import ApproachKind, Direction

MOST_FLIPS = 2


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a changed beat or assumption leads to."""

    fill: float
    kind: ApproachKind
    direction: Direction

    @property
    def words(self) -> str:
        return f"{decide_approach.KIND_WORDS[self.kind]}, {self.direction}"


def outcome(
    fill: float, loop: decide_approach.Contender | None, kit: decide_approach.Contender | None,
    policy: Mapping[str, float],
) -> Outcome:  # fmt: skip
    """Kind and direction decided again, from the fill and how loop and kit come out."""
    kind, _ = decide_approach.kind(loop, kit, policy)
    winner = decide_approach.winner(kind, loop, kit)
    direction, _ = decide_approach.direction(fill, winner.fit if winner else None, policy)
    return Outcome(fill=fill, kind=kind, direction=direction)


def turns(found: Outcome, approach: Approach, as_it_is: Outcome) -> bool:
    """Whether an outcome turns the verdict."""
    there = (found.kind, found.direction)
    return there != (approach.kind, approach.direction) and there != (as_it_is.kind, as_it_is.direction)


def uncertain(outcomes: Sequence[tuple[str, Outcome]], approach: Approach, as_it_is: Outcome) -> str | None:
    """Which assumption turns the verdict, in a sentence; None where none does.

    `outcomes`: what was assumed, in words, and what follows.
    """
    flips = [f"{when} it is {found.words}" for when, found in outcomes if turns(found, approach, as_it_is)]
    if not flips:
        return None
    more = f", and in {len(flips) - MOST_FLIPS} more cases" if len(flips) > MOST_FLIPS else ""
    return f"Close call: {'; '.join(flips[:MOST_FLIPS])}{more}. Let your ears decide."


@dataclass(frozen=True, slots=True)
class ChangedStem:
    """A stem really lowered (dB) or left out (None), and what follows."""

    stem: str
    change_db: float | None
    found: Outcome


def most_telling(
    changed: Sequence[ChangedStem], approach: Approach, as_it_is: Outcome, *, most: int
) -> tuple[ChangedStem, ...]:
    """Changes that turn the verdict first, then those that move the fill most.

    A small change that turns the verdict says more than a removed stem that does.
    """

    def order(one: ChangedStem) -> tuple[bool, bool, float, str]:
        turned = turns(one.found, approach, as_it_is)
        return not turned, one.change_db is None and turned, -abs(one.found.fill - as_it_is.fill), one.stem

    return tuple(sorted(changed, key=order)[:most])


def told(one: ChangedStem, approach: Approach, as_it_is: Outcome) -> WhatIf:
    """A changed stem in a sentence."""
    how = f"With {-one.change_db:.0f} dB less of" if one.change_db is not None else "Without"
    turned = turns(one.found, approach, as_it_is)
    verdict = f"the verdict becomes {one.found.words}" if turned else "the verdict stays"
    fills = f"{100 * as_it_is.fill:.0f} to {100 * one.found.fill:.0f} %"
    return WhatIf(
        text=f"{how} {one.stem.rsplit('/', 1)[-1]} the fill goes from {fills}, and {verdict}.", stem=one.stem,
        change_db=one.change_db, fill=one.found.fill, kind=one.found.kind, direction=one.found.direction,
    )  # fmt: skip
