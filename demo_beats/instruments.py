"""The players of the demo beats: one function a sound, each returning one note or one chord.

Conventions: as in `synth`; `note` is a MIDI note number, `velocity` 0-1 changes brightness as well as level.  Notes
start within a millisecond of their first frame and end at zero.  Formant frequencies of the voice are rounded from the
averages that phonetics books give for adult speakers (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .synth import (
    Rng,
    Sound,
    band_pass,
    bell,
    cycles,
    decay,
    drive,
    ensemble,
    faded,
    falling,
    harmonics,
    high_pass,
    line,
    low_pass,
    noise,
    note_hz,
    pan,
    sine,
    swell,
    times,
)

VOWELS: dict[str, tuple[tuple[float, float, float], ...]] = {  # formant Hz, bandwidth Hz, level dB
    "ah": ((840, 90, 0), (1220, 110, -4), (2810, 150, -16), (3900, 220, -22)),
    "oh": ((500, 80, 0), (860, 100, -7), (2750, 150, -26), (3800, 220, -30)),
    "eh": ((600, 80, 0), (2100, 120, -9), (2950, 160, -14), (4000, 220, -20)),
    "oo": ((370, 70, 0), (900, 100, -14), (2650, 150, -34), (3700, 220, -38)),
}


def gut_bass(note: float, frames: int, rate_hz: int, rng: Rng, *, velocity: float = 0.8) -> Sound:
    """An upright-like bass: a thick string plucked with a finger at a fifth of its length, a wooden body, a thump."""
    ring = times(frames, rate_hz)
    bend = note_hz(note) * (1.0 + 0.012 * np.exp(-ring.astype(np.float64) / 0.03))
    losses = np.exp(-ring * np.float32(1.0 + 0.9 * (1.0 - velocity)))
    series = [1.0, 0.62, 0.34, 0.2 * velocity, 0.0, 0.09 * velocity, 0.04 * velocity]
    tone = harmonics(cycles(bend, frames, rate_hz), series, losses) * decay(frames, rate_hz, 4.0)
    tone = bell(tone, 110.0, 3.0, 1.2, rate_hz)
    thump = low_pass(noise(frames, rng) * decay(frames, rate_hz, 0.06), 320.0, rate_hz)
    finger = band_pass(noise(frames, rng) * decay(frames, rate_hz, 0.018), 700.0, 1600.0, rate_hz)
    whole = tone + np.float32(0.5) * thump + np.float32(0.16 * velocity) * finger
    return faded(whole, rate_hz, in_s=0.002, out_s=0.06) * np.float32(velocity)


def felt_key(note: float, frames: int, rate_hz: int, rng: Rng, *, velocity: float = 0.7) -> Sound:
    """A hammer through felt: few harmonics, soon gone, two strings a hair apart, a dull knock."""
    ring = times(frames, rate_hz)
    series = [a * math.exp(-0.5 * (k - 1) * (1.25 - velocity)) for k, a in enumerate(falling(12, -5.5), start=1)]
    losses = np.exp(-ring * np.float32(0.55))
    beat = 0.35 + 0.1 * float(rng.random())
    tone = harmonics(cycles(note_hz(note) - beat / 2, frames, rate_hz), series, losses)
    tone += harmonics(cycles(note_hz(note) + beat / 2, frames, rate_hz), series, losses)
    tone *= np.float32(0.7) * decay(frames, rate_hz, 4.4) + np.float32(0.3) * decay(frames, rate_hz, 0.5)
    knock = band_pass(noise(frames, rng) * decay(frames, rate_hz, 0.05), 140.0, 600.0, rate_hz)
    return faded(tone + np.float32(0.22) * knock, rate_hz, in_s=0.004, out_s=0.09) * np.float32(velocity)


def bowed_drone(notes: Sequence[float], frames: int, rate_hz: int, rng: Rng, *, far_hz: float) -> Sound:
    """Low bows held through a whole piece, far away: their upper harmonics are left on the road.  Mono.

    They bow at a fifth of the string, a node of every fifth harmonic, so that no major third sounds over the root.
    """
    series = [0.0 if k % 5 == 0 else amplitude for k, amplitude in enumerate(falling(16, -6.0), start=1)]
    body = ensemble(notes, series, frames, rate_hz, rng, cents=7.0, channels=1)
    return low_pass(body, far_hz, rate_hz, order=2)


def round_bass(note: float, frames: int, rate_hz: int, *, velocity: float = 0.8) -> Sound:
    """A played synthesiser bass: a full low harmonic series whose brightness falls over the note."""
    ring = times(frames, rate_hz)
    losses = np.exp(-ring * np.float32(9.0 - 4.0 * velocity)) * np.float32(0.72) + np.float32(0.22)
    tone = harmonics(cycles(note_hz(note), frames, rate_hz), falling(24, -4.0), losses)
    tone += np.float32(0.6) * sine(note_hz(note), frames, rate_hz)
    return faded(drive(tone * np.float32(0.8), 1.6), rate_hz, in_s=0.003, out_s=0.03) * np.float32(velocity)


def wide_pad(notes: Sequence[float], frames: int, rate_hz: int, rng: Rng, *, bright: float) -> Sound:
    """A chord of many slightly different voices, with breath above them; stereo."""
    body = ensemble(notes, falling(20, -5.0), frames, rate_hz, rng, cents=9.0, width=0.55)
    upper = ensemble([note + 12 for note in notes[-2:]], falling(14, -4.0), frames, rate_hz, rng, cents=11.0, width=0.8)
    breath = high_pass(np.stack([noise(frames, rng), noise(frames, rng)]), 5200.0, rate_hz)
    breath *= np.float32(0.6) + np.float32(0.4) * sine(0.31, frames, rate_hz, start=float(rng.random()))
    whole = body + np.float32(0.25 + 0.35 * bright) * upper + np.float32(0.06 + 0.12 * bright) * breath
    return np.asarray(whole * swell(frames, rate_hz, rise_s=0.35, fall_s=0.4), dtype=np.float32)


def pluck(note: float, frames: int, rate_hz: int, rng: Rng, *, velocity: float = 0.7) -> Sound:
    """A short bright string: the upper harmonics go first."""
    losses = np.exp(-times(frames, rate_hz) * np.float32(3.4 - 1.2 * velocity))
    count = min(22, int(0.42 * rate_hz / note_hz(note)))
    position = 0.18 + 0.06 * float(rng.random())  # where along the string it is plucked
    series = [abs(math.sin(math.pi * k * position)) / math.pow(k, 1.15 - 0.3 * velocity) for k in range(1, count + 1)]
    tone = harmonics(cycles(note_hz(note), frames, rate_hz), series, losses) * decay(frames, rate_hz, 0.9)
    nail = high_pass(noise(frames, rng) * decay(frames, rate_hz, 0.012), 3000.0, rate_hz)
    return faded(tone + np.float32(0.12) * nail, rate_hz, in_s=0.001, out_s=0.03) * np.float32(velocity)


def glass_bell(note: float, frames: int, rate_hz: int, *, velocity: float = 0.7) -> Sound:
    """A small bell: partials that no string has, the high ones short."""
    out = np.zeros(frames, dtype=np.float32)
    for ratio, level, time_s in (
        (0.5, 0.25, 2.2), (1.0, 1.0, 1.9), (2.02, 0.6, 1.2), (2.76, 0.45, 0.9), (4.11, 0.3, 0.6), (5.43, 0.28, 0.42),
        (8.2, 0.16, 0.25),
    ):
        hz = note_hz(note) * ratio
        if hz < 0.45 * rate_hz:
            level *= math.pow(velocity, 0.35 * ratio)
            out += sine(hz, frames, rate_hz, start=0.13 * ratio) * decay(frames, rate_hz, time_s) * np.float32(level)
    return faded(out, rate_hz, in_s=0.0015, out_s=0.05) * np.float32(velocity)


def strings(notes: Sequence[float], frames: int, rate_hz: int, rng: Rng, *, pulse_hz: float = 0.0) -> Sound:
    """A bowed section, bright, from the left to the right; `pulse_hz` makes the bows tremble.  Stereo."""
    body = ensemble(notes, falling(22, -4.2), frames, rate_hz, rng, cents=14.0, width=0.9)
    rosin = high_pass(np.stack([noise(frames, rng), noise(frames, rng)]), 4500.0, rate_hz, order=1)
    body += np.float32(0.05) * rosin
    if pulse_hz > 0:
        body *= np.float32(0.75) + np.float32(0.25) * sine(pulse_hz, frames, rate_hz, start=0.25)
    return body * swell(frames, rate_hz, rise_s=0.18, fall_s=0.25)


def reed_lead(
    note: float, frames: int, rate_hz: int, rng: Rng, *, come_from: float | None = None, velocity: float = 0.8
) -> Sound:
    """A reed that leads: it may slide in from another note, and its vibrato arrives late."""
    ring = times(frames, rate_hz)
    slide = 0.0 if come_from is None else come_from - note
    depth = 0.28 * np.clip((ring - 0.18) / 0.3, 0.0, 1.0)
    sway = depth * sine(5.3 + 0.4 * float(rng.random()), frames, rate_hz)
    semitones = slide * np.exp(-ring / np.float32(0.035)) + sway
    hz = note_hz(note) * np.exp2(semitones.astype(np.float64) / 12.0)
    phase = cycles(hz, frames, rate_hz)
    count = min(20, int(0.42 * rate_hz / note_hz(note + 1)))
    dark = harmonics(phase, falling(count, -9.0))
    bright = harmonics(phase, [a * (1.0 if k % 2 else 0.55) for k, a in enumerate(falling(count, -5.0), start=1)])
    open_up = np.clip(ring / np.float32(0.09), 0.0, 1.0) * np.float32(velocity)
    breath = band_pass(noise(frames, rng), 2500.0, 9000.0, rate_hz) * np.float32(0.03)
    tone = dark * (np.float32(1) - open_up) + bright * open_up * np.float32(0.6) + breath
    return faded(tone, rate_hz, in_s=0.02, out_s=0.07) * np.float32(velocity)


def long_sub_bass(
    note: float, frames: int, rate_hz: int, *, glide_to: float | None = None, dirt: float = 2.4, velocity: float = 0.9
) -> Sound:
    """A long sub bass: one low sine, a knock at its start, just enough saturation to be heard on small speakers."""
    ring = times(frames, rate_hz).astype(np.float64)
    semitones = 9.0 * np.exp(-ring / 0.014)
    if glide_to is not None:
        semitones += (glide_to - note) * np.clip((ring / ring[-1] - 0.72) / 0.16, 0.0, 1.0)
    tone = sine(note_hz(note) * np.exp2(semitones / 12.0), frames, rate_hz)
    shape = line(frames, [(0.0, 1.0), (0.08, 0.92), (0.8, 0.8), (1.0, 0.6)])
    bent = drive(tone * shape + np.float32(0.08), dirt)
    return faded(high_pass(bent, 15.0, rate_hz, order=1), rate_hz, in_s=0.003, out_s=0.05) * np.float32(velocity)


def glass_key(note: float, frames: int, rate_hz: int, *, velocity: float = 0.7) -> Sound:
    """An electric key: a tine's fundamental, bent by a fast-fading high partial."""
    ring = decay(frames, rate_hz, 3.0)
    bite = sine(note_hz(note) * 7.0, frames, rate_hz) * decay(frames, rate_hz, 0.5) * np.float32(0.22 * velocity)
    body = sine(note_hz(note), frames, rate_hz) + sine(2 * note_hz(note), frames, rate_hz) * np.float32(0.22 * velocity)
    tine = sine(note_hz(note) * 3.98, frames, rate_hz) * decay(frames, rate_hz, 1.1) * np.float32(0.16 * velocity)
    return faded((body + bite + tine) * ring, rate_hz, in_s=0.002, out_s=0.12) * np.float32(velocity)


