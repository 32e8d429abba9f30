"""Loudness: analytic values, edge cases, agreement with pyloudnorm, invariants."""

from __future__ import annotations

import ebu_signals as ebu
import numpy as np
import pyloudnorm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import freqz

from dossier.errors import MeasureError
from dossier.measure import loudness
from dossier.model.measures import Loudness

RATE = 48_000
LEVELS = (
    "integrated_lufs", "max_momentary_lufs", "max_short_term_lufs", "sample_peak_dbfs", "true_peak_dbtp",
    "one_hit_lufs",
)  # fmt: skip
RATIOS = ("loudness_range_lu", "crest_factor_db", "peak_to_loudness_db")


def noise(seconds: float, *, seed: int, channels: int = 2, rate_hz: int = RATE) -> np.ndarray:
    """Noise whose level wanders, so that the gates have work to do."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    levels = np.repeat(rng.uniform(-60, 0, int(np.ceil(seconds / 0.37))), round(0.37 * rate_hz))[:n]
    return 0.2 * rng.standard_normal((n, channels)) * 10 ** (levels[:, None] / 20)


def expect_reasons(measured: Loudness) -> None:
    """Every None has a reason, and nothing else has."""
    missing = {name for name in (*LEVELS, *RATIOS) if getattr(measured, name) is None}
    assert missing == set(measured.reasons)
    assert all(measured.reasons.values())
    for name in (*LEVELS, *RATIOS):
        value = getattr(measured, name)
        assert value is None or (type(value) is float and np.isfinite(value))


# Against pyloudnorm


def library_gain_db(f_hz: float, rate_hz: int) -> float:
    """pyloudnorm's own K-weighting at one frequency."""
    stages = pyloudnorm.Meter(rate_hz, filter_class="DeMan")._filters.values()
    return sum(float(20 * np.log10(abs(freqz(stage.b, stage.a, [f_hz], fs=rate_hz)[1][0]))) for stage in stages)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000])
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_crosscheck_pyloudnorm_integrated(rate_hz: int, channels: int) -> None:
    """pyloudnorm, DeMan filters, samples trimmed to whole 100 ms hops; away from 48 kHz its gain at 997 Hz is off."""
    gain_db = library_gain_db(997.0, 48_000) - library_gain_db(997.0, rate_hz)
    assert abs(gain_db) < 0.05
    for seed, seconds in enumerate((0.4, 0.45, 1.0, 4.13)):
        samples = noise(seconds, seed=seed + channels, channels=channels, rate_hz=rate_hz)
        hops = len(samples) * 10 // rate_hz
        trimmed = samples[: int(0.4 * (hops * 0.25) * rate_hz)]
        expected = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(trimmed) + gain_db
        assert loudness.measure(samples, rate_hz).integrated_lufs == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("kind", ["single precision", "offset", "square", "hits", "quiet", "channel last"])
def test_crosscheck_pyloudnorm_integrated_other_sounds(kind: str) -> None:
    samples = {
        "single precision": noise(3, seed=1).astype(np.float32),
        "offset": np.full((3 * RATE, 2), 0.3),
        "square": ebu.stereo(0.5 * np.sign(ebu.tone([(3, 0)], RATE, f_hz=97.0))),
        "hits": noise(3, seed=2) * (np.arange(3 * RATE) % 24_000 < 2400)[:, None],
        "quiet": noise(3, seed=3) * 0.02,
        "channel last": np.asfortranarray(noise(3, seed=4)),
    }[kind]
    expected = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(samples.astype(np.float64))
    assert loudness.measure(samples, RATE).integrated_lufs == pytest.approx(expected, abs=1e-6)


def test_analytic_incomplete_last_block_is_dropped() -> None:
    """1.35 s at -60 dBFS that end in 50 ms at -6 dBFS: the last 50 ms belong to no block (BS.1770-5 Annex 1)."""
    samples = ebu.stereo(ebu.tone([(1.30, -60), (0.05, -6)], RATE))
    assert loudness.measure(samples, RATE).integrated_lufs == pytest.approx(-60.0, abs=0.1)
    left_only = ebu.tone([(1.30, -60), (0.05, -6)], RATE)[:, None]
    assert loudness.measure(left_only, RATE).integrated_lufs == pytest.approx(-63.0, abs=0.1)


