"""The treatments stage: the kit as a whole, second files, evidence, names, odd drums."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from msgspec import Struct
from msgspec.structs import replace
from small_beat import Small, drum_loop, kick, noise_hit, tone
from small_beat import write_beat as write_small
from stage_beat import RATE, Staged, approach, noise, staged, time_of, write_beat

from dossier.arrange.parts import laid
from dossier.cache import Cache
from dossier.decide import search_hints
from dossier.measure import hearing, in_beat, loudness
from dossier.measure import occupancy as occ
from dossier.memo import Memo
from dossier.model.findings import Approach, Gains, Plan
from dossier.model.measures import Array
from dossier.model.parts import Ranking, Treated
from dossier.model.vocabulary import ZONE_KEYS, ApproachKind, Direction
from dossier.parallel import FEW_JOBS, Engine
from dossier.stages import kit_bus, kits, treatments
from dossier.treat import FAMILIES
from dossier.treat.families import AmountLine

FIGURES = ("sample_peak_dbfs", "true_peak_dbtp", "integrated_lufs", "crest_factor_db", "effective_length_s", "fill",
           "overlap", "buried", "audible_share")  # fmt: skip


@pytest.fixture(scope="module")
def beat(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    root = tmp_path_factory.mktemp("bus")
    write_small(root / "paper-harbour")
    return staged(root / "paper-harbour", root / "cache")


@pytest.fixture(scope="module")
def treated(beat: Staged, tmp_path_factory: pytest.TempPathFactory) -> tuple[Treated, ...]:
    """Plans at a goal that is easily met: these tests ask what is made of a plan."""
    asked = beat.told(plan_fuller_goal=0.01, plan_least=0.001, plan_slack=0.01)
    memo = Memo(Cache(tmp_path_factory.mktemp("treated")))
    return plans_of(replace(asked, memo=memo), approach("one-shots", "fuller"))


def plans_of(beat: Staged, way: Approach, ranking: Ranking | None = None) -> tuple[Treated, ...]:
    return treatments.search_plans(beat.analysis, ranking or beat.ranking, way, beat.memo)


# The kit as a whole


def test_the_kit_is_the_sum_of_its_members_over_one_cycle(beat: Staged) -> None:
    """Analytic: samples add; the true peak is set for a file, and the gain undoes that."""
    whole = kit_bus.kit_as_one(beat.here, beat.analysis.groove, beat.ranking, beat.memo)
    assert whole is not None
    cycle = whole.part.samples * 10.0 ** (whole.gains.db / 20.0)
    start = round(len(beat.here.music.samples) / 2)
    summed = sum(
        laid(item.part, length_s=8.0) * 10.0 ** (item.gains.db / 20.0) for item in beat.ranking.kit_parts
    )[start : start + len(cycle)]  # fmt: skip
    assert len(cycle) == round(beat.here.grid.bar_s * RATE)  # the pattern is one bar long
    assert np.max(np.abs(cycle - summed)) < 1e-9
    assert whole.drum.measures.loudness.true_peak_dbtp == pytest.approx(beat.here.policy["kit_file_dbtp"], abs=0.05)


def test_the_kit_as_one_part_measures_as_the_members_together(beat: Staged) -> None:
    """Analytic: powers of sounds that do not cohere add, so the whole kit fills what its members fill together."""
    whole = kit_bus.kit_as_one(beat.here, beat.analysis.groove, beat.ranking, beat.memo)
    assert whole is not None
    assert beat.ranking.kit is not None
    scene = beat.here.scene
    found = in_beat.measure(scene, in_beat.place(scene, whole.powers, gain_db=whole.gains.db))
    assert found.room_filled == pytest.approx(beat.ranking.kit.fit.room_filled, rel=0.05)
    assert found.audible_share == pytest.approx(beat.ranking.kit.fit.audible_share, abs=0.03)


@pytest.mark.parametrize(("kind", "there"), [("one-shots", True), ("either", True), ("loop", False)])
def test_the_kit_has_a_plan_only_where_one_shots_may_be_used(
    beat: Staged, kind: ApproachKind, there: bool
) -> None:
    """Analytic: no bus treatment of drums that nobody is going to use."""
    assert kit_bus.is_wanted(beat.ranking, approach(kind, "fuller"), beat.here.policy) == there


def test_the_kits_plan_comes_last_and_says_what_it_is(beat: Staged, treated: tuple[Treated, ...]) -> None:
    """Analytic: one more plan, for the name `kit`, without what suits single hits only."""
    plan = treated[-1].plan
    assert (plan.candidate, plan.role) == ("kit", None)
    assert len(treated) == len(beat.ranking.kit_parts) + 2 + 1
    assert plan.helped
    assert plan.after.room_filled > plan.before.room_filled
    assert "all members of the kit together" in plan.reason
    assert not {"layering", "truncation"} & {step.treatment for step in plan.steps}
    assert {row.treatment: row.reason for row in plan.tried}["layering"].startswith("works on single hits")
    assert plan.render == "paper-harbour-06-kit-treated.wav"


# Names, evidence


def test_renders_sort_by_plan_and_loops_carry_the_beats_tempo(treated: tuple[Treated, ...]) -> None:
    """Analytic: plain letters, in the order of the plans; a fitted loop is at the beat's tempo, whatever it was."""
    names = [item.plan.render for item in treated if item.plan.render]
    assert names == sorted(names)
    assert len(set(names)) == len(names)
    for item in treated:
        name = item.plan.render
        if name is None:
            continue
        assert name.isascii()
        assert all(character.isalnum() or character in "-." for character in name)
        assert name.endswith("-treated-120bpm.wav" if "loop" in item.plan.candidate else "-treated.wav")
    assert any(name.startswith("paper-harbour-01-kick-") for name in names)


