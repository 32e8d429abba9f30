"""Fit: the score is the sum of its terms, each in its direction; cents from the key are those of equal temperament."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from dossier.decide import fit
from dossier.decide.policy import DEFAULTS, SETTINGS, USUAL_FIT, Policy
from dossier.model.findings import Fit
from dossier.model.vocabulary import ROLES, ZONE_KEYS, Grade, Role

GOOD = Fit(job=0.9, heard_in_zones=2.0, room_filled=0.01, over=0.0, covered_music=0.02, overlap=0.03,
           audible_share=0.8, lift_lu=3.0, tempo_match=1.0, tuning_match=1.0, mono_loss_lu=0.0,
           heard_zones=dict.fromkeys(ZONE_KEYS, 0.5))  # fmt: skip
ratios = st.floats(0.0, 1.0)
SILENCE = dict.fromkeys(ZONE_KEYS, 0.0)


def score(one: Fit, role: Role | None = "kick", fill: float = 0.6) -> float:
    return fit.score(one, role=role, fill=fill, policy=DEFAULTS)[0]


@given(role=st.sampled_from([*ROLES, None]), job=ratios, room=ratios, over=ratios, covers=ratios, fill=ratios)
def test_score_is_the_sum_of_its_terms(
    role: Role | None, job: float, room: float, over: float, covers: float, fill: float
) -> None:
    one = structs.replace(GOOD, job=job, room_filled=room, over=over, covered_music=covers)
    value, terms = fit.score(one, role=role, fill=fill, policy=DEFAULTS)
    assert value == pytest.approx(sum(terms.values()))
    for grade in get_args(Grade):
        assert len(fit.why(terms, role=role, grade=grade, policy=DEFAULTS).split()) <= 8


@pytest.mark.parametrize("role", [*ROLES, None])
@pytest.mark.parametrize(
    ("field", "worse"),
    [("job", 0.2), ("heard_zones", dict.fromkeys(ZONE_KEYS, 0.001)), ("room_filled", 0.001), ("over", 0.3),
     ("covered_music", 0.5), ("tempo_match", 0.2), ("tuning_match", 0.0), ("mono_loss_lu", 3.0)],
)  # fmt: skip
def test_each_term_counts_in_its_direction(role: Role | None, field: str, worse: object) -> None:
    assert score(structs.replace(GOOD, **{field: worse}), role) < score(GOOD, role)


def test_room_counts_where_there_is_room_and_covering_where_there_is_music() -> None:
    """analytic: the one term falls in proportion to the room that is left, the other rises with the music."""
    one = structs.replace(GOOD, covered_music=0.3)
    terms = [fit.score(one, role="kick", fill=fill, policy=DEFAULTS)[1] for fill in (0.5, 0.75)]
    assert terms[1]["room"] == pytest.approx(0.5 * terms[0]["room"])
    assert terms[1]["covers"] == pytest.approx(1.5 * terms[0]["covers"])


def test_what_is_silent_comes_after_the_worst_that_is_heard() -> None:
    worst = structs.replace(GOOD, job=0.0, room_filled=0.0, over=9.0, covered_music=1.0, tempo_match=0.0,
                                tuning_match=0.0, mono_loss_lu=None)  # fmt: skip
    silent = structs.replace(GOOD, heard_zones=SILENCE, room_filled=0.0, overlap=0.0)
    assert score(silent) < score(worst)
    assert score(structs.replace(silent, overlap=0.01)) > score(worst), "covered, not silent"
    assert score(structs.replace(silent, overlap=0.01), None) < score(worst, None)
    terms = fit.score(silent, role="kick", fill=0.6, policy=DEFAULTS)[1]
    assert fit.why(terms, role="kick", grade="poor", policy=DEFAULTS) == "cannot be heard in this beat"


def test_what_is_usual_or_more_is_heard_enough() -> None:
    """analytic: each group of zones counts for its share, full at what is enough and not beyond."""
    low, click = USUAL_FIT["kick"].heard
    zones = SILENCE | {"bass": low, "presence": click}
    assert fit.heard_well(zones, "kick") == pytest.approx(1.0)
    assert fit.heard_well({**zones, "bass": 0.5 * low}, "kick") == pytest.approx(0.75)
    assert fit.heard_well({**zones, "bass": 9.0 * low, "presence": 0.0}, "kick") == pytest.approx(0.5)
    assert fit.heard_in_zones(SILENCE | {"sub": 1.0, "mid": 4.0, "high_mid": 0.5}, "kick") == pytest.approx(1.5)


def test_a_whole_drum_part_has_two_of_something_low_a_backbeat_and_a_top() -> None:
    """analytic: each of the three places counts a half, by how surely it is filled, and two are enough."""
    def job(*parts: tuple[Role, float]) -> float:
        return fit.job_of_parts([(role, likely, 1.0) for role, likely in parts], DEFAULTS)

    assert job(("kick", 0.9), ("snare", 0.9), ("closed-hat", 0.9)) == pytest.approx(1.0)
    assert job(("tom", 0.9), ("clap", 0.9)) == pytest.approx(1.0)
    assert job(("kick", 0.5 * DEFAULTS["likely_enough"])) == pytest.approx(0.25)
    assert job() == 0.0


def test_grades_follow_the_scores_of_drums_that_people_chose() -> None:
    for role in (*ROLES, None):
        usual = fit.usual_of(role)
        assert usual.poor < usual.fits_well
        told = [fit.grade(value, role) for value in (usual.fits_well, usual.fits_well - 1e-6, usual.poor - 1e-6)]
        assert told == ["fits well", "workable", "poor"]


@pytest.mark.parametrize(
    ("hz", "key", "cents"),
    [(440.0, "A minor", 0.0), (261.6256, "C major", 0.0), (440.0 * 2 ** (30 / 1200), "A minor", 30.0),
     (51.9131, "A minor", 100.0), (55.0 * 2 ** (-20 / 1200), "A minor", -20.0), (69.2957, "Db major", 0.0)],
)  # fmt: skip
def test_analytic_cents_from_the_key(hz: float, key: str, cents: float) -> None:
    """440 * 2^((n - 69) / 12); G#1 = 51.9131 Hz lies a semitone from A and from G."""
    assert abs(fit.cents_from_key(hz, key)) == pytest.approx(abs(cents), abs=0.05)


def test_unpitched_drums_have_no_tuning() -> None:
    assert fit.tuning_match(None, "D minor", gone_cents=50.0) is None
    assert fit.tuning_match(55.0, None, gone_cents=50.0) is None


def test_the_reason_names_what_it_lacks_most() -> None:
    one = structs.replace(GOOD, covered_music=0.3)
    terms = fit.score(one, role="kick", fill=0.9, policy=DEFAULTS)[1]
    said = fit.reason(one, role="kick", gain_db=-3.0, terms=terms, policy=DEFAULTS)
    assert "covers 30.0 %" in said
    assert "-3.0 dB" in said


def test_policy_is_overridable_by_name_and_every_setting_has_a_reason() -> None:
    assert Policy({"open_below": 0.5})["open_below"] == 0.5
    assert Policy()["open_below"] == DEFAULTS["open_below"]
    assert all(setting.reason and setting.unit for setting in SETTINGS)
    with pytest.raises(KeyError, match="opened_below"):
        Policy({"opened_below": 0.5})
