"""Band and bit reduction: quantisation noise, band limit, steps."""

from __future__ import annotations

import numpy as np
import pytest
from treat_sounds import RATE, burst, level_db, sine

from dossier.treat.reduction import reduce


@pytest.mark.parametrize("bits", [6, 8, 10, 12, 16])
def test_signal_to_quantisation_noise(bits: int) -> None:
    """Analytic: 6.02 b + 1.76 dB for a full-scale sine (Bennett 1948); within 0.5 dB."""
    tone = sine(997.3, 1.0, phase=0.3)
    noise = reduce(tone, RATE, reduced_rate_hz=RATE, bits=bits) - tone
    assert level_db(tone) - level_db(noise) == pytest.approx(6.02 * bits + 1.76, abs=0.5)


def test_a_word_has_no_more_levels_than_its_bits_allow() -> None:
    """Analytic: 2^b levels, one of them at zero."""
    out = reduce(burst(), RATE, reduced_rate_hz=RATE, bits=4)
    levels = np.unique(np.round(out / np.min(np.abs(out[out != 0]))))
    assert len(levels) <= 16
    assert 0.0 in levels


@pytest.mark.parametrize("low_rate", [8_000, 12_000])
def test_steps_are_a_zero_order_hold(low_rate: int) -> None:
    """Analytic: a hold of 1/fl gives sinc(f/fl) at a tone f and sinc((fl - f)/fl) at its first image.

    The hold is made of 6 or 4 samples, so sinc is that of a moving sum (Dirichlet), here within 0.1 dB.
    """
    hz = 1000.0
    out = reduce(sine(hz, 2.0), RATE, reduced_rate_hz=low_rate, bits=24)[RATE // 2 : RATE // 2 + RATE]
    spectrum = 2.0 * np.abs(np.fft.rfft(out[:, 0])) / RATE
    held = RATE // low_rate

    def moving_sum(f: float) -> float:
        return float(abs(np.sin(np.pi * f * held / RATE) / (held * np.sin(np.pi * f / RATE))))

    for f in (hz, low_rate - hz):
        assert 20 * np.log10(spectrum[round(f)]) == pytest.approx(20 * np.log10(moving_sum(f)), abs=0.1)
    assert len(np.unique(np.diff(np.flatnonzero(np.diff(out[:, 0]) != 0)))) <= 2  # whole steps


def test_what_lies_above_half_the_low_rate_is_gone_before_the_steps() -> None:
    """Analytic: band-limited first, so a 9 kHz tone leaves nothing (-80 dB) at a rate of 12 kHz, no alias at 3 kHz."""
    low = sine(500.0, 1.0, peak=0.01)
    both = low + sine(9000.0, 1.0)
    # full scale is the peak after band-limiting, so that the bits do not blur the picture
    out = reduce(both, RATE, reduced_rate_hz=12_000, bits=24)[RATE // 4 : 3 * RATE // 4]
    spectrum = 2.0 * np.abs(np.fft.rfft(out[:, 0] * np.hanning(len(out)))) / len(out) * 2.0
    assert 20.0 * np.log10(spectrum[3000 // 2 - 3 : 3000 // 2 + 4].max()) < -80.0
    assert 20.0 * np.log10(spectrum[250]) == pytest.approx(-40.0, abs=0.1)


@pytest.mark.parametrize(("rate", "low_rate"), [(44_100, 26_000.0), (48_000, 15_000.0), (96_000, 11_000.0)])
def test_no_delay(rate: int, low_rate: float) -> None:
    """Analytic: the phase of a 200 Hz tone moves by less than one sample's worth."""
    tone = sine(200.0, 1.0, rate=rate)
    out = reduce(tone, rate, reduced_rate_hz=low_rate, bits=16)
    assert len(out) == len(tone)
    inside = slice(rate // 4, 3 * rate // 4)
    line = np.exp(-2j * np.pi * 200.0 * np.arange(len(tone)) / rate)[inside]
    shift = np.angle(np.sum(out[inside, 0] * line) / np.sum(tone[inside, 0] * line)) / (2 * np.pi * 200.0) * rate
    assert abs(shift) < 1.0
