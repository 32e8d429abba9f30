"""From a beat folder to a Beat: what is taken, what it is called, and every problem said at once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from badinput import as_nobody, open_folder
from badinput.beat_folders import BAD_FOLDERS, BAD_TOML, FILES, GOOD_TOML, GROOVE, BadFolder, BadToml, fill
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dossier import beatfile
from dossier.beatfile import listing, sources
from dossier.errors import BeatError
from dossier.names import printable

POLICY = {"open_below": 0.55, "full_above": 0.7}


pytestmark = pytest.mark.usefixtures("time_limit")


def problems_of(folder: Path) -> BeatError:
    with pytest.raises(BeatError) as caught:
        beatfile.load(folder, known_policy=POLICY)
    return caught.value


# --- what is wrong


@pytest.mark.parametrize("case", BAD_TOML, ids=lambda case: case.name)
def test_every_problem_of_a_beat_toml_is_said_with_its_key(case: BadToml, tmp_path: Path) -> None:
    """Analytic: the faults were built in; nothing else may be found."""
    error = problems_of(fill(tmp_path / "night-bus", toml=case.text))
    assert [problem.key for problem in error.problems] == [key for key, _ in case.problems], str(error)
    for problem, (_, words) in zip(error.problems, case.problems, strict=True):
        assert problem.file == "night-bus/beat.toml"
        assert words in problem.message
        assert str(tmp_path) not in str(problem)
    assert all(line.startswith("night-bus/beat.toml: ") for line in str(error).split("\n"))
    assert str(error).encode()


@pytest.mark.parametrize("case", BAD_FOLDERS, ids=lambda case: ascii(case.name[:30]).strip("'"))
def test_what_is_no_beat_folder_is_said(case: BadFolder, tmp_path: Path) -> None:
    """Analytic: the faults were built in."""
    folder = tmp_path / case.name
    case.make(folder)
    error = problems_of(folder)
    assert len(error.problems) == 1, str(error)
    assert str(error).startswith(printable(case.name))
    assert all(words in str(error) for words in case.says), str(error)
    assert str(tmp_path) not in str(error)
    assert "\n" not in str(error)


def test_the_corpus_is_large_enough() -> None:
    assert len({case.name for case in BAD_TOML}) == len(BAD_TOML) >= 60
    assert len({case.name for case in BAD_FOLDERS}) == len(BAD_FOLDERS) >= 30


@pytest.mark.parametrize("closed", ["", "stems", "drums", "beat.toml", "groove.mid"])
def test_what_may_not_be_read_is_named(closed: str) -> None:
    """Works for the superuser too, who gives up his rights for the moment."""
    with open_folder() as root:
        folder = fill(root / "night-bus", toml="tempo = 92")
        (folder / "groove.mid").write_bytes(GROOVE)
        (folder / closed).chmod(0)
        with as_nobody():
            error = problems_of(folder)
        assert len(error.problems) == 1
        assert "may not be read: permission denied; change its permissions" in str(error)
        assert str(error).startswith(f"night-bus/{closed}" if closed == "beat.toml" else "night-bus: ")
        assert closed in str(error)


def test_very_many_problems_are_cut_and_counted(tmp_path: Path) -> None:
    toml = "".join(f"key{n} = 1\n" for n in range(500))
    error = problems_of(fill(tmp_path / "night-bus", toml=toml))
    assert len(error.problems) == 51
    assert error.problems[-1].message == "and 450 more problems like these"


def test_suggestions_for_many_wrong_names_do_not_multiply(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Analytic: 100 wrong names and 5 files make at most 20 comparisons with 5 names each."""
    compared: list[int] = []
    monkeypatch.setattr(sources, "MAX_COMPARED", 2)
    monkeypatch.setattr(sources, "did_you_mean", lambda text, known: compared.append(len(known)) or "")
    error = problems_of(
        fill(tmp_path / "x", toml="".join(f"[[drums]]\nfile = 'drums/loops/{n}.wav'\n" for n in range(100)))
    )
    assert len(error.problems) == 51
    assert compared == [1] * 20  # the one file in drums/loops


# --- what is taken


