"""Loudness and peaks of one signal: ITU-R BS.1770-5, EBU R 128, EBU Tech 3341 and Tech 3342.

Samples are `(frames, channels)`, 1.0 = full scale.  One channel is measured as one channel, 3.01 LU below the same
signal on two, so a mono file that plays on both speakers must be made two channels first.  Up to five channels are
taken, in the order left, right, centre, left surround, right surround (weights 1, 1, 1, 1.41, 1.41).

The signal is K-weighted once (see `k_weighting`) and its energy summed every 10 ms; every window is a sum of those.  An
incomplete last block is dropped, as the standard says; pyloudnorm, whose block loop is not used here, counts it.

- integrated: 400 ms blocks every 100 ms, gated at -70 LUFS and at 10 LU below the mean of what is left.
- momentary and short-term maximum: 400 ms and 3 s windows, not gated.  They slide in steps of 10 ms: at 100 ms steps a
  window can miss 50 ms of a 400 ms sound, 0.6 LU (Tech 3341 case 13 allows 0.1).
- loudness range: 3 s windows every 100 ms, gated at -70 LUFS and -20 LU, 10th to 95th percentile, from 3 s up.
- one hit: the maximum momentary loudness of a sound, padded with silence to 400 ms where it is shorter.
- crest factor: sample peak over the RMS of the channel with the most power, so that a sine reads 3.01 dB whether it
  plays on one channel or on two.

`block_energy` and the `..._from_blocks` functions give the same quantities from one number every 100 ms: few enough to
keep, to add up over parts (powers of unrelated parts add) and to compute with again on the page.

References: ITU-R BS.1770-5 (11/2023), Annex 1 (filters, equations 1-7) and Annex 2 (true peak).
EBU Tech 3341 (2023): momentary, short-term and integrated loudness.  EBU Tech 3342 (2023): loudness range.
EBU R 128 (2023).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from dossier.errors import MeasureError
from dossier.measure.k_weighting import LOWEST_RATE_HZ, OFFSET_DB, sections
from dossier.measure.k_weighting import k_weight_db as k_weight_db
from dossier.measure.true_peak import true_peak
from dossier.model.channels import as_mono
from dossier.model.measures import Array, BandEnergies, Loudness, Samples, Sound

CHANNEL_WEIGHTS = (1.0, 1.0, 1.0, 1.41, 1.41)  # BS.1770-5 Table 3
ABSOLUTE_GATE_LUFS = -70.0  # BS.1770-5 eq. 6
RELATIVE_GATE_LU = 10.0  # BS.1770-5 eq. 6
RANGE_GATE_LU = 20.0  # Tech 3342
RANGE_PERCENTILES = (10.0, 95.0)  # Tech 3342
BLOCK_S = 0.1
FORGOTTEN_S = 1.0  # by then the ringing of the high-pass at 38 Hz has fallen by far more than 200 dB
FINE_PER_BLOCK = 10  # steps of 10 ms
FINE_AT_ONCE = 200  # 2 s
MOMENTARY_BLOCKS = 4  # 400 ms
SHORT_TERM_BLOCKS = 30  # 3 s
SILENCE = 1e-10  # -200 dBFS, below the last bit of 32-bit integers: nothing there is sound
LARGEST = 1e100  # squares of larger numbers do not fit
# In silence a recursive filter decays into denormal numbers, over which processors take many times longer.  A bias far
# below any sound prevents that; what it leaves in memory and energies is taken away again.
BIAS = 1e-25  # -500 dBFS
SETTLED = 1e-20  # filter memory below this becomes zero
NO_ENERGY = 1e-40  # energy of 10 ms below this becomes zero

SILENT = "silent: no sample above -200 dBFS"
NO_SAMPLES = "no samples"
TOO_SHORT_400 = "shorter than 0.4 s, the length of a loudness block"
TOO_SHORT_3000 = "shorter than 3 s, the length of a short-term window"
GATED = "nothing above the -70 LUFS gate"


class _Scan(Struct, frozen=True, eq=False):
    """What one pass over the samples yields."""

    fine: Array  # (10 ms steps,) K-weighted energy, weighted sum over channels of squared samples
    square_sums: Array  # (channels,) plain energy
    peak: float


def measure(samples: Samples, rate_hz: int) -> Loudness:
    """Measure loudness, loudness range, peaks and crest factor; the module's text defines each.

    `samples` is `(frames, 1 to 5 channels)`, finite floats.

    Levels in LUFS, LU, dBFS, dBTP or dB; `None` with a reason in `reasons` where one does not exist.  Silence (below
    -200 dBFS) has no levels at all.  Below 0.4 s there is no integrated or momentary loudness (`one_hit_lufs` stands
    in), below 3 s no short-term loudness and no range, below the gate no integrated one.  Raises `MeasureError` for a
    wrong shape or channel count, integers, NaN or infinite samples, or a rate under 4 kHz.
    """
    return measure_with_blocks(samples, rate_hz)[0]


def measure_with_blocks(samples: Samples, rate_hz: int) -> tuple[Loudness, Array]:
    """`measure` and `block_energy` of the same samples in one pass."""
    _check(samples, rate_hz)
    scan = _scan(_padded(samples, -(-rate_hz * 4 // 10)), rate_hz)  # silence up to 400 ms
    steps = max(0, len(_edges(len(samples), rate_hz)) - 1)
    blocks = _blocks(scan.fine, steps, rate_hz)
    reasons: dict[str, str] = {}

    if scan.peak < SILENCE:
        return _unmeasurable(SILENT if len(samples) else NO_SAMPLES), blocks if len(samples) else blocks[:0]

    one_hit = momentary = _window_max(scan.fine, MOMENTARY_BLOCKS * FINE_PER_BLOCK, rate_hz)
    short_term = _window_max(scan.fine, SHORT_TERM_BLOCKS * FINE_PER_BLOCK, rate_hz)
    integrated = integrated_from_blocks(blocks)
    loudness_range = range_from_blocks(blocks)
    if steps < MOMENTARY_BLOCKS * FINE_PER_BLOCK:
        momentary = None
        reasons["integrated_lufs"] = reasons["max_momentary_lufs"] = TOO_SHORT_400
    elif integrated is None:
        reasons["integrated_lufs"] = GATED
    if steps < SHORT_TERM_BLOCKS * FINE_PER_BLOCK:
        reasons["max_short_term_lufs"] = reasons["loudness_range_lu"] = TOO_SHORT_3000
    elif loudness_range is None:
        reasons["loudness_range_lu"] = GATED
    levels = {"max_momentary_lufs": momentary, "max_short_term_lufs": short_term, "one_hit_lufs": one_hit}
    for name in (name for name, value in levels.items() if value is None):
        reasons.setdefault(name, "no energy in the range that the K-weighting passes")

    true_peak_dbtp = _db20(true_peak(samples, sample_peak=scan.peak))
    if integrated is None:
        reasons["peak_to_loudness_db"] = f"no integrated loudness: {reasons['integrated_lufs']}"
    rms = float(np.sqrt(scan.square_sums.max() / len(samples)))
    loudness = Loudness(
        integrated_lufs=integrated, **levels, loudness_range_lu=loudness_range,
        sample_peak_dbfs=_db20(scan.peak), true_peak_dbtp=true_peak_dbtp, crest_factor_db=_db20(scan.peak / rms),
        peak_to_loudness_db=None if integrated is None else true_peak_dbtp - integrated, reasons=reasons,
    )  # fmt: skip
    return loudness, blocks


def block_energy(samples: Sound, rate_hz: int) -> Array:
    """K-weighted mean square of each 100 ms block, summed over the weighted channels: `(blocks,)`, float64.

    `samples`, `(frames, channels)`, is read slice by slice, two seconds at a time.  Blocks do not overlap.  An
    incomplete last block is dropped, unless it is the only one: then silence fills it.  No frames give no blocks.
    Raises `MeasureError` like `measure`.

    Source: BS.1770-5 eq. 1 and 3, with the 400 ms block cut into its four steps of 100 ms.
    """
    _check(samples, rate_hz)
    if not len(samples):
        return np.zeros(0)
    scan = _scan(_padded(samples, -(-rate_hz // 10)), rate_hz)
    return _blocks(scan.fine, max(0, len(_edges(len(samples), rate_hz)) - 1), rate_hz)


def hit_energy(samples: Samples, rate_hz: int) -> tuple[BandEnergies, float | None]:
    """K-weighted energy of one hit in steps of 10 ms, as one band, and the level of its loudest 100 ms in LUFS.

    A shorter hit counts with the silence after it.  None for silence.
    """
    _check(samples, rate_hz)
    fine = _scan(_padded(samples, len(samples) + rate_hz // 10), rate_hz).fine
    summed = np.concatenate([[0.0], np.cumsum(fine)])[:, None] / rate_hz
    step_s = BLOCK_S / FINE_PER_BLOCK
    return BandEnergies(summed, step_s, len(fine) * step_s), _window_max(fine, FINE_PER_BLOCK, rate_hz)


def shared_energy(sounds: Sequence[Samples], rate_hz: int) -> Array:
    """What each two of some sounds of one length have in common in each 100 ms block: `(sounds, sounds, blocks)`.

    `g @ table[:, :, block] @ g` is `block_energy` of the sum of the sounds at the linear gains `g`, for any gains; the
    diagonal is each sound alone.
    """
    from scipy.signal import sosfilt

    edges = _edges(len(sounds[0]), rate_hz)[::FINE_PER_BLOCK]
    weights = np.sqrt(CHANNEL_WEIGHTS[: sounds[0].shape[1]])

    def weighted(sound: Samples) -> Samples:
        alone = as_mono(sound[: edges[-1]])
        heard = sosfilt(sections(rate_hz), alone.T.astype(np.float64, order="C"), axis=1).T
        return np.asarray(heard * weights, np.float32)

    heard = [weighted(sound) for sound in sounds]
    table = np.zeros((len(sounds), len(sounds), len(edges) - 1))
    for i, one in enumerate(heard):
        for j, other in enumerate(heard[: i + 1]):
            both = np.add.reduceat(np.einsum("ij,ij->i", one, other, dtype=np.float64), edges[:-1])
            table[i, j] = table[j, i] = both / (BLOCK_S * rate_hz)
    return table


def repeated_block_energy(cycle: Samples, rate_hz: int, *, first: int, last: int, frames: int) -> Array:
    """`block_energy` of a sound of `frames` in which `cycle`, `(frames, channels)`, repeats from `first` to `last`.

    Silence surrounds it.  The filter forgets within `FORGOTTEN_S`, so from some pass on all filtered passes are alike,
    and only the first few are computed.
    """
    length, reach = len(cycle), round(FORGOTTEN_S * rate_hz)
    settled = -(-reach // length) * length
    if last - first < settled + length:
        whole = np.zeros((frames, cycle.shape[1]))
        whole[first:last] = np.resize(cycle, (max(0, last - first), cycle.shape[1]))
        return block_energy(whole, rate_hz)
    _check(cycle, rate_hz)
    cycle, weights = _apart(cycle)
    weighted = partial(_weighted, rate_hz=rate_hz, weights=weights)
    at_rest = np.zeros((len(sections(rate_hz)), len(weights), 2))
    begun, memory = weighted(np.tile(cycle, (settled // length, 1)), at_rest)
    whole_pass, at_end = weighted(cycle, memory)
    if phase := (last - first) % length:
        _, at_end = weighted(cycle[:phase], memory)
    ended, _ = weighted(np.zeros((reach, cycle.shape[1])), at_end)
    head, one_pass, tail = (np.concatenate([[0.0], np.cumsum(part)])
                            for part in (begun, whole_pass, ended))  # fmt: skip
    edges = _edges(frames, rate_hz)
    at = np.clip(edges, first, last) - first
    passes, inside = np.divmod(np.maximum(at - settled, 0), length)
    energy = head[np.minimum(at, settled)] + passes * one_pass[-1] + one_pass[inside]
    energy += tail[np.clip(edges - last, 0, reach)]
    return _blocks(np.maximum(np.diff(energy), 0.0), max(0, len(edges) - 1), rate_hz)


def _weighted(samples: Samples, memory: Array, *, rate_hz: int, weights: Array) -> tuple[Array, Array]:
    """K-weighted energy of every sample, summed over the weighted channels, `(frames,)`, and the filter's memory."""
    from scipy.signal import sosfilt

    filtered, memory = sosfilt(sections(rate_hz), samples.T.astype(np.float64, order="C"), axis=1, zi=memory)
    return weights @ np.square(filtered, out=filtered), memory


