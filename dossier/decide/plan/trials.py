"""The bench of a search: what can be tried on one drum, rendered at a fair level and measured, each chain once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Protocol

import numpy as np

from dossier.decide.plan.goals import Goals, Verdict, gain, judge
from dossier.decide.plan.moves import Amounts, Move, Treatment, Trial
from dossier.model.findings import DrumFigures
from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction, Kind, Role

MOST_LAYERS = 3
PROMISING = 0.02  # a gain below this is no reason to go on along a line
LEAST_OUTPUT_DB = 0.005
KEPT = 6  # rendered beginnings of chains kept at hand
NO_LINES: Mapping[str, Sequence[Sequence[Amounts]]] = MappingProxyType({})

Turned = Callable[[Samples, float], DrumFigures]
Chain = tuple[Move, ...]
Key = tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What measuring a chain says of it."""

    figures: DrumFigures
    even: DrumFigures | None
    verdict: Verdict
    output: float


@dataclass(frozen=True, slots=True)
class Failed:
    """A look that ended in an error, which is met again where the chain is tried."""


Told = tuple[tuple[int, float, Amounts], ...]  # a chain by line, position and amounts


class Each(Protocol):
    """Like `map`; where `both`, two at a time in the time of one."""

    @property
    def both(self) -> bool: ...

    def __call__(
        self, function: Callable[[Told], Look | Failed | None], chains: Sequence[Told], /
    ) -> Iterable[Look | Failed | None]: ...


@dataclass(frozen=True, slots=True)
class OneByOne:
    """`Each` without anyone to share with."""

    both: bool = False

    def __call__(
        self, function: Callable[[Told], Look | Failed | None], chains: Sequence[Told], /
    ) -> Iterable[Look | Failed | None]:
        return map(function, chains)


def _in_order(moves: Iterable[Move]) -> Chain:
    return tuple(sorted(moves, key=lambda move: (move.family.place, move.line)))


def _key(chain: Chain) -> Key:
    return tuple(move.key for move in chain)


def _told(gain: float) -> float:
    """A linear output gain; 1 where it is too small to be told."""
    return gain if abs(20.0 * np.log10(gain)) >= LEAST_OUTPUT_DB else 1.0


def _plus(level_db: float | None, gain_db: float) -> float | None:
    return None if level_db is None else level_db + gain_db


