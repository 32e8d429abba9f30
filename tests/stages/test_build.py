"""A build from a folder to a revision: what is in the data file, and what happens the second time."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from common_beats import RATE as BEAT_RATE
from common_beats import instrumental
from small_beat import MADE, RATE, Small, kick, write, write_beat

from dossier import pipeline
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.errors import BeatError
from dossier.measure import loudness
from dossier.model.beat import Given


def quiet(_: str) -> None:
    """No progress in tests."""


def test_the_contract_of_the_data_file(small: Small) -> None:
    raw = json.loads((small.archive.root / "paper-harbour/paper-harbour-r001.json").read_text())
    assert raw["format_version"] == 2
    assert {"name", "version"} <= raw["program"].keys()
    assert {"title", "slug", "tempo_bpm", "key", "meter", "duration_s", "bars"} <= raw["beat"].keys()
    assert {"id", "made", "identity", "changes"} <= raw["revision"].keys()
    assert all({"file", "sha256", "rights", "origin"} <= entry.keys() for entry in raw["inputs"])
    zones = {"sub", "bass", "low_mid", "mid", "high_mid", "presence", "brilliance"}
    assert raw["instrumental"]["zones"].keys() == zones
    assert {"name", "bars", "fill", "zones"} <= raw["instrumental"]["sections"][0].keys()
    assert {"band_hz", "slot_s", "instrumental"} <= raw["occupancy"].keys()
    assert raw["approach"]["kind"] in ("loop", "one-shots", "either")
    assert raw["approach"]["direction"] in ("fuller", "leaner", "as it is")
    fit = {"job", "heard_in_zones", "room_filled", "over", "covered_music", "lift_lu"}
    for candidate in raw["candidates"]:
        assert {"file", "kind", "role", "rights", "score", "terms", "fit", "gain_db", "plan"} <= candidate.keys()
        assert fit <= candidate["fit"].keys()
    assert {"candidate", "steps", "before", "after", "at_equal_loudness", "helped"} <= raw["plans"][0].keys()
    part = {"part", "sample_peak_dbfs", "true_peak_dbtp", "integrated_lufs", "peak_to_loudness_db", "audible_share",
            "lift_lu", "gain_db", "gain_range_db", "level_lu", "usual_lu", "sections"}  # fmt: skip
    assert all(part <= row.keys() for row in raw["balance"]["parts"])
    assert {"music_gain_db", "drums_file_gain_db", "all_drums_lu", "mix_over_music_lu"} <= raw["balance"].keys()
    assert {"integrated_lufs", "true_peak_dbtp", "headroom_db"} <= raw["balance"]["mix"].keys()
    assert {"kit", "low_end", "translation", "decisions", "warnings"} <= raw.keys()


def test_maps_have_a_row_a_band_and_a_column_a_slot(small: Small) -> None:
    occupancy = small.data.occupancy
    assert len(occupancy.instrumental) == len(occupancy.band_hz) == 38
    assert {len(row) for row in occupancy.instrumental} == {4 * 16}
    assert all(value >= 0 for row in occupancy.with_drums for value in row)
    assert np.sum(occupancy.with_drums) > np.sum(occupancy.instrumental)


def test_terms_add_up_to_the_score_and_the_order_is_by_score(small: Small) -> None:
    placed = [c for c in small.data.candidates if c.score is not None]
    for candidate in placed:
        assert candidate.score == pytest.approx(sum(candidate.terms.values()), abs=1e-3)
    loops = [c.score for c in placed if c.kind == "loop"]
    assert loops == sorted(loops, reverse=True)


def test_the_open_beat_is_called_open_and_its_room_named(small: Small) -> None:
    assert small.data.instrumental.fill < 0.55
    assert small.data.approach.direction == "fuller"
    assert small.data.instrumental.zones["brilliance"] < 0.2
    assert {s.name for s in small.data.instrumental.sections} == {"verse", "hook"}


def test_the_rough_mix_is_what_the_data_says(small: Small) -> None:
    """The figures of the mix are those of the rendered file, and it keeps the ceiling (EBU R 128: -1 dBTP)."""
    path = small.archive.root / "paper-harbour/paper-harbour-r001/paper-harbour-rough-mix.flac"
    samples, rate = sf.read(path, always_2d=True)
    measured = loudness.measure(samples, rate)
    mix = small.data.balance.mix
    assert measured.integrated_lufs == pytest.approx(mix.integrated_lufs, abs=0.05)
    assert measured.true_peak_dbtp == pytest.approx(mix.true_peak_dbtp, abs=0.05)
    assert measured.true_peak_dbtp is not None
    assert measured.true_peak_dbtp <= -1.0 + 0.02
    assert mix.integrated_lufs == pytest.approx(-16.0, abs=0.1) or mix.limited




def test_the_same_again_makes_no_new_revision(small: Small) -> None:
    again = pipeline.build(small.folder, small.archive, cache=small.cache, made="2027-01-01T00:00:00Z", say=quiet)
    assert not again.new
    assert again.revision == "r001"
    assert len(small.archive.revisions("paper-harbour")) == 1


def test_same_input_same_bytes(small: Small, tmp_path: Path) -> None:
    archive = Archive(tmp_path / "site")
    pipeline.build(small.folder, archive, cache=small.cache, made=MADE, say=quiet)
    for name in ("paper-harbour-r001.json", "paper-harbour-r001.html"):
        assert (archive.root / "paper-harbour" / name).read_bytes() == (
            small.archive.root / "paper-harbour" / name
        ).read_bytes()


def test_nothing_says_where_it_was_made(small: Small) -> None:
    for path in (small.archive.root / "paper-harbour").glob("paper-harbour-r001.*"):
        content = path.read_text(encoding="utf-8")
        assert str(small.folder.parent) not in content
        assert str(Path.home()) + "/" not in content


def test_a_changed_input_makes_the_next_revision_and_says_what_changed(small: Small, tmp_path: Path) -> None:
    folder = tmp_path / "paper-harbour"
    shutil.copytree(small.folder, folder)
    archive = Archive(tmp_path / "site")
    shutil.copytree(small.archive.root / "paper-harbour", archive.root / "paper-harbour")
    write(folder / "drums/kick-long.wav", 0.5 * kick(0.5))
    built = pipeline.build(folder, archive, cache=small.cache, made=MADE, say=quiet)
    assert (built.new, built.revision) == (True, "r002")
    data = archive.latest("paper-harbour")
    assert data is not None
    assert any("kick-long.wav" in change for change in data.revision.changes)


def test_a_bad_drum_is_named_and_the_rest_is_built(tmp_path: Path) -> None:
    folder = tmp_path / "rough-edges"
    write_beat(folder)
    (folder / "drums/broken.wav").write_text("this is not audio")
    write(folder / "drums/silent.wav", np.zeros(4410))
    shutil.copy(folder / "drums/hat.wav", folder / "drums/hat-copy.wav")
    archive = Archive(tmp_path / "site")
    built = pipeline.build(folder, archive, cache=Cache(tmp_path / "cache"), made=MADE, say=quiet)
    assert "broken.wav" in "\n".join(built.left_out)
    told = "\n".join(built.warnings)
    assert "silent.wav" in told
    assert "hat-copy.wav" in told or "hat.wav: the same" in told
    data = archive.latest(built.slug)
    assert data is not None
    assert data.looked.unreadable >= 1


def test_a_folder_without_settings_builds_and_says_what_was_assumed(tmp_path: Path, small: Small) -> None:
    folder = tmp_path / "plain folder"
    write_beat(folder)
    (folder / "beat.toml").unlink()
    archive = Archive(tmp_path / "site")
    built = pipeline.build(folder, archive, cache=small.cache, made=MADE, say=quiet)
    data = archive.latest(built.slug)
    assert data is not None
    assert data.patterns[0].assumed
    assert data.beat.sources["tempo_bpm"] != "beat.toml"
    assert data.beat.sources["key"] == "estimated"


def test_what_is_wrong_with_a_chosen_drum_is_said(tmp_path: Path, small: Small) -> None:
    """Analytic: files whose last 400 bytes are missing can be used, and those that are chosen are named."""
    folder = tmp_path / "cut"
    shutil.copytree(small.folder, folder)
    for path in (folder / "drums").iterdir():
        path.write_bytes(path.read_bytes()[:-400])
    archive = Archive(tmp_path / "site")
    built = pipeline.build(folder, archive, cache=Cache(tmp_path / "cache"), made=MADE, say=quiet)
    data = archive.latest(built.slug)
    assert data is not None
    chosen = {row.file for row in data.balance.parts if row.chosen}
    assert chosen
    assert {told.split(": is cut short", 1)[0] for told in built.warnings if ": is cut short" in told} == chosen


def test_silent_stems_are_refused_with_a_reason(tmp_path: Path, small: Small) -> None:
    folder = tmp_path / "silence"
    write(folder / "stems/nothing.wav", np.zeros(RATE * 3))
    write(folder / "drums/kick.wav", kick())
    with pytest.raises(BeatError, match="loudness"):
        pipeline.build(folder, Archive(tmp_path / "site"), cache=small.cache, made=MADE, say=quiet)
    assert not (tmp_path / "site" / "silence").exists()


def test_a_bounce_of_which_nothing_is_stated_is_built(tmp_path: Path) -> None:
    """Tempo, first downbeat, meter and length are estimated: whatever type they come as, the page can hold them."""
    stems = instrumental("full", 96.0, bars=6)
    sf.write(tmp_path / "night.wav", 0.7 * np.sum(list(stems.values()), axis=0), BEAT_RATE, subtype="PCM_24")
    write(tmp_path / "shelf" / "kick.wav", kick())
    archive = Archive(tmp_path / "site")
    given = Given(drums=(tmp_path / "shelf",))
    pipeline.build(tmp_path / "night.wav", archive, cache=Cache(tmp_path / "cache"), made=MADE, say=quiet, given=given)
    data = archive.latest("night")
    assert data is not None
    assert (archive.root / "night/night-r001.html").is_file()
