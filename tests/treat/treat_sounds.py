"""Signals whose treatment has a known answer, and ways to read the result."""

from __future__ import annotations

import numpy as np

from dossier.model.measures import Array

RATE = 48_000


def sine(hz: float, seconds: float = 1.0, *, peak: float = 1.0, rate: int = RATE, phase: float = 0.0) -> Array:
    """`(frames, 1)`."""
    return peak * np.sin(2.0 * np.pi * hz * np.arange(round(seconds * rate)) / rate + phase)[:, None]


def burst(seconds: float = 0.5, *, seed: int = 1, channels: int = 2, rate: int = RATE, per_s: float = 12.0) -> Array:
    """A decaying noise with a body at 180 Hz: a plain snare, `(frames, channels)`, peak below 1."""
    time = np.arange(round(seconds * rate)) / rate
    noise = np.random.default_rng(seed).standard_normal((len(time), channels))
    sound = 0.25 * noise + 0.5 * np.sin(2.0 * np.pi * 180.0 * time)[:, None]
    sound *= np.exp(-per_s * time)[:, None]
    return 0.8 * sound / np.max(np.abs(sound))


def level_db(samples: Array) -> float:
    """RMS over everything, dB."""
    return float(10.0 * np.log10(np.mean(samples**2)))


def peak_db(samples: Array) -> float:
    return float(20.0 * np.log10(np.max(np.abs(samples))))


def lines_db(samples: Array, hz: float, count: int, *, rate: int = RATE) -> Array:
    """Levels of a steady tone's first harmonics, dB re the fundamental; `samples` holds whole periods of 1 Hz bins."""
    spectrum = np.abs(np.fft.rfft(samples[:, 0])) / len(samples)
    bins = [round(hz * k * len(samples) / rate) for k in range(1, count + 1)]
    return np.array(20.0 * np.log10(np.maximum(spectrum[bins], 1e-20) / spectrum[bins[0]]))
