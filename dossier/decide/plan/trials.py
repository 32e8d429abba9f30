"""The trials of a search: what can be tried on one drum, rendered and measured at equal loudness, each chain once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Protocol

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.decide.plan.goals import Verdict, gain, judge, load
from dossier.model.findings import Amount, DrumFigures, Step
from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction, Kind, Role

MOST_LAYERS = 3
MOST_KEPT = 6  # rendered beginnings of chains kept at hand
UNCHANGED_TOLERANCE = 1e-7  # of the true peak

Amounts = Mapping[str, Amount]
AmountLines = Mapping[str, Sequence[Sequence[Amounts]]]  # lines from gentle to strong by the name of the family


class Treatment(Protocol):
    """What the search asks of a treatment family (see `dossier.treat.families.Family`)."""

    @property
    def name(self) -> str: ...
    @property
    def directions(self) -> tuple[Direction, ...]: ...
    @property
    def effort(self) -> str: ...
    @property
    def suits_loops(self) -> bool: ...
    @property
    def nothing_to_do(self) -> str: ...
    @property
    def resolve(self) -> Callable[..., Amounts]: ...
    @property
    def amount_lines(self) -> Callable[..., tuple[tuple[Amounts, ...], ...]]: ...
    def play(
        self, samples: Samples, rate_hz: int, amounts: Amounts, *, kind: Kind = ..., layer: Samples | None = ...
    ) -> Samples: ...
    def between(self, gentler: Amounts, stronger: Amounts) -> Amounts | None: ...
    def label(self, amounts: Amounts) -> str: ...


class Listener(Protocol):
    """How a search hears one drum in the beat."""

    def level(self, samples: Samples) -> DrumFigures:
        """Figures at the untreated drum's integrated loudness on the grid; levels are those at 0 dB gain, so turned."""

    def final(self, samples: Samples) -> DrumFigures:
        """Figures, with the job, at the gain that these samples get in the end; levels are those of the samples."""


class Move(Struct, frozen=True, eq=False):
    """One treatment at one point of one of its lines."""

    family: Treatment
    line: int
    position: float  # 0 gentlest - 1 strongest
    amounts: Amounts
    side: Direction  # what its line is for
    cost: float

    @property
    def key(self) -> tuple[int, float]:
        return self.line, self.position


Chain = tuple[Move, ...]
ChainKey = tuple[tuple[int, float], ...]


class Trial(Struct, frozen=True, eq=False):
    """A chain that was rendered and measured."""

    moves: Chain
    figures: DrumFigures  # at equal loudness
    verdict: Verdict
    cost: float


