"""Width: more or less of what differs between the channels.

Conventions
    mid = (L + R)/2, side = (L - R)/2; L' = mid + g side, R' = mid - g side.  The mono sum is untouched; a mono sound,
    or one with the same in both channels, comes back unchanged.  At -60 dB or less the side is taken away altogether.
"""

from __future__ import annotations

import numpy as np

from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction
from dossier.treat.families import AmountLine, Family, in_db
from dossier.treat.samples import checked, like

NONE_DB = -60.0


def widen(samples: Samples, rate_hz: int, *, side_db: float) -> Samples:
    """Scale the side of `(frames, channels)` by -60 (mono) to +12 dB; bit-exact where there is no side."""
    work = checked(samples, rate_hz)
    if work.shape[1] == 1 or side_db == 0.0 or np.array_equal(work[:, 0], work[:, 1]):
        return like(work, samples)
    gain = 0.0 if side_db <= NONE_DB else 10.0 ** (side_db / 20.0)
    mid = 0.5 * (work[:, 0] + work[:, 1])
    side = (0.5 * gain) * (work[:, 0] - work[:, 1])
    return like(np.stack((mid + side, mid - side), axis=1), samples)


def _amount_lines(*, direction: Direction, **_: object) -> tuple[AmountLine, ...]:
    gains = (2.0, 4.0, 6.0) if direction == "fuller" else (-3.0, -6.0, -12.0, NONE_DB)
    return (tuple({"side_db": gain} for gain in gains),)


def _words(*, side_db: float) -> str:
    return "narrowed to mono" if side_db <= NONE_DB else (
        f"{'widened' if side_db > 0 else 'narrowed'}, side {in_db(side_db)}"
    )  # fmt: skip


FAMILY = Family(
    name="width", directions=("leaner", "fuller"), amount_lines=_amount_lines, apply=widen, words=_words,
    sheet=(("side gain", "side_db", "dB"),), nothing_to_do="has the same in both channels: no side to change",
)  # fmt: skip
