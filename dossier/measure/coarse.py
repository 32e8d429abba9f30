"""A coarse look at many short sounds at once: what tells which of a library's one-shots can win in a beat.

Conventions
    As in `sound_shape`, `roles`, `pitch`, `stereo` and `spectra`, whose quantities these are, read more cheaply: sounds
    of about one length go through each transform together, and one spectrum of the whole sound serves them all.

What is coarser
    The attack is read from blocks of 0.25 ms, and only below 500 Hz from the analytic signal.  The outline's windows
    are 80 ms a third apart below 0.5 kHz and 21 ms half apart above, not 80 and 40 ms every 10 ms.  A pitch is tracked
    once, and doubted less.  `tests/measure/test_coarse.py` says how near all that comes.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import scipy
from msgspec import Struct
from numpy.lib.stride_tricks import as_strided, sliding_window_view

from dossier.measure import roles, sound_shape, spectra
from dossier.measure.bands import FINE_HZ
from dossier.measure.coarse_pitch import pitches
from dossier.measure.coarse_shape import Envelopes, blocks_of, figures, hop_of, low_hz
from dossier.measure.k_weighting import k_weight_db
from dossier.measure.onsets import SILENT_PEAK
from dossier.measure.rows import power_of, running_sums, sound_of_lines, up_to
from dossier.model.measures import FRAME_S, OUTLINE_PIECES, Array, CoarseMeasures, Indices, Samples

TAIL_S = sound_shape.LONGEST_LAG_S  # of silence after the end, so that what is correlated does not wrap round
# In hand at once: samples that are transformed, few enough for a processor's cache, and sounds that are judged, enough
# that what calls take counts for little.
SAMPLES_AT_ONCE, SOUNDS_AT_ONCE = 1 << 17, 128
_LOW_HZ = 3600.0  # partials up to here help to find a period
_BASS_HZ, _BASS_HOP = 1200.0, 64  # what low bands are read from: twice that rate, windows of 80 ms
_QUIET = 0.0005  # of the peak: what has died away, and a side that is not told from none
_LOST = 1e-5  # of the power: less is not told from none in sums of single precision


class _Cut(Struct, frozen=True, eq=False):
    """A sound from its onset to where it has died away."""

    samples: Samples  # (frames, 1 or 2)
    onset_s: float
    file_s: float
    plays: float  # channels that it plays on, each like one that is here


class _Read(Struct, frozen=True, eq=False):
    """What is read from the samples of some sounds; all that follows needs no sample any more."""

    power: Array  # (sounds, lines) of the whole sound up to 20 kHz
    low: Array  # (sounds, channels, lines) its spectrum up to `_LOW_HZ`
    tonal: Array  # (sounds, lines) power of its first quarter second, folded to what gives every second lag
    inside: Array  # (sounds,) share of the power where pitches lie
    mono_loss_lu: Array  # (sounds,)
    blocks: Array  # (sounds, blocks) mean power of 0.25 ms
    bands: Array  # (sounds, frames, bands) as `SoundShape.frames`
    pieces: Array  # (sounds, pieces, lines) power of the frames of each piece of the outline
    weights: Array  # (sounds, pieces, frames) which they are


def look(sounds: Sequence[Samples], rate_hz: int) -> list[CoarseMeasures | None]:
    """Look at sounds `(frames, 1 or 2)` of one rate; None for silence and what lies outside hearing."""
    found: list[CoarseMeasures | None] = [None] * len(sounds)
    groups: dict[tuple[int, int], list[tuple[int, _Cut]]] = {}
    for index, samples in enumerate(sounds):
        cut = _cut(samples, rate_hz)
        if cut is not None:
            size = _size(hop_of(rate_hz) + len(cut.samples) + int(TAIL_S * rate_hz) + 1)
            groups.setdefault((cut.samples.shape[1], size), []).append((index, cut))
    for (channels, size), members in groups.items():
        members.sort(key=lambda one: len(one[1].samples))  # sounds of one length need the fewest frames of silence
        step = max(1, min(SOUNDS_AT_ONCE, SAMPLES_AT_ONCE // (channels * size)))
        for at in range(0, len(members), SOUNDS_AT_ONCE):
            cuts = [cut for _, cut in members[at : at + SOUNDS_AT_ONCE]]
            read = _nothing_read(cuts, rate_hz, size)
            for first in range(0, len(cuts), step):
                some = cuts[first : first + step]
                _read(some, rate_hz, size, read, slice(first, first + len(some)))
            for (index, _), one in zip(members[at:], _judged(cuts, read, rate_hz, size), strict=False):
                found[index] = one
    return found


def _size(least: int) -> int:
    """Two lengths an octave, so that many sounds share one; at least 16."""
    whole = 1 << max(4, (least - 1).bit_length())
    return whole * 3 // 4 if whole * 3 // 4 >= least else whole


def _cut(samples: Samples, rate_hz: int) -> _Cut | None:
    channels = samples.shape[1]
    loud = np.abs(samples.reshape(-1))
    peak = float(loud.max()) if len(loud) else 0.0
    if peak < SILENT_PEAK:
        return None
    first = int((loud >= 0.01 * peak).argmax()) // channels
    last = (loud >= _QUIET * peak).tobytes().rfind(1) // channels + 1
    piece = samples[first : min(last, first + int(sound_shape.LONGEST_S * rate_hz))]
    if channels == 2 and np.abs(piece[:, 0] - piece[:, 1]).max() < _QUIET * peak:
        piece = piece[:, :1]
    return _Cut(piece, first / rate_hz, len(samples) / rate_hz, 2.0 / piece.shape[1])


def _ends_s(cuts: Sequence[_Cut]) -> Array:
    """Of the files, from the onset."""
    return np.array([cut.file_s - cut.onset_s for cut in cuts])


def _lengths(cuts: Sequence[_Cut]) -> Indices:
    return np.array([len(cut.samples) for cut in cuts])


def _read(cuts: Sequence[_Cut], rate_hz: int, size: int, out: _Read, rows: slice) -> None:
    front, bin_hz = hop_of(rate_hz), rate_hz / size
    block = np.zeros((len(cuts), cuts[0].samples.shape[1], size), dtype=np.float32)
    for row, cut in zip(block, cuts, strict=True):
        row[:, front : front + len(cut.samples)] = cut.samples.T
    spectrum = scipy.fft.rfft(block, axis=2)
    out.low[rows] = spectrum[:, :, : out.low.shape[2]]
    both = np.prod(spectrum.view(np.float32), axis=1) if spectrum.shape[1] == 2 else None
    power = power_of(spectrum)
    out.mono_loss_lu[rows] = 0.0 if both is None else _mono_loss(power, both, rate_hz, size)
    power[:, : int(np.ceil(0.5 * sound_shape.LOW_HZ / bin_hz))] = 0.0
    out.power[rows] = power[:, : out.power.shape[1]]
    band = power[:, int(np.ceil(15.0 / bin_hz)) : int(_LOW_HZ / bin_hz) + 1]
    out.inside[rows] = band.sum(axis=1) / np.maximum(power.sum(axis=1), 1e-30)
    tonal, most = _tonal_size(rate_hz), int(sound_shape.TONAL_S * rate_hz)
    if size > tonal:
        power = power_of(scipy.fft.rfft(block[:, :, front : front + most], tonal, axis=2))
    half = out.tonal.shape[1] - 1
    np.add(power[:, : half + 1], power[:, : half - 1 : -1], out=out.tonal[rows])
    begin, width, count = blocks_of(size, rate_hz)
    taken = block[:, :, begin : begin + count * width]
    squares = np.square(taken[:, 0])
    if len(block[0]) > 1:
        squares += np.square(taken[:, 1])
    np.einsum("ijk->ij", squares.reshape(len(cuts), count, width), out=out.blocks[rows])
    out.blocks[rows] *= np.float32(1.0 / width)
    hop, many = front, min(out.weights.shape[2], max(len(cut.samples) for cut in cuts) // front + 2)
    shape = (*block.shape[:2], many, 2 * hop)
    views = as_strided(block, shape, (*block.strides[:2], hop * block.strides[2], block.strides[2]), writeable=False)
    lines = scipy.fft.rfft(views * _hann(2 * hop), axis=3).view(np.float32)
    np.square(lines, out=lines)
    squared = lines[:, 0]
    if len(block[0]) > 1:
        squared += lines[:, 1]
    some = min(many, out.bands.shape[1])
    out.bands[rows, :some] = np.add.reduceat(squared[:, :some], 2 * _limits(rate_hz), axis=2)[:, :, :-1]
    pieces = out.weights[rows, :, :many] @ squared[:, :, : 2 * out.pieces.shape[2]]
    np.add(pieces[:, :, 0::2], pieces[:, :, 1::2], out=out.pieces[rows])


def _nothing_read(cuts: Sequence[_Cut], rate_hz: int, size: int) -> _Read:
    many, channels, hop, bin_hz = len(cuts), cuts[0].samples.shape[1], hop_of(rate_hz), rate_hz / size
    lines, tonal = size // 2 + 1, min(size, _tonal_size(rate_hz))
    in_pieces = len(_shares(2 * hop, rate_hz, spectra.SHORT_WINDOW_STEPS, 2.0))
    frames = min(int((OUTLINE_PIECES + 0.5) * FRAME_S * rate_hz / hop) + 1, (size - 2 * hop) // hop + 1)
    low = up_to(_LOW_HZ, bin_hz, lines - 1) + 1
    heard = min(lines, int(np.ceil(sound_shape.HIGH_HZ / bin_hz)) + 1)
    single = np.float32
    return _Read(
        power=np.empty((many, heard), single), low=np.empty((many, channels, low), np.complex64),
        tonal=np.empty((many, tonal // 4 + 1), single), inside=np.empty(many), mono_loss_lu=np.empty(many),
        blocks=np.empty((many, blocks_of(size, rate_hz)[2]), single),
        bands=np.zeros((many, min(frames, sound_shape.FRAMES), len(sound_shape.EDGES_HZ) - 1), single),
        pieces=np.empty((many, OUTLINE_PIECES, in_pieces), single),
        weights=_pieces((np.arange(frames) + 1) * hop / rate_hz, hop / rate_hz, _ends_s(cuts)),
    )  # fmt: skip


@lru_cache(maxsize=16)
def _tonal_size(rate_hz: int) -> int:
    return _size(int(sound_shape.TONAL_S * rate_hz) + int(sound_shape.LONGEST_LAG_S * rate_hz) + 1)


@lru_cache(maxsize=16)
def _limits(rate_hz: int) -> Indices:
    """First line of each of the frames' bands, and one past the last; those above half the rate are empty."""
    hop = hop_of(rate_hz)
    lines = np.ceil(np.asarray(sound_shape.EDGES_HZ) * (2 * hop / rate_hz)).astype(np.intp)
    lines = np.minimum(lines, hop - len(lines))  # so that bands above half the rate hold a line that is silent
    return np.asarray(lines + np.arange(len(lines)) * (np.diff(lines, prepend=0) == 0))


