"""Arithmetic on many rows at once, each a sound or its spectrum, for a coarse look at a library (`coarse`)."""

from __future__ import annotations

import numpy as np
import scipy

from dossier.model.measures import Array, Indices


def at_places(rows: Array, places: Array) -> Array:
    """Each row at its own fractional places `(rows, n)`, interpolated linearly and held at the ends."""
    clipped = np.clip(places, 0.0, rows.shape[1] - 1)
    lower = np.minimum(clipped.astype(np.intp), rows.shape[1] - 2)
    low = np.take_along_axis(rows, lower, axis=1)
    return np.asarray(low + (np.take_along_axis(rows, lower + 1, axis=1) - low) * (clipped - lower))


def at_same_places(rows: Array, places: Array) -> Array:
    """All rows at the same places `(n,)`."""
    clipped = np.clip(places, 0.0, rows.shape[1] - 1)
    lower = np.minimum(clipped.astype(np.intp), rows.shape[1] - 2)
    low = rows[:, lower]
    return np.asarray(low + (rows[:, lower + 1] - low) * (clipped - lower))


def running_sums(power: Array | Indices) -> Array:
    out = np.zeros((len(power), power.shape[1] + 1))
    np.cumsum(power, axis=1, out=out[:, 1:])
    return out


def power_of(spectrum: Array) -> Array:
    """Power of lines `(..., channels, lines)`, summed over channels; the spectrum's own memory is used up."""
    squares = spectrum.view(np.float32)
    np.square(squares, out=squares)
    power = squares[..., 0, 0::2] + squares[..., 0, 1::2]
    for channel in range(1, spectrum.shape[-2]):
        power += squares[..., channel, 0::2]
        power += squares[..., channel, 1::2]
    return np.asarray(power)


def up_to(hz: float, bin_hz: float, most: int) -> int:
    """The last line up to about a frequency, so that what is transformed back has a length that is quick."""
    return min(int(scipy.fft.next_fast_len(int(hz / bin_hz), real=True)), most)


def sound_of_lines(lines: Array, size: int) -> Array:
    """A sound of which some lines of a transform of `size` are left, at twice the frequency of the last."""
    length = 2 * (lines.shape[2] - 1)
    return np.asarray(scipy.fft.irfft(lines, length, axis=2) * np.float32(length / size))
