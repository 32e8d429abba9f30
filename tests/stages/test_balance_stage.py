"""Balance through its stage on real open sounds: levels that people set, by role and intent, measured."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
import soxr
from msgspec.structs import replace
from small_beat import MADE, Small, kick, noise_hit
from small_beat import write_beat as write_small
from stage_beat import HEAD, PATTERN, RATE, Staged, full_music, noise, real, staged, write_beat
from tests_support import write_wav

from dossier import pipeline
from dossier.archive import Archive
from dossier.arrange.parts import laid
from dossier.cache import Cache
from dossier.decide.policy import USUAL
from dossier.measure import loudness
from dossier.model.measures import Samples
from dossier.model.parts import PlacedCandidate
from dossier.model.vocabulary import ZONES, Intent
from dossier.stages import kits
from dossier.stages.balance import part_name
from dossier.stages.candidates import as_it_plays, part_powers
from dossier.stages.choice import approach_of
from dossier.stages.masking import covered_parts
from dossier.stages.mix import all_drums
from dossier.stages.occupancy_maps import placed_parts
from dossier.stages.sensitivity import with_sensitivity

NAMES = ("bd_zome", "drum_heavy_kick", "sn_dub", "drum_cymbal_closed")
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
Change = Callable[[Samples], Samples]


def music(gain: float = 1.0) -> dict[str, Samples]:
    levels_ = {"wall": 0.15}
    return {name: gain * levels_.get(name, 1.0) * sound for name, sound in full_music().items()}


@pytest.fixture(scope="module")
def beat(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    root = tmp_path_factory.mktemp("balance")
    folder = write_beat(root / "real", stems=music(), drums={name: real(name) for name in NAMES}, toml=SECTIONS)
    return staged(folder, root / "cache")


def solved(there: Staged, parts: Sequence[PlacedCandidate] | None = None) -> Solved:
    """The kit, or other parts, at their gains beside each other."""
    parts = there.ranking.kit_parts if parts is None else parts
    found = kits.balanced_together(there.here, parts, there.ranking.frames, there.memo)
    return {part_name(item): item for item in found}


def sounding(beat: Staged, item: PlacedCandidate, samples: Samples) -> PlacedCandidate:
    """The same part with other sound."""
    part = item.part.with_samples(samples)
    powers = part_powers(part)
    return replace(item, part=part, read_powers=lambda: powers, plays=as_it_plays(part, beat.here.duration_s))


INTENTS: tuple[Intent, ...] = ("tucked", "level", "forward")


@pytest.mark.parametrize("intent", INTENTS)
def test_the_kit_meets_the_intent_and_every_part_its_role(beat: Staged, intent: Intent) -> None:
    """Analytic: the sum of the laid parts at their gains has the all-drums level; told levels are those that play."""
    there = beat.told(intent)
    there = there.under(replace(there.here, sections=()))
    found = there.balanced(tuple(solved(there).values()))
    assert found.all_drums_lu == pytest.approx(USUAL.all_drums_lu[intent], abs=0.1)
    for part in found.chosen:
        row = part.row
        sound = laid(replace(part.item.part, moves=()), length_s=there.here.duration_s) * 10.0 ** (row.gain_db / 20.0)
        level = loudness.integrated(sound, RATE)
        assert level is not None
        music = there.here.music.integrated_lufs + row.music_gain_db
        assert row.level_lu == pytest.approx(level - music, abs=0.05)
        assert row.gain_db == round(row.gain_db, 1), "a fader has steps of 0.1 dB"
        assert row.gain_range_db[0] < row.gain_db < row.gain_range_db[1]
        assert row.usual_lu[0] < row.usual_lu[1]


def test_an_intent_a_role_moves_that_role(beat: Staged) -> None:
    """Analytic: the kick asked level in a tucked beat comes up by what the intents lie apart; the others stay."""
    tucked = beat.told("tucked")
    conditions = replace(tucked.here.conditions, role_intents={"kick": "level"})
    asked = tucked.under(replace(tucked.here, conditions=conditions))
    plain, moved = solved(tucked), solved(asked)
    intents = {row.id: row.row.intent for row in asked.balanced(tuple(moved.values())).chosen}
    assert intents == {"kick": "level", "snare": "tucked", "closed-hat": "tucked"}
    apart = USUAL.all_drums_lu["level"] - USUAL.all_drums_lu["tucked"]
    for name, by_db in (("kick", apart), ("snare", 0.0), ("closed-hat", 0.0)):
        assert moved[name].gains.db == pytest.approx(plain[name].gains.db + by_db, abs=0.1 + 1e-9)


def test_an_intent_a_section_gives_gains_of_its_own(beat: Staged) -> None:
    """Analytic: the verse is tucked, the hook forward; the music repeats, so the gains show the intents."""
    drums = USUAL.all_drums_lu
    for part in beat.balanced(tuple(solved(beat).values())).chosen:
        verse, hook = part.row.sections
        assert (verse.name, verse.intent, verse.first_bar, verse.bars) == ("verse", "tucked", 1, 2)
        assert (hook.name, hook.intent, hook.first_bar, hook.bars) == ("hook", "forward", 3, 2)
        assert verse.gain_db - part.row.gain_db == pytest.approx(drums["tucked"] - drums["level"], abs=0.5)
        assert hook.gain_db - part.row.gain_db == pytest.approx(drums["forward"] - drums["level"], abs=0.5)
        assert part.item.gains.sections == part.row.sections


def test_sections_are_heard_at_their_gains(beat: Staged) -> None:
    """Analytic: in all drums as one and in previews, at the told gains, the hook's reached within its leading beat."""
    parts = beat.balanced(tuple(solved(beat).values())).chosen
    frames = len(beat.here.music.samples)
    whole = all_drums(parts, frames=frames, rate_hz=RATE)[:]
    times, flat = np.arange(frames) / RATE, np.zeros((frames, 2))
    for part in parts:
        verse, hook = (one.gain_db - part.row.gain_db for one in part.row.sections)
        by_db = np.interp(times, [3.5, 4.0], [verse, hook])  # the hook begins at 4 s, a beat lasts 0.5 s
        plain = laid(replace(part.item.part, moves=()), length_s=beat.here.duration_s)
        flat += plain * 10.0 ** ((part.row.gain_db + by_db)[:, None] / 20.0)
        excerpt = laid(part.item.part, start_s=3.0, length_s=2.0)
        expected = (plain * 10.0 ** (by_db[:, None] / 20.0))[3 * RATE : 5 * RATE]
        assert np.abs(excerpt - expected).max() < 1e-6
        ratio = part.item.powers[:30].sum() / part_powers(part.item.part)[:30].sum()
        assert 10.0 * np.log10(ratio) == pytest.approx(verse, abs=0.01), "measured as it sounds"
    assert np.abs(whole - flat).max() < 1e-5 * np.abs(flat).max()


