"""The demo beats: what is written, that it is music at the stated tempo and key, and that nobody's file is overwritten.

Kinds of evidence are named in the docstrings.  Key profiles: Krumhansl and Kessler, Psychological Review 89 (1982),
figures from memory.  Loudness: pyloudnorm, an implementation of ITU-R BS.1770 from outside the project.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from dossier.demo_beats import synth
from dossier.demo_beats.score import Clock
from dossier.demo_beats.writing import encode, items, score_of, write_beat
from test_loudness_crosscheck import FFMPEG, scan

from dossier import demo_beats
from dossier.arrange import midi
from dossier.arrange.pattern import parse_lines, roles_of
from dossier.decide.policy import DEFAULTS, USUAL
from dossier.errors import ArchiveError
from dossier.measure import hearing, occupancy, spectra
from dossier.measure.loudness import measure as measure_loudness
from dossier.model.vocabulary import RIGHTS, ROLES

SLUGS = demo_beats.SLUGS
RATES = {"slow-ferry": (48000, "PCM_24"), "lantern-market": (44100, "PCM_16"), "night-depot": (48000, "PCM_24")}
NOTES = ("C", "D flat", "D", "E flat", "E", "F", "F sharp", "G", "A flat", "A", "B flat", "B")
MAJOR = np.array([6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88])
MINOR = np.array([6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17])
MAJOR_SCALE, MINOR_SCALE = {0, 2, 4, 5, 7, 9, 11}, {0, 2, 3, 5, 7, 8, 10}

Samples = npt.NDArray[np.float64]


@pytest.fixture(scope="module")
def written(demo_audio: Path) -> Path:
    """All three beats, written once."""
    assert demo_beats.write(demo_audio) == [demo_audio / slug for slug in SLUGS]
    return demo_audio


def settings(folder: Path, slug: str) -> dict[str, Any]:
    return tomllib.loads((folder / slug / "beat.toml").read_text(encoding="utf-8"))


def audio(path: Path) -> tuple[Samples, int]:
    samples, rate_hz = soundfile.read(path, always_2d=True)
    return samples, rate_hz


def stems_of(folder: Path, slug: str) -> list[Path]:
    return sorted((folder / slug / "stems").glob("*.wav"))


def instrumental(folder: Path, slug: str) -> tuple[Samples, int]:
    gains = {stem["file"]: stem.get("gain_db", 0.0) for stem in settings(folder, slug)["stems"]}
    total, rate_hz = np.zeros((0, 2)), 0
    for path in stems_of(folder, slug):
        samples, rate_hz = audio(path)
        level = 10.0 ** (gains[f"stems/{path.name}"] / 20.0)
        total = (total if len(total) else np.zeros((len(samples), 2))) + level * samples
    return total, rate_hz


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".demo" not in path.parts
    }


# What is written ------------------------------------------------------------------------------------------------------


def test_same_bytes_in_another_process(written: Path, tmp_path: Path) -> None:
    """Analytic: a score has no clock and no chance in it, so another process writes the same bytes."""
    code = "import sys; from pathlib import Path; from dossier import demo_beats; demo_beats.write(Path(sys.argv[1]))"
    environment = {**os.environ, "PYTHONHASHSEED": "4711"}
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=True, env=environment, timeout=120)
    assert hashes(tmp_path) == hashes(written)


def test_nothing_is_written_into_the_package(written: Path) -> None:
    """Analytic: the package holds settings and scores only."""
    assert list(written.rglob("*.wav"))
    assert list(Path(demo_beats.__file__).parent.rglob("*.wav")) == []
    assert list(Path(demo_beats.__file__).parent.rglob("*.mid")) == []


def test_size_on_disk(written: Path) -> None:
    """Analytic: all audio together stays below 60 MB."""
    assert sum(path.stat().st_size for path in written.rglob("*.wav")) < 60e6


@pytest.mark.parametrize("slug", SLUGS)
def test_formats(written: Path, slug: str) -> None:
    """Analytic: the rate, the depth and the channels that the score promises."""
    found = {path: soundfile.info(path) for path in (written / slug).rglob("*.wav")}
    assert {(info.samplerate, info.subtype) for info in found.values()} == {RATES[slug]}
    assert {info.channels for info in found.values()} == {1, 2}
    assert 3 <= len(stems_of(written, slug)) <= 6


@pytest.mark.parametrize("slug", SLUGS)
def test_stems_are_clean_and_as_long_as_the_bars(written: Path, slug: str) -> None:
    """Analytic: -12 to -6 dBFS peak, no DC, silent ends, exactly the stated bars, sound from bar 1 on."""
    beat = settings(written, slug)
    bars = sum(section["bars"] for section in beat["sections"])
    for path in stems_of(written, slug):
        samples, rate_hz = audio(path)
        peak_db = 20 * np.log10(np.max(np.abs(samples)))
        assert -12.1 <= peak_db <= -5.9, path.name
        assert np.all(np.abs(samples.mean(axis=0)) < 1e-4), path.name
        assert np.all(np.abs(samples[[0, -1]]) < 1e-4), path.name
        assert abs(len(samples) - bars * 240.0 / beat["tempo"] * rate_hz) <= 1, path.name
    total, rate_hz = instrumental(written, slug)
    assert np.max(np.abs(total)) < 1.0
    first = total[: int(0.25 * rate_hz)]
    assert 10 * np.log10(np.mean(first**2)) > -50.0  # something sounds from the first beat on


@pytest.mark.parametrize("slug", SLUGS)
def test_one_shots_are_clean(written: Path, slug: str) -> None:
    """Analytic: no clipping, no DC, an end at zero; the start is a start unless silence is left in on purpose."""
    shots = [path for path in (written / slug / "drums").glob("*.wav") if not path.name.startswith("loop")]
    assert len(shots) >= 10
    for path in shots:
        samples, rate_hz = audio(path)
        assert np.max(np.abs(samples)) < 0.9, path.name
        assert np.all(np.abs(samples.mean(axis=0)) < 2e-3), path.name
        assert np.all(np.abs(samples[[0, -1]]) < 1e-4), path.name
        level = np.max(np.abs(samples), axis=1)
        onset_s = float(np.argmax(level > 0.05 * level.max())) / rate_hz
        assert onset_s < (0.03 if "shaker" in path.name else 0.014), path.name


@pytest.mark.parametrize("slug", SLUGS)
def test_loops_join_their_ends(written: Path, slug: str) -> None:
    """Analytic: whole bars at the tempo in the name; the step from the end to the start is one of the usual steps."""
    loops = sorted((written / slug / "drums").glob("loop*.wav"))
    assert len(loops) >= 2
    stated = {drum["file"]: drum.get("tempo") for drum in settings(written, slug)["drums"]}
    for path in loops:
        samples, rate_hz = audio(path)
        named = re.search(r"_(\d+)bpm", path.name)
        assert named is not None
        tempo = float(named[1])
        assert stated[f"drums/{path.name}"] == tempo
        bars = len(samples) / rate_hz * tempo / 240.0
        assert bars == pytest.approx(round(bars), abs=1e-4)
        assert round(bars) >= 1
        steps = np.abs(np.diff(samples, axis=0))
        assert np.max(np.abs(samples[0] - samples[-1])) <= np.quantile(steps, 0.999), path.name


@pytest.mark.parametrize("slug", SLUGS)
def test_one_loop_is_continuous_and_one_is_not(written: Path, slug: str) -> None:
    """Analytic: between its hits the rich loop never falls below -60 dB of its peak; the lean one often does.

    The full beat has none that is lean.
    """
    quiet = []
    for path in sorted((written / slug / "drums").glob("loop*.wav")):
        samples, rate_hz = audio(path)
        hop = rate_hz // 100
        blocks = np.abs(samples[: len(samples) // hop * hop]).reshape(-1, hop * samples.shape[1]).max(axis=1)
        quiet.append(float(np.mean(blocks < 1e-3 * blocks.max())))
    assert min(quiet) == 0.0
    assert max(quiet) == 0.0 if slug == "lantern-market" else max(quiet) > 0.3


def test_a_loop_at_another_tempo(written: Path) -> None:
    """Analytic: at least one loop is slower or faster than its beat, by less than 5 %, to show what fitting costs."""
    ratios = [
        drum["tempo"] / settings(written, slug)["tempo"]
        for slug in SLUGS
        for drum in settings(written, slug)["drums"]
        if "tempo" in drum
    ]
    assert any(0.95 < ratio < 0.999 for ratio in ratios)
    assert sum(ratio == 1.0 for ratio in ratios) >= 3


@pytest.mark.parametrize("slug", SLUGS)
def test_equal_peaks_unequal_loudness(written: Path, slug: str) -> None:
    """Cross-check (pyloudnorm): two kicks with the same sample peak are 6 LU or more apart."""
    import pyloudnorm

    peaks, levels = [], []
    for path in sorted((written / slug / "drums").glob("kick*.wav")):
        samples, rate_hz = audio(path)
        peaks.append(20 * np.log10(np.max(np.abs(samples))))
        whole = np.zeros((max(len(samples), int(0.4 * rate_hz)), 2))
        whole[: len(samples)] = samples
        meter = pyloudnorm.Meter(rate_hz, block_size=0.4, filter_class="DeMan")
        weighted = whole
        for stage in meter._filters.values():
            weighted = np.stack([stage.apply_filter(channel) for channel in weighted.T], axis=1)
        power = np.cumsum(np.sum(weighted**2, axis=1))
        window = int(0.4 * rate_hz)
        sums = power[window - 1 :] - np.concatenate([[0.0], power[:-window]])
        levels.append(-0.691 + 10 * np.log10(np.max(sums) / window))
    assert max(peaks) - min(peaks) < 0.1
    assert max(levels) - min(levels) >= 6.0


# What is said about it ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("slug", SLUGS)
def test_settings_agree_with_files(written: Path, slug: str) -> None:
    """Analytic: every named file is there, with rights and origin; sections cover the score's bars."""
    beat, folder = settings(written, slug), written / slug
    score = score_of(slug)
    assert (beat["tempo"], beat["swing"] / 100.0) == (score.clock.tempo_bpm, score.clock.swing)
    assert sum(section["bars"] for section in beat["sections"]) == score.clock.bars
    entries = [*beat["stems"], *beat["drums"]]
    for entry in entries:
        assert (folder / entry["file"]).exists(), entry["file"]
        assert entry["rights"] in RIGHTS
        assert len(entry["origin"]) > 10
        assert entry.get("role", "kick") in ROLES
    assert len({entry["file"] for entry in entries}) == len(entries)
    assert {stem["file"] for stem in beat["stems"]} == {f"stems/{path.name}" for path in stems_of(written, slug)}
    for role, file in beat.get("kit", {}).items():
        assert role in ROLES
        assert (folder / file).exists()


