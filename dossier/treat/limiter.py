"""A look-ahead limiter for the rough mix: it holds the ceiling and reports what it took.  Not a treatment of a drum.

Conventions
    Detection is on the true peak (ITU-R BS.1770-5 Annex 2), all channels together, by the caller's meter.
    The gain that each moment needs is held by a running minimum over the look-ahead window and smoothed by a Hann
    window of the same length: the smoothed gain never lies above the needed one, and nothing is delayed.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from dossier.errors import MeasureError
from dossier.model.measures import Array, Indices, Samples
from dossier.treat.envelope import linked

PeakEnvelope = Callable[[Samples, int, int], Array]
"""(samples, start, stop) -> largest magnitude of each sample and of the waveform up to the next, `(stop - start,)`."""

LOOK_MS = 4.0  # to each side; long enough that the gain's own movement is not heard as distortion
MARGIN_DB = 0.25  # what a meter may miss of a peak close to half the sample rate
PASSES = 4  # what is left above the ceiling between samples is taken again; two are the rule
REACH = 16  # samples on each side of a loud one that are measured with it
BLOCK = 1 << 16  # samples scanned at once
LONGEST_GAP = 1024  # loud places closer than this are measured in one go


def limit(
    samples: Samples, rate_hz: int, *, ceiling_dbtp: float, peak_envelope: PeakEnvelope, in_place: bool = False
) -> tuple[Samples, float]:
    """Limit a mix, `(frames, channels)` (else `MeasureError`), finite, to a true peak of `ceiling_dbtp`.

    `peak_envelope` is the meter; `in_place` changes the samples where they lie rather than a copy.  Returns the mix and
    the most that was taken anywhere, in dB (0: nothing was touched, the input comes back).
    """
    if samples.ndim != 2:
        raise MeasureError(f"a mix is (frames, channels), found shape {samples.shape}")
    ceiling = 10.0 ** ((ceiling_dbtp - MARGIN_DB) / 20.0)
    reach = max(1, round(LOOK_MS / 1000.0 * rate_hz))
    limited, least = samples, 1.0
    for start, stop in _over(samples, ceiling, reach, peak_envelope):
        gain = _gain(samples[start:stop], ceiling, reach, peak_envelope)
        if limited is samples and not in_place:
            limited = samples.copy()
        limited[start:stop] *= gain[:, None]
        least = min(least, float(gain.min(initial=1.0)))
    return limited, float(-20.0 * np.log10(least)) + 0.0


def _over(samples: Samples, ceiling: float, reach: int, peak_envelope: PeakEnvelope) -> list[tuple[int, int]]:
    """Stretches in which the sound passes the ceiling, far enough apart to be limited one by one."""
    found = []
    for start in range(0, len(samples), BLOCK):
        # Interpolation exceeds the samples round it by a few dB at most: soft ones need no look between them.
        loud = np.flatnonzero(linked(samples[start : start + BLOCK]) > ceiling / 1.5)
        for first, stop in _runs(start + loud, reach=REACH, gap=LONGEST_GAP, frames=len(samples)):
            found.append(first + np.flatnonzero(peak_envelope(samples, first, stop) > ceiling))
    where = np.unique(np.concatenate(found)) if found else np.zeros(0, dtype=np.intp)
    return _runs(where, reach=2 * reach, gap=6 * reach, frames=len(samples))


def _gain(samples: Samples, ceiling: float, reach: int, peak_envelope: PeakEnvelope) -> Array:
    """Gain of one stretch, `(frames,)`."""
    total = np.ones(len(samples))
    limited = samples
    for _ in range(PASSES):
        needed = ceiling / np.maximum(peak_envelope(limited, 0, len(limited)), ceiling)
        if needed.min(initial=1.0) >= 1.0:
            break
        total *= _smoothed(needed, reach)
        limited = samples * total[:, None]
    return total


def _runs(where: Indices, *, reach: int, gap: int, frames: int) -> list[tuple[int, int]]:
    """Stretches that hold all places of a rising list with `reach` round them; those closer than `gap` joined."""
    if not len(where):
        return []
    breaks = np.flatnonzero(np.diff(where) > gap)
    firsts = np.concatenate([where[:1], where[breaks + 1]]) - reach
    lasts = np.concatenate([where[breaks], where[-1:]]) + reach + 1
    return [(max(0, int(first)), min(frames, int(last))) for first, last in zip(firsts, lasts, strict=True)]


def _smoothed(needed: Array, reach: int) -> Array:
    """Running minimum over +-reach, then a mean under a Hann window of the same width: never above the needed gain.

    For one stretch that begins and ends under the ceiling, or where the sound does.
    """
    from scipy.ndimage import minimum_filter1d

    window = np.hanning(2 * reach + 3)[1:-1]
    window /= window.sum()
    held = minimum_filter1d(needed, 2 * reach + 1, mode="nearest")
    mean = np.convolve(np.pad(held, reach, mode="edge"), window, mode="valid")
    untouched = minimum_filter1d(held, 2 * reach + 1, mode="nearest") >= 1.0
    return np.where(untouched, 1.0, np.minimum(mean, needed))
