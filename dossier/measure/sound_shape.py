"""The body of one sound: where it starts and ends, its envelope, its spectrum, how tonal it is.

Conventions
    Samples are `(frames, channels)`; channels are never summed as waveforms, their powers are.  Sounds are scaled to
    their peak and cut off at 20 kHz, so nothing depends on level or sample rate.

Definitions (after Peeters et al., J. Acoust. Soc. Am. 130(5), 2011, where they agree with the trade's; MEM)
    onset: first sample within 40 dB of the peak.
    envelope: mean power in blocks of 0.25 ms, averaged over 8 ms or, if longer, one period of the sound's lowest strong
        part (a tone's own swing is no envelope), at most 40 ms.
    attack: from 10 to 90 % of the maximum of the magnitude of the analytic signal (Gabor, J. IEE 93, 1946; MEM), which
        for a modulated tone is the modulation itself at any tone frequency.
    decay to -20 / -60 dB: from the envelope's maximum to the last moment within that many dB of it.
    effective length: from the onset to the last moment within 40 dB of that maximum.
    centroid: power-weighted mean frequency from 20 Hz to 20 kHz; roll-off: frequency under which 85 % of it lies.
    tonality: about the periodic share of the energy: the largest autocorrelation, normalised by the energies of the two
        overlapping parts (McLeod and Wyvill, ICMC 2005; MEM), at lags from 0.25 to 33 ms after the first zero crossing,
        over 250 ms from the onset.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import scipy
from msgspec import Struct

from dossier.measure.onsets import SILENT_PEAK, channels_of, peak_of, reaching
from dossier.model.measures import Array, Samples

LOW_HZ, HIGH_HZ = 20.0, 20000.0
LONGEST_S = 30.0  # a longer sound is cut to its first half minute
BLOCK_S = 0.00025
SMOOTH_S, LONGEST_SMOOTH_S = 0.008, 0.040
LOW_SHARE = 0.15  # share of the power below a sound's lowest strong part
TONAL_S = 0.25
SHORTEST_LAG_S, LONGEST_LAG_S = 0.00025, 1 / 30
FRAME_S = 0.0214  # window of the band powers over time, 1024 samples at 48 kHz
FRAMES = 38  # about 0.4 s of them, at half a window's hop
EDGES_HZ = (20.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0, 12800.0, 20000.0)
ATTACK_WINDOWS_S = (0.008, 0.004, 0.002, 0.001, 0.0005, 0.00025, 0.0)
_AFTER_S, _FADE_S = 0.045, 0.030  # kept after the maximum, and faded so that the cut does not ring into the attack


class SoundShape(Struct, frozen=True, eq=False):
    """One sound, cut to where it sounds."""

    onset_s: float  # in the file
    file_s: float  # length of the file
    envelope: Array  # (n,) mean power of each block, summed over channels
    envelope_hz: float  # blocks a second
    start: int  # block of the onset
    smoothed: Array  # (n,) the envelope averaged over `smooth_s`
    smooth_s: float
    attack_s: float
    cumulative: Array  # (bins + 1,) power below each bin edge
    bin_hz: float
    tonality: float
    frames: Array  # (frames, bands) power between EDGES_HZ, frames half a window apart, the first centred on the onset
    cut: bool  # longer than LONGEST_S


def smooth(power: Array, width: int) -> Array:
    """Centred moving mean; beyond the ends there is silence."""
    if width <= 1:
        return power
    left = width // 2
    total = np.zeros(len(power) + width)
    np.cumsum(power, out=total[left + 1 : left + 1 + len(power)])
    total[left + 1 + len(power) :] = total[left + len(power)]
    return np.maximum((total[width:] - total[:-width]) / width, 0.0)


def crossing(power: Array, threshold: float, index: int, rate_hz: float) -> float:
    """Time in seconds at which `power` crosses the threshold between `index` and its right neighbour."""
    if index + 1 >= len(power) or power[index + 1] == power[index]:
        return index / rate_hz
    part = (threshold - power[index]) / (power[index + 1] - power[index])
    return (index + float(np.clip(part, 0.0, 1.0))) / rate_hz


def last_within(body: SoundShape, level_db: float) -> tuple[float, bool]:
    """Seconds from the envelope's first block to the last moment within `level_db` of its maximum, and whether the
    envelope falls that low before the file ends."""
    # Past the end of the file the average sees silence, so its last half window is left out.
    keep = max(int(body.smoothed.argmax()) + 1, len(body.smoothed) - int(0.5 * body.smooth_s * body.envelope_hz))
    power = body.smoothed[:keep]
    threshold = float(power.max()) * 10.0 ** (-level_db / 10.0)
    last = len(power) - 1 - int(np.argmax(power[::-1] >= threshold))
    if last + 1 >= len(power):
        return len(body.smoothed) / body.envelope_hz, False
    time_s = crossing(power, threshold, last, body.envelope_hz)
    # Noise crosses a level several times in a short while: its decay is the middle of that, not the end.
    top = int(power.argmax())
    early = top + int(np.argmax(power[top:] < threshold))
    if last - early < 0.15 * (last - top):
        time_s = 0.5 * (time_s + crossing(power, threshold, early - 1, body.envelope_hz))
    return time_s, True


def share_below(body: SoundShape, frequency_hz: Array | float) -> Array:
    """Share of the power below a frequency, 0-1."""
    edges = np.asarray(frequency_hz) / body.bin_hz + 0.5  # a bin reaches half a bin to either side of its frequency
    return np.asarray(np.interp(edges, np.arange(len(body.cumulative)), body.cumulative) / body.cumulative[-1])


def centroid_of(body: SoundShape) -> float:
    """Power-weighted mean frequency in Hz, from the sum of the cumulative power."""
    bins = len(body.cumulative) - 1
    mean = bins - float(body.cumulative[1:].sum()) / float(body.cumulative[-1])
    return float(np.clip(mean * body.bin_hz, LOW_HZ, HIGH_HZ))


def frequency_at(body: SoundShape, share: float) -> float:
    """Frequency in Hz below which this share of the power lies."""
    place = np.interp(share * body.cumulative[-1], body.cumulative, np.arange(len(body.cumulative)))
    return float(np.clip((place - 0.5) * body.bin_hz, LOW_HZ, HIGH_HZ))


@lru_cache(maxsize=16)
def _window(length: int) -> Array:
    return np.hanning(length + 1)[:-1].astype(np.float32)


def running_sum(values: Array) -> Array:
    """Sums of the first 0, 1, ... n values, `(n + 1,)`."""
    out = np.zeros(len(values) + 1)
    np.cumsum(values, out=out[1:])
    return out


def autocorrelation(signal: Array, longest: int) -> Array:
    """Autocorrelation of `(channels, n)` at lags 0 to `longest`, normalised by the energies of the overlapping parts.

    `(longest + 1,)`, -1 to 1 (McLeod and Wyvill, ICMC 2005; MEM).
    """
    count = signal.shape[1]
    size = scipy.fft.next_fast_len(count + longest + 1, real=True)
    spectrum = scipy.fft.rfft(signal, size)
    raw = scipy.fft.irfft((spectrum.real**2 + spectrum.imag**2).sum(axis=0), size)[: longest + 1]
    energy = running_sum((signal.astype(np.float64) ** 2).sum(axis=0))
    lags = np.arange(longest + 1)
    both = np.sqrt(energy[count - lags] * (energy[count] - energy[lags]))
    return np.where(both > 1e-9 * energy[count], raw / np.maximum(both, 1e-300), 0.0)


def _tonality(piece: Samples, rate_hz: int) -> float:
    """Tonality of `piece`, `(frames, channels)` from the onset on."""
    used = piece[: max(2, int(TONAL_S * rate_hz))]
    step = max(1, rate_hz // 40000)  # nothing above 20 kHz counts; correlations need no filter
    used = used[::step]
    rate = rate_hz / step
    count = len(used)
    low, high = max(1, int(SHORTEST_LAG_S * rate)), min(int(LONGEST_LAG_S * rate), count // 2)
    if high <= low + 2:
        return 0.0
    normal = autocorrelation((used - used.mean(axis=0)).T, high)
    below = np.flatnonzero(normal[1:] <= 0.0)
    first = max(low, int(below[0]) + 1 if len(below) else high)
    if first >= high:
        return 0.0
    return float(np.clip(normal[first : high + 1].max(), 0.0, 1.0))


@lru_cache(maxsize=16)
def _band_bins(window: int, rate_hz: int) -> Array:
    """First bin of each band between EDGES_HZ, and one past the last; bands above half the rate are empty."""
    bins = np.ceil(np.asarray(EDGES_HZ) * (window / rate_hz)).astype(np.int64)
    return np.minimum(bins, window // 2 + 1)


def _frames(piece: Samples, rate_hz: int) -> Array:
    window = 2 * round(FRAME_S * rate_hz / 2)
    hop = window // 2
    count = min(FRAMES, max(1, -(-len(piece) // hop)))
    padded = np.zeros((piece.shape[1], hop + (count - 1) * hop + window), dtype=np.float32)
    used = piece[: padded.shape[1] - hop].T
    padded[:, hop : hop + used.shape[1]] = used
    views = np.lib.stride_tricks.sliding_window_view(padded, window, axis=1)[:, ::hop][:, :count]
    spectra = scipy.fft.rfft(views * _window(window), axis=2)
    power = (spectra.real**2 + spectra.imag**2).sum(axis=0)
    total = np.zeros((len(power), power.shape[1] + 1))
    np.cumsum(power, axis=1, out=total[:, 1:])
    return np.maximum(np.diff(total[:, _band_bins(window, rate_hz)], axis=1), 0.0)


def _attack(piece: Samples, rate_hz: int, maximum_s: float) -> float:
    """10-90 % of the analytic envelope up to `maximum_s`, smoothed by no more than a sixth of the attack."""
    stop = min(len(piece), int((maximum_s + _AFTER_S) * rate_hz))
    used = piece[:stop]
    fade = min(stop, int(_FADE_S * rate_hz))
    size = scipy.fft.next_fast_len(2 * stop + int(0.05 * rate_hz), real=True)
    size += size % 2
    faded = np.array(used.T)
    if stop < len(piece):
        faded[:, stop - fade :] *= np.hanning(2 * fade + 1)[fade + 1 :].astype(faded.dtype)
    spectrum = scipy.fft.rfft(faded, size)
    bin_hz = rate_hz / size
    spectrum = spectrum[:, : min(spectrum.shape[1] - 1, int(np.ceil(HIGH_HZ / bin_hz)) + 1)]
    spectrum[:, : int(np.ceil(0.5 * LOW_HZ / bin_hz))] = 0.0
    short = scipy.fft.next_fast_len(spectrum.shape[1])
    analytic = scipy.fft.ifft(spectrum, short)
    rate = rate_hz * short / size
    power = (analytic.real**2 + analytic.imag**2).sum(axis=0, dtype=np.float64)[: max(1, int(stop / rate_hz * rate))]
    attack = 0.0
    for window_s in ATTACK_WINDOWS_S:
        seen = smooth(power, max(1, int(window_s * rate)))
        top = float(seen.max())
        over = int(np.argmax(seen >= 0.81 * top))
        under = np.flatnonzero(seen[: over + 1] < 0.01 * top)
        late = crossing(seen, 0.81 * top, max(0, over - 1), rate)
        early = crossing(seen, 0.01 * top, int(under[-1]), rate) if len(under) else 0.0
        attack = max(0.0, late - early)
        if attack >= 6.0 * window_s:
            break
    return attack


def measure_shape(samples: Samples, rate_hz: int) -> SoundShape | None:
    """Cut a sound, `(frames, channels)` or `(frames,)`, out of its file and take its envelope and spectrum.

    None for silence (peak below -180 dBFS), an empty array, and where nothing sounds from 20 Hz to 20 kHz.
    """
    two = channels_of(samples)
    peak = peak_of(two)
    if peak < SILENT_PEAK:
        return None
    first, last = reaching(two, 0.01 * peak)[0], reaching(two, 0.0005 * peak)[1] + 1
    lead = int(0.002 * rate_hz)
    longest = first + int(LONGEST_S * rate_hz)
    stop = min(last + int(1.5 * LONGEST_SMOOTH_S * rate_hz), len(two), longest)  # with some silence after it, if any
    piece = two[max(0, first - lead) : stop]
    if first < lead:  # a file that starts with its sound still starts from silence
        piece = np.concatenate([np.zeros((lead - first, piece.shape[1]), piece.dtype), piece])
    if piece.shape[1] == 2 and np.array_equal(piece[:, 0], piece[:, 1]):
        piece = piece[:, :1]
    piece = (piece * (1.0 / peak)).astype(np.float32)
    size = scipy.fft.next_fast_len(len(piece), real=True)
    spectrum = scipy.fft.rfft(piece.T, size)
    bin_hz = rate_hz / size
    bins = min(spectrum.shape[1], int(np.ceil(HIGH_HZ / bin_hz)) + 1)
    power = (spectrum.real[:, :bins] ** 2 + spectrum.imag[:, :bins] ** 2).sum(axis=0, dtype=np.float64)
    power[: int(np.ceil(0.5 * LOW_HZ / bin_hz))] = 0.0
    cumulative = running_sum(power)
    if not cumulative[-1] > 0.0:
        return None
    block = max(1, round(BLOCK_S * rate_hz))
    count = max(1, len(piece) // block)
    squares = np.zeros(count * block)
    for channel in piece.T:
        used = channel[: len(squares)]
        squares[: len(used)] += used * used
    envelope = squares.reshape(count, block).mean(axis=1)
    low_hz = float(np.interp(LOW_SHARE * cumulative[-1], cumulative, np.arange(bins + 1))) * bin_hz
    smooth_s = float(np.clip(1.0 / max(low_hz, 1.0), SMOOTH_S, LONGEST_SMOOTH_S))
    smoothed = smooth(envelope, max(1, round(smooth_s * rate_hz / block)))
    return SoundShape(
        onset_s=first / rate_hz, file_s=len(two) / rate_hz, cut=last > longest,
        envelope=envelope, envelope_hz=rate_hz / block, start=min(lead // block, count - 1),
        smoothed=smoothed, smooth_s=smooth_s, cumulative=cumulative, bin_hz=bin_hz,
        attack_s=_attack(piece, rate_hz, int(smoothed.argmax()) * block / rate_hz),
        tonality=_tonality(piece[lead:], rate_hz), frames=_frames(piece[lead:], rate_hz),
    )  # fmt: skip