def test_beat_folders_are_read_without_a_problem(written: Path) -> None:
    """Analytic: the project's own reader takes all three as they are; an unlisted file has rights unknown."""
    from dossier import beatfile

    beats = {slug: beatfile.load(written / slug) for slug in SLUGS}
    assert [beat.notes for beat in beats.values()] == [(), (), ()]
    assert {slug: (len(beat.stems), len(beat.drums)) for slug, beat in beats.items()} == {
        "slow-ferry": (3, 16), "lantern-market": (6, 17), "night-depot": (3, 15),
    }
    rice = next(drum for drum in beats["slow-ferry"].drums if drum.file == "drums/shaker-rice.wav")
    assert (rice.rights, rice.origin) == ("unknown", "")
    shelf = {f"shelf/{name}" for name in items(demo_beats.SHELF)}  # two of them listed by name, with rights
    shared = {slug: shelf & {drum.file for drum in beat.drums} for slug, beat in beats.items()}
    assert len(shelf) == 4
    assert shared == {"slow-ferry": shelf, "lantern-market": shelf, "night-depot": set()}
    assert set(beats["night-depot"].section_patterns) == {"hook"}
    assert beats["lantern-market"].role_intents["shaker"] == "tucked"


def test_the_three_show_every_kind_of_setting(written: Path) -> None:
    """Analytic: rights of every kind, intents by role, pins, a MIDI groove and a section's own pattern are shown."""
    beats = [settings(written, slug) for slug in SLUGS]
    assert {e["rights"] for beat in beats for e in [*beat["stems"], *beat["drums"]]} == set(RIGHTS)
    assert [slug for slug, beat in zip(SLUGS, beats, strict=True) if "intents" in beat] == list(SLUGS[1:])
    assert [slug for slug, beat in zip(SLUGS, beats, strict=True) if "kit" in beat] == ["slow-ferry"]
    assert [slug for slug, beat in zip(SLUGS, beats, strict=True) if "midi" in beat["pattern"]] == ["lantern-market"]
    assert [slug for slug, beat in zip(SLUGS, beats, strict=True) if "sections" in beat["pattern"]] == ["night-depot"]


