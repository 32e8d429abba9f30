"""Saturation: harmonics, aliasing, peak, mix."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from treat_sounds import RATE, burst, lines_db, sine

from dossier.treat.saturation import saturate


def steady(hz: float, *, drive_db: float, asymmetry: float = 0.0, rate: int = RATE):
    """One second from the middle of two, where the filters' edges do not reach."""
    tone = sine(hz, 2.0, rate=rate)
    driven = saturate(tone, rate, drive_db=drive_db, asymmetry=asymmetry)
    return driven[rate // 2 : rate // 2 + rate]


def fourier_db(drive: float, asymmetry: float, harmonic: int) -> float:
    """Level of one harmonic of tanh(d(sin t + a)) re the fundamental, by numerical integration."""

    def line(k: int) -> float:
        parts = [
            quad(lambda t, f=f: np.tanh(drive * (np.sin(t) + asymmetry)) * f(k * t), 0, 2 * np.pi, limit=200)[0]
            for f in (np.cos, np.sin)
        ]
        return float(np.hypot(*parts))

    return float(20.0 * np.log10(line(harmonic) / line(1)))


@pytest.mark.parametrize(("drive", "third_db"), [(1.0, -23.50), (2.0, -15.45)], ids=["analytic-d1", "analytic-d2"])
def test_third_harmonic_of_tanh(drive: float, third_db: float) -> None:
    """Analytic: Fourier coefficients of tanh(d sin t), computed once by integration."""
    levels = lines_db(steady(200.0, drive_db=20.0 * np.log10(drive)), 200.0, 5)
    assert levels[2] == pytest.approx(third_db, abs=0.01)


def test_even_harmonics_are_absent_without_asymmetry() -> None:
    """Analytic: tanh is odd; -120 dB is the rounding of single precision."""
    levels = lines_db(steady(200.0, drive_db=12.0), 200.0, 8)
    assert np.all(levels[1::2] < -120.0)


@pytest.mark.parametrize("harmonic", [2, 3, 4])
def test_harmonics_with_asymmetry(harmonic: int) -> None:
    """Analytic: numerical Fourier integrals of tanh(d(sin t + a)); the 10 Hz high-pass is 0.01 dB at 200 Hz."""
    levels = lines_db(steady(200.0, drive_db=6.0, asymmetry=0.25), 200.0, 5)
    assert levels[harmonic - 1] == pytest.approx(fourier_db(10 ** (6 / 20), 0.25, harmonic), abs=0.03)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("drive_db", [9.5, 12.0, 18.0])
def test_aliasing_of_a_full_scale_5_khz_tone(rate: int, drive_db: float) -> None:
    """Analytic: every line that is not an odd harmonic is an alias (or an edge of one); below -80 dB."""
    spectrum = np.abs(np.fft.rfft(steady(5000.0, drive_db=drive_db, rate=rate)[:, 0]))
    wanted = np.arange(5000, rate // 2, 10_000)
    others = np.delete(spectrum, wanted)
    assert 20.0 * np.log10(others.max() / spectrum[5000]) < -80.0


def test_blocks_join_without_a_seam() -> None:
    """Analytic: a long sound is worked on in blocks; a steady tone must not show where they meet."""
    seconds = 4
    driven = saturate(sine(1000.0, seconds), RATE, drive_db=9.0)
    one, other = driven[RATE : 2 * RATE], driven[2 * RATE : 3 * RATE]  # 65,536 lies in the first
    assert np.max(np.abs(one - other)) < 1e-6


def test_the_sample_peak_is_kept_and_the_loudness_rises() -> None:
    """Analytic: a compressive curve normalised at its top raises everything below it."""
    sound = burst()
    driven = saturate(sound, RATE, drive_db=10.0)
    assert np.max(np.abs(driven)) == pytest.approx(np.max(np.abs(sound)), rel=1e-12)
    assert np.mean(driven**2) > 1.5 * np.mean(sound**2)


def test_mix_is_a_cross_fade() -> None:
    """Analytic: out = (1 - m) x + m f(x), so three mixes lie on a line."""
    sound = burst(0.2)
    none, half, full = (saturate(sound, RATE, drive_db=8.0, mix=mix) for mix in (0.0, 0.5, 1.0))
    assert np.array_equal(none, sound)
    assert np.allclose(half, 0.5 * (none + full), atol=1e-12)


def test_asymmetry_leaves_no_constant_part() -> None:
    """Analytic: the asymmetric curve adds DC (about 0.1 here); the 10 Hz high-pass removes it from a steady tone."""
    driven = steady(200.0, drive_db=6.0, asymmetry=0.25)
    assert abs(float(driven.mean())) < 1e-6


def test_a_mono_sound_on_two_channels_is_treated_as_one() -> None:
    """Analytic: equal channels stay equal, and equal to the mono result."""
    mono = burst(0.2, channels=1)
    both = saturate(np.repeat(mono, 2, axis=1), RATE, drive_db=9.0)
    alone = saturate(mono, RATE, drive_db=9.0)
    assert both.shape[1] == 2
    assert np.array_equal(both[:, 0], both[:, 1])
    assert np.array_equal(both[:, :1], alone)
