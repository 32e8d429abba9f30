"""The trials of a search: what can be tried on one drum, rendered at a fair level and measured, each chain once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from dossier.decide.plan.goals import Verdict, gain, judge
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


@dataclass(frozen=True, slots=True, eq=False)
class Move:
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


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """A chain that was rendered and measured."""

    moves: Chain
    figures: DrumFigures
    verdict: Verdict
    cost: float
    output_gain: float  # linear, after the chain


class Trials:
    """What can be tried on one drum, and what has been; see `dossier.decide.plan.search` for the arguments."""

    def __init__(
        self, *, samples: Samples, rate_hz: int, role: Role | None, direction: Direction,
        families: Sequence[Treatment], measure: Callable[[Samples], DrumFigures],
        measure_at_gain: Callable[[Samples, float], DrumFigures] | None, true_peak: Callable[[Samples], float],
        policy: Mapping[str, float], layers: Mapping[str, Samples],
        own_lines: AmountLines, most: int,
    ) -> None:  # fmt: skip
        self.samples, self.rate_hz, self.role, self.direction = samples, rate_hz, role, direction
        self.kind: Kind = "loop" if role is None else "one-shot"
        self.families, self.layers, self.own_lines = families, layers, own_lines
        self.measure, self.measure_at_gain, self.true_peak = measure, measure_at_gain, true_peak
        self.policy, self.most = policy, most
        self.peak = true_peak(samples)
        self.before = self._measured(samples, self.peak)
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
                if side not in family.directions or (self.kind == "loop" and not family.suits_loops):
                    continue
                offered = family.amount_lines(
                    role=self.role, rate_hz=self.rate_hz, direction=side, kind=self.kind,
                    layers=tuple(self.layers)[:MOST_LAYERS],
                )  # fmt: skip
                own = self.own_lines.get(family.name, ()) if side == self.direction else ()
                for line in (*own, *offered):
                    shown = line[: -(-len(line) // 2)] if self.direction == "as it is" else line  # only gentle ones
                    last = max(1, len(line) - 1)
                    lines.append(
                        tuple(self.move(family, len(lines), i / last, amounts, side) for i, amounts in enumerate(shown))
                    )
        return [line for line in lines if line]

    def move(self, family: Treatment, line: int, position: float, amounts: Amounts, side: Direction) -> Move:
        """A move at its cost: a third of the family's effort for being there at all, the rest with its strength."""
        effort = self.policy[f"plan_effort_{family.name.lower().replace(' ', '_')}"]
        return Move(family, line, position, amounts, side, cost=effort * (1.0 + 2.0 * position) / 3.0)

    def leaves_as_it_is(self, move: Move) -> bool:
        """Whether the move was tried on its own and changed nothing."""
        return self._seen.get((move.key,), self) is None

    @property
    def pointless(self) -> bool:
        """A leaner plan for a drum that takes nothing away, or a search for a silent drum."""
        takes_nothing = self.direction == "leaner" and self.before.overlap < self.policy["plan_least_share"]
        return self.peak <= 0.0 or takes_nothing

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

    def render(self, found: Trial) -> Samples:
        """A measured chain as sound, at its output level."""
        played = self._chain_played(found.moves)
        result: Samples = played * played.dtype.type(found.output_gain)
        return result

    def _trial(self, chain: Chain, cost: float) -> Trial | None:
        played, side = self._chain_played(chain), chain[0].side
        peak = self.true_peak(played)
        # Headroom is what a mix has to give, so sounds are compared at equal true peak; a leaner one only turned down.
        output = self._told(self.peak / peak) if peak > self.peak or (side == "fuller" and peak > 0.0) else 1.0
        rendered: Samples = played * played.dtype.type(output)
        if rendered.shape == self.samples.shape:
            difference = rendered - self.samples
            if max(difference.max(initial=0.0), -difference.min(initial=0.0)) <= UNCHANGED_TOLERANCE * self.peak:
                return None
        figures = as_rendered = self._measured(rendered, peak * output)
        if side == "leaner":
            louder, figures = self._loudness_restored(rendered, figures, peak * output)
            output *= louder
        promising = gain(self.before, figures, side, self.policy) > self.policy["plan_promising"]
        verdict = judge(
            self.before, figures, side, self.policy,
            strict=self.direction == "as it is", matched=self._matched(rendered, as_rendered) if promising else None,
        )  # fmt: skip
        return Trial(chain, figures, verdict, cost + self.policy["plan_harm"] * verdict.harm, output)

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

    def _measured(self, samples: Samples, peak: float) -> DrumFigures:
        """Figures of a sound whose true peak is known, so that the measure need not look for it."""
        figures = self.measure(samples)
        if figures.true_peak_dbtp is not None or peak <= 0.0:
            return figures
        return replace(figures, true_peak_dbtp=float(20.0 * np.log10(peak)))

    def _told(self, output: float) -> float:
        """A linear output gain; 1 where it is too small to be shown."""
        return output if abs(20.0 * np.log10(output)) >= self.policy["plan_output_told_db"] else 1.0

    def _loudness_restored(self, rendered: Samples, figures: DrumFigures, peak: float) -> tuple[float, DrumFigures]:
        """A leaner drum turned back up to the loudness it had, as far as its true peak allows: gain and figures.

        What only turns a drum down would look leaner otherwise.
        """
        if self.measure_at_gain is None or figures.integrated_lufs is None or self.before.integrated_lufs is None:
            return 1.0, figures
        spare_db = 20.0 * np.log10(self.peak / peak) if peak > 0.0 else 0.0
        louder = self._told(10.0 ** (min(self.before.integrated_lufs - figures.integrated_lufs, spare_db) / 20.0))
        if louder <= 1.0:
            return 1.0, figures
        gain_db = float(20.0 * np.log10(louder))
        sample_peak, true_peak = figures.sample_peak_dbfs, figures.true_peak_dbtp
        return louder, replace(
            self.measure_at_gain(rendered, gain_db), integrated_lufs=figures.integrated_lufs + gain_db,
            sample_peak_dbfs=None if sample_peak is None else sample_peak + gain_db,
            true_peak_dbtp=None if true_peak is None else true_peak + gain_db,
        )  # fmt: skip

    def _matched(self, rendered: Samples, figures: DrumFigures) -> DrumFigures | None:
        """The figures of a sound, whose own are known, at the untreated drum's loudness, where both have one."""
        if self.measure_at_gain is None or figures.integrated_lufs is None or self.before.integrated_lufs is None:
            return None
        return self.measure_at_gain(rendered, self.before.integrated_lufs - figures.integrated_lufs)

    # words

    def name(self, move: Move) -> str:
        """The move in trade words, with the amounts that depend on the sound filled in."""
        return move.family.label(self._resolved(move))

    def steps(self, found: Trial) -> tuple[Step, ...]:
        """The chain's steps, and the output level where it is not 0 dB."""
        steps = [Step(move.family.name, self.name(move), dict(self._resolved(move))) for move in found.moves]
        level = next((family for family in self.families if not family.directions), None)
        if level is not None and found.output_gain != 1.0:
            amounts: Amounts = {"gain_db": float(20.0 * np.log10(found.output_gain))}
            steps.append(Step(level.name, level.label(amounts), dict(amounts)))
        return tuple(steps)
