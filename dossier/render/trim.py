"""What the page shows of a very large library: the best of each ranking, and every chosen drum.

A library may hold ten thousand candidates; the data file beside the page keeps them all.  A page that a phone must
open shows the first of each ranking and says how many more there are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from msgspec import Struct
from msgspec.structs import replace

from dossier.model.datafile import DossierData
from dossier.model.findings import Candidate

MOST_LOOPS = 40
MOST_OF_A_ROLE = 15
MOST_UNREADABLE = 50


class Trimmed(Struct, frozen=True):
    """The data that the page is drawn from, and how much was left out."""

    data: DossierData
    rankings: Counter[str | None]  # by role; loops under "loop"
    inputs: int

    @property
    def candidates(self) -> int:
        return sum(self.rankings.values())


def by_score(found: Iterable[Candidate]) -> list[Candidate]:
    """Best first, unscored last; equal scores by file name."""
    return sorted(found, key=lambda c: (c.score is None, -(c.score or 0.0), c.file))


def trim(data: DossierData) -> Trimmed:
    """Keep the top of every ranking, in order and unchanged."""
    groups: dict[str | None, list[Candidate]] = {}
    for candidate in by_score(data.candidates):
        groups.setdefault("loop" if candidate.kind == "loop" else candidate.role, []).append(candidate)
    kept: set[str] = set()
    left_out: Counter[str | None] = Counter()
    for name, found in groups.items():
        most = MOST_LOOPS if name == "loop" else MOST_OF_A_ROLE
        shown = found[:most] + [c for c in found[most:] if c.chosen]
        kept.update(c.file for c in shown)
        left_out[name] = len(found) - len(shown)
    unreadable = {f.file for f in [f for f in data.inputs if f.kind == "drum" and not f.used][:MOST_UNREADABLE]}
    inputs = tuple(f for f in data.inputs if f.kind != "drum" or f.file in kept or f.file in unreadable)
    if not any(left_out.values()):
        inputs = data.inputs
    return Trimmed(
        data=replace(data, candidates=tuple(c for c in data.candidates if c.file in kept), inputs=inputs),
        rankings=left_out, inputs=len(data.inputs) - len(inputs),
    )  # fmt: skip
