"""EQ: one second-order section, high-pass, low-pass, shelf or bell.

Conventions
    A0 = 10^(gain/40), w0 = 2 pi f0/fs, alpha = sin(w0)/(2Q); shelves take the slope through Q as well.  Minimum phase:
    no delay.  f0 is kept below 0.49 of the sample rate.  A cut is the exact inverse of the same boost (bell and
    shelves).
References
    Audio EQ Cookbook, W3C Working Group Note (R. Bristow-Johnson): the transfer functions of the section
    'Formulae'.  Check: 48 kHz, bell at 1 kHz, +6 dB, Q 1 gives b/a0 = 1.04395309, -1.89532072, 0.86772229.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from dossier.errors import MeasureError
from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import Direction, Role
from dossier.treat.families import AmountLine, Family, in_db, in_hz, rounded
from dossier.treat.samples import checked, like

SHAPES = ("high-pass", "low-pass", "low shelf", "high shelf", "bell")
BUTTERWORTH_Q = math.sqrt(0.5)


def section(shape: str, rate_hz: int, *, hz: float, gain_db: float = 0.0, q: float = BUTTERWORTH_Q) -> Array:
    """Coefficients of one section, `[b0, b1, b2, 1, a1, a2]` (normalised by a0).

    Raises `MeasureError` for an unknown shape, or a frequency or Q that is not above zero.
    """
    if shape not in SHAPES:
        raise MeasureError(f"EQ: shape must be one of {', '.join(SHAPES)}, found {shape!r}")
    if not (hz > 0.0 and q > 0.0):
        raise MeasureError(f"EQ: frequency and Q must be above zero, found {hz} Hz and {q}")
    w0 = 2.0 * math.pi * min(hz, 0.49 * rate_hz) / rate_hz
    cos, alpha = math.cos(w0), math.sin(w0) / (2.0 * q)
    amp = 10.0 ** (gain_db / 40.0)
    if shape == "high-pass":
        b = ((1 + cos) / 2, -(1 + cos), (1 + cos) / 2)
        a = (1 + alpha, -2 * cos, 1 - alpha)
    elif shape == "low-pass":
        b = ((1 - cos) / 2, 1 - cos, (1 - cos) / 2)
        a = (1 + alpha, -2 * cos, 1 - alpha)
    elif shape == "bell":
        b = (1 + alpha * amp, -2 * cos, 1 - alpha * amp)
        a = (1 + alpha / amp, -2 * cos, 1 - alpha / amp)
    else:
        side = 1.0 if shape == "low shelf" else -1.0
        root = 2.0 * math.sqrt(amp) * alpha
        up, down = amp + 1, amp - 1
        b = (
            amp * (up - side * down * cos + root),
            side * 2 * amp * (down - side * up * cos),
            amp * (up - side * down * cos - root),
        )
        a = (up + side * down * cos + root, -side * 2 * (down + side * up * cos), up + side * down * cos - root)
    return np.array([*b, *a]) / a[0]


def equalise(
    samples: Samples, rate_hz: int, *, shape: str, hz: float, gain_db: float = 0.0, q: float = BUTTERWORTH_Q
) -> Samples:
    """Filter a sound, `(frames, channels)`, with one section of a shape of `SHAPES`; `hz` is its corner or centre.

    `gain_db` is for shelves and bells, -30 to +30; `q` 0.1 and up (0.707 is maximally flat for the passes).
    """
    from scipy.signal import lfilter

    work = checked(samples, rate_hz)
    if not len(work):
        return like(work, samples)
    coefficients = section(shape, rate_hz, hz=hz, gain_db=gain_db, q=q)
    return like(lfilter(coefficients[:3], coefficients[3:], work, axis=0), samples)


_LOWEST_HZ: dict[Role | None, tuple[float, ...]] = {  # high-pass, gentle to strong
    "kick": (30.0, 40.0, 50.0, 65.0),
    "tom": (50.0, 70.0, 95.0, 130.0),
    "snare": (90.0, 130.0, 180.0, 250.0, 340.0),
    "clap": (150.0, 220.0, 320.0, 450.0),
    "rim": (200.0, 300.0, 450.0, 650.0),
    "closed-hat": (400.0, 800.0, 1500.0, 3000.0, 5000.0),
    "open-hat": (400.0, 800.0, 1500.0, 3000.0, 5000.0),
    "ride": (300.0, 500.0, 900.0, 1600.0, 3000.0),
    "crash": (300.0, 500.0, 900.0, 1600.0, 3000.0),
    "shaker": (500.0, 900.0, 1600.0, 3000.0),
    "percussion": (120.0, 200.0, 350.0, 600.0),
}
_HIGHEST_HZ = (12_000.0, 8_000.0, 5_500.0, 4_000.0, 2_800.0)  # low-pass, gentle to strong
_BRIGHT: tuple[Role, ...] = ("closed-hat", "open-hat", "ride", "crash", "shaker")
_BODY_HZ: dict[Role | None, float] = {"kick": 60.0, "tom": 110.0, "snare": 190.0, "clap": 700.0, "rim": 500.0}
_BOX_HZ: dict[Role | None, float] = {"kick": 300.0, "tom": 350.0, "snare": 450.0, "clap": 1100.0, "rim": 800.0}


def _amount_lines(*, role: Role | None, direction: Direction, **_: object) -> tuple[AmountLine, ...]:
    bright = role in _BRIGHT
    if direction == "fuller":
        gains = (1.5, 3.0, 4.5, 6.0)
        air = _gains("high shelf", 7000.0 if bright else 5000.0, gains, q=0.71)
        return (air,) if bright else (_gains("bell", _BODY_HZ.get(role, 150.0), gains, q=0.9), air)
    cuts = (-2.0, -4.0, -6.0, -9.0, -12.0)
    low = _passes("high-pass", _LOWEST_HZ.get(role, (80.0, 130.0, 210.0, 340.0)))
    box = _gains("bell", _BOX_HZ.get(role, 2500.0 if bright else 400.0), cuts, q=0.9)
    return low, box, _gains("high shelf", 7000.0, cuts, q=0.71) if bright else _passes("low-pass", _HIGHEST_HZ)


def _passes(shape: str, at_hz: Iterable[float]) -> AmountLine:
    return tuple({"shape": shape, "hz": hz, "q": 0.71} for hz in at_hz)


def _gains(shape: str, hz: float, gains_db: Iterable[float], *, q: float) -> AmountLine:
    return tuple({"shape": shape, "hz": hz, "gain_db": gain, "q": q} for gain in gains_db)


def covered_line(low_hz: float, high_hz: float, *, from_bottom: bool = False, to_top: bool = False) -> AmountLine:
    """Amounts, gentle to strong, that thin a sound out where others cover it: what is not heard is not missed.

    `from_bottom`, `to_top`: nothing of the sound is heard below, or above the range: a pass filter; otherwise a bell.
    """
    if to_top:
        return _passes("low-pass", (rounded(low_hz * ratio) for ratio in (4.0, 2.8, 2.0, 1.4, 1.0)))
    if from_bottom:
        return _passes("high-pass", (rounded(high_hz * ratio) for ratio in (0.35, 0.5, 0.7, 0.85, 1.0)))
    centre = math.sqrt(low_hz * high_hz)
    q = min(4.0, max(0.4, centre / max(high_hz - low_hz, 1.0)))
    return _gains("bell", rounded(centre), (-3.0, -6.0, -9.0, -12.0, -18.0), q=rounded(q))


def over_line(low_hz: float, high_hz: float) -> AmountLine:
    """Cuts, gentle to strong, of a zone that is over the reference."""
    centre = math.sqrt(low_hz * high_hz)
    return _gains("bell", rounded(centre), (-1.5, -3.0, -4.5, -6.0), q=rounded(centre / (high_hz - low_hz)))


def _words(*, shape: str, hz: float, gain_db: float = 0.0, q: float = BUTTERWORTH_Q) -> str:
    gain = f", {in_db(gain_db)}" if shape in ("bell", "low shelf", "high shelf") else ""
    return f"{shape}{gain} at {in_hz(hz)}, Q {q:.2g}"


FAMILY = Family(
    name="EQ", directions=("leaner", "fuller"), amount_lines=_amount_lines, apply=equalise, words=_words,
    sheet=(("shape", "shape", ""), ("frequency", "hz", "Hz"), ("gain", "gain_db", "dB"), ("Q", "q", "")),
)  # fmt: skip
