"""Ways in: the folders that people have, one bounced file, libraries elsewhere.

Evidence: analytic; what lies in the folders was put there by the test.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from badinput.beat_folders import fill
from small_beat import RATE, tone, write

from dossier import audio, beatfile, inputs
from dossier.audio import foreign
from dossier.beatfile.sources import wanted
from dossier.cache import Cache
from dossier.errors import AudioError, BeatError
from dossier.memo import Memo
from dossier.model.beat import Given
from dossier.stages import stems

# ------------------------------------------------------------------ what is found


def test_one_bounced_file_is_a_beat_of_its_name_and_nothing_beside_it_is_looked_at(tmp_path: Path) -> None:
    music = fill(tmp_path / "music", "Late Tram.wav", "other.wav", "stems/x.wav", "drums/y.wav", "groove.mid")
    library = fill(tmp_path / "library of mine", "kicks/Deep.wav", "hat.flac", "readme.txt")
    beat = beatfile.load(music / "Late Tram.wav", given=Given(drums=(library,)))
    assert (beat.title, beat.slug) == ("Late Tram", "late-tram")
    assert [stem.file for stem in beat.stems] == ["Late Tram.wav"]
    assert [drum.file for drum in beat.drums] == ["library of mine/hat.flac", "library of mine/kicks/Deep.wav"]
    assert beat.pattern is None
    assert beat.config_files == ()
    assert beatfile.load(music / "Late Tram.wav", given=Given(name="Night Tram")).slug == "night-tram"


def test_folders_in_any_case_and_with_sub_folders_are_read(tmp_path: Path) -> None:
    beat = beatfile.load(fill(tmp_path / "b", "STEMS/Bass.wav", "STEMS/keys/left/pad.aif", "stems/Lead.WAV",
                               "Drums/one/two/Kick.wav"))  # fmt: skip
    assert [stem.file for stem in beat.stems] == ["stems/Lead.WAV", "STEMS/Bass.wav", "STEMS/keys/left/pad.aif"]
    assert [drum.file for drum in beat.drums] == ["Drums/one/two/Kick.wav"]


def test_a_library_is_named_after_itself_and_its_place_is_never_shown(tmp_path: Path) -> None:
    """Inside the beat folder, above it, named like a folder of the beat, or like the user: never where it lies."""
    beat = fill(tmp_path / "secret place" / "beat", "stems/a.wav", "drums/own.wav", "inner/deep/packs/clap.wav")
    fill(beat.parent, "drums/kick.wav", "drums/Loops/a/b/c/d/e/break.wav")
    (beat / "beat.toml").write_text('library = ["../drums", "inner/deep/packs"]\n[[drums]]\nfile = "drums/own.wav"\n')
    loaded = beatfile.load(beat)
    assert [drum.file for drum in loaded.drums] == [
        "drums-2/kick.wav", "drums-2/Loops/a/b/c/d/e/break.wav", "drums/own.wav", "packs/clap.wav",
    ]  # fmt: skip
    assert loaded.libraries == (beat.parent / "drums", beat / "inner/deep/packs")
    assert "secret" not in repr([drum.file for drum in loaded.drums] + list(loaded.notes))


def test_what_is_in_the_beat_and_in_a_library_is_one_file(tmp_path: Path) -> None:
    beat = fill(tmp_path / "beat", "stems/a.wav", "drums/own.wav")
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
    library = fill(tmp_path / "lib", "kick.wav", "kick fx.wav", "snare.wav", "loops/hat.wav")
    beat = fill(tmp_path / "beat", "stems/a.wav", "drums/own.wav")
    (beat / "beat.toml").write_text('exclude = ["* fx*"]\n')
    told = beatfile.load(beat, given=Given(drums=(library,), include=("kick*", "loops/*"))).drums
    assert [drum.file for drum in told] == ["drums/own.wav", "lib/kick.wav", "lib/loops/hat.wav"]


@pytest.mark.parametrize(("place", "words"), [("gone", "--drums 'gone' is not there"), ("a.wav", "is a file; name"),
                                              ("empty", "--drums 'empty' holds no audio file")])  # fmt: skip
def test_a_library_that_cannot_be_one_is_an_error(tmp_path: Path, place: str, words: str) -> None:
    fill(tmp_path, "a.wav")
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
    beat = fill(tmp_path / "b", "stems/a.wav", "stems/b.wav")
    (beat / "beat.toml").write_text(f'{head}\n[[stems]]\nfile = "stems/b.wav"\nstart = {start}\n')
    assert [(stem.file, stem.start_s) for stem in beatfile.load(beat).stems] == [
        ("stems/b.wav", pytest.approx(seconds)), ("stems/a.wav", None),
    ]  # fmt: skip


def bext(path: Path, time_reference: int) -> None:
    """Put a `bext` chunk before the format of a WAV file (EBU Tech 3285, section 2.3), all other fields empty."""
    body = bytes(338) + time_reference.to_bytes(8, "little") + bytes(602 - 346)
    raw = path.read_bytes()
    riff = raw[:12] + b"bext" + len(body).to_bytes(4, "little") + body + raw[12:]
    path.write_bytes(riff[:4] + (len(riff) - 8).to_bytes(4, "little") + riff[8:])


def summed(folder: Path) -> stems.SummedStems:
    return stems.sum_stems(beatfile.load(folder), Memo(Cache(folder.parent / "cache")))


def test_time_references_say_where_stems_begin(tmp_path: Path) -> None:
    """Cross-check of the chunk's layout: ffmpeg's writer; of the sum: the tone begins where it was laid."""
    beat = tmp_path / "beat"
    write(beat / "stems/bass.wav", 0.2 * tone(55, 6.0))
    write(beat / "stems/lead.wav", 0.2 * tone(440, 2.0, 48_000), 48_000)
    write(beat / "stems/pad.wav", 0.2 * tone(220, 4.0))
    plain = summed(beat)
    assert plain.notes == (
        "The stems end at different times, from 2.00 s (stems/lead.wav) to 6.00 s (stems/bass.wav).",
    )
    bext(beat / "stems/bass.wav", 3600 * RATE)
    subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-loglevel", "error", "-i", beat / "stems/lead.wav", "-write_bext", "1",
         "-metadata", f"time_reference={3604 * 48_000}", beat / "lead.wav"], check=True,
    )  # fmt: skip
    (beat / "lead.wav").replace(beat / "stems/lead.wav")
    assert audio.read_tags(beat / "stems/lead.wav").time_reference == 3604 * 48_000
    found = summed(beat)
    assert found.notes == (
        "stems/lead.wav: starts at 4.00 s, by its time reference",
        "stems/pad.wav: has no time reference, which others have; it is laid at 0 s",
        "The stems end at different times, from 4.00 s (stems/pad.wav) to 6.00 s (stems/lead.wav).",
    )
    assert [entry.start_s for entry in found.inputs] == [0.0, 4.0, 0.0]
    lead = found.samples[:, 0]
    level = [float(np.abs(np.fft.rfft(lead[at * RATE : (at + 1) * RATE]))[440]) for at in range(6)]
    assert max(level[:4]) < 0.01 * min(level[4:])
    (beat / "beat.toml").write_text('tempo = 120\n[[stems]]\nfile = "stems/lead.wav"\nstart = "bar 2"\n')
    assert summed(beat).notes[0] == "stems/lead.wav: starts at 2.00 s, as beat.toml says"


def test_time_references_of_different_days_are_not_believed(tmp_path: Path) -> None:
    for name, hours in (("a", 1), ("b", 22)):
        write(tmp_path / f"beat/stems/{name}.wav", 0.2 * tone(220, 3.0))
        bext(tmp_path / f"beat/stems/{name}.wav", hours * 3600 * RATE)
    found = summed(tmp_path / "beat")
    assert len(found.samples) == 3 * RATE
    assert found.notes == ("The stems' time references lie 1260 minutes apart, as of several songs: not used.",)


# ------------------------------------------------------------------ what libsndfile cannot read


@pytest.fixture
def encoder(monkeypatch: pytest.MonkeyPatch) -> str:
    """ffmpeg as the test environment installs it, for the program too."""
    program: str = imageio_ffmpeg.get_ffmpeg_exe()
    monkeypatch.setattr(foreign, "ffmpeg", lambda: program)
    return program


@pytest.mark.parametrize(("name", "codec", "kind"), [
    ("a.m4a", "aac", "MPEG-4"), ("a.caf", "alac", "CAF"), ("a.caf", "pcm_s24le", "CAF"), ("a.aac", "aac", "AAC"),
    ("a.wma", "wmav2", "Windows Media"), ("a.wv", "wavpack", "WavPack"), ("a.w64", "pcm_s24le", "W64"),
    ("a.mka", "flac", "Matroska"),
])  # fmt: skip
def test_other_formats_are_read(encoder: str, tmp_path: Path, name: str, codec: str, kind: str) -> None:
    """Cross-check: ffmpeg's encoders; the tone comes back at its level, to the ripple of a lossy codec (0.2 dB)."""
    write(tmp_path / "tone.wav", np.stack([0.5 * tone(440, 3.0), 0.25 * tone(660, 3.0)], axis=1))
    command = [encoder, "-loglevel", "error", "-i", tmp_path / "tone.wav", "-c:a", codec, tmp_path / name]
    subprocess.run(command, check=True)
    info = audio.read_info(tmp_path / name, shown_as=name)
    assert info.header.container == kind
    assert audio.probe(tmp_path / name, shown_as=name).rate_hz == info.clip.rate_hz == RATE
    assert info.clip.duration_s == pytest.approx(3.0, abs=0.1)
    middle = np.abs(np.fft.rfft(info.clip.samples[RATE // 2 : RATE // 2 + RATE].T)) * 2 / RATE
    assert 20 * np.log10([middle[0, 440] / 0.5, middle[1, 660] / 0.25]) == pytest.approx([0, 0], abs=0.2)
    assert info.notes == ()


def test_without_ffmpeg_a_stem_is_left_out_and_named_and_the_next_build_with_it_is_another(
    encoder: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    beat = tmp_path / "beat"
    write(beat / "stems/bass.wav", 0.2 * tone(55, 3.0))
    subprocess.run([encoder, "-loglevel", "error", "-i", beat / "stems/bass.wav", beat / "stems/pad.m4a"], check=True)
    whole, identity = summed(beat), inputs.identity_of(beatfile.load(beat))
    monkeypatch.setattr(foreign, "ffmpeg", lambda: None)
    less = summed(beat)
    assert [entry.file for entry in whole.inputs if entry.used] == ["stems/bass.wav", "stems/pad.m4a"]
    assert [(entry.file, entry.used) for entry in less.inputs] == [("stems/bass.wav", True), ("stems/pad.m4a", False)]
    assert less.notes[0].startswith("stems/pad.m4a: is MPEG-4 audio, which is read through ffmpeg, and ffmpeg is not ")
    assert inputs.identity_of(beatfile.load(beat)) != identity
    (beat / "stems/bass.wav").unlink()
    with pytest.raises(BeatError, match=r"stems/pad\.m4a: is MPEG-4 audio"):
        summed(beat)


@pytest.mark.parametrize(("name", "change", "words"), [
    ("cut.aiff", lambda raw: raw[:30], "its header breaks off or makes no sense: the file was cut short"),
    ("cut.wav", lambda raw: raw[:30], "its header breaks off"),
    ("rifx.wav", lambda raw: b"RIFX" + raw[4:], "its header of its RIFX form, big-endian, breaks off"),
    ("packed.wav", lambda raw: raw[:20] + b"\xff\0" + raw[22:], "it holds AAC, not plain samples"),
    ("cut.m4a", lambda raw: b"\0\0\0\x1cftypM4A " + raw, "is MPEG-4 audio, which is read through ffmpeg"),
])  # fmt: skip
def test_errors_say_what_a_file_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, change: Callable[[bytes], bytes], words: str
) -> None:
    monkeypatch.setattr(foreign, "ffmpeg", lambda: None)
    soundfile.write(tmp_path / "x", tone(440, 0.1), RATE, format="AIFF" if name.endswith("aiff") else "WAV")
    (tmp_path / name).write_bytes(change((tmp_path / "x").read_bytes()))
    with pytest.raises(AudioError, match=re.escape(words)) as raised:
        audio.read(tmp_path / name, shown_as=name)
    assert str(raised.value).startswith(f"{name}: ")
