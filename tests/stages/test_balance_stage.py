"""Balance through its stage, with the program's own ear on real open sounds: joint, bounded, by intent, measured."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from small_beat import MADE, Small, kick, noise_hit
from small_beat import write_beat as write_small
from stage_beat import RATE, Staged, full_music, real, staged, write_beat

from dossier import pipeline
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.measure import loudness
from dossier.model.measures import Samples
from dossier.model.parts import PlacedCandidate
from dossier.model.vocabulary import Intent
from dossier.stages import gains, kits
from dossier.stages.balance import part_name
from dossier.stages.candidates import as_it_plays, part_powers
from dossier.stages.choice import approach_of
from dossier.stages.sensitivity import with_sensitivity

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

Solved = dict[str, PlacedCandidate]


def music(gain: float = 1.0) -> dict[str, Samples]:
    levels_ = {"wall": 0.15}
    return {name: gain * levels_.get(name, 1.0) * sound for name, sound in full_music().items()}


@pytest.fixture(scope="module")
def beat(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    root = tmp_path_factory.mktemp("balance")
    folder = write_beat(root / "real", stems=music(), drums={name: real(name) for name in NAMES}, toml=SECTIONS)
    return staged(folder, root / "cache")


@pytest.fixture(params=["free", "as it is used"])
def there(beat: Staged, request: pytest.FixtureRequest) -> Staged:
    """The beat with the bounds of gains out of the way, and as it is."""
    return beat.told(**FREE) if request.param == "free" else beat


def solved(there: Staged, parts: Sequence[PlacedCandidate] | None = None) -> Solved:
    """The kit, or other parts, at the gains at which they are heard as asked beside each other."""
    parts = there.ranking.kit_parts if parts is None else parts
    return {part_name(item): item for item in kits.balanced_together(there.here, parts, there.ranking.frames)}


def bounds_of(there: Staged, item: PlacedCandidate) -> tuple[float, float]:
    assert item.plays is not None
    return gains.gain_bounds(there.here, item.part.role, item.plays)


def sounding(item: PlacedCandidate, samples: Samples) -> PlacedCandidate:
    """The same part with other sound."""
    part = item.part.with_samples(samples)
    return replace(item, part=part, powers=part_powers(part), plays=as_it_plays(part))


def test_gains_are_solved_to_the_intent_together(there: Staged) -> None:
    """Analytic: every part has the share it is asked for, beside all the others, or stands at a bound and says so.

    Solved on the ranking's slots, which are all slots of a short beat.
    """
    parts = solved(there)
    for row in there.balanced(tuple(parts.values())).chosen:
        item, found = parts[row.id], row.row
        low, high = bounds_of(there, item)
        assert found.audible_share == pytest.approx(item.fit.audible_share, abs=1e-9)
        assert low <= found.gain_db <= high
        assert found.gain_db == round(found.gain_db, 1), "a fader has steps of 0.1 dB"
        if not found.bounded:
            assert found.audible_share == pytest.approx(found.target_share, abs=0.005)
            assert found.lift_lu is not None
            assert f"{found.lift_lu:+.1f} LU over the instrumental" in found.advice
        elif item.gains.stopped == "high":
            assert found.gain_db == high
            assert found.audible_share < found.target_share
        else:
            assert (item.gains.stopped, found.gain_db) == ("low", low)
            assert found.audible_share > found.target_share


def test_only_the_bounds_stand_between_a_part_and_its_share(beat: Staged) -> None:
    """Analytic: with them out of the way nothing is stopped; as they are they stop something here."""
    assert {item.gains.stopped for item in solved(beat.told(**FREE)).values()} == {""}
    assert {item.gains.stopped for item in solved(beat).values()} != {""}


def test_shuffling_the_parts_changes_no_gain(there: Staged) -> None:
    """Analytic: at most 0.1 dB, for every order."""
    plain = solved(there)
    for order in itertools.permutations(there.ranking.kit_parts):
        shuffled = solved(there, order)
        assert all(abs(shuffled[name].gains.db - plain[name].gains.db) <= 0.1 + 1e-9 for name in plain)


def test_where_the_search_starts_does_not_matter(there: Staged) -> None:
    """Analytic: convergent: from 20 dB below and 15 dB above the same gains come out."""
    plain = solved(there)
    for start in (-20.0, 15.0):
        parts = [
            replace(item, gains=replace(item.gains, db=item.gains.db + start)) for item in there.ranking.kit_parts
        ]
        moved = solved(there, parts)
        assert all(abs(moved[name].gains.db - plain[name].gains.db) <= 0.1 + 1e-9 for name in plain)


def test_parts_that_mask_one_another_need_more_together_than_alone(there: Staged) -> None:
    """Analytic: another part can only cover, so no gain is lower beside the others than alone."""
    together = solved(there)
    for item in there.ranking.kit_parts:
        alone = solved(there, [item])[part_name(item)]
        assert alone.gains.db <= together[part_name(item)].gains.db + 0.02


def test_brute_force_agrees_with_the_ear_itself(there: Staged) -> None:
    """Cross-check: all pairs of gains on a grid between the bounds, at which neither part could do better by itself.

    Without bounds that is the pair with the least error of both, too.
    """
    parts = there.ranking.kit_parts[:2]
    slots = there.ranking.frames[:32]
    on = there.here.scene.subset(slots)
    powers = [item.powers[slots] for item in parts]
    targets = [gains.target_of(there.here, item.part.role) for item in parts]
    bounds = [bounds_of(there, item) for item in parts]
    answers = gains.together(on, powers, targets=targets, bounds=bounds, start_db=[0.0, 0.0])
    share = gains.share_function(on, powers)
    grids = []
    for answer, (low, high) in zip(answers, bounds, strict=True):
        middle = round(answer.db * 2) / 2
        grid = np.concatenate([np.arange(middle - 2.5, middle + 2.75, 0.5), [low, high]])
        grids.append(np.unique(grid[(grid >= low) & (grid <= high) & (abs(grid - middle) < 3.0)]))
    missed = np.array([
        [[abs(share(part, pair[part], pair) - targets[part]) for part in range(2)]
         for pair in itertools.product(grids[0][i : i + 1], grids[1])]
        for i in range(len(grids[0]))
    ])  # fmt: skip
    regret = sum(missed[:, :, part] - missed[:, :, part].min(axis=part, keepdims=True) for part in range(2))
    wanted = [regret] if any(answer.stopped for answer in answers) else [regret, np.sum(missed**2, axis=2)]
    for error in wanted:
        best = np.unravel_index(int(np.argmin(error)), error.shape)
        for answer, grid, index, (low, high) in zip(answers, grids, best, bounds, strict=True):
            assert answer.db == pytest.approx(grid[index], abs=0.5)
            assert 0 < index < len(grid) - 1 or grid[index] in (low, high)


def test_forward_level_and_tucked_differ_audibly_and_in_order(there: Staged) -> None:
    """Common practice, no source: a decibel is heard; every part that no bound stops moves by more than that."""
    intents: tuple[Intent, ...] = ("tucked", "level", "forward")
    found = [solved(there.told(intent)) for intent in intents]
    for softer, louder in itertools.pairwise(found):
        for name, item in softer.items():
            step = louder[name].gains.db - item.gains.db
            assert step > 1.0 or (step >= 0.0 and (item.gains.stopped or louder[name].gains.stopped))


def test_an_intent_a_role_moves_that_role(there: Staged) -> None:
    """Analytic: the kick asked forward comes up; the snare, asked nothing new, follows only what now covers it."""
    tucked = there.told("tucked")
    conditions = replace(tucked.here.conditions, role_intents={"kick": "level"})
    asked = tucked.under(replace(tucked.here, conditions=conditions))
    plain, moved = solved(tucked), solved(asked)
    intents = {row.id: row.row.intent for row in asked.balanced(tuple(moved.values())).chosen}
    assert intents == {"kick": "level", "snare": "tucked", "closed-hat": "tucked"}
    assert moved["kick"].gains.db > plain["kick"].gains.db + 1.0
    assert abs(moved["snare"].gains.db - plain["snare"].gains.db) < 1.0


def test_an_intent_a_section_gives_gains_of_its_own(there: Staged) -> None:
    """Analytic: the verse is tucked, the hook forward; the music repeats, so the gains show the intents."""
    parts = tuple(solved(there).values())
    balanced = there.balanced(parts)
    found = {section.name: section for section in balanced.sections}
    assert (found["verse"].intent, found["hook"].intent) == ("tucked", "forward")
    for part in balanced.chosen:
        low, high = bounds_of(there, part.item)
        verse, hook = found["verse"].gains_db[part.id], found["hook"].gains_db[part.id]
        assert part.item.gains.sections == {"verse": verse, "hook": hook}
        assert low <= verse <= hook <= high
        assert hook > verse + 2.0 or low == verse or hook == high


@pytest.mark.parametrize("intent", ["forward", "level", "tucked"])
def test_gains_stay_within_headroom_and_loudness(beat: Staged, intent: Intent) -> None:
    """Analytic: the true peak at the gain keeps the policy's limit for a part; where level cannot do it, it is said."""
    there = beat.told(intent)
    for part in there.balanced(tuple(solved(there).values())).chosen:
        row = part.row
        assert row.true_peak_dbtp is not None
        in_mix = row.true_peak_dbtp + row.gain_db + there.here.playing_gain_db
        assert in_mix <= there.here.policy["part_peak_dbtp"] + 1e-6
        if row.bounded and row.audible_share < row.target_share:
            assert "Level alone cannot do it" in row.advice
            assert "take another" in row.advice


