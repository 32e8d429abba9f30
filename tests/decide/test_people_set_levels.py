"""Usual levels against the levels that people set: 402 drum parts of 56 pieces, each piece through two sound sets.

Their figures were measured by tests/bench/learn_levels.py --figures, which says where the pieces come from.
Evidence: cross-check.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import learn_levels as bench
import numpy as np
import pytest

from dossier.decide.policy import USUAL

FIGURES = Path(__file__).resolve().parents[1] / "data/levels_people_set.csv"
SETS = ("1", "2")


@pytest.fixture(scope="module")
def pieces() -> list[bench.Piece]:
    found: dict[tuple[str, str], bench.Piece] = {}
    with FIGURES.open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            sounds, name, drums = row["sounds"], row["piece"], float(row["all_drums_lu"])
            piece = found.setdefault((sounds, name), bench.Piece(name, sounds, 0.0, drums, 0.0, drums))
            level, peak, hit, velocity = (float(row[key]) for key in ("level_lu", "peak_db", "hit_db", "velocity_db"))
            piece.parts.append(bench.Part(
                role=row["role"], usable=True, level=level, peak=peak, laid=level, hit=hit, velocity=velocity,
                music_at_hits=0.0, energy=np.zeros(0), piece=piece,
            ))  # fmt: skip
    return [*found.values()]


def test_the_policy_holds_what_is_learnt_from_them(pieces: list[bench.Piece]) -> None:
    learnt = bench.learn(pieces)
    assert learnt.n == USUAL.n == 56
    assert USUAL.all_drums_lu == pytest.approx(learnt.all_drums_lu, abs=0.06)
    assert USUAL.all_drums_range_db == pytest.approx(learnt.all_drums_range_db, abs=0.06)
    for role, of in USUAL.roles.items():
        own = learnt.roles[role]
        assert of.n == own.n
        figures = [(one.level_lu, one.low_lu, one.high_lu, one.hit_level_db, one.velocity_db) for one in (of, own)]
        assert figures[0] == pytest.approx(figures[1], abs=0.06), role


@pytest.mark.parametrize("sounds", SETS)
@pytest.mark.parametrize("from_others", [False, True])
def test_parts_stand_to_one_another_closer_to_people_than_by_charts(
    pieces: list[bench.Piece], sounds: str, from_others: bool
) -> None:
    """Collections left out, within a piece: closer than its role's usual level, and, learnt on the other sound set,
    closer than its role's usual peak; 95 % of the differences, pieces resampled, lie below nothing."""
    test = [piece for piece in pieces if piece.sounds == sounds]
    train = [piece for piece in pieces if (piece.sounds == sounds) is not from_others]

    def errors(way: Callable) -> np.ndarray:
        return np.abs(bench.relative(test, bench.held_out(way, train, test)))

    model = errors(lambda train, test: bench.model(train, test, offset=False))
    chart = errors(bench.WAYS[bench.PEAK if from_others else bench.LEVEL])
    _, _, high = bench.interval(test, model - chart)
    assert high < 0.0
    assert bench.interval(test, model)[0] < (2.5 if from_others else 1.3)
