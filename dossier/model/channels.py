"""Channels: a sound that is the same on both sides needs to be looked at once."""

from __future__ import annotations

import numpy as np

from dossier.model.measures import Samples

_FIRST = 4096  # frames that tell most stereo sounds from mono ones


def as_mono(samples: Samples) -> Samples:
    """One channel where both are alike; otherwise the samples as they are."""
    if samples.shape[1] != 2 or not np.array_equal(samples[:_FIRST, 0], samples[:_FIRST, 1]):
        return samples
    return samples[:, :1] if np.array_equal(samples[:, 0], samples[:, 1]) else samples
