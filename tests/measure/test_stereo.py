"""Stereo image: analytic values of width, correlation and mono loss, edge cases, invariants."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.errors import MeasureError
from dossier.measure import loudness, stereo
from dossier.model.measures import StereoImage
from dossier.model.vocabulary import ZONE_KEYS, ZONES

RATE = 48_000
FIELDS = ("side_to_mid_db", "correlation", "mono_loss_lu")
MIDDLES = {zone.key: (zone.low_hz * zone.high_hz) ** 0.5 for zone in ZONES}


def faded_tone(f_hz: float, degrees: float = 0.0, *, seconds: float = 1.0, rate_hz: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    fade = 0.5 - 0.5 * np.cos(2 * np.pi * np.minimum(0.5, np.minimum(t, t[::-1]) / 0.4))
    return 0.4 * fade * np.sin(2 * np.pi * f_hz * t + np.radians(degrees))


def noise(seed: int, seconds: float = 2.0, channels: int = 2, rate_hz: int = RATE) -> np.ndarray:
    return 0.1 * np.random.default_rng(seed).standard_normal((round(seconds * rate_hz), channels))


def expect_reasons(image: StereoImage) -> None:
    missing = set()
    for name, measured in {"whole": image.whole, **image.zones}.items():
        for field in FIELDS:
            value = getattr(measured, field)
            if value is None:
                missing.add(f"{name}.{field}")
            else:
                assert type(value) is float
                assert np.isfinite(value)
    assert missing == set(image.reasons)
    assert tuple(image.zones) == ZONE_KEYS


@pytest.mark.parametrize("zone", ZONE_KEYS)
def test_analytic_phase(zone: str) -> None:
    """Two tones apart by an angle: correlation cos a, mono loss -20 log10 cos(a/2), side to mid 20 log10 tan(a/2)."""
    for degrees in (0.0, 60.0, 90.0, 120.0, 150.0):
        samples = np.column_stack([faded_tone(MIDDLES[zone]), faded_tone(MIDDLES[zone], degrees)])
        image = stereo.measure(samples, RATE)
        expect_reasons(image)
        angle = np.radians(degrees)
        for measured in (image.zones[zone], image.whole):
            assert measured.correlation == pytest.approx(np.cos(angle), abs=1e-3)
            assert measured.mono_loss_lu == pytest.approx(-20 * np.log10(np.cos(angle / 2)), abs=0.01)
            if degrees:
                assert measured.side_to_mid_db == pytest.approx(20 * np.log10(np.tan(angle / 2)), abs=0.01)


def test_analytic_opposite_polarity_sums_to_silence() -> None:
    mono = noise(1, channels=1)
    image = stereo.measure(np.column_stack([mono, -mono]), RATE)
    expect_reasons(image)
    for name, measured in {"whole": image.whole, **image.zones}.items():
        assert measured.correlation == pytest.approx(-1.0, abs=1e-9)
        assert measured.mono_loss_lu is None
        assert "mono" in image.reasons[f"{name}.mono_loss_lu"]
        assert measured.side_to_mid_db is None


def test_analytic_mono_file_and_mono_content() -> None:
    mono = noise(2, channels=1)
    for samples in (mono, np.column_stack([mono, mono])):
        image = stereo.measure(samples, RATE)
        expect_reasons(image)
        for measured in (image.whole, *image.zones.values()):
            assert measured.correlation == pytest.approx(1.0, abs=1e-9)
            assert measured.mono_loss_lu == pytest.approx(0.0, abs=1e-9)
            assert measured.side_to_mid_db is None


def test_analytic_unrelated_sides() -> None:
    """Equal unrelated noise: correlation 0, side as strong as mid, 3.01 LU lost in mono."""
    image = stereo.measure(noise(3, seconds=20), RATE)
    for zone, measured in {"whole": image.whole, **image.zones}.items():
        loose = 8.0 if zone == "sub" else 2.0 if zone in ("bass", "low_mid") else 1.0  # fewer degrees of freedom
        assert measured.correlation == pytest.approx(0.0, abs=0.02 * loose)
        assert measured.mono_loss_lu == pytest.approx(3.01, abs=0.1 * loose)
        assert measured.side_to_mid_db == pytest.approx(0.0, abs=0.2 * loose)


def test_analytic_one_side_only() -> None:
    """A signal in one channel: side equals mid, 3.01 LU lost; a correlation does not exist."""
    image = stereo.measure(noise(4) * [1.0, 0.0], RATE)
    expect_reasons(image)
    for measured in (image.whole, *image.zones.values()):
        assert measured.mono_loss_lu == pytest.approx(3.0103, abs=1e-3)
        assert measured.side_to_mid_db == pytest.approx(0.0, abs=1e-3)
        assert measured.correlation is None


@settings(max_examples=20, deadline=None)
@given(pan=st.floats(0.05, 0.95), width=st.floats(0.1, 3.0), seed=st.integers(0, 2**16))
def test_analytic_mid_and_side_of_known_power(pan: float, width: float, seed: int) -> None:
    """M and S unrelated, S/M = width: side-to-mid 20 log10 width, mono loss 10 log10(1 + width^2), at any level."""
    m, s = noise(seed, seconds=1.0).T
    image = stereo.measure(pan * np.column_stack([m + width * s, m - width * s]), RATE)
    assert image.whole.side_to_mid_db == pytest.approx(20 * np.log10(width), abs=0.4)
    assert image.whole.mono_loss_lu == pytest.approx(10 * np.log10(1 + width**2), abs=0.4)


def test_analytic_zones_are_told_apart() -> None:
    """Mono bass, wide top: each zone reads its own."""
    rng = np.random.default_rng(5)
    low = faded_tone(100.0, seconds=4.0)
    high = rng.standard_normal((4 * RATE, 2)) * 0.05
    spectrum = np.fft.rfft(high, axis=0)
    spectrum[np.fft.rfftfreq(4 * RATE, 1 / RATE) < 3000] = 0.0
    image = stereo.measure(np.column_stack([low, low]) + np.fft.irfft(spectrum, 4 * RATE, axis=0), RATE)
    bass, top = image.zones["bass"], image.zones["brilliance"]
    assert bass.correlation == pytest.approx(1.0, abs=1e-3)
    assert bass.mono_loss_lu == pytest.approx(0.0, abs=1e-2)
    assert top.correlation == pytest.approx(0.0, abs=0.03)
    assert top.mono_loss_lu == pytest.approx(3.01, abs=0.2)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_crosscheck_mono_loss_against_the_loudness_meter(rate_hz: int) -> None:
    """Steady stereo: the loss is the difference of the integrated loudness of the stereo signal and of its mono sum."""
    a, b = noise(6, seconds=6, rate_hz=rate_hz).T
    samples = np.column_stack([a + 0.3 * b, 0.5 * a - 0.4 * b])
    mono = samples.mean(axis=1, keepdims=True) * [1.0, 1.0]
    before, after = (loudness.measure(x, rate_hz).integrated_lufs for x in (samples, mono))
    assert before is not None
    assert after is not None
    assert stereo.measure(samples, rate_hz).whole.mono_loss_lu == pytest.approx(before - after, abs=0.03)


def test_analytic_every_sample_counts_the_same() -> None:
    """The same hit at any place gives the same numbers: the windows' squares add up to one."""
    hit = noise(7, seconds=0.03) * [1.0, 0.6]
    readings = []
    for start in (0, 1000, 4096, 8192, 11_111, 40_000 - len(hit)):
        samples = np.zeros((40_000, 2))
        samples[start : start + len(hit)] = hit
        readings.append(stereo.measure(samples, RATE).whole)
    for reading in readings[1:]:
        assert reading.correlation == pytest.approx(readings[0].correlation, abs=2e-3)
        assert reading.mono_loss_lu == pytest.approx(readings[0].mono_loss_lu, abs=0.02)


