"""A look-ahead limiter for the rough mix: the ceiling holds, and what it took is told.  Not a treatment of a drum.

Conventions
    Detection is on the true peak, interpolated four times (ITU-R BS.1770-5 Annex 2), both channels together.
    The gain that each moment needs is held by a running minimum over the look-ahead window and smoothed by a Hann
    window of the same length: the smoothed gain never lies above the needed one, and nothing is delayed.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from dossier.errors import MeasureError
from dossier.model.measures import Array, Mask, Samples

LOOK_MS = 4.0  # to each side; long enough that the gain's own movement is not heard as distortion
OVERSAMPLING = 4
MARGIN_DB = 0.25  # what this interpolation may miss of a peak close to half the sample rate
PASSES = 4  # what is left above the ceiling between samples is taken again; two are the rule
REACH = 16  # samples that the interpolation looks at to each side
LONGEST_GAP = 1024  # samples; stretches closer than this are looked at together


def limit(
    samples: Samples, rate_hz: int, *, ceiling_dbtp: float, passes: int = PASSES
) -> tuple[Samples, float]:
    """Limit a mix.

    Parameters
    ----------
    samples : (frames, channels)
        Finite samples at any level.
    ceiling_dbtp
        Highest true peak, dBTP.
    passes
        How often what is left above the ceiling is looked for; one is enough to learn what limiting costs.

    Returns
    -------
    samples, most_db
        The limited mix and the most that was taken anywhere, in dB (0: nothing was touched, the input comes back).
    """
    if samples.ndim != 2:
        raise MeasureError(f"a mix is (frames, channels), found shape {samples.shape}")
    ceiling = 10.0 ** ((ceiling_dbtp - MARGIN_DB) / 20.0)
    reach = max(1, round(LOOK_MS / 1000.0 * rate_hz))
    total = np.ones(len(samples))
    limited = samples
    for number in range(passes):
        needed = _needed(limited, ceiling, total < 1.0 if number else None)
        if not len(needed) or needed.min() >= 1.0:
            break
        total = total * _smoothed(needed, reach)
        limited = np.asarray(samples * total[:, None])
    return limited, float(-20.0 * np.log10(total.min(initial=1.0))) + 0.0


def _needed(samples: Samples, ceiling: float, turned: Mask | None) -> Array:
    """Gain that brings each sample, and what lies between it and its neighbours, under the ceiling.

    `turned`: samples that an earlier pass has turned down; the rest was found to be in order then.
    """
    from scipy.signal import resample_poly

    peak = _largest(samples)
    # Interpolation exceeds the samples round it by a few dB at most: a soft stretch needs no look between them.
    doubtful = peak > ceiling / 1.5
    if turned is not None:
        doubtful &= turned
    taps = _interpolator()
    for start, stop in _runs(doubtful, reach=REACH, gap=LONGEST_GAP):
        first, last = max(0, start - REACH), min(len(samples), stop + REACH)
        dense = _largest(resample_poly(samples[first:last], OVERSAMPLING, 1, axis=0, window=taps))
        steps = [dense[step : (last - first) * OVERSAMPLING : OVERSAMPLING] for step in range(OVERSAMPLING)]
        between = np.maximum(np.maximum(steps[0], steps[1]), np.maximum(steps[2], steps[3]))
        peak[start:stop] = np.maximum(peak[start:stop], between[start - first : stop - first])
    return np.asarray(np.minimum(1.0, ceiling / np.maximum(peak, ceiling)))


def _largest(samples: Samples) -> Array:
    """Largest magnitude over the channels, `(frames,)`."""
    return np.asarray(np.maximum.reduce([np.abs(channel) for channel in samples.T]))


def _runs(mask: Mask, *, reach: int, gap: int) -> list[tuple[int, int]]:
    """Stretches that hold all true samples with `reach` round them, those closer than `gap` joined."""
    where = np.flatnonzero(mask)
    if not len(where):
        return []
    breaks = np.flatnonzero(np.diff(where) > gap + 2 * reach)
    firsts = np.concatenate([where[:1], where[breaks + 1]]) - reach
    lasts = np.concatenate([where[breaks], where[-1:]]) + reach + 1
    return [(max(0, int(first)), min(len(mask), int(last))) for first, last in zip(firsts, lasts, strict=True)]


@lru_cache(maxsize=1)
def _interpolator() -> Array:
    """Taps of the interpolation: a windowed sinc, `REACH` samples to each side."""
    from scipy.signal import firwin

    return np.asarray(firwin(2 * REACH * OVERSAMPLING + 1, 1.0 / OVERSAMPLING, window=("kaiser", 7.0)))


def _smoothed(needed: Array, reach: int) -> Array:
    """Running minimum over +-reach, then a mean under a Hann window of the same width: never above the needed gain."""
    from scipy.ndimage import minimum_filter1d

    window = np.hanning(2 * reach + 3)[1:-1]
    window /= window.sum()
    smooth = np.ones(len(needed))
    for start, stop in _runs(needed < 1.0, reach=2 * reach, gap=LONGEST_GAP):
        held = minimum_filter1d(needed[start:stop], 2 * reach + 1, mode="nearest")
        mean = np.convolve(np.pad(held, reach, mode="edge"), window, mode="valid")
        untouched = minimum_filter1d(held, 2 * reach + 1, mode="nearest") >= 1.0
        smooth[start:stop] = np.where(untouched, 1.0, np.minimum(mean, needed[start:stop]))
    return smooth
