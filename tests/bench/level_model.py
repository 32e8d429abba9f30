"""Levels of drum parts against the music: each role's usual level, and one offset for what the intent asks.

Conventions
    Levels are K-weighted, in LU against the music's integrated loudness, both as they play.  `music` and parts are
    measured at 0 dB gain; no gain enters what it is solved from.

    level = usual level - BETA * (hit level - usual hit level) + VELOCITY_SLOPE * (velocity - usual velocity)

    With both slopes at 1 this says: a hit at full velocity has its role's usual level, and the pattern plays it as
    softly as it is written.  Those levels say how parts stand to one another.  One offset then brings the sum of all
    parts to the all-drums level of the intent, so a loop and a kit of the same sound end up equally loud.

    A part's gain comes with the quartiles of what people chose instead of the model, their own all-drums level given.

Figures
    `USUAL_LEVELS`, `ALL_DRUMS_LU` and the slopes come from tests/bench/learn_levels.py: 56 pieces of three collections,
    whose authors set the levels, through two sound sets.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from dossier.model.measures import Array
from dossier.model.vocabulary import Intent, Role

GAIN_STEP_DB = 0.1  # what a fader can be set to
MOST_GAIN_DB = 6.0  # beyond it the music comes down instead: common practice, no source
OFFSET_ROUNDS = 4  # the gates of the loudness of a sum move a little with its level; two rounds settle it


@dataclass(frozen=True, slots=True)
class UsualLevel:
    """How a role stands in mixes that people made; `n` pieces."""

    n: int
    level_lu: float
    low_lu: float  # 25th percentile
    high_lu: float  # 75th percentile
    hit_level_db: float
    velocity_db: float
    error_low_db: float  # quartiles of the author's level less the model's, the author's all-drums level given
    error_high_db: float


@dataclass(frozen=True, slots=True, eq=False)
class PartToLevel:
    """One drum part as it plays at 0 dB gain.

    Parameters
    ----------
    role : Role or None
        None for a loop, which is the whole drum part: only the all-drums level sets it.
    integrated_lufs : float
        Gated loudness of the part on the grid.
    energy : (blocks,)
        K-weighted mean square of each 100 ms of the part.
    hit_level_db : float
        Loudest 100 ms of one hit as it plays, less `integrated_lufs`.
    velocity_db : float or None
        Level of the loudest hit less that of a hit at full velocity, at most 0; None where the pattern is assumed.
    intent : Intent or None
        The part's own intent, where it differs from the beat's.
    """

    role: Role | None
    integrated_lufs: float
    energy: Array
    hit_level_db: float = 0.0
    velocity_db: float | None = None
    intent: Intent | None = None


@dataclass(frozen=True, slots=True)
class PartLevel:
    """The gain of one part, what people chose around it, and the level against the music that it gives."""

    gain_db: float
    low_db: float
    high_db: float
    level_lu: float


@dataclass(frozen=True, slots=True)
class DrumLevels:
    """All parts in the order given; `music_gain_db` is 0 or less."""

    parts: tuple[PartLevel, ...]
    music_gain_db: float
    all_drums_lu: float


# Learnt by tests/bench/learn_levels.py from 56 pieces (n: pieces that have the role), each through two sound sets.
# Mean absolute error of a part's level, whole collections left out, on the one and the other sound set (198 and 204
# parts): 5.1 and 3.8 dB, 1.5 and 1.4 relative to the piece's other parts, 2.0 and 1.7 where the all-drums level is
# the author's; its role's usual level alone: 5.7 and 4.3, 2.6 and 2.1.  The songs' velocities are their authors' own
# faders, so reading them reads part of the answer: unread, 5.7 and 4.2, 2.4 and 1.9.  Roles in fewer than ten pieces
# have no range of their own, and their middle leans on that of their kin.
USUAL_LEVELS: Mapping[Role, UsualLevel] = MappingProxyType(
    {
        "kick": UsualLevel(51, -9.7, -14.4, -7.0, 7.2, -2.7, -2.1, 0.7),
        "snare": UsualLevel(47, -12.3, -16.9, -9.4, 6.9, -4.5, -1.9, 0.9),
        "clap": UsualLevel(4, -11.1, -11.1, -11.1, 7.5, -4.9, -2.0, 1.0),
        "rim": UsualLevel(4, -14.1, -14.1, -14.1, 6.8, -6.7, -2.0, 1.0),
        "closed-hat": UsualLevel(43, -19.1, -23.1, -15.5, 6.6, -5.0, -1.8, 0.4),
        "open-hat": UsualLevel(13, -22.6, -25.9, -17.6, 8.5, -4.9, -1.2, 1.5),
        "ride": UsualLevel(11, -15.9, -21.2, -12.2, 6.2, -1.6, -2.5, 1.0),
        "crash": UsualLevel(10, -12.3, -14.7, -9.9, 6.7, -1.1, -0.7, 2.2),
        "tom": UsualLevel(3, -18.5, -18.5, -18.5, 9.4, -4.8, -2.0, 1.0),
        "shaker": UsualLevel(6, -19.1, -19.1, -19.1, 7.8, -7.7, -2.0, 1.0),
        "percussion": UsualLevel(13, -14.2, -21.5, -9.5, 7.2, -5.6, -3.4, 2.1),
    }
)
# 20th, 50th and 90th percentile of the drums of the same 56 pieces, twice; left-out collections miss the middle one by
# 4.0 LU in the mean (4.7 and 3.3).
ALL_DRUMS_LU: Mapping[Intent, float] = MappingProxyType({"tucked": -12.2, "level": -8.2, "forward": -2.3})
ALL_DRUMS_SPREAD_DB = (-3.2, 3.0)  # their quartiles about the median
# Slopes within roles and pieces: hit level -0.92 [-1.09, -0.74], velocity +1.00 [0.89, 1.08]; the music's level at the
# part's hits 0.00 [-0.13, 0.18], which is why it is not asked for.  Fitted ones did not lower the held-out error.
BETA = 1.0
VELOCITY_SLOPE = 1.0


def usual_level(
    part: PartToLevel,
    usual: Mapping[Role, UsualLevel] = USUAL_LEVELS,
    *,
    beta: float = BETA,
    velocity_slope: float = VELOCITY_SLOPE,
) -> float:
    """Return the level against the music, in LU, that a part's role and its hits ask for; a loop is all the drums."""
    if part.role is None:
        return ALL_DRUMS_LU["level"]
    of = usual[part.role]
    velocity = 0.0 if part.velocity_db is None else part.velocity_db - of.velocity_db
    return of.level_lu - beta * (part.hit_level_db - of.hit_level_db) + velocity_slope * velocity