def test_a_hostile_name_becomes_a_plain_one(beat: Staged) -> None:
    """Analytic: what a file system or another program may stumble over is left out."""
    kick_part = replace(beat.placed("kick-long").part, name='drums/odd/"My  Kïck": <1>?.final.wav')
    assert treatments._render_name("b", 3, kick_part) == "b-03-kick-my-kick-1-final-treated.wav"
    loop = replace(beat.placed("loop-rich").part, name="drums/Groove 98.5 BPM take2.wav")
    assert treatments._render_name("b", 12, loop) == "b-12-loop-groove-take2-treated-120bpm.wav"


def test_evidence_stands_on_both_sides_of_every_plan(small: Small) -> None:
    """Analytic: the data file carries before and after, envelope and spectrum, the map's change and what was tried."""
    assert small.data.plans
    beats = {row.file: row.loop.beats for row in small.data.candidates if row.loop}
    for plan in small.data.plans:
        assert plan.at_equal_loudness is not None
        assert plan.at_equal_loudness.integrated_lufs == pytest.approx(plan.before.integrated_lufs, abs=0.1)
        for side in (plan.before, plan.after, plan.at_equal_loudness):
            for name in FIGURES:
                value = getattr(side, name)
                assert value is not None, (plan.candidate, name)
                assert math.isfinite(value), (plan.candidate, name)
            assert set(side.heard_zones) == set(ZONE_KEYS)
            assert len(side.spectrum_db) == len(small.data.occupancy.band_hz)
            assert len(side.envelope_db) > 10
            assert side.envelope_step_s > 0.0
        assert len(plan.occupancy_change) == len(small.data.occupancy.band_hz)
        slots = {len(row) for row in plan.occupancy_change}
        assert slots == {round(4 * beats.get(plan.candidate, 4.0))}  # sixteenths of one pass, or of the pattern's bar
        if plan.helped:
            assert any(value != 0.0 for row in plan.occupancy_change for value in row)
        assert plan.tried
        for row in plan.tried:
            assert row.reason
            assert "\n" not in row.reason
        used = {step.treatment for step in plan.steps}
        assert not used & {row.treatment for row in plan.tried}


