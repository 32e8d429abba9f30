"""The drums of the demo beats: one function a kind of drum, and loops played from them.

Conventions: as in `synth`.  A one-shot starts within a millisecond of its first frame (unless it is given a lead of
silence) and ends at zero.  A loop is written round: what rings past its end comes in again at its start, its room and
its noise are periodic over it, so its end joins its start.

Models, common practice, no source: a kick is a sine that falls in pitch, with a click; a snare is two modes of a
membrane, with noise for its wires; cymbals are clusters of square waves that have nothing in common, multiplied by one
another and high-passed; a clap is a few bursts of noise within 30 ms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .score import Clock, Maker, loose
from .synth import (
    Floats,
    Rng,
    Sound,
    add_round,
    band_pass,
    decay,
    drive,
    faded,
    high_pass,
    in_room,
    line,
    low_pass,
    noise,
    pan,
    room_response,
    shaped_noise,
    sine,
    square,
    times,
    to_peak,
)

CLUSTER = (1.0, 1.377, 1.741, 2.089, 2.623, 3.191)


def kick(
    rate_hz: int, rng: Rng, *, length_s: float, low_hz: float, high_hz: float, fall_s: float, ring_s: float,
    click: float, warmth: float, knock: float = 0.0,
) -> Sound:
    """`high_hz` falls to `low_hz` with time constant `fall_s`; `knock` adds a shell at 3.1 times the pitch."""
    frames = int(length_s * rate_hz)
    t = times(frames, rate_hz).astype(np.float64)
    hz = low_hz + (high_hz - low_hz) * np.exp(-t / fall_s) + 1.5 * high_hz * np.exp(-t / 0.004)
    body = sine(hz, frames, rate_hz) * decay(frames, rate_hz, ring_s)
    shell = sine(3.1 * low_hz + 40.0 * np.exp(-t / 0.01), frames, rate_hz) * decay(frames, rate_hz, 0.22 * ring_s)
    beater = band_pass(noise(frames, rng) * decay(frames, rate_hz, 0.014), 1400.0, 6500.0, rate_hz)
    whole = drive(body + np.float32(knock) * shell, warmth) + np.float32(click) * beater
    return faded(high_pass(whole, 20.0, rate_hz), rate_hz, in_s=0.0006, out_s=min(0.03, 0.2 * length_s))


def snare(
    rate_hz: int, rng: Rng, *, length_s: float, low_hz: float, skin_s: float, wires_s: float, wires: float,
    bright_hz: float, room: Sound | None = None, wet: float = 0.0, snap: float = 0.4,
) -> Sound:
    """Two membrane modes (ratio 1.593, an ideal membrane's first two) under noise; mono, or stereo in a room."""
    frames = int(length_s * rate_hz)
    t = times(frames, rate_hz).astype(np.float64)
    bend = 1.0 + 0.16 * np.exp(-t / 0.012)
    skin = sine(low_hz * bend, frames, rate_hz) * decay(frames, rate_hz, skin_s)
    skin += np.float32(0.7) * sine(1.593 * low_hz * bend, frames, rate_hz) * decay(frames, rate_hz, 0.7 * skin_s)
    hiss = noise(frames, rng)
    wire = low_pass(high_pass(hiss, 900.0, rate_hz), bright_hz, rate_hz, order=1)
    wire *= np.float32(0.65) * decay(frames, rate_hz, wires_s) + np.float32(0.35) * decay(frames, rate_hz, wires_s / 3)
    stick = band_pass(hiss, 2500.0, 13000.0, rate_hz, order=2) * decay(frames, rate_hz, 0.01)
    whole = drive(np.float32(0.9) * skin + np.float32(wires) * wire + np.float32(snap) * stick, 1.3)
    whole = high_pass(whole, 60.0, rate_hz)
    if room is not None:
        whole = in_room(whole, room, wet)
    return faded(whole, rate_hz, in_s=0.0005, out_s=min(0.04, 0.25 * length_s))


def clap(rate_hz: int, rng: Rng, *, length_s: float, hands: int, low_hz: float, high_hz: float, tail_s: float) -> Sound:
    """Several hands within 30 ms, then the place they clap in."""
    frames = int(length_s * rate_hz)
    shape = np.zeros(frames, dtype=np.float32)
    for index in range(hands):
        start = int((0.009 * index + rng.uniform(0.0, 0.003)) * rate_hz)
        last = index == hands - 1
        shape[start:] += decay(frames - start, rate_hz, tail_s if last else 0.02) * np.float32(0.7 + 0.3 * last)
    return faded(band_pass(noise(frames, rng), low_hz, high_hz, rate_hz) * shape, rate_hz, in_s=0.0005, out_s=0.02)


def rim(rate_hz: int, rng: Rng, *, length_s: float, low_hz: float, ring_s: float, tick: float = 0.5) -> Sound:
    """Stick on rim: two short modes and a tick.  With a longer ring, a wood block or a bottle."""
    frames = int(length_s * rate_hz)
    out = sine(low_hz, frames, rate_hz) * decay(frames, rate_hz, ring_s)
    out += np.float32(0.8) * sine(2.71 * low_hz, frames, rate_hz) * decay(frames, rate_hz, 0.6 * ring_s)
    out += np.float32(tick) * high_pass(noise(frames, rng), 2000.0, rate_hz) * decay(frames, rate_hz, 0.008)
    return faded(out, rate_hz, in_s=0.0004, out_s=min(0.01, 0.2 * length_s))


def metal(frames: int, rate_hz: int, base_hz: float) -> Sound:
    """Six squares, multiplied in pairs and added: a cloud of partials without a pitch."""
    waves = [square(base_hz * ratio, frames, rate_hz) for ratio in CLUSTER]
    pairs = waves[0] * waves[3] + waves[1] * waves[4] + waves[2] * waves[5]
    return np.asarray(pairs + np.float32(0.5) * (waves[0] + waves[5]), dtype=np.float32)


def hat(
    rate_hz: int, rng: Rng, *, length_s: float, ring_s: float, base_hz: float, low_hz: float, high_hz: float,
    grit: float = 0.4,
) -> Sound:
    """Closed with a short ring, open with a long one; dark or bright by where its band lies."""
    frames = int(length_s * rate_hz)
    cloud = np.float32(0.4) * metal(frames, rate_hz, base_hz) + np.float32(grit) * noise(frames, rng)
    band = low_pass(high_pass(cloud, low_hz, rate_hz, order=3), min(high_hz, 0.45 * rate_hz), rate_hz)
    shape = np.float32(0.7) * decay(frames, rate_hz, ring_s) + np.float32(0.3) * decay(frames, rate_hz, 0.15 * ring_s)
    return faded(band * shape, rate_hz, in_s=0.0006, out_s=min(0.02, 0.3 * length_s))


def ride(rate_hz: int, rng: Rng, *, length_s: float, base_hz: float, ring_s: float, bow: float) -> Sound:
    """A stick on a large cymbal: a ping of a few partials over a long wash; `bow` is the share of the wash."""
    frames = int(length_s * rate_hz)
    ping = np.zeros(frames, dtype=np.float32)
    for ratio, level in ((1.0, 0.5), (1.47, 0.7), (2.09, 0.8), (3.31, 0.6), (4.83, 0.5), (6.7, 0.4)):
        partial = sine(base_hz * 2 * ratio, frames, rate_hz, start=0.17 * ratio)
        ping += partial * decay(frames, rate_hz, ring_s / (0.6 + 0.4 * ratio)) * np.float32(level)
    wash = high_pass(metal(frames, rate_hz, base_hz) + noise(frames, rng), 3500.0, rate_hz)
    wash *= np.minimum(times(frames, rate_hz) / np.float32(0.02), np.float32(1)) * decay(frames, rate_hz, 0.9 * ring_s)
    stick = band_pass(noise(frames, rng), 2500.0, 9000.0, rate_hz) * decay(frames, rate_hz, 0.012)
    return faded(np.float32(0.5) * ping + np.float32(bow) * wash + stick, rate_hz, in_s=0.0006, out_s=0.15 * length_s)


def shaker(rate_hz: int, rng: Rng, *, length_s: float, low_hz: float, high_hz: float) -> Sound:
    """Grains thrown forward and caught: a slow rise, a sharper end."""
    frames = int(length_s * rate_hz)
    grains = np.where(rng.random(frames, dtype=np.float32) < np.float32(0.3), noise(frames, rng), np.float32(0))
    shape = line(frames, [(0.0, 0.0), (0.3, 0.55), (0.5, 1.0), (0.62, 0.35), (0.75, 0.5), (1.0, 0.0)])
    return faded(band_pass(grains, low_hz, high_hz, rate_hz) * shape, rate_hz, in_s=0.002, out_s=0.01)


def tom(rate_hz: int, rng: Rng, *, length_s: float, low_hz: float, ring_s: float, stick: float = 0.3) -> Sound:
    """A tuned membrane: three modes of an ideal one (1, 1.593, 2.136), falling a little in pitch."""
    frames = int(length_s * rate_hz)
    bend = 1.0 + 0.22 * np.exp(-times(frames, rate_hz).astype(np.float64) / 0.05)
    out = np.zeros(frames, dtype=np.float32)
    for ratio, level, share in ((1.0, 1.0, 1.0), (1.593, 0.45, 0.5), (2.136, 0.25, 0.3)):
        out += sine(low_hz * ratio * bend, frames, rate_hz) * decay(frames, rate_hz, ring_s * share) * np.float32(level)
    out += np.float32(stick) * band_pass(noise(frames, rng), 800.0, 5000.0, rate_hz) * decay(frames, rate_hz, 0.02)
    return faded(high_pass(drive(out, 1.2), 20.0, rate_hz), rate_hz, in_s=0.0006, out_s=0.15 * length_s)


def at_peak(peak_dbfs: float, make: Maker) -> Maker:
    """The same drum, delivered with its highest sample at `peak_dbfs`."""
    return lambda: to_peak(make(), peak_dbfs)


def led(sound: Sound, rate_hz: int, silence_s: float) -> Sound:
    """The same sound after a stretch of silence, as an uncut recording has it."""
    silence = np.zeros((*sound.shape[:-1], int(silence_s * rate_hz)), dtype=np.float32)
    return np.concatenate([silence, sound], axis=-1)


# Loops --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Voice:
    """One drum of a loop: its sound, its steps (`x` hit, `X` accent, `o` ghost, `-` rest), its level and place."""

    sound: Sound
    steps: str
    gain_db: float = 0.0
    side: float = 0.0


STRENGTH = {"X": 1.0, "x": 0.72, "o": 0.3}


def loop(
    clock: Clock, rng: Rng, voices: Sequence[Voice], *, loose_s: float = 0.0, room_s: float = 0.0, wet: float = 0.0,
    dark_hz: float = 4000.0, air_db: float | None = None, air_band: tuple[float, float] = (120.0, 6000.0),
    glue: float = 0.0, channels: int = 2,
) -> Sound:
    """Play the voices round a loop of `clock.bars` bars.

    `room_s` and `wet` put it in a room, `air_db` adds that room's own noise (relative to the loop's RMS), `glue`
    saturates the whole.
    """
    out = clock.silence(channels)
    for voice in voices:
        sound = to_peak(voice.sound, 0.0)
        if channels == 2 and sound.ndim == 1:
            sound = pan(sound, voice.side)
        line_steps = voice.steps.replace(" ", "").replace("|", "")
        for step, mark in enumerate(line_steps * (clock.bars * 16 // len(line_steps))):
            if mark == "-":
                continue
            frame = clock.frame(0, step, off_s=loose(rng, loose_s) if step else 0.0)
            add_round(out, sound, frame, STRENGTH[mark] * math.pow(10.0, (voice.gain_db + loose(rng, 0.7)) / 20.0))
    if room_s > 0:
        out = in_room(out, room_response(clock.rate_hz, rng, decay_s=room_s, dark_hz=dark_hz), wet, around=True)
    if air_db is not None:
        level = float(np.sqrt(np.mean(np.square(out)))) * math.pow(10.0, air_db / 20.0)
        low, high = air_band

        def hiss(hz: Floats) -> Floats:
            return np.asarray(1.0 / np.sqrt((1.0 + (low / hz) ** 4) * (1.0 + (hz / high) ** 2)))

        out = out + shaped_noise(clock.frames, clock.rate_hz, hiss, rng, channels=channels) * np.float32(level)
    if glue > 0:
        out = drive(to_peak(out, 0.0), glue)
    return to_peak(out, -3.0)