@pytest.mark.parametrize("slug", SLUGS)
def test_every_role_that_is_played_has_a_candidate(written: Path, slug: str) -> None:
    """Analytic: the patterns name roles for which a one-shot lies in drums/."""
    pattern = settings(written, slug)["pattern"]
    if "midi" in pattern:
        played = [midi.read((written / slug / pattern["midi"]).read_bytes())]
    else:
        own = [pattern, *pattern.get("sections", {}).values()]
        played = [parse_lines(p["lines"], steps_per_beat=p["steps_per_beat"], source="beat.toml") for p in own]
    assert all(one.length_beats in (4.0, 8.0) for one in played)
    names = " ".join(path.name for path in (written / slug / "drums").glob("*.wav"))
    words = {"closed-hat": "hat-closed", "open-hat": "hat-open", "percussion": "perc"}
    assert len(roles_of(played)) >= 3
    for role in roles_of(played):
        assert words.get(role, role) + "-" in names, role


def test_groove_is_two_bars_of_general_midi(written: Path) -> None:
    """Cross-check (mido): format 0, two bars at the beat's tempo, General MIDI percussion on channel 10."""
    import mido

    groove = mido.MidiFile(written / "lantern-market" / "groove.mid")
    assert (groove.type, groove.ticks_per_beat) == (0, 480)
    assert groove.length == pytest.approx(2 * 240.0 / 132.0, abs=1e-3)
    notes = [message for message in groove.tracks[0] if message.type == "note_on"]
    assert {note.channel for note in notes} == {9}
    assert {note.note for note in notes} == {36, 38, 39, 42}
    assert len({note.velocity for note in notes}) > 5