def _judged(cuts: Sequence[_Cut], read: _Read, rate_hz: int, size: int) -> list[CoarseMeasures | None]:
    bin_hz, front_s, ends_s = rate_hz / size, hop_of(rate_hz) / rate_hz, _ends_s(cuts)
    below = running_sums(read.power)
    ok = below[:, -1] > 0.0
    below[~ok, -1] = 1.0
    envelope = Envelopes(read.blocks, rate_hz, size, _lengths(cuts), ends_s, low_hz(below, bin_hz))
    attack_s = envelope.attack_s(read.low, size, bin_hz)
    tonality = envelope.tonality(read.tonal, rate_hz, _lengths(cuts))
    told = figures(read.power, below, bin_hz, read.bands, envelope, attack_s, tonality)
    likeness = roles.role_weights().probabilities(told).astype(np.float32)
    bass = up_to(_BASS_HZ, bin_hz, read.low.shape[2] - 1)
    lower = _lower(sound_of_lines(read.low[:, :, : bass + 1], size), 2.0 * bass * bin_hz, front_s, ends_s)
    hop = hop_of(rate_hz)
    outlines = lower + _fine(read.pieces, 2 * hop, 2.0, rate_hz, spectra.SHORT_WINDOW_STEPS)
    outlines *= np.array([cut.plays for cut in cuts], np.float32)[:, None, None]
    hz = pitches(read.low, read.inside, below, size=size, bin_hz=bin_hz, front_s=front_s,
                 lengths_s=_lengths(cuts) / rate_hz)  # fmt: skip
    length_s, evenness = envelope.lasting()
    return [
        CoarseMeasures(
            onset_s=cut.onset_s, length_s=float(length_s[i]), evenness=float(evenness[i]),
            likeness=likeness[i], pitch_hz=float(hz[i]) or None,
            mono_loss_lu=None if np.isnan(read.mono_loss_lu[i]) else float(read.mono_loss_lu[i]),
            outline=outlines[i],
        ) if ok[i] else None
        for i, cut in enumerate(cuts)
    ]  # fmt: skip


