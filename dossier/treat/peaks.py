"""Peaks, and bringing a treated sound to the true peak of the untreated one.

Conventions
    True peak after ITU-R BS.1770-5, Annex 2: interpolation by 4 below 96 kHz, by 2 from there; the result is never
    below the sample peak.  The interpolation here is linear-phase and flat to 0.45 of the sample rate
    (within 0.02 dB), finer than the annex asks for; comparing two sounds needs one ruler, not a particular one.
    A treated drum is compared at equal true peak, because headroom is what a mix has to give: a treatment that only
    makes a drum louder would otherwise look like one that makes it fuller.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from dossier.model.measures import Array, Samples
from dossier.treat.families import SILENCE, sample_peak

TAPS_A_PHASE = 24  # Kaiser, beta 6: ripple under 0.02 dB to 0.45 of the sample rate with 24 taps each side and phase
NEAR = 0.5  # only around samples above half the sample peak is it worth looking between the samples
REACH = 2 * TAPS_A_PHASE  # samples to either side that go into one interpolated value, with some to spare


@lru_cache(maxsize=4)
def _interpolator(factor: int) -> Array:
    span = TAPS_A_PHASE * factor
    time = np.arange(-span, span + 1) / factor
    filter_taps: Array = np.sinc(time) * np.kaiser(2 * span + 1, 6.0)
    return filter_taps


def _factor(rate_hz: int) -> int:
    return 4 if rate_hz < 96_000 else 2


def true_peak(samples: Samples, rate_hz: int) -> float:
    """True peak over all channels, linear (1 is full scale); 0 for silence or no samples.

    Looks between the samples only near those above half the sample peak: a sound whose highest peak lies between two
    samples that are both 6 dB lower would have to stand almost at the Nyquist frequency.
    """
    from scipy.signal import upfirdn

    top = sample_peak(samples)
    factor = _factor(rate_hz)
    if top < SILENCE:
        return top
    taps = _interpolator(factor)
    for channel in range(samples.shape[1]):
        line = np.asarray(samples[:, channel], dtype=np.float64)
        for first, last in _loud_stretches(np.abs(line) > NEAR * top, len(line)):
            top = max(top, float(np.max(np.abs(upfirdn(taps, line[first:last], up=factor)))))
    return top


def _loud_stretches(loud: npt.NDArray[np.bool_], frames: int) -> list[tuple[int, int]]:
    """Runs that hold all loud samples and what their interpolation needs, merged where they touch."""
    places = np.flatnonzero(loud)
    if not len(places):
        return []
    breaks = np.flatnonzero(np.diff(places) > 2 * REACH)
    starts = places[np.concatenate(([0], breaks + 1))]
    ends = places[np.concatenate((breaks, [len(places) - 1]))]
    return [
        (max(0, int(a) - REACH), min(frames, int(b) + REACH + 1)) for a, b in zip(starts, ends, strict=True)
    ]


def matched(treated: Samples, untreated: Samples, rate_hz: int, *, raise_level: bool = True) -> Samples:
    """`treated` scaled to the true peak of `untreated`.

    Parameters
    ----------
    raise_level : False only turns down what came out higher, and leaves the rest where it is.

    Returns
    -------
    The scaled samples; silence, or a silent `untreated`, comes back as it is.
    """
    before, after = true_peak(untreated, rate_hz), true_peak(treated, rate_hz)
    if before < SILENCE or after < SILENCE or (after <= before and not raise_level):
        return treated
    result: Samples = treated * treated.dtype.type(before / after)
    return result