def test_a_section_that_asks_the_same_is_not_listed(beat: Staged) -> None:
    """Analytic: an intent of its own that is the beat's, over music that is as loud, moves nothing."""
    sections = tuple(replace(one, intent="level", music_lu=0.2) for one in beat.here.sections)
    there = beat.under(replace(beat.here, sections=sections))
    parts = there.balanced(tuple(solved(there).values())).chosen
    assert all(part.row.sections == () == part.item.part.moves for part in parts)


def test_a_section_follows_its_own_music(beat: Staged) -> None:
    """Analytic: against music 6 LU softer there, the same intent asks for 6 dB less."""
    sections = (replace(beat.here.sections[0], intent="level", music_lu=-6.0),)
    for item in solved(beat.under(replace(beat.here, sections=sections))).values():
        (verse,) = item.gains.sections
        assert verse.gain_db == pytest.approx(item.gains.to_set_db - 6.0, abs=1e-9)


def test_files_too_soft_for_a_fader_bring_the_music_down(beat: Staged) -> None:
    """Analytic: drums 30 dB softer: none is set above +6 dB, levels and what is heard stay; the music comes down."""
    there = beat.under(replace(beat.here, sections=()))
    parts = there.ranking.kit_parts
    plain = solved(there)
    soft = solved(there, [sounding(beat, item, item.part.samples * 10.0**-1.5) for item in parts])
    assert max(item.gains.to_set_db for item in soft.values()) == 6.0
    balanced = there.balanced(tuple(soft.values()))
    assert balanced.music_gain_db < 0.0
    for part in balanced.chosen:
        was = plain[part.id]
        assert part.row.music_gain_db == balanced.music_gain_db
        assert part.row.level_lu == pytest.approx(was.gains.level_lu, abs=0.1 + 1e-6)
        assert part.row.gain_db - balanced.music_gain_db == pytest.approx(was.gains.db + 30.0, abs=0.1 + 1e-6)
        assert part.item.fit.audible_share == pytest.approx(was.fit.audible_share, abs=0.005)
        assert f"the music comes down by {-balanced.music_gain_db:.1f} dB" in part.row.advice


