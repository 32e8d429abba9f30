"""The auditory frequency scale and the two sets of bands on it.

Conventions
    Cam is the unit of the ERB-number scale.  Fine bands are 0.25 Cam wide and hold measured power; bands are 1 Cam wide
    and hold excitation and loudness.  Four fine bands make one band's width, and the fine bands reach a quarter Cam
    past the bands at either end.

References
    Glasberg and Moore, Hearing Research 47 (1990), 103-138: ERB and ERB-number (MEM).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dossier.model.measures import Array

FINE_WIDTH_CAM = 0.25
FINE_EDGES_CAM: Array = 0.75 + FINE_WIDTH_CAM * np.arange(157)
BAND_EDGES_CAM: Array = 1.0 + np.arange(39)


def cam(f_hz: npt.ArrayLike) -> Any:
    """ERB-number in Cam of a frequency in Hz: 21.4 log10(0.00437 f + 1); 1 kHz is 15.621 Cam."""
    return 21.4 * np.log10(0.00437 * np.asarray(f_hz, dtype=float) + 1.0)


def hz(cams: npt.ArrayLike) -> Any:
    """Frequency in Hz of an ERB-number in Cam: the inverse of `cam`."""
    return (10.0 ** (np.asarray(cams, dtype=float) / 21.4) - 1.0) / 0.00437


def erb_hz(f_hz: npt.ArrayLike) -> Any:
    """Equivalent rectangular bandwidth in Hz at a centre frequency in Hz: 24.7 (4.37 f/1000 + 1)."""
    return 24.7 * (4.37 * np.asarray(f_hz, dtype=float) / 1000.0 + 1.0)


FINE_CAM: Array = (FINE_EDGES_CAM[:-1] + FINE_EDGES_CAM[1:]) / 2.0  # (156,) centres, 0.875 ... 39.625
FINE_EDGES_HZ: Array = hz(FINE_EDGES_CAM)  # (157,) 19.2 Hz ... 16.25 kHz
FINE_HZ: Array = hz(FINE_CAM)  # (156,)
BAND_CAM: Array = (BAND_EDGES_CAM[:-1] + BAND_EDGES_CAM[1:]) / 2.0  # (38,) centres, 1.5 ... 38.5
BAND_EDGES_HZ: Array = hz(BAND_EDGES_CAM)  # (39,) 26 Hz ... 15 kHz
BAND_HZ: Array = hz(BAND_CAM)  # (38,)

for _constant in (FINE_EDGES_CAM, BAND_EDGES_CAM, FINE_CAM, FINE_EDGES_HZ, FINE_HZ, BAND_CAM, BAND_EDGES_HZ, BAND_HZ):
    _constant.setflags(write=False)
del _constant
