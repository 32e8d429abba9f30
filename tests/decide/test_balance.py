"""Balance: gains that meet their shares, whatever the order, checked against brute force on small cases."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest

from dossier.decide import balance
from dossier.decide.policy import DEFAULTS

MUSIC = 1.0


def share_of(levels: Sequence[float], crosstalk: float = 0.3) -> balance.ShareAt:
    """A closed-form ear: share = own power / (own + music + crosstalk * others); rises in its own gain only."""

    def share(part: int, gain: float, gains: Sequence[float]) -> float:
        own = levels[part] * 10 ** (gain / 10)
        others = sum(levels[j] * 10 ** (gains[j] / 10) for j in range(len(levels)) if j != part)
        return own / (own + MUSIC + crosstalk * others)

    return share


def solve(levels: Sequence[float], targets: Sequence[float], high: float = 40.0) -> tuple[balance.Solved, ...]:
    n = len(levels)
    return balance.solve(share_of(levels), targets=targets, low_db=[-60.0] * n, high_db=[high] * n, start_db=[0.0] * n)


def test_analytic_one_part_meets_its_share() -> None:
    """share = p / (p + 1) = 0.8 at p = 4: 6.02 dB for a part of unit level."""
    assert solve([1.0], [0.8])[0].gain_db == pytest.approx(10 * np.log10(4.0), abs=0.1)


def test_all_parts_meet_their_shares_together() -> None:
    targets = [0.7, 0.5, 0.6]
    solved = solve([1.0, 0.01, 5.0], targets)
    assert [answer.share for answer in solved] == pytest.approx(targets, abs=0.01)


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_the_order_of_the_parts_moves_no_gain(order: tuple[int, ...]) -> None:
    levels, targets = [1.0, 0.02, 4.0], [0.75, 0.55, 0.6]
    plain = [answer.gain_db for answer in solve(levels, targets)]
    shuffled = solve([levels[i] for i in order], [targets[i] for i in order])
    assert [answer.gain_db for answer in shuffled] == pytest.approx([plain[i] for i in order], abs=0.1)


def test_brute_force_agrees_on_two_parts() -> None:
    levels, targets = [1.0, 0.1], [0.7, 0.6]
    share = share_of(levels)
    grid = np.arange(-10.0, 30.0, 0.1)
    best = min(
        itertools.product(grid, grid),
        key=lambda gains: sum((share(i, gains[i], gains) - targets[i]) ** 2 for i in range(2)),
    )
    assert [answer.gain_db for answer in solve(levels, targets)] == pytest.approx(best, abs=0.15)


def test_gains_do_not_depend_on_the_files_level() -> None:
    plain, softer = solve([1.0, 0.5], [0.7, 0.6]), solve([0.1, 0.5], [0.7, 0.6])
    assert softer[0].gain_db - plain[0].gain_db == pytest.approx(10.0, abs=0.1)


def test_a_bound_stops_and_says_so() -> None:
    answer = solve([1.0], [0.9], high=3.0)[0]
    assert answer.stopped_high
    assert answer.gain_db == pytest.approx(3.0, abs=0.1)
    said = balance.advice(
        answer, part="kick", target=0.9, lift_lu=2.0, treated=False, conflict="the bass of the pad"
    )
    assert "Level alone cannot do it" in said
    assert "the bass of the pad" in said


def test_forward_level_and_tucked_rise_in_order() -> None:
    gains = [
        solve([1.0], [balance.target_share("kick", intent, DEFAULTS)])[0].gain_db
        for intent in ("tucked", "level", "forward")
    ]
    assert gains == sorted(gains)
    assert gains[2] - gains[0] > 3.0


def metered(name: str, peak: float | None, lufs: float | None) -> balance.Metered:
    return balance.Metered(name=name, role="kick", sample_peak_dbfs=peak, integrated_lufs=lufs)


@pytest.mark.parametrize(
    ("peaks", "loudness", "named"),
    [((-1.0, -1.0), (-20.0, -14.0), True), ((-1.0, -1.5), (-20.0, -17.0), True), ((-1.0, -1.6), (-20.0, -14.0), False),
     ((-1.0, -1.0), (-20.0, -17.1), False), ((-1.0, None), (-20.0, -14.0), False)],
)  # fmt: skip
def test_pairs_of_equal_peak_and_unequal_loudness_are_named(
    peaks: tuple[float | None, float | None], loudness: tuple[float, float], named: bool
) -> None:
    found = balance.equal_peaks(
        [metered("a", peaks[0], loudness[0]), metered("b", peaks[1], loudness[1])], DEFAULTS, together=2
    )
    assert bool(found) is named
    if named:
        assert found[0].first == "b"  # the louder one is named first
