"""The plan: a chain of at most three treatments, searched and measured in the beat.

Conventions
    The caller passes in the treatments, a true-peak meter and a `Listener`, which hears a drum as it plays here.  Every
    variant is rendered and heard at the untreated drum's loudness (`plan.goals`); nothing is looked up.  Amounts
    come from each family's lines, gentle to strong, and from lines made for this drum in this beat.  Where a zone is
    over the reference, no EQ boosts it, and cuts there are tried first.  The output level that keeps the untreated true
    peak stands after a chain's steps.

How the search goes, in at most `most_evaluations` measurements
    1. The middle amount of every line; then along the promising lines by bisection, gentler where the goal is met or
       something broke, stronger where it helps but not enough.
    2. Half-steps between the last amount that did not meet the goal and the first that did.
    3. Chains of two, then three, of the measured amounts in the families' order, most promising first by the gains of
       their members; a chain that costs more than the best plan so far is never tried.
    4. The best chain with each step gentler, as long as the goal holds.
    The plan is the chain that meets the goal at the least cost (effort of its steps) and still does on the whole beat.
    Where none does, nothing is advised.  The same input gives the same plan: no randomness, ties are broken by order.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from msgspec import Struct
from msgspec.structs import replace

from dossier.decide.plan import text
from dossier.decide.plan.goals import gain
from dossier.decide.plan.search import Search
from dossier.decide.plan.trials import AmountLines, Listener, Treatment, Trials
from dossier.model.findings import DrumFigures, Plan
from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction, Role

MOST_CONFIRMED = 6  # chains that are heard on the whole beat


class SearchResult(Struct, frozen=True, eq=False):
    """The plan and the drum as the plan leaves it (the untreated drum where nothing helps)."""

    plan: Plan
    samples: Samples


def search(
    samples: Samples, rate_hz: int, *, candidate: str, role: Role | None, direction: Direction,
    families: Mapping[str, Treatment], ear: Listener, true_peak: Callable[[Samples], float],
    policy: Mapping[str, float], most_evaluations: int, whole: Listener | None = None,
    layers: Mapping[str, Samples] = MappingProxyType({}),
    own_lines: AmountLines = MappingProxyType({}), over_hz: Sequence[tuple[float, float]] = (),
) -> SearchResult:  # fmt: skip
    """Search the plan for one drum, `(frames, channels)`, in one beat.

    Where nothing helps (and for silence) `plan.helped` is False, with no steps and `after` equal to `before`;
    `plan.tried` says of every family that is not in the plan why.

    Parameters
    ----------
    role, direction : None for a loop; where the drum should go
    families : treatments by name, in the order in which they stand in a chain (`dossier.treat.FAMILIES`)
    ear : hears samples as they play on some of the beat; `level` is called `most_evaluations` times at most
    whole : the same on the whole beat, whose figures are told
    true_peak : linear true peak of samples
    layers : other sounds that may be layered under the drum, best first; three are tried
    own_lines : more amounts worth trying in this beat, by the name of the family, from gentle to strong
    over_hz : low and high ends of the zones that are over the reference with the drum
    """
    trials = Trials(
        samples=samples, rate_hz=rate_hz, role=role, direction=direction, families=tuple(families.values()), ear=ear,
        true_peak=true_peak, policy=policy, layers=layers, own_lines=own_lines, over_hz=over_hz,
        most=max(1, most_evaluations),
    )  # fmt: skip
    whole = whole or ear
    before = whole.final(samples)
    for found in Search(trials).run()[:MOST_CONFIRMED]:
        treated = trials.render(found)
        level, after = whole.level(treated), whole.final(treated)
        verdict = trials.judged(before, level, after, found.verdict.side)
        if verdict.met:
            plan = Plan(
                id=candidate, candidate=candidate, role=role, direction=direction, steps=trials.steps(found),
                before=before, at_equal_loudness=level, after=after, helped=True,
                reason=text.outcome(verdict), tried=text.tried(trials, found),
                evaluations=trials.evaluations,
            )  # fmt: skip
            return SearchResult(plan, treated)
    plan = Plan(
        id=candidate, candidate=candidate, role=role, direction=direction, steps=(), before=before,
        at_equal_loudness=before, after=before, helped=False, reason=text.nothing(trials),
        tried=text.tried(trials, None), evaluations=trials.evaluations,
    )  # fmt: skip
    return SearchResult(plan, samples)


def in_the_end(plan: Plan, after: DrumFigures) -> Plan:
    """The plan with figures at the gain that the drum got beside the others; dropped where nothing is left of it."""
    sides: tuple[Direction, ...] = ("fuller", "leaner") if plan.direction == "as it is" else (plan.direction,)
    level = plan.at_equal_loudness or after
    if any(min(gain(plan.before, level, side), gain(plan.before, after, side)) > 0.0 for side in sides):
        return replace(plan, after=after)
    return replace(
        plan, helped=False, steps=(), render=None, after=plan.before, at_equal_loudness=plan.before,
        occupancy_change=(), reason=text.LOST_AT_ITS_GAIN,
    )