class Trials:
    """What can be tried on one drum, and what has been; see `dossier.decide.plan.search` for the arguments."""

    def __init__(
        self, *, samples: Samples, rate_hz: int, role: Role | None, direction: Direction,
        families: Sequence[Treatment], ear: Listener, true_peak: Callable[[Samples], float],
        policy: Mapping[str, float], layers: Mapping[str, Samples], own_lines: AmountLines,
        over_hz: Sequence[tuple[float, float]], most: int,
    ) -> None:  # fmt: skip
        self.samples, self.rate_hz, self.role, self.direction = samples, rate_hz, role, direction
        self.kind: Kind = "loop" if role is None else "one-shot"
        self.families, self.layers, self.own_lines, self.over_hz = families, layers, own_lines, over_hz
        self.ear, self.true_peak, self.policy, self.most = ear, true_peak, policy, most
        self.before = ear.final(samples)
        self.evaluations = 1
        self.done: list[Trial] = []
        self._seen: dict[ChainKey, Trial | None] = {}  # None: the chain leaves the sound as it is
        self._played: dict[ChainKey, Samples] = {}
        self.lines = self._lines()

    # what can be tried

    def _lines(self) -> list[Chain]:
        sides: tuple[Direction, ...] = ("fuller", "leaner") if self.direction == "as it is" else (self.direction,)
        lines: list[Chain] = []
        for family in self.families:
            for side in sides:
                own = self.own_lines.get(family.name, ()) if side == self.direction else ()
                if self.kind == "loop" and not family.suits_loops:
                    continue
                offered = () if side not in family.directions else family.amount_lines(
                    role=self.role, rate_hz=self.rate_hz, direction=side, kind=self.kind,
                    layers=tuple(self.layers)[:MOST_LAYERS],
                )  # fmt: skip
                for line in (*own, *(line for line in offered if not self._boosts_what_is_over(line))):
                    shown = line[: -(-len(line) // 2)] if self.direction == "as it is" else line  # only gentle ones
                    last = max(1, len(line) - 1)
                    lines.append(
                        tuple(self.move(family, len(lines), i / last, amounts, side) for i, amounts in enumerate(shown))
                    )
        return [line for line in lines if line]

    def _boosts_what_is_over(self, line: Sequence[Amounts]) -> bool:
        """Whether a line of an EQ raises a zone that is over the reference already: that zone is cut, or left."""
        gain_db, hz = line[-1].get("gain_db"), line[-1].get("hz")
        if not isinstance(gain_db, float) or not isinstance(hz, float) or gain_db <= 0.0:
            return False
        shelf = line[-1].get("shape") == "high shelf"
        return any(low <= hz < high or (shelf and low >= hz) for low, high in self.over_hz)

    def move(self, family: Treatment, line: int, position: float, amounts: Amounts, side: Direction) -> Move:
        """A move at its cost: a third of the family's effort for being there at all, the rest with its strength."""
        return Move(family, line, position, amounts, side,
                    cost=self.policy[f"plan_effort_{family.effort}"] * (1.0 + 2.0 * position) / 3.0)  # fmt: skip

    def leaves_as_it_is(self, move: Move) -> bool:
        """Whether the move was tried on its own and changed nothing."""
        return self._seen.get((move.key,), self) is None

    @property
    def pointless(self) -> bool:
        """A silent drum, or a leaner plan for one that covers next to nothing."""
        covers = load(self.before) >= self.policy["plan_least"] or self.direction != "leaner"
        return self.before.integrated_lufs is None or not covers

    # rendering and measuring

    def try_chain(self, moves: Iterable[Move], *, below: float = np.inf) -> Trial | None:
        """Render and measure a chain; None where it changes nothing, costs `below` or more, or the bound is reached."""
        chain = tuple(sorted(moves, key=lambda move: move.line))
        key = tuple(move.key for move in chain)
        if key in self._seen:
            return self._seen[key]
        cost = sum(move.cost for move in chain)
        if cost >= below or self.evaluations >= self.most:
            return None
        found = self._seen[key] = self._trial(chain, cost)
        if found is not None:
            self.evaluations += 1
            self.done.append(found)
        return found

    def output_gain(self, found: Trial) -> float:
        """Linear gain that brings a chain to the untreated true peak, so that no file clips; 1 where it reads 0 dB."""
        peak = self.true_peak(self._chain_played(found.moves))
        gain = self.true_peak(self.samples) / peak if peak > 0.0 else 1.0
        return gain if abs(20.0 * np.log10(gain)) >= self.policy["plan_output_told_db"] else 1.0

    def render(self, found: Trial) -> Samples:
        """A measured chain as sound, at its output level."""
        played = self._chain_played(found.moves)
        result: Samples = played * played.dtype.type(self.output_gain(found))
        return result

    def judged(self, before: DrumFigures, level: DrumFigures, final: DrumFigures, side: Direction) -> Verdict:
        """The verdict at equal loudness; not met where the drum loses its job or its sign at the final gain."""
        strict = self.direction == "as it is"
        found = judge(before, replace(level, job=final.job), side, self.role, self.policy, strict=strict)
        if found.met and gain(before, final, side) <= 0.0:
            found = replace(found, met=False, broken="nothing of it is left at the gain that it then gets")
        return found

    def _trial(self, chain: Chain, cost: float) -> Trial | None:
        played, side = self._chain_played(chain), chain[0].side
        if played.shape == self.samples.shape and np.allclose(played, self.samples, rtol=0.0, atol=UNCHANGED_TOLERANCE):
            return None
        figures = self.ear.level(played)
        verdict = judge(self.before, figures, side, self.role, self.policy, strict=self.direction == "as it is")
        if verdict.met:
            verdict = self.judged(self.before, figures, self.ear.final(played), side)
        return Trial(chain, figures, verdict, cost)

    def _resolved(self, move: Move) -> Amounts:
        layer = self.layers.get(str(move.amounts.get("file")))
        return move.family.resolve(self.samples, self.rate_hz, move.amounts, layer=layer)

    def _chain_played(self, moves: Chain) -> Samples:
        """The chain before its level is matched; beginnings of chains are kept."""
        if not moves:
            return self.samples
        key = tuple(move.key for move in moves)
        if key not in self._played:
            amounts = self._resolved(moves[-1])
            layer = self.layers.get(str(amounts.get("file")))
            before = self._chain_played(moves[:-1])
            result = moves[-1].family.play(before, self.rate_hz, amounts, kind=self.kind, layer=layer)
            if len(self._played) >= MOST_KEPT:
                del self._played[next(iter(self._played))]
            self._played[key] = result
        return self._played[key]

    # words

    def name(self, move: Move) -> str:
        """The move in trade words, with the amounts that depend on the sound filled in."""
        return move.family.label(self._resolved(move))

    def steps(self, found: Trial) -> tuple[Step, ...]:
        """The chain's steps, and the output level where it is not 0 dB."""
        steps = [Step(move.family.name, self.name(move), dict(self._resolved(move))) for move in found.moves]
        level = next((family for family in self.families if not family.directions), None)
        output = self.output_gain(found)
        if level is not None and output != 1.0:
            amounts: Amounts = {"gain_db": float(20.0 * np.log10(output))}
            steps.append(Step(level.name, level.label(amounts), dict(amounts)))
        return tuple(steps)
