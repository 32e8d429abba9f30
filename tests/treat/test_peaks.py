"""Peaks: the ruler that treated drums are brought to."""

from __future__ import annotations

import numpy as np
import pytest
from treat_sounds import RATE, burst, sine

from dossier.treat.peaks import matched, true_peak


@pytest.mark.parametrize(
    ("divisor", "degrees", "peak", "expected_db"),
    [(4, 0.0, 0.5, -6.0), (4, 45.0, 0.5, -6.0), (6, 60.0, 0.5, -6.0), (8, 67.5, 0.5, -6.0), (4, 45.0, 1.41, 3.0)],
    ids=["case-15", "case-16", "case-17", "case-18", "case-19"],
)
def test_true_peak_signals(divisor: int, degrees: float, peak: float, expected_db: float) -> None:
    """Conformance: EBU Tech 3341 Table 1, cases 15-19, tapered by 10 ms, +0.2/-0.4 dB."""
    tone = sine(RATE / divisor, 0.5, peak=peak, phase=np.radians(degrees))
    taper = np.minimum(1.0, np.minimum(np.arange(len(tone)), np.arange(len(tone))[::-1]) / (0.01 * RATE))
    level = 20.0 * np.log10(true_peak(tone * taper[:, None], RATE))
    assert -0.4 <= level - expected_db <= 0.2


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_against_the_band_limited_waveform(seed: int, rate: int) -> None:
    """Cross-check: interpolation by 16 on the spectrum (scipy.signal.resample), sound band-limited to 0.4 of the rate.

    Never below the sample peak; within 0.2 dB, and the 0.7 dB that BS.1770-5 Annex 2 gives for less oversampling.
    """
    from scipy.signal import firwin, resample

    sound = np.convolve(burst(0.1, seed=seed, channels=1, rate=rate)[:, 0], firwin(101, 0.8))[:, None]
    sound = np.pad(sound, ((500, 500), (0, 0)))
    whole = float(np.max(np.abs(resample(sound, 16 * len(sound)))))
    found = true_peak(sound, rate)
    assert found >= np.max(np.abs(sound))
    assert 20 * np.log10(found / whole) == pytest.approx(0.0, abs=0.2 if rate < 96_000 else 0.7)


def test_matched_brings_to_the_same_true_peak_or_only_down() -> None:
    """Analytic: a gain moves every peak alike."""
    sound = burst()
    up = matched(0.25 * sound, sound, RATE)
    assert true_peak(up, RATE) == pytest.approx(true_peak(sound, RATE), rel=1e-9)
    assert np.array_equal(matched(0.25 * sound, sound, RATE, raise_level=False), 0.25 * sound)
    down = matched(3.0 * sound, sound, RATE, raise_level=False)
    assert np.allclose(down, sound, atol=1e-12)


def test_silence_has_no_peak() -> None:
    """Analytic: silence and no samples."""
    assert true_peak(np.zeros((100, 2)), RATE) == 0.0
    assert true_peak(np.zeros((0, 2)), RATE) == 0.0
    assert not np.any(matched(np.zeros((100, 2)), burst(), RATE))
