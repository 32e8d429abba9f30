"""Layering: a second sound under the first, aligned in time and with its polarity chosen.

Conventions
    The layer is set to the first sound's sample peak and then to `gain_db`.  `delay_ms` moves the layer (positive:
    later), polarity is "as it is" or "invert".  A copy that is late by T combs: nulls at (2k + 1)/(2T) Hz where both
    are equal.  So, unless a delay is given, the layer is aligned: of all delays within 20 ms and both polarities the
    one with the highest
        rho(signal) * polarity + rho(onsets)
    where rho is the normalised cross-correlation, of the samples and of how fast their levels rise.  The first finds a
    common waveform to the sample, the second holds the onsets together where the waveforms have nothing in common (a
    noisy layer), which would otherwise be heard as two hits.  Only delays count whose sum has no less energy than the
    unaligned sum, so that the alignment is never worse than none.
    What of the layer falls before the start of the first sound is cut.
References
    Time delay by the peak of the cross-correlation: C. H. Knapp and G. C. Carter, IEEE Trans. ASSP 24 (1976).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from msgspec import Struct

from dossier.errors import MeasureError
from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import Kind
from dossier.treat.families import AmountLine, Amounts, Family, in_db
from dossier.treat.samples import SILENCE, checked, like, sample_peak

REACH_S = 0.020
LOOK_S = 0.4  # of both sounds: where the onsets are, and low waves have had time to show
ENVELOPE_S = 0.002


class LayerAlignment(Struct, frozen=True):
    """Where the layer goes: `delay` in frames (positive: later), `polarity` +1 or -1."""

    delay: int
    polarity: int


def align(samples: Samples, layer: Samples, rate_hz: int, *, gain_db: float = 0.0) -> LayerAlignment:
    """Delay and polarity at which a layer, peak-matched and then at `gain_db`, goes best with a sound.

    Both `(frames, channels)`, of any lengths, compared as mono sums.  Neither delay nor inversion where one is silent.
    """
    first = checked(samples, rate_hz).mean(axis=1)
    second = _conformed(checked(layer, rate_hz), 1, sample_peak(samples), gain_db)[:, 0]
    look = round(LOOK_S * rate_hz)
    first, second = first[:look], second[:look]
    energy = float(np.sum(first**2)), float(np.sum(second**2))
    if min(energy) < SILENCE**2:
        return LayerAlignment(0, 1)
    reach = round(REACH_S * rate_hz)
    delays = np.arange(-reach, reach + 1)
    alike = _correlation(first, second, reach)
    # energy of the layer once its start is cut: only earlier delays lose some
    lost = np.concatenate(([0.0], np.cumsum(second**2)))[np.minimum(np.maximum(-delays, 0), len(second))]
    signal = alike / np.sqrt(energy[0] * energy[1])
    onsets = _onsets(first, rate_hz), _onsets(second, rate_hz)
    shape = _correlation(*onsets, reach) / np.sqrt(np.sum(onsets[0] ** 2) * np.sum(onsets[1] ** 2))
    unaligned = 2.0 * alike[reach] * (1.0 - 1e-12)
    best, where = -np.inf, LayerAlignment(0, 1)
    for polarity in (1, -1):
        score = np.where(2.0 * polarity * alike - lost >= unaligned, polarity * signal + shape, -np.inf)
        place = int(np.argmax(score - 1e-9 * np.abs(delays)))
        if score[place] > best:
            best, where = float(score[place]), LayerAlignment(int(delays[place]), polarity)
    return where


def _correlation(first: Array, second: Array, reach: int) -> Array:
    """Sum over n of first[n] second[n - delay] for delays from -reach to reach."""
    size = scipy.fft.next_fast_len(max(len(first), len(second)) + reach + 1, real=True)
    product = scipy.fft.irfft(scipy.fft.rfft(first, size) * np.conj(scipy.fft.rfft(second, size)), size)
    return np.concatenate((product[-reach:], product[: reach + 1]))


def _onsets(line: Array, rate_hz: int) -> Array:
    """How fast the level rises: the positive slope of the envelope's logarithm, from 40 dB under its top."""
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(np.abs(line), max(3, round(ENVELOPE_S * rate_hz)), mode="constant")
    level = np.log(np.maximum(smooth, 0.0) / max(float(smooth.max()), SILENCE) + 0.01)
    return np.asarray(np.maximum(np.diff(level, prepend=np.log(0.01)), 0.0))


