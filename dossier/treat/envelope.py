"""Envelopes for the treatments that follow level.

Conventions
    Envelopes are linked over the channels (the larger one counts), so that no treatment moves the stereo image.  The
    peak is held for `HOLD_S`, half a period of 40 Hz: for a steady tone of 40 Hz or more the held peak is constant, so
    nothing that follows it can ripple with the wave.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from dossier.model.measures import Array

HOLD_S = 0.0125  # half a period of 40 Hz
PIECE = 1 << 16
FLOOR = 1e-8  # -160 dB: logarithms stay finite


def linked(work: Array) -> Array:
    """Largest absolute value over the channels, `(frames,)`."""
    result: Array = np.abs(work[:, 0])
    for channel in range(1, work.shape[1]):
        np.maximum(result, np.abs(work[:, channel]), out=result)
    return result


def in_pieces(filtered: Callable[[Array], Array], values: Array, reach: int) -> Array:
    """`filtered(values)`, `(steps,)`, for a filter that looks no further than `reach` steps to each side.

    Working in pieces keeps the filter's buffers small: allocating new memory costs more than the filtering.
    """
    result = np.empty(len(values))
    for start in range(0, len(values), PIECE):
        stop = min(len(values), start + PIECE)
        first = max(0, start - reach)
        result[start:stop] = filtered(values[first : stop + reach])[start - first : stop - first]
    return result


def held(level: Array, hold: int) -> Array:
    """Largest value of the last `hold` steps, `(steps,)`; rises at once."""
    from scipy.ndimage import maximum_filter1d

    half = max(1, hold // 2)
    if len(level) <= half:
        return np.asarray(np.maximum.accumulate(level))
    centred = in_pieces(lambda part: maximum_filter1d(part, 2 * half + 1, mode="constant", cval=0.0), level, half)
    return np.concatenate((np.maximum.accumulate(level[:half]), centred[:-half]))


def decibels(level: Array) -> Array:
    """20 log10 of a linear envelope, floored at -160 dB."""
    return np.asarray(20.0 * np.log10(np.maximum(level, FLOOR)))


def from_decibels(gain_db: Array) -> Array:
    """The linear gain."""
    return np.asarray(np.exp(gain_db * (np.log(10.0) / 20.0)))
