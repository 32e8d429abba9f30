"""Kind and role of a drum from its sound alone.

Role
    Twenty-four features with a physical meaning (`FEATURES`) go through one hidden layer of tanh units to a probability
    of each role; the weights are a small table, `role_weights.csv`.  The likeliest family of roles is chosen first,
    then the likeliest role in it.  `tests/fit_roles.py` fits the table, on open sounds and on synthesised ones with
    random changes of pitch, length, filtering, level and noise.

    With each recorded set kept out of the fit in turn, 90.1 % of 1175 sounds are told right by family (kick; snare,
    clap, rim; hats, cymbals; toms, percussion) and 77.9 % by role.  From set to set it is 65 % (an FM synthesiser) and
    69 % (electronic kits) to 97 and 98 % (General MIDI); `tests/label_confusion.py` prints all.  The features were
    chosen on these sets too.  By role, rims (4 of 30; taken for claps and snares) and open hats (11 of 42; taken for
    crashes and rides) are weak: a name or beat.toml should state them.  What was tried for the single role: 45 more
    figures of power by time and band (78.7 %; 88.9 % by family), a support-vector machine on these figures (77.1 and
    88.1 %) and on both (79.7 and 87.2 %).

Kind
    A loop's energy is spread over its length, it strikes again and again until its end, and it lasts.  A one-shot
    strikes once and decays.  A texture that sounds evenly for seconds is a loop.

References
    Herrera, Yeterian and Gouyon, ICMAI 2002 (descriptors that tell drum sounds apart; MEM).  Definitions are in
    `dossier.measure.sound_shape`.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import lru_cache
from math import log2
from pathlib import Path

import numpy as np
from msgspec import Struct

from dossier.measure.onsets import Onsets
from dossier.measure.sound_shape import (
    EDGES_HZ,
    SoundShape,
    centroid_of,
    last_within,
    measure_shape,
    share_below,
    smooth,
)
from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import ROLES, Role

FEATURES = (
    "centroid_oct",  # log2 of the centroid
    "spread_oct",  # standard deviation of log2 frequency, power-weighted
    "octave_share",  # share of the power within half an octave of the centroid
    "late_centre_oct",  # mean of log2 frequency from 50 to 210 ms: what rings on, tone or noise
    "late_mid_db",  # power from 400 to 3200 Hz in that time, of all in the first 0.4 s
    "attack_oct",  # log2 of the attack
    "tonality",
    "roughness_oct",  # log2 of the ripple of the envelope in dB: rattles, scrapes, the bursts of a clap
    "sub_db", "bass_db", "low_mid_db", "presence_db", "air_db",  # shares of the power between SHARES_HZ
    "evenness",  # entropy of the power over bands of 1/24 octave: noise has more than tones
    "high_crest", "mid_crest",  # log2 of peak over mean power of the lines from 3 to 12, and from 0.3 to 3 kHz
    "low_early_db", "low_later_db",  # power under 400 Hz in the first 50 ms, and after 160 ms, of the first 0.4 s
    "mid_early_db", "mid_late_db",  # from 400 to 3200 Hz in the first 50 ms, and from 50 to 160 ms
    "high_late_db",  # above 3200 Hz from 50 to 160 ms
    "high_time_oct",  # log2 of the mean time of the power above 3200 Hz, in frames
    "decay_oct",  # log2 of the time from the onset to the last moment within 30 dB
    "maximum_oct",  # log2 of the time of the envelope's maximum
)  # fmt: skip
FAMILIES: tuple[tuple[Role, ...], ...] = (
    ("kick",),
    ("snare", "clap", "rim"),
    ("closed-hat", "open-hat", "ride", "crash"),
    ("tom", "shaker", "percussion"),
)
CENTRES_OCT = np.log2(np.sqrt(np.asarray(EDGES_HZ[1:]) * np.asarray(EDGES_HZ[:-1])))
LATE = slice(5, 20)  # frames 10.7 ms apart: 50 to 210 ms
SHARES_HZ = ((0.0, 60.0), (120.0, 240.0), (240.0, 480.0), (1920.0, 3840.0), (7680.0, 12000.0))
NARROW_HZ = 20.0 * 2.0 ** (np.arange(241) / 24.0)
_FARTHEST = 3.0  # spreads from the middle: an odd sound is still most like something
_REPEATS_DB = 15.0  # a strike counts within this of the loudest
LOOP_LEAST = 0.35  # `loopness` from which on a sound counts as a loop


def _db(ratio: float, floor: float = 1e-6) -> float:
    return 10.0 * float(np.log10(max(ratio, floor)))


def _crest(power: Array) -> float:
    """log2 of the highest over the mean power of spectral lines; 0 where there are few or none."""
    mean = float(power.mean()) if len(power) > 8 else 0.0
    return float(np.log2(float(power.max()) / mean + 1.0)) if mean > 0.0 else 0.0


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
    """The `FEATURES` of a sound, `(24,)`."""
    onset_s = body.start / body.envelope_hz
    power = np.diff(body.cumulative)
    octave = _octaves(len(power), body.bin_hz)
    centroid = centroid_of(body)
    # Plain sums: at this size a threaded dot product costs more than it saves.
    total_power = float(body.cumulative[-1])
    mean = float((power * octave).sum()) / total_power
    spread = float(np.sqrt(max(0.0, float((power * (octave - mean) ** 2).sum()) / total_power)))
    near = share_below(body, centroid * np.array([2.0**-0.5, 2.0**0.5]))
    shares = np.diff(share_below(body, np.array(SHARES_HZ)), axis=1)[:, 0]
    narrow = np.diff(share_below(body, NARROW_HZ))
    narrow = narrow / max(float(narrow.sum()), 1e-12) + 1e-9
    lines = [int(hz / body.bin_hz) for hz in (300.0, 3000.0, 12000.0)]
    frames = body.frames.astype(np.float64)
    total = max(float(frames.sum()), 1e-30)
    late, early = frames[LATE].sum(axis=0), frames[:3].sum(axis=0)
    rings = float(late.sum()) > 1e-6 * float(early.sum())
    late_mid = float(late[3:6].sum()) / total if rings else 0.0
    late = late if rings else early
    low, mid, high = frames[:, :3].sum(axis=1), frames[:, 3:6].sum(axis=1), frames[:, 6:].sum(axis=1)
    high_time = float((high * np.arange(len(high))).sum()) / max(float(high.sum()), 1e-30)
    maximum_s = int(body.smoothed.argmax()) / body.envelope_hz - onset_s
    return np.array(
        [
            np.log2(max(centroid, 20.0)),
            spread,
            float(near[1] - near[0]),
            float((late * CENTRES_OCT).sum()) / max(float(late.sum()), 1e-30),
            _db(late_mid, 1e-5),
            np.log2(0.0005 + body.attack_s),
            body.tonality,
            np.log2(0.3 + _ripple_db(body)),
            *(_db(float(share)) for share in shares),
            -float((narrow * np.log(narrow)).sum()),
            _crest(power[lines[1] : lines[2]]),
            _crest(power[lines[0] : lines[1]]),
            _db(float(low[:4].sum()) / total),
            _db(float(low[15:].sum()) / total),
            _db(float(mid[:4].sum()) / total),
            _db(float(mid[5:15].sum()) / total),
            _db(float(high[5:15].sum()) / total),
            np.log2(high_time + 0.5),
            np.log2(max(0.004, last_within(body, 30.0)[0] - onset_s)),
            np.log2(0.001 + maximum_s) if maximum_s > 0.0 else -10.0,
        ]
    )


class RoleWeights(Struct, frozen=True, eq=False):
    """The fitted layers: figures are centred, scaled by their spread, and clipped at `_FARTHEST`."""

    centre: Array  # (24,)
    spread: Array  # (24,)
    inner: Array  # (24, units)
    inner_bias: Array  # (units,)
    outer: Array  # (units, roles), in the order of ROLES
    outer_bias: Array  # (roles,)

    def probabilities(self, figures: Array) -> Array:
        """Probability of each role, `(..., roles)`, for figures `(..., 24)`."""
        scaled = np.clip((figures - self.centre) / self.spread, -_FARTHEST, _FARTHEST)
        score = np.tanh(scaled @ self.inner + self.inner_bias) @ self.outer + self.outer_bias
        likely = np.exp(score - score.max(axis=-1, keepdims=True))
        return np.asarray(likely / likely.sum(axis=-1, keepdims=True))


@lru_cache(maxsize=1)
def role_weights() -> RoleWeights:
    """One row of the table a unit: bias, weights of the features, weights of the roles; two rows of scales before."""
    with (Path(__file__).parent / "role_weights.csv").open(encoding="utf-8", newline="") as file:
        rows = {row[0]: [float(value or 0.0) for value in row[1:]] for row in csv.reader(file) if row[0] != "unit"}
    count = len(FEATURES)
    units = np.array([row for name, row in rows.items() if name.isdigit()])
    return RoleWeights(
        centre=np.array(rows["centre"][1 : 1 + count]), spread=np.array(rows["spread"][1 : 1 + count]),
        inner=units[:, 1 : 1 + count].T.copy(), inner_bias=units[:, 0].copy(), outer=units[:, 1 + count :].copy(),
        outer_bias=np.array(rows["centre"][1 + count :]),
    )  # fmt: skip


def role_probabilities(figures: Array) -> dict[Role, float]:
    """Probability of each role from a sound's `features`; they add up to 1."""
    return {role: float(value) for role, value in zip(ROLES, role_weights().probabilities(figures), strict=True)}


