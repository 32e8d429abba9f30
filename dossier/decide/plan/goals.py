"""What a plan is for: the goal of each direction, and what it must not cost.

Conventions
    before and after are `DrumFigures` of one drum as it plays in the beat, at equal true peak.  A gain is a change for
    the better, as a share of what was there before.  All thresholds are in `dossier.decide.policy` (`plan_...`).
    fuller     gain = (room filled after - before) / before.
               Must hold: audible share not down, true peak not up.
    leaner     gain = 1 - overlap after / overlap before.
               Must hold: buried not up; audible share nearly that of before, or what the intent asks for; true peak
               not up; not simply turned down.
    as it is   either gain, but only where it costs the other side nothing: fuller at no more overlap and buried, leaner
               at no less room filled.
    Level alone moves both gains: whatever gets louder under its peak fills more room.  So where the treated drum was
    also measured at the untreated one's loudness (`matched`), a part of the gain must be left there.
    Beside the goal stands the harm: overlap, buried and loudness above the reference that a fuller drum adds, room that
    a leaner one no longer fills.  It raises a plan's cost; it does not rule it out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dossier.model.findings import DrumFigures
from dossier.model.numbers import percentage, unsigned
from dossier.model.vocabulary import Direction

ROUNDING_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a treated drum compares: the gain towards the goal, and what it broke, if anything."""

    gain: float
    broken: str  # in words with numbers; empty where everything holds
    harm: float  # side effects, as a share of the reference
    met: bool
    side: Direction  # which gain it is: "fuller" or "leaner"
    matched_gain: float | None = None  # at equal loudness; None where it was not measured
    only_level: bool = False  # too little of the gain is left at equal loudness

    @property
    def held(self) -> bool:
        return not self.broken


def load(figures: DrumFigures) -> float:
    """Overlap and buried together."""
    return figures.overlap + figures.buried


def gain(before: DrumFigures, after: DrumFigures, side: Direction, policy: Mapping[str, float]) -> float:
    """Change for the better on one side, as a share of what was there before."""
    least = policy["plan_least_share"]
    if side == "fuller":
        return (after.room_filled - before.room_filled) / max(before.room_filled, least)
    return 1.0 - after.overlap / before.overlap if before.overlap >= least else 0.0


def judge(
    before: DrumFigures, after: DrumFigures, side: Direction, policy: Mapping[str, float], *,
    strict: bool = False, matched: DrumFigures | None = None,
) -> Verdict:  # fmt: skip
    """Compare a treated drum with itself untreated; `side` is what the treatment was for, "fuller" or "leaner".

    `strict`: the other side must not get worse either; `matched`: the treated drum at the loudness of the untreated
    one, where measured.
    """
    problems = []

    def moves(what: str, old: float, new: float) -> str:
        return f"{what} from {percentage(old)} to {percentage(new)} %"

    share_falls = f"audible share falls from {100.0 * before.audible_share:.0f} to {100.0 * after.audible_share:.0f} %"
    slack, other_side = policy["plan_share_slack"], policy["plan_other_side"]
    if _rise(before.true_peak_dbtp, after.true_peak_dbtp) > policy["plan_peak_slack_db"]:
        was, now = unsigned(before.true_peak_dbtp or 0.0), unsigned(after.true_peak_dbtp or 0.0)
        problems.append(f"true peak rises from {was} to {now} dBTP")
    if side == "fuller":
        harm = max(0.0, load(after) - load(before)) + max(0.0, after.spill - before.spill)
        if after.audible_share < before.audible_share - slack:
            problems.append(share_falls)
        if strict and load(after) > load(before) * (1.0 + other_side) + ROUNDING_TOLERANCE:
            problems.append(moves("overlap and buried rise", load(before), load(after)))
    else:
        harm = max(0.0, before.room_filled - after.room_filled)
        floor = before.audible_share * (1.0 - policy["plan_share_loss"])
        if strict:
            floor = before.audible_share - slack
        if after.audible_share < floor:
            problems.append(share_falls)
        if after.buried > before.buried * (1.0 + other_side) + ROUNDING_TOLERANCE:
            problems.append(moves("buried rises", before.buried, after.buried))
        if _rise(after.integrated_lufs, before.integrated_lufs) > policy["plan_loudness_loss_lu"]:
            lufs = f"from {before.integrated_lufs:.1f} to {after.integrated_lufs:.1f} LUFS"
            problems.append(f"it is only turned down, {lufs}")
        if strict and after.room_filled < before.room_filled * (1.0 - other_side):
            problems.append(moves("room filled falls", before.room_filled, after.room_filled))
    gained = gain(before, after, side, policy)
    matched_gain = None if matched is None else gain(before, matched, side, policy)
    only_level = matched_gain is not None and matched_gain < policy["plan_matched_gain"]
    return Verdict(
        gain=gained, broken=", and ".join(problems), harm=harm, side=side, matched_gain=matched_gain,
        only_level=only_level, met=not problems and gained >= policy["plan_gain_goal"] and not only_level,
    )  # fmt: skip


def _rise(low: float | None, high: float | None) -> float:
    return high - low if low is not None and high is not None else 0.0
