"""A plan in words: why it was chosen, and why the treatments that are not in it were not, with the numbers."""

from __future__ import annotations

from collections.abc import Mapping

from dossier.decide.plan.goals import Verdict
from dossier.decide.plan.trials import Treatment, Trial, Trials
from dossier.model.findings import DrumFigures, Tried
from dossier.model.numbers import percentage, unsigned
from dossier.model.vocabulary import Direction


def goal_words(direction: Direction, policy: Mapping[str, float]) -> str:
    """The goal in words."""
    size = f"{100.0 * policy['plan_gain_goal']:.0f} %"
    if direction == "fuller":
        return f"{size} more room filled at the same true peak"
    if direction == "leaner":
        return f"{size} less overlap"
    return f"{size} on one side at no cost to the other"


def change(before: DrumFigures, after: DrumFigures, verdict: Verdict) -> str:
    """The change towards the goal: 'room filled from 3.1 to 4.2 % (+35 %, at equal loudness +12 %)'."""
    if verdict.side == "fuller":
        name, old, new, sign = "room filled", before.room_filled, after.room_filled, 1.0
    else:
        name, old, new, sign = "overlap", before.overlap, after.overlap, -1.0
    matched = "" if verdict.matched_gain is None else f", at equal loudness {_signed(sign * verdict.matched_gain)}"
    return f"{name} from {percentage(old)} to {percentage(new)} % ({_signed(sign * verdict.gain)}{matched})"


def _signed(share: float) -> str:
    rise = round(100.0 * share)
    return f"{rise:+d} %" if rise else "0 %"


def side_effects(before: DrumFigures, after: DrumFigures, verdict: Verdict, policy: Mapping[str, float]) -> str:
    """What else moves, and by how much; figures that read the same before and after are left out."""
    rows: list[tuple[str, str, str, str]] = [
        ("audible share", f"{100.0 * before.audible_share:.0f}", f"{100.0 * after.audible_share:.0f}", "%")
    ]
    for name, old, new, unit in (
        ("true peak", before.true_peak_dbtp, after.true_peak_dbtp, "dBTP"),
        ("loudness", before.integrated_lufs, after.integrated_lufs, "LUFS"),
    ):
        if old is not None and new is not None:
            rows.append((name, f"{unsigned(old)}", f"{unsigned(new)}", unit))
    if abs(after.spill - before.spill) >= policy["plan_spill_told"]:
        rows.append(("above the reference", percentage(before.spill), percentage(after.spill), "%"))
    if verdict.side == "fuller":
        rows.append(("overlap", percentage(before.overlap), percentage(after.overlap), "%"))
    else:
        rows.append(("room filled", percentage(before.room_filled), percentage(after.room_filled), "%"))
    rows.append(("music covered", percentage(before.buried), percentage(after.buried), "%"))
    return "; ".join(f"{name} {old} to {new} {unit}" for name, old, new, unit in rows if old != new)


def _level_words(verdict: Verdict) -> str:
    """What is left of a gain that comes from level alone."""
    return f"mostly by being {'louder under the same peak' if verdict.side == 'fuller' else 'softer'}"


def outcome(
    before: DrumFigures, after: DrumFigures, verdict: Verdict, policy: Mapping[str, float], *, direction: Direction
) -> str:
    """What a plan brings, in one sentence; `direction`: whose goal is named where it is not reached."""
    brings, others = change(before, after, verdict), side_effects(before, after, verdict, policy)
    tail = f"; {others}." if others else "."
    if verdict.met:
        return f"Brings {brings}{tail}"
    if verdict.gain >= policy["plan_gain_goal"]:
        return f"Brings {brings}, {f'but {verdict.broken}' if verdict.broken else _level_words(verdict)}{tail}"
    also = f", {_level_words(verdict)}" if verdict.only_level else ""
    return f"Part of the way only: {brings}{also}, short of the goal of {goal_words(direction, policy)}{tail}"


def reason(trials: Trials, best: Trial | None) -> str:
    """One sentence with the numbers that made the plan, or that left the drum as it is."""
    before, direction, policy = trials.before, trials.direction, trials.policy
    if trials.peak <= 0.0:
        return "The drum is silent: there is nothing to treat."
    if trials.pointless:
        return (
            f"The music covers only {percentage(before.overlap)} % of the reference of it: there is nothing for "
            "a leaner treatment to take away."
        )
    if best is not None:
        return outcome(before, best.figures, best.verdict, policy, direction=direction)
    goal = goal_words(direction, policy)
    held = [trial for trial in trials.done if trial.verdict.held]
    nearest = max(held or trials.done, key=lambda trial: trial.verdict.gain, default=None)
    if nearest is None:
        return f"No treatment changes this drum; the goal was {goal}."
    verdict, what = nearest.verdict, " and ".join(map(trials.name, nearest.moves))
    why = f", but {verdict.broken}" if verdict.broken else ""
    if verdict.only_level and verdict.gain >= policy["plan_least_offered"] and not why:
        why = f", but {_level_words(verdict)}"
    lead = "Leave it as it is" if direction == "as it is" else "No treatment helps"
    return (
        f"{lead}: the goal was {goal}; of {trials.evaluations} measurements the best ({what}) brings "
        f"{change(before, nearest.figures, verdict)}{why}."
    )


def tried(trials: Trials, best: Trial | None) -> tuple[Tried, ...]:
    """Of every family that could serve the direction and is not in the plan: why."""
    used = {move.family.name for move in best.moves} if best else set()
    return tuple(
        _why_not(trials, family, best)
        for family in (() if trials.pointless else trials.families)
        if family.name not in used and family.directions
        and (trials.direction == "as it is" or trials.direction in family.directions)
    )  # fmt: skip


def _why_not(trials: Trials, family: Treatment, best: Trial | None) -> Tried:
    """Why a family is not in the plan."""
    policy = trials.policy
    if trials.kind == "loop" and not family.suits_loops:
        return Tried(family.name, family.name, "works on single hits, and this is a loop")
    lines = [line for line in trials.lines if line[0].family is family]
    if not lines:
        why = "no second sound was there to layer" if family.name == "layering" else "nothing to offer for this sound"
        return Tried(family.name, family.name, why)
    singles = [trial for trial in trials.done if len(trial.moves) == 1 and trial.moves[0].family is family]
    if not singles:
        unchanged = any(trials.leaves_as_it_is(move) for line in lines for move in line)
        late = f"not measured: the search ends after {trials.most} measurements"
        return Tried(family.name, family.name, family.nothing_to_do if unchanged else late)
    top = max(singles, key=lambda trial: (trial.verdict.met, trial.verdict.held, trial.verdict.gain))
    verdict, brings = top.verdict, change(trials.before, top.figures, top.verdict)
    if verdict.broken:
        why = f", but {verdict.broken}"
    elif verdict.met:
        why = ": would do it too, but changes the sound more or costs more beside it than the plan"
    elif verdict.gain < policy["plan_least_offered"]:
        why = f": {'no help' if verdict.gain <= 0.0 else 'too little to count'}"
    elif verdict.only_level:
        why = f": {_level_words(verdict)}"
    elif best is None:
        why = f": short of {100.0 * policy['plan_gain_goal']:.0f} %"
    else:
        why = ": helps, but less than the plan for what it changes"
    return Tried(family.name, trials.name(top.moves[0]), brings + why)
