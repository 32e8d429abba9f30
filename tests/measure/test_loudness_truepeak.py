"""True peak: the bounds that make it cheap, the interpolator, and agreement with interpolating everything."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.errors import MeasureError
from dossier.measure.true_peak import CHUNK, SEGMENT, TAPS, interpolator, true_peak


def everywhere(samples: np.ndarray) -> float:
    """Interpolate every place, with no bounds."""
    x = np.concatenate([np.zeros((TAPS, samples.shape[1])), samples, np.zeros((TAPS, samples.shape[1]))])
    peak = float(np.abs(x).max())
    for taps in interpolator().taps:
        for channel in x.T:
            peak = max(peak, float(np.abs(np.convolve(channel, taps[::-1])).max()))
    return peak


def sound(kind: str, frames: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    t = np.arange(frames)
    return {
        "noise": lambda: rng.standard_normal((frames, 2)),
        "clipped": lambda: np.clip(3 * rng.standard_normal((frames, 2)), -1, 1),
        "low": lambda: np.sin(2 * np.pi * t[:, None] * (0.003, 0.0041)),
        "high": lambda: np.sin(2 * np.pi * t[:, None] * 0.237 + (0.4, 1.1)),
        "sparse": lambda: rng.standard_normal((frames, 2)) * (rng.random((frames, 1)) < 0.002),
        "fading": lambda: rng.standard_normal((frames, 2)) * np.linspace(0, 1, frames)[:, None] ** 3,
        "square": lambda: np.sign(np.sin(2 * np.pi * t[:, None] * (0.011, 0.017) + 0.1)),
    }[kind]()


@pytest.mark.parametrize("kind", ["noise", "clipped", "low", "high", "sparse", "fading", "square"])
def test_analytic_same_as_interpolating_everything(kind: str) -> None:
    for frames in (1, 3, 63, 64, 65, 128, 5000, CHUNK * SEGMENT + 1, 90_000):
        samples = sound(kind, frames, seed=frames)
        assert true_peak(samples) == pytest.approx(everywhere(samples), rel=1.1e-5, abs=1e-12), frames


@settings(max_examples=60, deadline=None)
@given(frames=st.integers(1, 700), at=st.integers(0, 699), seed=st.integers(0, 2**16), power=st.floats(0.0, 6.0))
def test_invariant_no_peak_is_missed(frames: int, at: int, seed: int, power: float) -> None:
    rng = np.random.default_rng(seed)
    samples = rng.standard_normal((frames, 1)) * rng.random((frames, 1)) ** power
    samples[min(at, frames - 1)] *= 3.0
    assert true_peak(samples) == pytest.approx(everywhere(samples), rel=1.1e-5)


def test_analytic_bounds_from_the_taps() -> None:
    """|y| <= l1 max|x|, reached by the signs of the taps; and the bound by curvature, tried on random signals."""
    fir = interpolator()
    assert fir.l1 == pytest.approx(np.abs(fir.taps).sum(axis=1).max())
    assert 20 * np.log10(fir.l1) < 8.0
    worst = np.sign(fir.taps[1])
    assert fir.taps[1] @ worst == pytest.approx(fir.l1)
    rng = np.random.default_rng(3)
    for _ in range(2000):
        x = np.cumsum(rng.standard_normal(TAPS)) if rng.random() < 0.5 else rng.choice([-1.0, 1.0], TAPS)
        ends = max(abs(x[TAPS // 2 - 1]), abs(x[TAPS // 2]))
        limit = ends + fir.curvature * np.abs(np.diff(x, 2)).max() + fir.remainder * np.abs(x).max()
        assert np.abs(fir.taps @ x).max() <= limit + 1e-12


@pytest.mark.parametrize("f", [0.01, 0.1, 0.2, 0.3, 0.4, 0.43])
def test_analytic_interpolator_is_flat(f: float) -> None:
    """Gain and phase of each phase of the interpolator against a shift by 1/4, 1/2 or 3/4 of a sample."""
    fir = interpolator()
    offsets = np.arange(TAPS) - (TAPS // 2 - 1)
    for p, taps in enumerate(fir.taps):
        response = (taps * np.exp(2j * np.pi * f * offsets)).sum() / np.exp(2j * np.pi * f * (p + 1) / 4)
        assert abs(response - 1.0) < 0.012  # 0.1 dB


@pytest.mark.parametrize("f", [0.05, 0.1, 0.2, 0.25, 1 / 3, 0.4])
def test_analytic_sines_read_their_amplitude(f: float) -> None:
    """4x oversampling under-reads a sine by 20 log10(cos(pi f / 4)) at most, f in cycles a sample (BS.1770 Annex 2)."""
    n = np.arange(4800)
    fade = np.minimum(1.0, np.minimum(n, n[::-1]) / 480)
    for degrees in (0, 10, 30, 45, 60, 80):
        samples = (0.5 * fade * np.sin(2 * np.pi * f * n + np.radians(degrees)))[:, None]
        reading = 20 * np.log10(true_peak(samples) / 0.5)
        assert 20 * np.log10(np.cos(np.pi * f / 4)) - 0.02 <= reading <= 0.05, degrees


def test_crosscheck_fourier_interpolation() -> None:
    """Band-limited noise against scipy.signal.resample at 16x: within what 4x steps can miss."""
    from scipy.signal import firwin, lfilter, resample

    rng = np.random.default_rng(5)
    for _ in range(10):
        x = lfilter(firwin(101, 0.7), 1.0, rng.standard_normal(4096)) * np.hanning(4096)
        fine = np.abs(resample(x, 16 * 4096)).max()
        reading = 20 * np.log10(true_peak(x[:, None]) / fine)
        assert -0.3 <= reading <= 0.05


def test_edge_silence_shape_and_scale() -> None:
    assert true_peak(np.zeros((100, 2))) == 0.0
    assert true_peak(np.zeros((0, 2))) == 0.0
    with pytest.raises(MeasureError):
        true_peak(np.zeros(100))
    x = np.random.default_rng(6).standard_normal((3000, 2))
    for scale in (1e-300, 1e-12, 1e12, 1e90):
        assert true_peak(x * scale) / scale == pytest.approx(true_peak(x), rel=1e-6)
    assert true_peak(x.astype(np.float32)) == pytest.approx(true_peak(x), rel=1e-5)
    assert true_peak(np.full((1, 1), 0.7)) == pytest.approx(0.7)


def test_edge_interpolated_peak_between_two_full_samples() -> None:
    """Two neighbours at 1: the value half way is 2 sinc(1/2) = 4/pi of them, 2.1 dB up."""
    x = np.zeros((100, 1))
    x[50:52] = 1.0
    assert true_peak(x) == pytest.approx(4 / np.pi, rel=0.01)