# Analytic


def test_analytic_crest_factors() -> None:
    """Sine 20 log10(sqrt 2), square 0, triangle 20 log10(sqrt 3)."""
    t = np.arange(RATE) / RATE
    phase = (100.0 * t) % 1.0
    waves = {
        20 * np.log10(np.sqrt(2)): np.sin(2 * np.pi * 100.0 * t),
        0.0: np.where(phase < 0.5, 1.0, -1.0),
        20 * np.log10(np.sqrt(3)): 4 * np.abs(phase - 0.5) - 1.0,
    }
    for expected, wave in waves.items():
        for samples in (wave[:, None], ebu.stereo(wave), np.column_stack([0.5 * wave, 0 * wave])):
            assert loudness.measure(samples * 0.25, RATE).crest_factor_db == pytest.approx(expected, abs=0.01)


def test_analytic_offset_has_no_crest() -> None:
    measured = loudness.measure(np.full((RATE, 2), 0.5), RATE)
    assert measured.crest_factor_db == pytest.approx(0.0, abs=1e-9)
    assert measured.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-4)
    expect_reasons(measured)


def test_analytic_mono_reads_3_lu_below_two_channels() -> None:
    sine = ebu.tone([(1, -20)], RATE)
    one, two = loudness.measure(sine[:, None], RATE), loudness.measure(ebu.stereo(sine), RATE)
    assert one.integrated_lufs is not None
    assert two.integrated_lufs == pytest.approx(one.integrated_lufs + 3.0103, abs=1e-3)
    assert one.sample_peak_dbfs == two.sample_peak_dbfs


def test_analytic_one_hit_is_padded_to_400_ms() -> None:
    """0.1 s of 1 kHz at -20 dBFS on both channels, a quarter of the window: -20 - 6.02."""
    measured = loudness.measure(ebu.stereo(ebu.tone([(0.1, -20)], RATE)), RATE)
    assert measured.one_hit_lufs == pytest.approx(-26.01, abs=0.02)
    for name in ("integrated_lufs", "max_momentary_lufs"):
        assert getattr(measured, name) is None
        assert "0.4 s" in measured.reasons[name]
    expect_reasons(measured)


def test_analytic_one_hit_of_a_longer_sound_is_its_momentary_maximum() -> None:
    measured = loudness.measure(ebu.stereo(ebu.tone([(0.5, -30), (0.4, -20), (0.3, -40)], RATE)), RATE)
    assert measured.one_hit_lufs == measured.max_momentary_lufs == pytest.approx(-20.0, abs=0.1)


def test_analytic_peak_to_loudness() -> None:
    measured = loudness.measure(ebu.stereo(ebu.tone([(1, -20)], RATE)), RATE)
    assert measured.true_peak_dbtp is not None
    assert measured.integrated_lufs is not None
    assert measured.peak_to_loudness_db == measured.true_peak_dbtp - measured.integrated_lufs
    assert measured.peak_to_loudness_db == pytest.approx(0.0, abs=0.05)


def test_analytic_same_peak_other_loudness() -> None:
    """Two sounds of equal peak, one sounding a tenth of the time: 10 dB apart over the same blocks, less the gate."""
    long = ebu.stereo(ebu.tone([(4, -12)], RATE))
    short = ebu.stereo(ebu.tone([(0.04, -12), (0.36, None)] * 10, RATE))
    a, b = loudness.measure(long, RATE), loudness.measure(short, RATE)
    assert a.integrated_lufs is not None
    assert b.integrated_lufs is not None
    assert a.sample_peak_dbfs == pytest.approx(b.sample_peak_dbfs, abs=0.01)
    assert a.integrated_lufs - b.integrated_lufs == pytest.approx(10.0, abs=0.2)