def test_a_folder_without_beat_toml(tmp_path: Path) -> None:
    folder = fill(tmp_path / "night-bus")
    (folder / "groove.mid").write_bytes(GROOVE)
    beat = beatfile.load(folder)
    assert (beat.title, beat.slug, beat.artist) == ("night-bus", "night-bus", "")
    assert [stem.file for stem in beat.stems] == ["stems/bass.wav", "stems/pad.flac"]
    assert [drum.file for drum in beat.drums] == ["drums/kick.wav", "drums/loops/break_92bpm.wav", "drums/snare.wav"]
    assert {stem.rights for stem in beat.stems} == {"unknown"}
    assert (beat.tempo_bpm, beat.meter, beat.key, beat.swing, beat.target_lufs) == (None,) * 5
    assert (beat.intent, beat.listening_level_db_spl, beat.first_downbeat_s) == ("level", None, None)
    assert beat.voice == "expected"
    assert beat.pattern is not None
    assert (beat.pattern.source, [hit.role for hit in beat.pattern.hits]) == ("groove.mid", ["kick"])
    assert beat.config_files == (folder / "groove.mid",)
    assert all(path.path.is_file() for path in (*beat.stems, *beat.drums))
    assert any("no beat.toml" in note for note in beat.notes)


def test_every_key_arrives(tmp_path: Path) -> None:
    """Analytic."""
    fill(tmp_path, "refs/a.wav")
    folder = fill(tmp_path / "folder", toml=GOOD_TOML)
    beat = beatfile.load(folder, known_policy=POLICY)
    assert (beat.title, beat.artist, beat.slug) == ("Night Bus", "The Invented", "night-bus")
    assert (beat.tempo_bpm, beat.meter, beat.key, beat.first_downbeat_s) == (92.0, (6, 8), "F# minor", 0.25)
    assert (beat.swing, beat.target_lufs, beat.intent, beat.listening_level_db_spl) == (0.56, -14.0, "tucked", 70.0)
    assert beat.voice == "in-stems"
    assert beat.role_intents == {"kick": "forward", "closed-hat": "level"}
    pad, bass = beat.stems
    assert (pad.file, pad.gain_db, pad.origin, pad.rights) == ("stems/pad.flac", -3.0, "played by A. Nobody", "own")
    assert (bass.file, bass.gain_db, bass.origin, bass.rights) == ("stems/bass.wav", 0.0, "", "unknown")
    kick, loop, snare = beat.drums
    assert (kick.file, kick.kind, kick.role) == ("drums/kick.wav", "one-shot", "kick")
    assert (kick.rights, kick.origin) == ("cleared", "")
    assert (loop.kind, loop.role, loop.tempo_bpm, loop.rights) == (None, None, 92.0, "unknown")
    assert (loop.means, loop.slices_s, loop.feel) == ("sliced", (0.0, 0.33, 0.65), "beat")
    assert loop.plays == {"kick": 0.0, "closed-hat": 0.4}
    assert (snare.kind, snare.role, snare.origin, snare.rights) == (None, None, "folder", "licensed")
    assert beat.kit_pins == {"kick": "drums/kick.wav"}
    assert beat.pattern is not None
    assert (beat.pattern.length_beats, len(beat.pattern.hits), beat.pattern.steps_per_beat) == (1.5, 8, 2)
    assert [hit.role for hit in beat.section_patterns["hook"].hits] == ["snare"]
    assert [(s.name, s.first_bar, s.bars, s.intent) for s in beat.sections] == [
        ("verse", 0, 8, "level"), ("hook", 8, 4, None), ("verse", 12, 16, None)]  # fmt: skip
    assert beat.references == (tmp_path / "refs/a.wav",)
    assert beat.policy == {"open_below": 0.5, "full_above": 1.0}
    assert beat.config_files == (folder / "beat.toml",)
    assert any("stems/" in note or "bass.wav" in note for note in beat.notes)


def test_reading_twice_gives_the_same_beat_and_touches_nothing(tmp_path: Path) -> None:
    fill(tmp_path, "refs/a.wav")
    folder = fill(tmp_path / "folder", toml=GOOD_TOML)
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    assert beatfile.load(folder) == beatfile.load(folder)
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_every_key_signature_and_usual_meters_are_taken(tmp_path: Path) -> None:
    for key in (f"{note}{sign} {mode}" for note in "CDEFGAB" for sign in ("", "#", "b") for mode in ("major", "minor")):
        assert beatfile.load(fill(tmp_path / "x", toml=f'key = "{key}"')).key == key
    for meter in ("4/4", "3/4", "6/8", "7/8", "5/4", "12/8", "2/2", "1/4", "32/16"):
        assert beatfile.load(fill(tmp_path / "x", toml=f'meter = "{meter}"')).meter == tuple(map(int, meter.split("/")))


