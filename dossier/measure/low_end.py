"""Kick against bass: what their sum keeps of the low end, how to line them up, and the gain curve of a duck.

Conventions: samples `(frames, channels)`, all channels of both signals take part and must be as many; both start at
the same moment and may differ in length (silence follows the shorter).  A positive delay plays the kick (`alignment`)
or the other signal (`align`) later.  Polarity is +1 (as it is) or -1 (inverted).

Low end means 20-250 Hz, the sub and bass zones (common practice, no source): the fundamentals of kick and bass with
their first overtones lie there, and at the top of it 10 ms are already two and a half periods, so that alignment by a
delay is a matter of the low end only.  The band is cut with cosine flanks half an octave wide, without phase shift.

The level of a sum follows from powers and one correlation: |a + p b|^2 = |a|^2 + |b|^2 + 2 p (a . b), so every delay
and both polarities cost one cross-correlation.  Two equal coherent signals gain 6.02 dB in phase, 3.01 dB at 90
degrees, nothing at 120 degrees, and vanish at 180; unrelated ones gain 3.01 dB.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dossier.errors import MeasureError
from dossier.measure.low_band import band, correlate, correlate_at, low_band, sounding, spread, strongest, to_length
from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import ZONES

LOW_HZ = ZONES[0].low_hz  # 20 Hz
HIGH_HZ = ZONES[1].high_hz  # 250 Hz
SOUNDING_DB = 40.0  # where the kick's low end is within this of its loudest 10 ms, it sounds
WINDOW_S = 0.01
SILENCE = 1e-20  # mean square of -200 dBFS
NEGLIGIBLE = 1e-6  # 60 dB under the kick a bass moves the sum by less than 0.01 dB
DEEPEST = 1e-12  # a sum that cancels is counted as 120 dB down, so that gains stay finite


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """How the low end of kick and bass adds up over delays and polarities."""

    polarity: int  # of the kick, +1 or -1, of the best combination
    delay_ms: float  # of the kick, positive later, of the best combination
    gain_db: float | None  # low-end level of the best combination over that as it is, where both sound
    curve: Array  # (delays, 3): delay in ms, gain in dB with polarity as it is, gain in dB inverted
    reason: str = ""  # why there is no gain


@dataclass(frozen=True, slots=True)
class BandSum:
    """Two signals and their sum in one band; levels are dB of the mean square, summed over channels."""

    first_db: float | None
    second_db: float | None
    sum_db: float | None
    gain_db: float | None  # sum over the louder of the two
    correlation: float | None  # -1 to 1
    phase_deg: float | None  # by which the first leads the second, power-weighted over the band, -180 to 180
    reason: str = ""


def alignment(kick: Samples, bass: Samples, rate_hz: int, *, max_ms: float = 10.0) -> Alignment:
    """Find the delay (within +-`max_ms`) and the polarity of the kick that make the most of the low end with the bass.

    Only where the kick sounds does it count: the bass elsewhere would water the difference down.

    Parameters
    ----------
    kick, bass : (frames, channels)
        The kick part as it plays and the bass beside it.
    rate_hz : int
        Sample rate of both.
    max_ms : float
        Largest delay either way.

    Returns
    -------
    Alignment
        Delays are whole samples.  Of equally good delays the smallest wins, then the polarity as it is.  Where the two
        have no low end together, `gain_db` is `None`, the curve is empty and `reason` says why.

    Raises
    ------
    MeasureError
        Shapes that do not match, or values that are not finite.
    """
    _check(kick, bass, rate_hz)
    if not len(kick) or not len(bass):
        return _no_alignment("no samples")
    low_kick, low_rate = low_band(kick, rate_hz, LOW_HZ, HIGH_HZ)
    low_bass, _ = low_band(bass, rate_hz, LOW_HZ, HIGH_HZ)
    frames = max(len(low_kick), len(low_bass))
    low_kick, low_bass = to_length(low_kick, frames), to_length(low_bass, frames)
    if float((low_kick**2).sum(axis=1).max()) < SILENCE:
        return _no_alignment("the kick has no low end")

    mask = sounding(low_kick, low_rate, window_s=WINDOW_S, range_db=SOUNDING_DB)
    low_kick = low_kick * mask[:, None]
    low_bass = low_bass * spread(mask, int(np.ceil(max_ms / 1000.0 * low_rate)) + 1)[:, None]
    if float((low_bass**2).sum()) <= NEGLIGIBLE * float((low_kick**2).sum()):
        return _no_alignment("the bass has no low end where the kick sounds")

    limit = round(max_ms / 1000.0 * rate_hz)
    delays = np.arange(-limit, limit + 1, dtype=np.int64)
    correlation = correlate_at(low_bass, low_kick, delays * (low_rate / rate_hz))
    power = float((low_kick**2).sum() + (low_bass**2).sum())
    best, sign = strongest(correlation, delays)
    as_it_is = max(power + 2.0 * float(correlation[limit]), DEEPEST * power)
    levels = np.maximum(power + 2.0 * np.outer(correlation, (1.0, -1.0)), DEEPEST * power)
    gains = 10.0 * np.log10(levels / as_it_is)
    curve = np.column_stack([delays * (1000.0 / rate_hz), gains])
    return Alignment(sign, float(curve[best, 0]), float(gains[best, 0 if sign > 0 else 1]), curve)


def align(reference: Samples, other: Samples, rate_hz: int, *, max_ms: float = 20.0) -> tuple[int, int, float]:
    """Line up two drum hits to the sample: how far to move `other`, and with which polarity.

    Parameters
    ----------
    reference, other : (frames, channels)
        Two sounds that will be played together.
    rate_hz : int
        Sample rate of both.
    max_ms : float
        Largest shift either way.

    Returns
    -------
    delay_samples : int
        Shift of `other`, positive later.
    polarity : int
        +1 or -1, to multiply `other` by.
    gain_db : float
        Energy of the sum over that of the unaligned sum, never negative (a sum that cancels counts as 120 dB down).
        Silence in either gives `(0, 1, 0.0)`.

    Raises
    ------
    MeasureError
        Shapes that do not match, or values that are not finite.

    Notes
    -----
    The largest absolute value of the full-band cross-correlation.  Ties go to the smaller shift, then to polarity +1.
    """
    _check(reference, other, rate_hz)
    if not len(reference) or not len(other):
        return 0, 1, 0.0
    peaks = float(np.abs(reference).max()), float(np.abs(other).max())
    if min(peaks) ** 2 < SILENCE:
        return 0, 1, 0.0
    limit = round(max_ms / 1000.0 * rate_hz)
    a, b = reference.astype(np.float64), other.astype(np.float64)
    delays = np.arange(-limit, limit + 1, dtype=np.int64)
    correlation = correlate(a, b, limit)
    power = float((a**2).sum() + (b**2).sum())
    best, sign = strongest(correlation, delays)
    as_it_is = max(power + 2.0 * float(correlation[limit]), DEEPEST * power)
    aligned = power + 2.0 * sign * float(correlation[best])
    return int(delays[best]), sign, max(0.0, float(10.0 * np.log10(aligned / as_it_is)))


def band_sum(
    first: Samples, second: Samples, rate_hz: int, *, low_hz: float = LOW_HZ, high_hz: float = HIGH_HZ
) -> BandSum:
    """Measure how two signals add up in a band: levels, level of the sum, correlation and phase.

    Parameters
    ----------
    first, second : (frames, channels)
        Signals that start together.
    rate_hz : int
        Sample rate of both.
    low_hz, high_hz : float
        Edges of the band, half-way down its flanks.

    Returns
    -------
    BandSum
        A level is `None` for silence in the band; gain, correlation and phase are `None` where either is silent.

    Raises
    ------
    MeasureError
        Shapes that do not match, values that are not finite, or a band without width.
    """
    from scipy.fft import next_fast_len, rfft

    _check(first, second, rate_hz)
    if not 0.0 < low_hz < high_hz:
        raise MeasureError(f"band sum: edges must be 0 < low < high, got {low_hz} and {high_hz} Hz")
    frames = max(len(first), len(second))
    if not frames:
        return BandSum(None, None, None, None, None, None, "no samples")
    size = next_fast_len(2 * frames, real=True)
    weight = band(np.arange(size // 2 + 1) * (rate_hz / size), low_hz, high_hz)[:, None]
    a = rfft(first.astype(np.float64), size, axis=0) * weight
    b = rfft(second.astype(np.float64), size, axis=0) * weight
    scale = 2.0 / (size * frames)  # both signs of frequency; Parseval; mean over the signal's own length
    power_a, power_b, power_sum = (scale * float((np.abs(x) ** 2).sum()) for x in (a, b, a + b))
    cross = scale * complex((a * b.conj()).sum())
    levels = [float(10.0 * np.log10(p)) if p > SILENCE else None for p in (power_a, power_b)]
    if min(power_a, power_b) <= SILENCE:
        sum_db = float(10.0 * np.log10(power_sum)) if power_sum > SILENCE else None
        return BandSum(levels[0], levels[1], sum_db, None, None, None, "silent in this band")
    louder = max(power_a, power_b)
    kept = max(power_sum, DEEPEST * louder)
    correlation = float(np.clip(cross.real / np.sqrt(power_a * power_b), -1.0, 1.0))
    return BandSum(
        levels[0],
        levels[1],
        float(10.0 * np.log10(kept)),
        float(10.0 * np.log10(kept / louder)),
        correlation,
        float(np.degrees(np.angle(cross))),
    )


def duck_curve(
    kick_times_s: Sequence[float],
    length_s: float,
    rate_hz: int,
    *,
    depth_db: float,
    release_ms: float,
    attack_ms: float = 5.0,
) -> Array:
    """Return the gain that ducks a part under each kick, linear, `(frames,)`, float64.

    In dB the gain falls from 0 to -`depth_db` over the `attack_ms` before the kick (so that nothing clicks), stands
    there at the kick and is back at 0 after `release_ms`; both ways on half a cosine: at the middle of the release it
    stands at half the depth.  Where kicks overlap the deeper gain holds.

    Parameters
    ----------
    kick_times_s : sequence of float
        Times of the kicks in any order; those whose duck lies outside the signal have no effect.
    length_s : float
        Length of the curve.
    rate_hz : int
        Sample rate.
    depth_db, release_ms, attack_ms : float
        Not negative; times of 0 switch at once.

    Raises
    ------
    MeasureError
        Negative or non-finite amounts.
    """
    amounts = (length_s, depth_db, release_ms, attack_ms, *kick_times_s)
    if not np.isfinite(amounts).all() or min(length_s, depth_db, release_ms, attack_ms) < 0.0:
        raise MeasureError("duck curve: length, depth, release and attack must be finite and not negative")
    frames = round(length_s * rate_hz)
    shape = np.zeros(frames)  # share of the depth
    attack, release = attack_ms / 1000.0, release_ms / 1000.0
    for kick in kick_times_s:
        first = max(0, int(np.ceil((kick - attack) * rate_hz)))
        last = min(frames, int(np.floor((kick + release) * rate_hz)) + 1)
        if last <= first:
            continue
        t = np.arange(first, last) / rate_hz - kick
        before = -t / attack if attack > 0.0 else np.where(t < 0.0, 1.0, 0.0)
        after = t / release if release > 0.0 else np.where(t > 0.0, 1.0, 0.0)
        duck = 0.5 + 0.5 * np.cos(np.pi * np.clip(np.where(t < 0.0, before, after), 0.0, 1.0))
        shape[first:last] = np.maximum(shape[first:last], duck)
    shape *= -depth_db / 20.0 * np.log(10.0)
    out: Array = np.exp(shape, out=shape)
    return out


def _check(first: Samples, second: Samples, rate_hz: int) -> None:
    if first.ndim != 2 or second.ndim != 2 or first.shape[1] != second.shape[1] or not first.shape[1]:
        raise MeasureError(
            f"low end: signals must be (frames, channels) of as many channels, got {first.shape} and {second.shape}"
        )
    if rate_hz < 1000:
        raise MeasureError(f"low end: the sample rate must be at least 1000 Hz, got {rate_hz}")
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise MeasureError("low end: samples must be finite numbers")


def _no_alignment(reason: str) -> Alignment:
    return Alignment(1, 0.0, None, np.zeros((0, 3)), reason)