def test_analytic_window_lengths() -> None:
    """Under 3 s: no short-term loudness and no range; at 3 s both."""
    sine = ebu.stereo(ebu.tone([(3, -20)], RATE))
    short = loudness.measure(sine[:-1], RATE)
    assert short.max_short_term_lufs is None
    assert short.loudness_range_lu is None
    assert "3 s" in short.reasons["loudness_range_lu"]
    expect_reasons(short)
    whole = loudness.measure(sine, RATE)
    assert whole.max_short_term_lufs == pytest.approx(-20.0, abs=0.1)
    assert whole.loudness_range_lu == pytest.approx(0.0, abs=1e-6)
    assert not whole.reasons


# K-weighting and blocks


def test_analytic_k_weighting_shape() -> None:
    """997 Hz +0.691 dB (eq. 2 takes it off again); +4 dB shelf above; high-pass below."""
    gain = loudness.k_weight_db([0.0, 20.0, 997.0, 10_000.0, 24_000.0, 90_000.0])
    assert gain[0] == -np.inf
    assert gain[2] == pytest.approx(0.691, abs=1e-3)
    assert gain[3] == pytest.approx(4.0, abs=0.1)
    assert gain[1] < -10.0
    assert gain[4] == gain[5]
    assert loudness.k_weight_db(997.0).shape == ()


@pytest.mark.parametrize("f_hz", [50.0, 400.0, 997.0, 3000.0, 12_000.0])
def test_analytic_loudness_of_a_sine_follows_the_weighting(f_hz: float) -> None:
    samples = ebu.tone([(2, -20)], RATE, f_hz=f_hz)[:, None]
    expected = -20.0 - 3.0103 + float(loudness.k_weight_db(f_hz)) - 0.691
    assert loudness.measure(samples, RATE).integrated_lufs == pytest.approx(expected, abs=0.02)


def test_analytic_blocks_give_the_same_as_the_measure() -> None:
    samples = noise(6, seed=5)
    blocks = loudness.block_energy(samples, RATE)
    measured, same_blocks = loudness.measure_with_blocks(samples, RATE)
    assert blocks.shape == (60,)
    assert np.array_equal(blocks, same_blocks)
    assert loudness.integrated_from_blocks(blocks) == measured.integrated_lufs
    assert loudness.range_from_blocks(blocks) == measured.loudness_range_lu
    assert measured.max_momentary_lufs is not None
    assert 0.0 <= measured.max_momentary_lufs - ebu.window_lufs(blocks, 4).max() + 1e-9 < 0.6