def test_a_plan_reads_the_same_from_its_rendered_file(small: Small) -> None:
    """Analytic: peak, true peak and crest factor of the 24-bit file are those of the plan's after.

    A file that would pass full scale is lowered by what the data says.
    """
    folder = small.archive.root / "paper-harbour/paper-harbour-r001"
    helped = [plan for plan in small.data.plans if plan.render and plan.candidate != "kit"]
    assert helped
    for plan in helped:
        samples, rate = sf.read(folder / plan.render, always_2d=True)
        found = loudness.measure(samples * 10.0 ** (small.data.lowered.get(plan.render, 0.0) / 20.0), rate)
        assert found.sample_peak_dbfs == pytest.approx(plan.after.sample_peak_dbfs, abs=0.01)
        assert found.true_peak_dbtp == pytest.approx(plan.after.true_peak_dbtp, abs=0.02)
        assert found.crest_factor_db == pytest.approx(plan.after.crest_factor_db, abs=0.02)


def test_the_settings_sheet_holds_every_amount_of_every_step(small: Small) -> None:
    """Analytic: a row an amount, with its unit, and the output level that makes the comparison fair."""
    sheet = (small.archive.root / "paper-harbour/paper-harbour-r001/paper-harbour-settings.csv").read_text()
    rows = list(csv.DictReader(io.StringIO(sheet)))
    for plan in small.data.plans:
        there = [row for row in rows if row["file"] == plan.candidate and row["step"]]
        wanted = [entry for step in plan.steps for entry in FAMILIES[step.treatment].settings(step.amounts)]
        assert len(there) == len(wanted)
        for row, (name, value, unit) in zip(there, wanted, strict=True):
            assert (row["setting"], row["unit"]) == (name, unit)
            if isinstance(value, float):
                assert float(row["value"]) == pytest.approx(value, rel=1e-3, abs=1e-3)


def test_the_same_search_gives_the_same_plans_in_turn_on_threads_and_on_processes(beat: Staged, tmp_path: Path) -> None:
    """Analytic: no randomness, and nothing depends on how the work is spread."""
    wanted = approach("loop", "leaner")
    one, *others = (  # each with a cache of its own, so that both really search
        treatments.search_plans(
            beat.analysis, beat.ranking, wanted, Memo(Cache(tmp_path / str(jobs))), engine=Engine(jobs)
        )
        for jobs in (1, FEW_JOBS, FEW_JOBS + 1)
    )
    for other in others:
        assert [item.plan for item in one] == [item.plan for item in other]
        assert all(np.array_equal(a.samples, b.samples) for a, b in zip(one, other, strict=True))


# Second files


def dark(seed: int) -> np.ndarray:
    t = time_of(0.25)
    body = np.sin(2 * np.pi * 180.0 * t) * np.exp(-14.0 * t) + np.sin(2 * np.pi * 330.0 * t) * np.exp(-18.0 * t)
    return 0.5 * body + 0.01 * np.random.default_rng(seed).standard_normal(len(t)) * np.exp(-20.0 * t)