# That it is music -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("slug", SLUGS)
def test_stated_key_is_plausible(written: Path, slug: str) -> None:
    """Cross-check (Krumhansl and Kessler 1982): the stated key or its relative fits best, its scale holds the power."""
    samples, rate_hz = instrumental(written, slug)
    size = 1 << 14
    hz = np.fft.rfftfreq(size, 1.0 / rate_hz)
    used = (hz > 60.0) & (hz < 2000.0)
    classes = np.round(69 + 12 * np.log2(hz[used] / 440.0)).astype(int) % 12
    mono, chroma = samples.mean(axis=1), np.zeros(12)
    for start in range(0, len(mono) - size, size // 2):
        power = np.abs(np.fft.rfft(mono[start : start + size] * np.hanning(size)))[used] ** 2
        found = np.bincount(classes, power, 12)
        chroma += found / found.sum()
    chroma /= chroma.sum()
    scores = {
        (tonic, mode): float(np.corrcoef(np.roll(profile, tonic), chroma)[0, 1])
        for tonic in range(12)
        for mode, profile in (("major", MAJOR), ("minor", MINOR))
    }
    name, mode = settings(written, slug)["key"].rsplit(" ", 1)
    tonic = NOTES.index(name)
    relative = ((tonic + 3) % 12, "major") if mode == "minor" else ((tonic + 9) % 12, "minor")
    best = max(scores, key=lambda key: scores[key])
    assert best in ((tonic, mode), relative)
    scale = {(tonic + step) % 12 for step in (MINOR_SCALE if mode == "minor" else MAJOR_SCALE)}
    assert sum(chroma[note] for note in scale) > 0.85  # 7/12 = 0.58 would be chance


@pytest.mark.parametrize("slug", SLUGS)
def test_notes_lie_on_the_grid(written: Path, slug: str) -> None:
    """Analytic: onsets of the stems with notes, folded by the stated tempo and swing, gather at the grid's slots."""
    beat = settings(written, slug)
    pair_s, swing = 30.0 / beat["tempo"], beat["swing"] / 100.0
    near = total = 0.0
    for path in stems_of(written, slug):
        if path.stem in ("far-drone", "street-dust"):
            continue
        samples, rate_hz = audio(path)
        hop = rate_hz // 200
        mono = samples.mean(axis=1)  # windows of 50 ms hold two periods of the lowest note
        frames = np.lib.stride_tricks.sliding_window_view(mono, 10 * hop)[::hop] * np.hanning(10 * hop)
        level = np.log10(np.maximum(np.mean(np.abs(np.fft.rfft(frames, axis=1)), axis=1), 1e-4))
        rise = np.maximum(level[2:] - level[:-2], 0.0)
        strong = np.flatnonzero((rise[1:-1] > 0.25) & (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:])) + 1
        at_s = (strong + 9) * hop / rate_hz  # the steepest rise comes when a hit is 40 ms into the window
        phase = np.mod(at_s, pair_s) / pair_s
        off_s = np.min(np.abs(np.stack([phase, phase - swing, phase - 1.0])), axis=0) * pair_s
        near += float(np.sum(rise[strong] * (off_s < 0.02)))
        total += float(np.sum(rise[strong]))
    assert total > 5.0
    assert near / total > 0.95  # within 20 ms of a slot; 0.25-0.37 would be chance