def test_edge_silence_has_no_image() -> None:
    for samples in (np.zeros((RATE, 2)), np.zeros((0, 2)), np.zeros((5, 1)), np.full((100, 2), 1e-12)):
        image = stereo.measure(samples, RATE)
        expect_reasons(image)
        assert len(image.reasons) == 24
        assert set(image.reasons.values()) == {"silent: no sample above -200 dBFS"}


def test_edge_silent_zones_and_low_rates() -> None:
    image = stereo.measure(np.column_stack([faded_tone(120.0), faded_tone(120.0, 30.0)]), RATE)
    expect_reasons(image)
    assert image.zones["bass"].correlation is not None
    for zone in ("mid", "presence", "brilliance"):
        assert image.zones[zone].correlation is None
        assert "silent" in image.reasons[f"{zone}.correlation"]
    low_rate = stereo.measure(noise(8, rate_hz=8_000), 8_000)
    expect_reasons(low_rate)
    assert "half the sample rate" in low_rate.reasons["presence.mono_loss_lu"]
    assert low_rate.zones["mid"].mono_loss_lu is not None


def test_edge_offset_is_no_sound() -> None:
    """A constant offset lies below 20 Hz: a correlation of other sounds does not feel it."""
    samples = noise(9)
    with_offset = stereo.measure(samples + np.array([0.05, -0.05]), RATE).whole
    assert with_offset.correlation == pytest.approx(stereo.measure(samples, RATE).whole.correlation, abs=0.01)


@pytest.mark.parametrize("frames", [1, 2, 100, 8191, 16_384, 16_385])
def test_edge_short_signals(frames: int) -> None:
    image = stereo.measure(noise(10)[:frames], RATE)
    expect_reasons(image)
    assert image.whole.mono_loss_lu is not None
    assert image.whole.mono_loss_lu >= 0.0


def test_edge_errors() -> None:
    for samples, rate_hz in (
        (np.zeros(100), RATE), (np.zeros((100, 3)), RATE), (np.zeros((100, 2), np.int32), RATE),
        (np.array([[0.0, np.nan]]), RATE), (np.array([[np.inf, 0.0]]), RATE), (np.zeros((100, 2)), 100),
    ):  # fmt: skip
        with pytest.raises(MeasureError):
            stereo.measure(samples, rate_hz)


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 2**16),
    gain_db=st.floats(-60.0, 40.0),
    swap=st.booleans(),
    flip=st.booleans(),
    single=st.booleans(),
)
def test_invariant_gain_channel_order_polarity(seed: int, gain_db: float, swap: bool, flip: bool, single: bool) -> None:
    a, b = noise(seed, seconds=0.5).T
    samples = np.column_stack([a + 0.5 * b, 0.3 * b - 0.2 * a])
    other = samples[:, ::-1] if swap else samples
    other = other * (10 ** (gain_db / 20)) * (-1 if flip else 1)
    if single:
        other = other.astype(np.float32)
    before, after = stereo.measure(samples, RATE), stereo.measure(other, RATE)
    for zone in ZONE_KEYS:
        for field in FIELDS:
            value = getattr(before.zones[zone], field)
            assert getattr(after.zones[zone], field) == pytest.approx(value, abs=1e-3)
