"""Kits: the search over members, and which roles stand in for which."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from dossier.decide import kit
from dossier.model.vocabulary import ROLES, Role


def test_every_role_has_others_that_stand_in_and_none_stands_in_for_itself() -> None:
    assert set(kit.STAND_INS) == set(ROLES)
    for role, others in kit.STAND_INS.items():
        assert others
        assert role not in others
        assert len(set(others)) == len(others)


def test_analytic_exchanges_climb_until_none_is_better() -> None:
    """The first members are each role's own best; two exchanges lead to the best kit, and the search stops there."""
    worth = {"a1": 3.0, "a2": 2.9, "b1": 3.0, "b2": 2.9, "c1": 1.0}
    clashes = [{"a1", "b1"}, {"a2", "b1"}, {"b2", "c1"}]
    asked: list[dict[Role, str]] = []

    def score(members: Mapping[Role, str]) -> float:
        asked.append(dict(members))
        chosen = set(members.values())
        return sum(worth[name] for name in chosen) - sum(0.5 for clash in clashes if clash <= chosen)

    lists: dict[Role, list[str]] = {"kick": ["a1", "a2"], "snare": ["b1", "b2"], "closed-hat": ["c1"]}
    chosen = kit.choose(lists, pins={}, score=score)
    best = max(sum(worth[n] for n in (a, b, "c1")) - sum(0.5 for clash in clashes if clash <= {a, b, "c1"})
               for a in lists["kick"] for b in lists["snare"])  # fmt: skip
    assert chosen["closed-hat"] == "c1"
    assert len(asked) <= 1 + kit.ROUNDS * 2
    assert score(chosen) == pytest.approx(best)


def test_members_that_are_fixed_stay_even_where_another_is_better() -> None:
    chosen = kit.choose(
        {"kick": ["good", "fixed"], "snare": ["s"]}, pins={"kick": "fixed"},
        score=lambda members: 1.0 if members["kick"] == "good" else 0.0,
    )  # fmt: skip
    assert chosen == {"kick": "fixed", "snare": "s"}


def test_nothing_to_choose_from() -> None:
    assert kit.choose({}, pins={}, score=lambda _: 1.0) == {}
    assert kit.choose({"kick": []}, pins={}, score=lambda _: 1.0) == {}
