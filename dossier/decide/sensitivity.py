"""Sensitivity: whether the advice hangs on a setting, and which change of a stem would turn it.

Settings are drawn together, each evenly within its range, and the advice is decided again under each draw.  How often
it comes out the same is no probability: it says how many plausible settings would advise the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct

from dossier.decide import approach as decide_approach
from dossier.model.findings import Approach, Holds, WhatIf
from dossier.model.vocabulary import ApproachKind, Direction, Role

SEED = 1
LEVEL, LISTENING, TILT, MASKING = "level of ", "listening level", "tilt of the reference", "masking constant"


class Draw(Struct, frozen=True):
    """Settings of one draw: every weight, and by how many dB all else moves."""

    moved: Mapping[str, float]  # every setting that moves, from -1 to 1 within its range
    policy: Mapping[str, float]
    levels_db: Mapping[Role | None, float]  # usual levels; None: all drums
    listening_db: float = 0.0
    tilt_db: float = 0.0  # of the reference, at either end
    masking_db: float = 0.0


def draws(policy: Mapping[str, float], ranges_db: Mapping[Role | None, tuple[float, float]]) -> tuple[Draw, ...]:
    """The policy's number of draws, the same every time; `ranges_db`: by how much each usual level may move."""
    weights = [name for name in policy if name.startswith("weight_")]
    levels = {f"{LEVEL}{'all drums' if role is None else f'the {role}'}": role for role in ranges_db}
    names = [*weights, *levels, LISTENING, TILT, MASKING]
    evenly = np.random.default_rng(SEED).uniform(-1.0, 1.0, (int(policy["sure_draws"]), len(names)))
    return tuple(_draw(dict(zip(names, map(float, row), strict=True)), policy, ranges_db, levels) for row in evenly)


def _draw(
    moved: Mapping[str, float], policy: Mapping[str, float], ranges_db: Mapping[Role | None, tuple[float, float]],
    levels: Mapping[str, Role | None],
) -> Draw:  # fmt: skip
    weights = {n: policy[n] * (1.0 + policy["sure_weights"] * by) for n, by in moved.items() if n.startswith("weight_")}
    within = {role: (moved[name], *ranges_db[role]) for name, role in levels.items()}
    return Draw(
        moved=moved, policy={**policy, **weights},
        levels_db={role: by * (high if by > 0 else -low) for role, (by, low, high) in within.items()},
        listening_db=policy["sure_listening_db"] * moved[LISTENING], tilt_db=policy["sure_tilt_db"] * moved[TILT],
        masking_db=policy["sure_masking_db"] * moved[MASKING],
    )  # fmt: skip


def holds(drawn: Sequence[Draw], found: Sequence[str], told: str) -> Holds:
    """In how many draws what was found is what is told, what it is otherwise, and the setting that tells them apart.

    That setting is the one whose mean differs most between the draws that hold and those that do not.
    """
    same = np.array([one == told for one in found])
    if same.all():
        return Holds(of=len(drawn), draws=len(drawn))
    other, count = Counter(one for one in found if one != told).most_common(1)[0]
    moved = np.array([list(one.moved.values()) for one in drawn])
    apart = np.abs(moved[same].mean(axis=0) - moved[~same].mean(axis=0)) if same.any() else np.abs(moved.mean(axis=0))
    name = list(drawn[0].moved)[int(apart.argmax())]
    return Holds(of=int(same.sum()), draws=len(drawn), otherwise=f"{other} in {count}", moved_by=_setting_words(name))


_SETTING_WORDS = {
    LISTENING: "how loud you listen", TILT: "how bright finished mixes are taken to be",
    MASKING: "how much sounds are taken to cover each other", "weight_job": "how much it counts to sound like its role",
    "weight_heard": "how much it counts to be heard", "weight_room": "how much it counts to fill space",
    "weight_over": "how much it counts to go over what finished mixes carry",
    "weight_covers": "how much it counts to cover music", "weight_tempo": "how much the tempo counts",
    "weight_tuning": "how much the tuning counts", "weight_mono": "how much mono counts",
    "weight_silent": "how much it counts to be silent",
}  # fmt: skip


def _setting_words(name: str) -> str:
    return _SETTING_WORDS.get(name, f"the {name}")


def uncertain(how_sure: Holds, policy: Mapping[str, float]) -> str | None:
    """That the verdict is a close call, in a sentence; None where it holds in most draws."""
    if how_sure.of >= policy["sure_from"] * how_sure.draws:
        return None
    return (
        f"Close call: this holds in {how_sure.of} of {how_sure.draws} plausible settings; otherwise it is "
        f"{how_sure.otherwise}. What turns it most is {how_sure.moved_by}. Let your ears decide."
    )


class Outcome(Struct, frozen=True):
    """What a changed beat or setting leads to."""

    fill: float
    kind: ApproachKind
    direction: Direction

    @property
    def words(self) -> str:
        return words(self.kind, self.direction)


def words(kind: ApproachKind, direction: Direction) -> str:
    return f"{decide_approach.KIND_WORDS[kind]}, {direction}"


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
    """Whether an outcome turns the verdict: it is neither that nor what the same calculation says as it is."""
    there = (found.kind, found.direction)
    return there != (approach.kind, approach.direction) and there != (as_it_is.kind, as_it_is.direction)


class ChangedStem(Struct, frozen=True):
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
    full = f"{100 * one.found.fill:.0f} % full instead of {100 * as_it_is.fill:.0f} %"
    return WhatIf(
        text=f"{how} {one.stem.rsplit('/', 1)[-1]} the music is {full}, and {verdict}.", stem=one.stem,
        change_db=one.change_db, fill=one.found.fill, kind=one.found.kind, direction=one.found.direction,
    )  # fmt: skip
