"""Output level: the gain after a chain, written down so that it can be set by hand.

Conventions
    Not a treatment: a search never tries it.  It comes last in a chain and records the gain that made the comparison
    fair, at the true peak (or the loudness) of the untreated sound.
"""

from __future__ import annotations

from dossier.model.measures import Samples
from dossier.model.numbers import signed
from dossier.treat.families import Family
from dossier.treat.samples import checked, like


def turn(samples: Samples, rate_hz: int, *, gain_db: float) -> Samples:
    """Turn a sound, `(frames, channels)`, up or down by -60 to +60 dB."""
    return like(checked(samples, rate_hz) * 10.0 ** (gain_db / 20.0), samples)


FAMILY = Family(
    name="output level", directions=(), amount_lines=lambda **_: (), apply=turn,
    words=lambda gain_db: f"output {signed(gain_db)} dB", sheet=(("output gain", "gain_db", "dB"),),
)  # fmt: skip
