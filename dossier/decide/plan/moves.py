"""The parts of a plan's search: what it asks of a treatment, one move, one measured chain."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from dossier.decide.plan.goals import Verdict
from dossier.model.findings import Amount, DrumFigures
from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction, Kind

Amounts = Mapping[str, Amount]


class Treatment(Protocol):
    """What the search asks of a treatment family (see `dossier.treat.families.Family`)."""

    @property
    def name(self) -> str: ...
    @property
    def directions(self) -> tuple[Direction, ...]: ...
    @property
    def place(self) -> int: ...
    @property
    def suits_loops(self) -> bool: ...
    @property
    def nothing_to_do(self) -> str: ...
    @property
    def label(self) -> Callable[[Amounts], str]: ...
    @property
    def settle(self) -> Callable[..., Amounts]: ...
    @property
    def ladders(self) -> Callable[..., tuple[tuple[Amounts, ...], ...]]: ...
    def play(
        self, samples: Samples, rate_hz: int, amounts: Amounts, *, kind: Kind = ..., layer: Samples | None = ...
    ) -> Samples: ...
    def between(self, gentler: Amounts, stronger: Amounts) -> Amounts | None: ...
    def cost(self, position: float) -> float: ...


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """One treatment at one point of one of its lines."""

    family: Treatment
    line: int
    position: float  # 0 gentlest - 1 strongest
    amounts: Amounts
    side: Direction  # what it was taken from the ladder for

    @property
    def key(self) -> tuple[int, float]:
        return self.line, self.position

    @property
    def cost(self) -> float:
        return self.family.cost(self.position)


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """A chain that was rendered and measured."""

    moves: tuple[Move, ...]
    figures: DrumFigures
    verdict: Verdict
    cost: float
    even: DrumFigures | None = None  # turned to the untreated drum's loudness, where that was measured
    output: float = 1.0  # linear gain after the chain
