"""A plan in words: what it brings at equal loudness, or that nothing does, and why treatments are not in it."""

from __future__ import annotations

from dossier.decide.plan.goals import Verdict
from dossier.decide.plan.trials import Treatment, Trial, Trials
from dossier.model.findings import Tried

LOST_AT_ITS_GAIN = "Leave it as it is: at the gain that it would then get, nothing of what a treatment brings is left."
_SIDES = {"fuller": ("fills", "more room"), "leaner": ("covers", "less music")}


def _change(verdict: Verdict) -> str:
    """'fills 12 % more room', 'covers 31 % less music'; what goes the wrong way is turned round."""
    does, what = _SIDES[verdict.side]
    if verdict.gain < 0.0:
        what = what.replace("more", "less") if verdict.side == "fuller" else what.replace("less", "more")
    return f"{does} {100.0 * abs(verdict.gain):.0f} % {what}"


def outcome(verdict: Verdict) -> str:
    """What a plan brings, in one clause."""
    return f"As loud as before it {_change(verdict)}{'' if verdict.side == 'fuller' else ', and is heard as well'}."


def nothing(trials: Trials) -> str:
    """That nothing is advised, and what came nearest."""
    if trials.before.integrated_lufs is None:
        return "It is silent: there is nothing to treat."
    if trials.pointless:
        return "It covers next to no music: leave it as it is."
    towards = "either way" if trials.direction == "as it is" else trials.direction
    said = f"Leave it as it is: as loud as before, nothing that was tried makes it {towards}"
    if trials.direction == "as it is":
        said = "Leave it as it is: as loud as before, no treatment gains anything for free"
    nearest = max(trials.done, key=lambda trial: (not trial.verdict.broken, trial.verdict.gain), default=None)
    if nearest is None or nearest.verdict.gain <= 0.0:
        return f"{said}."
    what = " and ".join(map(trials.name, nearest.moves))
    but = f", but {nearest.verdict.broken}" if nearest.verdict.broken else ""
    return f"{said} (nearest: {what} {_change(nearest.verdict)}{but})."


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
    top = max(singles, key=lambda trial: (trial.verdict.met, not trial.verdict.broken, trial.verdict.gain))
    verdict = top.verdict
    if verdict.broken:
        why = f", but {verdict.broken}"
    elif verdict.met:
        why = ": would do it too, but changes the sound more" if best else ": not on the whole beat"
    else:
        why = ": no help" if verdict.gain <= 0.0 else ": too little"
    return Tried(family.name, trials.name(top.moves[0]), _change(verdict) + why)