def _apart(samples: Samples) -> tuple[Samples, Array]:
    """The channels that need to be looked at, and the weight of each: of two that are alike, one counts twice."""
    alone, weights = as_mono(samples), np.array(CHANNEL_WEIGHTS[: samples.shape[1]])
    return (samples, weights) if alone is samples else (alone, 2.0 * weights[:1])


def integrated(samples: Samples, rate_hz: int) -> float | None:
    """Integrated loudness alone, in LUFS, as `measure` gives it."""
    return integrated_from_blocks(block_energy(samples, rate_hz))


def integrated_from_blocks(blocks: Array) -> float | None:
    """Gated integrated loudness in LUFS from 100 ms blocks; `None` under four blocks or below the gate.

    Source: BS.1770-5 eq. 4-7: 400 ms with 75 % overlap, absolute gate -70 LUFS, relative gate -10 LU.
    """
    kept = _gated(blocks, MOMENTARY_BLOCKS, RELATIVE_GATE_LU)
    return _lufs(float(kept.mean())) if len(kept) else None


def range_from_blocks(blocks: Array) -> float | None:
    """Loudness range in LU from 100 ms blocks; `None` under 30 blocks (3 s) or below the gate.

    Source: Tech 3342, short-term loudness gated at -70 LUFS and 20 LU below its mean power; the percentiles are the
    nearest ranks, as in its example program.
    """
    ranked = np.sort(_gated(blocks, SHORT_TERM_BLOCKS, RANGE_GATE_LU))
    if not len(ranked):
        return None
    low, high = (ranked[int((len(ranked) - 1) * percent / 100.0 + 0.5)] for percent in RANGE_PERCENTILES)
    return float(10.0 * np.log10(high / low))


