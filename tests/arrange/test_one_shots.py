"""One-shots on the grid, as sound and as energy."""

from __future__ import annotations

import numpy as np
import pytest
from tests_support import grid

from dossier.arrange import one_shots
from dossier.arrange.pattern import parse_lines
from dossier.model.beat import Pattern, Section
from dossier.model.measures import BandEnergies

RATE = 8000


def tab(*lines: str) -> Pattern:
    return parse_lines(list(lines), steps_per_beat=4, source="test")


def test_analytic_hits_fall_on_the_grid_with_swing() -> None:
    voice = one_shots.voices(grid(bars=1, swing=2 / 3, start=1.0), tab("snare |-x--x-----------|"), {}, ())["snare"]
    eighth = 0.25
    assert voice.starts_s == pytest.approx((1.0 + eighth * 2 / 3, 1.5))


def test_a_voice_is_cut_by_its_next_hit_and_an_open_hat_by_a_closed_one() -> None:
    played = one_shots.voices(grid(bars=1), tab("open hat |x-------x-------|", "closed hat |--x-------------|"), {}, ())
    assert played["open-hat"].ends_s == pytest.approx((0.25, 2.0))
    assert played["closed-hat"].ends_s == pytest.approx((2.0,))


def test_sections_play_their_own_pattern() -> None:
    played = one_shots.voices(
        grid(bars=4), tab("kick |x---------------|"), {"hook": tab("clap |----x-------x---|")},
        (Section("verse", 0, 2), Section("hook", 2, 1)),
    )  # fmt: skip
    assert played["kick"].starts_s == pytest.approx((0.0, 2.0, 6.0))
    assert played["clap"].starts_s == pytest.approx((4.5, 5.5))


def test_analytic_velocity_is_forty_log() -> None:
    voice = one_shots.voices(grid(bars=1), tab("kick |X---x---|"), {}, ())["kick"]
    assert 20 * np.log10(voice.gains[1] / voice.gains[0]) == pytest.approx(40 * np.log10(0.8))


def test_sound_is_placed_to_the_sample_and_ends_without_a_step() -> None:
    hit = np.ones((RATE, 2))
    voice = one_shots.voices(grid(bars=1), tab("kick |X---X---|"), {}, ())["kick"]
    laid = np.zeros((2 * RATE, hit.shape[1]))
    one_shots.add_samples(laid, hit, RATE, voice)
    assert laid.shape == (2 * RATE, 2)
    assert laid[0, 0] == 1.0
    assert laid[RATE // 2 - 1, 0] == 0.0  # faded out as the next hit starts
    assert laid[RATE // 2, 0] == 1.0


def test_energies_equal_those_of_the_sound() -> None:
    """analytic: a hit of constant power, laid with and without cuts, keeps energy = power x time a slot."""
    steps = 30  # 0.3 s at 10 ms
    cumulative = np.linspace(0.0, 0.3, steps + 1)[:, None] * np.ones((1, 3))  # power 1 in three bands
    energies = BandEnergies(cumulative=cumulative, step_s=0.01, duration_s=0.3)
    beat = grid(bars=1)
    voice = one_shots.voices(beat, tab("kick |X-------X-X-----|"), {}, ())["kick"]
    powers = one_shots.lay_energies(energies, voice, beat.first_downbeat_s + beat.slot_s * np.arange(beat.slots + 1))
    per_slot = powers[:, 0] * beat.slot_s
    # slots of 0.125 s: the first hit rings 0.3 s, the second is cut after 0.25 s by the third
    assert per_slot[:4] == pytest.approx([0.125, 0.125, 0.05, 0.0])
    assert per_slot[8:14] == pytest.approx([0.125, 0.125, 0.125, 0.125, 0.05, 0.0])
    assert powers.shape == (16, 3)


def test_off_grid_hits_share_their_energy_between_slots() -> None:
    energies = BandEnergies(cumulative=np.linspace(0, 0.1, 11)[:, None], step_s=0.01, duration_s=0.1)
    beat = grid(bars=1, swing=0.6)
    voice = one_shots.voices(beat, tab("kick |-X--------------|"), {}, ())["kick"]
    edges = beat.first_downbeat_s + beat.slot_s * np.arange(beat.slots + 1)
    energy = one_shots.lay_energies(energies, voice, edges)[:, 0] * beat.slot_s
    assert energy.sum() == pytest.approx(0.1)
    assert energy[1] == pytest.approx(0.1)  # starts at 0.15 s, ends at 0.25 s, all in the second slot


@pytest.mark.parametrize("piece", [1, 37, 999, 4_000, 40_000])
def test_pieces_of_a_voice_join_to_the_whole(piece: int) -> None:
    """Analytic: hits, cuts and fades that lie across a border come out as if there were none."""
    hit = np.random.default_rng(4).standard_normal((RATE // 3, 2))
    lines = tab("open hat |X-x-----o-x-X---|", "closed hat |---x------------|")
    voice = one_shots.voices(grid(bars=2, start=0.3), lines, {}, ())
    whole = np.zeros((5 * RATE - 123, 2))
    one_shots.add_samples(whole, hit, RATE, voice["open-hat"])
    assert whole.any()
    joined = np.zeros_like(whole)
    for first in range(0, len(whole), piece):
        part = joined[first : first + piece]
        one_shots.add_samples(
            part, hit, RATE, voice["open-hat"], start_s=first / RATE, rest=len(whole) - first - len(part)
        )
    np.testing.assert_array_equal(joined, whole)
