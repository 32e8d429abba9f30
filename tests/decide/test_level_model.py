"""Levels of drum parts: known answers, invariances, and a kit against its own bounce."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import drum_synthesis
import level_model
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from level_model import ALL_DRUMS_LU, USUAL_LEVELS, DrumLevels, PartToLevel

from dossier.measure import loudness
from dossier.model.vocabulary import INTENTS, ROLES, Intent, Role

MUSIC_LUFS = -18.0
FADER_DB = 0.05 + 1e-9  # a gain in steps of 0.1 dB is off by half a step at most


def steady(role: Role, lufs: float, hit_db: float | None = None, velocity_db: float | None = None) -> PartToLevel:
    """A part of even energy; its hit level is the role's usual one where none is given."""
    energy = np.full(100, 10.0 ** ((lufs - loudness.OFFSET_DB) / 10.0))
    return PartToLevel(role, lufs, energy, USUAL_LEVELS[role].hit_level_db if hit_db is None else hit_db, velocity_db)


def solve(parts: Sequence[PartToLevel], intent: Intent = "level", music_lufs: float = MUSIC_LUFS) -> DrumLevels:
    return level_model.solve(parts, music_lufs=music_lufs, loudness_of=loudness.integrated_from_blocks, intent=intent)


def gains(found: DrumLevels) -> list[float]:
    return [part.gain_db for part in found.parts]


@pytest.mark.parametrize("intent", INTENTS)
def test_analytic_one_part_gets_the_level_of_all_drums(intent: Intent) -> None:
    """gain = music + all drums - part: nothing of the role is left where one part is the whole kit."""
    found = solve([steady("kick", -20.0)], intent)
    assert found.parts[0].gain_db == pytest.approx(MUSIC_LUFS + ALL_DRUMS_LU[intent] + 20.0, abs=FADER_DB)
    assert found.parts[0].level_lu == pytest.approx(found.all_drums_lu, abs=1e-6)


def test_analytic_two_parts_stand_as_usual_and_sum_to_all_drums() -> None:
    """Powers of unrelated parts add: 10 log10(10^(a/10) + 10^(b/10)) is the all-drums level, a - b the roles'."""
    found = solve([steady("kick", -20.0), steady("snare", -26.0)])
    kick, snare = (part.level_lu for part in found.parts)
    apart = USUAL_LEVELS["kick"].level_lu - USUAL_LEVELS["snare"].level_lu
    assert kick - snare == pytest.approx(apart, abs=2 * FADER_DB)
    assert 10 * np.log10(10 ** (kick / 10) + 10 ** (snare / 10)) == pytest.approx(ALL_DRUMS_LU["level"], abs=FADER_DB)


def test_analytic_more_of_a_part_in_its_hits_puts_it_lower_by_as_much() -> None:
    """One hit's level counts: 6 dB more of it over the part's loudness, 6 dB less level."""
    usual = USUAL_LEVELS["snare"].hit_level_db
    kick, snare = (part.level_lu for part in solve([steady("kick", -20.0), steady("snare", -20.0)]).parts)
    peaky = solve([steady("kick", -20.0), steady("snare", -20.0, hit_db=usual + 6.0)])
    assert (kick - snare) - (peaky.parts[0].level_lu - peaky.parts[1].level_lu) == pytest.approx(-6.0, abs=0.2)


def test_a_pattern_that_is_played_softer_stays_softer() -> None:
    """Analytic: the same file at velocities 6 dB lower keeps its gain beside another part."""
    kick, snare = steady("kick", -20.0, velocity_db=0.0), steady("snare", -20.0, velocity_db=0.0)
    softer = replace(snare, integrated_lufs=-26.0, energy=snare.energy * 10**-0.6, velocity_db=-6.0)
    before, after = gains(solve([kick, snare])), gains(solve([kick, softer]))
    assert after[1] - after[0] == pytest.approx(before[1] - before[0], abs=0.1 + 1e-9)


def test_velocities_of_an_assumed_pattern_count_for_nothing() -> None:
    usual = USUAL_LEVELS["snare"]
    assert level_model.usual_level(steady("snare", -20.0)) == pytest.approx(usual.level_lu)
    assert level_model.usual_level(steady("snare", -20.0, velocity_db=usual.velocity_db)) == pytest.approx(
        usual.level_lu
    )


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_the_order_of_the_parts_moves_no_gain(order: tuple[int, ...]) -> None:
    parts = [steady("kick", -20.0), steady("snare", -31.0, 9.0), steady("closed-hat", -15.0, 3.0, -4.0)]
    plain = gains(solve(parts))
    assert gains(solve([parts[i] for i in order])) == [plain[i] for i in order]


@given(st.floats(-24.0, 24.0), st.floats(-40.0, -10.0), st.floats(0.0, 12.0))
def test_gains_follow_the_levels_of_the_files(change_db: float, lufs: float, hit_db: float) -> None:
    """All drum files up by x: all gains down by x; the music up by x as well: none moves."""
    parts = [steady("kick", -20.0), steady("crash", lufs, hit_db)]
    moved = [
        replace(part, integrated_lufs=part.integrated_lufs + change_db, energy=part.energy * 10 ** (change_db / 10))
        for part in parts
    ]

    def to_music(found: DrumLevels) -> list[float]:
        return [part.gain_db - found.music_gain_db for part in found.parts]

    plain = to_music(solve(parts))
    assert to_music(solve(moved)) == pytest.approx([gain - change_db for gain in plain], abs=0.1 + 1e-9)
    assert to_music(solve(moved, music_lufs=MUSIC_LUFS + change_db)) == pytest.approx(plain, abs=0.1 + 1e-9)


