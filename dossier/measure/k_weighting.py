"""K-weighting: the filter of ITU-R BS.1770-5 Annex 1, at any sample rate from 4 kHz.

The standard prints coefficients for 48 kHz.  At other rates they come from pyloudnorm's `DeMan` filters, which have the
same analogue prototypes; pyloudnorm's default class reads 0.03-0.045 dB low.  The high-pass is printed with b = 1, -2,
1, a gain that belongs to 48 kHz.  At other rates the gain is set so that 997 Hz, the calibration tone, reads the same;
otherwise 8 kHz would read 0.2 dB high and 192 kHz 0.03 dB low.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from dossier.model.measures import Array

OFFSET_DB = -0.691  # BS.1770-5 eq. 2: a 997 Hz full-scale sine in one channel reads -3.01
DESIGN_RATE_HZ = 48_000  # the rate of the standard's printed coefficients
PRINTED = (  # BS.1770-5 Tables 1 and 2: b0, b1, b2, a0, a1, a2
    (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585),
    (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
)
CALIBRATION_HZ = 997.0  # BS.1770-5 Annex 1
LOWEST_RATE_HZ = 4000  # below, the shelf at 1.7 kHz does not fit under half the rate


def k_weight_db(f_hz: npt.ArrayLike, *, rate_hz: int = DESIGN_RATE_HZ) -> Array:
    """Gain in dB at the frequencies `f_hz`, same shape: -inf at 0 Hz, held above half the rate, +0.691 at 997 Hz."""
    f = np.minimum(np.asarray(f_hz, np.float64), rate_hz / 2)
    with np.errstate(divide="ignore"):
        return np.where(f > 0.0, 20.0 * np.log10(_gain(sections(rate_hz), f, rate_hz)), -np.inf)


@lru_cache(maxsize=16)
def sections(rate_hz: int) -> Array:
    """The filter as second-order sections, `(2, 6)`, for `scipy.signal.sosfilt`."""
    if rate_hz == DESIGN_RATE_HZ:
        return np.array(PRINTED)
    from pyloudnorm import Meter

    meter, tone = Meter(rate_hz, filter_class="DeMan"), np.array(CALIBRATION_HZ)
    found = np.array([[*stage.b, *stage.a] for stage in meter._filters.values()])
    found[0, :3] *= _gain(np.array(PRINTED), tone, DESIGN_RATE_HZ) / _gain(found, tone, rate_hz)
    return found


def _gain(sos: Array, f_hz: Array, rate_hz: int) -> Array:
    z = np.exp(-2j * np.pi * f_hz / rate_hz)
    gain = np.ones(f_hz.shape)
    for b0, b1, b2, a0, a1, a2 in sos:
        gain = gain * np.abs((b0 + b1 * z + b2 * z * z) / (a0 + a1 * z + a2 * z * z))
    return gain
