"""Kind and role of a drum from its sound alone, by rules that can be read.

Role
    Twelve features with a physical meaning (`FEATURES`) are compared with the prototypes of each role in
    `role_prototypes.csv`, each a mean and spread per feature.  A role's likelihood is the weighted sum over its
    prototypes (a mixture of Gaussians with independent features) times how common the role is.  The likeliest family
    of roles is chosen first, then the likeliest role in it.  The features are not really independent, so likelihoods
    are tempered before they become a confidence.  `tests/fit_roles.py` fits the table, on open sounds and on
    synthesised ones with random changes of pitch, length, filtering, level and noise.

Kind
    A loop's energy is spread over its length, it strikes again and again until its end, and it lasts.  A one-shot
    strikes once and decays.  A texture that sounds evenly for seconds is a loop.

References
    Herrera, Yeterian and Gouyon, ICMAI 2002 (descriptors that tell drum sounds apart; MEM).  Definitions are in
    `dossier.measure.sound_shape`.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from dossier.measure.onsets import Onsets
from dossier.measure.sound_shape import (
    EDGES_HZ,
    LOW_SHARE,
    SoundShape,
    centroid_of,
    frequency_at,
    last_within,
    measure_shape,
    share_below,
    smooth,
)
from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import ROLES, Role

FEATURES = (
    "low_edge_oct",  # log2 of the frequency under which 15 % of the power lies: a drum's fundamental
    "centroid_oct",  # log2 of the centroid
    "spread_oct",  # standard deviation of log2 frequency, power-weighted
    "octave_share",  # share of the power within half an octave of the centroid
    "late_centre_oct",  # mean of log2 frequency from 50 to 210 ms: what rings on, tone or noise
    "late_mid_db",  # power from 400 to 3200 Hz in that time, of all in the first 0.4 s
    "low_time_oct",  # log2 of the mean time of the power under 400 Hz, in frames
    "decay_oct",  # log2 of the time from the onset to the last moment within 20 dB
    "half_time_oct",  # log2 of the time in which half of the energy has passed
    "attack_oct",  # log2 of the attack
    "tonality",
    "roughness_oct",  # log2 of the ripple of the envelope in dB: rattles, scrapes, the bursts of a clap
)
FAMILIES: tuple[tuple[Role, ...], ...] = (
    ("kick",),
    ("snare", "clap", "rim"),
    ("closed-hat", "open-hat", "ride", "crash"),
    ("tom", "shaker", "percussion"),
)
# How common each role is among one-shots, relatively; common practice, no source.
PRIORS: dict[Role, float] = {
    "kick": 2.0, "snare": 2.0, "clap": 1.0, "rim": 0.3, "closed-hat": 2.0, "open-hat": 1.0, "ride": 1.0, "crash": 1.0,
    "tom": 1.2, "shaker": 0.4, "percussion": 2.0,
}  # fmt: skip
_CENTRES_OCT = np.log2(np.sqrt(np.asarray(EDGES_HZ[1:]) * np.asarray(EDGES_HZ[:-1])))
_LATE = slice(5, 20)  # frames 10.7 ms apart: 50 to 210 ms
_TEMPER = 3.0
_REPEATS_DB = 15.0  # a strike counts within this of the loudest


def _db(ratio: float) -> float:
    return 10.0 * float(np.log10(max(ratio, 1e-5)))


def _ripple_db(body: SoundShape) -> float:
    """Standard deviation of the envelope in dB about its own 50 ms mean, over its first 0.8 s within 30 dB."""
    rate = body.envelope_hz
    fine = body.smoothed[: body.start + int(0.9 * rate)]
    coarse = smooth(body.envelope[: len(fine)], int(max(0.05, 2.5 * body.smooth_s) * rate))
    floor = 1e-6 * float(fine.max())
    first = body.start + int(body.smooth_s * rate)
    last = min(int(np.flatnonzero(fine >= 1e3 * floor)[-1]), body.start + int(0.8 * rate))
    if last - first <= int(0.03 * rate):
        return 0.5
    ratio = np.maximum(fine[first:last], floor) / np.maximum(coarse[first:last], floor)
    return float(np.std(10.0 * np.log10(ratio)))


@lru_cache(maxsize=64)
def _octaves(bins: int, bin_hz: float) -> Array:
    return np.asarray(np.log2(np.maximum(np.arange(bins) * bin_hz, 20.0)))


def features(body: SoundShape) -> Array:
    """The `FEATURES` of a sound, `(12,)`."""
    decay_s = last_within(body, 20.0)[0] - body.start / body.envelope_hz
    power = np.diff(body.cumulative) / body.cumulative[-1]
    octave = _octaves(len(power), body.bin_hz)
    centroid = centroid_of(body)
    # Plain sums: at this size a threaded dot product costs more than it saves.
    mean = float((power * octave).sum())
    spread = float(np.sqrt(max(0.0, float((power * (octave - mean) ** 2).sum()))))
    near = share_below(body, centroid * np.array([2.0**-0.5, 2.0**0.5]))
    frames = body.frames.astype(np.float64)
    total = max(float(frames.sum()), 1e-30)
    late, early = frames[_LATE].sum(axis=0), frames[:3].sum(axis=0)
    if late.sum() <= 1e-6 * early.sum():
        late = early
        late_mid = 0.0
    else:
        late_mid = float(late[3:6].sum()) / total
    low = frames[:, :3].sum(axis=1)
    low_time = float((low * np.arange(len(low))).sum()) / max(float(low.sum()), 1e-30)
    passed = np.cumsum(body.envelope[body.start :])
    half_s = float(np.searchsorted(passed, 0.5 * passed[-1])) / body.envelope_hz
    return np.array(
        [
            np.log2(frequency_at(body, LOW_SHARE)),
            np.log2(max(centroid, 20.0)),
            spread,
            float(near[1] - near[0]),
            float((late * _CENTRES_OCT).sum()) / max(float(late.sum()), 1e-30),
            _db(late_mid),
            np.log2(low_time + 0.5),
            np.log2(max(0.004, decay_s)),
            np.log2(0.001 + half_s),
            np.log2(0.0005 + body.attack_s),
            body.tonality,
            np.log2(0.3 + _ripple_db(body)),
        ]
    )


@lru_cache(maxsize=1)
def _prototypes() -> tuple[tuple[Role, ...], Array, Array, Array]:
    """Roles, weights `(n,)`, means and spreads `(n, 12)` of the prototypes."""
    with (Path(__file__).parent / "role_prototypes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    named: dict[str, Role] = {role: role for role in ROLES}
    roles = tuple(named[row["role"]] for row in rows)
    weights = np.array([float(row["weight"]) for row in rows])
    means = np.array([[float(row[name]) for name in FEATURES] for row in rows])
    spreads = np.array([[float(row[f"{name}_spread"]) for name in FEATURES] for row in rows])
    return roles, weights, means, spreads


def role_of(figures: Array) -> tuple[Role, float]:
    """Likeliest role and its confidence, 0-1."""
    roles, weights, means, spreads = _prototypes()
    # Cap distances at four spreads, so that an odd sound is still most like something.
    distance = np.minimum(np.abs(figures - means) / spreads, 4.0)
    logs = np.log(weights) - 0.5 * (distance**2).sum(axis=1) - np.log(spreads).sum(axis=1)
    top = float(logs.max())
    likelihood = dict.fromkeys(ROLES, 0.0)
    for role, value in zip(roles, np.exp(np.maximum(logs - top, -700.0)), strict=True):
        likelihood[role] += PRIORS[role] * float(value)
    family = max(FAMILIES, key=lambda roles: sum(likelihood[role] for role in roles))
    best = max(family, key=lambda role: likelihood[role])
    tempered = {role: value ** (1.0 / _TEMPER) for role, value in likelihood.items()}
    return best, tempered[best] / sum(tempered.values())


def role_of_sound(samples: Samples, rate_hz: int) -> tuple[Role, float] | None:
    """Likeliest role of a sound on its own, None where nothing sounds."""
    body = measure_shape(samples, rate_hz)
    return None if body is None else role_of(features(body))


def _ramp(value: float, low: float, high: float) -> float:
    return float(np.clip((value - low) / (high - low), 0.0, 1.0))


@dataclass(frozen=True, slots=True)
class Duration:
    """How a sound lies in time: cheap, and enough to recognise most one-shots."""

    length_s: float  # from the onset to the last moment within 40 dB
    evenness: float  # share of that length in which 90 % of the energy passes


def duration_of(body: SoundShape, length_s: float) -> Duration:
    """How the energy of a sound of this effective length lies in time."""
    passed = np.cumsum(body.envelope[body.start :])
    most_s = float(np.searchsorted(passed, 0.9 * passed[-1])) / body.envelope_hz
    return Duration(length_s, min(1.0, most_s / max(length_s, 0.01)))


def could_loop(lasts: Duration) -> bool:
    """Whether a sound is long and even enough to be a loop, so that its onsets are worth detecting."""
    return lasts.length_s > 0.5 and lasts.evenness > 0.4


def loopness(body: SoundShape, lasts: Duration, onsets: Onsets) -> float:
    """How much a sound behaves like a loop, 0-1: it lasts, fills its length evenly, and strikes again or sustains."""
    lasting = _ramp(float(np.log2(max(lasts.length_s, 0.01))), -1.0, 0.2)  # 0.5 to 1.15 s
    even = _ramp(lasts.evenness, 0.4, 0.65)
    level = smooth(body.envelope, int(0.02 * body.envelope_hz))
    floor = float(level.max()) * 10.0 ** (-_REPEATS_DB / 10.0)
    strikes: list[float] = []
    for time, strength in zip(onsets.times_s - body.onset_s, onsets.strengths, strict=True):
        first = body.start + int(time * body.envelope_hz)
        heard = level[max(0, first) : first + int(0.04 * body.envelope_hz)]
        apart = not strikes or time - strikes[-1] > 0.05
        if apart and strength >= 0.15 * onsets.strengths.max() and len(heard) and heard.max() >= floor:
            strikes.append(float(time))
    repeated = 0.0
    if len(strikes) > 1:
        # Strikes faster than 18 a second are a roll, a rattle or a scrape: one sound.
        apart_s = float(np.median(np.diff(strikes)))
        until_end = _ramp(strikes[-1] / lasts.length_s, 0.3, 0.5)
        repeated = _ramp(len(strikes), 1.0, 3.0) * until_end * _ramp(apart_s, 0.055, 0.08)
    sustained = 0.8 * _ramp(lasts.evenness, 0.82, 0.9) * _ramp(lasts.length_s, 1.0, 1.8)
    return lasting * even * max(repeated, sustained)