@given(st.lists(st.tuples(st.sampled_from(ROLES), st.floats(-45.0, -8.0), st.floats(0.0, 14.0)), min_size=1))
def test_all_drums_meet_the_intent_whatever_the_kit(kit: list[tuple[Role, float, float]]) -> None:
    for intent in INTENTS:
        found = solve([steady(*part) for part in kit], intent)
        assert found.all_drums_lu == pytest.approx(ALL_DRUMS_LU[intent], abs=2 * FADER_DB)
        assert all(part.low_db <= part.gain_db <= part.high_db for part in found.parts)


def test_above_six_decibels_the_music_comes_down_instead() -> None:
    """Analytic: a part that asks for +16 dB gets +6, and the music -10; their levels stay."""
    loud = solve([steady("kick", -20.0), steady("snare", -20.0)])
    quiet = solve([steady("kick", -20.0), steady("snare", -45.0)])
    assert max(gains(quiet)) == pytest.approx(level_model.MOST_GAIN_DB)
    assert quiet.music_gain_db < 0.0
    assert loud.music_gain_db == 0.0
    assert [part.level_lu for part in quiet.parts] == pytest.approx([p.level_lu for p in loud.parts], abs=0.1 + 1e-9)


def test_gains_are_whole_steps_of_a_fader() -> None:
    found = solve([steady("kick", -20.13), steady("snare", -45.77)])
    steps = [10.0 * gain for gain in [*gains(found), found.music_gain_db]]
    assert steps == pytest.approx([round(step) for step in steps], abs=1e-9)


def test_a_part_with_its_own_intent_moves_by_what_the_intents_lie_apart() -> None:
    parts = [steady("kick", -20.0), steady("closed-hat", -30.0)]
    plain, moved = gains(solve(parts)), gains(solve([parts[0], replace(parts[1], intent="tucked")]))
    assert moved[0] == plain[0]
    assert moved[1] - plain[1] == pytest.approx(ALL_DRUMS_LU["tucked"] - ALL_DRUMS_LU["level"], abs=0.1 + 1e-9)


def test_below_the_gate_every_part_keeps_its_usual_level() -> None:
    """Nothing of drums 50 LU down passes the gate, so that there is no offset."""
    found = solve([steady("kick", -60.0)], music_lufs=-90.0)
    assert found.parts[0].level_lu == pytest.approx(USUAL_LEVELS["kick"].level_lu, abs=FADER_DB)


def test_a_loop_and_the_same_sound_as_a_kit_are_equally_loud() -> None:
    """Analytic, on sound: the kit at its gains, bounced, is a loop that needs no gain; within 0.3 LU each."""
    rng = np.random.default_rng(3)
    sounds = {"kick": drum_synthesis.kick(rng), "snare": drum_synthesis.snare(rng),
              "closed-hat": drum_synthesis.closed_hat(rng)}  # fmt: skip
    hits = {"kick": (0.0, 1.0, 2.5), "snare": (0.5, 1.5, 2.5, 3.5), "closed-hat": np.arange(0.0, 4.0, 0.25)}
    laid, parts = [], []
    for role, sound in sounds.items():
        track = np.zeros((round(6.0 * drum_synthesis.RATE_HZ), 2))
        for start_s in hits[role]:
            first = round(start_s * drum_synthesis.RATE_HZ)
            track[first : first + len(sound)] += sound[: len(track) - first, None]
        laid.append(track)
        lufs = loudness.integrated(track, drum_synthesis.RATE_HZ)
        assert lufs is not None
        energy = loudness.block_energy(track, drum_synthesis.RATE_HZ)
        hit = float(loudness.OFFSET_DB + 10 * np.log10(energy.max()))
        parts.append(PartToLevel(role, lufs, energy, hit - lufs, 0.0))  # type: ignore[arg-type]
    kit = solve(parts)
    bounce = sum(track * 10 ** (gain / 20) for track, gain in zip(laid, gains(kit), strict=True))
    played = loudness.integrated(bounce, drum_synthesis.RATE_HZ)
    assert played is not None
    assert played - MUSIC_LUFS - kit.music_gain_db == pytest.approx(ALL_DRUMS_LU["level"], abs=0.3)
    loop = solve([PartToLevel(None, played, loudness.block_energy(bounce, drum_synthesis.RATE_HZ))])
    assert loop.parts[0].level_lu == pytest.approx(played - MUSIC_LUFS - kit.music_gain_db, abs=0.3)
    assert loop.parts[0].level_lu == pytest.approx(ALL_DRUMS_LU["level"], abs=FADER_DB)


def test_every_role_has_its_usual_level() -> None:
    assert set(USUAL_LEVELS) == set(ROLES)
    for usual in USUAL_LEVELS.values():
        assert usual.low_lu <= usual.level_lu <= usual.high_lu
        assert usual.error_low_db <= 0.0 <= usual.error_high_db
        assert usual.velocity_db <= 0.0
    assert ALL_DRUMS_LU["tucked"] < ALL_DRUMS_LU["level"] < ALL_DRUMS_LU["forward"]


def test_no_part_no_gain() -> None:
    assert solve([]) == DrumLevels((), 0.0, ALL_DRUMS_LU["level"])
