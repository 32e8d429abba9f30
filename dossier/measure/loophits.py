"""The hits of a loop: when, how loud, and which drum.

Conventions
    Times in seconds from the start of the file; levels in dB relative to the loop's loudest hit: the largest mean power
    of 10 ms within 60 ms of the onset.

Method
    Each hit is cut out from its onset to the next one, at most 250 ms, and told apart by `dossier.measure.hits` like a
    one-shot.
"""

from __future__ import annotations

import numpy as np

from dossier.measure import hits
from dossier.measure.onsets import Onsets
from dossier.model.measures import Array, LoopHit, Samples

FAINTEST_DB = -40.0  # hits further below the loudest are not told
LONGEST_S = 0.25
_LEAD_S = 0.001
_MOST = 256  # the strongest hits of a very long loop


def hits_of(two: Samples, rate_hz: int, onsets: Onsets) -> tuple[LoopHit, ...]:
    """Hits of a loop in order of time; empty where nothing strikes."""
    chosen = np.sort(np.argsort(-onsets.strengths, kind="stable")[:_MOST])
    times = onsets.times_s[chosen]
    if not len(times):
        return ()
    frame = max(1, round(0.01 * rate_hz))
    starts = np.maximum(0, np.round((times - _LEAD_S) * rate_hz).astype(np.int64))
    ends = np.append(starts[1:], len(two))
    pieces = [two[a : min(b, a + round(LONGEST_S * rate_hz))] for a, b in zip(starts, ends, strict=True)]
    levels = np.array([_level(piece[: round(0.06 * rate_hz)], frame) for piece in pieces])
    levels -= levels.max()
    found = []
    for time, piece, level in zip(times, pieces, levels, strict=True):
        role = hits.measure(piece, rate_hz, kind="one-shot").role if level >= FAINTEST_DB else None
        if role is not None:
            found.append(LoopHit(float(time), role, float(level)))
    return tuple(found)


def _level(piece: Samples, frame: int) -> float:
    power: Array = (piece.astype(np.float64) ** 2).sum(axis=1)
    if not len(power):
        return -200.0
    count = max(1, len(power) // frame)
    means = power[: count * frame].reshape(count, -1).mean(axis=1) if len(power) >= frame else power.mean()
    return 10.0 * float(np.log10(max(float(np.max(means)), 1e-20)))
