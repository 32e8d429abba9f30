"""Transient shaping: steady tones untouched, attack and sustain moved as told."""

from __future__ import annotations

import numpy as np
import pytest
from treat_sounds import RATE, burst, level_db, peak_db, sine

from dossier.treat.transient import shape


@pytest.mark.parametrize("hz", [40.0, 61.0, 110.0, 440.0, 1000.0, 4987.0])
@pytest.mark.parametrize(("attack_db", "sustain_db"), [(9.0, 0.0), (0.0, 9.0), (-6.0, -12.0)])
def test_a_steady_tone_is_untouched_after_its_start(hz: float, attack_db: float, sustain_db: float) -> None:
    """Analytic: all envelopes of a steady tone agree; 0.02 dB (a sampled peak is not quite constant)."""
    tone = sine(hz, 1.0, peak=0.5)
    shaped = shape(tone, RATE, attack_db=attack_db, sustain_db=sustain_db)
    late = slice(round(0.25 * RATE), round(0.95 * RATE))
    assert np.max(np.abs(shaped[late] - tone[late])) < 0.5 * (10 ** (0.02 / 20) - 1)


def hit_and_tail():
    """A 1 kHz tone: silence 100 ms, full 30 ms, then 40 dB lower for 600 ms."""
    tone = sine(1000.0, 0.73, peak=0.5)
    gain = np.zeros(len(tone))
    gain[round(0.1 * RATE) : round(0.13 * RATE)] = 1.0
    gain[round(0.13 * RATE) :] = 0.01
    return tone * gain[:, None]


@pytest.mark.parametrize("attack_db", [-8.0, -3.0, 4.0, 9.0])
def test_the_peak_of_an_attack_moves_as_told(attack_db: float) -> None:
    """Analytic: at the start of a hit the fast envelope is far above the slow one, so the gain acts in full."""
    sound = hit_and_tail()
    shaped = shape(sound, RATE, attack_db=attack_db)
    onset = slice(round(0.1 * RATE), round(0.105 * RATE))
    assert peak_db(shaped[onset]) - peak_db(sound[onset]) == pytest.approx(attack_db, abs=0.05)
    tail = slice(round(0.2 * RATE), None)
    assert level_db(shaped[tail]) == pytest.approx(level_db(sound[tail]), abs=0.05)


@pytest.mark.parametrize("sustain_db", [-20.0, -6.0, 5.0, 12.0])
def test_the_tail_moves_as_told(sustain_db: float) -> None:
    """Analytic: 40 dB under the hit (more than the span of 12) the sustain gain acts in full, the hit stays."""
    sound = hit_and_tail()
    shaped = shape(sound, RATE, sustain_db=sustain_db)
    tail = slice(round(0.2 * RATE), round(0.7 * RATE))
    assert level_db(shaped[tail]) - level_db(sound[tail]) == pytest.approx(sustain_db, abs=0.05)
    assert peak_db(shaped) == pytest.approx(peak_db(sound), abs=0.01)


def test_both_channels_get_the_same_gain() -> None:
    """Analytic: a fixed ratio between the channels stays fixed, so the image does not move."""
    mono = burst(channels=1)
    shaped = shape(np.hstack((mono, 0.3 * mono)), RATE, attack_db=7.0, sustain_db=-9.0)
    assert np.allclose(shaped[:, 1], 0.3 * shaped[:, 0], atol=1e-12)


def test_the_gain_has_no_steps() -> None:
    """Analytic: smoothed over 2 ms, the gain moves by no more than its range a sample would allow (no clicks)."""
    constant = np.full((RATE, 1), 0.001)
    constant[RATE // 2 :] = 0.5
    gain_db = 20.0 * np.log10(shape(constant, RATE, attack_db=12.0)[:, 0] / constant[:, 0])
    assert np.max(np.abs(np.diff(gain_db))) < 12.0 * 2.2 / (0.002 * RATE)
