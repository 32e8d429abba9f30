"""A plan in words: why it was chosen, and why the treatments that are not in it were not, with the numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dossier.decide.plan.goals import Goals, Verdict, beside, change, goal_words, judge, per_cent
from dossier.decide.plan.moves import Move, Treatment, Trial
from dossier.model.findings import DrumFigures, Tried
from dossier.model.vocabulary import Direction

Name = Callable[[Move], str]
"""The label of a move, with what depends on the sound filled in."""

SILENT = "The drum is silent: there is nothing to treat."


def nothing_to_take(before: DrumFigures) -> str:
    """Why no leaner plan was searched."""
    return (
        f"The instrumental masks only {per_cent(before.overlap)} % of the reference of it: there is nothing for a "
        "leaner treatment to take away."
    )


def told(
    before: DrumFigures,
    after: DrumFigures,
    *,
    direction: Direction,
    goals: Goals,
    words_for: Direction | None = None,
    even: DrumFigures | None = None,
) -> str:
    """What a plan brings, in one sentence.

    Parameters
    ----------
    direction : the side that the plan serves; for "as it is" the one on which it gains more
    words_for : the direction whose goal is named where it is not reached; None: the same
    even : the treated drum turned to the loudness of the untreated one; None: not measured
    """
    sides: tuple[Direction, ...] = ("fuller", "leaner") if direction == "as it is" else (direction,)
    found = [judge(before, after, side, goals, even=even) for side in sides]
    verdict = max(found, key=lambda one: (one.met, one.gain))
    done, side = change(before, after, verdict), beside(before, after, verdict)
    tail = f"; {side}." if side else "."
    if verdict.met:
        return f"Brings {done}{tail}"
    short = goal_words(words_for or direction, goals)
    if verdict.broken and verdict.gain >= goals.gain:
        return f"Brings {done}, but {verdict.broken}{tail}"
    if verdict.gain >= goals.gain:
        return f"Brings {done}, {level_words(verdict)}{tail}"
    also = f", {level_words(verdict)}" if verdict.only_level else ""
    return f"Part of the way only: {done}{also}, short of the goal of {short}{tail}"


def level_words(verdict: Verdict) -> str:
    """What is left of a gain that comes from level alone."""
    return f"mostly by being {'louder under the same peak' if verdict.side == 'fuller' else 'softer'}"


def reason(
    before: DrumFigures,
    best: Trial | None,
    trials: Sequence[Trial],
    *,
    direction: Direction,
    goals: Goals,
    name: Name,
    evaluations: int,
) -> str:
    """One sentence with the numbers that made the plan, or that left the drum as it is."""
    if best is not None:
        return told(
            before, best.figures, direction=best.moves[0].side, goals=goals, words_for=direction, even=best.even
        )
    goal = goal_words(direction, goals)
    held = [trial for trial in trials if trial.verdict.held]
    nearest = max(held or trials, key=lambda trial: trial.verdict.gain, default=None)
    if nearest is None:
        return f"No treatment changes this drum; the goal was {goal}."
    what = " and ".join(name(move) for move in nearest.moves)
    why = f", but {nearest.verdict.broken}" if nearest.verdict.broken else ""
    if nearest.verdict.only_level and nearest.verdict.gain >= goals.clear and not why:
        why = f", but {level_words(nearest.verdict)}"
    lead = "Leave it as it is" if direction == "as it is" else "No treatment helps"
    return (
        f"{lead}: the goal was {goal}; of {evaluations} measurements the best ({what}) brings "
        f"{change(before, nearest.figures, nearest.verdict)}{why}."
    )


def tried(
    family: Treatment,
    singles: Sequence[Trial],
    best: Trial | None,
    *,
    before: DrumFigures,
    goals: Goals,
    name: Name,
    loop: bool,
    offered: bool,
    unchanged: bool,
    most: int,
) -> Tried:
    """Why a family is not in the plan.

    Parameters
    ----------
    singles : its measured trials on its own
    loop : the drum is a loop
    offered : it had amounts to try
    unchanged : it left the sound as it is
    most : bound of the search
    """
    if loop and not family.suits_loops:
        return Tried(family.name, family.name, "works on single hits, and this is a loop")
    if not offered:
        why = "no second sound was there to layer" if family.name == "layering" else "nothing to offer for this sound"
        return Tried(family.name, family.name, why)
    if not singles:
        late = f"not measured: the search ends after {most} measurements"
        return Tried(family.name, family.name, family.nothing_to_do if unchanged else late)
    top = max(singles, key=lambda trial: (trial.verdict.met, trial.verdict.held, trial.verdict.gain))
    text = change(before, top.figures, top.verdict)
    if top.verdict.broken:
        why = f"{text}, but {top.verdict.broken}"
    elif top.verdict.met:
        why = f"{text}: would do it too, but changes the sound more or costs more beside it than the plan"
    elif top.verdict.gain < goals.clear:
        why = f"{text}: {'no help' if top.verdict.gain <= 0.0 else 'too little to count'}"
    elif top.verdict.only_level:
        why = f"{text}: {level_words(top.verdict)}"
    elif best is None:
        why = f"{text}: short of {100.0 * goals.gain:.0f} %"
    else:
        why = f"{text}: helps, but less than the plan for what it changes"
    return Tried(family.name, name(top.moves[0]), why)
