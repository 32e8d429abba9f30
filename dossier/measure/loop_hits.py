"""The hits of a loop: when, how loud, and which drum.

Conventions
    Times in seconds from the start of the file; levels in dB relative to the loop's loudest hit, a hit's level being
    the largest mean power of any 10 ms within 60 ms of its onset.

Method
    Each hit is cut out from its onset to the next one, at most 200 ms.  What already rang before it is removed by
    spectral subtraction (Boll, IEEE Trans. Acoustics, Speech and Signal Processing 27(2), 1979; MEM) in octave bands,
    so that a hat over a ringing kick reads as a hat.  `dossier.measure.roles` classifies the rest like a one-shot.  Two
    drums that strike together count as one, the dominant one.
"""

from __future__ import annotations

import numpy as np
import scipy
from msgspec import Struct

from dossier.measure.onsets import Onsets
from dossier.measure.roles import FAMILIES, likeliest, likeness_of_sound
from dossier.model.measures import Array, Indices, LoopHit, Samples
from dossier.model.vocabulary import Role

FAINTEST_DB = -40.0  # hits further below the loudest are left out
LONGEST_S = 0.2
_LEAD_S = 0.001
_MOST = 256  # the strongest hits of a very long loop
_COMPARED_S = 0.04  # length of the stretches compared before and after the onset
_TAKEN_OUT = 2.0  # times what rang before: subtracting less leaves a haze of it
_KICK_SHARE, _HAT_SHARE = 0.7, 0.8  # of the new power, below 120 Hz and above 3840 Hz
_EDGES_HZ = np.array([0.0, 60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3840.0, 7680.0, 1e6])
_CENTRES_OCT = np.log2(np.append(45.0, 85.0 * 2.0 ** np.arange(8)))


def hits_of(two: Samples, rate_hz: int, onsets: Onsets, *, every: bool = False) -> tuple[LoopHit, ...]:
    """Hits of a loop `(frames, channels)` in order of time; empty where nothing strikes.

    `every`: also those that are too faint to count, or sound like no drum, which are percussion then.
    """
    chosen = np.sort(np.argsort(-onsets.strengths, kind="stable")[:_MOST])
    times = onsets.times_s[chosen]
    if not len(times):
        return ()
    frame = max(1, round(0.01 * rate_hz))
    starts: Indices = np.clip(np.round((times - _LEAD_S) * rate_hz).astype(np.intp), 0, len(two))
    ends = np.append(starts[1:], len(two))
    pieces = [two[a : min(b, a + round(LONGEST_S * rate_hz))] for a, b in zip(starts, ends, strict=True)]
    levels = np.array([_level(piece[: round(0.06 * rate_hz)], frame) for piece in pieces])
    levels -= levels.max()
    peak = float(np.abs(two).max())
    new = _new_sound(two * (1.0 / peak), rate_hz, starts)
    found = []
    for index in np.flatnonzero((levels >= FAINTEST_DB) | every):
        piece = (pieces[index][:, new.channel[index]] * (1.0 / peak)).astype(np.float32)
        likely = likeness_of_sound(_without(piece, rate_hz, new.kept[index]), rate_hz)
        if likely:
            heard = likeliest(likely)[0]
            role = _likely(heard, float(new.low[index]), float(new.high[index]))
            family = sum(likely[r] for r in next(roles for roles in FAMILIES if heard in roles))
            found.append(LoopHit(float(times[index]), role, float(levels[index]), family))
        elif every:
            found.append(LoopHit(float(times[index]), "percussion", float(levels[index])))
    return tuple(found)


def _likely(role: Role, low: float, high: float) -> Role:
    """Correct a role for a loop: cut short, a hit has lost what tells a low tom from a kick."""
    if low > _KICK_SHARE and role in ("tom", "percussion"):
        return "kick"
    if high > _HAT_SHARE and role in ("percussion", "snare", "clap", "rim", "tom"):
        return "closed-hat"
    return role


def _level(piece: Samples, frame: int) -> float:
    """Largest mean power of any 10 ms, in dB."""
    power = (piece.astype(np.float64) ** 2).sum(axis=1)
    if not len(power):
        return -200.0
    width = min(frame, len(power))
    total = np.concatenate([[0.0], np.cumsum(power)])
    return 10.0 * float(np.log10(max(float((total[width:] - total[:-width]).max()) / width, 1e-20)))


class _NewSound(Struct, frozen=True, eq=False):
    """What is new in the sound after each onset."""

    kept: Array  # (hits, bands) share of each band's power that is new
    low: Array  # (hits,) share of the new power below 120 Hz
    high: Array  # (hits,) the same above 3840 Hz
    channel: Indices  # (hits,) the channel with most of the new power


def _new_sound(two: Samples, rate_hz: int, starts: Indices) -> _NewSound:
    width = max(8, round(_COMPARED_S * rate_hz))
    padding = np.zeros((width, two.shape[1]), dtype=np.float32)
    padded = np.concatenate([padding, two.astype(np.float32), padding, padding])
    shape = np.hanning(width + 2)[1:-1].astype(np.float32)
    edges = np.minimum(np.ceil(_EDGES_HZ * width / rate_hz).astype(np.int64), width // 2 + 1)

    def powers(first: Indices) -> Array:
        """(hits, channels, bands)"""
        spectra = scipy.fft.rfft(np.stack([padded[k : k + width].T for k in first]) * shape, axis=2)
        total = np.zeros((*spectra.shape[:2], width // 2 + 2))
        np.cumsum(spectra.real**2 + spectra.imag**2, axis=2, out=total[:, :, 1:])
        return np.asarray(total[:, :, edges[1:]] - total[:, :, edges[:-1]])

    before, after = powers(starts), powers(starts + width + round(0.002 * rate_hz))
    channel = np.maximum(after - _TAKEN_OUT * before, 0.0).sum(axis=2).argmax(axis=1)
    before, after = before.sum(axis=1), after.sum(axis=1)
    kept = np.clip(1.0 - _TAKEN_OUT * before / np.maximum(after, 1e-30), 0.0, 1.0)
    new = kept * after
    total = np.maximum(new.sum(axis=1), 1e-30)
    return _NewSound(kept, new[:, :2].sum(axis=1) / total, new[:, 7:].sum(axis=1) / total, channel)


def _without(piece: Array, rate_hz: int, kept: Array) -> Array:
    """The piece, `(frames,)`, with each band reduced to what is new in it."""
    if kept.min() > 0.7 or len(piece) < 8:
        return piece
    size = scipy.fft.next_fast_len(len(piece) + round(0.01 * rate_hz), real=True)
    spectrum = scipy.fft.rfft(piece, size)
    octave = np.log2(np.maximum(np.arange(len(spectrum)) * (rate_hz / size), 20.0))
    spectrum *= np.sqrt(np.interp(octave, _CENTRES_OCT, kept)).astype(np.float32)
    return np.asarray(scipy.fft.irfft(spectrum, size)[: len(piece)])