def test_analytic_blocks_drop_what_is_incomplete_unless_it_is_all() -> None:
    sine = ebu.stereo(ebu.tone([(0.25, -20)], RATE))
    assert loudness.block_energy(sine, RATE).shape == (2,)
    part = loudness.block_energy(sine[: RATE // 20], RATE)
    whole = loudness.block_energy(np.concatenate([sine[: RATE // 20], np.zeros((RATE // 20, 2))]), RATE)
    assert part.shape == (1,)
    assert np.array_equal(part, whole)
    assert loudness.block_energy(np.zeros((0, 2)), RATE).shape == (0,)
    assert np.array_equal(loudness.block_energy(np.zeros((10, 2)), RATE), [0.0])


def test_analytic_powers_of_unrelated_parts_add() -> None:
    a, b = noise(5, seed=6), noise(5, seed=7)
    together = loudness.integrated_from_blocks(loudness.block_energy(a + b, RATE))
    added = loudness.integrated_from_blocks(loudness.block_energy(a, RATE) + loudness.block_energy(b, RATE))
    assert added == pytest.approx(together, abs=0.05)


def test_analytic_blocks_without_enough_signal() -> None:
    assert loudness.integrated_from_blocks(np.ones(3)) is None
    assert loudness.range_from_blocks(np.ones(29)) is None
    assert loudness.integrated_from_blocks(np.zeros(10)) is None
    assert loudness.range_from_blocks(np.full(40, 1e-9)) is None


def test_analytic_gating_from_blocks() -> None:
    """BS.1770-5 eq. 4-7 by hand: 10 blocks of power 1 and 10 of 0.01 with three windows between them."""
    blocks = np.concatenate([np.ones(10), np.full(10, 0.01)])
    windows = np.array([1.0] * 7 + [(3 + 0.01) / 4, (2 + 0.02) / 4, (1 + 0.03) / 4] + [0.01] * 7)
    gate = windows.mean() / 10
    expected = -0.691 + 10 * np.log10(windows[windows > gate].mean())
    assert (windows > gate).sum() == 10
    assert loudness.integrated_from_blocks(blocks) == pytest.approx(expected, abs=1e-12)


# Edge cases


@pytest.mark.parametrize(
    "samples", [np.zeros((RATE, 2)), np.zeros((1, 1)), np.full((RATE, 2), 1e-310), np.zeros((0, 2))]
)
def test_edge_silence_has_no_levels(samples: np.ndarray) -> None:
    measured = loudness.measure(samples, RATE)
    assert all(getattr(measured, name) is None for name in (*LEVELS, *RATIOS))
    expect_reasons(measured)


def test_edge_denormals_and_single_precision_dust() -> None:
    dust = np.full((RATE, 2), 1e-40, np.float32)
    assert loudness.measure(dust, RATE).sample_peak_dbfs is None
    faint = noise(1, seed=8) * 1e-8
    measured = loudness.measure(faint, RATE)
    assert measured.integrated_lufs is None
    assert "gate" in measured.reasons["integrated_lufs"]
    assert "gate" in measured.reasons["peak_to_loudness_db"]
    assert measured.max_momentary_lufs is not None
    expect_reasons(measured)


@pytest.mark.parametrize("frames", [1, 2, 17, 479, 480, 4799, 4800, 19_199, 19_200, 143_999])
def test_edge_lengths(frames: int) -> None:
    samples = noise(3, seed=9)[:frames] + 0.01
    measured = loudness.measure(samples, RATE)
    expect_reasons(measured)
    assert measured.one_hit_lufs is not None
    assert (measured.max_momentary_lufs is None) == (frames < 19_200)
    assert measured.true_peak_dbtp is not None
    assert measured.sample_peak_dbfs is not None
    assert measured.true_peak_dbtp >= measured.sample_peak_dbfs


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e200])
def test_edge_not_finite(value: float) -> None:
    for where in (0, 30_000, -1):
        samples = np.full((RATE + 100, 2), 0.1)
        samples[where, 1] = value
        for function in (loudness.measure, loudness.block_energy):
            with pytest.raises(MeasureError, match="finite"):
                function(samples, RATE)


def test_edge_wrong_shape_kind_or_rate() -> None:
    for samples, rate_hz in (
        (np.zeros(RATE), RATE), (np.zeros((RATE, 6)), RATE), (np.zeros((RATE, 0)), RATE),
        (np.zeros((RATE, 2), np.int16), RATE), (np.zeros((RATE, 2)), 0), (np.zeros((RATE, 2)), -48_000),
    ):  # fmt: skip
        with pytest.raises(MeasureError):
            loudness.measure(samples, rate_hz)


def test_edge_input_is_not_changed() -> None:
    samples = noise(1, seed=10)
    before = samples.copy()
    samples.setflags(write=False)
    loudness.measure(samples, RATE)
    assert np.array_equal(samples, before)


def test_edge_silence_between_sounds_leaves_no_trace() -> None:
    """Long silence after a sound: the filter's memory is let go, and what follows reads as it would alone."""
    sound = noise(1, seed=11)
    apart = np.concatenate([sound, np.zeros((12 * RATE, 2)), sound])
    blocks = loudness.block_energy(apart, RATE)
    assert blocks[130:] == pytest.approx(loudness.block_energy(sound, RATE), rel=1e-9)
    assert np.all(blocks[50:130] < 1e-25)


def test_edge_same_input_same_numbers() -> None:
    samples = noise(4, seed=12)
    assert loudness.measure(samples, RATE) == loudness.measure(samples.copy(), RATE)


# Invariants


@settings(max_examples=25, deadline=None)
@given(gain_db=st.floats(-30.0, 30.0), seed=st.integers(0, 2**16), seconds=st.sampled_from([0.2, 0.5, 3.2]))
def test_invariant_gain_moves_every_level(gain_db: float, seed: int, seconds: float) -> None:
    # steady, so that no block crosses the absolute gate
    samples = 0.1 * np.random.default_rng(seed).standard_normal((round(seconds * 16_000), 2))
    before, after = loudness.measure(samples, 16_000), loudness.measure(samples * 10 ** (gain_db / 20), 16_000)
    assert before.reasons == after.reasons
    for name in LEVELS:
        if getattr(before, name) is not None:
            assert getattr(after, name) - getattr(before, name) == pytest.approx(gain_db, abs=1e-4), name
    for name in RATIOS:
        if getattr(before, name) is not None:
            assert getattr(after, name) == pytest.approx(getattr(before, name), abs=1e-4), name


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**16), left=st.sampled_from([1.0, -1.0]), right=st.sampled_from([1.0, -1.0]))
def test_invariant_polarity_and_channel_order(seed: int, left: float, right: float) -> None:
    samples = noise(1.0, seed=seed, rate_hz=16_000) * (1.0, 0.3)
    before = loudness.measure(samples, 16_000)
    after = loudness.measure((samples * (left, right))[:, ::-1], 16_000)
    for name in (*LEVELS, *RATIOS):
        if getattr(before, name) is None:
            assert getattr(after, name) is None
        else:
            assert getattr(after, name) == pytest.approx(getattr(before, name), abs=1e-6), name


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**16), lead=st.integers(0, 20))
def test_invariant_silence_around_does_not_change_loudness(seed: int, lead: int) -> None:
    """Whole hops of silence: blocks in silence are gated out; those that reach into the sound count, so it falls."""
    samples = 0.1 * np.random.default_rng(seed).standard_normal((3 * 16_000, 2))
    silence = np.zeros((lead * 1600, 2))
    before = loudness.measure(samples, 16_000).integrated_lufs
    after = loudness.measure(np.concatenate([silence, samples, silence]), 16_000).integrated_lufs
    assert before is not None
    assert after is not None
    assert -1.0 < after - before <= 1e-6