def _gated(blocks: Array, length: int, below_mean_lu: float) -> Array:
    """Mean squares of windows of `length` blocks that pass both gates; empty where none passes the absolute one."""
    power: Array = _windows(blocks, length) / length
    power = power[power > 10.0 ** ((ABSOLUTE_GATE_LUFS - OFFSET_DB) / 10.0)]
    return power[power > power.mean() * 10.0 ** (-below_mean_lu / 10.0)] if len(power) else power


def _check(samples: Sound, rate_hz: int) -> None:
    if len(samples.shape) != 2 or not 1 <= samples.shape[1] <= len(CHANNEL_WEIGHTS):
        raise MeasureError(f"loudness: samples must be (frames, 1 to 5 channels), got shape {samples.shape}")
    if not np.issubdtype(samples.dtype, np.floating):
        raise MeasureError(f"loudness: samples must be floating point, got {samples.dtype}")
    if rate_hz < LOWEST_RATE_HZ:
        raise MeasureError(f"loudness: the sample rate must be at least {LOWEST_RATE_HZ} Hz, got {rate_hz}")


def _unmeasurable(reason: str) -> Loudness:
    names = [name for name in Loudness.__struct_fields__ if name != "reasons"]
    return Loudness(**dict.fromkeys(names), reasons=dict.fromkeys(names, reason))


