"""The search behind a plan: single treatments along their lines, then chains, then each step as gentle as can be.

See `dossier.decide.plan` for how it goes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from dossier.decide.plan.trials import Chain, ChainKey, Move, Trial, Trials

MOST_STEPS = 3
MOST_SINGLES = 60  # per cent of the measurements; the rest is left for chains
MOST_PAIRS, MOST_TRIPLES, MOST_EXTENDED = 12, 10, 4
MOST_AFTER_FIRST = 6  # singles beyond one a line, for a drum that should stay as it is


class Bisection:
    """The place on a line that is worth measuring next."""

    def __init__(self, line: Chain) -> None:
        self.line, self.low, self.high = line, -1, len(line)

    @property
    def middle(self) -> int:
        return (self.low + self.high) // 2

    @property
    def next(self) -> Move | None:
        return self.line[self.middle] if self.high - self.low > 1 else None


class Search:
    """One search: its trials, and the order in which they are made."""

    def __init__(self, trials: Trials) -> None:
        self.trials, self.policy = trials, trials.policy

    def run(self) -> list[Trial]:
        """Search, and return the chains that meet the goal, the cheapest first (ties in the order of the trials)."""
        if not self.trials.pointless:
            self._singles()
            if self.trials.direction != "as it is":
                self._half_steps()
                self._chains(2, MOST_PAIRS)
                self._chains(3, MOST_TRIPLES)
                self._gentler()
        return sorted((trial for trial in self.trials.done if trial.verdict.met), key=lambda trial: trial.cost)

    def _met(self) -> Trial | None:
        """The cheapest chain that meets the goal (the first of equals)."""
        met = (trial for trial in self.trials.done if trial.verdict.met)
        return min(met, key=lambda trial: trial.cost, default=None)

    def _cost_to_beat(self) -> float:
        met = self._met()
        return met.cost if met is not None else np.inf

    def _singles(self) -> None:
        """The middle of every line, then the promising lines further."""
        trials = self.trials
        started: list[tuple[float, Bisection]] = []
        for line in map(Bisection, trials.lines):
            found = None
            while found is None and line.next is not None and trials.evaluations < trials.most:
                found = self._advance(line)
            started.append((found.verdict.gain if found else 0.0, line))
        limit = max(len(started), trials.most * MOST_SINGLES // 100)
        if trials.direction == "as it is":
            limit = len(started) + MOST_AFTER_FIRST
        for _, line in sorted(started, key=lambda entry: -entry[0]):
            while line.next is not None and trials.evaluations < limit:
                self._advance(line, below=self._cost_to_beat())

    def _advance(self, line: Bisection, *, below: float = np.inf) -> Trial | None:
        """Measure the next place of a line."""
        move = line.next
        assert move is not None
        found = self.trials.try_chain((move,), below=below)
        if found is None and self.trials.leaves_as_it_is(move):
            line.low = line.middle  # stronger
        elif found is None or found.verdict.met or found.verdict.broken:  # None: too dear to be measured
            line.high = line.middle  # gentler
        else:  # stronger where it helps, else no further
            line.low = line.middle if found.verdict.gain > 0.0 else line.high
        return found

    def _half_steps(self) -> None:
        """Between the strongest amounts that miss the goal and the gentlest that meet it."""
        best = self._met()
        if best is None or len(best.moves) != 1 or best.moves[0].position <= 0.0:
            return
        high = best.moves[0]
        low = self._gentler_moves(high)[-1]
        for _ in range(2):
            amounts = high.family.between(low.amounts, high.amounts)
            if amounts is None:
                return
            position = 0.5 * (low.position + high.position)
            middle = self.trials.move(high.family, high.line, position, amounts, high.side)
            found = self.trials.try_chain((middle,), below=self._cost_to_beat())
            if found is not None and found.verdict.met:
                high = middle
            else:
                low = middle

    def _gentler_moves(self, move: Move) -> list[Move]:
        return [other for other in self.trials.lines[move.line] if other.position < move.position]

    def _chains(self, length: int, most: int) -> None:
        """Chains of `length`, made of measured singles (or of the best pairs and a single)."""
        trials = self.trials
        promising = [trial for trial in trials.done if trial.verdict.gain > 0.0 and not trial.verdict.broken]
        singles = [trial for trial in promising if len(trial.moves) == 1]
        if length == 2:
            pool = list(combinations(singles, 2))
        else:
            pairs = [trial for trial in promising if len(trial.moves) == 2]
            pairs.sort(key=lambda trial: -trial.verdict.gain)
            pool = [(pair, single) for pair in pairs[:MOST_EXTENDED] for single in singles]
        waiting: dict[ChainKey, tuple[tuple[bool, float], Chain]] = {}
        for parts in pool:
            moves = tuple(move for part in parts for move in part.moves)
            if len({move.line for move in moves}) == length:
                key = tuple(sorted(move.key for move in moves))
                waiting.setdefault(key, (self._promise(parts, moves), moves))
        first = trials.evaluations
        for _, moves in sorted(waiting.values(), key=lambda entry: (entry[0], [move.key for move in entry[1]])):
            if trials.evaluations - first >= most or trials.evaluations >= trials.most:
                return
            trials.try_chain(moves, below=self._cost_to_beat())

    def _promise(self, parts: Sequence[Trial], moves: Chain) -> tuple[bool, float]:
        """Order of a chain before it is rendered: what may meet the goal by cost, then by gain, as if gains added."""
        side = moves[0].side
        added = sum(part.verdict.gain for part in parts)
        room = sum(part.figures.room_filled - self.trials.before.room_filled for part in parts)
        enough = side == "leaner" or room >= self.policy["plan_least"]
        if enough and added >= self.policy[f"plan_{side}_goal"]:
            return False, sum(move.cost for move in moves)
        return True, -added

    def _gentler(self) -> None:
        """The best chain with each of its steps a step gentler, the dearest first, as long as the goal holds."""
        for _ in range(MOST_STEPS):
            best = self._met()
            if best is None or len(best.moves) < 2:
                return
            for index in sorted(range(len(best.moves)), key=lambda i: -best.moves[i].cost):
                gentler = self._gentler_moves(best.moves[index])
                if gentler:
                    moves = (*best.moves[:index], gentler[-1], *best.moves[index + 1 :])
                    self.trials.try_chain(moves, below=best.cost)
            if self._met() is best:
                return
