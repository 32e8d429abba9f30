"""Made-up sounds with a known spectrum and timing, for the hearing tests.  Full scale 1, `(frames,)`."""

from __future__ import annotations

import numpy as np

from dossier.measure import hearing

RATE = 48000


def tone_powers(*tones: tuple[float, float]) -> np.ndarray:
    """Fine-band powers of pure tones given as (Hz, dB); with `spl_offset_db=0` the dB are dB SPL."""
    return np.sum([hearing.tone_powers(f_hz, level_db) for f_hz, level_db in tones], axis=0)


def loudness_of(powers: np.ndarray, *, spl_offset_db: float = 0.0) -> np.ndarray:
    """Loudness in sone of fine-band powers."""
    return hearing.specific_loudness(hearing.excitation(powers, spl_offset_db=spl_offset_db)).sum(axis=-1)


def sine(f_hz: float, seconds: float, *, rms: float = 1.0, rate_hz: int = RATE) -> np.ndarray:
    return rms * np.sqrt(2.0) * np.sin(2.0 * np.pi * f_hz * np.arange(round(seconds * rate_hz)) / rate_hz)


def shaped_noise(
    seconds: float, density_db, *, seed: int, low_hz: float = 15.0, high_hz: float = 20000.0
) -> np.ndarray:
    """Steady noise of RMS 1 whose power density in dB per Hz is `density_db(f_hz)` between two frequencies."""
    frames = round(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(frames))
    f_hz = np.fft.rfftfreq(frames, 1.0 / RATE)
    inside = (f_hz >= low_hz) & (f_hz <= high_hz)
    gain = np.zeros(len(f_hz))
    gain[inside] = 10.0 ** (density_db(f_hz[inside]) / 20.0)
    noise = np.fft.irfft(spectrum * gain, frames)
    return noise / np.sqrt(np.mean(noise**2))


def kick() -> np.ndarray:
    t = np.arange(round(0.4 * RATE)) / RATE
    return 0.8 * np.exp(-t / 0.07) * np.sin(2.0 * np.pi * (50.0 * t + 4.0 * (1.0 - np.exp(-t / 0.02))))


def snare(seed: int = 5) -> np.ndarray:
    t = np.arange(round(0.3 * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal(len(t))
    return 0.3 * np.exp(-t / 0.05) * noise + 0.4 * np.exp(-t / 0.06) * np.sin(2.0 * np.pi * 190.0 * t)


def hat(seed: int = 6) -> np.ndarray:
    t = np.arange(round(0.08 * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal(len(t))
    return 0.5 * np.exp(-t / 0.015) * np.diff(noise, n=3, prepend=[0.0, 0.0, 0.0]) / 4.0


def notes(
    pitches_hz: list[float], length_s: float, *, partials: int, slope_db: float, decay_s: float | None = None
) -> np.ndarray:
    """One note after another: `partials` harmonics falling by `slope_db` an octave, 5 ms attack, 10 ms release."""
    t = np.arange(round(length_s * RATE)) / RATE
    envelope = np.minimum(1.0, t / 0.005) * np.minimum(1.0, (length_s - t) / 0.01)
    if decay_s is not None:
        envelope = envelope * np.exp(-t / decay_s)
    parts = []
    for pitch in pitches_hz:
        harmonics = [k for k in range(1, partials + 1) if k * pitch < 18000.0]
        gains = [10.0 ** (slope_db * np.log2(k) / 20.0) for k in harmonics]
        waves = (np.sin(2.0 * np.pi * k * pitch * t + k * k) for k in harmonics)
        parts.append(envelope * sum(gain * wave for gain, wave in zip(gains, waves, strict=True)))
    return np.concatenate(parts)


def placed(sound: np.ndarray, times_s: list[float], seconds: float) -> np.ndarray:
    """A sound at each time, over silence."""
    out = np.zeros(round(seconds * RATE))
    for time_s in times_s:
        at = round(time_s * RATE)
        count = min(len(sound), len(out) - at)
        out[at : at + count] += sound[:count]
    return out
