"""Settled pitches of many sounds at once (`coarse`): the method of `pitch`, with one track and without its doubts."""

from __future__ import annotations

import numpy as np
import scipy

from dossier.measure import pitch
from dossier.measure.rows import at_places, power_of, running_sums, sound_of_lines, sums_at_lags
from dossier.model.measures import Array

_REACH = 0.62  # of a track about its centre, of the fundamental
_REACH_CENTS, _CENTS = 1700, 5


def pitches(
    low: Array, inside: Array, below: Array, *, size: int, bin_hz: float, front_s: float, lengths_s: Array
) -> Array:
    """Frequency at which what follows the attack repeats and stays, Hz, `(sounds,)`; 0 where nothing does.

    `low`: the first lines, `(sounds, channels, lines)`, of a transform of `size` samples in which sounds of `lengths_s`
    begin at `front_s`; `inside`: the share of their power there; `below`: running sums of their power.
    """
    found = np.zeros(len(low))
    able = np.flatnonzero(inside >= pitch.PITCHED**2)  # with less there, no period makes sure of a pitch
    if not len(able):
        return found
    skips_s = np.minimum(pitch.SETTLE_S, 0.3 * lengths_s)
    rate = 2.0 * (low.shape[2] - 1) * bin_hz
    all_hz, sure = np.zeros(len(low)), np.zeros(len(low))
    all_hz[able], sure[able] = _periods(
        sound_of_lines(low[able], size), rate, front_s, skips_s[able], lengths_s[able]
    )
    sure *= np.sqrt(np.minimum(inside, 1.0))
    rows = np.flatnonzero(sure >= pitch.PITCHED)
    if len(rows):
        hz = all_hz[rows]
        partials = np.arange(1, pitch.PARTIALS + 1) * hz[:, None] / bin_hz
        levels = at_places(below[rows], 1.04 * partials + 1.0) - at_places(below[rows], 0.96 * partials)
        part = np.where(levels[:, 0] > 0.02 * levels.max(axis=1), 1, levels.argmax(axis=1) + 1)
        begins, ends = front_s + skips_s[rows], front_s + lengths_s[rows]
        settled, steady = _settled(low[rows], bin_hz, part * hz, _REACH * hz, begins, ends)
        settled /= part
        good = (sure[rows] * steady >= pitch.PITCHED) & (settled >= pitch.LOWEST_HZ) & (settled <= pitch.HIGHEST_HZ)
        found[rows] = np.where(good, settled, 0.0)
    return found


def _periods(low: Array, rate: float, front_s: float, skips_s: Array, lengths_s: Array) -> tuple[Array, Array]:
    """Frequency at which a sound repeats after its attack, and its autocorrelation there, as in `pitch`."""
    firsts = ((front_s + skips_s) * rate).astype(int)
    stretch = int(pitch.PERIOD_S * rate)
    count = np.minimum((np.maximum(0.0, lengths_s - skips_s) * rate).astype(int), stretch)
    stretch = max(8, int(count.max()))
    longest = min(int(1.15 * rate / pitch.LOWEST_HZ), stretch - 1)
    piece = np.zeros((*low.shape[:2], int(scipy.fft.next_fast_len(stretch + longest + 1, real=True))), dtype=np.float32)
    for row, sound, first, many in zip(piece, low, firsts.tolist(), count.tolist(), strict=True):
        taken = sound[:, first : first + many]
        row[:, : taken.shape[1]] = taken
    energy = running_sums(np.square(piece[:, :, :stretch]).sum(axis=1))
    raw = sums_at_lags(power_of(scipy.fft.rfft(piece, axis=2)))[:, : longest + 1]
    lags = np.arange(longest + 1)[None, :]
    whole = energy[:, -1:]
    rest = np.take_along_axis(energy, np.maximum(count[:, None] - lags, 0), axis=1)
    both = np.sqrt(np.maximum(rest * (whole - energy[:, : longest + 1]), 0.0))
    normal = np.where((both > 1e-9 * whole) & (lags <= 0.66 * count[:, None]), raw / np.maximum(both, 1e-30), 0.0)
    left, here, right = normal[:, :-2], normal[:, 1:-1], normal[:, 2:]
    after = lags[:, 1:-1] > (normal <= 0.0).argmax(axis=1)[:, None]
    tops = (here > left) & (here >= right) & (lags[:, 1:-1] >= 0.9 * rate / pitch.HIGHEST_HZ) & after
    bend = np.minimum(left - 2.0 * here + right, -1e-12)
    part = np.clip(0.5 * (left - right) / bend, -0.5, 0.5)
    heights = np.where(tops, here - 0.25 * (left - right) * part, 0.0)
    best = heights.max(axis=1)
    chosen = (heights >= pitch.KEEP * best[:, None]).argmax(axis=1)
    return rate / np.maximum(chosen + 1 + part[np.arange(len(piece)), chosen], 1.0), best


