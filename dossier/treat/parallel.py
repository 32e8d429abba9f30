"""Parallel compression: a hard-compressed copy blended under the sound.

Conventions
    The threshold counts from the sound's own sample peak (-30 dB: everything within 30 dB of the peak is compressed).
    Static curve of the copy, levels and threshold T in dB relative to the peak, ratio R, hard knee:
        L <= T:  L + M        L > T:  T + (L - T)/R + M        make-up M = -T(1 - 1/R): the peak comes back to itself.
    The detector is the held peak (12.5 ms, so a steady tone from 40 Hz up reads exactly), linked over the channels, in
    steps of 0.25 ms.  The gain reduction in dB follows its target with one-pole time constants: after `attack_ms`
    63.2 % of a rise is done, after `release_ms` (from the end of the hold) 63.2 % of a fall.  With
    a look-ahead (at most the hold) the gain starts that much sooner, so that no attack slips through above the peak;
    the sound itself is never delayed.
    Out = (1 - blend) x + blend copy.
"""

from __future__ import annotations

import math

import numpy as np

from dossier.model.measures import Samples
from dossier.model.vocabulary import Role
from dossier.treat.envelope import HOLD_S, decibels, held, linked
from dossier.treat.families import AmountLine, Family, in_percent
from dossier.treat.samples import SILENCE, checked, like, sample_peak

STEP_S = 0.00025


def compress(
    samples: Samples, rate_hz: int, *, threshold_db: float, ratio: float, blend: float, attack_ms: float = 5.0,
    release_ms: float = 100.0, look_ahead_ms: float = 0.0,
) -> Samples:  # fmt: skip
    """Blend a compressed copy under a sound, `(frames, channels)`.

    `threshold_db` -60 to 0, from the sound's sample peak; `ratio` 1 (nothing) and up; `blend` 0 (none) to 1 (only the
    copy); time constants 0.1 ms and up; `look_ahead_ms` 0 (attacks pass before the gain has followed) to 12.5.
    """
    work = checked(samples, rate_hz)
    peak = sample_peak(work)
    if peak < SILENCE or blend <= 0.0 or ratio <= 1.0 or threshold_db >= 0.0:
        return like(work, samples)
    step = max(1, round(STEP_S * rate_hz))
    ahead = round(1e-3 * min(look_ahead_ms, 1e3 * HOLD_S) * rate_hz / step)
    steps = -(-len(work) // step) + ahead
    level = np.zeros(steps * step)
    level[: len(work)] = linked(work / peak)
    fast = held(level.reshape(steps, step).max(axis=1), round(HOLD_S * rate_hz / step))
    slope = 1.0 - 1.0 / ratio
    target = np.maximum(decibels(fast) - threshold_db, 0.0) * slope
    duration_s = step / rate_hz
    rise = math.exp(-duration_s / (1e-3 * attack_ms))
    fall = math.exp(-duration_s / (1e-3 * release_ms))
    state, states = 0.0, []
    for wanted in target.tolist():  # a branching recursion: at 4,000 steps a second a plain loop costs a millisecond
        state = wanted + (state - wanted) * (rise if wanted > state else fall)
        states.append(state)
    reduction_db = np.interp(np.arange(len(work)), (np.arange(steps) + 1.0 - ahead) * step, states)
    copy_gain = 10.0 ** ((-reduction_db - threshold_db * slope) / 20.0)
    return like(work * ((1.0 - blend) + blend * copy_gain)[:, None], samples)


def _amount_lines(*, role: Role | None, **_: object) -> tuple[AmountLine, ...]:
    short = role in ("closed-hat", "rim", "shaker", "percussion", "clap")
    steps = ((-18.0, 3.0, 0.25), (-24.0, 4.0, 0.3), (-30.0, 5.0, 0.4), (-36.0, 7.0, 0.5), (-40.0, 10.0, 0.65))
    timing = {"attack_ms": 1.0, "release_ms": 40.0 if short else 60.0, "look_ahead_ms": 4.0}
    return (tuple({"threshold_db": low, "ratio": ratio, "blend": blend, **timing} for low, ratio, blend in steps),)


def _words(
    *, threshold_db: float, ratio: float, blend: float, attack_ms: float, release_ms: float, look_ahead_ms: float
) -> str:
    ahead = f", looking {look_ahead_ms:.3g} ms ahead" if look_ahead_ms else ""
    return (
        f"parallel compression, {ratio:.3g}:1 from {-threshold_db:.3g} dB under the peak, {in_percent(blend)} blended "
        f"in, attack {attack_ms:.3g} ms, release {release_ms:.3g} ms{ahead}"
    )


FAMILY = Family(
    name="parallel compression", effort="shape", directions=("fuller",),
    amount_lines=_amount_lines, apply=compress, words=_words,
    sheet=(
        ("threshold, relative to the peak", "threshold_db", "dB"), ("ratio", "ratio", ":1"), ("blend", "blend", "%"),
        ("attack", "attack_ms", "ms"), ("release", "release_ms", "ms"), ("hold", 1e3 * HOLD_S, "ms"),
        ("look-ahead", "look_ahead_ms", "ms"),
    ),
)  # fmt: skip
