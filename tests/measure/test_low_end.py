"""Low end: sums of powers and phases, planted delays and inversions, the duck's closed form."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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


# Sums of bands


@pytest.mark.parametrize("f_hz", [40.0, 60.0, 100.0, 180.0])
@pytest.mark.parametrize(
    ("degrees", "gain_db"),
    [(0.0, 6.0206), (45.0, 5.3329), (90.0, 3.0103), (120.0, 0.0), (-90.0, 3.0103), (150.0, -5.7190)],
)
def test_analytic_sum_of_two_tones(f_hz: float, degrees: float, gain_db: float) -> None:
    """Equal tones apart by an angle a: 20 log10(2 cos(a/2)) over one of them."""
    measured = low_end.band_sum(tone(f_hz, degrees), tone(f_hz), RATE)
    assert measured.gain_db == pytest.approx(gain_db, abs=0.01)
    assert measured.phase_deg == pytest.approx(degrees, abs=0.2)
    assert measured.correlation == pytest.approx(np.cos(np.radians(degrees)), abs=1e-3)
    assert measured.first_db == pytest.approx(measured.second_db, abs=1e-3)


def test_analytic_sum_of_opposites_and_of_unrelated() -> None:
    measured = low_end.band_sum(tone(80.0), -tone(80.0), RATE)
    assert measured.gain_db == pytest.approx(-120.0)
    assert measured.correlation == pytest.approx(-1.0)
    assert abs(measured.phase_deg or 0.0) == pytest.approx(180.0)
    rng = np.random.default_rng(1)
    a, b = rng.standard_normal((2, 10 * RATE, 2))
    unrelated = low_end.band_sum(a, b, RATE)
    assert unrelated.gain_db == pytest.approx(3.01, abs=0.15)
    assert unrelated.correlation == pytest.approx(0.0, abs=0.04)


def test_analytic_band_level_and_selection() -> None:
    """A sine of amplitude 0.5 on two channels has a mean square of 0.25 over both; outside the band nothing is read."""
    t = np.arange(4 * RATE) / RATE
    sine = two(0.5 * np.sin(2 * np.pi * 100 * t))
    measured = low_end.band_sum(sine, 0.5 * sine, RATE)
    assert measured.first_db == pytest.approx(10 * np.log10(0.25), abs=0.02)
    assert measured.second_db == pytest.approx(10 * np.log10(0.0625), abs=0.02)
    assert measured.sum_db == pytest.approx(10 * np.log10(0.25 * 2.25), abs=0.02)
    assert measured.gain_db == pytest.approx(20 * np.log10(1.5), abs=0.01)
    high = low_end.band_sum(tone(2000.0), sine, RATE)
    assert high.first_db is None or high.first_db < -90.0
    sub = low_end.band_sum(tone(100.0), tone(40.0), RATE, low_hz=20.0, high_hz=60.0)
    assert sub.second_db is not None
    assert sub.first_db is None or sub.second_db - sub.first_db > 60.0


def test_analytic_lengths_may_differ() -> None:
    a, b = tone(60.0), tone(60.0)[: RATE // 2]
    padded = np.concatenate([b, np.zeros((len(a) - len(b), 2))])
    first, second = low_end.band_sum(a, b, RATE), low_end.band_sum(a, padded, RATE)
    assert first.gain_db == pytest.approx(second.gain_db)


def test_edge_sum_with_silence() -> None:
    measured = low_end.band_sum(tone(60.0), np.zeros((100, 2)), RATE)
    assert measured.second_db is None
    assert measured.gain_db is None
    assert measured.sum_db == measured.first_db
    assert measured.reason == "silent in this band"
    nothing = low_end.band_sum(np.zeros((10, 2)), np.zeros((10, 2)), RATE)
    assert nothing.sum_db is None
    assert low_end.band_sum(np.zeros((0, 2)), np.zeros((0, 2)), RATE).reason == "no samples"
    for low_hz, high_hz in ((0.0, 100.0), (100.0, 100.0), (-5.0, 10.0)):
        with pytest.raises(MeasureError):
            low_end.band_sum(tone(60.0), tone(60.0), RATE, low_hz=low_hz, high_hz=high_hz)


# Alignment of kick and bass


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("delay_ms", [-10.0, -6.25, -1.0, 0.0, 0.5, 3.0, 10.0])
@pytest.mark.parametrize("polarity", [1, -1])
def test_analytic_planted_delay_and_inversion(rate_hz: int, delay_ms: float, polarity: int) -> None:
    """The bass is the kick itself, moved and turned over: the best alignment undoes both."""
    sound = kick(rate_hz=rate_hz)
    start, shift = rate_hz // 2, round(delay_ms / 1000 * rate_hz)
    bass = polarity * 0.8 * placed(sound, start + shift, 2 * rate_hz)
    found = low_end.alignment(placed(sound, start, 2 * rate_hz), bass, rate_hz)
    assert found.polarity == polarity
    assert found.delay_ms == pytest.approx(shift / rate_hz * 1000, abs=0.05)
    # as it is: what moving by that delay really costs
    moved = low_end.band_sum(placed(sound, start, 2 * rate_hz), bass, rate_hz).sum_db
    undone = low_end.band_sum(placed(sound, start + shift, 2 * rate_hz), polarity * bass, rate_hz).sum_db
    assert moved is not None
    assert undone is not None
    assert found.gain_db == pytest.approx(undone - moved, abs=0.1)


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


def test_analytic_curve_of_two_tones() -> None:
    """The curve over delays of two equal tones of 50 Hz is 20 log10 |cos(pi f d)| down from its top."""
    found = low_end.alignment(tone(50.0, seconds=4.0), tone(50.0, seconds=4.0), RATE)
    delay, same, inverted = found.curve.T
    assert found.curve.shape == (961, 3)
    assert (found.polarity, found.delay_ms, found.gain_db) == (1, 0.0, pytest.approx(0.0, abs=1e-9))
    inside = np.abs(delay) < 8
    expected = 10 * np.log10(0.5 + 0.5 * np.cos(2 * np.pi * 50 * delay[inside] / 1000))
    assert same[inside] == pytest.approx(expected, abs=0.15)
    assert np.abs(inverted[np.abs(delay) == 10.0]) == pytest.approx(0.0, abs=0.05)  # half a period of 50 Hz


def test_analytic_never_worse_than_as_it_is() -> None:
    rng = np.random.default_rng(2)
    for _ in range(10):
        a, b = rng.standard_normal((2, RATE // 2, 2)).cumsum(axis=1) * 0.01
        found = low_end.alignment(a, b, RATE)
        assert found.gain_db is not None
        assert found.gain_db >= 0.0
        assert found.gain_db == pytest.approx(found.curve[:, 1:].max(), abs=1e-6)


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
        assert (found.polarity, found.delay_ms, found.curve.shape) == (1, 0.0, (0, 3))


# Alignment of two hits


@settings(max_examples=60, deadline=None)
@given(
    shift=st.integers(-960, 960),
    polarity=st.sampled_from([1, -1]),
    level=st.floats(0.05, 2.0),
    seed=st.integers(0, 2**16),
)
def test_analytic_planted_shift_is_found_to_the_sample(shift: int, polarity: int, level: float, seed: int) -> None:
    """Delays up to 20 ms either way at 48 kHz, inverted or not, under noise 30 dB down."""
    sound = kick(seed)
    rng = np.random.default_rng(seed)
    reference = placed(sound, 1000, 24_000)
    other = polarity * level * (placed(sound, 1000 + shift, 24_000) + 0.01 * rng.standard_normal((24_000, 2)))
    delay, sign, gain_db = low_end.align(reference, other, RATE)
    assert (delay, sign) == (-shift, polarity)
    assert gain_db >= 0.0


def test_analytic_align_gain_is_that_of_the_sum() -> None:
    reference, other = placed(kick(3), 2000, 30_000), placed(-kick(4), 2300, 30_000)
    delay, sign, gain_db = low_end.align(reference, other, RATE)
    aligned = reference + sign * np.roll(other, delay, axis=0)
    expected = 10 * np.log10((aligned**2).sum() / ((reference + other) ** 2).sum())
    assert gain_db == pytest.approx(expected, abs=0.01)
    assert gain_db > 1.0


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**16), first=st.integers(1, 4000), second=st.integers(1, 4000))
def test_invariant_alignment_never_makes_it_worse(seed: int, first: int, second: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = rng.standard_normal((first, 1)), rng.standard_normal((second, 1))
    delay, sign, gain_db = low_end.align(a, b, RATE, max_ms=5.0)
    assert abs(delay) <= 240
    assert sign in (1, -1)
    pad = np.zeros((300, 1))
    frames = max(first, second)
    a = np.concatenate([pad, a, np.zeros((frames - first, 1)), pad])
    b = np.concatenate([pad, b, np.zeros((frames - second, 1)), pad])
    before, after = ((a + b) ** 2).sum(), ((a + sign * np.roll(b, delay, axis=0)) ** 2).sum()
    assert after >= before * (1 - 1e-9)
    assert gain_db == pytest.approx(10 * np.log10(after / before), abs=1e-3)


def test_edge_align() -> None:
    sound = kick()
    assert low_end.align(sound, sound, RATE) == (0, 1, 0.0)
    delay, sign, gain_db = low_end.align(sound, -sound, RATE)
    assert (delay, sign) == (0, -1)
    assert gain_db > 100.0
    assert np.isfinite(gain_db)
    assert low_end.align(sound, np.zeros((5, 2)), RATE) == (0, 1, 0.0)
    assert low_end.align(sound[:0], sound, RATE) == (0, 1, 0.0)
    assert low_end.align(sound, sound, RATE, max_ms=0.0) == (0, 1, 0.0)
    assert low_end.align(sound[:10], sound[:10], RATE)[0] == 0
    for a, b in ((sound, sound[:, :1]), (sound[:, 0], sound), (sound, np.full((9, 2), np.nan))):
        with pytest.raises(MeasureError):
            low_end.align(a, b, RATE)
        with pytest.raises(MeasureError):
            low_end.alignment(a, b, RATE)
        with pytest.raises(MeasureError):
            low_end.band_sum(a, b, RATE)


# Duck


def test_analytic_duck_closed_form() -> None:
    gain = low_end.duck_curve([0.5], 1.0, RATE, depth_db=12.0, release_ms=200.0, attack_ms=10.0)
    level = 20 * np.log10(gain)
    assert gain.shape == (RATE,)
    at = {
        0.0: 0.0,
        0.489: 0.0,
        0.495: -6.0,
        0.5: -12.0,
        0.55: -12 * (0.5 + 0.5 * np.cos(np.pi / 4)),
        0.6: -6.0,
        0.701: 0.0,
    }
    for seconds, expected in at.items():
        assert level[round(seconds * RATE)] == pytest.approx(expected, abs=1e-9)
    assert level.min() == pytest.approx(-12.0)
    assert np.abs(np.diff(level)).max() < 0.05  # no step: no click


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
    switched = low_end.duck_curve([0.1], 0.2, RATE, depth_db=6.0, release_ms=0.0, attack_ms=0.0)
    assert (switched < 1.0).sum() == 1
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
