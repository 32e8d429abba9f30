"""Means: what bringing a loop to the tempo leaves of it, and which way is taken in this beat.

Costs are measured on what was laid (`LoopCost`) and add up, each against the amount at which nothing is left of the
loop.  All ways that leave enough are judged by the same fit; the best score wins, and of equals the gentler.
"""

from __future__ import annotations

from collections.abc import Mapping

from dossier.model.findings import LoopCost
from dossier.model.numbers import signed
from dossier.model.vocabulary import MEANS, Means

DONE: Mapping[Means, str] = {
    "as it is": "left as it is", "repitch": "repitched", "sliced": "sliced", "stretch": "stretched",
    "re-laid": "re-laid to the pattern",
}  # fmt: skip


def match(cost: LoopCost, policy: Mapping[str, float]) -> float:
    """What is left of a loop after what was done to it, 0-1."""
    heard = policy["loop_timing_heard"]
    gone = (
        abs(cost.semitones) / policy["loop_pitch_gone"]
        + cost.attack_smear_ms / policy["loop_smear_gone"]
        + max(0.0, cost.timing_ms - heard) / (policy["loop_timing_gone"] - heard)
        + cost.gaps / policy["loop_gaps_gone"]
        + (1.0 - cost.groove_kept) * policy["loop_groove_cost"]
    )
    return max(0.0, 1.0 - gone)


def best(tried: Mapping[Means, tuple[float, float]], policy: Mapping[str, float]) -> Means:
    """The way to take: score and match of each that was tried."""
    ways = [way for way in MEANS if way in tried]
    left = [way for way in ways if tried[way][1] >= policy["loop_poor_below"]] or ways
    highest = max(tried[way][0] for way in left)
    return next(way for way in left if tried[way][0] >= highest - policy["loop_means_within"])


def costs_in_words(cost: LoopCost) -> str:
    """'its hits rise 9.1 ms slower and its pitch moves by +0.88 semitones'; 'nothing is lost'."""
    words = []
    if abs(cost.semitones) >= 0.01:
        words.append(f"its pitch moves by {signed(cost.semitones, 2)} semitones")
    if cost.attack_smear_ms >= 0.1:
        words.append(f"its hits rise {cost.attack_smear_ms:.1f} ms slower")
    if cost.timing_ms >= 1.0:
        words.append(f"its hits fall {cost.timing_ms:.0f} ms beside their slots")
    if cost.gaps >= 0.005:
        words.append(f"{100 * cost.gaps:.0f} % of it is tails made longer or cut")
    if cost.groove_kept < 1.0:
        words.append(f"{100 * cost.groove_kept:.0f} % of its own groove is kept")
    return (", ".join(words[:-1]) + " and " + words[-1] if len(words) > 1 else words[0]) if words else "nothing is lost"


def why(chosen: Means, tried: Mapping[Means, tuple[float, LoopCost]], *, pinned: bool = False) -> str:
    """One sentence on why a means is taken, from the score and the cost of each."""
    score, cost = tried[chosen]
    others = [way for way in MEANS if way in tried and way != chosen]
    said = f"{DONE[chosen].capitalize()}, {costs_in_words(cost)}"
    if pinned:
        return f"{said}: beat.toml asks for it."
    if not others:
        return f"{said}."
    near = max(others, key=lambda way: tried[way][0])
    against = f"{DONE[near]}, {costs_in_words(tried[near][1])}"
    stands = "the next best is" if tried[near][0] < score else "no better to the ear, and less gentle, is"
    return f"{said}; {stands} {against}."
