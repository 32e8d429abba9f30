"""Level in a plan: what is left of a gain at equal loudness, make-up of a leaner drum, the output level."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from masking_beat import DENSE, FIGURES, RATE, SPARSE, played, snare

from dossier.decide.plan import SearchResult, search, with_figures
from dossier.decide.plan.goals import judge
from dossier.decide.plan.text import change, side_effects
from dossier.decide.policy import DEFAULTS
from dossier.measure.true_peak import true_peak
from dossier.model.findings import DrumFigures
from dossier.model.measures import Samples
from dossier.treat import FAMILIES, Family
from dossier.treat.eq import covered_line


def run(drum: Samples, direction, beat, **options) -> SearchResult:
    def measure_at_gain(samples: Samples, gain_db: float) -> DrumFigures:
        return beat.figures(samples * 10.0 ** (gain_db / 20.0))

    efforts = {"plan_effort_flat": 1.0, "plan_effort_soft": 1.0}
    options = {"families": FAMILIES, "measure_at_gain": measure_at_gain, **options}
    return search(drum, RATE, candidate="drums/snare.wav", role="snare", direction=direction, measure=beat.figures,
                  true_peak=true_peak, policy=DEFAULTS | efforts, most_evaluations=60, **options)  # fmt: skip


def one(name: str, effect, direction) -> Family:
    """A treatment of five strengths, `effect(samples, strength)`."""
    return Family(
        name=name, directions=(direction,),
        amount_lines=lambda **_: (tuple({"strength": s} for s in (0.2, 0.4, 0.6, 0.8, 1.0)),),
        apply=lambda samples, rate_hz, *, strength: effect(samples, strength),
        words=lambda strength: f"{name} {strength}", sheet=(),
    )  # fmt: skip


def lower_peak(samples: Samples, strength: float) -> Samples:
    """Flattens the first two milliseconds only: at the same peak the rest is simply louder."""
    out = samples.copy()
    out[: RATE // 500] *= 1.0 - 0.8 * strength
    return out


def softer(samples: Samples, strength: float) -> Samples:
    return samples * 10.0 ** (-12.0 * strength / 20.0)


def spiky_snare() -> Samples:
    out = 0.3 * snare()
    out[10] = 0.9
    return out


def test_a_treatment_that_is_only_louder_at_its_peak_is_not_called_fuller() -> None:
    """Analytic: the same sound under a lower peak gains room at equal true peak and none at equal loudness."""
    families = {"flat": one("flat", lower_peak, "fuller")}
    result = run(spiky_snare(), "fuller", SPARSE, families=families)
    plan = result.plan
    assert not plan.reason.startswith("Brings room filled") or "mostly by being louder" in plan.reason
    assert "at equal loudness" in plan.reason
    blind = run(spiky_snare(), "fuller", SPARSE, families=families, measure_at_gain=None).plan
    assert blind.helped
    assert "at equal loudness" not in blind.reason


@pytest.mark.parametrize(("matched", "met"), [(0.1051, True), (0.104, False)])
def test_a_part_of_the_gain_must_be_left_at_equal_loudness(matched: float, met: bool) -> None:
    """Analytic: 5 % of what was filled before."""
    after = replace(FIGURES, room_filled=0.13)
    verdict = judge(FIGURES, after, "fuller", DEFAULTS, matched=replace(FIGURES, room_filled=matched))
    assert verdict.gain == pytest.approx(0.3)
    assert (verdict.met, verdict.only_level) == (met, not met)


def test_a_drum_that_is_turned_down_is_not_leaner() -> None:
    """Analytic: a fader lowers overlap, but the loudness is made up again, so nothing is left to offer."""
    plan = run(snare(), "leaner", DENSE, families={"soft": one("soft", softer, "leaner")}).plan
    assert not plan.helped
    assert plan.after == plan.before


def test_a_leaner_drum_keeps_its_loudness_as_far_as_its_peak_allows() -> None:
    """Analytic: not softer than before unless the true peak stands in the way, and never a higher peak."""
    drum = snare()
    result = run(drum, "leaner", DENSE)
    assert result.plan.helped
    before, after = result.plan.before, result.plan.after
    assert before.true_peak_dbtp is not None
    assert after.true_peak_dbtp is not None
    assert before.integrated_lufs is not None
    assert after.integrated_lufs is not None
    assert after.true_peak_dbtp <= before.true_peak_dbtp + 1e-6
    at_peak = after.true_peak_dbtp > before.true_peak_dbtp - 0.02
    assert at_peak or after.integrated_lufs == pytest.approx(before.integrated_lufs, abs=0.02)
    assert after.audible_share == pytest.approx(DENSE.figures(result.samples).audible_share, abs=1e-9)


@pytest.mark.parametrize(("direction", "beat"), [("fuller", SPARSE), ("leaner", DENSE)])
def test_the_output_level_is_told_and_plays(direction, beat) -> None:
    """Analytic: the steps, output level included, are the returned samples without any further matching."""
    drum = snare()
    result = run(drum, direction, beat, layers={})
    assert np.allclose(played(drum, result.plan.steps, {}), result.samples, atol=1e-12)
    told = [step for step in result.plan.steps if step.treatment == "output level"]
    for step in told:
        assert step is result.plan.steps[-1]
        assert FAMILIES["output level"].settings(step.amounts)[0][2] == "dB"


def test_amounts_made_for_this_beat_are_tried_too() -> None:
    """Analytic: a line of its own is measured, and taken where it does what the others cannot."""
    dull = {"EQ": (covered_line(900.0, 4000.0),)}
    plan = run(snare(), "leaner", DENSE, families={"EQ": FAMILIES["EQ"]}, own_lines=dull).plan
    shapes = [step.amounts for step in plan.steps if step.treatment == "EQ"]
    tried = [row.label for row in plan.tried]
    assert any(a.get("hz") == 1900.0 for a in shapes) or any("1.9 kHz" in label for label in tried)


@pytest.mark.parametrize(
    ("options", "shape", "hz"),
    [({"to_top": True}, "low-pass", 1000.0), ({"from_bottom": True}, "high-pass", 4000.0), ({}, "bell", 2000.0)],
)
def test_a_covered_range_is_taken_back_from_the_side_where_nothing_is_heard(options, shape, hz) -> None:
    """Analytic: 1 to 4 kHz: a pass whose strongest amount stands at the range's edge, or a bell at its middle."""
    line = covered_line(1000.0, 4000.0, **options)
    assert {amounts["shape"] for amounts in line} == {shape}
    assert line[-1]["hz"] == hz
    assert len(line) == 5
    if shape == "bell":
        assert line[0]["q"] == pytest.approx(2000.0 / 3000.0, abs=0.01)  # width over centre
        assert [amounts["gain_db"] for amounts in line] == sorted((a["gain_db"] for a in line), reverse=True)


