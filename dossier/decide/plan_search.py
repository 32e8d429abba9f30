"""The search behind a plan: single treatments along their lines, then chains, then each step as gentle as can be.

See `dossier.decide.plan` for how it goes; this is its working state.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from itertools import combinations

import numpy as np

from dossier.decide import plan_words
from dossier.decide.plan_goals import Goals, judge, load
from dossier.decide.plan_parts import Amounts, Move, Treatment, Trial
from dossier.model.findings import DrumFigures, Step, Tried
from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction, Kind, Role

LONGEST_CHAIN = 3
SINGLES_SHARE = 0.6  # of the evaluations, before chains are looked at
PROMISING = 0.02  # a gain below this is no reason to go on along a line
PAIRS, TRIPLES, BEAM = 12, 10, 4
PER_COST = 0.04  # what a unit of cost must bring in gain where the goal is out of reach
MOST_LAYERS = 3
FEW = 6
KEPT = 6  # rendered beginnings of chains kept at hand

_Probe = Generator[Move, "Trial | None", None]


class Search:
    """The state of one search."""

    def __init__(
        self, *, samples: Samples, rate_hz: int, direction: Direction, families: tuple[Treatment, ...],
        measure: Callable[[Samples], DrumFigures], true_peak: Callable[[Samples, int], float],
        layers: Mapping[str, Samples], kind: Kind, role: Role | None, goals: Goals, before: DrumFigures | None,
        most: int,
    ) -> None:  # fmt: skip
        self.samples, self.rate_hz, self.direction, self.families = samples, rate_hz, direction, families
        self.measure, self.true_peak, self.layers = measure, true_peak, layers
        self.kind, self.role, self.goals, self.most = kind, role, goals, most
        self.evaluations = 0 if before is not None else 1
        self.before = before if before is not None else measure(samples)
        self.peak = true_peak(samples, rate_hz)
        self.trials: list[Trial] = []
        self.unchanged: set[str] = set()  # families that left the sound as it is
        self.seen: dict[tuple[tuple[int, float], ...], Trial | None] = {}
        self.kept: dict[tuple[tuple[int, float], ...], Samples] = {}
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
                for line in family.ladders(
                    self.role, self.rate_hz, direction=side, kind=self.kind, layers=tuple(self.layers)[:MOST_LAYERS]
                ):
                    shown = line[: -(-len(line) // 2)] if self.direction == "as it is" else line  # only gentle ones
                    last = max(1, len(line) - 1)
                    lines.append(
                        tuple(Move(family, len(lines), i / last, amounts, side) for i, amounts in enumerate(shown))
                    )
        return [line for line in lines if line]

    @property
    def pointless(self) -> bool:
        """A leaner plan for a drum that takes nothing away, or a search for a silent drum."""
        return self.peak <= 0.0 or (self.direction == "leaner" and load(self.before) < self.goals.least)

    # rendering and measuring

    def _settled(self, move: Move) -> Amounts:
        layer = self.layers.get(str(move.amounts.get("file")))
        return move.family.settle(self.samples, self.rate_hz, move.amounts, layer=layer)

    def _played(self, moves: tuple[Move, ...]) -> Samples:
        """The chain before its level is matched; beginnings of chains are kept."""
        if not moves:
            return self.samples
        key = tuple(move.key for move in moves)
        if key in self.kept:
            return self.kept[key]
        amounts = self._settled(moves[-1])
        layer = self.layers.get(str(amounts.get("file")))
        result = moves[-1].family.play(self._played(moves[:-1]), self.rate_hz, amounts, kind=self.kind, layer=layer)
        if len(self.kept) >= KEPT:
            del self.kept[next(iter(self.kept))]
        self.kept[key] = result
        return result

    def render(self, moves: tuple[Move, ...]) -> Samples:
        """The chain at the untreated true peak."""
        played = self._played(moves)
        peak = self.true_peak(played, self.rate_hz)
        if peak <= 0.0 or (peak <= self.peak and moves[0].side != "fuller"):
            return played
        result: Samples = played * played.dtype.type(self.peak / peak)
        return result

    def trial(self, moves: Iterable[Move], *, below: float = np.inf) -> Trial | None:
        """Render and measure a chain; None where it changes nothing, costs `below` or more, or the bound is reached."""
        chain = tuple(sorted(moves, key=lambda move: (move.family.place, move.line)))
        key = tuple(move.key for move in chain)
        if key in self.seen:
            return self.seen[key]
        cost = sum(move.cost for move in chain)
        if cost >= below or self.evaluations >= self.most:
            return None
        rendered = self.render(chain)
        same = rendered.shape == self.samples.shape
        if same and np.allclose(rendered, self.samples, rtol=0.0, atol=1e-7 * self.peak):
            if len(chain) == 1:
                self.unchanged.add(chain[0].family.name)
            self.seen[key] = None
            return None
        self.evaluations += 1
        figures = self.measure(rendered)
        verdict = judge(self.before, figures, chain[0].side, self.goals, strict=self.direction == "as it is")
        found = Trial(chain, figures, verdict, cost + self.goals.harm * verdict.harm)
        self.trials.append(found)
        self.seen[key] = found
        return found

    # the search

    def best(self) -> Trial | None:
        """Search, and return the chain to offer, or None where nothing helps clearly."""
        if not self.pointless:
            self._singles()
            if self.direction != "as it is":
                self._half_steps()
                for length, most in ((2, PAIRS), (3, TRIPLES)):
                    self._chains(length, most)
                self._gentler()
        met = self._met()
        if met is not None or self.direction == "as it is":
            return met
        near = [trial for trial in self.trials if trial.verdict.held and trial.verdict.gain >= self.goals.clear]
        return max(near, key=lambda trial: trial.verdict.gain - PER_COST * trial.cost, default=None)

    def _met(self) -> Trial | None:
        """The cheapest chain that meets the goal (the first of equals)."""
        return min((trial for trial in self.trials if trial.verdict.met), key=lambda trial: trial.cost, default=None)

    def _ceiling(self) -> float:
        met = self._met()
        return met.cost if met is not None else np.inf

    def _singles(self) -> None:
        started: list[tuple[float, int, _Probe, Trial | None]] = []
        for number, line in enumerate(self.lines):
            probe = self._along(line)
            found = self._advance(probe, next(probe))
            started.append((found.verdict.gain if found else 0.0, number, probe, found))
        limit = max(len(self.lines), round(SINGLES_SHARE * self.most))
        if self.direction == "as it is":
            limit = len(self.lines) + FEW  # a drum that should stay as it is is not worth a long search
        for _, _, probe, found in sorted(started, key=lambda entry: (-entry[0], entry[1])):
            while self.evaluations < limit:
                try:
                    move = probe.send(found)
                except StopIteration:
                    break
                found = self.trial((move,), below=self._ceiling())

    def _advance(self, probe: _Probe, move: Move) -> Trial | None:
        """Measure the first amounts of a line that change the sound at all."""
        found = self.trial((move,))
        while found is None and self.evaluations < self.most:
            try:
                move = probe.send(None)
            except StopIteration:
                return None
            found = self.trial((move,))
        return found

    def _along(self, line: Sequence[Move]) -> _Probe:
        """Bisect a line: yields the next amounts to measure, is sent what came of them."""
        low, high = -1, len(line)
        while high - low > 1:
            middle = (low + high) // 2
            found = yield line[middle]
            if found is None and (line[middle].key,) in self.seen:
                low = middle  # changes nothing: only stronger can
            elif found is None:
                high = middle  # not measured, it costs too much: only gentler can
            elif found.verdict.met or not found.verdict.held:
                high = middle
            elif found.verdict.gain > PROMISING:
                low = middle
            else:
                return

    def _half_steps(self) -> None:
        """Between the strongest amounts that miss the goal and the gentlest that meet it."""
        best = self._met()
        if best is None or len(best.moves) != 1 or best.moves[0].position <= 0.0:
            return
        high = best.moves[0]
        low = max(
            (move for move in self.lines[high.line] if move.position < high.position), key=lambda move: move.position
        )
        for _ in range(2):
            amounts = high.family.between(low.amounts, high.amounts)
            if amounts is None:
                return
            middle = Move(high.family, high.line, 0.5 * (low.position + high.position), amounts, high.side)
            found = self.trial((middle,), below=self._ceiling())
            if found is not None and found.verdict.met:
                high = middle
            else:
                low = middle

    def _chains(self, length: int, most: int) -> None:
        """Chains of `length`, made of measured singles (or of the best pairs and a single)."""
        singles = [t for t in self.trials if len(t.moves) == 1 and t.verdict.gain > PROMISING]
        if length == 2:
            pool = [(a, b) for a, b in combinations(singles, 2)]
        else:
            pairs = [t for t in self.trials if len(t.moves) == 2 and t.verdict.gain > PROMISING]
            pairs = sorted(pairs, key=lambda t: -(t.verdict.gain if t.verdict.held else 0.0))[:BEAM]
            pool = [(pair, single) for pair in pairs for single in singles]
        waiting: dict[tuple[tuple[int, float], ...], tuple[tuple[bool, float], tuple[Move, ...]]] = {}
        for parts in pool:
            moves = tuple(move for part in parts for move in part.moves)
            if len({move.line for move in moves}) < length:
                continue
            key = tuple(sorted(move.key for move in moves))
            waiting.setdefault(key, (self._promise(parts, moves), moves))
        done = 0
        for _, moves in sorted(waiting.values(), key=lambda entry: (entry[0], [m.key for m in entry[1]])):
            if done >= most or self.evaluations >= self.most:
                return
            had = self.evaluations
            self.trial(moves, below=self._ceiling())
            done += self.evaluations - had

    def _promise(self, parts: Sequence[Trial], moves: Sequence[Move]) -> tuple[bool, float]:
        """Order of a chain before it is rendered: gains add (fuller) or what remains multiplies (leaner)."""
        if self.direction == "fuller":
            gain = sum(part.verdict.gain for part in parts)
        else:
            gain = 1.0 - float(np.prod([1.0 - part.verdict.gain for part in parts]))
        share = float(np.prod([part.figures.audible_share / max(self.before.audible_share, 1e-9) for part in parts]))
        holds = share >= (1.0 if self.direction == "fuller" else 1.0 - self.goals.share_loss)
        cost = sum(move.cost for move in moves)
        promising = gain >= self.goals.gain and holds
        return (not promising, cost if promising else -gain + (0.0 if holds else 1.0))

    def _gentler(self) -> None:
        """The best chain with each of its steps one rung down, or half a rung, as long as the goal holds."""
        for _ in range(LONGEST_CHAIN):
            best = self._met()
            if best is None or len(best.moves) < 2:
                return
            for index in sorted(range(len(best.moves)), key=lambda i: -best.moves[i].cost):
                move = best.moves[index]
                below = [other for other in self.lines[move.line] if other.position < move.position]
                if below:
                    changed = (*best.moves[:index], below[-1], *best.moves[index + 1 :])
                    self.trial(changed, below=best.cost)
            if self._met() is best:
                return

    # words

    def name(self, move: Move) -> str:
        return move.family.label(self._settled(move))

    def steps(self, moves: tuple[Move, ...]) -> tuple[Step, ...]:
        return tuple(
            Step(treatment=move.family.name, label=self.name(move), amounts=dict(self._settled(move))) for move in moves
        )

    def reason(self, best: Trial | None) -> str:
        if self.peak <= 0.0:
            return plan_words.SILENT
        if self.pointless:
            return plan_words.nothing_to_take(self.before)
        return plan_words.reason(
            self.before, best, self.trials, direction=self.direction, goals=self.goals, name=self.name,
            evaluations=self.evaluations,
        )  # fmt: skip

    def tried(self, best: Trial | None) -> tuple[Tried, ...]:
        """Of every family that could serve the direction and is not in the plan: why."""
        if self.pointless:
            return ()
        used = {move.family.name for move in best.moves} if best else set()
        return tuple(
            plan_words.tried(
                family, [t for t in self.trials if len(t.moves) == 1 and t.moves[0].family is family], best,
                before=self.before, goals=self.goals, name=self.name, loop=self.kind == "loop",
                offered=any(line[0].family is family for line in self.lines),
                unchanged=family.name in self.unchanged, most=self.most,
            )
            for family in self.families
            if family.name not in used and (self.direction == "as it is" or self.direction in family.directions)
        )  # fmt: skip
