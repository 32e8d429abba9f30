"""Kick against bass: how to line up their low ends, and the gain curve of a duck.

Conventions: both signals are `(frames, channels)` with the same channel count, start at the same moment and may differ
in length; the shorter one is padded with silence.  A positive delay plays the kick later.  Polarity is +1 (as it is) or
-1 (inverted).

Low end means 20-250 Hz, the sub and bass zones (common practice, no source), where the fundamentals of kick and bass
and their first overtones lie.  At its top 10 ms already span two and a half periods, so a delay aligns the low end and
nothing above it.  The band is cut with cosine flanks half an octave wide and no phase shift.

The level of a sum follows from two powers and a correlation, |a + p b|^2 = |a|^2 + |b|^2 + 2 p (a . b), so a single
cross-correlation covers every delay and both polarities.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from dossier.errors import MeasureError
from dossier.measure.low_band import correlate_at, low_band, sounding, strongest, widened
from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import ZONES

LOW_HZ = ZONES[0].low_hz  # 20 Hz
HIGH_HZ = ZONES[1].high_hz  # 250 Hz
SOUNDING_DB = 40.0  # the kick sounds where its low end is within this of its loudest 10 ms
WINDOW_S = 0.01
SILENCE = 1e-20  # mean square of -200 dBFS
NEGLIGIBLE = 1e-6  # a bass 60 dB below the kick moves the sum by less than 0.01 dB
DEEPEST = 1e-12  # a sum that cancels counts as 120 dB down, so that gains stay finite
ATTACK_MS = 5.0  # the duck sets in this long before the kick, so that nothing clicks


class KickBassAlignment(Struct, frozen=True, eq=False):
    """How the low end of kick and bass adds up over delays and polarities."""

    polarity: int  # of the kick, +1 or -1, of the best combination
    delay_ms: float  # of the kick, positive later, of the best combination
    gain_db: float | None  # low-end level of the best combination over that as it is, where both sound
    reason: str = ""  # why there is no gain


def alignment(kick: Samples, bass: Samples, rate_hz: int, *, max_ms: float = 10.0) -> KickBassAlignment:
    """Find the delay and polarity of the kick that make the most of the low end it shares with the bass.

    `kick` and `bass` are parts as they play, `(frames, channels)`; `max_ms` is the largest delay either way.  Only the
    moments at which the kick sounds count: the bass elsewhere would dilute the gain.

    The delay is a whole number of samples.  Ties go to the smallest delay, then to the polarity as it is.  Where the
    two share no low end, `gain_db` is `None` and `reason` says why.  Raises `MeasureError` for shapes that do not
    match, values that are not finite, or a rate under 1 kHz.
    """
    _check(kick, bass, rate_hz)
    if not len(kick) or not len(bass):
        return _no_alignment("no samples")
    low_kick, low_rate = low_band(kick, rate_hz, LOW_HZ, HIGH_HZ)
    low_bass, _ = low_band(bass, rate_hz, LOW_HZ, HIGH_HZ)
    frames = max(len(low_kick), len(low_bass))
    low_kick, low_bass = (np.pad(low, ((0, frames - len(low)), (0, 0))) for low in (low_kick, low_bass))
    if float((low_kick**2).sum(axis=1).max()) < SILENCE:
        return _no_alignment("the kick has no low end")

    mask = sounding(low_kick, low_rate, window_s=WINDOW_S, range_db=SOUNDING_DB)
    low_kick = low_kick * mask[:, None]
    low_bass = low_bass * widened(mask, int(np.ceil(max_ms / 1000.0 * low_rate)) + 1)[:, None]
    if float((low_bass**2).sum()) <= NEGLIGIBLE * float((low_kick**2).sum()):
        return _no_alignment("the bass has no low end where the kick sounds")

    limit = round(max_ms / 1000.0 * rate_hz)
    delays = np.arange(-limit, limit + 1, dtype=np.int64)
    correlation = correlate_at(low_bass, low_kick, delays * (low_rate / rate_hz))
    power = float((low_kick**2).sum() + (low_bass**2).sum())
    best, sign = strongest(correlation, delays)
    as_it_is = max(power + 2.0 * float(correlation[limit]), DEEPEST * power)
    level = max(power + 2.0 * sign * float(correlation[best]), DEEPEST * power)
    return KickBassAlignment(sign, float(delays[best] * (1000.0 / rate_hz)), float(10.0 * np.log10(level / as_it_is)))


def duck_curve(
    kick_times_s: Sequence[float], length_s: float, rate_hz: int, *, depth_db: float, release_ms: float
) -> Array:
    """Gain that ducks a part under each kick: linear, `(round(length_s * rate_hz),)`, float64.

    In dB the gain falls to -`depth_db` over the `ATTACK_MS` before a kick and is back at 0 `release_ms` after it, both
    ways along half a cosine, passing half the depth half-way.  Where ducks overlap the deeper one holds.  Kicks
    may come in any order and lie outside the signal; a release of 0 switches at once.

    Raises `MeasureError` for negative or non-finite amounts.
    """
    amounts = (length_s, depth_db, release_ms, *kick_times_s)
    if not np.isfinite(amounts).all() or min(length_s, depth_db, release_ms) < 0.0:
        raise MeasureError("duck curve: length, depth and release must be finite and not negative")
    frames = round(length_s * rate_hz)
    shape = np.zeros(frames)  # share of the depth
    attack, release = ATTACK_MS / 1000.0, release_ms / 1000.0
    for kick in kick_times_s:
        first = max(0, int(np.ceil((kick - attack) * rate_hz)))
        last = min(frames, int(np.floor((kick + release) * rate_hz)) + 1)
        if last <= first:
            continue
        t = np.arange(first, last) / rate_hz - kick
        after = t / release if release > 0.0 else np.where(t > 0.0, 1.0, 0.0)
        duck = 0.5 + 0.5 * np.cos(np.pi * np.clip(np.where(t < 0.0, -t / attack, after), 0.0, 1.0))
        shape[first:last] = np.maximum(shape[first:last], duck)
    shape *= -depth_db / 20.0 * np.log(10.0)
    return np.asarray(np.exp(shape, out=shape))


def _check(first: Samples, second: Samples, rate_hz: int) -> None:
    if first.ndim != 2 or second.ndim != 2 or first.shape[1] != second.shape[1] or not first.shape[1]:
        raise MeasureError(
            f"low end: signals must be (frames, channels) of as many channels, got {first.shape} and {second.shape}"
        )
    if rate_hz < 1000:
        raise MeasureError(f"low end: the sample rate must be at least 1000 Hz, got {rate_hz}")
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise MeasureError("low end: samples must be finite numbers")


def _no_alignment(reason: str) -> KickBassAlignment:
    return KickBassAlignment(1, 0.0, None, reason)