@pytest.mark.parametrize(
    ("slug", "low", "high"),
    [("slow-ferry", 0.40, 0.55), ("lantern-market", 0.95, 1.10),
     ("night-depot", DEFAULTS["open_below"], DEFAULTS["full_above"])],
)  # fmt: skip
def test_how_full_the_instrumentals_are(written: Path, slug: str, low: float, high: float) -> None:
    """Regression: open, full and in between by the project's own measure, with drums as loud as people set them."""
    beat = settings(written, slug)
    samples, rate_hz = instrumental(written, slug)
    integrated = measure_loudness(samples, rate_hz).integrated_lufs
    assert integrated is not None
    target, level = beat["target_loudness"], beat["listening_level"]
    scaled = samples * 10.0 ** ((target - USUAL.mix_over_music_lu(beat["intent"]) - integrated) / 20.0)
    edges = np.arange(score_of(slug).clock.bars * 16 + 1) * 15.0 / beat["tempo"]
    powers = spectra.slot_powers(spectra.band_energies(scaled, rate_hz), edges)
    loudness = hearing.specific_loudness(hearing.excitation(powers, spl_offset_db=level - target))
    reference = occupancy.reference_loudness(target, level)
    active = occupancy.active_frames(powers)
    assert low < occupancy.fill(loudness, reference, active=active) < high
    zones = occupancy.zone_fills(loudness, reference, active)
    if slug == "slow-ferry":
        assert zones["brilliance"] < 0.12
    if slug == "lantern-market":
        assert min(share for zone, share in zones.items() if zone != "sub") > 0.5


