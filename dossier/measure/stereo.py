"""Stereo image: how wide a signal is, and what the sum to mono costs, whole and by zone.

Conventions: samples `(frames, channels)` with one or two channels; mid M = (L + R) / 2, side S = (L - R) / 2.  Powers
are long-term (over the whole signal, not gated).  They come from averaged spectra of frames of about a third of a
second, half overlapped, under a sine window.  The squares of the windows add up to one, so every sample counts the
same, and the bins (3 Hz at 48 kHz) are fine enough for the sub zone.  A signal shorter than a frame is one frame
without a window.  A zone takes the bins from its lower edge up to below its upper edge; `whole` takes all from 20 Hz.

- side-to-mid ratio: 10 log10(S power / M power).  `None` with a reason for a mono signal, where it would be -inf.
- correlation: sum of L R over the root of (sum of L^2 times sum of R^2), -1 to 1, in phase 1.  0 for unrelated sides,
  but also for sides that are 90 degrees apart.
- mono loss: K-weighted level of the stereo signal less that of M on both channels, in LU.  Never negative: 0 for
  in-phase sides, 3.01 for unrelated sides of equal power and for a signal on one side only.  `None` with a reason where
  nothing is left in mono.

The ratio and the correlation follow from the definitions; K-weighting is that of ITU-R BS.1770-5 Annex 1, with channel
weights of 1.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from msgspec import Struct

from dossier.errors import MeasureError
from dossier.measure.k_weighting import LOWEST_RATE_HZ, k_weight_db
from dossier.measure.loudness import SILENCE, SILENT
from dossier.model.measures import Array, Samples, StereoImage, StereoMeasure
from dossier.model.vocabulary import ZONES

FRAME_S = 0.34  # rounded to a power of two of samples: 16384 at 44.1 and 48 kHz
LOWEST_HZ = 20.0  # no zone lies below it, and an offset from zero is no sound
FRAMES_A_BATCH = 16
SILENT_ZONE = 1e-8  # 80 dB below the whole: the window's leakage, not sound
NOTHING = 1e-12  # -120 dB: rounding in single precision
ONE_SIDE = 1e-6  # -60 dB: rounding shows earlier in left and right, which are differences of mid and side

WHOLE = "whole"
ONE_CHANNEL = "one channel: there is no side signal"
NO_SIDE = "both channels carry the same: there is no side signal"
NO_MID = "the channels cancel: there is no mid signal"
ONE_SIDED = "one channel is silent"
TOO_LOW = "nothing above 20 Hz"
CANCELS = "nothing is left in the mono sum"


class _Setup(Struct, frozen=True, eq=False):
    """What depends only on the sample rate and the frame length."""

    size: int
    window: Array
    loudness: Array  # (bins,) K-weighting as a power
    audible: int  # first bin from 20 Hz up
    zones: tuple[tuple[int, int], ...]  # first bin, bin after the last


def measure(samples: Samples, rate_hz: int) -> StereoImage:
    """Measure width, correlation and mono loss of `(frames, 1 or 2)` finite floats, whole and in each of `ZONES`.

    `whole` and one entry a zone.  `reasons` is keyed `"<zone>.<field>"` or `"whole.<field>"`.  A mono signal reads
    correlation 1, mono loss 0 and no side.  Silence has no values, nor has a zone that is silent (80 dB below the
    whole) or lies above half the sample rate.  Raises `MeasureError` for a wrong shape or channel count, integers, NaN
    or infinite samples, or a rate under 4 kHz.
    """
    if samples.ndim != 2 or samples.shape[1] not in (1, 2):
        raise MeasureError(f"stereo: samples must be (frames, 1 or 2 channels), got shape {samples.shape}")
    if not np.issubdtype(samples.dtype, np.floating):
        raise MeasureError(f"stereo: samples must be floating point, got {samples.dtype}")
    if rate_hz < LOWEST_RATE_HZ:
        raise MeasureError(f"stereo: the sample rate must be at least {LOWEST_RATE_HZ} Hz, got {rate_hz}")
    peak = float(max(samples.max(), -samples.min())) if samples.size else 0.0
    if not np.isfinite(peak):
        raise MeasureError("stereo: samples must be finite numbers; found NaN or infinite ones")

    if peak < SILENCE:
        return _nothing(SILENT)
    reasons: dict[str, str] = {}
    setup = _setup(rate_hz, _size(len(samples), rate_hz))
    powers = _spectra(samples, peak, setup)
    mono = samples.shape[1] == 1
    audible = powers[:, setup.audible :]
    total = float(audible[:2].sum())
    if total <= NOTHING * float(powers[:2].sum()):
        return _nothing(TOO_LOW)
    whole = _image(WHOLE, audible, setup.loudness[setup.audible :], mono, reasons)
    zones: dict[str, StereoMeasure] = {}
    for zone, (first, last) in zip(ZONES, setup.zones, strict=True):
        part = powers[:, first:last]
        if zone.low_hz >= rate_hz / 2:
            zones[zone.key] = _none(zone.key, "above half the sample rate", reasons)
        elif not float(part[:2].sum()) > SILENT_ZONE * total:
            zones[zone.key] = _none(zone.key, "silent in this zone", reasons)
        else:
            zones[zone.key] = _image(zone.key, part, setup.loudness[first:last], mono, reasons)
    return StereoImage(whole, zones, reasons)


def _image(name: str, powers: Array, loudness: Array, mono: bool, reasons: dict[str, str]) -> StereoMeasure:
    """Measure some bins from their power spectra, with a reason for what does not exist."""
    m, s, c = (float(value) for value in powers.sum(axis=1))
    left, right = m + s + 2.0 * c, m + s - 2.0 * c
    side_to_mid: float | None = None
    if mono:
        reasons[f"{name}.side_to_mid_db"] = ONE_CHANNEL
    elif s <= NOTHING * m:
        reasons[f"{name}.side_to_mid_db"] = NO_SIDE
    elif m <= NOTHING * s:
        reasons[f"{name}.side_to_mid_db"] = NO_MID
    else:
        side_to_mid = float(10.0 * np.log10(s / m))

    correlation: float | None = None
    if min(left, right) <= ONE_SIDE * (left + right):
        reasons[f"{name}.correlation"] = ONE_SIDED
    else:
        correlation = float(np.clip((m - s) / np.sqrt(left * right), -1.0, 1.0))

    kept = float(powers[0] @ loudness)
    heard = kept + float(powers[1] @ loudness)
    mono_loss: float | None = None
    if kept <= NOTHING * heard:
        reasons[f"{name}.mono_loss_lu"] = CANCELS
    else:
        mono_loss = float(10.0 * np.log10(heard / kept))  # (|L|^2 + |R|^2) / (2 |M|^2) = (M + S) / M
    return StereoMeasure(side_to_mid, correlation, mono_loss)


def _nothing(reason: str) -> StereoImage:
    reasons: dict[str, str] = {}
    whole = _none(WHOLE, reason, reasons)
    return StereoImage(whole, {zone.key: _none(zone.key, reason, reasons) for zone in ZONES}, reasons)


def _none(name: str, reason: str, reasons: dict[str, str]) -> StereoMeasure:
    for field in ("side_to_mid_db", "correlation", "mono_loss_lu"):
        reasons[f"{name}.{field}"] = reason
    return StereoMeasure(None, None, None)


def _size(frames: int, rate_hz: int) -> int:
    """Frame length: the usual power of two, or a smaller one into which a short signal fits."""
    usual = 1 << round(math.log2(FRAME_S * rate_hz))
    least = usual // 4  # keeps some bins in the sub zone
    return min(usual, max(least, 1 << (frames - 1).bit_length()))


@lru_cache(maxsize=32)
def _setup(rate_hz: int, size: int) -> _Setup:
    f = np.arange(size // 2 + 1) * (rate_hz / size)
    edges = [(int(np.searchsorted(f, zone.low_hz)), int(np.searchsorted(f, zone.high_hz))) for zone in ZONES]
    loudness = 10.0 ** (k_weight_db(f, rate_hz=rate_hz) / 10.0)
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size).astype(np.float32)
    for array in (loudness, window):
        array.setflags(write=False)
    return _Setup(size, window, loudness, int(np.searchsorted(f, LOWEST_HZ)), tuple(edges))


def _spectra(samples: Samples, peak: float, setup: _Setup) -> Array:
    """Power spectra of mid and side and the real part of their cross spectrum, `(3, bins)`, peak-scaled.

    Mid and side are formed before the transform, so that a small side beside a large mid keeps its digits.
    """
    from scipy.fft import rfft

    size, hop = setup.size, setup.size // 2
    powers = np.zeros((3, hop + 1))
    short = len(samples) <= size
    frames = 1 if short else -(-len(samples) // hop) + 1  # the first begins half a frame early, the last ends late
    for first in range(0, frames, FRAMES_A_BATCH):
        count = min(FRAMES_A_BATCH, frames - first)
        start = 0 if short else (first - 1) * hop
        stop = start + (count + 1) * hop
        low, high = max(start, 0), min(stop, len(samples))
        part = np.zeros((stop - start, samples.shape[1]), np.float64 if samples.dtype == np.float64 else np.float32)
        np.divide(samples[low:high], peak, out=part[low - start : high - start], casting="same_kind")
        left, right = part[:, 0], part[:, -1]
        spectra = []
        for signal in ((left + right) / 2, (left - right) / 2):
            view = np.lib.stride_tricks.sliding_window_view(signal.astype(np.float32), size)[::hop]
            spectra.append(rfft(view if short else view * setup.window, axis=1))
        mid, side = spectra
        powers[0] += _product(mid, mid)
        powers[1] += _product(side, side)
        powers[2] += _product(mid, side)
    powers[:, 1:-1] *= 2.0  # both signs of frequency
    return powers


def _product(a: Array, b: Array) -> Array:
    """Real part of `a` times the conjugate of `b`, summed over frames."""
    return np.asarray(np.einsum("ij,ij->j", a.real, b.real) + np.einsum("ij,ij->j", a.imag, b.imag))