def _edges(frames: int, rate_hz: int) -> npt.NDArray[np.int64]:
    """Sample indices at which the 10 ms steps begin and end; every tenth lies where pyloudnorm puts a block's edge."""
    steps = frames * 100 // rate_hz + 1
    edges = np.arange(steps + 1, dtype=np.int64) * rate_hz // 100
    blocks = np.arange(steps // FINE_PER_BLOCK + 1)
    edges[::FINE_PER_BLOCK] = (0.4 * (blocks * 0.25) * rate_hz).astype(np.int64)
    return edges[edges <= frames]


def _scan(samples: Sound, rate_hz: int) -> _Scan:
    """Filter two seconds at a time and sum energies."""
    from scipy.signal import sosfilt

    weights = np.array(CHANNEL_WEIGHTS[: samples.shape[1]])
    if isinstance(samples, np.ndarray):
        samples, weights = _apart(samples)
    frames, channels = samples.shape
    sos = sections(rate_hz)
    edges = _edges(frames, rate_hz)
    fine = np.zeros(max(0, len(edges) - 1))
    square_sums = np.zeros(channels)
    memory = np.zeros((len(sos), channels, 2))
    peak = 0.0
    for first in range(0, len(fine), FINE_AT_ONCE):
        last = min(first + FINE_AT_ONCE, len(fine))
        part = samples[edges[first] : edges[last]].T.astype(np.float64, order="C")
        part_peak = _peak_of(part)
        if part_peak == 0.0 and not memory.any():
            continue
        peak = max(peak, part_peak)
        square_sums += np.einsum("ij,ij->i", part, part)
        part += BIAS
        part, memory = sosfilt(sos, part, axis=1, zi=memory)
        memory[np.abs(memory) < SETTLED] = 0.0
        np.square(part, out=part)
        fine[first:last] = weights @ np.add.reduceat(part, edges[first:last] - edges[first], axis=1)
    fine[fine < NO_ENERGY] = 0.0
    tail = samples[edges[-1] if len(edges) else 0 :].astype(np.float64)
    if len(tail):
        peak = max(peak, _peak_of(tail))
        square_sums += np.einsum("ij,ij->j", tail, tail)
    return _Scan(fine, square_sums, peak)


def _peak_of(part: Array) -> float:
    peak = max(float(part.max()), -float(part.min()))
    if not peak < LARGEST:  # NaN fails every comparison
        raise MeasureError("loudness: samples must be finite numbers; found NaN, infinite or absurdly large ones")
    return peak


def _blocks(fine: Array, steps: int, rate_hz: int) -> Array:
    """Mean squares of the whole 100 ms blocks in the first `steps` 10 ms energies, one block at least."""
    whole = max(1, steps // FINE_PER_BLOCK) * FINE_PER_BLOCK
    return np.asarray(fine[:whole].reshape(-1, FINE_PER_BLOCK).sum(axis=1) / (BLOCK_S * rate_hz))


def _padded(samples: Sound, frames: int) -> Sound:
    if len(samples) >= frames:
        return samples
    out = np.zeros((frames, samples.shape[1]), samples.dtype)
    out[: len(samples)] = samples[:]
    return out


def _window_max(fine: Array, steps: int, rate_hz: int) -> float | None:
    """Loudness of the loudest window of `steps` 10 ms steps; `None` where none fits or all are silent."""
    power = _windows(fine, steps)
    if not len(power) or power.max() <= 0.0:
        return None
    return _lufs(float(power.max()) / (steps / FINE_PER_BLOCK * BLOCK_S * rate_hz))


def _windows(values: Array, length: int) -> Array:
    """Sums of all runs of `length` values; none where there are fewer."""
    if len(values) < length:
        return np.zeros(0)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(values, length).sum(axis=1))


def _lufs(power: float) -> float:
    return float(OFFSET_DB + 10.0 * np.log10(power))


def _db20(amplitude: float) -> float:
    return float(20.0 * np.log10(amplitude))
