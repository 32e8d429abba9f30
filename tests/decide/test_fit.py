"""Fit: the score is the sum of its terms, and the key's cents are those of equal temperament."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.decide import fit
from dossier.decide.policy import DEFAULTS, SETTINGS, Policy
from dossier.model.findings import Fit

GOOD = Fit(room_filled=0.2, spill=0.01, overlap=0.03, buried=0.02, audible_share=0.8, lift_lu=3.0, tempo_match=1.0,
           tuning_match=1.0, mono_loss_lu=0.0)  # fmt: skip
ratios = st.floats(0.0, 1.0)


@given(room=ratios, spill=ratios, overlap=ratios, buried=ratios, share=ratios)
def test_score_is_the_sum_of_its_terms(room: float, spill: float, overlap: float, buried: float, share: float) -> None:
    value, terms = fit.score(
        dataclasses.replace(GOOD, room_filled=room, spill=spill, overlap=overlap, buried=buried, audible_share=share),
        fill=0.6, policy=DEFAULTS,
    )  # fmt: skip
    assert value == pytest.approx(sum(terms.values()))


@pytest.mark.parametrize(
    ("field", "worse"),
    [("spill", 0.1), ("overlap", 0.2), ("buried", 0.2), ("audible_share", 0.1), ("tempo_match", 0.2),
     ("tuning_match", 0.0), ("mono_loss_lu", 3.0), ("room_filled", 0.1)],
)  # fmt: skip
def test_each_term_counts_in_its_direction(field: str, worse: float) -> None:
    good, _ = fit.score(GOOD, fill=0.6, policy=DEFAULTS)
    bad, _ = fit.score(dataclasses.replace(GOOD, **{field: worse}), fill=0.6, policy=DEFAULTS)
    assert bad < good


def test_room_is_worth_more_where_there_is_more_of_it() -> None:
    """analytic: the term falls in proportion to the room that is left; that of burying rises with the music."""
    terms = [fit.score(GOOD, fill=fill, policy=DEFAULTS)[1] for fill in (0.5, 0.75)]
    assert terms[1]["room"] == pytest.approx(0.5 * terms[0]["room"])
    assert terms[1]["buried"] == pytest.approx(1.5 * terms[0]["buried"])
    assert terms[1]["overlap"] == terms[0]["overlap"]


def test_a_missed_share_counts_by_the_part_that_is_missing() -> None:
    """analytic: half of what is usual costs half the weight; more than usual costs nothing."""
    for share, part in ((0.5, 0.5), (1.0, 0.0), (1.5, 0.0)):
        there = dataclasses.replace(GOOD, audible_share=share * DEFAULTS["usual_share"])
        terms = fit.score(there, fill=0.5, policy=DEFAULTS)[1]
        assert terms["audibility"] == pytest.approx(-part * DEFAULTS["weight_share"])


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


def test_the_reason_names_what_weighs_most() -> None:
    heavy = dataclasses.replace(GOOD, buried=0.3)
    _, terms = fit.score(heavy, fill=0.6, policy=DEFAULTS)
    said = fit.reason(heavy, gain_db=-3.0, terms=terms, policy=DEFAULTS)
    assert "hides 30.0 %" in said
    assert "-3.0 dB" in said


def test_policy_is_overridable_by_name_and_every_setting_has_a_reason() -> None:
    assert Policy({"open_below": 0.5})["open_below"] == 0.5
    assert Policy()["open_below"] == DEFAULTS["open_below"]
    assert all(setting.reason and setting.unit for setting in SETTINGS)
    with pytest.raises(KeyError, match="opened_below"):
        Policy({"opened_below": 0.5})
