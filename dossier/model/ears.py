"""What ears decide: pairs of sounds that the page lets compare blind, and the rounds that listeners send back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

Task = Literal["preference", "discrimination"]
TASKS: tuple[Task, ...] = ("preference", "discrimination")
LETTERS = ("A", "B")
SAME = "no difference"
FEWEST_ROUNDS = 4  # all alike, a coin does it in one of eight (two-sided): fewer rounds tell nothing
MOST_ROUNDS = 16  # common practice, no source: ears tire
FEWEST_VOTES = 5  # below, a share of listeners says nothing: its interval spans more than half of the scale


class Side(Struct, frozen=True):
    """One of the two sounds: the page's layers that play, at gains that make both sides equally loud."""

    id: str  # in words: "drums treated", "the loop"
    gains_db: Mapping[str, float]  # Preview.id -> dB
    drums_db: float = 0.0  # of its drums against the advised level


class Comparison(Struct, frozen=True):
    id: str  # "treatment" | "choice" | "louder" | "softer"
    sides: tuple[Side, Side]
    advised: str  # Side.id, "" where the advice holds both to be as good
    sounds: Mapping[str, str]  # Preview.id -> SHA-256 of its file, as the page holds it


class Round(Struct, frozen=True):
    a: str  # Side.id that stood under A
    said: str  # "A" | "B" | "no difference"; of a discrimination run which of the two X is
    x: str = ""  # of a discrimination run: the letter that X was


class BlindRun(Struct, frozen=True):
    """Rounds in the order in which they were heard; fewer than planned where the listener stopped."""

    comparison: str
    task: str
    made: str  # ISO 8601, UTC
    planned: int
    rounds: tuple[Round, ...]
    sounds: Mapping[str, str]


class RunTold(Struct, frozen=True):
    """One run as it is told."""

    by: str
    revision: str
    identity: str
    comparison: str
    task: str
    sides: tuple[str, str]
    advised: str
    counts: tuple[int, int]  # preferences for each side; of a discrimination run right and wrong answers
    same: int  # rounds without a difference
    planned: int
    drums_db: tuple[float, float]  # of each side, against the advised level
    coin: float | None  # how often a coin would do this, 0-1; None: stopped early, or nothing but 'no difference'

    @property
    def rounds(self) -> int:
        return sum(self.counts) + self.same


class Vote(Struct, frozen=True):
    """What one listener prefers in one comparison, over all of their whole runs."""

    by: str
    revision: str
    preferred: str
    over: str
    advised: str
    identity: str = ""
    drums_db: float | None = None  # of the preferred side, against the advised level; None: the pair is of no levels


class Agreement(Struct, frozen=True):
    """How often listeners preferred what was advised, of those who preferred one and were advised one."""

    agreed: int
    of: int
    low: float  # 95 % interval, 0-1
    high: float
