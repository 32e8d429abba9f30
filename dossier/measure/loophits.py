"""The hits of a loop: when, how loud, and which drum.

Conventions
    Times in seconds from the start of the file; levels in dB relative to the loop's loudest hit: the largest mean power
    of 10 ms within 60 ms of the onset.

Method
    Each hit is cut out from its onset to the next one, at most 250 ms.  What already rang before it is taken out by
    spectral subtraction (Boll, IEEE Trans. Acoustics, Speech and Signal Processing 27(2), 1979; MEM), in bands of an
    octave: a hat over a ringing kick is a hat.  The rest is told apart by `dossier.measure.hits` like a one-shot.  Two
    drums that strike together are told as one, the one that dominates.
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from dossier.measure import hits
from dossier.measure.onsets import Onsets
from dossier.model.measures import Array, LoopHit, Samples
from dossier.model.vocabulary import Role

FAINTEST_DB = -40.0  # hits further below the loudest are not told
LONGEST_S = 0.25
_LEAD_S = 0.001
_MOST = 256  # the strongest hits of a very long loop
_COMPARED_S = 0.04  # stretches before and after the onset that are compared
_TAKEN_OUT = 2.0  # times what rang before: less leaves a haze of it
_KICK_SHARE, _HAT_SHARE = 0.7, 0.8  # of the new power, under 120 Hz and over 3840 Hz
_EDGES_HZ = np.array([0.0, 60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3840.0, 7680.0, 1e6])
_CENTRES_OCT = np.log2(np.append(45.0, 85.0 * 2.0 ** np.arange(8)))


def hits_of(two: Samples, rate_hz: int, onsets: Onsets) -> tuple[LoopHit, ...]:
    """Hits of a loop in order of time; empty where nothing strikes."""
    chosen = np.sort(np.argsort(-onsets.strengths, kind="stable")[:_MOST])
    times = onsets.times_s[chosen]
    if not len(times):
        return ()
    frame = max(1, round(0.01 * rate_hz))
    starts = np.maximum(0, np.round((times - _LEAD_S) * rate_hz).astype(np.int64))
    ends = np.append(starts[1:], len(two))
    pieces = [two[a : min(b, a + round(LONGEST_S * rate_hz))] for a, b in zip(starts, ends, strict=True)]
    levels = np.array([_level(piece[: round(0.06 * rate_hz)], frame) for piece in pieces])
    levels -= levels.max()
    kept, lows, highs = _kept(two, rate_hz, starts)
    found = []
    for time, piece, level, gains, low, high in zip(times, pieces, levels, kept, lows, highs, strict=True):
        if level < FAINTEST_DB:
            continue
        role = hits.measure(_without(piece, rate_hz, gains), rate_hz, kind="one-shot").role
        if role is not None:
            found.append(LoopHit(float(time), _likely(role, float(low), float(high)), float(level)))
    return tuple(found)


def _likely(role: Role, low: float, high: float) -> Role:
    """What a hit in a loop is more likely to be: shortened, it has lost what tells a low tom from a kick."""
    if low > _KICK_SHARE and role in ("tom", "percussion"):
        return "kick"
    if high > _HAT_SHARE and role in ("percussion", "snare", "clap", "rim", "tom"):
        return "closed-hat"
    return role


def _level(piece: Samples, frame: int) -> float:
    power: Array = (piece.astype(np.float64) ** 2).sum(axis=1)
    if not len(power):
        return -200.0
    count = max(1, len(power) // frame)
    means = power[: count * frame].reshape(count, -1).mean(axis=1) if len(power) >= frame else power.mean()
    return 10.0 * float(np.log10(max(float(np.max(means)), 1e-20)))


def _kept(two: Samples, rate_hz: int, starts: Array) -> tuple[Array, Array, Array]:
    """Share of each band's power after each onset that was not there before it, `(hits, bands)`, 0-1.

    And the shares of what is new that lie under 120 Hz and over 3840 Hz, `(hits,)`.
    """
    width = max(8, round(_COMPARED_S * rate_hz))
    padded = np.concatenate([np.zeros((width, two.shape[1])), two, np.zeros((width, two.shape[1]))])
    shape = np.hanning(width + 2)[1:-1]
    edges = np.minimum(np.ceil(_EDGES_HZ * width / rate_hz).astype(np.int64), width // 2 + 1)

    def powers(first: Array) -> Array:
        windows = np.stack([padded[k : k + width].T for k in first]) * shape
        spectra = scipy.fft.rfft(windows, axis=2)
        total = np.zeros((len(first), width // 2 + 2))
        np.cumsum((spectra.real**2 + spectra.imag**2).sum(axis=1), axis=1, out=total[:, 1:])
        return np.asarray(total[:, edges[1:]] - total[:, edges[:-1]])

    before, after = powers(starts), powers(starts + width + round(0.002 * rate_hz))
    kept = np.clip(1.0 - _TAKEN_OUT * before / np.maximum(after, 1e-30), 0.0, 1.0)
    new = kept * after
    total = np.maximum(new.sum(axis=1), 1e-30)
    return kept, new[:, :2].sum(axis=1) / total, new[:, 7:].sum(axis=1) / total


def _without(piece: Samples, rate_hz: int, kept: Array) -> Samples:
    """The piece with each band brought down to what is new in it."""
    if kept.min() > 0.7 or len(piece) < 8:
        return piece
    size = scipy.fft.next_fast_len(len(piece) + round(0.01 * rate_hz), real=True)
    spectrum = scipy.fft.rfft(piece, size, axis=0)
    octave = np.log2(np.maximum(np.arange(spectrum.shape[0]) * (rate_hz / size), 20.0))
    gains = np.sqrt(np.interp(octave, _CENTRES_OCT, kept))
    return np.asarray(scipy.fft.irfft(spectrum * gains[:, None], size, axis=0)[: len(piece)])
