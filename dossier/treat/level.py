"""Output level: the gain after a chain, written down so that it can be set by hand.

Conventions
    Not a treatment: a search never tries it.  It comes last in a chain and records the gain that made the comparison
    fair, at the true peak (or the loudness) of the untreated sound.
"""

from __future__ import annotations

from dossier.model.measures import Samples
from dossier.model.numbers import signed
from dossier.treat.families import AmountLine, Amounts, Family, SheetRow, number
from dossier.treat.samples import checked, like


def turn(samples: Samples, rate_hz: int, *, gain_db: float) -> Samples:
    """Turn a sound up or down.

    Parameters
    ----------
    samples : (frames, channels)
    gain_db : -60 to +60 dB

    Returns
    -------
    (frames, channels), same length.
    """
    return like(checked(samples, rate_hz) * 10.0 ** (gain_db / 20.0), samples)


def _amount_lines(**_: object) -> tuple[AmountLine, ...]:
    return ()


def _label(amounts: Amounts) -> str:
    return f"output {signed(number(amounts, 'gain_db'))} dB"


def _settings(amounts: Amounts) -> list[SheetRow]:
    return [("output gain", number(amounts, "gain_db"), "dB")]


FAMILY = Family(
    name="output level", directions=(), amount_lines=_amount_lines, apply=turn, label=_label, settings=_settings,
)  # fmt: skip
