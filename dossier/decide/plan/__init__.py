"""The plan: a chain of at most three treatments, searched and measured in the beat.

Conventions
    The caller passes in the treatments, a true-peak meter and a function that measures a drum as it plays in this beat
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

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from dossier.decide.plan import text
from dossier.decide.plan.goals import judge
from dossier.decide.plan.search import Search
from dossier.decide.plan.trials import AmountLines, Treatment, Trials
from dossier.model.findings import DrumFigures, Plan
from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction, Role


@dataclass(frozen=True, slots=True, eq=False)
class SearchResult:
    """The plan and the drum as the plan leaves it (the untreated drum where nothing helps)."""

    plan: Plan
    samples: Samples


def search(
    samples: Samples, rate_hz: int, *, candidate: str, role: Role | None, direction: Direction,
    families: Mapping[str, Treatment], measure: Callable[[Samples], DrumFigures],
    true_peak: Callable[[Samples], float], policy: Mapping[str, float], most_evaluations: int,
    layers: Mapping[str, Samples] = MappingProxyType({}),
    measure_at_gain: Callable[[Samples, float], DrumFigures] | None = None,
    own_lines: AmountLines = MappingProxyType({}),
) -> SearchResult:  # fmt: skip
    """Search the plan for one drum, `(frames, channels)`, in one beat.

    Where nothing helps (and for silence) `plan.helped` is False, with no steps and `after` equal to `before`;
    `plan.tried` says of every family that is not in the plan why, in numbers.

    Parameters
    ----------
    role, direction : None for a loop; where the drum should go
    families : treatments by name, in the order in which they stand in a chain (`dossier.treat.FAMILIES`)
    measure : figures of samples as they play in this beat; called `most_evaluations` times at most
    true_peak : linear true peak of samples
    layers : other sounds that may be layered under the drum, best first; three are tried
    measure_at_gain : figures of samples that were measured just before, at a gain in dB, for what is left at equal
        loudness; None: not measured
    own_lines : more amounts worth trying in this beat, by the name of the family, from gentle to strong
    """
    trials = Trials(
        samples=samples, rate_hz=rate_hz, role=role, direction=direction, families=tuple(families.values()),
        measure=measure, measure_at_gain=measure_at_gain, true_peak=true_peak, policy=policy,
        layers=layers, own_lines=own_lines, most=max(1, most_evaluations),
    )  # fmt: skip
    best = Search(trials).best()
    plan = Plan(
        id=candidate, candidate=candidate, role=role, direction=direction,
        steps=trials.steps(best) if best else (), before=trials.before, after=best.figures if best else trials.before,
        helped=best is not None, reason=text.reason(trials, best), tried=text.tried(trials, best),
        evaluations=trials.evaluations,
    )  # fmt: skip
    return SearchResult(plan=plan, samples=trials.render(best) if best else samples)


def with_figures(
    plan: Plan, *, before: DrumFigures, after: DrumFigures, policy: Mapping[str, float],
    matched: DrumFigures | None = None,
) -> Plan:  # fmt: skip
    """The plan with figures measured elsewhere (the whole beat instead of some bars), and its reason to match them.

    A plan that helped keeps its steps; its sentence says so where the new figures fall short of the goal.  `matched`:
    the treated drum at the loudness of the untreated one.
    """
    if not plan.helped:
        return replace(plan, before=before, after=before)
    sides: tuple[Direction, ...] = ("fuller", "leaner") if plan.direction == "as it is" else (plan.direction,)
    verdicts = [judge(before, after, side, policy, matched=matched) for side in sides]
    verdict = max(verdicts, key=lambda one: (one.met, one.gain))
    reason = text.outcome(before, after, verdict, policy, direction=plan.direction)
    return replace(plan, before=before, after=after, reason=reason)