ROLE_OF = {"bd_zome": "kick", "sn_dub": "snare", "drum_cymbal_closed": "closed-hat"}


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, float]]:
    """Gains of a kit of files whose roles are told, by role, and a folder for variants of the same beat."""
    root = tmp_path_factory.mktemp("known")
    return root, gains_of(root / "plain", root)


def gains_of(folder: Path, root: Path, *, change: Change = lambda sound: sound, rate: int = RATE, rename: str = "",
             drums: Change = lambda sound: sound) -> dict[str, float]:  # fmt: skip
    def made(sound: Samples, given: int = RATE) -> tuple[Samples, int]:
        return soxr.resample(0.25 * change(sound), given, rate), rate  # so that nothing clips when it is raised

    files = {f"{rename}{number}" if rename else name: (name, role)
             for number, (name, role) in enumerate(ROLE_OF.items())}  # fmt: skip
    told = "".join(f'[[drums]]\nfile = "drums/{file}.wav"\nrole = "{role}"\nkind = "one-shot"\n'
                   for file, (_, role) in files.items())  # fmt: skip
    for name, sound in music().items():
        write_wav(path_of(folder / f"stems/{name}.wav"), made(sound)[0], rate)
    for file, (name, _) in files.items():
        sound, own = real(name)
        write_wav(path_of(folder / f"drums/{file}.wav"), drums(made(sound, own)[0]), rate)
    (folder / "beat.toml").write_text(f"{HEAD}{told}{PATTERN}", encoding="utf-8")
    return {item.part.role or "": item.gains.db for item in staged(folder, root / "cache").ranking.kit_parts}


