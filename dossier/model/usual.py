"""How loud drums are in mixes that people made: what a balance aims at.

Levels are K-weighted, in LU against the music, both as they play.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import log10

from msgspec import Struct

from dossier.model.vocabulary import Intent, Role


class RoleLevel(Struct, frozen=True):
    """How a role stands in `n` pieces."""

    n: int
    level_lu: float
    low_lu: float  # 25th percentile of the level
    high_lu: float  # 75th percentile
    hit_level_db: float  # loudest 100 ms of one hit, less the part's integrated level
    velocity_db: float  # of the loudest hit, against a hit at full velocity
    error_low_db: float  # quartiles of people's level less the model's, their own all-drums level given
    error_high_db: float


class UsualLevels(Struct, frozen=True):
    """Usual levels of every role, and of all drums together by intent, from `n` pieces."""

    roles: Mapping[Role, RoleLevel]
    all_drums_lu: Mapping[Intent, float]
    all_drums_range_db: tuple[float, float]  # quartiles about the median
    n: int
    source: str  # where they come from, in words
    mixes: str = "the mixes that people made"

    def mix_over_music_lu(self, intent: Intent) -> float:
        """How much louder than the music alone the mix is: powers of unrelated sounds add."""
        return 10.0 * log10(1.0 + 10.0 ** (self.all_drums_lu[intent] / 10.0))


class Taste(Struct, frozen=True):
    """A user's own usual levels, as a file holds them."""

    name: str  # of the file
    made: str  # when they were learnt, ISO 8601
    usual: UsualLevels


class HeardPart(Struct, frozen=True):
    """A role in one finished piece; `hit_level_db` is None where only its level was decided."""

    role: Role
    level_lu: float
    hit_level_db: float | None
    heard: bool = True  # False: it is the program's own level, beside which the others stand


class HeardPiece(Struct, frozen=True):
    """How loud a user set the drums of one piece, all together and by role."""

    name: str
    all_drums_lu: float
    parts: tuple[HeardPart, ...] = ()  # one a role
    intent: Intent = "level"  # that the piece was made with


class Learnt(Struct, frozen=True):
    """What a user's pieces say of a role, or with no role of all drums."""

    role: Role | None
    pieces: tuple[str, ...]  # names
    found_lu: float  # median over the pieces
    level_lu: float | None  # in force: shrunk towards the default; None: too few pieces
    low_lu: float  # quartiles about the level in force, shrunk alike
    high_lu: float
    ears: tuple[str, ...] = ()  # beats whose drums were compared blind at other levels
    before_lu: float | None = None  # the level in force without them