@lru_cache(maxsize=16)
def _hann(length: int) -> Array:
    return np.hanning(length + 1)[:-1].astype(np.float32)


def _pieces(end_s: Array, hop_s: float, ends_s: Array) -> Array:
    """Share of each frame that counts in each piece of an outline, `(sounds, pieces, frames)`.

    A frame counts in the step that follows its end, and within the file (`spectra`).
    """
    first = np.minimum(end_s[None, :], ends_s[:, None] - spectra.STEP_S)[:, None, :]
    last = np.minimum(end_s[None, :] + hop_s, ends_s[:, None])[:, None, :]
    edges = FRAME_S * np.arange(OUTLINE_PIECES + 1)[None, :, None]
    inside = np.minimum(last, edges[:, 1:]) - np.maximum(first, edges[:, :-1])
    return np.asarray(np.maximum(inside, 0.0) / np.maximum(last - first, 1e-9), dtype=np.float32)


def _fine(power: Array, size: int, overlap: float, rate_hz: float, steps: int) -> Array:
    """Mean power of pieces in fine bands, from the power of their frames' lines, `(sounds, pieces, lines)`."""
    table = _shares(size, rate_hz, steps, overlap)
    return np.asarray(power[:, :, : len(table)] @ table)


@lru_cache(maxsize=32)
def _shares(size: int, rate_hz: float, steps: int, overlap: float) -> Array:
    """What each line adds to the mean power in each fine band, `(lines, bands)`, up to the last line that does."""
    bins = spectra.bins_of(size, rate_hz, steps)
    if bins is None:
        return np.zeros((0, len(FINE_HZ)), np.float32)
    table = np.zeros((bins.highest + 1, len(FINE_HZ)), np.float32)
    ends = [*bins.starts[1:], len(bins.bins)]
    for band, (first, last) in enumerate(zip(bins.starts, ends, strict=True), bins.first):
        table[bins.bins[first:last] + 1, band] = bins.shares[first:last]
    return np.asarray(2.0 / (size * rate_hz * overlap * spectra.HANN_POWER * FRAME_S) * table, np.float32)