class Bench:
    """What can be tried on one drum, and what has been."""

    def __init__(
        self, *, samples: Samples, rate_hz: int, direction: Direction, families: tuple[Treatment, ...],
        measure: Callable[[Samples], DrumFigures], true_peak: Callable[[Samples, int], float],
        layers: Mapping[str, Samples], kind: Kind, role: Role | None, goals: Goals, before: DrumFigures | None,
        most: int, turned: Turned | None = None, own_lines: Mapping[str, Sequence[Sequence[Amounts]]] = NO_LINES,
        each: Each | None = None,
    ) -> None:  # fmt: skip
        self.samples, self.rate_hz, self.direction, self.families = samples, rate_hz, direction, families
        self.measure, self.true_peak, self.layers = measure, true_peak, layers
        self.kind, self.role, self.goals, self.most = kind, role, goals, most
        self.turned, self.own_lines, self.each = turned, own_lines, each or OneByOne()
        self.evaluations = 0 if before is not None else 1
        self.peak = true_peak(samples, rate_hz)
        self.before = before if before is not None else self._measured(samples, self.peak)
        self.trials: list[Trial] = []
        self.unchanged: set[str] = set()  # families that left the sound as it is
        self.seen: dict[Key, Trial | None] = {}
        self.looked: dict[Key, Look | None] = {}  # ahead, not tried yet
        self.kept: dict[Key, Samples] = {}
        self.lines = self._lines()

    # what can be tried

    def _lines(self) -> list[tuple[Move, ...]]:
        sides: tuple[Direction, ...] = ("fuller", "leaner") if self.direction == "as it is" else (self.direction,)
        lines: list[tuple[Move, ...]] = []
        for family in self.families:
            if self.kind == "loop" and not family.suits_loops:
                continue
            for side in sides:
                if side not in family.directions:
                    continue
                offered = family.ladders(
                    self.role, self.rate_hz, direction=side, kind=self.kind, layers=tuple(self.layers)[:MOST_LAYERS]
                )
                own = self.own_lines.get(family.name, ()) if side == self.direction else ()
                for line in (*own, *offered):
                    shown = line[: -(-len(line) // 2)] if self.direction == "as it is" else line  # only gentle ones
                    last = max(1, len(line) - 1)
                    lines.append(
                        tuple(Move(family, len(lines), i / last, amounts, side) for i, amounts in enumerate(shown))
                    )
        return [line for line in lines if line]

    @property
    def pointless(self) -> bool:
        """A leaner plan for a drum that takes nothing away, or a search for a silent drum."""
        return self.peak <= 0.0 or (self.direction == "leaner" and self.before.overlap < self.goals.least)

    # rendering and measuring

    def _settled(self, move: Move) -> Amounts:
        layer = self.layers.get(str(move.amounts.get("file")))
        return move.family.settle(self.samples, self.rate_hz, move.amounts, layer=layer)

    def _played(self, moves: Chain) -> Samples:
        """The chain before its level is matched; beginnings of chains are kept."""
        if not moves:
            return self.samples
        key = _key(moves)
        if key in self.kept:
            return self.kept[key]
        amounts = self._settled(moves[-1])
        layer = self.layers.get(str(amounts.get("file")))
        result = moves[-1].family.play(self._played(moves[:-1]), self.rate_hz, amounts, kind=self.kind, layer=layer)
        if len(self.kept) >= KEPT:
            del self.kept[next(iter(self.kept))]
        self.kept[key] = result
        return result

    def _measured(self, samples: Samples, peak: float) -> DrumFigures:
        """Figures of a sound whose true peak is known; a measure that leaves that out saves the looking."""
        figures = self.measure(samples)
        if figures.true_peak_dbtp is not None or peak <= 0.0:
            return figures
        return replace(figures, true_peak_dbtp=float(20.0 * np.log10(peak)))

    def output(self, peak: float, side: Direction) -> float:
        """Linear gain that brings a true peak to the untreated one; a leaner chain is only turned down."""
        if peak <= 0.0 or (peak <= self.peak and side != "fuller"):
            return 1.0
        return _told(self.peak / peak)

    def _made_up(self, rendered: Samples, figures: DrumFigures, peak: float) -> tuple[float, DrumFigures]:
        """A leaner drum turned back up to the loudness it had, as far as its true peak allows: gain and figures.

        What only turns a drum down would look leaner otherwise.
        """
        if self.turned is None or figures.integrated_lufs is None or self.before.integrated_lufs is None:
            return 1.0, figures
        spare_db = 20.0 * np.log10(self.peak / peak) if peak > 0.0 else 0.0
        gain = _told(10.0 ** (min(self.before.integrated_lufs - figures.integrated_lufs, spare_db) / 20.0))
        if gain <= 1.0:
            return 1.0, figures
        gain_db = float(20.0 * np.log10(gain))
        up = self.turned(rendered, gain_db)
        return gain, replace(
            up, integrated_lufs=figures.integrated_lufs + gain_db,
            sample_peak_dbfs=_plus(figures.sample_peak_dbfs, gain_db),
            true_peak_dbtp=_plus(figures.true_peak_dbtp, gain_db),
        )  # fmt: skip

    def render(self, found: Trial) -> Samples:
        """A measured chain as sound, at its output level."""
        played = self._played(found.moves)
        result: Samples = played * played.dtype.type(found.output)
        return result

    def trial(
        self, moves: Iterable[Move], *, below: float = np.inf, coming: Iterable[Iterable[Move]] = ()
    ) -> Trial | None:
        """Render and measure a chain; None where it changes nothing, costs `below` or more, or the bound is reached.

        `coming`: chains that are likely to be tried next, the likeliest first.
        """
        chain = _in_order(moves)
        key = _key(chain)
        if key in self.seen:
            return self.seen[key]
        cost = sum(move.cost for move in chain)
        if cost >= below or self.evaluations >= self.most:
            return None
        if self.each.both and key not in self.looked:
            self._look_at_two(chain, coming, below=below)
        look = self.looked.pop(key) if key in self.looked else self._look(chain)
        if look is None:
            if len(chain) == 1:
                self.unchanged.add(chain[0].family.name)
            self.seen[key] = None
            return None
        self.evaluations += 1
        found = Trial(
            chain, look.figures, look.verdict, cost + self.goals.harm * look.verdict.harm, look.even, look.output
        )
        self.trials.append(found)
        self.seen[key] = found
        return found

    def look_ahead(self, chains: Iterable[Iterable[Move]]) -> None:
        """Look at chains that will be tried, or probably will, before their turn: two at a time where that can be."""
        ordered = [_in_order(moves) for moves in chains][: max(0, self.most - self.evaluations)]
        told = [tuple((move.line, move.position, move.amounts) for move in chain) for chain in ordered]
        for chain, look in zip(ordered, self.each(self._look_told, told), strict=True):
            if not isinstance(look, Failed):
                self.looked[_key(chain)] = look

    def _look_at_two(self, chain: Chain, coming: Iterable[Iterable[Move]], *, below: float) -> None:
        """Look at a chain and, in the same time, at the first of those that are likely to be tried after it."""
        done = {_key(chain), *self.seen, *self.looked}
        likely = (moves for moves in map(_in_order, coming) if _key(moves) not in done)
        other = next((moves for moves in likely if sum(move.cost for move in moves) < below), None)
        if other is not None:
            self.look_ahead([chain, other])

    def _look_told(self, told: Told) -> Look | Failed | None:
        chain = tuple(
            Move(self.lines[line][0].family, line, position, amounts, self.lines[line][0].side)
            for line, position, amounts in told
        )
        try:
            return self._look(chain)
        except Exception:  # it may be one that is never tried
            return Failed()

    def _look(self, chain: Chain) -> Look | None:
        """Render and measure a chain, whatever else has been tried; None where it changes nothing."""
        played, side = self._played(chain), chain[0].side
        peak = self.true_peak(played, self.rate_hz)
        output = self.output(peak, side)
        rendered: Samples = played * played.dtype.type(output)
        if rendered.shape == self.samples.shape:
            difference = rendered - self.samples
            if max(difference.max(initial=0.0), -difference.min(initial=0.0)) <= 1e-7 * self.peak:
                return None
        figures = heard = self._measured(rendered, peak * output)
        if side == "leaner":
            made_up, figures = self._made_up(rendered, figures, peak * output)
            output *= made_up
        even = self._even(rendered, heard) if gain(self.before, figures, side, self.goals) > PROMISING else None
        verdict = judge(self.before, figures, side, self.goals, strict=self.direction == "as it is", even=even)
        return Look(figures, even, verdict, output)

    def _even(self, rendered: Samples, figures: DrumFigures) -> DrumFigures | None:
        """The figures of a sound, whose own are known, at the untreated drum's loudness, where both have one."""
        if self.turned is None or figures.integrated_lufs is None or self.before.integrated_lufs is None:
            return None
        return self.turned(rendered, self.before.integrated_lufs - figures.integrated_lufs)