def path_of(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


@pytest.mark.parametrize(
    ("name", "by_db", "how"),
    [("louder", 0.0, {"change": lambda sound: 2.0 * sound}), ("48k", 0.0, {"rate": 48_000}),
     ("swapped", 0.0, {"change": lambda sound: sound[:, ::-1].copy()}), ("renamed", 0.0, {"rename": "snare-"}),
     ("drums louder", -6.0, {"drums": lambda sound: 10.0**0.3 * sound})],
)  # fmt: skip
def test_gains_follow_what_changes_nothing(
    known: tuple[Path, dict[str, float]], name: str, by_db: float, how: dict[str, Any]
) -> None:
    """Analytic: +6 dB on all files, 48 instead of 44.1 kHz, channels swapped, files renamed: within 0.1 dB."""
    root, plain = known
    assert set(plain) == set(ROLE_OF.values())
    found = gains_of(root / name.replace(" ", "-"), root, **how)
    assert found == pytest.approx({role: gain + by_db for role, gain in plain.items()}, abs=0.1 + 1e-6)


def test_a_loop_and_the_same_sound_as_a_kit_are_equally_loud(beat: Staged, tmp_path: Path) -> None:
    """Analytic: the kit bounced over two bars, as a loop: both sound within 0.3 LU of each other at their gains."""
    there = beat.under(replace(beat.here, sections=()))
    parts = there.balanced(tuple(solved(there).values())).chosen
    kit = all_drums(parts, frames=8 * RATE, rate_hz=RATE)[:]
    bounce = kit[4 * RATE :] / np.abs(kit).max()
    told = '[[drums]]\nfile = "drums/bounce.wav"\nkind = "loop"\ntempo = 120.0\n'
    folder = write_beat(tmp_path / "bounced", stems=music(), drums={"bounce": bounce}, toml=told)
    looped = staged(folder, tmp_path / "cache")
    (loop,) = looped.ranking.loops
    sound = laid(loop.part, length_s=8.0) * 10.0 ** (loop.gains.to_set_db / 20.0)
    levels = [loudness.integrated(np.asarray(one, dtype=np.float64), RATE) for one in (kit, sound)]
    assert None not in levels
    assert levels[0] == pytest.approx(levels[1], abs=0.3)


def test_a_covered_part_is_named_and_freed_by_what_is_told(tmp_path: Path) -> None:
    """Analytic: hiss buries drums; the hiss made again, lower by what is told in the zone that is told, frees them.

    With half as many decibels less they stay covered, and so they do where it says that nothing there frees them.
    """
    hiss, pad = (noise(8.0, low_hz=low, high_hz=high, seed=seed, tilt=tilt)
                 for low, high, seed, tilt in ((2000.0, 16_000.0, 5, 0.0), (80.0, 8000.0, 6, 1.0)))  # fmt: skip
    drums = {name: real(name) for name in ROLE_OF}

    def beat_with(name: str, hiss: Samples) -> Staged:
        folder = write_beat(tmp_path / name, stems={"hiss": hiss, "pad": pad}, drums=drums)
        return staged(folder, tmp_path / "cache").told(covered_below=0.05)

    before = beat_with("before", hiss)
    balanced = before.balanced()
    placed = placed_parts(before.here, balanced)
    found = {one.part: one for one in covered_parts(before.here, balanced, placed, before.memo)}

    def covered_with(part: str, less_db: float) -> bool:
        """Whether the part, at the gain that it has, is covered where so much less of the hiss is there."""
        zone = next(zone for zone in ZONES if zone.key == found[part].zone)
        hz = np.fft.rfftfreq(len(hiss), 1.0 / RATE)
        less = np.where((hz >= zone.low_hz) & (hz < zone.high_hz), 10.0 ** (-less_db / 20.0), 1.0)
        lowered = np.fft.irfft(np.fft.rfft(hiss, axis=0) * less[:, None], len(hiss), axis=0)
        after = beat_with(f"{part}-{less_db}", lowered)
        balanced = after.balanced(before.ranking.kit_parts)
        still = covered_parts(after.here, balanced, placed_parts(after.here, balanced), after.memo)
        return part in [one.part for one in still]

    assert {one.by for one in found.values()} == {"stems/hiss.wav"}
    give_way = {part: one.give_way_db for part, one in found.items()}
    assert give_way["snare"] is not None
    assert give_way["closed-hat"] is None
    assert not covered_with("snare", give_way["snare"])
    assert covered_with("snare", give_way["snare"] / 2.0)
    assert covered_with("closed-hat", before.here.policy["give_way_most_db"])
    told = found["snare"].text
    assert f"lower hiss there by {give_way['snare']:.0f} dB" in told
    assert ("Turning it up won't fix it" in told) is (found["snare"].raise_db is None)
    assert "would not free it" in found["closed-hat"].text


def test_shuffling_the_parts_changes_no_gain(beat: Staged) -> None:
    """Analytic: at most 0.1 dB, for every order."""
    plain = solved(beat)
    for order in itertools.permutations(beat.ranking.kit_parts):
        shuffled = solved(beat, order)
        assert all(abs(shuffled[name].gains.db - plain[name].gains.db) <= 0.1 + 1e-9 for name in plain)


@pytest.mark.parametrize("change_db", [-12.0, 6.0])
def test_the_level_of_a_file_does_not_matter(beat: Staged, change_db: float) -> None:
    """Analytic: a drum file recorded softer gets that much more gain, and plays the same."""
    parts = beat.ranking.kit_parts
    plain = solved(beat)
    moved = [sounding(beat, parts[0], parts[0].part.samples * 10.0 ** (change_db / 20.0)), *parts[1:]]
    found = solved(beat, moved)
    assert found["kick"].gains.db == pytest.approx(plain["kick"].gains.db - change_db, abs=0.1 + 1e-9)
    for name, item in plain.items():
        assert found[name].fit.audible_share == pytest.approx(item.fit.audible_share, abs=0.002)
        assert name == "kick" or found[name].gains.db == pytest.approx(item.gains.db, abs=0.1 + 1e-9)


def test_the_level_of_the_stems_does_not_matter(beat: Staged, tmp_path: Path) -> None:
    """Analytic: stems 6.02 dB softer: all drum gains 6.02 dB lower, all shares the same."""
    folder = write_beat(tmp_path / "soft", stems=music(0.5), drums={name: real(name) for name in NAMES})
    soft = staged(folder, tmp_path / "cache")
    plain, found = solved(beat), solved(soft)
    for name, item in plain.items():
        assert found[name].gains.db == pytest.approx(item.gains.db - 6.02, abs=0.1)
        assert found[name].fit.audible_share == pytest.approx(item.fit.audible_share, abs=0.005)


@pytest.mark.parametrize("degrees", [0.0, 22.5, 45.0, 90.0])
def test_pan_laws(beat: Staged, degrees: float) -> None:
    """Analytic: sine and cosine keep the power, so a panned part needs the same gain; halves lose 3.01 dB.

    Loudness adds the channels' energies (BS.1770-5 Annex 1), and so does the ear here.
    """
    part = beat.ranking.kit_parts[1]
    mono = part.part.samples.mean(axis=1)

    def gain(left: float, right: float) -> float:
        (found,) = solved(beat, [sounding(beat, part, np.stack([left * mono, right * mono], axis=1))]).values()
        return found.gains.db

    angle = np.radians(degrees)
    side = gain(1.0, 0.0)
    assert gain(float(np.cos(angle)), float(np.sin(angle))) == pytest.approx(side, abs=1e-9)
    assert gain(0.5, 0.5) == pytest.approx(side + 3.01, abs=0.1)


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


@pytest.mark.parametrize("shift_db", [-3.0, 3.0])
def test_the_reference_moves_no_gain(beat: Staged, shift_db: float) -> None:
    """Analytic: what is heard of a drum does not depend on the reference, so its gain does not either."""
    scene = beat.here.scene
    moved = replace(scene, reference=scene.reference * 2.0 ** (0.1 * shift_db * scene.zone_weights[3]))
    plain, found = solved(beat), solved(beat.under(replace(beat.here, scene=moved)))
    assert all(found[name].gains.db == pytest.approx(plain[name].gains.db, abs=1e-6) for name in plain)


def test_a_verdict_on_the_edge_is_marked_uncertain(beat: Staged) -> None:
    """Analytic: the threshold laid just above this beat's fill, and far away from it."""
    fill = beat.analysis.room.fill

    def told(**policy: float) -> str | None:
        here = beat.told(**policy).here
        found = approach_of(here, beat.analysis.room, beat.ranking, beat.memo)
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
    path = small.archive.root / "paper-harbour/paper-harbour-r001/paper-harbour-rough-mix.flac"
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
