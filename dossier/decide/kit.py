"""The kit: one one-shot a role, chosen together, because the members mask one another and share the room.

The search starts from each role's own best; of all exchanges of one member for another of its role's shortlist it
makes the one after which the kit as a whole scores best, as long as that is better (steepest ascent).  It is
deterministic and bounded: at most `ROUNDS` exchanges.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from dossier.model.vocabulary import Role

ROUNDS = 12
SCORE_TOLERANCE = 1e-6

STAND_INS: Mapping[Role, tuple[Role, ...]] = {
    "kick": ("tom",), "snare": ("clap", "rim"), "clap": ("snare", "rim"), "rim": ("percussion", "clap", "snare"),
    "closed-hat": ("shaker", "open-hat"), "open-hat": ("crash", "ride", "closed-hat"),
    "ride": ("closed-hat", "open-hat"), "crash": ("open-hat", "ride"), "tom": ("percussion", "kick"),
    "shaker": ("closed-hat", "percussion"), "percussion": ("rim", "tom", "shaker"),
}  # fmt: skip
"""Roles whose sounds are played in place of a role, the likeliest first (common practice, no source)."""


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
        exchanges = [
            {**kit, role: name}
            for role in kit
            if role not in pins
            for name in shortlists[role]
            if name != kit[role]
        ]
        scores = [score(trial) for trial in exchanges]
        if not scores or max(scores) <= best + SCORE_TOLERANCE:
            break
        best = max(scores)
        kit = exchanges[scores.index(best)]
    return kit, best
