"""Lantern Market: the full beat.  Bass, wide pad, plucked figure, bells and strings, a reed in front, dust in the air.

132 BPM, G major, straight; 4 bars of intro, 4 of verse, 8 of hook; 44.1 kHz, 16 bits; its groove is a MIDI file.
"""

from __future__ import annotations

import io
from functools import cache

import numpy as np

from .drums import Voice, at_peak, clap, hat, kick, loop, rim, shaker, snare
from .instruments import chord, glass_bell, pluck, reed_lead, round_bass, strings, wide_pad
from .score import Clock, Score, finished_stem, loose
from .synth import (
    Sound,
    add,
    band_pass,
    decay,
    echoes,
    high_pass,
    in_room,
    line,
    noise,
    rng_for,
    room_response,
    sine,
    swell,
)

RATE = 44100
CLOCK = Clock(RATE, 132.0, 16, 0.5)
INTRO, VERSE, HOOK = range(0, 4), range(4, 8), range(8, 16)

# G with a ninth, D with a ninth over F sharp, E minor 7, C major 9.
ROOTS = (31, 30, 28, 36)
PADS = ((55, 59, 62, 69), (54, 57, 62, 64), (55, 59, 62, 64), (55, 60, 62, 64))
TONES = (  # what the plucked figure climbs through
    (67, 71, 74, 76, 79, 83, 86), (66, 69, 74, 76, 78, 81, 86),
    (64, 71, 74, 76, 79, 83, 88), (67, 71, 72, 76, 79, 84, 88),
)
HIGH = ((79, 83, 86), (78, 81, 86), (79, 83, 88), (79, 84, 88))
CLIMB = (0, 2, 4, 1, 3, 5, 2, 4, 6, 3, 5, 4, 2, 6, 5, 3)
TUNE = (  # the hook's tune, eight bars: (step, note, steps long, slide from)
    ((0, 74, 3, 0), (3, 76, 3, 0), (6, 79, 8, 76)),
    ((0, 78, 3, 0), (3, 76, 3, 0), (6, 74, 6, 0), (12, 69, 2, 0), (14, 71, 2, 0)),
    ((0, 71, 6, 69), (6, 74, 2, 0), (8, 76, 7, 74)),
    ((0, 76, 3, 0), (3, 74, 3, 0), (6, 72, 4, 0), (10, 71, 6, 72)),
    ((0, 79, 3, 76), (3, 81, 3, 0), (6, 83, 8, 81)),
    ((0, 81, 4, 0), (4, 79, 2, 0), (6, 78, 8, 79)),
    ((0, 79, 3, 0), (3, 78, 3, 0), (6, 76, 4, 0), (10, 74, 6, 76)),
    ((0, 76, 4, 0), (4, 79, 4, 76), (8, 78, 6, 79)),
)
CHIMES = (((0, 91), (3, 86), (6, 83), (10, 88)), ((0, 90), (4, 86), (6, 93), (12, 88)),
          ((0, 88), (3, 91), (6, 95), (11, 86)), ((0, 91), (6, 88), (8, 84), (14, 86)))


def bass() -> Sound:
    """Eighths that jump the octave; plain in the verse, restless in the hook."""
    rng = rng_for("lantern-market bass")
    out = CLOCK.silence()

    @cache
    def played(note: int, frames: int, strong: bool) -> Sound:
        return round_bass(note, frames, RATE, velocity=0.95 if strong else 0.7)

    for bar in (*VERSE, *HOOK):
        root = ROOTS[bar % 4]
        steps: tuple[tuple[int, int, float], ...]  # step, semitones above the root, steps long
        steps = ((0, 0, 3), (3, 0, 2.6), (6, 12, 1.6), (8, 0, 3), (11, 7, 1.8), (14, 12, 1.6))
        if bar in HOOK:
            steps = ((0, 0, 2.6), (3, 0, 1.6), (5, 12, 0.9), (6, 0, 1.8), (8, 0, 1.8), (10, 12, 0.9), (11, 7, 1.8),
                     (13, 0, 0.9), (14, 12, 1.7))
        for step, up, long in steps:
            sound = played(root + up, CLOCK.length(long), step % 8 == 0)
            gain = float(rng.uniform(0.92, 1.0))
            add(out, sound, CLOCK.frame(bar, step, off_s=loose(rng, 0.002) if step else 0.0), gain)
    return finished_stem(out, RATE, -8.0)


