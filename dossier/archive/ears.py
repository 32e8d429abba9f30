"""What listeners' blind rounds say: checked, counted, and set against the advice.  Pure.

Conventions
    A coin's share is the exact binomial probability at one half: two-sided for a preference, one-sided for a
    discrimination run; rounds without a difference are no trials.  A run that was stopped has none.
    Agreement counts listeners' comparisons, not rounds, which one pair of ears does not make independent.  Its interval
    is the score interval of E. B. Wilson, "Probable inference, the law of succession, and statistical inference",
    Journal of the American Statistical Association 22 (1927), 209-212.
"""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterable, Sequence
from math import comb, sqrt

from dossier.archive.revisions import DataHead
from dossier.errors import ArchiveError
from dossier.model.datafile import Decision
from dossier.model.ears import (
    FEWEST_ROUNDS,
    FEWEST_VOTES,
    LETTERS,
    MOST_ROUNDS,
    SAME,
    TASKS,
    Agreement,
    BlindRun,
    Comparison,
    RunTold,
    Side,
    Vote,
)

MOST_RUNS = 64  # of one answer
_Z = 1.959964  # of 95 %


def coin(hits: int, of: int, *, two_sided: bool) -> float | None:
    """How often a coin would do this or better; None without trials."""
    if not of:
        return None
    most = max(hits, of - hits) if two_sided else hits
    tail = sum(comb(of, k) for k in range(most, of + 1)) / 2.0**of
    return min(1.0, 2.0 * tail) if two_sided else tail


def pair_of(name: str, head: DataHead, heads: Iterable[DataHead]) -> Comparison | None:
    """The pair of this name: one of the revision's page, or the revision and another of its beat by their rough mixes.

    The sounds of the latter are told by the revisions' identities, which a rough mix depends on alone; neither side is
    advised.
    """
    found = next((each for each in head.comparisons if each.id == name), None)
    other = next((one.revision for one in heads if one.revision.id == name and one.revision != head.revision), None)
    if found is not None or other is None:
        return found
    both = (head.revision, other)
    return Comparison(name, (Side(both[0].id, {}), Side(both[1].id, {})), "", {one.id: one.identity for one in both})


def check(runs: Sequence[BlindRun], head: DataHead, heads: Sequence[DataHead], where: str) -> None:
    """Raise ArchiveError at the first run that neither the revision's page nor the archive's can have made."""
    if len(runs) > MOST_RUNS:
        raise ArchiveError(f"{where}: {len(runs)} blind comparisons in one answer; the limit is {MOST_RUNS}")
    for place, run in enumerate(runs, start=1):
        if (wrong := _fault(run, pair_of(run.comparison, head, heads))) is not None:
            raise ArchiveError(f"{where}: blind comparison {place}: {wrong}")


def _fault(run: BlindRun, comparison: Comparison | None) -> str | None:
    if comparison is None:
        return f"{run.comparison[:40]!r} is no pair of this revision"
    try:
        datetime.datetime.fromisoformat(run.made)
    except ValueError:
        return f"the date {run.made[:40]!r} is not an ISO 8601 date and time"
    if run.task not in TASKS:
        return f"task {run.task[:40]!r}: one of {', '.join(TASKS)}"
    if not FEWEST_ROUNDS <= run.planned <= MOST_ROUNDS:
        return f"{str(run.planned)[:12]} rounds planned; {FEWEST_ROUNDS} to {MOST_ROUNDS} are possible"
    if not 1 <= len(run.rounds) <= run.planned:
        return f"{len(run.rounds)} rounds where {run.planned} were planned"
    if dict(run.sounds) != dict(comparison.sounds):
        return "its sounds are not those of this revision (their SHA-256 differ)"
    names = [side.id for side in comparison.sides]
    choosing = run.task == "preference"
    for number, one in enumerate(run.rounds, start=1):
        if one.a not in names:
            return f"round {number}: {one.a[:40]!r} is no side of this pair"
        if one.said not in (*LETTERS, *([SAME] if choosing else [])):
            return f"round {number}: the answer {one.said[:40]!r} was not asked for"
        if one.x not in (("",) if choosing else LETTERS):
            return f"round {number}: X cannot be {one.x[:40]!r} here"
    return None


def heard(heads: Iterable[DataHead], decisions: Iterable[Decision]) -> tuple[RunTold, ...]:
    """Every run about these revisions, oldest first, once each; those of replaced answers were heard too."""
    heads = tuple(heads)
    by_identity = {head.revision.identity: head for head in heads}
    found: dict[tuple[str, ...], RunTold] = {}
    for entry in decisions:
        for run in entry.blind:
            head = by_identity.get(entry.identity)
            comparison = pair_of(run.comparison, head, heads) if head is not None else None
            if comparison is not None and _fault(run, comparison) is None:
                key = (entry.by.casefold(), entry.identity, run.comparison, run.task, run.made)
                found.setdefault(key, _told(entry, run, comparison))
    return tuple(found.values())


def _told(entry: Decision, run: BlindRun, comparison: Comparison) -> RunTold:
    first, second = (side.id for side in comparison.sides)
    choosing = run.task == "preference"
    if choosing:
        said = Counter(one.said if one.said == SAME else first if (one.said == "A") == (one.a == first) else second
                       for one in run.rounds)  # fmt: skip
        counts = said[first], said[second]
    else:
        right = sum(one.said == one.x for one in run.rounds)
        said, counts = Counter(), (right, len(run.rounds) - right)
    whole = len(run.rounds) == run.planned
    return RunTold(
        by=entry.by, revision=entry.revision, identity=entry.identity, comparison=run.comparison, task=run.task,
        sides=(first, second), advised=comparison.advised, counts=counts, same=said[SAME], planned=run.planned,
        drums_db=(comparison.sides[0].drums_db, comparison.sides[1].drums_db),
        coin=coin(counts[0], sum(counts), two_sided=choosing) if whole else None,
    )  # fmt: skip


def votes(found: Iterable[RunTold]) -> tuple[Vote, ...]:
    """What each listener prefers in each comparison; none where they stopped, or prefer neither."""
    pooled: dict[tuple[str, str, str], tuple[RunTold, Counter[str]]] = {}
    for one in found:
        if one.task == "preference" and one.rounds == one.planned:
            key = one.by.casefold(), one.identity, one.comparison
            pooled.setdefault(key, (one, Counter()))[1].update(dict(zip(one.sides, one.counts, strict=True)))
    out = []
    for one, counts in pooled.values():
        better, worse = sorted(one.sides, key=lambda side: -counts[side])
        if counts[better] > counts[worse]:
            drums_db = one.drums_db[one.sides.index(better)] if any(one.drums_db) else None
            out.append(Vote(one.by, one.revision, better, worse, one.advised, one.identity, drums_db))
    return tuple(out)


def agreement(cast: Iterable[Vote]) -> Agreement | None:
    """None below `FEWEST_VOTES`."""
    counted = [vote.preferred == vote.advised for vote in cast if vote.advised]
    n, k = len(counted), sum(counted)
    if n < FEWEST_VOTES:
        return None
    middle, spread = k / n + _Z**2 / (2 * n), _Z * sqrt(k / n * (1 - k / n) / n + _Z**2 / (4 * n**2))
    low, high = ((middle + side * spread) / (1 + _Z**2 / n) for side in (-1, 1))
    return Agreement(k, n, max(0.0, low), min(1.0, high))
