"""Treatments of real open sounds, measured in a full beat by the program's own ear."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stage_beat import RATE, Staged, full_music, real, staged, write_beat

from dossier.decide import plan
from dossier.decide.policy import DEFAULTS
from dossier.measure import true_peak
from dossier.model.findings import DrumFigures
from dossier.model.measures import Samples
from dossier.model.parts import PlacedCandidate
from dossier.stages.drum_meter import DrumMeter, full_figures
from dossier.treat import FAMILIES
from dossier.treat.saturation import saturate
from dossier.treat.transient import shape

NAMES = ("bd_boom", "bd_zome", "bd_haus", "sn_dub", "sn_zome", "drum_snare_hard", "drum_cymbal_closed",
         "drum_cymbal_open")  # fmt: skip


@pytest.fixture(scope="module")
def beat(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    root = tmp_path_factory.mktemp("real")
    folder = write_beat(root / "full", stems=full_music(), drums={name: real(name) for name in NAMES})
    return staged(folder, root / "cache")


def ear(beat: Staged, name: str) -> tuple[PlacedCandidate, DrumMeter]:
    """A drum, and its figures in the beat at its own gain."""
    placed = beat.placed(name)
    return placed, DrumMeter(part=placed.part, on=beat.on, frames=beat.ranking.frames, gain_db=placed.gains.db)


def test_the_beat_is_full(beat: Staged) -> None:
    """Analytic: the tests below are about a beat that leaves little room."""
    assert beat.analysis.room.fill > 0.75


@pytest.mark.parametrize("name", ["sn_dub", "sn_zome", "drum_snare_hard"])
@pytest.mark.parametrize("drive_db", [6.0, 12.0])
def test_at_equal_sample_peak_a_saturated_snare_is_louder_flatter_and_better_heard(
    beat: Staged, name: str, drive_db: float
) -> None:
    """Common practice, no source: higher integrated loudness, lower crest factor, a larger audible share."""
    part, gain_db = beat.placed(name).part, beat.placed(name).gains.db
    driven = saturate(part.samples, RATE, drive_db=drive_db)
    before, after = (full_figures(beat.here.scene, part, sound, gain_db)[0] for sound in (part.samples, driven))
    assert after.sample_peak_dbfs == pytest.approx(before.sample_peak_dbfs, abs=1e-6)
    assert after.integrated_lufs > before.integrated_lufs + 1.0
    assert after.crest_factor_db < before.crest_factor_db - 1.0
    assert after.audible_share > before.audible_share + 0.05


@pytest.mark.parametrize("name", ["bd_boom", "bd_zome"])
def test_truncation_of_a_long_kick_takes_a_third_of_its_overlap_and_leaves_it_audible(beat: Staged, name: str) -> None:
    """Common practice, no source: where the search recommends truncation, at a goal of a third."""
    placed, hear = ear(beat, name)
    found = plan.search(
        placed.part.samples, RATE, candidate=name, role="kick", direction="leaner", measure=hear.figures,
        measure_at_gain=hear.turned, families={"truncation": FAMILIES["truncation"]}, true_peak=true_peak.true_peak,
        policy={**DEFAULTS, "plan_gain_goal": 1.0 / 3.0, "plan_least_offered": 0.1}, most_evaluations=60,
    )  # fmt: skip
    assert [step.treatment for step in found.plan.steps][:1] == ["truncation"]
    before, after = found.plan.before, found.plan.after
    assert after.overlap <= 2.0 / 3.0 * before.overlap
    assert after.audible_share > 0.9 * before.audible_share
    assert len(found.samples) < len(placed.part.samples)


def test_a_short_kick_is_not_recommended_to_be_truncated(beat: Staged) -> None:
    """Common practice, no source: what is short already loses its sound before it loses overlap."""
    placed, hear = ear(beat, "bd_haus")
    found = plan.search(
        placed.part.samples, RATE, candidate="bd_haus", role="kick", direction="leaner", measure=hear.figures,
        measure_at_gain=hear.turned, families={"truncation": FAMILIES["truncation"]}, true_peak=true_peak.true_peak,
        policy=DEFAULTS, most_evaluations=60,
    )  # fmt: skip
    assert not found.plan.helped
    assert found.samples is placed.part.samples


@pytest.mark.parametrize("name", ["drum_cymbal_closed", "drum_cymbal_open"])
@pytest.mark.parametrize("attack_db", [-4.0, -8.0])
def test_a_hat_with_a_softened_attack_spills_less(beat: Staged, name: str, attack_db: float) -> None:
    """Common practice, no source: less of it stands above the reference, and less of it is lost."""
    placed, hear = ear(beat, name)
    before = hear.figures(placed.part.samples)
    after = hear.figures(shape(placed.part.samples, RATE, attack_db=attack_db))
    assert after.spill < 0.95 * before.spill
    assert after.overlap < before.overlap


@pytest.mark.parametrize(
    ("name", "role"), [("bd_zome", "kick"), ("sn_zome", "snare"), ("drum_cymbal_open", "open-hat")]
)
@pytest.mark.parametrize("direction", ["fuller", "leaner"])
def test_a_search_over_everything_holds_what_it_promises(beat: Staged, name: str, role, direction) -> None:
    """Analytic: what the plan claims is what its sound measures; peaks and shares are held; no number is missing."""
    placed, hear = ear(beat, name)
    found = plan.search(
        placed.part.samples, RATE, candidate=name, role=role, direction=direction, measure=hear.figures,
        measure_at_gain=hear.turned, families=FAMILIES, true_peak=true_peak.true_peak, policy=DEFAULTS,
        most_evaluations=20,
    )  # fmt: skip
    before, after = found.plan.before, found.plan.after
    again = hear.figures(found.samples)
    for field in ("room_filled", "spill", "overlap", "buried", "audible_share", "integrated_lufs"):
        assert getattr(after, field) == pytest.approx(getattr(again, field), abs=1e-6)
    assert after.true_peak_dbtp == pytest.approx(20.0 * np.log10(true_peak.true_peak(found.samples)), abs=1e-3)
    assert np.isfinite(found.samples).all()
    assert after.true_peak_dbtp <= before.true_peak_dbtp + 1e-3
    if not found.plan.helped:
        return
    met = found.plan.reason.startswith("Brings")
    if direction == "fuller":
        assert after.room_filled > (1.25 if met else 1.0) * before.room_filled
        assert after.audible_share >= before.audible_share - 0.01
    else:
        assert after.overlap < (0.75 if met else 1.0) * before.overlap
        assert after.audible_share >= 0.9 * before.audible_share


@pytest.mark.parametrize(("frames", "polarity"), [(-882, 1), (-350, -1), (441, -1), (882, 1)])
def test_a_second_file_is_lined_up_to_the_sample_within_20_ms(beat: Staged, frames: int, polarity: int) -> None:
    """Analytic: a real snare with a bright layer of its own, planted late or early by up to 20 ms, perhaps inverted."""
    sound = beat.placed("sn_dub").part.samples[: RATE // 5]
    hat = np.zeros_like(sound)
    bright = beat.placed("drum_cymbal_closed").part.samples[: len(sound)]
    hat[: len(bright)] = 0.2 * bright
    layer = polarity * np.vstack([np.zeros((1000 + frames, 2)), sound + hat])
    _, hear = ear(beat, "sn_dub")
    like = hear.figures(sound)

    def pleased(samples: Samples) -> DrumFigures:
        """An ear that likes whatever is not the untreated drum: the alignment is asked about, not the taste."""
        return replace(like, room_filled=0.10 if len(samples) == 1000 + len(sound) else 0.20)

    found = plan.search(
        np.vstack([np.zeros((1000, 2)), sound]), RATE, candidate="sn_dub", role="snare", direction="fuller",
        measure=pleased, families={"layering": FAMILIES["layering"]}, true_peak=true_peak.true_peak,
        policy=DEFAULTS, most_evaluations=60,
        layers={"drums/bright.wav": np.vstack([layer, np.zeros((2000, 2))])},
    )  # fmt: skip
    amounts = found.plan.steps[0].amounts
    assert amounts["delay_ms"] == pytest.approx(-1000.0 * frames / RATE, abs=1e-6)
    assert amounts["polarity"] == ("as it is" if polarity > 0 else "invert")
    assert isinstance(amounts["gain_db"], float)
    assert "layer drums/bright.wav at" in found.plan.steps[0].label