def voice(
    note: float, frames: int, rate_hz: int, rng: Rng, *, vowel: tuple[str, str] = ("ah", "ah"),
    come_from: float | None = None, air: float = 0.15, velocity: float = 0.8,
) -> Sound:
    """A sung syllable from nothing but harmonics: their levels follow four formants that move between two vowels."""
    ring = times(frames, rate_hz)
    slide = 0.0 if come_from is None else come_from - note
    depth = 0.22 * np.clip((ring - 0.12) / 0.25, 0.0, 1.0)
    semitones = slide * np.exp(-ring / np.float32(0.04)) + depth * sine(5.7, frames, rate_hz, start=float(rng.random()))
    phase = cycles(note_hz(note) * np.exp2(semitones.astype(np.float64) / 12.0), frames, rate_hz)
    count = int(min(9000.0, 0.45 * rate_hz) / note_hz(note + 0.5))
    first = harmonics(phase, _sung(note_hz(note), count, vowel[0]))
    move = line(frames, [(0.0, 0.0), (0.25, 0.1), (0.7, 1.0), (1.0, 1.0)])
    tone = first if vowel[0] == vowel[1] else first + move * (
        harmonics(phase, _sung(note_hz(note), count, vowel[1])) - first
    )
    breath = np.zeros(frames, dtype=np.float32)
    source = noise(frames, rng)
    for hz, bandwidth, level in VOWELS[vowel[1]]:
        breath += band_pass(source, hz - bandwidth, hz + bandwidth, rate_hz) * np.float32(10.0 ** (level / 40.0))
    breath += np.float32(0.6) * high_pass(source, 6000.0, rate_hz)
    onset = np.float32(1) + np.float32(2.0) * decay(frames, rate_hz, 0.12)
    whole = np.asarray(tone + breath * onset * np.float32(air), dtype=np.float32)
    return faded(whole, rate_hz, in_s=0.006, out_s=0.02) * np.float32(velocity)


