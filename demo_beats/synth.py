"""Oscillators, envelopes, filters and space: what every instrument of the demo beats is made of.

Conventions: sound is float32, mono `(frames,)` or stereo `(2, frames)` (channels first, so that each channel is
contiguous); times are seconds, pitches hertz, levels linear unless the name says `_db`.  Randomness comes from a
generator that is passed in, so the same score gives the same bytes.

References: harmonics are summed by Horner's rule on `z = r exp(i phase)`, so a series of any length costs one complex
multiplication a harmonic, and `r < 1` damps the k-th harmonic by `r^k`, as losses in a string do.  Sustained ensembles
are made in the frequency domain: bands of noise round each harmonic, random phases, one inverse transform.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

Sound = npt.NDArray[np.float32]
Floats = npt.NDArray[np.floating]
Rng = np.random.Generator


def rng_for(name: str) -> Rng:
    """A generator that depends on nothing but the name."""
    return np.random.default_rng(zlib.crc32(name.encode()))


def db(level_db: float) -> float:
    """Level in dB as a factor of amplitude."""
    return math.pow(10.0, level_db / 20.0)


def note_hz(note: float) -> float:
    """Pitch of a MIDI note number, equal temperament, A4 (69) = 440 Hz."""
    return 440.0 * math.pow(2.0, (note - 69.0) / 12.0)


def times(frames: int, rate_hz: int) -> Sound:
    """Time of each frame in seconds."""
    return (np.arange(frames, dtype=np.float64) / rate_hz).astype(np.float32)


# Oscillators --------------------------------------------------------------------------------------------------------


def cycles(hz: float | Floats, frames: int, rate_hz: int) -> Sound:
    """Phase in cycles, wrapped to 0-1, of a steady or gliding pitch; starts at 0."""
    if isinstance(hz, np.ndarray):
        turn = np.cumsum(hz, dtype=np.float64)
        turn -= hz[0]
        turn /= rate_hz
    else:
        turn = np.arange(frames, dtype=np.float64) * (hz / rate_hz)
    return np.mod(turn, 1.0).astype(np.float32)


def sine(hz: float | Floats, frames: int, rate_hz: int, *, start: float = 0.0) -> Sound:
    """A sine of steady or gliding pitch; `start` is its first phase in cycles."""
    turn = cycles(hz, frames, rate_hz) + np.float32(start)
    return np.asarray(np.sin(np.float32(2 * math.pi) * turn), dtype=np.float32)


def square(hz: float | Floats, frames: int, rate_hz: int) -> Sound:
    """A plain square; its aliases are welcome in cymbals and used nowhere else."""
    return np.where(cycles(hz, frames, rate_hz) < 0.5, np.float32(1), np.float32(-1))


def harmonics(phase: Sound, amplitudes: Sequence[float], damping: Sound | None = None) -> Sound:
    """Sum of `amplitudes[k-1] * damping^k * sin(2 pi k phase)`."""
    angle = phase * np.float32(2 * math.pi)
    z = np.empty(len(phase), dtype=np.complex64)
    z.real = np.cos(angle)
    z.imag = np.sin(angle)
    if damping is not None:
        z *= damping
    total = z * np.complex64(amplitudes[-1])
    for amplitude in reversed(amplitudes[:-1]):
        total += np.complex64(amplitude)
        total *= z
    return np.ascontiguousarray(total.imag)


def falling(count: int, slope_db_per_octave: float, *, odd_only: bool = False) -> list[float]:
    """Amplitudes of a harmonic series that falls by a steady slope."""
    power = slope_db_per_octave / (20.0 * math.log10(2.0))
    return [0.0 if odd_only and k % 2 == 0 else math.pow(k, power) for k in range(1, count + 1)]


def noise(frames: int, rng: Rng) -> Sound:
    """White noise, RMS 1."""
    return rng.standard_normal(frames, dtype=np.float32)


def shaped_noise(frames: int, rate_hz: int, gain: Callable[[Floats], Floats], rng: Rng, *, channels: int = 1) -> Sound:
    """Noise whose spectrum follows `gain(hz)`, RMS 1; periodic over its length, so it loops without a seam."""
    hz = fft.rfftfreq(frames, 1.0 / rate_hz)
    shape = gain(np.maximum(hz, 1.0)).astype(np.float32)
    rows = [_from_magnitudes(shape, rng.random(len(hz), dtype=np.float32), frames) for _ in range(channels)]
    out = np.stack(rows)
    out /= np.float32(max(float(np.sqrt(np.mean(np.square(out)))), 1e-9))
    return out[0] if channels == 1 else out


def ensemble(
    notes: Sequence[float], amplitudes: Sequence[float], frames: int, rate_hz: int, rng: Rng, *,
    cents: float = 12.0, width: float = 0.5, channels: int = 2,
) -> Sound:
    """Many players on one chord: each harmonic is a narrow band of noise `cents` wide (standard deviation).

    `width` 0-1 is how far the channels' phases differ; 0 is mono, 1 leaves them unrelated.  RMS 1.
    """
    size = int(fft.next_fast_len(frames, real=True))
    bins = size // 2 + 1
    spacing = rate_hz / size
    magnitude = np.zeros(bins, dtype=np.float32)
    for note in notes:
        for k, amplitude in enumerate(amplitudes, start=1):
            centre = note_hz(note) * k
            spread = max(centre * (math.pow(2.0, cents / 1200.0) - 1.0), spacing)
            low = max(int((centre - 4 * spread) / spacing), 1)
            high = min(int((centre + 4 * spread) / spacing) + 2, bins)
            if amplitude == 0.0 or low >= high:
                continue
            away = ((np.arange(low, high) * spacing - centre) / spread).astype(np.float32)
            # The area under the bell in power stays the same however wide it is.
            magnitude[low:high] += np.exp(-0.5 * away * away) * np.float32(amplitude / math.sqrt(spread))
    phase = rng.random(bins, dtype=np.float32)
    rows = [_from_magnitudes(magnitude, phase, size)[:frames]]
    for _ in range(channels - 1):
        turned = phase + np.float32(width) * (rng.random(bins, dtype=np.float32) - np.float32(0.5))
        rows.append(_from_magnitudes(magnitude, turned, size)[:frames])
    out = np.stack(rows)
    out /= np.float32(max(float(np.sqrt(np.mean(np.square(out)))), 1e-9))
    return out[0] if channels == 1 else out


def _from_magnitudes(magnitude: Sound, phase_cycles: Sound, frames: int) -> Sound:
    """Inverse transform of a spectrum given by magnitude and phase, without its DC."""
    spectrum = np.zeros(len(magnitude), dtype=np.complex64)
    used = np.flatnonzero(magnitude)
    used = used[used > 0]
    angle = phase_cycles[used] * np.float32(2 * math.pi)
    spectrum.real[used] = magnitude[used] * np.cos(angle)
    spectrum.imag[used] = magnitude[used] * np.sin(angle)
    return np.asarray(fft.irfft(spectrum, n=frames), dtype=np.float32)


# Envelopes ----------------------------------------------------------------------------------------------------------


def decay(frames: int, rate_hz: int, time_s: float) -> Sound:
    """Exponential fall, 60 dB in `time_s`."""
    return np.asarray(np.exp(times(frames, rate_hz) * np.float32(-6.9078 / time_s)), dtype=np.float32)


def line(frames: int, points: Sequence[tuple[float, float]]) -> Sound:
    """Straight segments through `(share of the length, value)`."""
    places, values = zip(*points, strict=True)
    return np.asarray(np.interp(np.linspace(0.0, 1.0, frames), places, values), dtype=np.float32)


def swell(frames: int, rate_hz: int, *, rise_s: float, fall_s: float) -> Sound:
    """A held sound: raised-cosine rise and fall at its ends."""
    return faded(np.ones(frames, dtype=np.float32), rate_hz, in_s=rise_s, out_s=fall_s)


def faded(sound: Sound, rate_hz: int, *, in_s: float = 0.001, out_s: float = 0.01) -> Sound:
    """A copy with raised-cosine fades: first and last frame are 0."""
    out = sound.copy()
    total = sound.shape[-1]
    rise, fall = min(int(in_s * rate_hz), total // 2), min(int(out_s * rate_hz), total // 2)
    if rise > 0:
        out[..., :rise] *= _ramp(rise)
    if fall > 0:
        out[..., total - fall :] *= _ramp(fall)[::-1]
    return out


def _ramp(frames: int) -> Sound:
    return (0.5 - 0.5 * np.cos(np.linspace(0.0, math.pi, frames))).astype(np.float32)


# Filters and shaping ------------------------------------------------------------------------------------------------


def low_pass(sound: Sound, hz: float, rate_hz: int, *, order: int = 2) -> Sound:
    return _butter(sound, hz, rate_hz, "lowpass", order)


def high_pass(sound: Sound, hz: float, rate_hz: int, *, order: int = 2) -> Sound:
    return _butter(sound, hz, rate_hz, "highpass", order)


def band_pass(sound: Sound, low_hz: float, high_hz: float, rate_hz: int, *, order: int = 1) -> Sound:
    return _butter(sound, (low_hz, min(high_hz, 0.49 * rate_hz)), rate_hz, "bandpass", order)


def _butter(sound: Sound, hz: float | tuple[float, float], rate_hz: int, kind: str, order: int) -> Sound:
    sections = signal.butter(order, hz, btype=kind, fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sections, sound.astype(np.float64)), dtype=np.float32)


def bell(sound: Sound, hz: float, gain_db: float, q: float, rate_hz: int) -> Sound:
    """Peaking equaliser, Audio EQ Cookbook (W3C Group Note)."""
    a = math.pow(10.0, gain_db / 40.0)
    w = 2 * math.pi * hz / rate_hz
    alpha = math.sin(w) / (2 * q)
    b = [1 + alpha * a, -2 * math.cos(w), 1 - alpha * a]
    return np.asarray(
        signal.lfilter(b, [1 + alpha / a, -2 * math.cos(w), 1 - alpha / a], sound.astype(np.float64)), dtype=np.float32
    )


def drive(sound: Sound, amount: float) -> Sound:
    """Soft saturation, unity for small signals at `amount` 1."""
    return np.asarray(np.tanh(sound * np.float32(amount)) / math.tanh(amount), dtype=np.float32)


def to_peak(sound: Sound, peak_dbfs: float) -> Sound:
    """The same sound with its highest sample at `peak_dbfs`; silence stays silence."""
    peak = float(np.max(np.abs(sound), initial=0.0))
    return sound * np.float32(db(peak_dbfs) / peak) if peak > 0 else sound


# Space --------------------------------------------------------------------------------------------------------------


def pan(sound: Sound, position: float) -> Sound:
    """Mono to stereo at equal power; -1 left, 0 middle, 1 right."""
    angle = (position + 1.0) * math.pi / 4.0
    return np.stack([sound * np.float32(math.cos(angle)), sound * np.float32(math.sin(angle))])


def add(bus: Sound, sound: Sound, frame: int, gain: float = 1.0) -> None:
    """Mix `sound` into `bus` from `frame` on, in place; what would pass the end is cut."""
    count = min(sound.shape[-1], bus.shape[-1] - frame)
    if count > 0:
        bus[..., frame : frame + count] += sound[..., :count] * np.float32(gain)


def add_round(bus: Sound, sound: Sound, frame: int, gain: float = 1.0) -> None:
    """Mix into a loop: what passes the end comes in at the start."""
    length = bus.shape[-1]
    frame %= length
    done = 0
    while done < sound.shape[-1]:
        count = min(sound.shape[-1] - done, length - frame)
        bus[..., frame : frame + count] += sound[..., done : done + count] * np.float32(gain)
        done, frame = done + count, 0


def room_response(rate_hz: int, rng: Rng, *, decay_s: float, dark_hz: float, early: int = 8) -> Sound:
    """Impulse response of an invented room, stereo: scattered early reflections, then noise that darkens."""
    frames = int(decay_s * rate_hz)
    out = np.zeros((2, frames), dtype=np.float32)
    bright, dull = decay(frames, rate_hz, 0.45 * decay_s), decay(frames, rate_hz, decay_s)
    build_up = np.minimum(times(frames, rate_hz) / np.float32(0.02), np.float32(1))
    for channel in out:
        tail = noise(frames, rng)
        low = low_pass(tail, dark_hz, rate_hz, order=1)
        channel += (low * dull + (tail - low) * bright * np.float32(0.5)) * build_up
        channel /= np.float32(max(float(np.sqrt(np.sum(np.square(channel)))), 1e-9))
        places = (rng.uniform(0.004, 0.055, early) * rate_hz).astype(int)
        channel[np.minimum(places, frames - 1)] += (rng.uniform(0.1, 0.35, early) * rng.choice([-1, 1], early)).astype(
            np.float32
        )
    return faded(high_pass(out, 90.0, rate_hz, order=1), rate_hz, in_s=0.0, out_s=0.2 * decay_s)


def in_room(sound: Sound, response: Sound, wet: float, *, pre_delay_frames: int = 0, around: bool = False) -> Sound:
    """Stereo sound of a mono or stereo source in a room; `around` wraps the tail to the start, as a loop needs."""
    frames = sound.shape[-1]
    source = np.stack([sound, sound]) if sound.ndim == 1 else sound
    size = frames if around else fft.next_fast_len(frames + response.shape[-1], real=True)
    if around and response.shape[-1] > frames:
        response = response[:, :frames]
    spectrum = fft.rfft(source, n=size)
    spectrum *= fft.rfft(response, n=size)
    tail = np.asarray(fft.irfft(spectrum, n=size), dtype=np.float32)
    if pre_delay_frames:
        tail = np.roll(tail, pre_delay_frames, axis=-1)
    return source + tail[:, :frames] * np.float32(wet)


def echoes(
    sound: Sound, rate_hz: int, *, time_s: float, feedback: float, wet: float, dull_hz: float, count: int = 5,
) -> Sound:
    """Repeats that cross from side to side, each quieter and duller than the one before; stereo."""
    out = np.stack([sound, sound]) if sound.ndim == 1 else sound.copy()
    step = round(time_s * rate_hz)
    repeat = np.mean(out, axis=0)
    for index in range(1, count + 1):
        repeat = low_pass(repeat, dull_hz, rate_hz, order=1)
        gain = wet * math.pow(feedback, index - 1)
        add(out, pan(repeat, 0.7 if index % 2 else -0.7), index * step, gain)
    return out


def widened(sound: Sound, rate_hz: int, *, rate: float, depth_ms: float) -> Sound:
    """Mono to stereo by two slowly moving short delays in opposite phase (chorus)."""
    frames = len(sound)
    at = np.arange(frames, dtype=np.float64)
    sway = np.sin(2 * math.pi * rate / rate_hz * at)
    rows = []
    for side in (-1.0, 1.0):
        back = (1.2 + 0.5 * side * sway) * depth_ms * 1e-3 * rate_hz
        rows.append(0.7 * sound + 0.5 * np.interp(at - back, at, sound).astype(np.float32))
    return np.stack(rows).astype(np.float32)
