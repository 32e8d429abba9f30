"""Parallel compression: static curve, timing, blend."""

from __future__ import annotations

import numpy as np
import pytest
from treat_sounds import RATE, burst, level_db, peak_db, sine

from dossier.treat.parallel import compress


@pytest.mark.parametrize("hz", [40.0, 100.0, 1000.0])
@pytest.mark.parametrize("level", [-6.0, -15.0, -24.0, -40.0])
@pytest.mark.parametrize(("threshold", "ratio"), [(-20.0, 4.0), (-30.0, 10.0)])
def test_the_static_curve(hz: float, level: float, threshold: float, ratio: float) -> None:
    """Analytic: below T a line of slope 1, above it of slope 1/R, lifted by -T(1 - 1/R)."""
    loud, soft = sine(hz, 0.5), sine(hz, 2.5, peak=10 ** (level / 20))
    out = compress(np.vstack((loud, soft)), RATE, threshold_db=threshold, ratio=ratio, blend=1.0, release_ms=50.0)
    reached = level_db(out[-RATE:]) - level_db(sine(hz, 1.0))
    expected = level if level <= threshold else threshold + (level - threshold) / ratio
    expected -= threshold * (1.0 - 1.0 / ratio)
    assert reached == pytest.approx(expected, abs=0.03)


def gain_of_steps(**amounts: float):
    """Gain over time of a constant that steps from -60 to 0 dB at 0.5 s and to -60 dB again at 1.0 s."""
    sound = np.full((2 * RATE, 1), 0.001)
    sound[RATE // 2 : RATE] = 1.0
    out = compress(sound, RATE, threshold_db=-20.0, ratio=4.0, blend=1.0, **amounts)
    make_up = 15.0
    return make_up - 20.0 * np.log10(out[:, 0] / sound[:, 0])  # the reduction, dB: 15 in full


@pytest.mark.parametrize("attack_ms", [1.0, 5.0, 20.0])
def test_attack_time(attack_ms: float) -> None:
    """Analytic: 63.2 % of the reduction (1 - 1/e) after the attack time; steps of 0.25 ms."""
    reduction = gain_of_steps(attack_ms=attack_ms, release_ms=100.0)
    after = np.argmax(reduction[RATE // 2 :] >= 15.0 * (1.0 - np.exp(-1.0))) / RATE
    assert 1e3 * after == pytest.approx(attack_ms, abs=0.3)


@pytest.mark.parametrize("release_ms", [30.0, 100.0, 200.0])
def test_release_time(release_ms: float) -> None:
    """Analytic: 63.2 % of the way back after the hold of 12.5 ms and the release time."""
    reduction = gain_of_steps(attack_ms=1.0, release_ms=release_ms)
    assert reduction[RATE - 1] == pytest.approx(15.0, abs=1e-6)
    after = np.argmax(reduction[RATE:] <= 15.0 * np.exp(-1.0)) / RATE
    assert 1e3 * after == pytest.approx(12.5 + release_ms, abs=0.6)


def test_look_ahead_catches_the_attack() -> None:
    """Analytic: with 4 ms of look-ahead and 1 ms of attack 98 % of the reduction is there when the step comes."""
    without = gain_of_steps(attack_ms=1.0, release_ms=100.0)
    ahead = gain_of_steps(attack_ms=1.0, release_ms=100.0, look_ahead_ms=4.0)
    assert without[RATE // 2 + 5] < 5.0
    assert ahead[RATE // 2 + 5] > 0.97 * 15.0
    assert ahead[RATE - 1] == pytest.approx(15.0, abs=1e-6)


def test_look_ahead_works_from_the_first_sample() -> None:
    """Analytic: a hit that starts at once does not pass above its own peak."""
    sound = burst()
    out = compress(sound, RATE, threshold_db=-30.0, ratio=8.0, blend=1.0, attack_ms=1.0, look_ahead_ms=4.0)
    assert peak_db(out[: RATE // 100]) < peak_db(sound) + 0.6


@pytest.mark.parametrize("blend", [0.0, 0.25, 0.5, 1.0])
def test_blend_is_a_cross_fade(blend: float) -> None:
    """Analytic: out = (1 - b) x + b copy."""
    sound = burst()
    amounts = {"threshold_db": -24.0, "ratio": 4.0}
    copy = compress(sound, RATE, blend=1.0, **amounts)
    out = compress(sound, RATE, blend=blend, **amounts)
    assert np.allclose(out, (1.0 - blend) * sound + blend * copy, atol=1e-12)


def test_the_body_rises_under_the_same_peak() -> None:
    """Common practice, no source: what parallel compression is for.  3 dB more body 150-300 ms after a hit."""
    sound = burst()
    out = compress(
        sound, RATE, threshold_db=-30.0, ratio=5.0, blend=0.4, attack_ms=1.0, release_ms=60.0, look_ahead_ms=4.0
    )
    body = slice(round(0.15 * RATE), round(0.3 * RATE))
    assert level_db(out[body]) - level_db(sound[body]) > 3.0 + peak_db(out) - peak_db(sound)
    assert peak_db(out) - level_db(out) < peak_db(sound) - level_db(sound)
