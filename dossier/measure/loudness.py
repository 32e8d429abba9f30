"""Loudness and peaks of one signal: ITU-R BS.1770-5, EBU R 128, EBU Tech 3341 and Tech 3342.

Conventions
-----------
Samples are `(frames, channels)`, 1.0 = full scale.  One channel is measured as one channel, 3.01 LU below the same
signal on two: whoever plays a mono file on both speakers makes it two channels first.  Up to five channels are taken,
in the order left, right, centre, left surround, right surround (weights 1, 1, 1, 1.41, 1.41).

The K-weighting filter comes from pyloudnorm's `DeMan` filters, which give the standard's printed coefficients at 48 kHz
and the same analogue prototypes at other rates; pyloudnorm's default class reads 0.03-0.045 dB low.  The high-pass of
the standard is printed with b = 1, -2, 1, a gain that belongs to 48 kHz; at other rates it is set so that 997 Hz, the
standard's calibration tone, reads the same (else 8 kHz reads 0.2 dB high and 192 kHz 0.03 low).  pyloudnorm's own block
loop is not used: the signal is filtered once, energies are summed every 10 ms, and all windows are sums of those.  An
incomplete last block is dropped, as the standard says (pyloudnorm counts it).

- integrated: 400 ms blocks every 100 ms, gated at -70 LUFS and at 10 LU below the mean of what is left.
- momentary and short-term maximum: 400 ms and 3 s windows, not gated.  They slide in steps of 10 ms: at 100 ms steps a
  window can miss 50 ms of a 400 ms sound, 0.6 LU (Tech 3341 case 13 allows 0.1).
- loudness range: 3 s windows every 100 ms, gated at -70 LUFS and -20 LU, 10th to 95th percentile, from 3 s up.
- one hit: the maximum momentary loudness of a sound that is padded with silence to 400 ms where it is shorter.
- crest factor: sample peak over the RMS of the channel with the most power, so that a sine reads 3.01 dB whether it
  plays on one channel or on two.

`block_energy` and the `..._from_blocks` functions give the same quantities from one number every 100 ms, which is small
enough to keep, to add up over parts (powers add where parts are unrelated) and to compute again on the page.

References
----------
ITU-R BS.1770-5 (11/2023), Annex 1 (filters, equations 1-7) and Annex 2 (true peak).
EBU Tech 3341 (2023): momentary, short-term and integrated loudness.  EBU Tech 3342 (2023): loudness range.
EBU R 128 (2023).
"""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from dossier.errors import MeasureError
from dossier.measure.true_peak import true_peak
from dossier.model.measures import Array, Loudness, Samples, Sound

OFFSET_DB = -0.691  # BS.1770-5 eq. 2: a 997 Hz full-scale sine in one channel reads -3.01
DESIGN_RATE_HZ = 48_000  # the rate of the standard's printed coefficients
CALIBRATION_HZ = 997.0  # BS.1770-5 Annex 1
CHANNEL_WEIGHTS = (1.0, 1.0, 1.0, 1.41, 1.41)  # BS.1770-5 Table 3
ABSOLUTE_GATE_LUFS = -70.0  # BS.1770-5 eq. 6
RELATIVE_GATE_LU = 10.0  # BS.1770-5 eq. 6
RANGE_GATE_LU = 20.0  # Tech 3342
RANGE_PERCENTILES = (10.0, 95.0)  # Tech 3342
BLOCK_S = 0.1
FORGOTTEN_S = 1.0  # the high-pass at 38 Hz has fallen by far more than 200 dB
FINE_PER_BLOCK = 10  # steps of 10 ms
MOMENTARY_BLOCKS = 4  # 400 ms
SHORT_TERM_BLOCKS = 30  # 3 s
SILENCE = 1e-10  # -200 dBFS, below the last bit of 32-bit integers: nothing there is sound
LOWEST_RATE_HZ = 4000  # below, the shelf at 1.7 kHz does not fit under half the rate
LARGEST = 1e100  # squares of larger numbers do not fit
# Processors take many times longer over denormal numbers, where a recursive filter ends up in silence.  So a bias far
# below any sound is added, and what it leaves in memory and energies is taken away again.
BIAS = 1e-25  # -500 dBFS
SETTLED = 1e-20  # memory under it becomes zero
NO_ENERGY = 1e-40  # energy of 10 ms under it becomes zero

SILENT = "silent: no sample above -200 dBFS"
NO_SAMPLES = "no samples"
TOO_SHORT_400 = "shorter than 0.4 s, the length of a loudness block"
TOO_SHORT_3000 = "shorter than 3 s, the length of a short-term window"
GATED = "nothing above the -70 LUFS gate"


