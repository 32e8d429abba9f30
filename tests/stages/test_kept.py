"""What a build takes from the cache, or from an earlier revision, is what it would have worked out itself."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import small_beat
import soundfile as sf

from dossier import demo_beats, pipeline
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.model.datafile import DossierData

Change = Callable[[Path], None]


def replaced_kick(folder: Path) -> None:
    small_beat.write(folder / "drums/kick-short.wav", small_beat.kick(0.2, 62.0))


def renamed_snare(folder: Path) -> None:
    (folder / "drums/snare.wav").rename(folder / "drums/snare-paper.wav")


def reversed_loop(folder: Path) -> None:
    small_beat.write(folder / "drums/loop-rich_120bpm.wav", small_beat.drum_loop(rich=True)[::-1].copy())


def renamed_loop(folder: Path) -> None:
    """Its name says another tempo, so that it is laid otherwise."""
    (folder / "drums/loop-rich_120bpm.wav").rename(folder / "drums/loop-rich_112bpm.wav")


def other_settings(folder: Path) -> None:
    text = (folder / "beat.toml").read_text(encoding="utf-8")
    policy = "\n[policy]\nlow_end_good_share = 0.9\nweight_share = 0.2\nceiling_dbtp = -3.0\n"
    (folder / "beat.toml").write_text(f'intent = "tucked"\nlistening_level = 80.0\n{text}{policy}', encoding="utf-8")


def other_stem(folder: Path) -> None:
    small_beat.write(folder / "stems/pad.wav", 0.05 * small_beat.tone(330.0, 8.0))


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Archive, Cache]:
    """The small beat, built once into an archive with a cache; the changes follow one another."""
    root = tmp_path_factory.mktemp("kept")
    folder = root / "paper-harbour"
    small_beat.write_beat(folder)
    archive, cache = Archive(root / "site"), Cache(root / "cache")
    built(folder, archive, cache)
    return folder, archive, cache


def built(folder: Path, archive: Archive, cache: Cache) -> tuple[DossierData, dict[str, str]]:
    """The data of a build without what only counts revisions, and the digests of its renders."""
    done = pipeline.build(folder, archive, cache=cache, made=small_beat.MADE, say=lambda _: None)
    assert done.new
    data = archive.latest(done.slug)
    assert data is not None
    renders = archive.renders_of(done.slug, done.revision)
    digests = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in renders.iterdir()}
    return replace(data, revision=replace(data.revision, id="", previous=None, changes=())), digests


CHANGES = (replaced_kick, renamed_snare, reversed_loop, renamed_loop, other_settings, other_stem)


@pytest.mark.parametrize("change", CHANGES)
def test_a_changed_beat_comes_out_as_with_an_empty_cache(
    place: tuple[Path, Archive, Cache], change: Change, tmp_path: Path
) -> None:
    """Analytic: both ways are the same calculation, so numbers, sentences and sounds are equal to the last digit."""
    folder, archive, cache = place
    change(folder)
    kept, kept_renders = built(folder, archive, cache)
    fresh, fresh_renders = built(folder, Archive(tmp_path / "site"), Cache(tmp_path / "cache"))
    assert kept == fresh
    assert kept_renders == fresh_renders


def test_so_does_a_beat_of_one_shots(tmp_path: Path) -> None:
    """Analytic, on a beat whose kit is treated as a whole too: the kick in use is another one, and then the first."""
    folder = next(each for each in demo_beats.write(tmp_path / "beats") if each.name == "lantern-market")
    archive, cache = Archive(tmp_path / "site"), Cache(tmp_path / "cache")
    first, first_renders = built(folder, archive, cache)
    kicks = {row.file for row in first.balance.parts if row.chosen and row.part == "kick"}
    path = folder / kicks.pop()
    sound, rate = sf.read(path, always_2d=True)
    raw = path.read_bytes()
    sf.write(path, 0.7 * sound[: 3 * len(sound) // 4], rate, subtype="PCM_24")
    kept, kept_renders = built(folder, archive, cache)
    assert any("kit-treated" in name for name in kept_renders)
    assert kept_renders != first_renders
    fresh, fresh_renders = built(folder, Archive(tmp_path / "other"), Cache(tmp_path / "other-cache"))
    assert kept == fresh
    assert kept_renders == fresh_renders
    path.write_bytes(raw)
    assert built(folder, archive, cache) == (first, first_renders)