def held_voices(notes: Sequence[float], frames: int, rate_hz: int, rng: Rng, *, vowel: str = "oo") -> Sound:
    """A few singers who hold a chord with their mouths nearly closed, and their breath.  Mono."""
    parts = []
    for note in notes:
        sung = _sung(note_hz(note), int(7000.0 / note_hz(note)), vowel)
        parts.append(ensemble([note], sung, frames, rate_hz, rng, cents=16.0, channels=1))
    breath = band_pass(noise(frames, rng), 1500.0, 8000.0, rate_hz)
    whole = np.sum(parts, axis=0) / np.float32(math.sqrt(len(notes))) + np.float32(0.1) * breath
    return np.asarray(whole * swell(frames, rate_hz, rise_s=0.3, fall_s=0.35), dtype=np.float32)


def _sung(hz: float, count: int, vowel: str) -> list[float]:
    """Levels of a voice's harmonics: a falling glottal source through the vowel's resonances."""
    out = []
    for k in range(1, count + 1):
        gain = sum(
            math.pow(10.0, level / 20.0) / math.sqrt(1.0 + math.pow((k * hz - centre) / (bandwidth / 1.2), 2))
            for centre, bandwidth, level in VOWELS[vowel]
        )
        out.append(gain / math.pow(k, 0.35))
    return out


def chord(notes: Sequence[Sound], frames_apart: Sequence[int], spread: float) -> Sound:
    """Single notes as one stereo chord, each with its own start; low notes to the left, high ones to the right."""
    total = max(len(note) + start for note, start in zip(notes, frames_apart, strict=True))
    out = np.zeros((2, total), dtype=np.float32)
    for index, (note, start) in enumerate(zip(notes, frames_apart, strict=True)):
        side = 0.0 if len(notes) == 1 else spread * (2.0 * index / (len(notes) - 1) - 1.0)
        out[:, start : start + len(note)] += pan(note, side)
    return out
