"""A short room: a decaying diffuse tail behind the sound.

Conventions
    The tail is noise from a fixed seed, one independent line a channel, band-limited by first-order slopes (200 Hz and
    6 kHz: small rooms carry little bass, and surfaces take the highs), levelled over 5 ms so that it decays as
    specified, times exp(-6.9078 t / decay), which is 60 dB in `decay_s`.  It starts after 3 ms, so the attack
    stays dry, and ends after 1.1 times the decay in a fade.  Each line has unit energy: `mix` is a share of level, out
    = (1 - mix) x + mix tail.  The result is longer than the sound by the tail.
References
    Reverberation time as 60 dB of decay, and its measurement by backward integration over -5 to -35 dB: ISO
    3382-1:2009 (T30); M. R. Schroeder, J. Acoust. Soc. Am. 37 (1965).  Exponentially decaying noise as the
    model of a diffuse tail: J. A. Moorer, Computer Music Journal 3 (1979).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import Role
from dossier.treat.families import AmountLine, Family, in_percent
from dossier.treat.samples import SILENCE, checked, like, sample_peak

SEED = 4119
DELAY_S = 0.003
LOW_HZ, HIGH_HZ = 200.0, 6000.0
LEVEL_S = 0.005
LENGTH = 1.1  # of the decay: -66 dB


@lru_cache(maxsize=24)
def impulse_response(rate_hz: int, channels: int, decay_s: float) -> Array:
    """The tail alone, `(frames, channels)`, unit energy a channel; the same for the same arguments."""
    from scipy.ndimage import uniform_filter1d
    from scipy.signal import lfilter

    frames = max(8, round(LENGTH * decay_s * rate_hz))
    noise = np.random.default_rng(SEED).standard_normal((frames, channels))
    low = np.exp(-2.0 * np.pi * LOW_HZ / rate_hz)
    high = np.exp(-2.0 * np.pi * min(HIGH_HZ, 0.4 * rate_hz) / rate_hz)
    noise = lfilter([1.0 - high], [1.0, -high], lfilter([1.0, -1.0], [1.0, -low], noise, axis=0), axis=0)
    power = uniform_filter1d(noise**2, max(1, round(LEVEL_S * rate_hz)), axis=0, mode="nearest")
    noise /= np.sqrt(power)
    noise *= np.exp(-3.0 * np.log(10.0) * np.arange(frames) / (decay_s * rate_hz))[:, None]
    fade = max(2, frames // 12)
    noise[-fade:] *= (0.5 + 0.5 * np.cos(np.pi * np.arange(1, fade + 1) / fade))[:, None]
    tail = np.concatenate((np.zeros((round(DELAY_S * rate_hz), channels)), noise))
    tail /= np.sqrt(np.sum(tail**2, axis=0))
    tail.setflags(write=False)
    return tail


def in_room(samples: Samples, rate_hz: int, *, decay_s: float, mix: float) -> Samples:
    """Put a sound into a short room: `(frames, channels)` to `(frames + tail, channels)`; silence comes back as it is.

    `decay_s` 0.05-2, the time for 60 dB; `mix` 0-1, the share of the tail.
    """
    from scipy.signal import oaconvolve

    work = checked(samples, rate_hz)
    if sample_peak(work) < SILENCE or mix <= 0.0:
        return like(work, samples)
    wet = mix * oaconvolve(work, impulse_response(rate_hz, work.shape[1], float(decay_s)), axes=0)
    wet[: len(work)] += (1.0 - mix) * work
    return like(wet, samples)


def _amount_lines(*, role: Role | None, **_: object) -> tuple[AmountLine, ...]:
    steps: tuple[tuple[float, float], ...] = ((0.2, 0.1), (0.25, 0.16), (0.3, 0.22), (0.4, 0.28), (0.5, 0.36))
    if role == "kick":  # a long tail under a kick blurs the low end
        steps = ((0.15, 0.06), (0.18, 0.1), (0.22, 0.14), (0.26, 0.2))
    return (tuple({"decay_s": decay, "mix": mix} for decay, mix in steps),)


def _words(*, decay_s: float, mix: float) -> str:
    return f"short room, {decay_s:.2g} s decay, {in_percent(mix)} mixed in"


FAMILY = Family(
    name="short room", effort="colour", directions=("fuller",), amount_lines=_amount_lines, apply=in_room, words=_words,
    sheet=(("decay (60 dB)", "decay_s", "s"), ("mix", "mix", "%"), ("delay before the room", 1e3 * DELAY_S, "ms")),
)  # fmt: skip
