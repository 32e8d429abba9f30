"""Means: what is left of a loop, and which way is taken."""

from __future__ import annotations

import pytest

from dossier.decide import means
from dossier.decide.policy import DEFAULTS, Policy
from dossier.model.findings import LoopCost
from dossier.model.vocabulary import Means

NOTHING = LoopCost(attack_smear_ms=0.0, timing_ms=0.0, semitones=0.0, gaps=0.0, groove_kept=1.0)


def cost(**changes: float) -> LoopCost:
    return LoopCost(**{**{name: getattr(NOTHING, name) for name in LoopCost.__struct_fields__}, **changes})


@pytest.mark.parametrize(
    ("changes", "left"),
    [({}, 1.0), ({"semitones": -1.0}, 0.5), ({"semitones": 2.5}, 0.0), ({"attack_smear_ms": 10.0}, 0.5),
     ({"timing_ms": 9.0}, 1.0), ({"timing_ms": 25.0}, 0.5), ({"gaps": 0.25}, 0.5), ({"groove_kept": 0.5}, 0.75),
     ({"semitones": 1.0, "attack_smear_ms": 5.0}, 0.25)],
)  # fmt: skip
def test_analytic_costs_add_up(changes: dict[str, float], left: float) -> None:
    assert means.match(cost(**changes), DEFAULTS) == pytest.approx(left)


def test_the_best_wins_of_equals_the_gentler_and_of_what_is_gone_none() -> None:
    tried: dict[Means, tuple[float, float]] = {"as it is": (0.9, 0.1), "repitch": (0.500, 0.6), "sliced": (0.505, 0.9),
                                               "re-laid": (0.4, 0.8)}  # fmt: skip
    assert means.best(tried, DEFAULTS) == "repitch"  # within what is heard of the sliced one; as it is nothing is left
    assert means.best(tried, Policy({"loop_means_within": 0.001})) == "sliced"
    assert means.best({"as it is": (0.1, 0.0), "re-laid": (0.2, 0.1)}, DEFAULTS) == "re-laid"  # all are poor


def test_the_sentence_names_both_costs() -> None:
    tried: dict[Means, tuple[float, LoopCost]] = {
        "sliced": (0.31, cost(gaps=0.04)), "stretch": (0.12, cost(attack_smear_ms=9.14)),
        "repitch": (0.05, cost(semitones=-2.8, attack_smear_ms=0.3)),
    }  # fmt: skip
    said = means.why("sliced", tried)
    assert said == ("Sliced, 4 % of it is tails made longer or cut; the next best is stretched, its hits "
                    "rise 9.1 ms slower.")  # fmt: skip
    assert means.why("repitch", tried, pinned=True).endswith("0.3 ms slower: beat.toml asks for it.")
    close = means.why("repitch", {"repitch": (0.30, cost(semitones=0.2)), "sliced": (0.305, NOTHING)})
    assert "no better to the ear, and less gentle, is sliced" in close
    assert means.why("as it is", {"as it is": (0.1, NOTHING)}) == "Left as it is, nothing is lost."
