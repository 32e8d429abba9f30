"""Truncation: length to the sample, no click."""

from __future__ import annotations

import numpy as np
import pytest
from treat_sounds import RATE, burst, sine

from dossier.treat.truncation import truncate


@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
@pytest.mark.parametrize("length_ms", [20.0, 90.0, 180.0])
def test_length_to_the_sample(rate: int, length_ms: float) -> None:
    """Analytic: length times rate, rounded, counted from the onset."""
    sound = burst(0.5, rate=rate)
    out = truncate(sound, rate, length_ms=length_ms, fade_ms=10.0)
    assert len(out) == round(length_ms * 1e-3 * rate)
    untouched = round((length_ms - 10.0) * 1e-3 * rate)
    assert np.array_equal(out[:untouched], sound[:untouched])
    assert not np.any(out[-1])


def test_length_counts_from_the_onset() -> None:
    """Analytic: 50 ms of silence before the hit stay, and do not shorten it."""
    sound = np.vstack((np.zeros((2400, 2)), burst(0.5)))
    assert len(truncate(sound, RATE, length_ms=100.0, fade_ms=20.0)) == 2400 + 4800


def test_a_shorter_file_is_left_as_it_is() -> None:
    """Analytic: nothing to cut, and no fade either."""
    sound = burst(0.1)
    assert np.array_equal(truncate(sound, RATE, length_ms=180.0, fade_ms=45.0), sound)


@pytest.mark.parametrize("hz", [60.0, 200.0])
def test_no_click(hz: float) -> None:
    """Analytic: a hard cut of a low tone splashes over the spectrum; under the fade nothing above 4 kHz is left of it.

    60 dB less above 4 kHz than with the cut, for a fade of 20 ms.
    """
    tone = sine(hz, 1.0, phase=1.0)
    faded = truncate(tone, RATE, length_ms=300.0, fade_ms=20.0)
    cut = tone[: len(faded)]

    def above_4_khz(sound: np.ndarray) -> float:
        ramp = np.ones(len(sound))
        ramp[:4800] = np.hanning(9600)[:4800]  # the start is not what is asked about
        spectrum = np.abs(np.fft.rfft(sound[:, 0] * ramp, 1 << 16)) ** 2
        return float(spectrum[round(4000 / RATE * (1 << 16)) :].sum())

    assert 10.0 * np.log10(above_4_khz(cut) / above_4_khz(faded)) > 60.0