@pytest.fixture(scope="module")
def two_snares(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    """A dark snare, a second dark one and a bright one, in a beat that is open at the top."""
    root = tmp_path_factory.mktemp("layers")
    folder = write_beat(
        root / "open", stems={"low": noise(8.0, low_hz=40.0, high_hz=1500.0, seed=1)},
        drums={"snare-a-dark": dark(1), "snare-b-dark": 0.9 * dark(2), "snare-c-bright": noise_hit(0.2, 3000.0, 7),
               "kick": kick(), "hat": noise_hit(0.06, 7000.0, 2)},
        toml='[kit]\nsnare = "drums/snare-a-dark.wav"\n',
    )  # fmt: skip
    return staged(folder, root / "cache")


def test_the_second_file_is_the_one_that_is_loud_where_the_drum_is_not(two_snares: Staged) -> None:
    """Analytic: of two layers the one in other zones comes first, whatever their own scores are."""
    on, shots = two_snares.on, two_snares.ranking.one_shots
    shares = {item.drum.name: treatments.zone_shares(on, item) for item in shots}
    fills = occ.zone_fills(on.loudness, on.reference, on.active)
    room = np.array([1.0 - fills[zone] for zone in ZONE_KEYS])
    others = [(item.drum.name, item.part.role) for item in shots]
    files = search_hints.second_files("drums/snare-a-dark.wav", "snare", others, shares, room, two_snares.here.policy)
    assert files[0] == "drums/snare-c-bright.wav"
    assert "drums/snare-a-dark.wav" not in files
    for share in shares.values():
        assert share.sum() == pytest.approx(1.0, abs=0.05)
    own, bright = shares["drums/snare-a-dark.wav"], shares["drums/snare-c-bright.wav"]
    assert search_hints.complement(own, own, room).sum() == 0.0
    assert 0.3 < search_hints.complement(own, bright, room).sum() <= 1.0
    assert search_hints.complement(own, bright, np.zeros_like(room)).sum() == 0.0  # no room, nothing to add
    assert search_hints.adds_in(own, bright, room) in ("presence", "brilliance", "high mid")


def test_a_plan_that_layers_takes_it_and_says_where_it_adds(two_snares: Staged) -> None:
    """Analytic: the dark snare is made fuller with the bright file, at a level, lined up."""
    found = plans_of(two_snares, approach("one-shots", "fuller"))
    plan = next(item.plan for item in found if item.plan.candidate == "drums/snare-a-dark.wav")
    layered = [step for step in plan.steps if step.treatment == "layering"]
    assert layered, plan.steps
    assert layered[0].amounts["file"] == "drums/snare-c-bright.wav"
    assert {"gain_db", "delay_ms", "polarity"} <= layered[0].amounts.keys()
    assert "The layer adds where the drum has less and the beat has room" in plan.reason


# Where the instrumental covers a drum


def test_covered_ranges_become_eq(two_snares: Staged) -> None:
    """Analytic: music below 1.5 kHz covers a soft noise there; the EQ offered takes it away from below."""
    on, slots, policy = two_snares.on, two_snares.ranking.frames, two_snares.here.policy
    wide = noise(1.0, low_hz=40.0, high_hz=14_000.0, seed=9)
    one_slot = hearing.slot_powers(hearing.band_energies(wide, RATE), np.array([0.2, 0.8]))
    powers = np.tile(one_slot, (two_snares.here.grid.frames, 1))

    def covered(powers: Array, gain_db: float) -> tuple[AmountLine, ...]:
        snare = two_snares.placed("snare-a-dark")
        item = replace(snare, read_powers=lambda: powers, gains=Gains(db=gain_db, state="alone"))
        return treatments.covered_lines(on, item, slots, policy)

    lines = covered(powers, -18.0)
    assert [line[0]["shape"] for line in lines] == ["high-pass"]
    assert 800.0 < float(lines[0][-1]["hz"]) < 1800.0
    assert covered(powers, 30.0) == ()
    assert covered(0.0 * powers, 0.0) == ()


# Odd drums


def numbers(value: object, path: str = "") -> list[tuple[str, float]]:
    """Every float in a tree of dataclasses, mappings and tuples, with where it stands."""
    if isinstance(value, float):
        return [(path, value)]
    if isinstance(value, Struct):
        return [n for name in value.__struct_fields__ for n in numbers(getattr(value, name), f"{path}.{name}")]
    if isinstance(value, dict):
        return [n for key, item in value.items() for n in numbers(item, f"{path}.{key}")]
    if isinstance(value, list | tuple):
        return [n for item in value for n in numbers(item, path)]
    return []


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    root = tmp_path_factory.mktemp("odd")
    click = np.zeros(round(0.02 * RATE))
    click[:40] = 0.8 * np.hanning(40)
    slow, fast = np.arange(8000 * 3 // 10) / 8000, np.arange(96_000 * 3 // 10) / 96_000
    folder = write_beat(
        root / "odd",
        stems={"bass": 0.3 * tone(55.0, 8.0), "pad": 0.1 * tone(330.0, 8.0)},
        drums={
            "kick-20ms": click, "kick-clipped": np.clip(4.0 * kick(), -1.0, 1.0), "kick-dc": 0.5 * kick() + 0.3,
            "kick-8k": (0.8 * np.sin(2 * np.pi * 60.0 * slow) * np.exp(-12.0 * slow), 8000),
            "snare-96k": (0.5 * np.random.default_rng(1).standard_normal(len(fast)) * np.exp(-20.0 * fast), 96_000),
            "snare-faint": 1e-5 * noise_hit(0.2, 300.0, 4), "hat-20ms": noise_hit(0.02, 7000.0, 5),
            "loop-clipped_120bpm": np.clip(6.0 * drum_loop(rich=False), -1.0, 1.0),
        },
        toml="[policy]\nplan_evaluations = 14\nplan_loop_evaluations = 8\n",
    )  # fmt: skip
    return staged(folder, root / "cache")


@pytest.mark.parametrize("direction", ["fuller", "leaner", "as it is"])
def test_odd_drums_get_sensible_plans_and_never_a_number_that_is_none(
    odd: Staged, direction: Direction
) -> None:
    """Analytic: 20 ms, clipped, DC, faint, 8 and 96 kHz: finite figures, sentences, sounds at the beat's rate."""
    for pins in ({}, {"kick": "kick-dc", "snare": "snare-faint"}, {"kick": "kick-20ms"}, {"kick": "kick-8k"}):
        parts = [odd.placed(pins.get(item.part.role or "", item.drum.name)) for item in odd.ranking.kit_parts]
        ranking = replace(odd.ranking, kit_parts=tuple(parts), loops=odd.ranking.loops if not pins else ())
        found = plans_of(odd, approach("either", direction), ranking)
        for item in found:
            for where, value in numbers(item.plan):
                assert math.isfinite(value), (item.plan.candidate, where)
            assert np.isfinite(item.samples).all()
            assert item.plan.reason
            assert item.samples.shape[1] == 2
            assert_held(item.plan)


def assert_held(plan: Plan) -> None:
    before, after = plan.before, plan.after
    assert before.true_peak_dbtp is not None
    assert after.true_peak_dbtp is not None
    assert after.true_peak_dbtp == pytest.approx(before.true_peak_dbtp, abs=0.02)
    assert 0.0 <= after.audible_share <= 1.0


def test_files_at_other_rates_are_treated_at_the_beats_rate(odd: Staged) -> None:
    """Analytic: 0.3 s at 8 and at 96 kHz are 0.3 s at 44.1 kHz."""
    for name in ("kick-8k", "snare-96k"):
        part = odd.placed(name).part
        assert part.rate_hz == RATE
        assert len(part.samples) == pytest.approx(0.3 * RATE, abs=0.01 * RATE)


def test_a_drum_whose_file_is_too_soft_is_said_to_be(odd: Staged) -> None:
    """Analytic: at -100 dBFS nothing of it passes the gate of loudness; all figures are finite or None."""
    alone = kits.balanced_together(odd.here, [odd.placed("snare-faint")], odd.ranking.frames, odd.memo)
    (row,) = (part.row for part in odd.balanced(alone).chosen)
    assert (row.integrated_lufs, row.level_lu, row.gain_db) == (None, None, 0.0)
    assert "Too soft to be measured" in row.advice
    assert all(math.isfinite(value) for _, value in numbers(row))