# What is kept -------------------------------------------------------------------------------------------------------


@pytest.mark.skipif(FFMPEG is None, reason="no ffmpeg: install imageio-ffmpeg or put ffmpeg on the path")
@pytest.mark.parametrize("slug", SLUGS)
def test_stems_read_as_an_independent_meter_reads_them(written: Path, slug: str) -> None:
    """Cross-check: ffmpeg's ebur128 on every stem, within 0.1 LU and 0.2 dB of true peak."""
    stems = sorted((written / slug / "stems").glob("*.wav"))
    assert len(stems) >= 3
    for path in stems:
        ours, theirs = measure_loudness(*audio(path)), scan(path)
        assert ours.integrated_lufs == pytest.approx(theirs["I"], abs=0.1)
        assert ours.true_peak_dbtp == pytest.approx(20 * np.log10(theirs["peak"]), abs=0.2)


@pytest.fixture
def depot(written: Path, tmp_path: Path) -> Path:
    """A copy of the smallest beat, to be changed."""
    shutil.copytree(written / "night-depot", tmp_path / "night-depot")
    return tmp_path


def test_second_call_makes_nothing(depot: Path) -> None:
    """Analytic: what is there and unchanged is not made again."""
    before = {path: path.stat().st_mtime_ns for path in depot.rglob("*.wav")}
    made: list[str] = []
    assert write_beat("night-depot", depot, progress=made.append) == depot / "night-depot"
    assert made == []
    assert {path: path.stat().st_mtime_ns for path in depot.rglob("*.wav")} == before


def test_changed_files_are_kept_and_missing_ones_made(depot: Path, written: Path) -> None:
    """Analytic: edited settings, a replaced sample and a file of the user's own survive; a deleted file comes back."""
    beat = depot / "night-depot"
    (beat / "beat.toml").write_text('title = "mine"\n', encoding="utf-8")
    (beat / "drums" / "perc-drip.wav").write_bytes(b"mine")
    (beat / "drums" / "extra.wav").write_bytes(b"mine too")
    (beat / "drums" / "rim-latch.wav").unlink()
    made: list[str] = []
    write_beat("night-depot", depot, progress=made.append)
    assert made == ["night-depot/drums/rim-latch.wav"]
    assert (beat / "beat.toml").read_text(encoding="utf-8") == 'title = "mine"\n'
    assert (beat / "drums" / "perc-drip.wav").read_bytes() == b"mine"
    assert (beat / "drums" / "extra.wav").read_bytes() == b"mine too"
    again = (beat / "drums" / "rim-latch.wav").read_bytes()
    assert again == (written / "night-depot" / "drums" / "rim-latch.wav").read_bytes()


def test_an_older_score_is_brought_up_to_date(depot: Path, written: Path) -> None:
    """Analytic: what an older score wrote and nobody changed is made anew, also after an interrupted update."""
    beat, name = depot / "night-depot", "drums/rim-latch.wav"
    record = beat / ".demo" / "written.json"
    document = json.loads(record.read_bytes())
    old = b"what an older score wrote"
    (beat / name).write_bytes(old)
    mine = document["files"][name]
    mine["sha256"] = [hashlib.sha256(old).hexdigest(), *mine["sha256"]]  # listed already, not yet in place
    record.write_text(json.dumps(document), encoding="utf-8")
    made: list[str] = []
    write_beat("night-depot", depot, progress=made.append)
    assert made == [f"night-depot/{name}"]
    document["files"][name] = {**mine, "sha256": mine["sha256"][-1:], "depends_on": "an older score"}
    record.write_text(json.dumps(document), encoding="utf-8")
    write_beat("night-depot", depot, progress=made.append)
    assert made == [f"night-depot/{name}"] * 2
    assert (beat / name).read_bytes() == (written / "night-depot" / name).read_bytes()


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"format": 99, "files": {}}', b'{"format": 1, "files": 3}'])
def test_a_damaged_list_never_costs_a_file(depot: Path, damage: bytes) -> None:
    """Analytic: without a readable list every file counts as the user's."""
    beat = depot / "night-depot"
    (beat / ".demo" / "written.json").write_bytes(damage)
    (beat / "drums" / "perc-drip.wav").write_bytes(b"mine")
    before = hashes(beat)
    made: list[str] = []
    write_beat("night-depot", depot, progress=made.append)
    assert made == []
    assert hashes(beat) == before


