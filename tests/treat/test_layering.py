"""Layering: alignment, polarity, comb, level."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from treat_sounds import RATE, burst, sine

from dossier.errors import MeasureError
from dossier.treat.layering import add_layer, align, resolve


def moved(sound: np.ndarray, frames: int) -> np.ndarray:
    """Later (positive) or earlier, same length or longer."""
    if frames >= 0:
        return np.vstack((np.zeros((frames, sound.shape[1])), sound))
    return sound[-frames:]


@pytest.mark.parametrize("delay", [-900, -333, -1, 0, 1, 47, 480, 960])
@pytest.mark.parametrize("polarity", [1, -1])
def test_a_planted_delay_is_found_to_the_sample(delay: int, polarity: int) -> None:
    """Analytic: the layer is the sound itself, later or earlier, perhaps inverted, under noise of its own (-20 dB)."""
    sound = moved(burst(seed=3), 1000)  # 1000 frames of silence first, so that earlier is possible
    noise = 0.1 * moved(burst(seed=4), 1000)
    layer = polarity * moved(sound + noise, delay)
    found = align(sound, layer, RATE)
    assert (found.delay, found.polarity) == (-delay, polarity)


@pytest.mark.parametrize("shift_ms", [3.0, 8.0, 17.0])
def test_noisy_layers_meet_at_their_onsets(shift_ms: float) -> None:
    """Analytic: two unrelated noises have no common waveform; their onsets are brought within 2 ms.

    A flam is heard from some 10 ms on (common practice, no source).
    """
    sound = moved(burst(seed=5), 1200)
    layer = moved(np.random.default_rng(6).standard_normal((9600, 2)) * np.exp(-np.arange(9600) / 2400.0)[:, None],
                  1200 + round(1e-3 * shift_ms * RATE))  # fmt: skip
    found = align(sound, layer, RATE)
    assert found.delay / RATE * 1e3 == pytest.approx(-shift_ms, abs=2.0)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10_000), shift=st.integers(0, 1500), gain_db=st.sampled_from([-12.0, -6.0, 0.0]),
    hz=st.floats(40.0, 400.0),
)  # fmt: skip
def test_never_worse_than_unaligned(seed: int, shift: int, gain_db: float, hz: float) -> None:
    """Analytic: the aligned sum has no less energy than the unaligned one, whatever the two sounds are."""
    rng = np.random.default_rng(seed)
    time = np.arange(9600) / RATE
    sound = (np.sin(2 * np.pi * hz * time + rng.uniform(0, 6)) * np.exp(-8 * time))[:, None]
    tone = np.sin(2 * np.pi * hz * rng.uniform(0.8, 1.3) * time)
    layer = moved(((tone + 0.3 * rng.standard_normal(9600)) * np.exp(-9 * time))[:, None], shift)
    aligned = add_layer(sound, RATE, layer=layer, gain_db=gain_db)
    unaligned = add_layer(sound, RATE, layer=layer, gain_db=gain_db, delay_ms=0.0)
    look = round(0.4 * RATE)
    assert np.sum(aligned[:look] ** 2) >= np.sum(unaligned[:look] ** 2) * (1.0 - 1e-9)


@pytest.mark.parametrize("delay_ms", [1.0, 2.0])
def test_a_late_copy_combs(delay_ms: float) -> None:
    """Analytic: x(t) + x(t - T) has nulls at (2k + 1)/(2T) and +6.02 dB at k/T."""
    click = np.zeros((4800, 1))
    click[0] = 1.0
    both = add_layer(click, RATE, layer=click, gain_db=0.0, delay_ms=delay_ms)
    response = np.abs(np.fft.rfft(both[:, 0], RATE))
    for k in range(4):
        assert response[round((2 * k + 1) / (2e-3 * delay_ms))] < 1e-9
        assert response[round(k / (1e-3 * delay_ms))] == pytest.approx(2.0)


def test_level_counts_from_equal_peaks() -> None:
    """Analytic: a layer of any level and channel count comes in at its gain under the sound's peak."""
    sound = sine(100.0, 0.2, peak=0.5)
    layer = np.repeat(sine(3000.0, 0.2, peak=0.01), 2, axis=1)
    out = add_layer(sound, RATE, layer=layer, gain_db=-6.0, delay_ms=0.0)
    assert out.shape == sound.shape
    assert np.max(np.abs(out - sound)) == pytest.approx(0.5 * 10 ** (-6.0 / 20), rel=1e-3)


def test_what_the_alignment_found_can_be_dialled_in() -> None:
    """Analytic: settled amounts play the same as the alignment itself."""
    sound, layer = moved(burst(seed=7), 700), -moved(burst(seed=7), 400)
    amounts = resolve(sound, RATE, {"file": "b.wav", "gain_db": -4.0}, layer=layer)
    assert amounts["polarity"] == "invert"
    assert amounts["delay_ms"] == pytest.approx(1e3 * 300 / RATE)
    aligned = add_layer(sound, RATE, layer=layer, file="b.wav", gain_db=-4.0)
    assert np.array_equal(add_layer(sound, RATE, layer=layer, **amounts), aligned)


def test_a_polarity_that_is_neither_is_refused() -> None:
    """Analytic: the contract's errors."""
    with pytest.raises(MeasureError, match="polarity must be"):
        add_layer(burst(), RATE, layer=burst(), gain_db=0.0, delay_ms=0.0, polarity="maybe")
