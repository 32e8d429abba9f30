"""Treatments of real open sounds (tests/data, CC0) over small musics, heard by the program's own ear."""

from __future__ import annotations

import numpy as np
import pytest
from common_beats import Ranked, ranked
from common_beats import write_beat as write_common
from msgspec.structs import replace
from stage_beat import RATE, Staged, full_music, real, staged, write_beat
from test_fit_axioms import KICKS, SNARES, musics

from dossier.cache import Cache
from dossier.decide import fit, plan
from dossier.decide.plan.goals import judge
from dossier.decide.policy import DEFAULTS
from dossier.measure import in_beat, true_peak
from dossier.model.findings import DrumFigures
from dossier.model.measures import Samples
from dossier.model.parts import PlacedCandidate, Played
from dossier.model.scene import InBeat
from dossier.model.situation import Situation
from dossier.model.vocabulary import Direction
from dossier.stages.candidates import as_it_plays, part_powers
from dossier.stages.drum_meter import DrumMeter
from dossier.stages.gains import base_gains
from dossier.stages.treatments import PlanSearch, over_zones, search
from dossier.treat import FAMILIES, eq
from dossier.treat.saturation import saturate
from dossier.treat.transient import shape

DRUMS = {**{f"kick-{name}": file for name, file in KICKS.items()},
         **{f"snare-{name}": file for name, file in SNARES.items()}, "hat-closed": "drum_cymbal_closed",
         "loop-breakbeat": "loop_breakbeat", "loop-industrial": "loop_industrial"}  # fmt: skip
MUSICS = ("bass", "plucks", "full")