@pytest.mark.parametrize("change_db", [-12.0, 6.0])
def test_the_level_of_a_file_does_not_matter(there: Staged, change_db: float) -> None:
    """Analytic: a drum file recorded softer gets that much more gain, and plays the same."""
    parts = there.ranking.kit_parts
    plain = solved(there)
    moved = [sounding(parts[0], parts[0].part.samples * 10.0 ** (change_db / 20.0)), *parts[1:]]
    found = solved(there, moved)
    assert found["kick"].gains.db == pytest.approx(plain["kick"].gains.db - change_db, abs=0.05)
    for name, item in plain.items():
        assert found[name].fit.audible_share == pytest.approx(item.fit.audible_share, abs=0.002)
        assert name == "kick" or found[name].gains.db == pytest.approx(item.gains.db, abs=0.05)


def test_the_level_of_the_stems_does_not_matter(beat: Staged, tmp_path: Path) -> None:
    """Analytic: stems 6.02 dB softer: all drum gains 6.02 dB lower, all shares the same, with and without bounds."""
    folder = write_beat(tmp_path / "soft", stems=music(0.5), drums={name: real(name) for name in NAMES})
    soft = staged(folder, tmp_path / "cache")
    for policy in ({}, FREE):
        plain, found = solved(beat.told(**policy)), solved(soft.told(**policy))
        for name, item in plain.items():
            assert found[name].gains.db == pytest.approx(item.gains.db - 6.02, abs=0.1)
            assert found[name].fit.audible_share == pytest.approx(item.fit.audible_share, abs=0.005)