@pytest.mark.parametrize("toml", ["\ufefftempo = 92", "tempo = 92\r\ntitle = 'a'\r\n", "# only a remark", ""])
def test_what_other_editors_write_is_taken(toml: str, tmp_path: Path) -> None:
    assert beatfile.load(fill(tmp_path / "x", toml=toml)).tempo_bpm == (92.0 if "tempo" in toml else None)


def test_pattern_of_the_file_outranks_the_groove_beside_it(tmp_path: Path) -> None:
    folder = fill(tmp_path / "x", toml="[pattern]\nlines = ['snare |x---|']")
    (folder / "groove.mid").write_bytes(GROOVE)
    beat = beatfile.load(folder)
    assert beat.pattern is not None
    assert beat.pattern.source == "beat.toml"
    assert "groove.mid is not used, because beat.toml names a pattern" in beat.notes
    (folder / "beat.toml").write_text("[pattern]\nmidi = 'groove.mid'")
    beat = beatfile.load(folder)
    assert beat.pattern is not None
    assert (beat.pattern.source, beat.notes) == ("groove.mid", ())
    assert beat.config_files == (folder / "beat.toml", folder / "groove.mid")


def test_a_groove_beside_the_beat_that_holds_no_drums_is_noted_and_left_out(tmp_path: Path) -> None:
    folder = fill(tmp_path / "x", toml="tempo = 92")
    (folder / "groove.mid").write_bytes(GROOVE.replace(b"\x99", b"\x90").replace(b"\x89", b"\x80"))
    beat = beatfile.load(folder)
    assert beat.pattern is None
    assert any("groove.mid holds no General MIDI percussion" in note and "plain" in note for note in beat.notes)
    assert folder / "groove.mid" in beat.config_files


def test_a_groove_without_time_signature_has_the_beats_meter(tmp_path: Path) -> None:
    folder = fill(tmp_path / "x", toml="meter = '3/4'")
    (folder / "groove.mid").write_bytes(GROOVE)
    beat = beatfile.load(folder)
    assert beat.pattern is not None
    assert beat.pattern.length_beats == 3.0


def test_hidden_files_and_other_kinds_are_passed_over(tmp_path: Path) -> None:
    others = ("stems/._bass.wav", "drums/.hidden/a.wav", "drums/__MACOSX/b.wav", "stems/notes.txt", "drums/a.mid")
    fill(tmp_path / "x", *FILES, *others)
    beat = beatfile.load(tmp_path / "x")
    assert len(beat.stems) == 2
    assert len(beat.drums) == 3
    assert "passed over in stems: 1 file of other kinds (.txt)" in beat.notes
    assert "passed over in drums: 1 file of other kinds (.mid)" in beat.notes


# --- which file, and what it is called


def test_files_of_a_library_are_named_within_it(tmp_path: Path) -> None:
    """No shown name holds a path of the machine; names of two libraries stay apart."""
    for library in ("here/lib", "there/lib"):
        fill(tmp_path / library, "kicks/a.wav", "b.wav")
    fill(tmp_path / "single", "c.wav")
    toml = "".join(
        f"[[drums]]\nfile = '{path}'\n" for path in ("../here/lib", f"{tmp_path}/there/lib", "../single/c.wav")
    )
    beat = beatfile.load(
        fill(tmp_path / "x", "stems/a.wav", toml=toml + "[kit]\nkick = 'lib-2/kicks/a.wav'\nrim = '../single/c.wav'")
    )
    assert [drum.file for drum in beat.drums] == [
        "lib-2/b.wav", "lib-2/kicks/a.wav", "lib/b.wav", "lib/kicks/a.wav", "single/c.wav"]  # fmt: skip
    assert beat.kit_pins == {"kick": "lib-2/kicks/a.wav", "rim": "single/c.wav"}
    assert [str(drum.path.relative_to(tmp_path)) for drum in beat.drums] == [
        "there/lib/b.wav", "there/lib/kicks/a.wav", "here/lib/b.wav", "here/lib/kicks/a.wav", "single/c.wav",
    ]  # fmt: skip


