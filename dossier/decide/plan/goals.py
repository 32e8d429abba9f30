"""What a plan is for: the goal of each direction, what it must not cost, and the words for both.

Conventions
    before and after are `DrumFigures` of one drum as it plays in the beat, at equal true peak.  A gain is a change for
    the better, as a share of what was there before.
    fuller     gain = (room filled after - before) / before.  Goal: gain >= 25 %.
               Must hold: audible share not down, true peak not up.
    leaner     gain = 1 - overlap after / overlap before.  Goal: gain >= 25 %.
               Must hold: buried not up; audible share within 10 % of before, or at what the intent asks for; true peak
               not up; not simply turned down (loudness within 6 LU).
    as it is   either gain, but only where it costs the other side nothing: fuller at no more overlap and buried, leaner
               at no less room filled.
    Level alone moves both gains: whatever gets louder under its peak fills more room.  So where the treated drum was
    also measured turned to the untreated one's loudness (`even`), a part of the gain must be left there.
    Beside the goal stands the harm: overlap, buried and loudness above the reference that a fuller drum adds, room that
    a leaner one no longer fills.  It makes a plan dearer, it does not forbid it.
    The sizes are starting points, not laws: they can be set.
"""

from __future__ import annotations

from dataclasses import dataclass

from dossier.model.findings import DrumFigures
from dossier.model.vocabulary import Direction

SHOWN = 0.005  # a change of loudness above the reference is told from half a per cent on