def _conformed(layer: Array, channels: int, peak: float, gain_db: float) -> Array:
    """The layer with as many channels as the sound, peak-matched, at its gain."""
    own = sample_peak(layer)
    if layer.shape[1] != channels:
        layer = layer.mean(axis=1, keepdims=True) if channels == 1 else np.repeat(layer, channels, axis=1)
    return layer * (peak / own * 10.0 ** (gain_db / 20.0) if own >= SILENCE else 0.0)


def add_layer(
    samples: Samples, rate_hz: int, *, layer: Samples, gain_db: float, delay_ms: float | None = None,
    polarity: str = "as it is", file: str = "",
) -> Samples:  # fmt: skip
    """Add a layer at `gain_db`, once its sample peak is that of the sound; a silent sound or layer changes nothing.

    Both `(frames, channels)` at one rate, the result as long as the longer; a mono layer goes to both channels, a
    stereo one is summed for a mono sound.  `delay_ms` is rounded to the frame; None aligns the layer and chooses its
    polarity.  `polarity` is "as it is" or "invert", anything else a `MeasureError`.  `file` names the layer.
    """
    work = checked(samples, rate_hz)
    under = checked(layer, rate_hz)
    if min(sample_peak(work), sample_peak(under)) < SILENCE:
        return like(work, samples)
    if delay_ms is None:
        where = align(samples, layer, rate_hz, gain_db=gain_db)
    else:
        if polarity not in ("as it is", "invert"):
            raise MeasureError(f"layering: polarity must be 'as it is' or 'invert', found {polarity!r}")
        where = LayerAlignment(round(1e-3 * delay_ms * rate_hz), -1 if polarity == "invert" else 1)
    under = where.polarity * _conformed(under, work.shape[1], sample_peak(work), gain_db)
    under = under[max(0, -where.delay) :]
    start = max(0, where.delay)
    result = np.zeros((max(len(work), start + len(under)), work.shape[1]))
    result[: len(work)] = work
    result[start : start + len(under)] += under
    return like(result, samples)


def resolve(samples: Samples, rate_hz: int, amounts: Amounts, *, layer: Samples | None = None) -> Amounts:
    """The amounts with the delay and polarity that the alignment finds, so that they can be shown and set by hand."""
    if layer is None or "delay_ms" in amounts:
        return amounts
    where = align(samples, layer, rate_hz, gain_db=float(amounts["gain_db"]))
    polarity = "invert" if where.polarity < 0 else "as it is"
    return {**amounts, "delay_ms": 1e3 * where.delay / rate_hz, "polarity": polarity}


def _amount_lines(*, kind: Kind, layers: Sequence[str], **_: object) -> tuple[AmountLine, ...]:
    if kind == "loop":
        return ()
    return tuple(tuple({"file": file, "gain_db": gain} for gain in (-12.0, -9.0, -6.0, -3.0)) for file in layers)


def _words(*, file: str, gain_db: float, delay_ms: float | None = None, polarity: str = "as it is") -> str:
    text = f"layer {file} at {in_db(gain_db)}"
    if delay_ms is None:
        return f"{text}, aligned"
    moved = f"moved {abs(delay_ms):.2f} ms {'later' if delay_ms > 0 else 'earlier'}" if delay_ms else "not moved"
    return f"{text}, {moved}, polarity {'inverted' if polarity == 'invert' else 'as it is'}"


FAMILY = Family(
    name="layering", effort="colour", directions=("fuller",),
    amount_lines=_amount_lines, apply=add_layer, words=_words,
    sheet=(("layer", "file", ""), ("gain, at equal peaks", "gain_db", "dB"), ("delay", "delay_ms", "ms"),
           ("polarity", "polarity", "")),
    suits_loops=False, resolve=resolve, nothing_to_do="has nothing to add: one of the two sounds is silent",
)  # fmt: skip