def test_the_name_of_a_user_is_not_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = tmp_path / "annegret"
    monkeypatch.setenv("HOME", str(home))
    fill(home, "snare.wav", "packs/kick.wav")
    (home / "packs/again").symlink_to(home / "packs")
    toml = "[[drums]]\nfile = '~/snare.wav'\n[[drums]]\nfile = '~/packs'"
    beat = beatfile.load(fill(tmp_path / "x", "stems/a.wav", toml=toml))
    assert [drum.file for drum in beat.drums] == ["library/snare.wav", "packs/kick.wav"]
    assert beat.notes == ("packs/again leads to a folder that is read already; passed over",)


def test_a_library_called_like_a_folder_of_the_beat_stays_apart(tmp_path: Path) -> None:
    fill(tmp_path / "drums", "kick.wav")
    beat = beatfile.load(fill(tmp_path / "x", toml="[[drums]]\nfile = '../drums'"))
    assert "drums-2/kick.wav" in [drum.file for drum in beat.drums]


def test_stems_are_never_candidates(tmp_path: Path) -> None:
    beat = beatfile.load(fill(tmp_path / "x", toml="[[drums]]\nfile = '.'"))
    assert [drum.file for drum in beat.drums] == ["drums/kick.wav", "drums/loops/break_92bpm.wav", "drums/snare.wav"]


def test_links_are_followed_within_a_beat_and_loops_end(tmp_path: Path) -> None:
    folder = fill(tmp_path / "x")
    (folder / "more").mkdir()
    (folder / "more/a.wav").write_bytes(b"another")
    links = {"more": "../more", "again": "../more", "up": "..", "self": "self", "kick-too.wav": "kick.wav"}
    for name, target in links.items():
        (folder / "drums" / name).symlink_to(target)
    beat = beatfile.load(folder)
    assert [drum.file for drum in beat.drums] == [
        "drums/again/a.wav", "drums/kick.wav", "drums/loops/break_92bpm.wav", "drums/snare.wav"]  # fmt: skip
    assert [note for note in beat.notes if "read already; passed over" in note] != []


@pytest.mark.parametrize("name", ["drums/kit", "drums/one.wav", "drums/root", "stems/deep", "stems/one.wav"])
def test_a_link_out_of_the_beat_is_a_problem(name: str, tmp_path: Path) -> None:
    """Neither the other's file nor its name below the link is touched."""
    fill(tmp_path / "other", "secret/one.wav")
    folder = fill(tmp_path / "x")
    target = tmp_path / "other/secret" / ("one.wav" if name.endswith("wav") else "")
    (folder / name).symlink_to("/" if name.endswith("root") else target)
    for toml in ("", f"[[{name.split('/')[0]}]]\nfile = '{name}{'' if name.endswith('wav') else '/one.wav'}'\n"):
        (folder / "beat.toml").write_text(toml)
        error = problems_of(folder)
        assert "is a link that leads out of the beat" in str(error)
        assert "secret" not in str(error)


@pytest.mark.parametrize("name", ["stems", "drums", "beat.toml", "groove.mid"])
def test_a_part_of_the_beat_that_lies_elsewhere_is_not_read(name: str, tmp_path: Path) -> None:
    folder = fill(tmp_path / "x", toml="")
    (folder / "groove.mid").write_bytes(GROOVE)
    (folder / name).rename(tmp_path / "elsewhere")
    (folder / name).symlink_to(tmp_path / "elsewhere")
    assert f"{name}" in str(problems_of(folder))
    assert "is a link that leads out of the beat" in str(problems_of(folder))


