"""Short room: decay time measured back, energy, repeatability."""

from __future__ import annotations

import numpy as np
import pytest
from treat_sounds import RATE, burst

from dossier.treat import FAMILIES
from dossier.treat.room import DELAY_S, impulse_response, in_room


def decay_s(response: np.ndarray, rate: int) -> float:
    """Reverberation time by backward integration, a line through -5 to -35 dB (Schroeder 1965; ISO 3382-1, T30)."""
    energy = np.cumsum(response[::-1] ** 2)[::-1]
    level = 10.0 * np.log10(energy / energy[0])
    inside = (level <= -5.0) & (level >= -35.0)
    slope = np.polyfit(np.flatnonzero(inside) / rate, level[inside], 1)[0]
    return float(-60.0 / slope)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("told", [0.1, 0.2, 0.4, 0.8])
def test_decay_is_what_it_was_told_to_be(told: float, rate: int) -> None:
    """Conformance: ISO 3382-1, T30 by backward integration of the impulse response; within 5 %."""
    click = np.zeros((rate // 10, 2))
    click[0] = 0.5
    tail = in_room(click, rate, decay_s=told, mix=1.0)
    for channel in range(2):
        assert decay_s(tail[round(DELAY_S * rate) :, channel], rate) == pytest.approx(told, rel=0.05)


def test_the_tail_has_unit_energy_and_its_channels_are_independent() -> None:
    """Analytic: each line is scaled to unit energy; two noises correlate by about 1/sqrt(degrees of freedom)."""
    response = impulse_response(RATE, 2, 0.4)
    assert np.sum(response**2, axis=0) == pytest.approx([1.0, 1.0])
    assert abs(float(np.sum(response[:, 0] * response[:, 1]))) < 0.1


def test_the_attack_stays_dry_and_the_end_is_silent() -> None:
    """Analytic: the room starts after 3 ms; its last sample is zero."""
    sound = burst(0.3)
    out = in_room(sound, RATE, decay_s=0.3, mix=0.25)
    dry = round(DELAY_S * RATE)
    assert np.allclose(out[:dry], 0.75 * sound[:dry], atol=1e-12)
    assert len(out) == len(sound) + len(impulse_response(RATE, 2, 0.3)) - 1
    assert np.max(np.abs(out[-1])) < 1e-9


def test_the_same_call_gives_the_same_bytes() -> None:
    """Analytic: the noise comes from a fixed seed."""
    sound = burst(0.2)
    first = in_room(sound, RATE, decay_s=0.25, mix=0.3)
    impulse_response.cache_clear()
    assert in_room(sound, RATE, decay_s=0.25, mix=0.3).tobytes() == first.tobytes()


def test_a_loop_hears_its_own_tail() -> None:
    """Analytic: one pass treated as a loop is what the third pass of three in a row sounds like."""
    room = FAMILIES["short room"]
    amounts = {"decay_s": 0.3, "mix": 0.3}
    one_pass = np.vstack((np.zeros((RATE // 4, 2)), burst(0.75)))
    thrice = room.apply(np.vstack((one_pass, one_pass, one_pass)), RATE, **amounts)
    cycle = room.play(one_pass, RATE, amounts, kind="loop")
    assert len(cycle) == len(one_pass)
    assert np.allclose(cycle, thrice[2 * len(one_pass) : 3 * len(one_pass)], atol=1e-9)
