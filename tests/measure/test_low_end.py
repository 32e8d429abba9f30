"""Low end: sums of powers and phases, planted delays and inversions, the duck's closed form."""

from __future__ import annotations

import numpy as np
import pytest

from dossier.errors import MeasureError
from dossier.measure import low_end

RATE = 48_000


def two(channel: np.ndarray) -> np.ndarray:
    return np.column_stack([channel, channel])


def tone(f_hz: float, degrees: float = 0.0, *, seconds: float = 2.0, rate_hz: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    fade = 0.5 - 0.5 * np.cos(2 * np.pi * np.minimum(0.5, np.minimum(t, t[::-1]) / 0.4))
    return two(0.4 * fade * np.sin(2 * np.pi * f_hz * t + np.radians(degrees)))


def kick(seed: int = 0, *, rate_hz: int = RATE, seconds: float = 0.4) -> np.ndarray:
    """A falling sine with a click, invented."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    body = np.sin(2 * np.pi * (52 * t - 3 * np.exp(-t * 35))) * np.exp(-t / 0.1)
    return two(0.7 * body + 0.1 * rng.standard_normal(len(t)) * np.exp(-t / 0.004))


def placed(sound: np.ndarray, start: int, frames: int) -> np.ndarray:
    out = np.zeros((frames, sound.shape[1]))
    stop = min(frames, start + len(sound))
    out[start:stop] = sound[: stop - start]
    return out


def low_end_db(signal: np.ndarray) -> float:
    """Level from 20 to 250 Hz by the test's own plain transform."""
    power = (np.abs(np.fft.rfft(signal, axis=0)) ** 2).sum(axis=1)
    f_hz = np.fft.rfftfreq(len(signal), 1 / RATE)
    return 10 * np.log10(power[(f_hz >= 20) & (f_hz <= 250)].sum())


# Alignment of kick and bass


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("delay_ms", [-10.0, -6.25, -1.0, 0.0, 0.5, 3.0, 10.0])
def test_analytic_planted_delay_and_inversion(rate_hz: int, delay_ms: float) -> None:
    """The bass is the kick itself, moved and turned over: the best alignment undoes both."""
    sound = kick(rate_hz=rate_hz)
    start, shift = rate_hz // 2, round(delay_ms / 1000 * rate_hz)
    part = placed(sound, start, 2 * rate_hz)
    for polarity in (1, -1):
        bass = polarity * 0.8 * placed(sound, start + shift, 2 * rate_hz)
        found = low_end.alignment(part, bass, rate_hz)
        assert found.polarity == polarity
        assert found.delay_ms == pytest.approx(shift / rate_hz * 1000, abs=0.05)
        if rate_hz == RATE:  # what moving by that delay really costs
            undone = low_end_db(placed(sound, start + shift, 2 * rate_hz) + polarity * bass)
            assert found.gain_db == pytest.approx(undone - low_end_db(part + bass), abs=0.1)


@pytest.mark.parametrize("f_hz", [50.0, 60.0, 100.0, 180.0])
def test_analytic_sum_of_two_tones(f_hz: float) -> None:
    """Equal tones apart by an angle a sum to 20 log10(2 |cos(a/2)|) over one of them; in phase to 6.02 dB."""
    for degrees in (0.0, 45.0, 90.0, 120.0, -90.0, 150.0):
        found = low_end.alignment(tone(f_hz, degrees), tone(f_hz), RATE)
        assert found.gain_db == pytest.approx(-20 * np.log10(np.cos(np.radians(degrees / 2))), abs=0.06), degrees
    opposite = low_end.alignment(tone(f_hz), -tone(f_hz), RATE)
    assert (opposite.polarity, opposite.delay_ms) == (-1, 0.0)
    assert opposite.gain_db is not None
    assert 60.0 < opposite.gain_db < np.inf


def test_analytic_lengths_may_differ() -> None:
    a, b = tone(60.0, 45.0), tone(60.0)[: RATE // 2]
    padded = np.concatenate([b, np.zeros((len(a) - len(b), 2))])
    alone, filled = (low_end.alignment(a, bass, RATE).gain_db for bass in (b, padded))
    assert alone == pytest.approx(filled, abs=1e-3)


@pytest.mark.parametrize("delay_ms", [0.0, 2.0, -4.0])
def test_analytic_bass_elsewhere_does_not_water_it_down(delay_ms: float) -> None:
    """A bass that also plays long after the kick has died away gives the same gain as one that does not."""
    shift = round(delay_ms / 1000 * RATE)
    part = placed(kick(), RATE // 2, 6 * RATE)
    near = -placed(kick(), RATE // 2 + shift, 6 * RATE)
    far = near + placed(tone(70.0, seconds=3.0), 3 * RATE, 6 * RATE)
    alone, watered = low_end.alignment(part, near, RATE), low_end.alignment(part, far, RATE)
    assert alone.gain_db is not None
    assert alone.gain_db > 1.0
    assert watered.gain_db == pytest.approx(alone.gain_db, abs=0.05)
    assert watered.delay_ms == pytest.approx(alone.delay_ms, abs=0.05)


def test_analytic_never_worse_than_as_it_is() -> None:
    rng = np.random.default_rng(2)
    for _ in range(10):
        a, b = rng.standard_normal((2, RATE // 2, 2)).cumsum(axis=1) * 0.01
        found = low_end.alignment(a, b, RATE)
        assert found.gain_db is not None
        assert found.gain_db >= 0.0


def test_edge_alignment_without_low_end() -> None:
    silent = np.zeros((RATE, 2))
    part = placed(kick(), 1000, RATE)
    for a, b, word in (
        (silent, part, "kick"),
        (part, silent, "bass"),
        (part[:0], part, "samples"),
        (placed(kick(seconds=0.1), 0, 4 * RATE), placed(tone(60.0, seconds=1.0), 3 * RATE, 4 * RATE), "where the kick"),
    ):
        found = low_end.alignment(a, b, RATE)
        assert found.gain_db is None
        assert word in found.reason
        assert (found.polarity, found.delay_ms) == (1, 0.0)


def test_edge_alignment_refuses_what_it_cannot_compare() -> None:
    sound = kick()
    for a, b in ((sound, sound[:, :1]), (sound[:, 0], sound), (sound, np.full((9, 2), np.nan))):
        with pytest.raises(MeasureError):
            low_end.alignment(a, b, RATE)


# Duck


def test_analytic_duck_closed_form() -> None:
    gain = low_end.duck_curve([0.5], 1.0, RATE, depth_db=12.0, release_ms=200.0)
    level = 20 * np.log10(gain)
    assert gain.shape == (RATE,)
    at = {
        0.0: 0.0,
        0.4945: 0.0,
        0.4975: -6.0,
        0.5: -12.0,
        0.55: -12 * (0.5 + 0.5 * np.cos(np.pi / 4)),
        0.6: -6.0,
        0.701: 0.0,
    }
    for seconds, expected in at.items():
        assert level[round(seconds * RATE)] == pytest.approx(expected, abs=1e-9)
    assert level.min() == pytest.approx(-12.0)
    assert np.abs(np.diff(level)).max() < 0.1  # no step: no click


def test_analytic_duck_overlaps_take_the_deeper() -> None:
    one = low_end.duck_curve([0.30], 1.0, RATE, depth_db=6.0, release_ms=300.0)
    other = low_end.duck_curve([0.45], 1.0, RATE, depth_db=6.0, release_ms=300.0)
    both = low_end.duck_curve([0.45, 0.30], 1.0, RATE, depth_db=6.0, release_ms=300.0)
    assert both == pytest.approx(np.minimum(one, other))


def test_edge_duck() -> None:
    assert np.array_equal(low_end.duck_curve([], 0.5, RATE, depth_db=6.0, release_ms=100.0), np.ones(RATE // 2))
    assert np.array_equal(low_end.duck_curve([0.1], 0.5, RATE, depth_db=0.0, release_ms=100.0), np.ones(RATE // 2))
    outside = low_end.duck_curve([-3.0, 9.0], 0.5, RATE, depth_db=6.0, release_ms=100.0)
    assert np.array_equal(outside, np.ones(RATE // 2))
    early = low_end.duck_curve([-0.05], 0.5, RATE, depth_db=6.0, release_ms=100.0)
    assert 20 * np.log10(early[0]) == pytest.approx(-3.0)
    switched = low_end.duck_curve([0.1], 0.2, RATE, depth_db=6.0, release_ms=0.0)
    assert (switched < 1.0).sum() == 240  # the attack of 5 ms, its foot at 1 left out
    assert low_end.duck_curve([0.0], 0.0, RATE, depth_db=6.0, release_ms=10.0).shape == (0,)
    for amounts in ({"depth_db": -1.0, "release_ms": 1.0}, {"depth_db": 1.0, "release_ms": np.nan}):
        with pytest.raises(MeasureError):
            low_end.duck_curve([0.1], 0.5, RATE, **amounts)
    with pytest.raises(MeasureError):
        low_end.duck_curve([np.inf], 0.5, RATE, depth_db=1.0, release_ms=1.0)


def test_analytic_duck_gives_the_kick_its_room() -> None:
    """A bass ducked by 12 dB under a kick leaves 12 dB less of itself there, and all of itself elsewhere."""
    bass = tone(60.0, seconds=2.0)
    gain = low_end.duck_curve([1.0], 2.0, RATE, depth_db=12.0, release_ms=150.0)
    ducked = bass * gain[:, None]
    assert np.array_equal(ducked[: round(0.99 * RATE)], bass[: round(0.99 * RATE)])
    assert gain[RATE] == pytest.approx(10 ** (-12 / 20))
