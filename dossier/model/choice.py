"""What was chosen: the approach, and the drums of both sides in their final state."""

from __future__ import annotations

from msgspec import Struct

from dossier.model.findings import Approach, BalancePart, EqualPeaks
from dossier.model.parts import PlacedCandidate, Ranking, Treated


class Choice(Struct, frozen=True, eq=False):
    """The approach and its drums, and the other side's, each as its plan leaves it and at its own gain."""

    approach: Approach
    untreated: Ranking  # the candidates before treatments
    plans: tuple[Treated, ...]
    ranking: Ranking  # the candidates as their plans leave them
    chosen: tuple[PlacedCandidate, ...]
    others: tuple[PlacedCandidate, ...]


class BalancedPart(Struct, frozen=True, eq=False):
    """A drum part of the balance; `row` is what is told of it."""

    item: PlacedCandidate
    row: BalancePart

    @property
    def id(self) -> str:
        return self.row.id


class Balanced(Struct, frozen=True, eq=False):
    """The parts at their gains: those of the approach, then those of the other side."""

    parts: tuple[BalancedPart, ...]
    equal_peaks: tuple[EqualPeaks, ...]
    music_gain_db: float = 0.0
    all_drums_lu: float | None = None  # of the chosen parts, against the music

    @property
    def chosen(self) -> tuple[BalancedPart, ...]:
        """The parts that play."""
        return tuple(part for part in self.parts if part.row.chosen)
