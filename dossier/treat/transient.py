"""Transient shaping: the attack and the sustain of a sound, louder or softer, without a threshold.

Conventions
    Both gains come from differences of envelopes in dB, so they do not depend on the recording's level.  The fast
    envelope is the held peak (`envelope.held`).
    Attack: fast over a slow one that needs `RISE_S` to follow.  While the fast one is `ATTACK_SPAN_DB` or more above
    the slow one the attack gain acts in full; it fades as the slow one catches up.
    Sustain: a peak that falls by no more than `FALL_DB_PER_S`, over the fast one.  Where the sound has dropped
    `SUSTAIN_SPAN_DB` or more below it, the sustain gain acts in full.
    A steady tone (40 Hz or more) has no differences and stays untouched after its start.  The gain is smoothed over
    `SMOOTH_S`, centred, so it adds no delay; before that it is widened (attack) or narrowed (sustain) by as much, so
    that the first sample of a hit already has its full gain.
    Time constants: common practice, no source.
"""

from __future__ import annotations

import numpy as np

from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import Direction
from dossier.treat.envelope import HOLD_S, decibels, from_decibels, held, in_pieces, linked
from dossier.treat.families import AmountLine, Family, in_db
from dossier.treat.samples import SILENCE, checked, like, sample_peak

RISE_S = 0.020  # time constant of the slow envelope
ATTACK_SPAN_DB = 6.0
FALL_DB_PER_S = 10.0  # slower than a ringing cymbal (60 dB in some seconds)
SUSTAIN_SPAN_DB = 12.0
SMOOTH_S = 0.002


def shape(samples: Samples, rate_hz: int, *, attack_db: float = 0.0, sustain_db: float = 0.0) -> Samples:
    """Raise or lower the attacks of `(frames, channels)`, and what rings after them, by up to 24 dB in full effect."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d
    from scipy.signal import lfilter

    work = checked(samples, rate_hz)
    peak = sample_peak(work)
    if peak < SILENCE or (attack_db == 0.0 and sustain_db == 0.0):
        return like(work, samples)
    span = 2 * round(0.5 * SMOOTH_S * rate_hz) + 1
    fast = held(linked(work / peak), round(HOLD_S * rate_hz))
    fast_db = decibels(fast)
    gain = np.zeros(len(work))
    if attack_db:
        pole = np.exp(-1.0 / (RISE_S * rate_hz))
        slow_db = decibels(lfilter([1.0 - pole], [1.0, -pole], fast))
        share = np.clip((fast_db - slow_db) / ATTACK_SPAN_DB, 0.0, 1.0)
        gain += attack_db * in_pieces(lambda part: maximum_filter1d(part, span, mode="nearest"), share, span)
    if sustain_db:
        fall = np.arange(len(work)) * (FALL_DB_PER_S / rate_hz)
        top_db = np.maximum.accumulate(fast_db + fall) - fall
        share = np.clip((top_db - fast_db) / SUSTAIN_SPAN_DB, 0.0, 1.0)
        gain += sustain_db * in_pieces(lambda part: minimum_filter1d(part, span, mode="nearest"), share, span)
    smooth_db = in_pieces(lambda part: _smoothed(part, span), gain, span)
    return like(work * from_decibels(smooth_db)[:, None], samples)


def _smoothed(gain: Array, span: int) -> Array:
    """Three running means one after the other, which together look at no more than `span` samples."""
    from scipy.ndimage import uniform_filter1d

    size = (span + 2) // 3
    size -= 1 - size % 2
    for _ in range(3):
        gain = uniform_filter1d(gain, size, mode="nearest")
    return gain


def _amount_lines(*, direction: Direction, **_: object) -> tuple[AmountLine, ...]:
    # fuller: more body under the same peak, by more sustain or less attack
    sustains = (2.0, 4.0, 6.0, 9.0, 12.0) if direction == "fuller" else (-3.0, -6.0, -9.0, -14.0, -20.0)
    attacks = (-2.0, -3.0, -4.0, -6.0, -8.0)
    return (
        tuple({"attack_db": 0.0, "sustain_db": gain} for gain in sustains),
        tuple({"attack_db": gain, "sustain_db": 0.0} for gain in attacks),
    )


def _words(*, attack_db: float = 0.0, sustain_db: float = 0.0) -> str:
    parts = [f"{word} {in_db(gain)}" for word, gain in (("attack", attack_db), ("sustain", sustain_db)) if gain]
    return "transient shaping, " + (", ".join(parts) or "nothing changed")


FAMILY = Family(
    name="transient shaping", effort="shape", directions=("fuller", "leaner"),
    amount_lines=_amount_lines, apply=shape, words=_words,
    sheet=(("attack gain", "attack_db", "dB"), ("sustain gain", "sustain_db", "dB")),
)  # fmt: skip
