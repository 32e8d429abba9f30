"""Taste: a user's own usual levels, learnt from the pieces that they finished.

Conventions
    Levels are LU against the music.  A piece made with another intent than 'level' counts as if it had that one.  All
    drums say how loud a user likes drums; a role says only how it stands to the piece's other roles, one hit against
    one hit, so that a loud or a busy piece does not move what it has more of.

    From `taste_fewest` pieces on, n pieces weigh n / (n + `taste_lean`) and the default the rest: that has the least
    squared error where `taste_lean` is the variance inside one person's pieces over that between people.  A role in
    fewer pieces stands to all drums as it does by default.

    A beat whose drums were compared blind at other levels counts for all drums, as `taste_ears` of a piece.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
from msgspec.structs import replace

from dossier.decide.policy import DEFAULTS, USUAL
from dossier.model.numbers import signed, unsigned
from dossier.model.usual import HeardPart, HeardPiece, Learnt, Taste, UsualLevels
from dossier.model.vocabulary import ROLES, Role


def learn(
    pieces: Sequence[HeardPiece], policy: Mapping[str, float], usual: UsualLevels = USUAL, *,
    ears: Mapping[str, float] = MappingProxyType({}),
) -> list[Learnt]:  # fmt: skip
    """All drums first, then every role that was heard, in the order of the roles.

    `ears`: by beat, all drums in LU against the music as listeners preferred them blind.
    """
    drums = usual.all_drums_lu
    of_all = {piece.name: piece.all_drums_lu - drums[piece.intent] + drums["level"] for piece in pieces}
    everything = _learnt(None, of_all, [*of_all.values()], drums["level"], usual.all_drums_range_db, policy)
    if ears and everything.level_lu is not None:
        weight = policy["taste_ears"] * len(ears)
        away = float(np.mean([*ears.values()])) - everything.level_lu
        by_db = away * weight / (len(pieces) + policy["taste_lean"] + weight)
        everything = replace(
            everything, level_lu=everything.level_lu + by_db, low_lu=everything.low_lu + by_db,
            high_lu=everything.high_lu + by_db, ears=tuple(ears), before_lu=everything.level_lu,
        )  # fmt: skip
    louder = 0.0 if everything.level_lu is None else everything.level_lu - drums["level"]
    found = [everything]
    for role in ROLES:
        own = {piece.name: (piece, part) for piece in pieces for part in piece.parts
               if part.role == role and part.heard}  # fmt: skip
        if own:
            of = usual.roles[role]
            levels = {name: part.level_lu - drums[piece.intent] + drums["level"] for name, (piece, part) in own.items()}
            stands = [_above(part, usual) - _offset(piece, usual) for piece, part in own.values()]
            spread = of.low_lu - of.level_lu, of.high_lu - of.level_lu
            level = of.level_lu + louder
            found.append(_learnt(role, levels, [level + by_db for by_db in stands], level, spread, policy))
    return found


def _above(part: HeardPart, usual: UsualLevels) -> float:
    """How much louder one hit of a part is than by default, dB."""
    of = usual.roles[part.role]
    hit = of.hit_level_db if part.hit_level_db is None else part.hit_level_db
    return part.level_lu + hit - of.level_lu - of.hit_level_db


def _offset(piece: HeardPiece, usual: UsualLevels) -> float:
    return float(np.median([_above(part, usual) for part in piece.parts]))


def _learnt(
    role: Role | None, levels: Mapping[str, float], asked: Sequence[float], default: float,
    spread: tuple[float, float], policy: Mapping[str, float],
) -> Learnt:  # fmt: skip
    """`levels` as found, `asked` where they would put the role; the default level, and its quartiles about it."""
    n = len(levels)
    weight = n / (n + policy["taste_lean"]) if n >= policy["taste_fewest"] else 0.0
    low, found, high = np.percentile([*levels.values()], [25, 50, 75]).tolist()
    level, below, above = (
        weight * mine + (1.0 - weight) * theirs
        for mine, theirs in zip((float(np.median(asked)), low - found, high - found), (default, *spread), strict=True)
    )
    return Learnt(role=role, pieces=tuple(levels), found_lu=found, level_lu=level if weight else None,
                  low_lu=level + below, high_lu=level + above)  # fmt: skip


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


def by_ear(learnt: Learnt) -> str:
    """What blind comparisons did to a level, before and after; empty without them."""
    if learnt.before_lu is None or learnt.level_lu is None:
        return ""
    beats = "1 beat" if len(learnt.ears) == 1 else f"{len(learnt.ears)} beats"
    weight = f"{DEFAULTS['taste_ears']:g} of a piece each"
    before, after = signed(learnt.before_lu, 2), signed(learnt.level_lu, 2)
    return f"{before} LU without, {after} LU with {beats} compared blind, {weight}"


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
    words = [f"all drums are {_louder(moved['all drums'])}"] if "all drums" in moved else []
    own = [f"the {role.replace('-', ' ')} is {_louder(moved[role])}"
           for role in roles if role and role in moved and len(roles) > 1]  # fmt: skip
    if own:
        words.append(f"against all drums, {', '.join(own)}")
    start = f"Levels follow your taste, {taste.name} ({taste.usual.source})"
    return f"{start}. Compared with the default, {'; '.join(words)}." if words else f"{start}: it is as the default."


def _louder(by_db: float) -> str:
    return f"{unsigned(abs(by_db))} dB {'louder' if by_db > 0 else 'softer'}"
