"""The plan: a chain of at most three treatments, searched and measured in the beat.

Conventions
    The caller hands over the treatments, a true-peak ruler and a function that measures a drum as it plays in this beat
    (`DrumFigures`).  Every variant is rendered, brought to the untreated true peak (a leaner one that got softer to the
    untreated loudness, as far as that peak allows) and measured, where it gains something at equal loudness too;
    nothing is looked up.  Amounts come from each family's lines, gentle to strong, and from lines made for this drum
    in this beat.  The output level that a chain needed for this stands after its steps.

How the search goes, in at most `most_evaluations` measurements
    1. The middle amount of every line; then along the promising lines by bisection, gentler where the goal is met or
       something broke, stronger where it helps but not enough.
    2. Half-steps between the last amount that did not meet the goal and the first that did.
    3. Chains of two, then three, of the measured amounts in the families' order, most promising first by the gains of
       their members; a chain that costs more than the best plan so far is never tried.
    4. The best chain with each step gentler, as long as the goal holds.
    The plan is the chain that meets the goal at the least cost (effort of its steps, and side effects).  Where none
    meets it, the one that comes nearest is offered only if it is a clear gain, and said to fall short.
    The same input gives the same plan: no randomness, every tie is broken by order.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from dossier.decide.plan import text
from dossier.decide.plan.goals import Goals
from dossier.decide.plan.moves import Amounts, Treatment
from dossier.decide.plan.search import Search
from dossier.decide.plan.trials import NO_LINES, Each, Turned
from dossier.model.findings import DrumFigures, Plan
from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction, Kind, Role

MOST_EVALUATIONS = 60


@dataclass(frozen=True, slots=True, eq=False)
class SearchResult:
    """The plan and the drum as the plan leaves it (the untreated drum where nothing helps)."""

    plan: Plan
    samples: Samples


def search(
    samples: Samples,
    rate_hz: int,
    *,
    candidate: str,
    role: Role | None,
    direction: Direction,
    families: Mapping[str, Treatment],
    measure: Callable[[Samples], DrumFigures],
    true_peak: Callable[[Samples, int], float],
    layers: Mapping[str, Samples] = MappingProxyType({}),
    kind: Kind | None = None,
    goals: Goals | None = None,
    before: DrumFigures | None = None,
    most_evaluations: int = MOST_EVALUATIONS,
    plan_id: str | None = None,
    turned: Turned | None = None,
    own_lines: Mapping[str, Sequence[Sequence[Amounts]]] = NO_LINES,
    each: Each | None = None,
) -> SearchResult:
    """Search the plan for one drum in one beat.

    Parameters
    ----------
    samples, rate_hz
        The untreated drum, `(frames, channels)`.
    candidate, role, direction
        What it is, and where it should go.
    families
        Treatments by name, for example `dossier.treat.FAMILIES`.
    measure
        Figures of a drum given as samples at `rate_hz`, as it plays in this beat.  Called at most `most_evaluations`
        times, and ahead of a trial that may then not be needed where `each` takes two at a time.
    true_peak
        Linear true peak of samples at a rate; the same ruler for all.
    layers
        Other sounds at `rate_hz` that may be layered under the drum, best first; three are looked at.
    kind
        None: a loop where there is no role.
    goals
        Thresholds; None takes the defaults.
    before
        Figures of the untreated drum where the caller has them already.
    plan_id
        None: the candidate.
    turned
        The figures of samples that were measured just before, at a gain in dB: what is left of a gain at equal
        loudness.  None: not asked for.
    own_lines
        More amounts worth trying in this beat, by the name of the family: lines from gentle to strong.
    each
        Like `map`, maybe two at a time, one of them in a copy of the process: all that comes from there is what is
        returned.  None: one by one.

    Returns
    -------
    SearchResult
        `plan.helped` is False, with no steps and `after` equal to `before`, where nothing helps; `plan.tried` says of
        every family that is not in the plan why, in numbers.
    """
    run = Search(
        samples=samples, rate_hz=rate_hz, direction=direction, families=tuple(families.values()), measure=measure,
        true_peak=true_peak, layers=layers, kind=kind or ("loop" if role is None else "one-shot"), role=role,
        goals=goals or Goals(), before=before, most=max(1, most_evaluations), turned=turned, own_lines=own_lines,
        each=each,
    )  # fmt: skip
    best = run.best()
    plan = Plan(
        id=plan_id or candidate, candidate=candidate, role=role, direction=direction,
        steps=run.steps(best) if best else (), before=run.before, after=best.figures if best else run.before,
        helped=best is not None, reason=run.reason(best), tried=run.tried(best), evaluations=run.evaluations,
    )  # fmt: skip
    return SearchResult(plan=plan, samples=run.render(best) if best else samples)


def told_again(
    plan: Plan,
    *,
    before: DrumFigures,
    after: DrumFigures,
    goals: Goals | None = None,
    even: DrumFigures | None = None,
) -> Plan:
    """The plan with figures measured elsewhere (the whole beat instead of some bars), and its reason told from them.

    A plan that helped keeps its steps; its sentence says so where the other figures fall short of the goal.  `even`:
    the treated drum turned to the loudness of the untreated one.
    """
    if not plan.helped:
        return replace(plan, before=before, after=before)
    reason = text.told(before, after, direction=plan.direction, goals=goals or Goals(), even=even)
    return replace(plan, before=before, after=after, reason=reason)
