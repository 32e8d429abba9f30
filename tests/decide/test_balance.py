"""Balance: levels of drum parts with known answers, invariances, and a kit against its own bounce."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import drum_synthesis
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from dossier.decide import balance
from dossier.decide.balance import PartToLevel
from dossier.decide.policy import DEFAULTS, USUAL, Policy
from dossier.measure import loudness
from dossier.model.findings import Gains
from dossier.model.vocabulary import INTENTS, ROLES, Intent, Role

MUSIC_LUFS = -18.0
FADER_DB = 0.05 + 1e-9  # a gain in steps of 0.1 dB is off by half a step at most
ALL_DRUMS = USUAL.all_drums_lu


def steady(role: Role | None, lufs: float, hit_db: float | None = None, written_db: float = 0.0) -> PartToLevel:
    """A part of even energy; its hit level is the role's usual one where none is given."""
    usual = 0.0 if role is None else USUAL.roles[role].hit_level_db
    blocks = np.full(100, 10.0 ** ((lufs - loudness.OFFSET_DB) / 10.0))
    return PartToLevel(role, "level", lufs, blocks, usual if hit_db is None else hit_db, written_db)


def solve(parts: Sequence[PartToLevel], intent: Intent = "level", music_lufs: float = MUSIC_LUFS) -> list[float]:
    asked = [replace(part, intent=intent) if part.intent == "level" else part for part in parts]
    return balance.solve(asked, music_lufs=music_lufs, intent=intent, usual=USUAL,
                         loudness_of=loudness.integrated_from_blocks)  # fmt: skip


def levels(parts: Sequence[PartToLevel], gains: Sequence[float]) -> list[float]:
    return [part.integrated_lufs + gain - MUSIC_LUFS for part, gain in zip(parts, gains, strict=True)]


def together(parts: Sequence[PartToLevel], gains: Sequence[float]) -> float:
    found = loudness.integrated_from_blocks(balance.sum_of(parts, gains))
    assert found is not None
    return found - MUSIC_LUFS


@pytest.mark.parametrize("intent", INTENTS)
def test_analytic_a_loop_gets_the_level_of_all_drums(intent: Intent) -> None:
    (gain,) = solve([steady(None, -20.0)], intent)
    assert gain == pytest.approx(MUSIC_LUFS + ALL_DRUMS[intent] + 20.0, abs=FADER_DB)


@pytest.mark.parametrize("intent", INTENTS)
@pytest.mark.parametrize("roles", [("closed-hat",), ("closed-hat", "shaker"), ("kick",)])
def test_analytic_a_part_alone_or_without_a_lead_stands_at_its_usual_level(
    roles: tuple[Role, ...], intent: Intent
) -> None:
    """Hats alone are no drum part: they are not brought to the level of all drums."""
    parts = [steady(role, -20.0) for role in roles]
    asked = [USUAL.roles[role].level_lu + ALL_DRUMS[intent] - ALL_DRUMS["level"] for role in roles]
    assert levels(parts, solve(parts, intent)) == pytest.approx(asked, abs=FADER_DB)


def test_analytic_two_parts_stand_as_usual_and_sum_to_all_drums() -> None:
    """Powers of unrelated parts add: 10 log10(10^(a/10) + 10^(b/10)) is the all-drums level, a - b the roles'."""
    parts = [steady("kick", -20.0), steady("snare", -26.0)]
    kick, snare = levels(parts, solve(parts))
    apart = USUAL.roles["kick"].level_lu - USUAL.roles["snare"].level_lu
    assert kick - snare == pytest.approx(apart, abs=2 * FADER_DB)
    assert 10 * np.log10(10 ** (kick / 10) + 10 ** (snare / 10)) == pytest.approx(ALL_DRUMS["level"], abs=FADER_DB)