def _lower(low: Array, rate: float, front_s: float, ends_s: Array) -> Array:
    """The outline below 0.5 kHz, of the low sound."""
    hop = _BASS_HOP
    count = min(-(-low.shape[2] // hop) + 2, int((OUTLINE_PIECES * FRAME_S + front_s) * rate / hop) + 2)
    padded = np.zeros((*low.shape[:2], (count + 2) * hop), dtype=np.float32)
    taken = low[:, :, : count * hop]
    padded[:, :, 2 * hop : 2 * hop + taken.shape[2]] = taken
    views = sliding_window_view(padded, 3 * hop, axis=2)[:, :, ::hop]
    power = scipy.fft.rfft(views * _hann(3 * hop), axis=3)
    power = power_of(np.ascontiguousarray(power.swapaxes(1, 2)))
    end_s = (np.arange(power.shape[1]) + 1) * hop / rate - front_s
    return _fine(_pieces(end_s, hop / rate, ends_s) @ power, 3 * hop, 3.0, rate, spectra.LONG_WINDOW_STEPS)


@lru_cache(maxsize=32)
def _loudness(lines: int, bin_hz: float, rate_hz: int) -> Array:
    hz = np.arange(lines) * bin_hz
    return np.where(hz >= 20.0, 10.0 ** (k_weight_db(hz, rate_hz=rate_hz) / 10.0), 0.0).astype(np.float32)


def _mono_loss(power: Array, both: Array, rate_hz: int, size: int) -> Array:
    """As `stereo` has it, LU, `(sounds,)`; not-a-number where nothing is left in mono.

    `both`: the product of the channels' lines, real and imaginary parts one after the other, which |L + R|^2 holds
    twice beside the power.
    """
    weights = _loudness(power.shape[1], rate_hz / size, rate_hz)
    whole = np.einsum("ij,j->i", power, weights)
    cross = 2.0 * np.einsum("ijk,j->i", both.reshape(*power.shape, 2), weights)
    left = (whole + cross) / np.maximum(2.0 * whole, 1e-30)
    return np.asarray(-10.0 * np.log10(np.where(left > _LOST, left, np.nan)))
