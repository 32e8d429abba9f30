"""Balance through its stage, with the program's own ear on real open sounds: joint, bounded, by intent, measured."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from dossier.stages.settle import Part
from small_beat import MADE, Small, kick, noise_hit
from small_beat import write_beat as write_small
from stage_beat import RATE, Staged, full_music, real, staged, write_beat

from dossier import pipeline
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.decide.policy import Policy
from dossier.measure import loudness
from dossier.model.findings import BalancePart
from dossier.model.measures import Samples
from dossier.stages import levels, robust, settle

NAMES = ("bd_zome", "drum_heavy_kick", "sn_dub", "drum_cymbal_closed")
FREE = {  # bounds out of the way, so that only the audible share decides
    "part_peak_dbtp": 30.0, "lead_at_most_lu": 20.0, "part_at_most_lu": 20.0, "lead_at_least_lu": -60.0,
    "part_at_least_lu": -60.0,
}  # fmt: skip
SECTIONS = """
[[sections]]
name = "verse"
bars = 2
intent = "tucked"
[[sections]]
name = "hook"
bars = 2
intent = "forward"
"""


def music(gain: float = 1.0) -> dict[str, Samples]:
    levels_ = {"wall": 0.15}
    return {name: gain * levels_.get(name, 1.0) * sound for name, sound in full_music().items()}


@pytest.fixture(scope="module")
def beat(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    root = tmp_path_factory.mktemp("balance")
    folder = write_beat(root / "real", stems=music(), drums={name: real(name) for name in NAMES}, toml=SECTIONS)
    return staged(folder, root / "cache")


def free(beat: Staged, intent: str = "level", **more: float) -> Staged:
    analysis = beat.analysis
    told = replace(analysis.beat, intent=intent)  # type: ignore[arg-type]
    return Staged(replace(analysis, beat=told, policy=Policy({**FREE, **more})), beat.groove, beat.ranking)


def rows_of(beat: Staged, parts: Sequence[Part] | None = None) -> dict[str, BalancePart]:
    parts = beat.parts() if parts is None else parts
    return {row.id: row for row in settle.solve_parts(beat.analysis, parts, beat.ranking.slots)}


def sounding(part: Part, samples: Samples) -> Part:
    """The same part with other sound."""
    play = part.play.with_samples(samples)
    return replace(part, play=play, powers=play.powers(), plays=levels.as_it_plays(play))


def test_gains_are_solved_to_the_intent_together(beat: Staged) -> None:
    """Analytic: with the bounds out of the way every part has the share it is asked for, beside all the others.

    Solved on the ranking's slots, which are all slots of a short beat.
    """
    for row in rows_of(free(beat)).values():
        assert row.audible_share == pytest.approx(row.target_share, abs=0.005)
        assert not row.bounded
        assert row.lift_lu is not None
        assert f"{row.lift_lu:+.1f} LU over the instrumental" in row.advice


def test_shuffling_the_parts_changes_no_gain(beat: Staged) -> None:
    """Analytic: at most 0.1 dB, for every order, with and without bounds."""
    for there in (beat, free(beat)):
        plain = rows_of(there)
        for order in itertools.permutations(there.parts()):
            shuffled = rows_of(there, order)
            assert all(abs(shuffled[name].gain_db - plain[name].gain_db) <= 0.1 for name in plain)


def test_where_the_search_starts_does_not_matter(beat: Staged) -> None:
    """Analytic: convergent: from 20 dB below and 15 dB above the same gains come out."""
    there = free(beat)
    plain = rows_of(there)
    for start in (-20.0, 15.0):
        parts = [
            replace(part, placed=replace(part.placed, gain_db=part.placed.gain_db + start)) for part in there.parts()
        ]
        moved = rows_of(there, parts)
        assert all(abs(moved[name].gain_db - plain[name].gain_db) <= 0.1 for name in plain)


def test_parts_that_mask_one_another_need_more_together_than_alone(beat: Staged) -> None:
    """Analytic: another part can only cover, so no gain is lower beside the others than alone."""
    there = free(beat)
    together = rows_of(there)
    for part in there.parts():
        alone = rows_of(there, [part])[part.id]
        assert alone.gain_db <= together[part.id].gain_db + 0.02


def test_brute_force_agrees_with_the_ear_itself(beat: Staged) -> None:
    """Cross-check: all pairs of gains on a grid, the pair with the least error against the solver's answer."""
    there = free(beat)
    parts = there.parts()[:2]
    slots = there.ranking.slots[:32]
    on = there.analysis.scene.subset(slots)
    powers = [part.powers[slots] for part in parts]
    targets = [levels.target_of(there.analysis, part.role) for part in parts]
    solved = levels.solve_together(
        on, powers=powers, targets=targets, bounds=[(-60.0, 24.0)] * 2, start_db=[0.0, 0.0]
    )
    share = levels.share_function(on, powers)
    middle = [round(answer.gain_db * 2) / 2 for answer in solved]
    grids = [np.arange(m - 2.5, m + 2.75, 0.5) for m in middle]
    best = min(
        itertools.product(*grids),
        key=lambda gains: sum((share(i, gains[i], gains) - targets[i]) ** 2 for i in range(2)),
    )
    assert [answer.gain_db for answer in solved] == pytest.approx(best, abs=0.5)
    assert all(grid[0] < gain < grid[-1] for grid, gain in zip(grids, best, strict=True))


