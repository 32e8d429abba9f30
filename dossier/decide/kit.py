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


def worth(score: float, members: Sequence[float]) -> float:
    """What a kit is worth among kits: its score as one drum part, and how each member does its job beside the others.

    A member that does not do its job is a role that is not played, so every member counts in full.  Beside loops the
    score alone counts: of a loop nobody asks whether each of its drums is heard.
    """
    return score + sum(members)


def choose(
    shortlists: Mapping[Role, Sequence[str]], *, pins: Mapping[Role, str], score: Callable[[Mapping[Role, str]], float]
) -> dict[Role, str]:
    """Choose a candidate for every role that has any, from shortlists that have each role's own best first.

    `pins` are members that the user has fixed, never exchanged; `score` is that of a whole kit.
    """
    kit: dict[Role, str] = {role: pins.get(role, names[0]) for role, names in shortlists.items() if names}
    if not kit:
        return {}
    best = score(kit)
    for _ in range(ROUNDS):
        exchanges = [
            {**kit, role: name} for role in kit if role not in pins for name in shortlists[role] if name != kit[role]
        ]
        scores = [score(trial) for trial in exchanges]
        if not scores or max(scores) <= best + SCORE_TOLERANCE:
            break
        best = max(scores)
        kit = exchanges[scores.index(best)]
    return kit
