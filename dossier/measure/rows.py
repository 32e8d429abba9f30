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
    """Sums of what comes before each place, from 0, `(rows, places + 1)`."""
    out = np.empty((len(power), power.shape[1] + 1))
    out[:, 0], out[:, 1:] = 0.0, power
    return np.cumsum(out, axis=1, out=out)  # in place: a third of the time that sums into another array take


def power_of(spectrum: Array) -> Array:
    """Power of lines `(..., channels, lines)`, summed over channels; the spectrum's own memory is used up."""
    squares = spectrum.view(np.float32)
    np.square(squares, out=squares)
    power = squares[..., 0, 0::2] + squares[..., 0, 1::2]
    for channel in range(1, spectrum.shape[-2]):
        power += squares[..., channel, 0::2]
        power += squares[..., channel, 1::2]
    return np.asarray(power)


def sums_at_lags(power: Array) -> Array:
    """Autocorrelation, not normalised, from the power of all lines of a transform of even length."""
    return np.asarray(scipy.fft.dct(power, type=1, axis=1) * np.float32(0.5 / (power.shape[1] - 1)))


def up_to(hz: float, bin_hz: float, most: int) -> int:
    """The last line up to about a frequency, so that what is transformed back has a length that is quick."""
    return min(int(scipy.fft.next_fast_len(int(hz / bin_hz), real=True)), most)


def sound_of_lines(lines: Array, size: int) -> Array:
    """A sound of which some lines of a transform of `size` are left, at twice the frequency of the last."""
    length = 2 * (lines.shape[2] - 1)
    return np.asarray(scipy.fft.irfft(lines, length, axis=2) * np.float32(length / size))