def test_forward_level_and_tucked_differ_audibly_and_in_order(beat: Staged) -> None:
    """Common practice, no source: a decibel is heard; every part moves by more from intent to intent."""
    gains = [
        [row.gain_db for row in rows_of(free(beat, intent)).values()] for intent in ("tucked", "level", "forward")
    ]
    steps = np.diff(np.array(gains), axis=0)
    assert np.all(steps > 1.0)


def test_an_intent_a_role_moves_that_role(beat: Staged) -> None:
    """Analytic: the kick asked forward comes up; the snare, asked nothing new, follows only what now covers it."""
    there = free(beat)
    plain = rows_of(there)
    told = replace(there.analysis.beat, role_intents={"kick": "forward"})
    forward = rows_of(Staged(replace(there.analysis, beat=told), there.groove, there.ranking))
    assert forward["kick"].intent == "forward"
    assert forward["kick"].gain_db > plain["kick"].gain_db + 1.0
    assert forward["snare"].intent == "level"
    assert abs(forward["snare"].gain_db - plain["snare"].gain_db) < 1.0


def test_an_intent_a_section_gives_gains_of_its_own(beat: Staged) -> None:
    """Analytic: the verse is tucked, the hook forward; the music repeats, so the gains show the intents."""
    there = free(beat)
    parts = there.parts()
    rows = tuple(rows_of(there, parts).values())
    found = {section.name: section for section in settle.section_balances(there.analysis, parts, rows)}
    assert (found["verse"].intent, found["hook"].intent) == ("tucked", "forward")
    for part in parts:
        assert found["hook"].gains_db[part.id] > found["verse"].gains_db[part.id] + 2.0


def test_gains_stay_within_headroom_and_loudness(beat: Staged) -> None:
    """Analytic: the true peak at the gain keeps the policy's limit for a part; where level cannot do it, it is said."""
    policy = beat.analysis.policy
    for intent in ("forward", "level", "tucked"):
        there = Staged(
            replace(beat.analysis, beat=replace(beat.analysis.beat, intent=intent)), beat.groove, beat.ranking
        )
        for row in rows_of(there).values():
            assert row.true_peak_dbtp is not None
            in_mix = row.true_peak_dbtp + row.gain_db + beat.analysis.scene_gain_db
            assert in_mix <= policy["part_peak_dbtp"] + 0.05
            if row.bounded and row.audible_share < row.target_share:
                assert "Level alone cannot do it" in row.advice
                assert "take another" in row.advice


@pytest.mark.parametrize("change_db", [-12.0, 6.0])
def test_the_level_of_a_file_does_not_matter(beat: Staged, change_db: float) -> None:
    """Analytic: a drum file recorded softer gets that much more gain, and plays the same."""
    there = free(beat)
    parts = there.parts()
    plain = rows_of(there, parts)
    moved = [sounding(parts[0], parts[0].play.samples * 10.0 ** (change_db / 20.0)), *parts[1:]]
    found = rows_of(there, moved)
    assert found["kick"].gain_db == pytest.approx(plain["kick"].gain_db - change_db, abs=0.05)
    for name, row in plain.items():
        assert found[name].audible_share == pytest.approx(row.audible_share, abs=0.002)
        assert name == "kick" or found[name].gain_db == pytest.approx(row.gain_db, abs=0.05)


