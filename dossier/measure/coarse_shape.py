"""Envelopes of many sounds at once, and from them and their spectra the figures by which roles are told (`coarse`).

Definitions are those of `sound_shape` and `roles`, where each is explained; blocks are of 0.25 ms.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import scipy

from dossier.measure import roles, sound_shape
from dossier.measure.rows import at_places, at_same_places, running_sums, sums_at_lags
from dossier.model.measures import Array, Indices

FRONT_S = 512 / 48_000  # of silence before the onset: half a frame
_LEAD_BLOCKS = 8  # 2 ms
_ATTACK_WINDOWS_S = sound_shape.ATTACK_WINDOWS_S[:-1]
_SWINGS_HZ, _AFTER_S = 500.0, 0.045  # of the attack
_MIDDLE_OCT = 10.0  # so that squares of octaves keep their digits


@lru_cache(maxsize=16)
def hop_of(rate_hz: int) -> int:
    return int(scipy.fft.next_fast_len(max(8, int(FRONT_S * rate_hz)), real=True))


def blocks_of(size: int, rate_hz: int) -> tuple[int, int, int]:
    """Where the envelope's blocks begin, their samples and their number."""
    width = max(1, round(sound_shape.BLOCK_S * rate_hz))
    begin = max(0, hop_of(rate_hz) - _LEAD_BLOCKS * width)
    return begin, width, (size - begin) // width