@pytest.mark.parametrize("degrees", [0.0, 22.5, 45.0, 90.0])
def test_pan_laws(beat: Staged, degrees: float) -> None:
    """Analytic: sine and cosine keep the power, so a panned part needs the same gain; halves lose 3.01 dB.

    Loudness adds the channels' energies (BS.1770-5 Annex 1), and so does the ear here.
    """
    there = beat.told(**FREE)
    part = there.ranking.kit_parts[1]
    mono = part.part.samples.mean(axis=1)

    def gain(left: float, right: float) -> float:
        (found,) = solved(there, [sounding(part, np.stack([left * mono, right * mono], axis=1))]).values()
        return found.gains.db

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
    item = beat.ranking.kit_parts[0]
    twice = part_powers(item.part, 2.0 * item.part.samples)
    assert np.allclose(twice, 4.0 * item.powers, rtol=1e-6, atol=0.0)


def test_gains_come_with_how_they_move(there: Staged) -> None:
    """Analytic: the range over listening levels 10 dB lower and higher holds the gain; some part really moves."""
    widths = []
    for part in there.balanced(tuple(solved(there).values())).chosen:
        row = part.row
        assert row.gain_low_db is not None
        assert row.gain_high_db is not None
        assert row.gain_low_db <= row.gain_db <= row.gain_high_db
        assert (part.item.gains.low_db, part.item.gains.high_db) == (row.gain_low_db, row.gain_high_db)
        widths.append(row.gain_high_db - row.gain_low_db)
    assert 0.1 < max(widths) < 12.0


@pytest.mark.parametrize("shift_db", [-3.0, 3.0])
def test_the_reference_moves_no_gain(there: Staged, shift_db: float) -> None:
    """Analytic: what is heard of a drum does not depend on the reference, so its gain does not either."""
    scene = there.here.scene
    moved = replace(scene, reference=scene.reference * 2.0 ** (0.1 * shift_db * scene.zone_weights[3]))
    plain, found = solved(there), solved(there.under(replace(there.here, scene=moved)))
    assert all(found[name].gains.db == pytest.approx(plain[name].gains.db, abs=1e-6) for name in plain)


def test_a_verdict_on_the_edge_is_marked_uncertain(beat: Staged) -> None:
    """Analytic: the threshold laid just above this beat's fill, and far away from it."""
    fill = beat.analysis.room.fill

    def told(**policy: float) -> str | None:
        here = beat.told(**policy).here
        found = approach_of(here, beat.analysis.room, beat.ranking)
        return with_sensitivity(here, beat.ranking, found, beat.memo).uncertain

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