@dataclass(frozen=True, slots=True, eq=False)
class _Scan:
    """What one pass over the samples yields."""

    fine: Array  # (10 ms steps,) K-weighted energy, weighted sum over channels of squared samples
    square_sums: Array  # (channels,) plain energy
    peak: float


def measure(samples: Samples, rate_hz: int, *, beside: Executor | None = None) -> Loudness:
    """Measure loudness, loudness range, peaks and crest factor.

    Parameters
    ----------
    samples : (frames, channels), 1 to 5 channels
        Finite floating-point samples.
    rate_hz : int
        Sample rate.
    beside : Executor, optional
        Looks for the true peak meanwhile; the result is the same.

    Returns
    -------
    Loudness
        Levels in LUFS, LU, dBFS, dBTP or dB.  What does not exist is `None` with its reason in `reasons`: silence
        (under -200 dBFS) has no levels at all, under 0.4 s there is no integrated and no momentary loudness
        (`one_hit_lufs` stands in), under 3 s no short-term loudness and no range, under the gate no integrated one.

    Raises
    ------
    MeasureError
        Not `(frames, channels)`, more than five channels, integers, NaN or infinite, or a rate under 4 kHz.

    Notes
    -----
    See the module's text for each quantity and its source.
    """
    return measure_with_blocks(samples, rate_hz, beside=beside)[0]


def measure_with_blocks(
    samples: Samples, rate_hz: int, *, beside: Executor | None = None
) -> tuple[Loudness, Array]:  # fmt: skip
    """Return `measure` and `block_energy` of the same samples for the price of one."""
    _check(samples, rate_hz)
    looking = beside.submit(true_peak, samples) if beside is not None else None
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

    found = looking.result() if looking is not None else true_peak(samples, sample_peak=scan.peak)
    true_peak_dbtp = _db20(found)
    if integrated is None:
        reasons["peak_to_loudness_db"] = f"no integrated loudness: {reasons['integrated_lufs']}"
    rms = float(np.sqrt(scan.square_sums.max() / len(samples)))
    loudness = Loudness(
        integrated_lufs=integrated,
        max_momentary_lufs=momentary,
        max_short_term_lufs=short_term,
        loudness_range_lu=loudness_range,
        sample_peak_dbfs=_db20(scan.peak),
        true_peak_dbtp=true_peak_dbtp,
        crest_factor_db=_db20(scan.peak / rms),
        peak_to_loudness_db=None if integrated is None else true_peak_dbtp - integrated,
        one_hit_lufs=one_hit,
        reasons=reasons,
    )
    return loudness, blocks


def k_weight_db(f_hz: npt.ArrayLike, *, rate_hz: int = 48_000) -> Array:
    """Return the gain of the K-weighting filter in dB at the frequencies `f_hz`.

    Same shape as `f_hz`; -inf at 0 Hz; above half the sample rate the value there is held.  997 Hz reads +0.691 dB, the
    constant of eq. 2.  Source: BS.1770-5 Annex 1, Tables 1 and 2, at `rate_hz` by way of pyloudnorm.
    """
    f = np.minimum(np.asarray(f_hz, np.float64), rate_hz / 2)
    with np.errstate(divide="ignore"):
        out: Array = np.where(f > 0.0, 20.0 * np.log10(_gain(_sections(rate_hz), f, rate_hz)), -np.inf)
    return out


