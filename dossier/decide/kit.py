"""The kit: one one-shot a role, chosen together, because the members mask one another and share the room.

The search starts from each role's own best and exchanges one member at a time for another of the role's shortlist as
long as the kit as a whole scores better (coordinate ascent).  It is deterministic and bounded by `ROUNDS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from dossier.model.vocabulary import Role

ROUNDS = 3
CLEARLY = 1e-6


def choose(
    shortlists: Mapping[Role, Sequence[str]],
    *,
    pins: Mapping[Role, str],
    score: Callable[[Mapping[Role, str]], float],
) -> tuple[dict[Role, str], float]:
    """Choose a member for every role.

    Parameters
    ----------
    shortlists
        Candidates of each role, best first by their own score; roles without candidates are left out.
    pins
        Members that the user has fixed; they are never exchanged.
    score
        Score of a whole kit (role -> candidate).

    Returns
    -------
    The kit and its score.
    """
    kit: dict[Role, str] = {role: pins.get(role, names[0]) for role, names in shortlists.items() if names}
    if not kit:
        return {}, 0.0
    best = score(kit)
    for _ in range(ROUNDS):
        improved = False
        for role in kit:
            if role in pins:
                continue
            for name in shortlists[role]:
                if name == kit[role]:
                    continue
                trial = {**kit, role: name}
                value = score(trial)
                if value > best + CLEARLY:
                    kit, best, improved = trial, value, True
        if not improved:
            break
    return kit, best