class Envelopes:
    """Envelopes of sounds in blocks of 0.25 ms from 2 ms before the onset, and what is read from them."""

    def __init__(self, blocks: Array, rate_hz: int, size: int, lengths: Indices, ends_s: Array, low_hz: Array) -> None:
        begin, self.width, count = blocks_of(size, rate_hz)
        self.power, self.total = blocks, running_sums(blocks)
        self.rate, self.begin_s = rate_hz / self.width, begin / rate_hz
        self.start = (hop_of(rate_hz) - begin) // self.width
        ends = np.minimum(lengths // self.width + int(0.06 * self.rate), (ends_s * self.rate).astype(np.intp))
        self.ends = np.clip(ends + self.start, 1, count)
        self.smooth_s = np.clip(1.0 / np.maximum(low_hz, 1.0), sound_shape.SMOOTH_S, sound_shape.LONGEST_SMOOTH_S)
        self.smoothed = self._smooth(np.maximum(1, np.round(self.smooth_s * self.rate)).astype(int), count)
        self.top = self.smoothed.argmax(axis=1)
        self.place = np.arange(count)[None, :]

    def _smooth(self, widths: Indices, count: int) -> Array:
        """`sound_shape.smooth` with a width of its own for each row, of the first `count` blocks."""
        most = int(widths.max())
        padded = np.empty((len(self.total), count + 2 * most))
        padded[:, :most] = 0.0
        padded[:, most : most + count + 1] = self.total[:, : count + 1]
        padded[:, most + count + 1 :] = self.total[:, count : count + 1]
        out = np.empty((len(self.total), count))
        for row, total, width in zip(out, padded, widths.tolist(), strict=True):
            first = most - width // 2
            np.subtract(total[first + width : first + width + count], total[first : first + count], out=row)
            row *= 1.0 / width
        return out

    def last_within(self, level_db: float) -> Array:
        """As `sound_shape.last_within`, seconds from the first block."""
        keep = np.maximum(self.top + 1, self.ends - (0.5 * self.smooth_s * self.rate).astype(np.intp))
        power, place, top = self.smoothed, self.place, self.top[:, None]
        limit = np.take_along_axis(power, top, axis=1) * 10.0 ** (-level_db / 10.0)
        over = power >= limit
        last = power.shape[1] - 1 - (over & (place < keep[:, None]))[:, ::-1].argmax(axis=1)
        early = (~over & (place >= top)).argmax(axis=1)
        late_s, early_s = (self._crossing(power, limit[:, 0], index) for index in (last, np.maximum(early - 1, 0)))
        noisy = last - early < 0.15 * (last - self.top)
        found = np.where(noisy & (early > 0), 0.5 * (late_s + early_s), late_s)
        return np.where(last + 1 >= keep, self.ends / self.rate, found)

    def _crossing(self, power: Array, limit: Array, index: Indices) -> Array:
        rows = np.arange(len(power))
        here, there = power[rows, index], power[rows, np.minimum(index + 1, power.shape[1] - 1)]
        apart = np.where(there == here, 1.0, there - here)
        part = np.where(there == here, 0.0, np.clip((limit - here) / apart, 0.0, 1.0))
        return np.asarray((index + part) / self.rate)

    def lasting(self) -> tuple[Array, Array]:
        """Effective length in seconds and evenness, as `roles.Duration` has them."""
        end_s = self.last_within(40.0)
        cut = end_s >= self.ends / self.rate
        length = end_s - self.start / self.rate - np.where(cut, 0.0, 0.5 * self.smooth_s)
        length = np.maximum(length, 1.0 / self.rate)
        passed = self.total[:, 1:] - self.total[:, self.start : self.start + 1]
        most = (passed >= 0.9 * passed[:, -1:]).argmax(axis=1) - self.start
        return length, np.minimum(1.0, most / self.rate / np.maximum(length, 0.01))

    def ripple_db(self) -> Array:
        """As `roles` has it."""
        count = min(self.power.shape[1], self.start + int(0.9 * self.rate))
        fine = self.smoothed[:, :count]
        coarse = self._smooth((np.maximum(0.05, 2.5 * self.smooth_s) * self.rate).astype(int), count)
        floor = 1e-6 * fine.max(axis=1, keepdims=True)
        first = self.start + (self.smooth_s * self.rate).astype(np.intp)
        last = count - 1 - (fine >= 1e3 * floor)[:, ::-1].argmax(axis=1)
        last = np.minimum(last, self.start + int(0.8 * self.rate))
        most = max(1, int(last.max()))
        ratio = (np.maximum(fine[:, :most], floor) / np.maximum(coarse[:, :most], floor)).astype(np.float32)
        ratio = 10.0 * np.log10(ratio)
        inside = (self.place[:, :most] >= first[:, None]) & (self.place[:, :most] < last[:, None])
        many = np.maximum(inside.sum(axis=1), 1)
        ratio *= inside
        mean = ratio.sum(axis=1) / many
        spread = np.sqrt(np.maximum(0.0, np.square(ratio).sum(axis=1) / many - mean**2))
        return np.where(last - first <= int(0.03 * self.rate), 0.5, spread)

    def attack_s(self, spectrum: Array, transformed: int, bin_hz: float) -> Array:
        """10 to 90 % of the magnitude, smoothed by no more than a sixth of the attack.

        Below 500 Hz a block is no longer than a swing: there the power is that of the analytic signal.
        """
        count = min(self.power.shape[1], int(self.top.max()) + int(_AFTER_S * self.rate))
        low = spectrum[:, :, : max(2, int(_SWINGS_HZ / bin_hz))].copy()
        low[:, :, : int(np.ceil(0.5 * sound_shape.LOW_HZ / bin_hz))] = 0.0
        size = scipy.fft.next_fast_len(8 * low.shape[2])
        analytic = scipy.fft.ifft(low, size, axis=2) * np.float32(2.0 * size / transformed)
        rate = size * bin_hz
        swing = (0.5 * (analytic.imag**2 - analytic.real**2)).sum(axis=1)
        places = (self.begin_s + (np.arange(count) + 0.5) / self.rate) * rate
        power = np.maximum(self.power[:, :count] + at_same_places(swing, places), 0.0)
        most = max(1, round(_ATTACK_WINDOWS_S[0] * self.rate))
        total = np.empty((len(power), count + 1 + 2 * most))
        total[:, :most], total[:, most : most + count + 1] = 0.0, running_sums(power)
        total[:, most + count + 1 :] = total[:, most + count : most + count + 1]
        found, settled = np.zeros(len(power)), np.zeros(len(power), dtype=bool)
        for window_s in _ATTACK_WINDOWS_S:
            width = max(1, round(window_s * self.rate))
            first = most - width // 2
            seen = total[:, first + width : first + width + count] - total[:, first : first + count]
            top = seen.max(axis=1)
            over = (seen >= 0.81 * top[:, None]).argmax(axis=1)
            under = (seen < 0.01 * top[:, None]) & (self.place[:, :count] <= over[:, None])
            last = count - 1 - under[:, ::-1].argmax(axis=1)
            late = self._crossing(seen, 0.81 * top, np.maximum(over - 1, 0))
            early = np.where(under.any(axis=1), self._crossing(seen, 0.01 * top, last), 0.0)
            found = np.where(settled, found, np.maximum(0.0, late - early))
            settled |= found >= 6.0 * window_s
            if settled.all():
                break
        return found

    def tonality(self, folded: Array, rate_hz: int, lengths: Indices) -> Array:
        """As `sound_shape` has it, at lags two samples apart; the energies that overlap are read by blocks of lags."""
        most, longest = int(sound_shape.TONAL_S * rate_hz), int(sound_shape.LONGEST_LAG_S * rate_hz)
        folded[:, 0] = 0.0
        width = max(1, self.width // 2)
        count = min(longest // 2, folded.shape[1]) // width
        raw = 0.5 * sums_at_lags(folded)[:, width : count * width]
        tops = raw[:, ::width].copy()
        for place in range(1, width):
            np.maximum(tops, raw[:, place::width], out=tops)
        lags = (np.arange(1, count) * 2 * width)[None, :]  # first of each block
        used = np.minimum(lengths, most)[:, None]
        start, edge = self.total[:, self.start : self.start + 1], self.start
        whole = at_places(self.total, used / self.width + edge) - start
        rest = at_places(self.total, (used - lags) / self.width + edge) - start
        head = at_same_places(self.total, lags[0] / self.width + edge) - start
        both = self.width * np.sqrt(np.maximum(rest, 0.0) * np.maximum(whole - head, 0.0))
        normal = np.where(both > 1e-9 * self.width * whole, tops / np.maximum(both, 1e-30), 0.0)
        negative = raw <= 0.0
        first = np.where(negative.any(axis=1), negative.argmax(axis=1) // width, count)
        high = np.minimum(longest, used // 2)
        inside = (np.arange(count - 1)[None, :] >= first[:, None]) & (lags <= high)
        return np.asarray(np.clip(np.where(inside, normal, 0.0).max(axis=1), 0.0, 1.0))


def low_hz(below: Array, bin_hz: float) -> Array:
    wanted = sound_shape.LOW_SHARE * below[:, -1:]
    after = np.maximum((below >= wanted).argmax(axis=1), 1)[:, None]
    low, high = np.take_along_axis(below, after - 1, axis=1), np.take_along_axis(below, after, axis=1)
    return np.asarray((after - 1 + (wanted - low) / np.maximum(high - low, 1e-300))[:, 0] * bin_hz)


@lru_cache(maxsize=64)
def _columns(bins: int, bin_hz: float) -> Array:
    """What the lines' powers are weighed with: frequency, its octave, that squared; `(3, bins)`."""
    hz = np.arange(bins) * bin_hz
    octave = np.log2(np.maximum(hz, 20.0)) - _MIDDLE_OCT
    return np.stack([hz, octave, octave**2]).astype(np.float32)


def figures(
    heard: Array, below: Array, bin_hz: float, bands: Array, envelope: Envelopes, attack_s: Array, tonality: Array
) -> Array:
    """`roles.FEATURES`, `(sounds, 24)`, from the power of lines, its running sums, and that of frames in bands."""
    total = below[:, -1:]
    means = np.einsum("ij,kj->ik", heard, _columns(heard.shape[1], bin_hz)) / total
    centroid = np.clip(means[:, 0], sound_shape.LOW_HZ, sound_shape.HIGH_HZ)
    spread = np.sqrt(np.maximum(0.0, means[:, 2] - means[:, 1] ** 2))
    near = at_places(below, centroid[:, None] * np.array([[2.0**-0.5, 2.0**0.5]]) / bin_hz + 0.5) / total
    edges = np.array(roles.SHARES_HZ)
    upper, lower = (at_same_places(below, edges[:, end] / bin_hz + 0.5) for end in (1, 0))
    shares = (upper - lower) / total
    narrow = np.diff(at_same_places(below, roles.NARROW_HZ / bin_hz + 0.5), axis=1) / total
    narrow = narrow / np.maximum(narrow.sum(axis=1, keepdims=True), 1e-12) + 1e-9
    lines = [int(hz / bin_hz) for hz in (300.0, 3000.0, 12000.0)]
    all_power = np.maximum(bands.sum(axis=(1, 2)), 1e-30)
    late, early = bands[:, roles.LATE].sum(axis=1), bands[:, :3].sum(axis=1)
    rings = late.sum(axis=1) > 1e-6 * early.sum(axis=1)
    late_mid = np.where(rings, late[:, 3:6].sum(axis=1) / all_power, 0.0)
    late = np.where(rings[:, None], late, early)
    low, mid, high = bands[:, :, :3].sum(axis=2), bands[:, :, 3:6].sum(axis=2), bands[:, :, 6:].sum(axis=2)
    high_time = (high * np.arange(high.shape[1])).sum(axis=1) / np.maximum(high.sum(axis=1), 1e-30)
    onset_s = envelope.start / envelope.rate
    maximum_s = envelope.top / envelope.rate - onset_s

    def db(ratio: Array, floor: float = 1e-6) -> Array:
        return np.asarray(10.0 * np.log10(np.maximum(ratio, floor)))

    return np.stack([
        np.log2(np.maximum(centroid, 20.0)), spread, near[:, 1] - near[:, 0],
        (late * roles.CENTRES_OCT).sum(axis=1) / np.maximum(late.sum(axis=1), 1e-30), db(late_mid, 1e-5),
        np.log2(0.0005 + attack_s), tonality, np.log2(0.3 + envelope.ripple_db()),
        *db(shares).T, -(narrow * np.log(narrow)).sum(axis=1),
        _crest(heard[:, lines[1] : lines[2]]), _crest(heard[:, lines[0] : lines[1]]),
        db(low[:, :4].sum(axis=1) / all_power), db(low[:, 15:].sum(axis=1) / all_power),
        db(mid[:, :4].sum(axis=1) / all_power), db(mid[:, 5:15].sum(axis=1) / all_power),
        db(high[:, 5:15].sum(axis=1) / all_power), np.log2(high_time + 0.5),
        np.log2(np.maximum(0.004, envelope.last_within(30.0) - onset_s)),
        np.where(maximum_s > 0.0, np.log2(0.001 + np.maximum(maximum_s, 0.0)), -10.0),
    ], axis=1)  # fmt: skip


def _crest(power: Array) -> Array:
    if power.shape[1] <= 8:
        return np.zeros(len(power))
    mean = power.mean(axis=1)
    return np.where(mean > 0.0, np.log2(power.max(axis=1) / np.maximum(mean, 1e-30) + 1.0), 0.0)