def solve(
    parts: Sequence[PartToLevel],
    *,
    music_lufs: float,
    loudness_of: Callable[[Array], float | None],
    intent: Intent = "level",
    usual: Mapping[Role, UsualLevel] = USUAL_LEVELS,
    all_drums_lu: Mapping[Intent, float] = ALL_DRUMS_LU,
    beta: float = BETA,
    velocity_slope: float = VELOCITY_SLOPE,
) -> DrumLevels:
    """Return the gains at which the parts stand as usual to one another, and together as the intent asks.

    `loudness_of` gives the gated loudness, LUFS, of K-weighted energies every 100 ms; powers of parts add.  Where it
    gives None (nothing of the sum passes the gate) every part keeps its role's usual level.  Parts with an intent of
    their own move, after the offset, by how far the two intents lie apart.  Gains are multiples of 0.1 dB, so the
    all-drums level is met within 0.05 LU.
    """
    levels = [usual_level(part, usual, beta=beta, velocity_slope=velocity_slope) for part in parts]
    gains = [level + music_lufs - part.integrated_lufs for level, part in zip(levels, parts, strict=True)]
    for _ in range(OFFSET_ROUNDS):
        loudness = _loudness_of_sum(parts, gains, loudness_of)
        offset = 0.0 if loudness is None else music_lufs + all_drums_lu[intent] - loudness
        gains = [gain + offset for gain in gains]
    gains = [
        gain + all_drums_lu[part.intent or intent] - all_drums_lu[intent]
        for gain, part in zip(gains, parts, strict=True)
    ]
    excess = max([0.0, *(_on_fader(gain) - MOST_GAIN_DB for gain in gains)])
    final = [_on_fader(gain - excess) for gain in gains]
    music_gain = _on_fader(-excess)
    together = _loudness_of_sum(parts, final, loudness_of)
    return DrumLevels(
        parts=tuple(
            PartLevel(
                gain_db=gain, low_db=_on_fader(gain + low), high_db=_on_fader(gain + high),
                level_lu=part.integrated_lufs + gain - music_lufs - music_gain,
            )
            for part, gain in zip(parts, final, strict=True)
            for low, high in [_spread(part.role, usual)]
        ),
        music_gain_db=music_gain,
        all_drums_lu=all_drums_lu[intent] if together is None else together - music_lufs - music_gain,
    )  # fmt: skip


def _spread(role: Role | None, usual: Mapping[Role, UsualLevel]) -> tuple[float, float]:
    return ALL_DRUMS_SPREAD_DB if role is None else (usual[role].error_low_db, usual[role].error_high_db)


def _loudness_of_sum(
    parts: Sequence[PartToLevel], gains: Sequence[float], loudness_of: Callable[[Array], float | None]
) -> float | None:
    total = np.zeros(max((len(part.energy) for part in parts), default=0))
    for part, gain in zip(parts, gains, strict=True):
        total[: len(part.energy)] += part.energy * 10.0 ** (gain / 10.0)
    return loudness_of(total)


def _on_fader(gain_db: float) -> float:
    return round(round(gain_db / GAIN_STEP_DB) * GAIN_STEP_DB, 1) + 0.0
