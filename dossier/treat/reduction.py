"""Band and bit reduction: the character of an older sampler.

Conventions
    The sound is band-limited (linear phase, flat to 0.40 and down 80 dB from 0.50 of the low rate), taken at the low
    rate, quantised, and played back as steps: each value is held until the next, centred on its instant, so there is
    no delay.  The steps' images above half the low rate belong to the character.
    The quantiser has exactly 2^b levels, no dither, and its full scale is the sound's own sample peak, as when a
    sampler's input is set by ear: step = 2 peak/(2^b - 1).  Silence stays silence (a level lies at zero).
References
    Signal to quantisation noise of a full-scale sine, 6.02 b + 1.76 dB: W. R. Bennett, Bell System Technical Journal 27
    (1948); any textbook on conversion.  Kaiser's formula for the filter length: J. F. Kaiser (1974), in any textbook
    on filters.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from dossier.model.measures import Array, Samples
from dossier.treat.families import AmountLine, Family, in_hz
from dossier.treat.samples import SILENCE, checked, like, sample_peak

PASS, STOP = 0.40, 0.50  # of the low rate
STOP_DB = 80.0


@lru_cache(maxsize=16)
def _band_limit(up: int, down: int) -> Array:
    """Low-pass at `up` times the high rate, which is `down` times the low rate."""
    from scipy.signal import firwin

    width = (STOP - PASS) / down  # of the intermediate rate
    half = math.ceil((STOP_DB - 7.95) / (2.285 * 2.0 * math.pi * width) / 2.0)
    beta = 0.1102 * (STOP_DB - 8.7)
    return np.asarray(firwin(2 * half + 1, (PASS + STOP) / down, window=("kaiser", beta)))


def reduce(samples: Samples, rate_hz: int, *, reduced_rate_hz: float, bits: float) -> Samples:
    """Bring a sound, `(frames, channels)`, down to a lower rate and fewer bits, and back as steps at its own rate.

    `reduced_rate_hz` 1000 and up (from the sound's own rate on only the bits are reduced); `bits` 2-24, made whole.
    """
    from scipy.signal import resample_poly

    work = checked(samples, rate_hz)
    if sample_peak(work) < SILENCE:
        return like(work, samples)
    low_rate = max(1000, round(reduced_rate_hz))
    if low_rate >= rate_hz:
        return like(_quantised(work, round(bits)), samples)
    common = math.gcd(low_rate, rate_hz)
    up, down = low_rate // common, rate_hz // common
    slow = _quantised(resample_poly(work, up, down, axis=0, window=_band_limit(up, down)), round(bits))
    instants = np.floor(np.arange(len(work)) * (low_rate / rate_hz) + 0.5).astype(np.int64)
    return like(slow[np.minimum(instants, len(slow) - 1)], samples)


def _quantised(work: Array, bits: int) -> Array:
    bits = min(24, max(2, bits))
    peak = sample_peak(work)
    if peak < SILENCE:
        return work
    step = 2.0 * peak / (2**bits - 1)
    half = 2 ** (bits - 1)
    return np.asarray(np.clip(np.rint(work / step), -half, half - 1) * step)


def _amount_lines(*, rate_hz: int, **_: object) -> tuple[AmountLine, ...]:
    steps = ((26_000.0, 12.0), (20_000.0, 12.0), (15_000.0, 10.0), (11_000.0, 10.0), (8_000.0, 8.0))
    return (tuple({"reduced_rate_hz": rate, "bits": bits} for rate, bits in steps if rate < rate_hz),)


def _words(*, reduced_rate_hz: float, bits: float) -> str:
    return f"reduced to {in_hz(reduced_rate_hz)} sample rate and {round(bits)} bits"


FAMILY = Family(
    name="band and bit reduction", effort="colour", directions=("leaner",),
    amount_lines=_amount_lines, apply=reduce, words=_words,
    sheet=(("sample rate", "reduced_rate_hz", "Hz"), ("word length", "bits", "bits")),
)  # fmt: skip
