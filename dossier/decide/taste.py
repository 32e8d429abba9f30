"""Taste: a user's own usual levels, learnt from the pieces that they finished.

Conventions
    Levels are LU against the music.  A piece made with another intent than 'level' counts as if it had that one.  Roles
    are read against all drums of the same piece, so that a loud piece does not move what it has more of.

    From `taste_fewest` pieces on, n pieces weigh n / (n + `taste_lean`) and the default the rest: that has the least
    squared error where `taste_lean` is the variance inside one person's pieces over that between people.  A role in
    fewer pieces stands to all drums as it does by default.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from dossier.decide.policy import USUAL
from dossier.model.numbers import unsigned
from dossier.model.usual import HeardPiece, Learnt, Taste, UsualLevels
from dossier.model.vocabulary import ROLES, Role


def learn(pieces: Sequence[HeardPiece], policy: Mapping[str, float], usual: UsualLevels = USUAL) -> list[Learnt]:
    """All drums first, then every role that was heard, in the order of the roles."""
    drums = usual.all_drums_lu
    lower = {piece.name: drums[piece.intent] - drums["level"] for piece in pieces}
    of_all = {piece.name: piece.all_drums_lu - lower[piece.name] for piece in pieces}
    low, high = usual.all_drums_range_db
    everything = _learnt(None, of_all, [*of_all.values()], [0.0], (drums["level"], low, high, 0.0), policy)
    found = [everything]
    middle = drums["level"] if everything.level_lu is None else everything.level_lu
    for role in ROLES:
        own = {piece.name: part for piece in pieces for part in piece.parts if part.role == role}
        if not own:
            continue
        default = usual.roles[role]
        levels = {name: part.level_lu - lower[name] for name, part in own.items()}
        beside = [level - of_all[name] + middle for name, level in levels.items()]
        hits = [default.hit_level_db if part.hit_level_db is None else part.hit_level_db for part in own.values()]
        stands = default.level_lu - drums["level"] + middle
        spread = default.low_lu - default.level_lu, default.high_lu - default.level_lu
        found.append(_learnt(role, levels, beside, hits, (stands, *spread, default.hit_level_db), policy))
    return found


def _learnt(
    role: Role | None, levels: Mapping[str, float], beside: Sequence[float], hits: Sequence[float],
    default: tuple[float, float, float, float], policy: Mapping[str, float],
) -> Learnt:  # fmt: skip
    """`default`: level, its quartiles about it, and hit level."""
    n = len(levels)
    weight = n / (n + policy["taste_lean"]) if n >= policy["taste_fewest"] else 0.0
    q25, median, q75 = np.percentile(beside, [25, 50, 75]).tolist()
    hit = float(np.median(np.add(beside, hits))) - median  # right for the middle part, not the middle of each figure
    own = median, q25 - median, q75 - median, hit
    level, low, high, hit = (weight * mine + (1.0 - weight) * theirs for mine, theirs in zip(own, default, strict=True))
    return Learnt(role=role, pieces=tuple(levels), found_lu=float(np.median([*levels.values()])),
                  level_lu=level if weight else None, low_lu=level + low, high_lu=level + high,
                  hit_level_db=hit)  # fmt: skip


def doubts(pieces: Sequence[HeardPiece], policy: Mapping[str, float], usual: UsualLevels = USUAL) -> list[str]:
    """What speaks against a taste that all of these pieces share."""
    drums = usual.all_drums_lu
    levels = {piece.name: piece.all_drums_lu - drums[piece.intent] + drums["level"] for piece in pieces}
    low, high = np.percentile([*levels.values()], [25, 75])
    if high - low <= policy["taste_wide_lu"]:
        return []
    soft, loud = min(levels, key=levels.__getitem__), max(levels, key=levels.__getitem__)
    return [
        f"the pieces contradict one another: half of them lie {unsigned(high - low)} LU apart, from '{soft}' to "
        f"'{loud}'; learn from those that agree, or state intent in the others' beat.toml"
    ]


def differs(taste: UsualLevels, usual: UsualLevels = USUAL) -> dict[str, float]:
    """How much louder than by default all drums are, and roles against all drums, in dB; what does not differ is left
    out."""
    louder = taste.all_drums_lu["level"] - usual.all_drums_lu["level"]
    found = {"all drums": louder} | {
        role: of.level_lu - usual.roles[role].level_lu - louder for role, of in taste.roles.items()
    }
    return {name: rounded for name, by_db in found.items() if (rounded := round(by_db, 1))}


def told(taste: Taste, roles: Sequence[Role | None]) -> str:
    """Which taste was used and how far it differs from the default, of the roles that play."""
    moved = differs(taste.usual)
    words = [_louder("all drums", moved["all drums"])] if "all drums" in moved else []
    own = [_louder(role.replace("-", " "), moved[role]) for role in roles if role in moved and len(roles) > 1]
    if own:
        words.append(f"against all drums {', '.join(own)}")
    what = f"{taste.name} ({taste.usual.source})"
    return f"Levels follow your taste, {what}: {'; '.join(words) or 'the same levels as by default'}."


def _louder(what: str, by_db: float) -> str:
    return f"{what} {unsigned(abs(by_db))} dB {'louder' if by_db > 0 else 'softer'}"
