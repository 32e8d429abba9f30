"""The shelf: a small library of drums beside the beats, which two of them look through; no beat of its own."""

from __future__ import annotations

from .drums import at_peak, led, ride, tom
from .score import Clock, Score
from .synth import rng_for

RATE = 48000

SCORE = Score(
    slug="shelf",
    clock=Clock(RATE, 120.0, 0),
    bits=24,
    stems={},
    drums={
        "cymbals/ride-breadpan.wav": at_peak(-9.0, lambda: ride(
            RATE, rng_for("pan"), length_s=1.4, base_hz=330.0, ring_s=1.6, bow=0.12)),
        "cymbals/ride-gong-lamp.wav": at_peak(-8.0, lambda: ride(
            RATE, rng_for("lamp"), length_s=1.2, base_hz=420.0, ring_s=1.5, bow=0.25)),
        "toms/tom-floorboard.wav": at_peak(-4.0, lambda: led(
            tom(RATE, rng_for("floorboard"), length_s=0.7, low_hz=92.0, ring_s=0.7), RATE, 0.012)),
        "toms/tom-basket.wav": at_peak(-3.0, lambda: tom(
            RATE, rng_for("basket"), length_s=0.5, low_hz=118.0, ring_s=0.5, stick=0.5)),
    },
)