def pad() -> Sound:
    """One chord a bar, each bleeding into the next; it opens as the beat goes on."""
    rng = rng_for("lantern-market pad")
    out = CLOCK.silence(2)
    for bar in range(CLOCK.bars):
        bright = 0.35 if bar in INTRO else 0.55 if bar in VERSE else 1.0
        notes = [*PADS[bar % 4], ROOTS[bar % 4] + 12]
        add(out, wide_pad(notes, CLOCK.length(16) + int(0.3 * RATE), RATE, rng, bright=bright), CLOCK.frame(bar, 0),
            0.8 if bar in INTRO else 1.0)
    return finished_stem(high_pass(out, 90.0, RATE), RATE, -6.5)


def figure() -> Sound:
    """The plucked sixteenths, thrown from side to side."""
    rng = rng_for("lantern-market figure")
    out = CLOCK.silence(2)

    @cache
    def plucked(note: int, layer: int) -> Sound:
        return pluck(note, int(0.7 * RATE), RATE, rng_for(f"pluck {note} {layer}"), velocity=0.4 + 0.2 * layer)

    for bar in range(CLOCK.bars):
        for step in range(16):
            if bar in INTRO and step % 4 == 3:
                continue
            layer = 2 if step in (0, 3, 6, 9, 12) else int(rng.integers(0, 2))
            sound = plucked(TONES[bar % 4][CLIMB[(step + 5 * (bar // 4)) % 16]], layer)
            side = 0.45 if step % 2 else -0.45
            place = CLOCK.frame(bar, step, off_s=loose(rng, 0.0025) if bar + step else 0.0)
            add(out, chord([sound], [0], 0.0) * np.array([[1 - side], [1 + side]], dtype=np.float32), place,
                float(rng.uniform(0.85, 1.0)))
    thrown = echoes(out, RATE, time_s=3 * CLOCK.step_s, feedback=0.45, wet=0.3, dull_hz=6500.0, count=4)
    return finished_stem(high_pass(thrown, 200.0, RATE), RATE, -9.0)


def bells_and_strings() -> Sound:
    """Chimes from the verse on; in the hook high strings hold the chord and tremble."""
    rng = rng_for("lantern-market bells")
    out = CLOCK.silence(2)

    @cache
    def chime(note: int) -> Sound:
        return glass_bell(note, int(1.6 * RATE), RATE, velocity=0.85)

    for bar in (*VERSE, *HOOK):
        for step, note in CHIMES[bar % 4] if bar in HOOK else CHIMES[bar % 4][::2]:
            place = CLOCK.frame(bar, step, off_s=loose(rng, 0.004) if step else 0.0)
            add(out, chord([chime(note)], [0], 0.0) * np.array([[0.8], [1.1]], dtype=np.float32), place,
                float(rng.uniform(0.75, 1.0)))
    for bar in HOOK:
        bows = strings(HIGH[bar % 4], CLOCK.length(16) + int(0.2 * RATE), RATE, rng, pulse_hz=132.0 / 15.0)
        add(out, bows, CLOCK.frame(bar, 0), 0.26)
    hall = room_response(RATE, rng, decay_s=1.4, dark_hz=5000.0)
    return finished_stem(high_pass(in_room(out, hall, 0.25), 250.0, RATE), RATE, -9.0)


def lead() -> Sound:
    """The reed: short answers in the verse, the tune in the hook."""
    rng = rng_for("lantern-market lead")
    out = CLOCK.silence()
    phrases = {5: ((10, 74, 2, 0), (12, 76, 2, 0), (14, 71, 2, 74)), 7: ((8, 76, 3, 0), (11, 79, 4, 76))}
    phrases |= {bar: TUNE[bar - HOOK.start] for bar in HOOK}
    for bar, phrase in phrases.items():
        for step, note, steps, slide in phrase:
            sound = reed_lead(note, CLOCK.length(steps), RATE, rng, come_from=float(slide) if slide else None,
                              velocity=0.85 if bar in HOOK else 0.6)
            add(out, sound, CLOCK.frame(bar, step, off_s=loose(rng, 0.004) if step else 0.0))
    hall = room_response(RATE, rng, decay_s=0.8, dark_hz=3500.0)
    return finished_stem(np.mean(in_room(out, hall, 0.2), axis=0, dtype=np.float32), RATE, -11.5)


def dust() -> Sound:
    """A street behind the music: hiss, crackle, the murmur of people who say nothing."""
    rng = rng_for("lantern-market dust")
    frames = CLOCK.frames
    source = noise(frames, rng)
    hiss = high_pass(source, 3800.0, RATE) * (np.float32(0.7) + np.float32(0.3) * sine(132.0 / 120.0, frames, RATE))
    specks = np.where(rng.random(frames, dtype=np.float32) < 60.0 / RATE, noise(frames, rng), np.float32(0))
    crackle = band_pass(specks, 1800.0, 9000.0, RATE)
    knots = rng.random(frames // 5000 + 2) ** 2
    talk = np.interp(np.arange(frames) / 5000.0, np.arange(len(knots)), knots).astype(np.float32)
    murmur = band_pass(noise(frames, rng), 260.0, 900.0, RATE) * talk
    rise = line(frames, [(0, 0.35), (0.24, 0.6), (0.26, 0.7), (0.49, 0.8), (0.51, 1.0), (1, 1.0)])
    sound = (np.float32(0.5) * hiss + np.float32(6.0) * crackle + np.float32(0.9) * murmur) * rise
    return finished_stem(sound * swell(frames, RATE, rise_s=0.05, fall_s=0.2), RATE, -12.0)


# Drums: bright, hand-sized, festive --------------------------------------------------------------------------------


@cache
def kick_long() -> Sound:
    return kick(RATE, rng_for("drum tower"), length_s=0.6, low_hz=49.0, high_hz=150.0, fall_s=0.035, ring_s=0.7,
                click=0.3, warmth=2.2, knock=0.35)


@cache
def kick_short() -> Sound:
    return kick(RATE, rng_for("button"), length_s=0.2, low_hz=61.7, high_hz=150.0, fall_s=0.016, ring_s=0.16,
                click=0.25, warmth=1.3)


@cache
def snare_rich() -> Sound:
    hall = room_response(RATE, rng_for("parade room"), decay_s=0.55, dark_hz=6000.0)
    return snare(RATE, rng_for("parade"), length_s=0.6, low_hz=196.0, skin_s=0.24, wires_s=0.42, wires=0.9,
                 bright_hz=11000.0, room=hall, wet=0.55)


@cache
def snare_lean() -> Sound:
    return snare(RATE, rng_for("postcard"), length_s=0.25, low_hz=196.0, skin_s=0.24, wires_s=0.25, wires=1.0,
                 bright_hz=8000.0, snap=0.2)


@cache
def hat_bright() -> Sound:
    return hat(RATE, rng_for("coin"), length_s=0.055, ring_s=0.05, base_hz=610.0, low_hz=9000.0, high_hz=18000.0)


@cache
def hat_dark() -> Sound:
    return hat(RATE, rng_for("cork"), length_s=0.1, ring_s=0.09, base_hz=365.0, low_hz=3600.0, high_hz=8000.0, grit=0.2)


@cache
def hat_open() -> Sound:
    return hat(RATE, rng_for("shutter"), length_s=0.42, ring_s=0.5, base_hz=480.0, low_hz=6500.0, high_hz=16000.0)


@cache
def beads() -> Sound:
    return shaker(RATE, rng_for("beads"), length_s=0.11, low_hz=4500.0, high_hz=14000.0)


@cache
def hands() -> Sound:
    return clap(RATE, rng_for("awning"), length_s=0.22, hands=4, low_hz=800.0, high_hz=4200.0, tail_s=0.16)


@cache
def jingle() -> Sound:
    """A ring of small bells, shaken once."""
    frames = int(0.3 * RATE)
    rng = rng_for("jingle")
    out = np.zeros(frames, dtype=np.float32)
    for hz in rng.uniform(5200.0, 12500.0, 14):
        out += sine(float(hz), frames, RATE) * decay(frames, RATE, float(rng.uniform(0.1, 0.32)))
    return out * line(frames, [(0, 0), (0.004, 1), (0.05, 0.4), (0.09, 0.8), (0.9, 0.5), (1, 0)])


def loop_rich() -> Sound:
    """Two bars of a whole street band: everything plays, nothing stops."""
    voices = [
        Voice(kick_long(), "X---x---X---x-x- X---x---X--xx---", 0.0),
        Voice(snare_rich(), "----X--o----X-oo", -1.0),
        Voice(hands(), "----x-------x---", -5.0, 0.15),
        Voice(hat_open(), "--x---x---x---x-", -9.0, 0.3),
        Voice(hat_bright(), "xoxoxoxoxoxoxoxo", -11.0, 0.3),
        Voice(beads(), "xXoxxXoxxXoxxXox", -9.0, -0.4),
        Voice(jingle(), "----x--x----x---", -12.0, -0.2),
    ]
    return loop(Clock(RATE, 132.0, 2), rng_for("street band"), voices, loose_s=0.003, room_s=1.4, wet=0.75,
                dark_hz=6000.0, air_db=-11.0, air_band=(200.0, 9000.0), glue=2.0)


def loop_busy() -> Sound:
    """One bar at 108: three sounds and a purse of coins that jingles in every gap."""
    voices = [
        Voice(kick_short(), "x--x--x-x--x--x-"),
        Voice(snare_lean(), "----X-------X---", -3.0),
        Voice(hat_bright(), "--x---x---x---x-", -12.0),
        Voice(jingle(), "x-xxx-x-x-xxx-x-", -4.0),
        Voice(beads(), "xXoxxXoxxXoxxXox", -6.0),
    ]
    return loop(Clock(RATE, 108.0, 1), rng_for("counting coins"), voices, room_s=0.9, wet=0.5,
                dark_hz=9000.0, air_db=-14.0, air_band=(1500.0, 14000.0), channels=1)


GROOVE = (  # General MIDI percussion: note, steps of two bars with velocities
    (36, ((0, 112), (3, 84), (6, 92), (8, 108), (14, 76), (16, 112), (19, 84), (22, 92), (24, 108), (27, 70),
          (30, 88))),
    (38, ((4, 116), (12, 112), (15, 38), (20, 116), (28, 114), (31, 52))),
    (39, ((4, 70), (12, 70), (20, 70), (28, 74))),
    (42, tuple((step, 92 if step % 4 == 2 else 58 if step % 2 == 0 else 40) for step in range(32) if step % 8 != 6)),
)


def groove() -> bytes:
    """Two bars played by hand: a format 0 file, 480 ticks a quarter note, channel 10."""
    import mido

    rng = rng_for("lantern-market groove")
    events = []
    for note, hits in GROOVE:
        for step, velocity in hits:
            tick = max(step * 120 + round(float(rng.normal(0, 3.0))), 0) if step else 0
            events += [(tick, 1, note, velocity), (tick + 60, 0, note, 0)]
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("track_name", name="lantern market groove", time=0))
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(132), time=0))
    track.append(mido.MetaMessage("time_signature", numerator=4, denominator=4, time=0))
    now = 0
    for tick, on, note, velocity in sorted(events):
        kind = "note_on" if on else "note_off"
        track.append(mido.Message(kind, channel=9, note=note, velocity=velocity, time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(32 * 120 - now, 0)))
    document = mido.MidiFile(type=0, ticks_per_beat=480)
    document.tracks.append(track)
    written = io.BytesIO()
    document.save(file=written)
    return written.getvalue()


SCORE = Score(
    slug="lantern-market",
    clock=CLOCK,
    bits=16,
    stems={
        "stems/round-bass.wav": bass,
        "stems/wide-pad.wav": pad,
        "stems/plucked-figure.wav": figure,
        "stems/bells-and-strings.wav": bells_and_strings,
        "stems/reed-lead.wav": lead,
        "stems/street-dust.wav": dust,
    },
    drums={
        "drums/kick-long-drumtower.wav": at_peak(-1.5, kick_long),
        "drums/kick-short-button.wav": at_peak(-1.5, kick_short),
        "drums/snare-parade.wav": at_peak(-2.5, snare_rich),
        "drums/snare-postcard.wav": at_peak(-2.5, snare_lean),
        "drums/clap-awning.wav": at_peak(-4.0, hands),
        "drums/rim-bottlecap.wav": at_peak(-5.0, lambda: rim(
            RATE, rng_for("bottle cap"), length_s=0.07, low_hz=640.0, ring_s=0.05, tick=0.8)),
        "drums/hat-closed-coin.wav": at_peak(-7.0, hat_bright),
        "drums/hat-closed-cork.wav": at_peak(-7.0, hat_dark),
        "drums/hat-open-shutter.wav": at_peak(-8.0, hat_open),
        "drums/shaker-beads.wav": at_peak(-8.0, beads),
        "drums/perc-jingle.wav": at_peak(-9.0, jingle),
        "drums/loop-street-band_132bpm.wav": loop_rich,
        "drums/loop-counting-coins_108bpm.wav": loop_busy,
    },
    midi={"groove.mid": groove},
)
