"""Night Depot: the beat in between.  A long sub bass that fights any long kick, sparse glass keys, a chopped voice.

140 BPM felt at 70, F minor, straight; 4 bars of intro, 4 of verse, 4 of hook; 48 kHz, 24 bits.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from .drums import Voice, at_peak, clap, hat, kick, loop, metal, rim, shaker, snare, tom
from .instruments import chord, glass_key, held_voices, long_sub_bass, voice
from .score import Clock, Score, finished_stem, loose, rolled
from .synth import (
    Sound,
    add,
    band_pass,
    decay,
    echoes,
    faded,
    high_pass,
    in_room,
    low_pass,
    noise,
    rng_for,
    room_response,
    shaped_noise,
    sine,
    times,
)

RATE = 48000
CLOCK = Clock(RATE, 140.0, 12, 0.5)
INTRO, VERSE, HOOK = range(0, 4), range(4, 8), range(8, 12)

# F minor 7, D flat major 7, B flat minor 7, C minor 7.
ROOTS = (29, 37, 34, 36)
CHORDS = ((53, 56, 60, 63), (53, 56, 60, 61), (53, 56, 58, 61), (55, 58, 60, 63))
DROPS = (((6, 77), (11, 75)), ((7, 68), (14, 72)), ((6, 73), (12, 77)), ((4, 70), (11, 67), (14, 65)))

# The voice: (step, note, steps long, vowels, slide from, velocity).  Cut hard, as a sampler would.
CHOPS = {
    1: ((8, 68, 5, ("oo", "ah"), 65, 0.6),),
    3: ((10, 67, 2, ("eh", "eh"), 0, 0.6), (12, 67, 1, ("eh", "eh"), 0, 0.5), (13, 67, 1, ("eh", "eh"), 0, 0.45),
        (14, 65, 2, ("oh", "oo"), 67, 0.6)),
    5: ((10, 77, 1.5, ("ah", "ah"), 0, 0.7), (12, 72, 3, ("ah", "oh"), 77, 0.7)),
    7: ((6, 67, 1, ("eh", "eh"), 0, 0.6), (8, 70, 1, ("eh", "eh"), 0, 0.6), (10, 72, 5, ("eh", "ah"), 70, 0.75)),
    8: ((0, 72, 3, ("ah", "ah"), 68, 0.85), (3, 72, 1, ("eh", "eh"), 0, 0.6), (6, 68, 3, ("oh", "ah"), 0, 0.8),
        (11, 67, 1, ("eh", "eh"), 0, 0.6), (12, 65, 3.5, ("ah", "oo"), 67, 0.8)),
    9: ((0, 72, 3, ("ah", "ah"), 68, 0.85), (3, 73, 1, ("eh", "eh"), 0, 0.6), (6, 68, 6, ("oh", "ah"), 73, 0.8),
        (14, 65, 1, ("oh", "oh"), 0, 0.6), (15, 65, 1, ("oh", "oh"), 0, 0.5)),
    10: ((0, 73, 3, ("ah", "ah"), 70, 0.85), (3, 72, 1, ("eh", "eh"), 0, 0.6), (6, 70, 3, ("oh", "ah"), 0, 0.8),
         (11, 68, 1, ("eh", "eh"), 0, 0.6), (12, 65, 3.5, ("ah", "oo"), 68, 0.8)),
    11: ((0, 67, 2, ("eh", "ah"), 0, 0.85), (2, 67, 2 / 3, ("eh", "eh"), 0, 0.6),
         (8 / 3, 67, 2 / 3, ("eh", "eh"), 0, 0.6), (10 / 3, 67, 2 / 3, ("eh", "eh"), 0, 0.6),
         (6, 70, 2, ("oh", "ah"), 0, 0.8), (8, 72, 7, ("ah", "oo"), 70, 0.85)),
}


def sub() -> Sound:
    """A bar a note in the verse, sliding; in the hook it is struck again and again."""
    out = CLOCK.silence()
    for bar in (*VERSE, *HOOK):
        root = ROOTS[bar % 4]
        ahead = ROOTS[(bar + 1) % 4]
        if bar in VERSE:
            notes: tuple[tuple[float, float, float, float | None], ...] = ((0, root, 15.5, ahead),)
        else:
            notes = ((0, root, 5.6, None), (6, root, 3.7, None), (10, root, 5.7, ahead))
        for step, note, steps, glide in notes:
            add(out, long_sub_bass(note, CLOCK.length(steps), RATE, glide_to=glide), CLOCK.frame(bar, step))
    return finished_stem(out, RATE, -11.0)


def keys() -> Sound:
    """A chord, then single drops of its notes, each thrown into the dark."""
    rng = rng_for("night-depot keys")
    out = CLOCK.silence(2)

    @cache
    def tine(note: int, strong: bool) -> Sound:
        return glass_key(note, int(2.4 * RATE), RATE, velocity=0.85 if strong else 0.5)

    for bar in range(CLOCK.bars):
        hand = chord([tine(note, bar in HOOK) for note in CHORDS[bar % 4]], rolled(rng, 4, RATE), 0.5)
        add(out, faded(hand[:, : CLOCK.length(14)], RATE, in_s=0.0, out_s=0.2), CLOCK.frame(bar, 0), 0.5)
        for step, note in DROPS[bar % 4] if bar not in INTRO else DROPS[bar % 4][:1]:
            side = 0.6 if step % 4 else -0.6
            place = CLOCK.frame(bar, step, off_s=loose(rng, 0.005))
            add(out, chord([tine(note, False)], [0], 0.0) * np.array([[1 - side], [1 + side]], dtype=np.float32), place,
                float(rng.uniform(0.45, 0.6)))
    sway = np.float32(0.22) * sine(140.0 / 60.0, CLOCK.frames, RATE)
    out *= np.stack([1 + sway, 1 - sway])
    thrown = echoes(out, RATE, time_s=3 * CLOCK.step_s, feedback=0.5, wet=0.3, dull_hz=3200.0, count=5)
    hangar = room_response(RATE, rng, decay_s=1.8, dark_hz=2600.0)
    return finished_stem(high_pass(in_room(thrown, hangar, 0.3), 120.0, RATE), RATE, -6.0)


def chops() -> Sound:
    """The voice, and the air of the hall it stands in."""
    rng = rng_for("night-depot voice")
    out = CLOCK.silence()
    for bar, figure in CHOPS.items():
        for step, note, steps, vowel, slide, velocity in figure:
            sound = voice(note, CLOCK.length(steps), RATE, rng, vowel=vowel,
                          come_from=float(slide) if slide else None, velocity=velocity)
            add(out, sound, CLOCK.frame(bar, step))
    for bar in range(CLOCK.bars):
        behind = held_voices(CHORDS[bar % 4], CLOCK.length(16) + int(0.3 * RATE), RATE, rng,
                             vowel="ah" if bar in HOOK else "oh")
        add(out, behind, CLOCK.frame(bar, 0), 0.19 if bar in HOOK else 0.17)
    hall = room_response(RATE, rng, decay_s=1.3, dark_hz=3800.0)
    wet = in_room(out, hall, 0.3)
    draught = shaped_noise(CLOCK.frames, RATE, lambda hz: 1.0 / np.sqrt((1 + (700 / hz) ** 4) * (1 + (hz / 5200) ** 4)),
                           rng)
    level = float(np.sqrt(np.mean(np.square(wet)))) * 0.1
    return finished_stem(np.mean(wet, axis=0, dtype=np.float32) + draught * np.float32(level), RATE, -6.0)


# Drums: concrete, sheet metal, sparks -------------------------------------------------------------------------------


@cache
def kick_long() -> Sound:
    return kick(RATE, rng_for("quarry"), length_s=1.1, low_hz=43.7, high_hz=160.0, fall_s=0.06, ring_s=1.5,
                click=0.25, warmth=3.0, knock=0.15)


@cache
def kick_short() -> Sound:
    return kick(RATE, rng_for("nail"), length_s=0.12, low_hz=78.0, high_hz=260.0, fall_s=0.012, ring_s=0.1,
                click=0.7, warmth=1.4)


@cache
def snare_rich() -> Sound:
    hangar = room_response(RATE, rng_for("gate room"), decay_s=0.4, dark_hz=4200.0)
    return snare(RATE, rng_for("gate"), length_s=0.4, low_hz=196.0, skin_s=0.24, wires_s=0.3, wires=1.0,
                 bright_hz=8000.0, room=hangar, wet=0.2)


@cache
def snare_lean() -> Sound:
    return snare(RATE, rng_for("knuckle"), length_s=0.08, low_hz=290.0, skin_s=0.045, wires_s=0.05, wires=0.6,
                 bright_hz=7000.0, snap=1.5)


@cache
def hands() -> Sound:
    return clap(RATE, rng_for("tile"), length_s=0.22, hands=3, low_hz=1100.0, high_hz=4200.0, tail_s=0.16)


@cache
def hat_bright() -> Sound:
    return hat(RATE, rng_for("spark"), length_s=0.045, ring_s=0.04, base_hz=700.0, low_hz=7000.0, high_hz=15000.0)


@cache
def hat_dark() -> Sound:
    return hat(RATE, rng_for("rust"), length_s=0.08, ring_s=0.075, base_hz=295.0, low_hz=2800.0, high_hz=6500.0)


@cache
def hat_open() -> Sound:
    return hat(RATE, rng_for("vent"), length_s=0.6, ring_s=0.9, base_hz=400.0, low_hz=6000.0, high_hz=14000.0)


@cache
def grit() -> Sound:
    return shaker(RATE, rng_for("grit"), length_s=0.1, low_hz=3800.0, high_hz=12000.0)


def drip() -> Sound:
    """A drop into a bucket: a sine that leaps up."""
    frames = int(0.16 * RATE)
    hz = 620.0 + 900.0 * (1 - np.exp(-times(frames, RATE).astype(np.float64) / 0.03))
    return faded(sine(hz, frames, RATE) * decay(frames, RATE, 0.14), RATE, in_s=0.002, out_s=0.02)


def sheet() -> Sound:
    """A sheet of metal struck flat: a crash without a maker's name."""
    rng = rng_for("sheet")
    frames = int(1.6 * RATE)
    cloud = high_pass(metal(frames, RATE, 270.0) + np.float32(0.8) * noise(frames, rng), 2200.0, RATE)
    clang = band_pass(cloud, 900.0, 3500.0, RATE) * decay(frames, RATE, 0.7)
    return faded(low_pass(cloud, 13000.0, RATE) * decay(frames, RATE, 2.0) + clang, RATE, in_s=0.002, out_s=0.3)