@pytest.fixture(scope="module")
def beat(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    root = tmp_path_factory.mktemp("real")
    names = ("sn_dub", "sn_zome", "drum_snare_hard", "drum_cymbal_closed", "drum_cymbal_open")
    folder = write_beat(root / "full", stems=full_music(), drums={name: real(name) for name in names})
    return staged(folder, root / "cache")


@pytest.fixture(scope="module")
def beats(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ranked]:
    root = tmp_path_factory.mktemp("plans")
    cache = Cache(root / "cache")
    every = musics()
    return {name: ranked(write_common(root / name, every[name], DRUMS, bpm=120.0), cache) for name in MUSICS}


def meter(here: Situation, placed: PlacedCandidate) -> DrumMeter:
    """A drum in the whole beat."""

    def gain_of(plays: Played) -> float:
        return base_gains([(placed.part, plays)], here.conditions, here.music.integrated_lufs)[0]

    return DrumMeter(placed.part, here.scene, placed.gains.db, gain_of)


def planned(beat: Ranked, placed: PlacedCandidate, direction: Direction, **policy: float):
    """The plan of one drum, as the stage searches it."""
    here = beat.analysis.here
    conditions = replace(here.conditions, policy={**here.policy, **policy})
    on = here.scene.subset(beat.ranking.frames)
    over = tuple(over_zones(on, placed, beat.ranking.frames))
    return search(PlanSearch(
        part=placed.part, gain_db=placed.gains.db, to_set_db=placed.gains.to_set_db, scene=here.scene,
        conditions=conditions, music_lufs=here.music.integrated_lufs, frames=beat.ranking.frames, direction=direction,
        layers={}, adds_in={}, own_lines={}, over_hz=over, most=40, cycle_bars=1,
    ))  # fmt: skip


def as_loud(beat: Ranked, placed: PlacedCandidate, samples: Samples) -> tuple[InBeat, InBeat]:
    """What a drum does untreated and treated, both at the untreated one's integrated loudness on the grid."""
    here, part = beat.analysis.here, placed.part
    treated = part.with_samples(samples)
    was, now = (as_it_plays(one, here.duration_s).integrated_lufs for one in (part, treated))
    gains = placed.gains.db, placed.gains.db + was - now
    first, second = (
        in_beat.measure(here.scene, in_beat.place(here.scene, part_powers(one), gain_db=gain))
        for one, gain in zip((part, treated), gains, strict=True)
    )
    return first, second


def test_what_is_advised_helps_at_equal_loudness_and_the_rest_is_left(beats: dict[str, Ranked]) -> None:
    """analytic, measured beside the search: a tenth more room and no more over, or a fifth less covered and as much of
    it heard; where nothing is advised nothing is changed, and it says so."""
    advised = {"fuller": 0, "leaner": 0}
    for music, beat in beats.items():
        for placed in (*beat.ranking.kit_parts, *beat.ranking.loops[:1]):
            for direction in ("fuller", "leaner"):
                found = planned(beat, placed, direction)
                told = found.plan
                if not told.helped:
                    assert (told.steps, told.after) == ((), told.before)
                    assert found.samples is placed.part.samples
                    assert told.reason.startswith(("Leave it as it is", "It covers next to no music")), told.reason
                    continue
                where = (music, placed.drum.name, told.steps)
                advised[direction] += 1
                before, after = as_loud(beat, placed, found.samples)
                assert told.at_equal_loudness.integrated_lufs == pytest.approx(told.before.integrated_lufs, abs=0.1)
                assert told.at_equal_loudness.room_filled == pytest.approx(after.room_filled, abs=1e-4)
                if direction == "fuller":
                    assert after.room_filled >= max(1.099 * before.room_filled, before.room_filled + 0.0099), where
                    assert told.after.room_filled > told.before.room_filled, where
                else:
                    covers = [side.buried + side.spill for side in (before, after)]
                    assert covers[1] <= 0.801 * covers[0], where
                    heard = [fit.heard_in_zones(side.heard_zones, placed.part.role) for side in (before, after)]
                    assert heard[1] >= 0.899 * heard[0], where
                assert after.spill <= before.spill + 0.0006, where
                if placed.part.role is not None:
                    assert told.after.job >= told.before.job - 0.02, where
    assert min(advised.values()) >= 1, advised


@pytest.mark.parametrize(
    ("role", "kind", "hz"),
    [("kick", "low-pass", 800.0), ("kick", "high-pass", 300.0), ("snare", "low-pass", 1000.0),
     ("snare", "high-pass", 3000.0), ("closed-hat", "low-pass", 4000.0)],
)  # fmt: skip
def test_no_eq_takes_a_drums_job(beats: dict[str, Ranked], role: str, kind: str, hz: float) -> None:
    """common practice, no source: a kick keeps its click and its weight, a snare its crack and its body, a hat its
    air, however well the rest may fill or give way; a decibel of a shelf takes nothing."""
    for music, beat in beats.items():
        for placed in [item for item in beat.ranking.kit_parts if item.part.role == role]:
            hear, sound = meter(beat.analysis.here, placed), placed.part.samples
            before = hear.final(sound)

            def broken(before: DrumFigures, hear: DrumMeter, sound: Samples, **amounts) -> str:
                changed = eq.equalise(sound, 48_000, **amounts)
                level = replace(hear.level(changed), job=hear.final(changed).job, spill=0.0, buried=0.0)
                return judge(before, level, "leaner", role, DEFAULTS).broken

            heard = [sum(before.heard_zones[zone] for zone in group) for group in fit.OWN_ZONES[role]]
            if min(heard) > 0.01:
                assert broken(before, hear, sound, shape=kind, hz=hz), (music, placed.drum.name)
            if min(heard) > 0.2:
                assert not broken(before, hear, sound, shape="high shelf", hz=6000.0, gain_db=-1.0), placed.drum.name


def test_a_zone_that_is_over_is_never_boosted(beats: dict[str, Ranked]) -> None:
    """analytic: over music whose bass is over the reference with the drum in, no plan's EQ lifts a zone that is."""
    over = 0
    for beat in beats.values():
        frames = beat.ranking.frames
        for placed in beat.ranking.kit_parts:
            zones = over_zones(beat.analysis.here.scene.subset(frames), placed, frames)
            over += bool(zones)
            for step in planned(beat, placed, "fuller", plan_fuller_goal=0.01, plan_least=0.0).plan.steps:
                if step.treatment == "EQ" and float(step.amounts.get("gain_db", 0.0)) > 0.0:
                    assert not any(low <= float(step.amounts["hz"]) < high for low, high in zones)
    assert over
    assert [amounts["gain_db"] for amounts in eq.over_line(20.0, 60.0)] == [-1.5, -3.0, -4.5, -6.0]


@pytest.mark.parametrize("name", ["sn_dub", "sn_zome", "drum_snare_hard"])
@pytest.mark.parametrize("drive_db", [6.0, 12.0])
def test_at_equal_sample_peak_a_saturated_snare_is_louder_and_flatter(
    beat: Staged, name: str, drive_db: float
) -> None:
    """Common practice, no source: higher integrated loudness, lower crest factor; as loud as before, lower peaks."""
    placed = beat.placed(name)
    hear, driven = meter(beat.here, placed), saturate(placed.part.samples, RATE, drive_db=drive_db)
    before, level, after = hear.level(placed.part.samples), hear.level(driven), hear.final(driven)
    assert after.sample_peak_dbfs == pytest.approx(before.sample_peak_dbfs, abs=1e-6)
    assert after.integrated_lufs > before.integrated_lufs + 1.0
    assert after.crest_factor_db < before.crest_factor_db - 1.0
    assert level.integrated_lufs == pytest.approx(before.integrated_lufs, abs=1e-9)
    assert level.true_peak_dbtp < before.true_peak_dbtp - 1.0


@pytest.mark.parametrize("name", ["drum_cymbal_closed", "drum_cymbal_open"])
def test_a_hat_with_a_softened_attack_is_the_same_drum_as_loud(beat: Staged, name: str) -> None:
    """Analytic: at equal loudness the meter's levels differ from the file's by one and the same turn."""
    placed = beat.placed(name)
    hear, soft = meter(beat.here, placed), shape(placed.part.samples, RATE, attack_db=-8.0)
    level, final = hear.level(soft), hear.final(soft)
    turns = {round(getattr(level, of) - getattr(final, of), 6)
             for of in ("integrated_lufs", "true_peak_dbtp", "sample_peak_dbfs")}  # fmt: skip
    assert len(turns) == 1
    assert turns.pop() > 0.5


@pytest.mark.parametrize(("frames", "polarity"), [(-882, 1), (-350, -1), (441, -1), (882, 1)])
def test_a_second_file_is_lined_up_to_the_sample_within_20_ms(beat: Staged, frames: int, polarity: int) -> None:
    """Analytic: a real snare with a bright layer of its own, planted late or early by up to 20 ms, perhaps inverted."""
    sound = beat.placed("sn_dub").part.samples[: RATE // 5]
    hat = np.zeros_like(sound)
    bright = beat.placed("drum_cymbal_closed").part.samples[: len(sound)]
    hat[: len(bright)] = 0.2 * bright
    layer = polarity * np.vstack([np.zeros((1000 + frames, 2)), sound + hat])
    like = meter(beat.here, beat.placed("sn_dub")).level(sound)

    class Pleased:
        """An ear that likes whatever is not the untreated drum: the alignment is asked about, not the taste."""

        def level(self, samples: Samples) -> DrumFigures:
            return replace(like, room_filled=0.10 if len(samples) == 1000 + len(sound) else 0.20)

        final = level

    found = plan.search(
        np.vstack([np.zeros((1000, 2)), sound]), RATE, candidate="sn_dub", role="snare", direction="fuller",
        ear=Pleased(), families={"layering": FAMILIES["layering"]}, true_peak=true_peak.true_peak,
        policy=DEFAULTS, most_evaluations=60,
        layers={"drums/bright.wav": np.vstack([layer, np.zeros((2000, 2))])},
    )  # fmt: skip
    amounts = found.plan.steps[0].amounts
    assert amounts["delay_ms"] == pytest.approx(-1000.0 * frames / RATE, abs=1e-6)
    assert amounts["polarity"] == ("as it is" if polarity > 0 else "invert")
    assert isinstance(amounts["gain_db"], float)
    assert "layer drums/bright.wav at" in found.plan.steps[0].label
