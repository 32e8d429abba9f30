"""Saturation: a tanh curve with adjustable asymmetry, oversampled.

Conventions
    The curve is y = tanh(d(x + a)) - tanh(d a), x counted from the sound's own sample peak (the peak is 1), d the
    drive as a linear factor, a the asymmetry as a share of the peak.  At a drive of 0 dB the peak just reaches
    tanh(1).  What comes out has the input's sample peak again: drive changes the shape, never the peak.
    tanh is odd, so with a = 0 there are odd harmonics only; the asymmetry adds even ones and a constant part, which a
    10 Hz high-pass takes away (first order, without it the tail would end in a step).
    Aliasing: the curve runs at 4 times the sample rate, at 8 times above 10 dB of drive (half of that from 64 kHz, a
    quarter from 128 kHz).  Both rate changes are done on the spectrum with one zero-phase raised-cosine edge from 0.45
    to 0.50 of the sample rate: no delay, nothing left that could fold down.  The Fourier coefficients of tanh(d sin t)
    fall as exp(-n asinh(pi / 2d)) (nearest pole of tanh at i pi/2): at 12 dB, -3.3 dB a harmonic, so what folds back
    of a full-scale 5 kHz tone at 48 kHz lies far below -80 dB.
References
    Pole of tanh and decay of Fourier coefficients: any textbook on complex analysis; the numbers are checked in the
    tests against direct numerical Fourier integrals.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy

from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import Role
from dossier.treat.families import AmountLine, Family, in_db, in_percent
from dossier.treat.samples import SILENCE, checked, like, sample_peak

EDGE_LOW, EDGE_HIGH = 0.45, 0.50  # of the sample rate: the band edge, zero phase
MARGIN = 512  # frames on each side of a block: the edge's impulse response has fallen below -120 dB there
BLOCK = 1 << 16  # frames worked on at once: long loops stay light
DC_HZ = 10.0
EASY_DB = 10.0  # up to here 4 times the rate keep a full-scale 5 kHz tone's aliases below -100 dB


def saturate(samples: Samples, rate_hz: int, *, drive_db: float, mix: float = 1.0, asymmetry: float = 0.0) -> Samples:
    """Drive a sound, `(frames, channels)`, into a tanh curve; the peak stays (or falls a little where mixed).

    `drive_db` 0-30, counted from the sound's sample peak; `mix` 0-1, the share of the driven sound; `asymmetry` 0 (odd
    harmonics only) to 0.5, as a share of the peak.
    """
    from scipy.signal import lfilter

    work = checked(samples, rate_hz)
    peak = sample_peak(work)
    if peak < SILENCE or mix <= 0.0:
        return like(work, samples)
    drive = 10.0 ** (drive_db / 20.0)
    offset = float(np.tanh(drive * asymmetry))

    def curve(x: Array) -> Array:
        x *= drive
        if asymmetry:
            x += drive * asymmetry
        np.tanh(x, out=x)
        if asymmetry:
            x -= offset
        return x

    single = work.shape[1] == 2 and np.array_equal(work[:, 0], work[:, 1])  # a mono file on two channels: half the work
    base = 8 if drive_db > EASY_DB else 4
    factor = max(2, base if rate_hz < 64_000 else base // 2 if rate_hz < 128_000 else base // 4)
    driven = oversampled(work[:, :1] / peak if single else work / peak, factor, curve)
    if asymmetry:  # take the constant part away
        pole = np.exp(-2.0 * np.pi * DC_HZ / rate_hz)
        scale = 0.5 * (1.0 + pole)
        driven = lfilter([scale, -scale], [1.0, -pole], driven, axis=0)
    top = sample_peak(driven)
    if top < SILENCE:
        return like(work, samples)
    driven *= peak / top
    return like((1.0 - mix) * work + mix * driven, samples)


def oversampled(work: Array, factor: int, curve: Callable[[Array], Array]) -> Array:
    """Run a memoryless `curve` at `factor` times the sample rate; `(frames, channels)` in and out, peak about 1.

    At the high rate the work is done in single precision: its rounding lies 140 dB under the peak, at half the cost.
    """
    frames = len(work)
    result = np.empty_like(work)
    for first in range(0, frames, BLOCK):
        last = min(frames, first + BLOCK)
        low, high = max(0, first - MARGIN), min(frames, last + MARGIN)
        result[first:last] = _block(work[low:high], factor, curve)[first - low : last - low]
    return result


def _block(work: Array, factor: int, curve: Callable[[Array], Array]) -> Array:
    frames = len(work)
    size = 2 * scipy.fft.next_fast_len((frames + 2 * MARGIN + 1) // 2, real=True)
    half = size // 2
    position = np.linspace(0.0, 0.5, half + 1)
    edge = 0.5 + 0.5 * np.cos(np.pi * np.clip((position - EDGE_LOW) / (EDGE_HIGH - EDGE_LOW), 0.0, 1.0))
    line = np.ascontiguousarray(work.T)
    wide = np.zeros((line.shape[0], half * factor + 1), dtype=np.complex64)
    wide[:, : half + 1] = scipy.fft.rfft(line, size, axis=1) * (edge * factor)
    driven = curve(scipy.fft.irfft(wide, size * factor, axis=1, overwrite_x=True))
    narrow = scipy.fft.rfft(driven, axis=1, overwrite_x=True)[:, : half + 1].astype(np.complex128) * (edge / factor)
    return np.asarray(scipy.fft.irfft(narrow, size, axis=1)[:, :frames].T)


def _amount_lines(*, role: Role | None, **_: object) -> tuple[AmountLine, ...]:
    steps = ((4.0, 0.5), (7.0, 0.6), (10.0, 0.7), (14.0, 0.8), (18.0, 1.0))
    if role in ("closed-hat", "open-hat", "ride", "crash", "shaker"):  # bright already: harmonics turn to hiss
        steps = ((3.0, 0.4), (5.0, 0.5), (7.0, 0.6), (10.0, 0.7), (13.0, 0.8))
    symmetric: AmountLine = tuple({"drive_db": drive, "mix": mix, "asymmetry": 0.0} for drive, mix in steps)
    if role in ("kick", "tom", "snare"):  # even harmonics give the octave to a drum with a pitch
        return symmetric, tuple({"drive_db": drive, "mix": mix, "asymmetry": 0.25} for drive, mix in steps)
    return (symmetric,)


def _words(*, drive_db: float, mix: float = 1.0, asymmetry: float = 0.0) -> str:
    kind = f", asymmetry {in_percent(asymmetry)}" if asymmetry else ""
    blend = f", {in_percent(mix)} mixed in" if mix < 1.0 else ""
    return f"saturation, {in_db(drive_db)} drive{kind}{blend}"


FAMILY = Family(
    name="saturation", effort="colour", directions=("fuller",),
    amount_lines=_amount_lines, apply=saturate, words=_words,
    sheet=(("drive over the peak", "drive_db", "dB"), ("asymmetry", "asymmetry", "%"), ("mix", "mix", "%")),
)  # fmt: skip