def likeliest(likely: Mapping[Role, float]) -> tuple[Role, float]:
    """Likeliest role of the likeliest family, and its probability."""
    family = max(FAMILIES, key=lambda roles: sum(likely[role] for role in roles))
    best = max(family, key=lambda role: likely[role])
    return best, likely[best]


def role_of(figures: Array) -> tuple[Role, float]:
    """Likeliest role of the likeliest family, and its probability, from a sound's `features`."""
    return likeliest(role_probabilities(figures))


def likeness_of_sound(samples: Samples, rate_hz: int) -> dict[Role, float]:
    """Probability of each role for a sound on its own, empty where nothing sounds."""
    body = measure_shape(samples, rate_hz)
    return {} if body is None else role_probabilities(features(body))


def _ramp(value: float, low: float, high: float) -> float:
    return min(1.0, max(0.0, (value - low) / (high - low)))


class Duration(Struct, frozen=True):
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
    return _fills(lasts) > LOOP_LEAST


def _fills(lasts: Duration) -> float:
    """How much a sound lasts and fills its length evenly, 0-1."""
    lasting = _ramp(log2(max(lasts.length_s, 0.01)), -1.0, 0.2)  # 0.5 to 1.15 s
    return lasting * _ramp(lasts.evenness, 0.4, 0.65)


def loopness(body: SoundShape, lasts: Duration, onsets: Onsets) -> float:
    """How much a sound behaves like a loop, 0-1: it lasts, fills its length evenly, and strikes again or sustains."""
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
    return _fills(lasts) * max(repeated, sustained)
