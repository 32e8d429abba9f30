"""Slow Ferry: the open beat.  A gut-string bass, a felted keyboard, a far drone; hardly anything above the low mids.

92 BPM, D minor, sixteenths swung to 58 %; 4 bars of intro, 4 of verse, 4 of hook; 48 kHz, 24 bits.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from .drums import Voice, at_peak, clap, hat, kick, loop, rim, shaker, snare
from .instruments import bowed_drone, chord, felt_key, gut_bass
from .score import Clock, Score, finished_stem, loose, rolled
from .synth import Sound, add, db, drive, in_room, line, low_pass, rng_for, room_response, shaped_noise, to_peak

RATE = 48000
CLOCK = Clock(RATE, 92.0, 12, 0.58)
INTRO, VERSE, HOOK = range(0, 4), range(4, 8), range(8, 12)

# Dm9, Gm9, Bb major 7, A minor 7: the left hand's roots, the right hand's voicings with the shortest ways between them.
ROOTS = (38, 31, 34, 33)
VOICINGS = ((53, 57, 60, 64), (53, 57, 58, 62), (50, 53, 57, 62), (52, 55, 60, 64))
TURNS = (  # the top line of the hook: (step, note, steps long, velocity)
    ((3, 69, 3, 0.5), (7, 67, 2, 0.42), (10, 65, 5, 0.55)),
    ((4, 65, 3, 0.45), (8, 67, 2, 0.4), (11, 62, 5, 0.5)),
    ((3, 69, 2, 0.5), (6, 65, 4, 0.45), (12, 64, 3, 0.4)),
    ((2, 67, 4, 0.5), (8, 64, 3, 0.42), (13, 60, 3, 0.45)),
)


def bass() -> Sound:
    """Root, fifth and a way to the next root; silent through the intro."""
    rng = rng_for("slow-ferry bass")
    out = CLOCK.silence()
    for bar in (*VERSE, *HOOK):
        root = ROOTS[bar % 4]
        ahead = ROOTS[(bar + 1) % 4]
        near = ahead + (1 if ahead < root else -2)
        if bar in HOOK:
            figure = [(0, root, 4.5, 0.9), (5, root + 12, 0.8, 0.35), (7, root + 7, 2.2, 0.66), (10, root, 3, 0.8),
                      (13, root + 12, 0.9, 0.4), (14, near, 1.8, 0.7)]
        else:
            figure = [(0, root, 6.5, 0.88), (7, root, 1.2, 0.42), (8, root + 7, 2.6, 0.62), (11, root, 3.2, 0.74),
                      (15, near, 1, 0.5)]
        if bar == CLOCK.bars - 1:
            figure = [(0, root, 6, 0.8), (8, 38, 8, 0.7)]
        for step, note, steps, velocity in figure:
            velocity = float(np.clip(velocity + rng.normal(0, 0.03), 0.1, 1.0))
            sound = gut_bass(note, CLOCK.length(steps) + 2000, RATE, rng, velocity=velocity)
            add(out, sound, CLOCK.frame(bar, step, off_s=loose(rng, 0.004) if step else 0.0))
    return finished_stem(drive(to_peak(low_pass(out, 2600.0, RATE), 0.0), 2.0), RATE, -9.5)


def keys() -> Sound:
    """Chords on one and late before three, broken a little; the hook gets a line on top."""
    rng = rng_for("slow-ferry keys")
    out = CLOCK.silence(2)

    @cache
    def struck(note: int, soft: bool) -> Sound:
        return felt_key(note, int(2.6 * RATE), RATE, rng_for(f"felt {note} {soft}"), velocity=0.45 if soft else 0.75)

    def held(note: int, steps: float, velocity: float) -> Sound:
        frames = min(CLOCK.length(steps), int(2.6 * RATE))
        sound = struck(note, velocity < 0.6)[:frames].copy()
        damper = min(int(0.09 * RATE), frames)
        sound[-damper:] *= np.linspace(1, 0, damper, dtype=np.float32) ** 2
        return sound * np.float32(velocity / (0.45 if velocity < 0.6 else 0.75))

    for bar in range(CLOCK.bars):
        notes: tuple[int, ...] = VOICINGS[bar % 4]
        blows: list[tuple[int, tuple[int, ...], float, float]]
        if bar == CLOCK.bars - 1:
            blows = [(0, notes, 7.5, 0.6), (8, (50, 57, 60, 65), 8, 0.55)]
        elif bar in INTRO:
            blows = [(0, notes, 10, 0.62), (11, notes[1:], 5, 0.4)]
        else:
            blows = [(0, notes, 6.6, 0.68), (7, notes[1:3], 1.4, 0.36), (10, notes, 5.5, 0.55)]
        for step, hand, steps, velocity in blows:
            starts = rolled(rng, len(hand), RATE)
            sound = chord([held(n, steps, velocity * float(rng.uniform(0.9, 1.05))) for n in hand], starts, 0.45)
            add(out, sound, CLOCK.frame(bar, step, off_s=loose(rng, 0.005) if step else 0.0))
        for step, note, steps, velocity in TURNS[bar % 4] if bar in HOOK and bar < CLOCK.bars - 1 else ():
            sound = chord([held(note, steps, velocity)], [0], 0.0)
            add(out, sound, CLOCK.frame(bar, step, off_s=loose(rng, 0.006)))
    wooden = room_response(RATE, rng, decay_s=0.9, dark_hz=900.0)
    played = to_peak(low_pass(in_room(out, wooden, 0.28), 3600.0, RATE), -8.0)
    still = shaped_noise(
        CLOCK.frames, RATE, lambda hz: 1.0 / np.sqrt((1 + (180 / hz) ** 4) * (1 + (hz / 2500) ** 2)), rng
    )
    return finished_stem(played + still * np.float32(db(-62.0)), RATE, -8.0)


def drone() -> Sound:
    """D and A on low bows behind everything, leaning in towards the hook."""
    rng = rng_for("slow-ferry drone")
    body = bowed_drone((38, 45, 50), CLOCK.frames, RATE, rng, far_hz=560.0)
    hum = bowed_drone((57, 62, 65), CLOCK.frames, RATE, rng, far_hz=1100.0)
    shape = line(CLOCK.frames, [(0, 0.0), (0.04, 0.45), (0.3, 0.55), (0.34, 0.35), (0.66, 0.5), (0.7, 0.75), (1, 0.6)])
    late = line(CLOCK.frames, [(0, 0.0), (0.62, 0.1), (0.72, 0.4), (1, 0.35)])
    return finished_stem(body * shape + hum * late, RATE, -12.0)


# Drums: worn, wooden, close to the floor ------------------------------------------------------------------------------


@cache
def kick_long() -> Sound:
    return kick(RATE, rng_for("cellar"), length_s=0.75, low_hz=48.0, high_hz=105.0, fall_s=0.045, ring_s=0.85,
                click=0.1, warmth=1.6, knock=0.2)


@cache
def kick_short() -> Sound:
    return kick(RATE, rng_for("slipper"), length_s=0.2, low_hz=62.0, high_hz=120.0, fall_s=0.02, ring_s=0.16,
                click=0.16, warmth=1.1)


@cache
def snare_rich() -> Sound:
    hall = room_response(RATE, rng_for("crate room"), decay_s=0.4, dark_hz=2500.0)
    return snare(RATE, rng_for("crate"), length_s=0.55, low_hz=172.0, skin_s=0.28, wires_s=0.36, wires=0.6,
                 bright_hz=5200.0, room=hall, wet=0.5)


@cache
def snare_lean() -> Sound:
    return snare(RATE, rng_for("matchbox"), length_s=0.11, low_hz=236.0, skin_s=0.06, wires_s=0.07, wires=0.35,
                 bright_hz=4200.0, snap=1.4)


@cache
def hat_dark() -> Sound:
    return hat(RATE, rng_for("paper"), length_s=0.09, ring_s=0.09, base_hz=310.0, low_hz=3200.0, high_hz=7000.0)


@cache
def hat_bright() -> Sound:
    return hat(RATE, rng_for("pin"), length_s=0.06, ring_s=0.05, base_hz=520.0, low_hz=8200.0, high_hz=17000.0)


@cache
def hat_open() -> Sound:
    return hat(RATE, rng_for("tin lid"), length_s=0.5, ring_s=0.55, base_hz=340.0, low_hz=4200.0, high_hz=9500.0)


@cache
def stick() -> Sound:
    return rim(RATE, rng_for("broom"), length_s=0.09, low_hz=505.0, ring_s=0.06)


@cache
def grains() -> Sound:
    return shaker(RATE, rng_for("rice"), length_s=0.14, low_hz=3000.0, high_hz=9000.0)


def loop_rich() -> Sound:
    """Two bars at 90: kick, snare, ghosts, shaker, and the room they were taken in."""
    voices = [
        Voice(kick_long(), "x-----x---X----- x--o--x---x-----", 0.0),
        Voice(snare_rich(), "----X--o-o--X--- ----X--o----X-oo", -1.5),
        Voice(hat_dark(), "x-xox-xxx-xox-xo", -9.0, 0.25),
        Voice(hat_open(), "--------------x-", -13.0, 0.25),
        Voice(grains(), "xoXoxoXoxoXoxoXo", -11.0, -0.4),
    ]
    return loop(Clock(RATE, 90.0, 2, 0.58), rng_for("dusty floor"), voices, loose_s=0.004, room_s=0.7, wet=0.32,
                dark_hz=3000.0, air_db=-24.0, glue=1.9)


def loop_lean() -> Sound:
    """Two bars at 92, cut dry: three short sounds and nothing between them."""
    voices = [
        Voice(kick_short(), "x-----x---x-----"),
        Voice(snare_lean(), "----X-------X---", -2.0),
        Voice(hat_bright(), "x-x-x-x-x-x-x-x-", -12.0),
    ]
    return loop(Clock(RATE, 92.0, 2, 0.58), rng_for("lean steps"), voices, loose_s=0.002, channels=1)


SCORE = Score(
    slug="slow-ferry",
    clock=CLOCK,
    bits=24,
    stems={"stems/gut-bass.wav": bass, "stems/felt-keys.wav": keys, "stems/far-drone.wav": drone},
    drums={
        "drums/kick-long-cellar.wav": at_peak(-2.0, kick_long),
        "drums/kick-short-slipper.wav": at_peak(-2.0, kick_short),
        "drums/snare-crate.wav": at_peak(-3.0, snare_rich),
        "drums/snare-matchbox.wav": at_peak(-3.0, snare_lean),
        "drums/clap-stairwell.wav": at_peak(-4.0, lambda: clap(
            RATE, rng_for("stairwell"), length_s=0.35, hands=4, low_hz=700.0, high_hz=3800.0, tail_s=0.3)),
        "drums/rim-broom.wav": at_peak(-6.0, stick),
        "drums/hat-closed-paper.wav": at_peak(-8.0, hat_dark),
        "drums/hat-closed-pin.wav": at_peak(-8.0, hat_bright),
        "drums/hat-open-tinlid.wav": at_peak(-9.0, hat_open),
        "drums/shaker-rice.wav": at_peak(-9.0, grains),
        "drums/loop-dusty-floor_90bpm.wav": loop_rich,
        "drums/loop-lean-steps_92bpm.wav": loop_lean,
    },
)
