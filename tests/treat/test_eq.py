"""EQ: coefficients against the Audio EQ Cookbook and an independent design, responses, identities."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqz
from treat_sounds import RATE, burst

from dossier.errors import MeasureError
from dossier.treat.eq import SHAPES, equalise, section


def response_db(coefficients: np.ndarray, hz: float, rate: int = RATE) -> float:
    return float(20.0 * np.log10(abs(freqz(coefficients[:3], coefficients[3:], worN=[hz], fs=rate)[1][0])))


def test_cookbook_example() -> None:
    """Conformance: Audio EQ Cookbook (W3C Note), peaking EQ at 48 kHz, 1 kHz, +6 dB, Q 1."""
    coefficients = section("bell", 48_000, hz=1000.0, gain_db=6.0, q=1.0)
    assert coefficients[:3] == pytest.approx([1.04395309, -1.89532072, 0.86772229], abs=1e-8)
    assert response_db(coefficients, 1000.0) == pytest.approx(6.0, abs=1e-9)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("shape", ["high-pass", "low-pass"])
@pytest.mark.parametrize("hz", [30.0, 250.0, 8000.0])
def test_passes_against_butterworth(shape: str, hz: float, rate: int) -> None:
    """Cross-check: scipy's second-order Butterworth design is the same filter at Q = 1/sqrt(2); -3.01 dB at f0."""
    ours = section(shape, rate, hz=hz)
    b, a = butter(2, hz, shape.replace("-", ""), fs=rate)
    assert np.allclose(ours, np.concatenate((b, a)), atol=1e-10)
    assert response_db(ours, hz, rate) == pytest.approx(-3.0103, abs=1e-3)


@pytest.mark.parametrize("gain_db", [-9.0, 4.0])
def test_shelves_reach_their_gain_and_half_of_it_at_the_corner(gain_db: float) -> None:
    """Analytic: A^2 at one end, 1 at the other, A at f0 (the cookbook's definition of a shelf's corner)."""
    low = section("low shelf", RATE, hz=500.0, gain_db=gain_db)
    high = section("high shelf", RATE, hz=5000.0, gain_db=gain_db)
    assert response_db(low, 1e-3) == pytest.approx(gain_db, abs=1e-6)
    assert response_db(low, 500.0) == pytest.approx(gain_db / 2, abs=1e-6)
    assert response_db(low, RATE / 2 - 1e-3) == pytest.approx(0.0, abs=1e-6)
    assert response_db(high, 1e-3) == pytest.approx(0.0, abs=1e-6)
    assert response_db(high, 5000.0) == pytest.approx(gain_db / 2, abs=1e-6)
    assert response_db(high, RATE / 2 - 1e-3) == pytest.approx(gain_db, abs=1e-6)


@pytest.mark.parametrize("shape", ["bell", "low shelf", "high shelf"])
def test_boost_then_equal_cut_is_identity(shape: str) -> None:
    """Analytic: the cut is the inverse filter."""
    sound = burst()
    boosted = equalise(sound, RATE, shape=shape, hz=900.0, gain_db=8.0, q=0.9)
    back = equalise(boosted, RATE, shape=shape, hz=900.0, gain_db=-8.0, q=0.9)
    assert np.max(np.abs(boosted - sound)) > 0.01
    assert np.allclose(back, sound, atol=1e-11)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("hz", [20.0, 1000.0, 30_000.0])
def test_poles_lie_inside_the_unit_circle(shape: str, hz: float) -> None:
    """Analytic: every section is stable, also where the frequency is asked for above the sample rate's reach."""
    coefficients = section(shape, 44_100, hz=hz, gain_db=-12.0, q=0.71)
    assert np.all(np.abs(np.roots(coefficients[3:])) < 1.0)


def test_what_cannot_be_is_said() -> None:
    """Analytic: the contract's errors."""
    with pytest.raises(MeasureError, match="shape must be one of"):
        section("notch", RATE, hz=100.0)
    with pytest.raises(MeasureError, match="above zero"):
        section("bell", RATE, hz=0.0)