def test_analytic_more_of_a_part_in_its_hits_puts_it_lower_by_as_much() -> None:
    """One hit's level counts: 6 dB more of it over the part's loudness, 6 dB less level; written softer, softer."""
    plain = [steady("kick", -20.0), steady("snare", -20.0)]
    peaky = [plain[0], steady("snare", -20.0, hit_db=USUAL.roles["snare"].hit_level_db + 6.0)]
    soft = [plain[0], steady("snare", -20.0, written_db=-6.0)]
    kick, snare = levels(plain, solve(plain))
    for changed in (peaky, soft):
        first, second = levels(changed, solve(changed))
        assert (kick - snare) - (first - second) == pytest.approx(-6.0, abs=0.2)


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_the_order_of_the_parts_moves_no_gain(order: tuple[int, ...]) -> None:
    parts = [steady("kick", -20.0), steady("snare", -31.0, 9.0), steady("closed-hat", -15.0, 3.0, -4.0)]
    plain = solve(parts)
    assert solve([parts[i] for i in order]) == [plain[i] for i in order]


@given(st.floats(-24.0, 24.0), st.floats(-40.0, -10.0), st.floats(0.0, 12.0))
def test_gains_follow_the_levels_of_the_files(change_db: float, lufs: float, hit_db: float) -> None:
    """All drum files up by x: all gains down by x; the music up by x as well: none moves."""
    parts = [steady("kick", -20.0), steady("crash", lufs, hit_db)]
    moved = [
        replace(part, integrated_lufs=part.integrated_lufs + change_db, blocks=part.blocks * 10 ** (change_db / 10))
        for part in parts
    ]
    plain = solve(parts)
    assert solve(moved) == pytest.approx([gain - change_db for gain in plain], abs=0.1 + 1e-9)
    assert solve(moved, music_lufs=MUSIC_LUFS + change_db) == pytest.approx(plain, abs=0.1 + 1e-9)


@given(st.lists(st.tuples(st.sampled_from(ROLES), st.floats(-45.0, -8.0), st.floats(0.0, 14.0)), min_size=1))
def test_all_drums_meet_the_intent_whatever_the_kit(kit: list[tuple[Role, float, float]]) -> None:
    parts = [steady("kick", -18.0), *(steady(*part) for part in kit)]
    for intent in INTENTS:
        assert together(parts, solve(parts, intent)) == pytest.approx(ALL_DRUMS[intent], abs=2 * FADER_DB)


@pytest.mark.parametrize(("gains", "music"), [([5.9, 6.0], 0.0), ([-3.0, 16.0], -10.0), ([], 0.0)])
def test_analytic_above_six_decibels_the_music_comes_down_instead(gains: list[float], music: float) -> None:
    assert balance.music_gain(gains, DEFAULTS) == pytest.approx(music)
    if gains:
        said = balance.advice(Gains(gains[0], "together", -9.0, music), usual_lu=(-11.0, -8.0), lift_lu=None,
                              policy=DEFAULTS, mixes=USUAL.mixes)  # fmt: skip
        assert ("the music comes down by 10.0 dB" in said) is (music < 0.0)


def test_gains_are_whole_steps_of_a_fader() -> None:
    steps = [10.0 * gain for gain in solve([steady("kick", -20.13), steady("snare", -45.77)])]
    assert steps == pytest.approx([round(step) for step in steps], abs=1e-9)


def test_a_part_with_its_own_intent_moves_by_what_the_intents_lie_apart() -> None:
    parts = [steady("kick", -20.0), steady("closed-hat", -30.0)]
    plain, moved = solve(parts), solve([parts[0], replace(parts[1], intent="tucked")])
    assert moved[0] == plain[0]
    assert moved[1] - plain[1] == pytest.approx(ALL_DRUMS["tucked"] - ALL_DRUMS["level"], abs=0.1 + 1e-9)


def test_below_the_gate_every_part_keeps_its_usual_level() -> None:
    """Nothing of drums 50 LU down passes the gate, so that there is no offset."""
    parts = [steady("kick", -60.0), steady("closed-hat", -60.0)]
    gains = solve(parts, music_lufs=-90.0)
    asked = [USUAL.roles[role].level_lu - 30.0 for role in ("kick", "closed-hat")]
    assert gains == pytest.approx(asked, abs=FADER_DB)


