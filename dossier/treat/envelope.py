"""Envelopes for the treatments that follow level.

Conventions
    Envelopes are linked over the channels (the larger one counts), so that no treatment moves the stereo image.  The
    peak is held for `HOLD_S`, half a period of 40 Hz: for a steady tone of 40 Hz or more the held peak is constant, so
    nothing that follows it can ripple with the wave.
"""

from __future__ import annotations

import numpy as np

from dossier.model.measures import Array

HOLD_S = 0.0125  # half a period of 40 Hz
FLOOR = 1e-8  # -160 dB: logarithms stay finite


def linked(work: Array) -> Array:
    """Largest absolute value over the channels, `(frames,)`."""
    result: Array = np.abs(work[:, 0])
    for channel in range(1, work.shape[1]):
        np.maximum(result, np.abs(work[:, channel]), out=result)
    return result


def held(level: Array, hold: int) -> Array:
    """Largest value of the last `hold` steps, `(steps,)`; rises at once."""
    from scipy.ndimage import maximum_filter1d

    half = max(1, hold // 2)
    if len(level) <= half:
        start: Array = np.maximum.accumulate(level)
        return start
    centred = maximum_filter1d(level, 2 * half + 1, mode="constant", cval=0.0)
    result: Array = np.concatenate((np.maximum.accumulate(level[:half]), centred[:-half]))
    return result


def decibels(level: Array) -> Array:
    """20 log10 of a linear envelope, floored at -160 dB."""
    result: Array = 20.0 * np.log10(np.maximum(level, FLOOR))
    return result
