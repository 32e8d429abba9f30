"""Ways in: the folders that people have, one bounced file, libraries elsewhere.

Evidence: analytic; what lies in the folders was put there by the test.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from dossier import beatfile
from dossier.beatfile.inputs import wanted
from dossier.errors import BeatError
from dossier.model.beat import Given


def files(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(name.encode())
    return folder


# ------------------------------------------------------------------ what is found


def test_one_bounced_file_is_a_beat_of_its_name_and_nothing_beside_it_is_looked_at(tmp_path: Path) -> None:
    music = files(tmp_path / "music", "Late Tram.wav", "other.wav", "stems/x.wav", "drums/y.wav", "groove.mid")
    library = files(tmp_path / "library of mine", "kicks/Deep.wav", "hat.flac", "readme.txt")
    beat = beatfile.load(music / "Late Tram.wav", given=Given(drums=(library,)))
    assert (beat.title, beat.slug) == ("Late Tram", "late-tram")
    assert [stem.file for stem in beat.stems] == ["Late Tram.wav"]
    assert [drum.file for drum in beat.drums] == ["library of mine/hat.flac", "library of mine/kicks/Deep.wav"]
    assert beat.pattern is None
    assert beat.config_files == ()
    assert beatfile.load(music / "Late Tram.wav", given=Given(name="Night Tram")).slug == "night-tram"


def test_folders_in_any_case_and_with_sub_folders_are_read(tmp_path: Path) -> None:
    beat = beatfile.load(files(tmp_path / "b", "STEMS/Bass.wav", "STEMS/keys/left/pad.aif", "stems/Lead.WAV",
                               "Drums/one/two/Kick.wav"))  # fmt: skip
    assert [stem.file for stem in beat.stems] == ["stems/Lead.WAV", "STEMS/Bass.wav", "STEMS/keys/left/pad.aif"]
    assert [drum.file for drum in beat.drums] == ["Drums/one/two/Kick.wav"]


def test_a_library_is_named_after_itself_and_its_place_is_never_shown(tmp_path: Path) -> None:
    """Inside the beat folder, above it, named like a folder of the beat, or like the user: never where it lies."""
    beat = files(tmp_path / "secret place" / "beat", "stems/a.wav", "drums/own.wav", "inner/deep/packs/clap.wav")
    files(beat.parent, "drums/kick.wav", "drums/Loops/a/b/c/d/e/break.wav")
    (beat / "beat.toml").write_text('library = ["../drums", "inner/deep/packs"]\n[[drums]]\nfile = "drums/own.wav"\n')
    loaded = beatfile.load(beat)
    assert [drum.file for drum in loaded.drums] == [
        "drums-2/kick.wav", "drums-2/Loops/a/b/c/d/e/break.wav", "drums/own.wav", "packs/clap.wav",
    ]  # fmt: skip
    assert loaded.libraries == (beat.parent / "drums", beat / "inner/deep/packs")
    assert "secret" not in repr([drum.file for drum in loaded.drums] + list(loaded.notes))


def test_what_is_in_the_beat_and_in_a_library_is_one_file(tmp_path: Path) -> None:
    beat = files(tmp_path / "beat", "stems/a.wav", "drums/own.wav")
    given = Given(drums=(tmp_path,))
    assert [drum.file for drum in beatfile.load(beat, given=given).drums] == ["drums/own.wav"]


@pytest.mark.parametrize(
    ("name", "include", "exclude", "passes"),
    [
        ("kicks/Deep Kick.wav", (), (), True),
        ("kicks/Deep Kick.wav", ("*kick*",), (), True),
        ("kicks/Deep.wav", ("*kick*",), (), True),  # `*` crosses folders
        ("kicks/Deep.wav", ("kick*",), (), True),
        ("drums/Deep.wav", ("deep*",), (), True),  # the file's name alone
        ("drums/Deep.wav", ("x/deep*",), (), False),
        ("Hats/a.WAV", ("hats/*.wav",), (), True),
        ("Hats/a.wav", (), ("hats/*",), False),
        ("Hats/a.wav", ("*",), ("*a.wav",), False),
        ("Hats/a.wav", ("snare*", "hats/?.wav"), (), True),
        ("Hats/a.wav", ("./Hats/*",), (), True),
    ],
)
def test_globs(name: str, include: tuple[str, ...], exclude: tuple[str, ...], passes: bool) -> None:
    assert wanted(name, include, exclude) is passes


def test_globs_of_beat_toml_and_of_the_command_hold_together(tmp_path: Path) -> None:
    library = files(tmp_path / "lib", "kick.wav", "kick fx.wav", "snare.wav", "loops/hat.wav")
    beat = files(tmp_path / "beat", "stems/a.wav", "drums/own.wav")
    (beat / "beat.toml").write_text('exclude = ["* fx*"]\n')
    told = beatfile.load(beat, given=Given(drums=(library,), include=("kick*", "loops/*"))).drums
    assert [drum.file for drum in told] == ["drums/own.wav", "lib/kick.wav", "lib/loops/hat.wav"]


@pytest.mark.parametrize(("place", "words"), [("gone", "--drums 'gone' is not there"), ("a.wav", "is a file; name"),
                                              ("empty", "--drums 'empty' holds no audio file")])  # fmt: skip
def test_a_library_that_cannot_be_one_is_an_error(tmp_path: Path, place: str, words: str) -> None:
    files(tmp_path, "a.wav")
    (tmp_path / "empty").mkdir(exist_ok=True)
    with pytest.raises(BeatError, match=words):
        beatfile.load(tmp_path / "a.wav", given=Given(drums=(tmp_path / place,)))


# ------------------------------------------------------------------ where stems begin


@pytest.mark.parametrize(
    ("head", "start", "seconds"),
    [("", "5.25", 5.25), ("tempo = 120", '"bar 3"', 4.0), ("tempo = 90\nmeter = '6/8'", '"bar 2"', 2.0),
     ("tempo = 120\nfirst_downbeat = 0.5", '"bar 1"', 0.5), ("", "0", 0.0)],
)  # fmt: skip
def test_a_start_is_in_seconds_or_a_bar(tmp_path: Path, head: str, start: str, seconds: float) -> None:
    beat = files(tmp_path / "b", "stems/a.wav", "stems/b.wav")
    (beat / "beat.toml").write_text(f'{head}\n[[stems]]\nfile = "stems/b.wav"\nstart = {start}\n')
    assert [(stem.file, stem.start_s) for stem in beatfile.load(beat).stems] == [
        ("stems/b.wav", pytest.approx(seconds)), ("stems/a.wav", None),
    ]  # fmt: skip
