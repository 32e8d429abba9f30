"""The search behind a plan: single treatments along their lines, then chains, then each step as gentle as can be.

See `dossier.decide.plan` for how it goes; this is its working state.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from itertools import combinations

import numpy as np

from dossier.decide.plan import text
from dossier.decide.plan.moves import Amounts, Move, Trial
from dossier.decide.plan.trials import PROMISING, Bench
from dossier.model.findings import Step, Tried

LONGEST_CHAIN = 3
SINGLES_SHARE = 0.6  # of the evaluations, before chains are looked at
PAIRS, TRIPLES, BEAM = 12, 10, 4
PER_COST = 0.04  # what a unit of cost must bring in gain where the goal is out of reach
FEW = 6

_Probe = Generator[Move, "Trial | None", None]


def _sent(probe: _Probe, found: Trial | None) -> Move | None:
    """What a probe asks for next; None where it has ended."""
    try:
        return probe.send(found)
    except StopIteration:
        return None


class Search(Bench):
    """The state of one search."""

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
        return max(near, key=self._worth, default=None)

    def _worth(self, trial: Trial) -> float:
        """What a chain that misses the goal is worth: what it gains up to the goal, some of it at equal loudness."""
        goals, verdict = self.goals, trial.verdict
        left = goals.even if verdict.even is None else min(max(verdict.even, 0.0), goals.even)
        return min(verdict.gain, goals.gain) + left * goals.gain / max(goals.even, 1e-9) - PER_COST * trial.cost

    def _met(self) -> Trial | None:
        """The cheapest chain that meets the goal (the first of equals)."""
        return min((trial for trial in self.trials if trial.verdict.met), key=lambda trial: trial.cost, default=None)

    def _ceiling(self) -> float:
        met = self._met()
        return met.cost if met is not None else np.inf

    def _singles(self) -> None:
        started: list[tuple[float, int, _Probe, Trial | None]] = []
        probes = [(probe, next(probe)) for probe in map(self._along, self.lines)]
        self.look_ahead([(move,) for _, move in probes])
        for number, (probe, move) in enumerate(probes):
            found = self._advance(probe, move)
            started.append((found.verdict.gain if found else 0.0, number, probe, found))
        limit = max(len(self.lines), round(SINGLES_SHARE * self.most))
        if self.direction == "as it is":
            limit = len(self.lines) + FEW  # a drum that should stay as it is is not worth a long search
        ordered = sorted(started, key=lambda entry: (-entry[0], entry[1]))
        nexts = [(probe, _sent(probe, found)) for _, _, probe, found in ordered]
        for number, (probe, first) in enumerate(nexts, 1):
            wanted, coming = first, [(later,) for _, later in nexts[number:] if later is not None]
            while wanted is not None and self.evaluations < limit:
                found = self.trial((wanted,), below=self._ceiling(), coming=coming)
                wanted = _sent(probe, found)

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
        ordered = [
            moves for _, moves in sorted(waiting.values(), key=lambda entry: (entry[0], [m.key for m in entry[1]]))
        ]
        for number, moves in enumerate(ordered, 1):
            if done >= most or self.evaluations >= self.most:
                return
            had = self.evaluations
            self.trial(moves, below=self._ceiling(), coming=ordered[number:] if done + 1 < most else ())
            done += self.evaluations - had

    def _promise(self, parts: Sequence[Trial], moves: Sequence[Move]) -> tuple[bool, float]:
        """Order of a chain before it is rendered: gains add (fuller) or what remains multiplies (leaner)."""
        if self.direction == "fuller":
            added = sum(part.verdict.gain for part in parts)
        else:
            added = 1.0 - float(np.prod([1.0 - part.verdict.gain for part in parts]))
        share = float(np.prod([part.figures.audible_share / max(self.before.audible_share, 1e-9) for part in parts]))
        holds = share >= (1.0 if self.direction == "fuller" else 1.0 - self.goals.share_loss)
        lefts = [part.verdict.even for part in parts if part.verdict.even is not None]
        dense = not lefts or sum(lefts) >= self.goals.even
        cost = sum(move.cost for move in moves)
        promising = added >= self.goals.gain and holds and dense
        return (not promising, cost if promising else -added + (0.0 if holds else 1.0) + (0.0 if dense else 0.5))

    def _gentler(self) -> None:
        """The best chain with each of its steps one rung down, or half a rung, as long as the goal holds."""
        for _ in range(LONGEST_CHAIN):
            best = self._met()
            if best is None or len(best.moves) < 2:
                return
            changed = []
            for index in sorted(range(len(best.moves)), key=lambda i: -best.moves[i].cost):
                move = best.moves[index]
                below = [other for other in self.lines[move.line] if other.position < move.position]
                if below:
                    changed.append((*best.moves[:index], below[-1], *best.moves[index + 1 :]))
            for number, moves in enumerate(changed, 1):
                self.trial(moves, below=best.cost, coming=changed[number:])
            if self._met() is best:
                return

    # words

    def name(self, move: Move) -> str:
        return move.family.label(self._settled(move))

    def steps(self, found: Trial) -> tuple[Step, ...]:
        """The chain's steps, and the output level where it is not 0 dB."""
        steps = [
            Step(treatment=move.family.name, label=self.name(move), amounts=dict(self._settled(move)))
            for move in found.moves
        ]
        level = next((family for family in self.families if not family.directions), None)
        if level is not None and found.output != 1.0:
            amounts: Amounts = {"gain_db": float(20.0 * np.log10(found.output))}
            steps.append(Step(treatment=level.name, label=level.label(amounts), amounts=dict(amounts)))
        return tuple(steps)

    def reason(self, best: Trial | None) -> str:
        if self.peak <= 0.0:
            return text.SILENT
        if self.pointless:
            return text.nothing_to_take(self.before)
        return text.reason(
            self.before, best, self.trials, direction=self.direction, goals=self.goals, name=self.name,
            evaluations=self.evaluations,
        )  # fmt: skip

    def tried(self, best: Trial | None) -> tuple[Tried, ...]:
        """Of every family that could serve the direction and is not in the plan: why."""
        if self.pointless:
            return ()
        used = {move.family.name for move in best.moves} if best else set()
        return tuple(
            text.tried(
                family, [t for t in self.trials if len(t.moves) == 1 and t.moves[0].family is family], best,
                before=self.before, goals=self.goals, name=self.name, loop=self.kind == "loop",
                offered=any(line[0].family is family for line in self.lines),
                unchanged=family.name in self.unchanged, most=self.most,
            )
            for family in self.families
            if family.name not in used and family.directions
            and (self.direction == "as it is" or self.direction in family.directions)
        )  # fmt: skip