def test_the_level_of_the_stems_does_not_matter(beat: Staged, tmp_path: Path) -> None:
    """Analytic: stems 6.02 dB softer: all drum gains 6.02 dB lower, all shares the same."""
    folder = write_beat(tmp_path / "soft", stems=music(0.5), drums={name: real(name) for name in NAMES})
    soft = staged(folder, tmp_path / "cache")
    plain, found = rows_of(beat), rows_of(soft)
    for name, row in plain.items():
        assert found[name].gain_db == pytest.approx(row.gain_db - 6.02, abs=0.1)
        assert found[name].audible_share == pytest.approx(row.audible_share, abs=0.005)


@pytest.mark.parametrize("degrees", [0.0, 22.5, 45.0, 90.0])
def test_pan_laws(beat: Staged, degrees: float) -> None:
    """Analytic: sine and cosine keep the power, so a panned part needs the same gain; halves lose 3.01 dB.

    Loudness adds the channels' energies (BS.1770-5 Annex 1), and so does the ear here.
    """
    there = free(beat)
    part = there.parts()[1]
    mono = part.play.samples.mean(axis=1)

    def gain(left: float, right: float) -> float:
        return rows_of(there, [sounding(part, np.stack([left * mono, right * mono], axis=1))])[part.id].gain_db

    angle = np.radians(degrees)
    side = gain(1.0, 0.0)
    assert gain(float(np.cos(angle)), float(np.sin(angle))) == pytest.approx(side, abs=0.02)
    assert gain(0.5, 0.5) == pytest.approx(side + 3.01, abs=0.03)


def test_energy_sums(beat: Staged) -> None:
    """Analytic: unrelated sounds add their energies (+3.01 LU for two alike), the same sound twice adds 6.02 LU."""
    first, second = (noise_hit(2.0, 300.0, seed)[:, None] * np.ones((1, 2)) for seed in (1, 2))
    second *= np.sqrt(np.sum(first**2) / np.sum(second**2))
    level = loudness.measure(first, RATE).integrated_lufs
    assert level is not None
    assert loudness.measure(first + second, RATE).integrated_lufs == pytest.approx(level + 3.01, abs=0.3)
    assert loudness.measure(2.0 * first, RATE).integrated_lufs == pytest.approx(level + 6.02, abs=0.01)
    part = beat.parts()[0]
    twice = part.play.powers(2.0 * part.play.samples)
    assert np.allclose(twice, 4.0 * part.powers, rtol=1e-6, atol=0.0)


def test_gains_come_with_how_they_move(beat: Staged) -> None:
    """Analytic: the range over listening levels 10 dB lower and higher holds the gain; some part really moves."""
    there = free(beat)
    settled = settle.settle(there.analysis, there.ranking.slots, there.parts(), [])
    hedged = robust.with_ranges(there.analysis, settled, there.ranking.slots)
    widths = []
    for row in hedged.rows:
        assert row.gain_low_db is not None
        assert row.gain_high_db is not None
        assert row.gain_low_db <= row.gain_db <= row.gain_high_db
        widths.append(row.gain_high_db - row.gain_low_db)
    assert 0.1 < max(widths) < 12.0


@pytest.mark.parametrize("shift_db", [-3.0, 3.0])
def test_the_reference_moves_no_gain(beat: Staged, shift_db: float) -> None:
    """Analytic: what is heard of a drum does not depend on the reference, so its gain does not either."""
    there = free(beat)
    moved = robust.shifted_reference(there.analysis, there.analysis.scene.zone_weights[3], shift_db)
    scene = replace(there.analysis.scene, reference=moved)
    shifted = Staged(replace(there.analysis, scene=scene), there.groove, there.ranking)
    plain, found = rows_of(there), rows_of(shifted)
    assert all(found[name].gain_db == pytest.approx(plain[name].gain_db, abs=1e-6) for name in plain)