def test_links_are_not_followed_and_leftovers_go(depot: Path) -> None:
    """Analytic: a link that the user set stays a link; what a killed writer left is swept."""
    beat = depot / "night-depot"
    (beat / "drums" / "perc-drip.wav").unlink()
    (beat / "drums" / "perc-drip.wav").symlink_to(depot / "elsewhere.wav")
    (beat / "stems" / ".glass-keys.wav.1-1.part").write_bytes(b"half")
    write_beat("night-depot", depot)
    assert (beat / "drums" / "perc-drip.wav").is_symlink()
    assert not (depot / "elsewhere.wav").exists()
    assert list(beat.rglob("*.part")) == []


def test_a_blocked_place_is_an_error_in_words(tmp_path: Path) -> None:
    """Analytic: where a file stands in the way the error says what could not be made."""
    (tmp_path / "slow-ferry").write_bytes(b"in the way")
    with pytest.raises(ArchiveError, match="slow-ferry"):
        demo_beats.write(tmp_path)


# What it is made of -------------------------------------------------------------------------------------------------


def test_harmonics_are_a_sum_of_sines() -> None:
    """Analytic: Horner's rule gives the plain sum, damping counts by the power of the harmonic."""
    phase = synth.cycles(100.0, 4800, 48000)
    amplitudes, damping = [1.0, 0.0, 0.5, -0.25], np.linspace(1.0, 0.2, 4800, dtype=np.float32)
    plain = sum(
        a * damping.astype(float) ** k * np.sin(2 * np.pi * k * 100.0 * np.arange(4800) / 48000)
        for k, a in enumerate(amplitudes, start=1)
    )
    np.testing.assert_allclose(synth.harmonics(phase, amplitudes, damping), plain, atol=1e-4)


def test_decay_and_note_frequencies() -> None:
    """Analytic: 60 dB in the stated time; A4 = 440 Hz, an octave doubles."""
    assert 20 * np.log10(synth.decay(48001, 48000, 1.0)[-1]) == pytest.approx(-60.0, abs=0.01)
    assert (synth.note_hz(69), synth.note_hz(81), synth.note_hz(57)) == pytest.approx((440.0, 880.0, 220.0))


def test_bell_gains_its_level_at_its_centre() -> None:
    """Conformance: Audio EQ Cookbook, W3C Group Note, peakingEQ: the stated gain at the centre frequency."""
    impulse = np.zeros(48000, dtype=np.float32)
    impulse[0] = 1.0
    response = np.abs(np.fft.rfft(synth.bell(impulse, 1000.0, 6.0, 1.0, 48000)))
    assert 20 * np.log10(response[1000]) == pytest.approx(6.0, abs=0.01)
    assert 20 * np.log10(response[[20, 20000]]) == pytest.approx([0.0, 0.0], abs=0.1)