@dataclass(frozen=True, slots=True)
class Goals:
    """Thresholds of a search; ratios unless named otherwise."""

    gain: float = 0.25  # a change by a quarter is worth a treatment
    clear: float = 0.10  # less than a tenth is not offered even as part of the way
    even: float = 0.05  # of the gain this must be left at equal loudness, or the treatment is only a fader
    share_loss: float = 0.10  # leaner: audible share may fall by this part of itself
    share_enough: float | None = None  # leaner: or down to this share, where the intent asks for no more
    share_slack: float = 0.01  # fuller: a point of audible share is nothing
    peak_slack_db: float = 0.1  # true peaks are read to about this
    loudness_loss_lu: float = 6.0  # leaner: beyond this the drum is turned down, not leaner
    other_side: float = 0.02  # the side that must not get worse may move by this part of itself
    least: float = 0.002  # shares of the reference below this are nothing to work on
    harm: float = 4.0  # cost of one unit of load, spill or room lost as a side effect; 0.05 of load costs a gentle step


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a treated drum compares: the gain towards the goal, and what it broke, if anything."""

    gain: float
    broken: str  # in words with numbers; empty where everything holds
    harm: float  # side effects, as a share of the reference
    met: bool
    side: Direction  # which gain it is: "fuller" or "leaner"
    even: float | None = None  # the gain at equal loudness; None where it was not measured
    only_level: bool = False  # too little of the gain is left at equal loudness

    @property
    def held(self) -> bool:
        return not self.broken


def load(figures: DrumFigures) -> float:
    """Overlap and buried together."""
    return figures.overlap + figures.buried


def gain(before: DrumFigures, after: DrumFigures, side: Direction, goals: Goals) -> float:
    """Change for the better on one side, as a share of what was there before."""
    if side == "fuller":
        return (after.room_filled - before.room_filled) / max(before.room_filled, goals.least)
    return 1.0 - after.overlap / before.overlap if before.overlap >= goals.least else 0.0


def judge(
    before: DrumFigures,
    after: DrumFigures,
    side: Direction,
    goals: Goals,
    *,
    strict: bool = False,
    even: DrumFigures | None = None,
) -> Verdict:
    """Compare a treated drum with itself untreated.

    Parameters
    ----------
    side : "fuller" or "leaner", what the treatment was for
    strict : the other side must not get worse either (for a drum that should stay as it is)
    even : the treated drum turned to the loudness of the untreated one; None: not asked for
    """
    problems = []
    if _louder(before.true_peak_dbtp, after.true_peak_dbtp) > goals.peak_slack_db:
        problems.append(f"true peak rises from {before.true_peak_dbtp:.1f} to {after.true_peak_dbtp:.1f} dBTP")
    if side == "fuller":
        harm = max(0.0, load(after) - load(before)) + max(0.0, after.spill - before.spill)
        if after.audible_share < before.audible_share - goals.share_slack:
            problems.append(_share(before, after))
        if strict and load(after) > load(before) * (1.0 + goals.other_side) + 1e-6:
            problems.append(f"overlap and buried rise from {per_cent(load(before))} to {per_cent(load(after))} %")
    else:
        harm = max(0.0, before.room_filled - after.room_filled)
        floor = before.audible_share * (1.0 - goals.share_loss)
        if goals.share_enough is not None:
            floor = min(floor, goals.share_enough)
        if strict:
            floor = before.audible_share - goals.share_slack
        if after.audible_share < floor:
            problems.append(_share(before, after))
        if after.buried > before.buried * (1.0 + goals.other_side) + 1e-6:
            problems.append(f"buried rises from {per_cent(before.buried)} to {per_cent(after.buried)} %")
        if _louder(after.integrated_lufs, before.integrated_lufs) > goals.loudness_loss_lu:
            problems.append(
                f"it is only turned down, from {before.integrated_lufs:.1f} to {after.integrated_lufs:.1f} LUFS"
            )
        if strict and after.room_filled < before.room_filled * (1.0 - goals.other_side):
            problems.append(
                f"room filled falls from {per_cent(before.room_filled)} to {per_cent(after.room_filled)} %"
            )
    broken = ", and ".join(problems)
    gained = gain(before, after, side, goals)
    left = None if even is None else gain(before, even, side, goals)
    only_level = left is not None and left < goals.even
    met = not broken and gained >= goals.gain and not only_level
    return Verdict(gain=gained, broken=broken, harm=harm, met=met, side=side, even=left, only_level=only_level)


def _louder(low: float | None, high: float | None) -> float:
    return high - low if low is not None and high is not None else 0.0


def per_cent(share: float) -> str:
    """'4.2' for 0.042; two decimals below one per cent."""
    return f"{100.0 * share:.2f}" if abs(share) < 0.01 else f"{100.0 * share:.1f}"


def _share(before: DrumFigures, after: DrumFigures) -> str:
    return f"audible share falls from {100.0 * before.audible_share:.0f} to {100.0 * after.audible_share:.0f} %"


def change(before: DrumFigures, after: DrumFigures, verdict: Verdict) -> str:
    """The change towards the goal: 'room filled from 3.1 to 4.2 % (+35 %, at equal loudness +12 %)'."""
    if verdict.side == "fuller":
        name, old, new, sign = "room filled", before.room_filled, after.room_filled, 1.0
    else:
        name, old, new, sign = "overlap", before.overlap, after.overlap, -1.0
    even = "" if verdict.even is None else f", at equal loudness {_signed(sign * verdict.even)}"
    return f"{name} from {per_cent(old)} to {per_cent(new)} % ({_signed(sign * verdict.gain)}{even})"


def _signed(share: float) -> str:
    rise = round(100.0 * share)
    return f"{rise:+d} %" if rise else "0 %"


def beside(before: DrumFigures, after: DrumFigures, verdict: Verdict) -> str:
    """What else moves, and by how much; parts that read the same before and after are left out.

    Empty where nothing else moves.
    """
    rows: list[tuple[str, str, str, str]] = [
        ("audible share", f"{100.0 * before.audible_share:.0f}", f"{100.0 * after.audible_share:.0f}", "%")
    ]
    for name, old, new, unit in (
        ("true peak", before.true_peak_dbtp, after.true_peak_dbtp, "dBTP"),
        ("loudness", before.integrated_lufs, after.integrated_lufs, "LUFS"),
    ):
        if old is not None and new is not None:
            rows.append((name, f"{old:.1f}", f"{new:.1f}", unit))
    if abs(after.spill - before.spill) >= SHOWN:
        rows.append(("above the reference", per_cent(before.spill), per_cent(after.spill), "%"))
    if verdict.side == "fuller":
        rows.append(("overlap", per_cent(before.overlap), per_cent(after.overlap), "%"))
    else:
        rows.append(("room filled", per_cent(before.room_filled), per_cent(after.room_filled), "%"))
    rows.append(("buried", per_cent(before.buried), per_cent(after.buried), "%"))
    return "; ".join(f"{name} {old} to {new} {unit}" for name, old, new, unit in rows if old != new)


def goal_words(direction: Direction, goals: Goals) -> str:
    """The goal in words."""
    size = f"{100.0 * goals.gain:.0f} %"
    if direction == "fuller":
        return f"{size} more room filled at the same true peak"
    if direction == "leaner":
        return f"{size} less overlap"
    return f"{size} on one side at no cost to the other"