def test_a_verdict_on_the_edge_is_marked_uncertain(beat: Staged) -> None:
    """Analytic: the threshold laid just above this beat's fill, and far away from it."""
    fill = beat.analysis.room.fill

    def told(**policy: float) -> str | None:
        there = Staged(replace(beat.analysis, policy=Policy(policy)), beat.groove, beat.ranking)
        found = settle.contenders(there.analysis, there.ranking)
        return robust.hedge(there.analysis, there.ranking, found).uncertain

    edge = told(open_below=fill + 0.001, full_above=fill + 0.2)
    assert edge is not None
    assert "Close call" in edge
    assert told(open_below=0.2, full_above=0.3) is None


# Through the whole pipeline


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Small, str]:
    """The small beat with two more kicks of one sample peak, one a click, one dense and long: 6 LU and more apart."""
    root = tmp_path_factory.mktemp("planted")
    folder = root / "paper-harbour"
    write_small(folder)
    thin = np.zeros(round(0.4 * RATE))
    thin[:400] = kick()[:400]
    dense = np.tanh(8.0 * kick(0.4, 60.0))
    for name, sound in (("kick-thin", thin), ("kick-dense", dense)):
        sf.write(folder / f"drums/{name}.wav", 0.7 * sound / np.max(np.abs(sound)), RATE, subtype="PCM_24")
    archive = Archive(root / "site")
    cache = Cache(root / "cache")
    built = pipeline.build(folder, archive, cache=cache, made=MADE, say=lambda _: None)
    data = archive.latest(built.slug)
    assert data is not None
    return Small(folder=folder, archive=archive, cache=cache, built=built, data=data), built.page.read_text()


def test_a_planted_pair_of_equal_peak_is_named_from_files_to_page(planted: tuple[Small, str]) -> None:
    """Analytic: the same sample peak in the files, at least 6 LU apart as they play; named in data and on the page."""
    small, page = planted
    pair = next(
        pair for pair in small.data.balance.equal_peaks
        if {pair.first, pair.second} == {"kick-dense.wav", "kick-thin.wav"}
    )  # fmt: skip
    assert pair.first == "kick-dense.wav"
    assert pair.loudness_difference_lu >= 6.0
    assert pair.peak_difference_db <= 0.5
    assert pair.text.startswith("kick-dense.wav and kick-thin.wav peak ")
    assert f"{pair.loudness_difference_lu:.1f} LU louder" in pair.text
    assert "kick-dense.wav is" in page
    peaks = {c.name: c.sample_peak_dbfs for c in small.data.candidates}
    assert peaks["kick-dense.wav"] == pytest.approx(peaks["kick-thin.wav"], abs=0.01)


def test_every_part_carries_every_figure(small: Small) -> None:
    """Analytic: peaks, loudness, their distance, share, lift and gain; the distance is the difference of the two."""
    assert small.data.balance.parts
    for row in small.data.balance.parts:
        assert None not in (row.sample_peak_dbfs, row.true_peak_dbtp, row.integrated_lufs, row.lift_lu)
        assert row.peak_to_loudness_db == pytest.approx(row.true_peak_dbtp - row.integrated_lufs, abs=1e-3)
        assert 0.0 <= row.audible_share <= 1.0
        assert np.isfinite(row.gain_db)


def test_the_rough_mix_is_measured_from_its_file_section_by_section(small: Small) -> None:
    """Analytic: loudness, true peak, headroom, range and sections of the file are those of the data."""
    path = small.archive.root / "paper-harbour/paper-harbour-r001/paper-harbour-rough-mix.wav"
    samples, rate = sf.read(path, always_2d=True)
    found, mix = loudness.measure(samples, rate), small.data.balance.mix
    assert found.integrated_lufs == pytest.approx(mix.integrated_lufs, abs=0.02)
    assert found.true_peak_dbtp <= -1.0 + 0.02
    assert mix.headroom_db == pytest.approx(-1.0 - found.true_peak_dbtp, abs=0.05)
    assert found.loudness_range_lu == pytest.approx(mix.loudness_range_lu, abs=0.1)
    assert [name for name, _ in mix.sections] == ["verse", "hook"]
    for index, (_, level) in enumerate(mix.sections):
        piece = samples[index * 4 * rate : (index + 1) * 4 * rate]
        assert loudness.measure(piece, rate).integrated_lufs == pytest.approx(level, abs=0.05)