def test_shaped_noise_and_room_wrap_round() -> None:
    """Analytic: the sum of a loop and its room is the same wherever in the loop one starts."""
    rng = np.random.default_rng(5)
    response = synth.room_response(8000, rng, decay_s=0.3, dark_hz=2000.0)
    source = rng.standard_normal(4000, dtype=np.float32)
    there = synth.in_room(source, response, 0.5, around=True)
    turned = synth.in_room(np.roll(source, 1234), response, 0.5, around=True)
    np.testing.assert_allclose(np.roll(there, 1234, axis=-1), turned, atol=1e-4)
    hiss = synth.shaped_noise(8000, 8000, lambda hz: np.where(hz < 1000.0, 1.0, 0.0), rng)
    spectrum = np.abs(np.fft.rfft(hiss))
    assert spectrum[1001:].max() < 1e-2 * spectrum[1:1000].min() + 1e-2
    assert float(np.sqrt(np.mean(hiss**2))) == pytest.approx(1.0, abs=1e-3)


def test_ensemble_has_its_chord_and_its_width() -> None:
    """Analytic: energy lies at the notes; width 0 gives equal channels, width 1 unrelated ones."""
    rng = np.random.default_rng(7)
    mono = synth.ensemble([57, 64], [1.0], 48000, 48000, rng, cents=5.0, width=0.0)
    np.testing.assert_array_equal(mono[0], mono[1])
    power = np.abs(np.fft.rfft(mono[0])) ** 2
    near = sum(power[round(synth.note_hz(note)) - 5 : round(synth.note_hz(note)) + 6].sum() for note in (57, 64))
    assert near / power.sum() > 0.99
    wide = synth.ensemble([45], [1.0] * 20, 96000, 48000, rng, cents=20.0, width=1.0)
    assert abs(float(np.mean(wide[0] * wide[1]))) < 0.2


def test_pan_keeps_power_and_round_mixing_keeps_everything() -> None:
    """Analytic: equal power at every place; what passes a loop's end comes in at its start."""
    sound = np.ones(10, dtype=np.float32)
    for place in (-1.0, -0.3, 0.0, 0.8, 1.0):
        assert float(np.sum(synth.pan(sound, place) ** 2)) == pytest.approx(10.0, rel=1e-5)
    ring = np.zeros(8, dtype=np.float32)
    synth.add_round(ring, sound, 6)
    np.testing.assert_array_equal(ring, [1, 1, 1, 1, 1, 1, 2, 2])


def test_clock_swings_the_second_sixteenth() -> None:
    """Analytic: at 120 BPM a sixteenth is 125 ms; swung 2/3 the second falls at 166.7 ms; bars do not move."""
    straight, swung = Clock(48000, 120.0, 2), Clock(48000, 120.0, 2, 2 / 3)
    assert [straight.at_s(0, step) for step in (0, 1, 2, 16)] == pytest.approx([0.0, 0.125, 0.25, 2.0])
    assert [swung.at_s(0, step) for step in (0, 1, 1.5, 2, 16)] == pytest.approx([0.0, 1 / 6, 0.20833333, 0.25, 2.0])
    assert (straight.frames, swung.frame(1, 0)) == (192000, 96000)


def test_sixteen_bits_are_dithered_without_a_trend() -> None:
    """Analytic: a steady level of 0.3 steps survives 16 bits on average; 24 bits hold a sine to half a step."""
    steady = np.full(20000, 0.3 / 32768, dtype=np.float32)
    back, _ = soundfile.read(io.BytesIO(encode(steady, 48000, 16, "x")))
    assert float(np.mean(back)) * 32768 == pytest.approx(0.3, abs=0.03)
    tone = 0.5 * synth.sine(440.0, 4800, 48000)
    back, _ = soundfile.read(io.BytesIO(encode(tone, 48000, 24, "x")))
    np.testing.assert_allclose(back, tone, atol=0.51 / 2**23)


def test_the_score_names_what_is_written(written: Path) -> None:
    """Analytic: the files in a beat's folder are the score's, no more and no fewer."""
    for slug in (*SLUGS, demo_beats.SHELF):
        assert set(hashes(written / slug)) == set(items(slug))