def loop_rich() -> Sound:
    """Two bars of half time: long kick, hall snare, rolling hats, grit without end, the hangar's hum."""
    voices = [
        Voice(kick_long(), "X-----x---------  --x-----x--x----", 0.0),
        Voice(snare_rich(), "--------X------o --------X----o-o", -1.0),
        Voice(hat_dark(), "x-x-x-xxx-x-xxxx", -8.0, 0.2),
        Voice(hat_open(), "------x---------", -10.0, -0.25),
        Voice(grit(), "oxXxoxXxoxXxoxXx", -10.0, -0.4),
    ]
    return loop(Clock(RATE, 140.0, 2), rng_for("hangar doors"), voices, loose_s=0.002, room_s=1.6, wet=0.7,
                dark_hz=3500.0, air_db=-14.0, air_band=(80.0, 5000.0), glue=2.1)


def loop_lean() -> Sound:
    """Two bars of the top alone, dry and short: made to lie over a kick and a snare."""
    voices = [
        Voice(hat_bright(), "x-x-x-x-x-x-x-xx", -3.0),
        Voice(grit(), "--x---x---x---x-", 0.0),
    ]
    return loop(Clock(RATE, 140.0, 2), rng_for("shift change"), voices, channels=1)


SCORE = Score(
    slug="night-depot",
    clock=CLOCK,
    bits=24,
    stems={"stems/long-sub-bass.wav": sub, "stems/glass-keys.wav": keys, "stems/chopped-voice.wav": chops},
    drums={
        "drums/kick-long-quarry.wav": at_peak(-1.0, kick_long),
        "drums/kick-short-nail.wav": at_peak(-1.0, kick_short),
        "drums/snare-gate.wav": at_peak(-2.0, snare_rich),
        "drums/snare-knuckle.wav": at_peak(-2.0, snare_lean),
        "drums/clap-tile.wav": at_peak(-4.0, hands),
        "drums/rim-latch.wav": at_peak(-4.0, lambda: rim(
            RATE, rng_for("latch"), length_s=0.06, low_hz=780.0, ring_s=0.04, tick=0.7)),
        "drums/hat-closed-spark.wav": at_peak(-7.0, hat_bright),
        "drums/hat-closed-rust.wav": at_peak(-7.0, hat_dark),
        "drums/hat-open-vent.wav": at_peak(-8.0, hat_open),
        "drums/crash-sheet.wav": at_peak(-6.0, sheet),
        "drums/shaker-grit.wav": at_peak(-8.0, grit),
        "drums/perc-drip.wav": at_peak(-8.0, drip),
        "drums/tom-well.wav": at_peak(-3.0, lambda: tom(
            RATE, rng_for("well"), length_s=0.8, low_hz=78.0, ring_s=0.9, stick=0.2)),
        "drums/loop-hangar-doors_140bpm.wav": loop_rich,
        "drums/loop-shift-change_140bpm.wav": loop_lean,
    },
)
