"""How fast the hits of a sound rise, one by one: what a change of tempo does to attacks.

Method
    The level of the differenced signal, which tells edges from ringing lows, over 1 ms.  A hit's rise is the time from
    10 to 90 % between the lowest level of the 40 ms before it and its highest of the 25 ms after it (the 10-90 % rise
    time of IEEE Std 181, as recalled).
"""

from __future__ import annotations

import numpy as np

from dossier.model.measures import Array, Samples

SMOOTHED_S = 0.001
BEFORE_S, AFTER_S = 0.040, 0.025


def rises_s(samples: Samples, rate_hz: int, times_s: Array) -> Array:
    """Rise time of each hit in seconds, `(hits,)`, of a sound `(frames, channels)`; NaN where nothing rises."""
    from scipy.ndimage import uniform_filter1d

    before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
    steps = np.diff(samples, axis=0, prepend=samples[:1])
    power = np.pad((steps**2).sum(axis=1), (before, after))
    level = np.sqrt(np.maximum(uniform_filter1d(power, max(1, round(SMOOTHED_S * rate_hz))), 0.0))
    found = np.full(len(times_s), np.nan)
    for number, time_s in enumerate(times_s):
        at = round(float(time_s) * rate_hz)
        near = level[max(0, at) : at + before + after]
        if len(near) < 2 or at < 0:
            continue
        top = min(before, len(near) - 1)
        top += int(near[top:].argmax())
        lowest, highest = float(near[: top + 1].min()), float(near[top])
        if highest <= 0.0 or lowest > 0.5 * highest:
            continue
        above = near[: top + 1] >= lowest + 0.9 * (highest - lowest)
        under = near[: top + 1] <= lowest + 0.1 * (highest - lowest)
        late = top - int(np.argmin(above[::-1])) + 1  # where it last comes above 90 %
        early = int(np.flatnonzero(under[:late])[-1])
        found[number] = (late - early) / rate_hz
    return found