def _settled(
    low: Array, bin_hz: float, centre: Array, reach: Array, begins_s: Array, ends_s: Array
) -> tuple[Array, Array]:
    """Frequency at which the track of what lies round a centre stays longest, and how much it stays there, 0-1."""
    first = np.maximum(1, ((centre - reach) / bin_hz).astype(int))
    width = int((2.0 * reach.max()) / bin_hz) + 3
    lines = first[:, None] + np.arange(width)[None, :]
    shape = np.cos(0.5 * np.pi * np.clip((lines * bin_hz - centre[:, None]) / reach[:, None], -1.0, 1.0)) ** 2
    shape[lines >= low.shape[2]] = 0.0
    band = np.take_along_axis(low, np.minimum(lines, low.shape[2] - 1)[:, None, :], axis=2)
    band = band * shape[:, None].astype(np.float32)
    size = int(scipy.fft.next_fast_len(max(256, 2 * width)))
    steps = scipy.fft.ifft(band, size, axis=2)
    moved = (steps[:, :, 1:] * steps[:, :, :-1].conj()).sum(axis=1)
    rate = size * bin_hz
    hz = (first[:, None] * bin_hz).astype(np.float32) + np.angle(moved) * np.float32(rate / (2.0 * np.pi))
    power, times = np.abs(moved), np.arange(1, size)[None, :] / rate
    good = (times >= begins_s[:, None]) & (times <= ends_s[:, None]) & (hz > 0.5 * pitch.LOWEST_HZ)
    amplitude = np.sqrt(power) * good
    octaves = np.log2(np.maximum(hz, np.float32(1.0)) / centre[:, None].astype(np.float32))
    cents = np.float32(1200.0) * octaves
    many = 2 * _REACH_CENTS // _CENTS
    place = np.clip((cents + _REACH_CENTS) / _CENTS, 0, many - 1).astype(np.intp) + many * np.arange(len(hz))[:, None]
    counts = np.bincount(place.ravel(), weights=amplitude.ravel(), minlength=many * len(hz)).reshape(len(hz), many)
    for _ in range(2):
        total = running_sums(counts)
        counts[:, 4:-4] = total[:, 9:] - total[:, :-9]
    middle = (_CENTS * (counts.argmax(axis=1) + 0.5) - _REACH_CENTS).astype(np.float32)
    for spread in (20.0, 12.0, 12.0):
        near = np.square((cents - middle[:, None]) * np.float32(0.5**0.5 / spread))
        near = amplitude * np.exp(-near)
        weight = near.sum(axis=1)
        moved_by = (near * (cents - middle[:, None])).sum(axis=1) / np.maximum(weight, np.float32(1e-30))
        middle = middle + np.where(weight > 0.0, moved_by, np.float32(0.0))
    power = power * ((times >= begins_s[:, None]) & (times <= ends_s[:, None]))
    at_pitch = np.abs(cents - middle[:, None]) < pitch.AT_PITCH_CENTS
    stays = (power * at_pitch).sum(axis=1) / np.maximum(power.sum(axis=1), 1e-30)
    step = np.maximum(1, np.round(0.5 * rate * _REACH / reach)).astype(int)  # half a period
    begin = np.ceil(begins_s * rate).astype(int) - 1
    many = max(2, int((((ends_s - begins_s) * rate) / step).max()) + 1)
    place = begin[:, None] + step[:, None] * np.arange(many)[None, :]
    inside = place < size - 1
    place = np.minimum(place, size - 2)
    moves = np.diff(np.take_along_axis(cents, place, axis=1), axis=1)
    weights = np.where(inside, np.take_along_axis(power, place, axis=1), 0.0)
    weights = np.minimum(weights[:, 1:], weights[:, :-1])
    to_and_fro = (weights * np.abs(moves)).sum(axis=1) - np.abs((weights * moves).sum(axis=1))
    wavers = to_and_fro / np.maximum(weights.sum(axis=1), 1e-30)
    steady = np.minimum(1.0, stays / pitch.STAYS) / (1.0 + (wavers / pitch.WAVERS_CENTS) ** 2)
    return centre * 2.0 ** (middle / 1200.0), steady
