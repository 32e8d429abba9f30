"""The contract of all treatments: samples `(frames, 1 or 2 channels)`, finite, answered in the caller's float type."""

from __future__ import annotations

import numpy as np

from dossier.errors import MeasureError
from dossier.model.measures import Array, Samples

SILENCE = 1e-9  # -180 dBFS: below the last bit of 24-bit audio (-144 dBFS) by a wide margin


def checked(samples: Samples, rate_hz: int) -> Array:
    """The samples as float64, never the caller's memory; `MeasureError` if shape, rate or values break the contract."""
    if samples.ndim != 2 or samples.shape[1] not in (1, 2):
        raise MeasureError(f"treatment: samples must be (frames, 1 or 2 channels), found shape {samples.shape}")
    if rate_hz < 1000:
        raise MeasureError(f"treatment: sample rate must be 1000 Hz or more, found {rate_hz}")
    work = np.array(samples, dtype=np.float64)
    if not np.isfinite(work).all():
        raise MeasureError("treatment: samples must be finite, found NaN or infinity")
    return work


def like(result: Array, samples: Samples) -> Samples:
    """`result` in the float type of `samples`."""
    kind = samples.dtype if np.issubdtype(samples.dtype, np.floating) else np.dtype(np.float64)
    return result.astype(kind, copy=False)


def sample_peak(samples: Samples) -> float:
    """Largest absolute sample over all channels, linear; 0 for no samples."""
    return float(max(samples.max(), -samples.min())) if samples.size else 0.0