@pytest.mark.parametrize(
    ("rate", "length", "first", "last", "frames"),
    [
        (48_000, 57_321, 1_000, 1_000_000, 1_100_000),  # silence round it
        (44_100, 7_000, 4_410, 400_000, 500_000),  # passes far shorter than what the filter remembers
        (48_000, 10_000, 0, 20_000, 60_000),  # two passes
        (44_100, 100_000, 333, 1_000_001, 1_000_001),  # to the end
        (48_000, 30_000, 0, 30, 4_000),  # less than a pass, less than a block
        (48_000, 30_000, 500, 500, 96_000),  # none
    ],
)
def test_a_repeated_cycle_reads_as_the_sound_that_it_makes(
    rate: int, length: int, first: int, last: int, frames: int
) -> None:
    """Analytic: the filter is linear and forgets, so that few passes tell what all of them carry."""
    cycle = np.random.default_rng(5).standard_normal((length, 2)) * np.exp(-np.arange(length) / 9_000)[:, None]
    whole = np.zeros((frames, 2))
    for start in range(first, last, length):
        whole[start : min(start + length, last)] = cycle[: min(length, last - start)]
    plain = loudness.block_energy(whole, rate)
    found = loudness.repeated_block_energy(cycle, rate, first=first, last=last, frames=frames)
    assert found.shape == plain.shape
    np.testing.assert_allclose(found, plain, rtol=1e-6, atol=1e-9 * max(1e-30, plain.max(initial=0.0)))