def test_words_leave_out_what_does_not_move() -> None:
    """Analytic: parts that read the same before and after are not told; both peaks read -0.9 dBTP."""
    after = replace(FIGURES, room_filled=0.13, true_peak_dbtp=-0.94, integrated_lufs=-18.6)
    verdict = judge(FIGURES, after, "fuller", DEFAULTS, matched=replace(FIGURES, room_filled=0.11))
    assert change(FIGURES, after, verdict) == "room filled from 10.0 to 13.0 % (+30 %, at equal loudness +10 %)"
    assert side_effects(FIGURES, after, verdict, DEFAULTS) == "loudness -20.0 to -18.6 LUFS"
    still = replace(FIGURES, room_filled=0.13)
    assert side_effects(FIGURES, still, judge(FIGURES, still, "fuller", DEFAULTS), DEFAULTS) == ""


def test_figures_of_the_whole_beat_carry_their_own_gain_at_equal_loudness() -> None:
    """Analytic: the sentence is told from what it is given."""
    plan = run(snare(), "fuller", SPARSE).plan
    told = with_figures(plan, before=FIGURES, after=replace(FIGURES, room_filled=0.13), policy=DEFAULTS,
                        matched=replace(FIGURES, room_filled=0.101))  # fmt: skip
    assert "(+30 %, at equal loudness +1 %)" in told.reason
    assert "mostly by being louder under the same peak" in told.reason