def test_a_loop_and_the_same_sound_as_a_kit_are_equally_loud() -> None:
    """Analytic, on sound: the kit at its gains, bounced, is a loop that needs no gain; within 0.3 LU each."""
    rng = np.random.default_rng(3)
    sounds: dict[Role, np.ndarray] = {
        "kick": drum_synthesis.kick(rng), "snare": drum_synthesis.snare(rng),
        "closed-hat": drum_synthesis.closed_hat(rng),
    }  # fmt: skip
    hits = {"kick": (0.0, 1.0, 2.5), "snare": (0.5, 1.5, 2.5, 3.5), "closed-hat": np.arange(0.0, 4.0, 0.25)}
    laid, parts = [], []
    for role, sound in sounds.items():
        track = np.zeros((round(6.0 * drum_synthesis.RATE_HZ), 2))
        for start_s in hits[role]:
            first = round(start_s * drum_synthesis.RATE_HZ)
            track[first : first + len(sound)] += sound[: len(track) - first, None]
        laid.append(track)
        lufs = loudness.integrated(track, drum_synthesis.RATE_HZ)
        _, hit = loudness.hit_energy(np.repeat(sound[:, None], 2, axis=1), drum_synthesis.RATE_HZ)
        assert lufs is not None
        assert hit is not None
        blocks = loudness.block_energy(track, drum_synthesis.RATE_HZ)
        parts.append(PartToLevel(role, "level", lufs, blocks, hit - lufs))
    kit = solve(parts)
    bounce = sum(track * 10 ** (gain / 20) for track, gain in zip(laid, kit, strict=True))
    played = loudness.integrated(bounce, drum_synthesis.RATE_HZ)
    assert played is not None
    assert played - MUSIC_LUFS == pytest.approx(ALL_DRUMS["level"], abs=0.3)
    (gain,) = solve([PartToLevel(None, "level", played, loudness.block_energy(bounce, drum_synthesis.RATE_HZ))])
    assert gain == pytest.approx(0.0, abs=0.3)


def test_every_role_has_its_usual_level_and_any_can_be_set() -> None:
    assert set(USUAL.roles) == set(ROLES)
    for usual in USUAL.roles.values():
        assert usual.low_lu <= usual.level_lu <= usual.high_lu
        assert usual.error_low_db <= 0.0 <= usual.error_high_db
        assert usual.velocity_db <= 0.0
    assert ALL_DRUMS["tucked"] < ALL_DRUMS["level"] < ALL_DRUMS["forward"]
    own = replace(USUAL, roles={**USUAL.roles, "ride": replace(USUAL.roles["ride"], level_lu=-12.5)}, n=9)
    told = balance.usual_levels(own, Policy({"usual_closed_hat_lu": -15.0, "all_drums_level_lu": -5.0}, own))
    assert (told.roles["closed-hat"].level_lu, told.roles["ride"].level_lu, told.n) == (-15.0, -12.5, 9)
    assert told.all_drums_lu == {**ALL_DRUMS, "level": -5.0}
    assert told.roles["kick"] == USUAL.roles["kick"]


def test_no_part_no_gain() -> None:
    assert solve([]) == []


def metered(name: str, peak: float | None, lufs: float | None) -> balance.Metered:
    return balance.Metered(name=name, role="kick", sample_peak_dbfs=peak, integrated_lufs=lufs)


@pytest.mark.parametrize(
    ("peaks", "loudness", "named"),
    [((-1.0, -1.0), (-20.0, -14.0), True), ((-1.0, -1.5), (-20.0, -17.0), True), ((-1.0, -1.6), (-20.0, -14.0), False),
     ((-1.0, -1.0), (-20.0, -17.1), False), ((-1.0, None), (-20.0, -14.0), False)],
)  # fmt: skip
def test_pairs_of_equal_peak_and_unequal_loudness_are_named(
    peaks: tuple[float | None, float | None], loudness: tuple[float, float], named: bool
) -> None:
    found = balance.equal_peaks(
        [metered("a", peaks[0], loudness[0]), metered("b", peaks[1], loudness[1])], DEFAULTS, together=2
    )
    assert bool(found) is named
    if named:
        assert found[0].first == "b"  # the louder one is named first