def test_links_out_of_a_library_are_passed_over_and_counted(tmp_path: Path) -> None:
    fill(tmp_path / "secret", "one.wav")
    fill(tmp_path / "library", "hats/a.wav", "hats/b.wav")
    (tmp_path / "library/out").symlink_to(tmp_path / "secret")
    (tmp_path / "library/root").symlink_to("/")
    (tmp_path / "library/one.wav").symlink_to(tmp_path / "secret/one.wav")
    (tmp_path / "library/in.wav").symlink_to("hats/a.wav")
    for toml in ("library = ['../library']", "[[drums]]\nfile = '../library'"):
        beat = beatfile.load(fill(tmp_path / "x", "stems/a.wav", toml=toml))
        assert [drum.file for drum in beat.drums] == ["library/hats/a.wav", "library/hats/b.wav"]
        assert [note for note in beat.notes if "3 links out of it" in note] != []


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ('"><img src=x onerror=alert(1)>.wav', '"><img src=x onerror=alert(1)>.wav'),
        ("\u202egnp.wav", "\\u202egnp.wav"),
        ("a\nb.wav", "a\\u000ab.wav"),
        ("\u2028.wav", "\\u2028.wav"),
        ("\udcff.wav", "\\xff.wav"),
        ("\u592a\u9f13 \U0001f941.wav", "\u592a\u9f13 \U0001f941.wav"),
        ("</script>.wav".replace("/", "\u2215"), "<\u2215script>.wav"),
        ("..wav.wav", None),
        ("-rf.wav", "-rf.wav"),
    ],
)
def test_hostile_names_are_shown_without_harm_and_still_found(name: str, shown: str | None, tmp_path: Path) -> None:
    beat = beatfile.load(fill(tmp_path / "x", "stems/a.wav", f"drums/{name}"))
    if shown is None:  # starts with a dot: a hidden file
        assert beat.drums == ()
        return
    assert [drum.file for drum in beat.drums] == [f"drums/{shown}"]
    assert beat.drums[0].path.is_file()
    assert beat.drums[0].file.encode()


def test_shown_names_are_unique(tmp_path: Path) -> None:
    beat = beatfile.load(fill(tmp_path / "x", "stems/a.wav", "drums/\u202e.wav", "drums/\\u202e.wav"))
    assert sorted(drum.file for drum in beat.drums) == ["drums/\\u202e (2).wav", "drums/\\u202e.wav"]


def test_names_written_on_other_systems_are_found(tmp_path: Path) -> None:
    """Composed and decomposed letters (NFC, NFD), backslashes between folders."""
    decomposed = "stems/Gera\u0308usch.wav"
    toml = '[[stems]]\nfile = "stems/Ger\u00e4usch.wav"\n[[drums]]\nfile = "drums\\\\kick.wav"\nrole = "kick"'
    beat = beatfile.load(fill(tmp_path / "x", decomposed, "drums/kick.wav", toml=toml))
    assert [stem.path.name for stem in beat.stems] == [decomposed.removeprefix("stems/")]
    assert [(drum.file, drum.role) for drum in beat.drums] == [("drums/kick.wav", "kick")]


def test_a_library_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listing, "MAX_FILES", 10)
    fill(tmp_path / "lib", *(f"{n}.wav" for n in range(12)))
    error = problems_of(fill(tmp_path / "x", toml="[[drums]]\nfile = '../lib'"))
    assert [problem.key for problem in error.problems] == ["drums[0].file"]
    assert "holds more than 10 audio files; name a smaller folder" in str(error)


def test_an_empty_library_is_a_problem(tmp_path: Path) -> None:
    (tmp_path / "lib").mkdir()
    error = problems_of(fill(tmp_path / "x", toml="[[drums]]\nfile = '../lib'"))
    assert "'../lib' is a folder without audio files" in str(error)


@given(st.binary(max_size=60) | st.text(max_size=60).map(lambda text: text.encode("utf-8", "replace")))
@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_as_beat_toml_are_answered(tmp_path: Path, content: bytes) -> None:
    """Invariant: a Beat or a BeatError."""
    folder = fill(tmp_path / "x", toml=content)
    try:
        beat = beatfile.load(folder)
    except BeatError as error:
        messages = str(error)
    else:
        messages = beat.title
    assert messages.encode()
    assert str(tmp_path) not in messages


def test_the_folder_may_be_named_in_any_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = fill(tmp_path / "night-bus")
    monkeypatch.chdir(folder)
    beat = beatfile.load(Path())
    assert (beat.title, beat.folder) == ("night-bus", folder)
    assert beatfile.load(Path(os.pardir) / "night-bus") == beat