def block_energy(samples: Sound, rate_hz: int) -> Array:
    """Return the K-weighted mean square of each 100 ms block, summed over channels, `(blocks,)`, float64.

    The samples, `(frames, channels)`, are taken slice by slice, a second at a time.
    Blocks do not overlap.  An incomplete last block is dropped, except where it is the only one: then it is padded with
    silence.  No frames give no blocks.  Raises `MeasureError` like `measure`.

    Source: BS.1770-5 eq. 1 and 3, with the 400 ms block cut into its four steps of 100 ms.
    """
    _check(samples, rate_hz)
    if not len(samples):
        return np.zeros(0)
    scan = _scan(_padded(samples, -(-rate_hz // 10)), rate_hz)
    return _blocks(scan.fine, max(0, len(_edges(len(samples), rate_hz)) - 1), rate_hz)


def repeated_block_energy(cycle: Samples, rate_hz: int, *, first: int, last: int, frames: int) -> Array:
    """Return `block_energy` of a sound of `frames` in which `cycle` repeats from sample `first` up to `last`.

    `cycle` is `(frames, channels)`; silence is round it.  The weighting filter forgets within `FORGOTTEN_S`, so that
    from some pass on every pass of the filtered sound is the same: few passes are filtered instead of all.
    """
    length, reach = len(cycle), round(FORGOTTEN_S * rate_hz)
    settled = -(-reach // length) * length
    if last - first < settled + length:
        whole = np.zeros((frames, cycle.shape[1]))
        whole[first:last] = np.resize(cycle, (max(0, last - first), cycle.shape[1]))
        return block_energy(whole, rate_hz)
    _check(cycle, rate_hz)
    begun = _weighted(np.tile(cycle, (settled // length + 1, 1)), rate_hz)
    phase = (last - first) % length
    ending = np.resize(np.roll(cycle, -phase, axis=0), (settled, cycle.shape[1]))  # whole passes, up to `last`
    ended = _weighted(np.concatenate([ending, np.zeros((reach, cycle.shape[1]))]), rate_hz)[settled:]
    head, one_pass, tail = (np.concatenate([[0.0], np.cumsum(part)])
                            for part in (begun[:settled], begun[settled:], ended))  # fmt: skip
    edges = _edges(frames, rate_hz)
    at = np.clip(edges, first, last) - first
    passes, inside = np.divmod(np.maximum(at - settled, 0), length)
    energy = head[np.minimum(at, settled)] + passes * one_pass[-1] + one_pass[inside]
    energy += tail[np.clip(edges - last, 0, reach)]
    return _blocks(np.maximum(np.diff(energy), 0.0), max(0, len(edges) - 1), rate_hz)


def _weighted(samples: Samples, rate_hz: int) -> Array:
    """Return the K-weighted energy of every sample, summed over the channels by their weights, `(frames,)`."""
    from scipy.signal import sosfilt

    filtered = sosfilt(_sections(rate_hz), samples.astype(np.float64), axis=0)
    return np.asarray(filtered**2 @ np.array(CHANNEL_WEIGHTS[: samples.shape[1]]))


def integrated(samples: Samples, rate_hz: int) -> float | None:
    """Return the integrated loudness alone, in LUFS, as `measure` gives it, without its peaks and windows."""
    return integrated_from_blocks(block_energy(samples, rate_hz))


def integrated_from_blocks(blocks: Array) -> float | None:
    """Return the gated integrated loudness in LUFS from 100 ms blocks; `None` under four blocks or below the gate.

    Source: BS.1770-5 eq. 4-7: 400 ms with 75 % overlap, absolute gate -70 LUFS, relative gate -10 LU.
    """
    power = _windows(blocks, MOMENTARY_BLOCKS) / MOMENTARY_BLOCKS
    power = power[power > _power(ABSOLUTE_GATE_LUFS)]
    if not len(power):
        return None
    kept = power[power > power.mean() * 10.0 ** (-RELATIVE_GATE_LU / 10.0)]  # the loudest always stays
    return _lufs(float(kept.mean()))


def range_from_blocks(blocks: Array) -> float | None:
    """Return the loudness range in LU from 100 ms blocks; `None` under 30 blocks (3 s) or below the gate.

    Source: Tech 3342: short-term loudness gated at -70 LUFS absolute and 20 LU below its mean power, 10th to
    95th percentile, each the nearest rank, as in the source's example program.
    """
    power = _windows(blocks, SHORT_TERM_BLOCKS) / SHORT_TERM_BLOCKS
    power = power[power > _power(ABSOLUTE_GATE_LUFS)]
    if not len(power):
        return None
    ranked = np.sort(power[power > power.mean() * 10.0 ** (-RANGE_GATE_LU / 10.0)])
    low, high = (ranked[int((len(ranked) - 1) * percent / 100.0 + 0.5)] for percent in RANGE_PERCENTILES)
    return float(10.0 * np.log10(high / low))


@lru_cache(maxsize=16)
def _sections(rate_hz: int) -> Array:
    """Return the K-weighting filter as second-order sections, `(2, 6)`: pyloudnorm's, with the gain of 48 kHz."""
    from pyloudnorm import Meter

    meter = Meter(rate_hz, filter_class="DeMan")
    sections = np.array([[*stage.b, *stage.a] for stage in meter._filters.values()])
    if rate_hz != DESIGN_RATE_HZ:
        tone = np.array(CALIBRATION_HZ)
        sections[0, :3] *= _gain(_sections(DESIGN_RATE_HZ), tone, DESIGN_RATE_HZ) / _gain(sections, tone, rate_hz)
    return sections


def _gain(sections: Array, f_hz: Array, rate_hz: int) -> Array:
    """Return the amplitude response of second-order sections at `f_hz`."""
    z = np.exp(-2j * np.pi * f_hz / rate_hz)
    gain = np.ones(f_hz.shape)
    for b0, b1, b2, a0, a1, a2 in sections:
        gain = gain * np.abs((b0 + b1 * z + b2 * z * z) / (a0 + a1 * z + a2 * z * z))
    return gain


def _check(samples: Sound, rate_hz: int) -> None:
    if len(samples.shape) != 2 or not 1 <= samples.shape[1] <= len(CHANNEL_WEIGHTS):
        raise MeasureError(f"loudness: samples must be (frames, 1 to 5 channels), got shape {samples.shape}")
    if not np.issubdtype(samples.dtype, np.floating):
        raise MeasureError(f"loudness: samples must be floating point, got {samples.dtype}")
    if rate_hz < LOWEST_RATE_HZ:
        raise MeasureError(f"loudness: the sample rate must be at least {LOWEST_RATE_HZ} Hz, got {rate_hz}")


def _unmeasurable(reason: str) -> Loudness:
    names = [field.name for field in fields(Loudness) if field.name != "reasons"]
    return Loudness(**dict.fromkeys(names), reasons=dict.fromkeys(names, reason))


def _edges(frames: int, rate_hz: int) -> npt.NDArray[np.int64]:
    """Return where the 10 ms steps begin and end, in samples; every tenth edge lies where pyloudnorm puts a block's."""
    steps = frames * 100 // rate_hz + 1
    edges = np.arange(steps + 1, dtype=np.int64) * rate_hz // 100
    blocks = np.arange(steps // FINE_PER_BLOCK + 1)
    edges[::FINE_PER_BLOCK] = (0.4 * (blocks * 0.25) * rate_hz).astype(np.int64)
    return edges[edges <= frames]


def _scan(samples: Sound, rate_hz: int) -> _Scan:
    """Filter once, a second at a time, and sum energies."""
    from scipy.signal import sosfilt

    frames, channels = samples.shape
    sections = _sections(rate_hz)
    weights = np.array(CHANNEL_WEIGHTS[:channels])
    edges = _edges(frames, rate_hz)
    fine = np.zeros(max(0, len(edges) - 1))
    square_sums = np.zeros(channels)
    memory = np.zeros((len(sections), channels, 2))
    peak = 0.0
    for first in range(0, len(fine), 100):
        last = min(first + 100, len(fine))
        part = samples[edges[first] : edges[last]].T.astype(np.float64, order="C")
        part_peak = _peak_of(part)
        if part_peak == 0.0 and not memory.any():
            continue
        peak = max(peak, part_peak)
        square_sums += np.einsum("ij,ij->i", part, part)
        part += BIAS
        part, memory = sosfilt(sections, part, axis=1, zi=memory)
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
    peak = float(np.abs(part).max())
    if not peak < LARGEST:  # NaN fails every comparison
        raise MeasureError("loudness: samples must be finite numbers; found NaN, infinite or absurdly large ones")
    return peak


def _blocks(fine: Array, steps: int, rate_hz: int) -> Array:
    """Join the first `steps` 10 ms energies to mean squares of whole blocks of 100 ms, one block at least."""
    whole = max(1, steps // FINE_PER_BLOCK) * FINE_PER_BLOCK
    out: Array = fine[:whole].reshape(-1, FINE_PER_BLOCK).sum(axis=1) / (BLOCK_S * rate_hz)
    return out


def _padded(samples: Sound, frames: int) -> Sound:
    if len(samples) >= frames:
        return samples
    out = np.zeros((frames, samples.shape[1]), samples.dtype)
    out[: len(samples)] = samples[:]
    return out


def _window_max(fine: Array, steps: int, rate_hz: int) -> float | None:
    """Return the loudness of the loudest window of `steps` 10 ms steps; `None` where none fits or all are silent."""
    power = _windows(fine, steps)
    if not len(power) or power.max() <= 0.0:
        return None
    return _lufs(float(power.max()) / (steps / FINE_PER_BLOCK * BLOCK_S * rate_hz))


def _windows(values: Array, length: int) -> Array:
    """Return the sums of all runs of `length` values; none where there are fewer."""
    if len(values) < length:
        return np.zeros(0)
    out: Array = np.lib.stride_tricks.sliding_window_view(values, length).sum(axis=1)
    return out


def _power(lufs: float) -> float:
    return float(10.0 ** ((lufs - OFFSET_DB) / 10.0))


def _lufs(power: float) -> float:
    return float(OFFSET_DB + 10.0 * np.log10(power))


def _db20(amplitude: float) -> float:
    return float(20.0 * np.log10(amplitude))
