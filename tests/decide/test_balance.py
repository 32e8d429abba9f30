"""Balance: gains that meet their shares, whatever the order, checked against brute force on small cases."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest

from dossier.decide import balance
from dossier.decide.policy import DEFAULTS
from dossier.model.findings import Gains

MUSIC = 1.0


def share_of(levels: Sequence[float], crosstalk: float = 0.3) -> balance.ShareAt:
    """A closed-form ear: share = own power / (own + music + crosstalk * others); rises in its own gain only."""

    def share(part: int, gain: float, gains: Sequence[float]) -> float:
        own = levels[part] * 10 ** (gain / 10)
        others = sum(levels[j] * 10 ** (gains[j] / 10) for j in range(len(levels)) if j != part)
        return own / (own + MUSIC + crosstalk * others)

    return share


def solve(
    levels: Sequence[float], targets: Sequence[float], low: float = -60.0, high: float = 40.0
) -> tuple[balance.Solved, ...]:
    n = len(levels)
    return balance.solve(share_of(levels), targets=targets, low_db=[low] * n, high_db=[high] * n, start_db=[0.0] * n)


BOUNDS = pytest.mark.parametrize(("low", "high"), [(-60.0, 40.0), (2.0, 9.5)], ids=["free", "bounded"])


def test_analytic_one_part_meets_its_share() -> None:
    """share = p / (p + 1) = 0.8 at p = 4: 6.02 dB for a part of unit level."""
    assert solve([1.0], [0.8])[0].gain_db == pytest.approx(10 * np.log10(4.0), abs=0.1)


@BOUNDS
def test_all_parts_meet_their_shares_together_or_stand_at_a_bound(low: float, high: float) -> None:
    targets = [0.7, 0.5, 0.6]
    solved = solve([1.0, 0.01, 5.0], targets, low, high)
    for answer, target in zip(solved, targets, strict=True):
        assert answer.gain_db == round(answer.gain_db, 1)
        if answer.stopped == "high":
            assert (answer.gain_db, answer.share < target) == (high, True)
        elif answer.stopped == "low":
            assert (answer.gain_db, answer.share > target) == (low, True)
        else:
            assert answer.share == pytest.approx(target, abs=0.01)
    assert {answer.stopped for answer in solved} == ({""} if high == 40.0 else {"", "low", "high"})


@BOUNDS
@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_the_order_of_the_parts_moves_no_gain(order: tuple[int, ...], low: float, high: float) -> None:
    levels, targets = [1.0, 0.02, 4.0], [0.75, 0.55, 0.6]
    plain = [answer.gain_db for answer in solve(levels, targets, low, high)]
    shuffled = solve([levels[i] for i in order], [targets[i] for i in order], low, high)
    assert [answer.gain_db for answer in shuffled] == pytest.approx([plain[i] for i in order], abs=0.1)


@pytest.mark.parametrize(("low", "high"), [(-60.0, 40.0), (7.5, 40.0), (-60.0, 12.0), (6.0, 9.0)])
def test_brute_force_agrees_on_two_parts(low: float, high: float) -> None:
    """Of all pairs between the bounds the one at which neither part could do better by itself."""
    levels, targets = [1.0, 0.1], [0.7, 0.6]
    share = share_of(levels)
    grid = np.arange(max(low, -10.0), min(high, 30.0) + 0.05, 0.1)
    pairs = np.meshgrid(grid, grid, indexing="ij")
    missed = [np.abs(share(part, pairs[part], pairs) - targets[part]) for part in range(2)]
    regret = sum(errors - errors.min(axis=part, keepdims=True) for part, errors in enumerate(missed))
    best = grid[[*np.unravel_index(int(np.argmin(regret)), regret.shape)]]
    assert [answer.gain_db for answer in solve(levels, targets, low, high)] == pytest.approx(best, abs=0.15)


@BOUNDS
def test_gains_do_not_depend_on_the_files_level(low: float, high: float) -> None:
    """A file 10 dB softer gets 10 dB more, as its bounds do."""
    def solved(levels: Sequence[float], shift: float) -> tuple[balance.Solved, ...]:
        return balance.solve(share_of(levels), targets=[0.7, 0.6], low_db=[low + shift, low],
                             high_db=[high + shift, high], start_db=[0.0, 0.0])  # fmt: skip

    plain, softer = solved([1.0, 0.5], 0.0), solved([0.1, 0.5], 10.0)
    assert softer[0].gain_db - plain[0].gain_db == pytest.approx(10.0, abs=0.1)
    assert softer[1] == plain[1]


def test_a_bound_stops_and_says_so() -> None:
    answer = solve([1.0], [0.9], high=3.0)[0]
    assert (answer.gain_db, answer.stopped) == (3.0, "high")
    said = advice_of(answer, target=0.9)
    assert "Level alone cannot do it" in said
    assert "the bass of the pad" in said
    answer = solve([1.0], [0.5], low=3.0)[0]
    assert (answer.gain_db, answer.stopped) == (3.0, "low")
    assert "It stands clear" in advice_of(answer, target=0.5)
    answer = solve([1.0], [0.5], low=3.0, high=3.0)[0]
    assert (answer.gain_db, answer.stopped) == (3.0, "squeezed")
    assert "Its gain ends at +3.0 dB" in advice_of(answer, target=0.5)


def advice_of(answer: balance.Solved, *, target: float) -> str:
    gains = Gains(db=answer.gain_db, state="together", stopped=answer.stopped)
    return balance.advice(gains, share=answer.share, part="kick", target=target, lift_lu=2.0, treated=False,
                          conflict="the bass of the pad")  # fmt: skip


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
