"""Tags: what mutagen writes is read back (cross-check), chunks made by hand (conformance), and what strangers write."""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from mutagen import aiff, flac, id3, mp3, oggopus, oggvorbis, wave
from test_loops import RATE_HZ, loop

from dossier import audio
from dossier.audio import read_tags
from dossier.errors import AudioError
from dossier.model.beat import DrumFile
from dossier.model.measures import FileMeasures
from dossier.stages.candidates import measure_file
from dossier.terminal import as_object

TONE = (0.1 * np.sin(np.arange(9600) * 0.1)).astype(np.float32)


def sound(folder: Path, name: str) -> Path:
    path = folder / name
    soundfile.write(path, TONE, 48000, subtype="OPUS" if name.endswith(".opus") else None,
                    format="OGG" if name.endswith(".opus") else None)  # fmt: skip
    return path


def tagged(path: Path, **texts: str) -> Path:
    """The file with TBPM and TKEY, or BPM and KEY, written by mutagen."""
    kinds = {".mp3": mp3.MP3, ".wav": wave.WAVE, ".aiff": aiff.AIFF, ".flac": flac.FLAC, ".ogg": oggvorbis.OggVorbis,
             ".opus": oggopus.OggOpus}  # fmt: skip
    file = kinds[path.suffix](path)
    if file.tags is None:
        file.add_tags()
    for name, text in texts.items():
        if isinstance(file.tags, id3.ID3):
            file.tags.add(getattr(id3, f"T{name}")(encoding=3, text=[text]))
        else:
            file[name] = [text]
    file.save()
    return path


def chunk(name: bytes, body: bytes, order: str = "<") -> bytes:
    return name + struct.pack(f"{order}I", len(body)) + body + b"\0" * (len(body) % 2)


def with_chunk(path: Path, name: bytes, body: bytes) -> Path:
    """The WAV or AIFF file with one more chunk at its end, and its length set right."""
    order = "<" if path.suffix == ".wav" else ">"
    data = path.read_bytes() + chunk(name, body, order)
    path.write_bytes(data[:4] + struct.pack(f"{order}I", len(data) - 8) + data[8:])
    return path


def smpl(note: int) -> bytes:
    """RIFF `smpl` (Multimedia Programming Interface and Data Specifications 1.0; MEM): nine 32-bit fields, no loops."""
    return struct.pack("<9I", 0, 0, 20833, note, 0, 0, 0, 0, 0)


@pytest.mark.parametrize("name", ["a.mp3", "a.wav", "a.aiff", "a.flac", "a.ogg", "a.opus"])
def test_cross_check_what_mutagen_writes_is_read_back(tmp_path: Path, name: str) -> None:
    path = sound(tmp_path, name)
    assert read_tags(path).tempo_bpm is None
    names = ("BPM", "KEY")
    found = read_tags(tagged(path, **dict(zip(names, ("92.5", "F#m"), strict=True))))
    assert (found.tempo_bpm, found.key, found.notes) == (92.5, "F# minor", ())


@pytest.mark.parametrize("version", [3, 4])
@pytest.mark.parametrize("encoding", [0, 1, 3])
def test_cross_check_versions_and_encodings_of_id3(tmp_path: Path, version: int, encoding: int) -> None:
    path = sound(tmp_path, "a.mp3")
    tags = id3.ID3()
    tags.add(id3.TBPM(encoding=encoding, text=["126"]))
    tags.add(id3.TKEY(encoding=encoding, text=["Bb"]))
    tags.add(id3.APIC(data=b"\xff" * 300_000))
    tags.save(path, v2_version=version)
    found = read_tags(path)
    assert (found.tempo_bpm, found.key) == (126.0, "Bb major")


def test_conformance_root_notes_of_wav_and_aiff(tmp_path: Path) -> None:
    """`INST` as in AIFF 1.3, appendix (MEM): base note, detune, low and high note and velocity, gain, two loops."""
    assert read_tags(with_chunk(sound(tmp_path, "a.wav"), b"smpl", smpl(33))).root_note == 33
    inst = struct.pack(">6bh", 45, 0, 0, 127, 1, 127, 0) + bytes(12)
    assert read_tags(with_chunk(sound(tmp_path, "a.aiff"), b"INST", inst)).root_note == 45


def test_conformance_a_chunk_of_odd_length_before_it_is_padded(tmp_path: Path) -> None:
    path = with_chunk(sound(tmp_path, "a.wav"), b"junk", b"odd")
    assert read_tags(with_chunk(path, b"smpl", smpl(60))).root_note == 60


@pytest.mark.parametrize("text", ["0", "000", "", " "])
def test_nought_is_no_tempo(tmp_path: Path, text: str) -> None:
    """Common practice, no source: programs write 0 where they know no tempo."""
    found = read_tags(tagged(sound(tmp_path, "a.mp3"), BPM=text))
    assert (found.tempo_bpm, found.notes) == (None, ())


@pytest.mark.parametrize("text", ["-92", "nan", "inf", "1e9", "ninety-two", "9" * 200, "92 or so", "\x1b[2J92"])
@pytest.mark.parametrize("name", ["a.mp3", "a.flac"])
def test_hostile_tempos_are_noted(tmp_path: Path, text: str, name: str) -> None:
    found = read_tags(tagged(sound(tmp_path, name), BPM=text, KEY="H sharp"))
    assert found.tempo_bpm is None
    assert found.key is None
    assert len(found.notes) == 2
    assert all(len(note) < 100 and note.isprintable() for note in found.notes)


def test_hostile_notes_and_cut_chunks(tmp_path: Path) -> None:
    found = read_tags(with_chunk(sound(tmp_path, "a.wav"), b"smpl", smpl(2**32 - 1)))
    assert found.root_note is None
    assert "MIDI has 0 to 127" in found.notes[0]
    assert read_tags(with_chunk(sound(tmp_path, "b.wav"), b"smpl", b"\1\2\3")).root_note is None
    path = with_chunk(sound(tmp_path, "c.wav"), b"smpl", smpl(40))
    for cut in range(1, 45):
        path.write_bytes(path.read_bytes()[:-1])
        assert read_tags(path).root_note in (None, 40), cut


def test_a_frame_that_unpacks_to_much_is_not_unpacked(tmp_path: Path) -> None:
    """ID3v2.3 section 3.3.1: flag 0x80 of the second byte marks a frame packed by zlib, its full size before it."""
    packed = struct.pack(">I", 2**28) + zlib.compress(b"\0" + b"9" * 2**24)
    frame = b"TBPM" + struct.pack(">I", len(packed)) + b"\x00\x80" + packed
    size = bytes(len(frame) >> shift & 0x7F for shift in (21, 14, 7, 0))
    path = sound(tmp_path, "a.mp3")
    path.write_bytes(b"ID3\3\0\0" + size + frame + path.read_bytes())
    assert read_tags(path).tempo_bpm is None


@pytest.mark.parametrize("name", ["a.mp3", "a.wav", "a.aiff", "a.flac", "a.ogg", "a.opus"])
def test_damaged_tags_never_crash(tmp_path: Path, name: str) -> None:
    """Bytes at random in the place of others, seeded; every outcome is a tag that could be or none."""
    path = tagged(sound(tmp_path, name), BPM="92", KEY="Am")
    whole = path.read_bytes()
    g = np.random.default_rng(3)
    start = max(0, whole.find(b"92") - 60)
    for _ in range(60):
        data = bytearray(whole)
        for place in g.integers(12, 200, 6):
            data[(start + place) % len(data) if g.random() < 0.5 else place % len(data)] = int(g.integers(256))
        path.write_bytes(bytes(data[: int(g.integers(100, len(data)))] if g.random() < 0.3 else data))
        found = read_tags(path)
        assert found.tempo_bpm is None or 20.0 <= found.tempo_bpm <= 400.0


def test_only_regular_files_are_read(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(AudioError, match="pipe"):
        read_tags(tmp_path / "pipe.wav")


# Against the sound ----------------------------------------------------------------------------------------------------


def drum(folder: Path, name: str, samples: np.ndarray) -> Path:
    path = folder / name
    soundfile.write(path, samples, RATE_HZ)
    return path


def measured(path: Path, **stated: object) -> FileMeasures:
    info = audio.read_info(path, shown_as=path.name)
    return measure_file(info.clip, drum=DrumFile(file=path.name, path=path, **stated), channels=info.channels,
                        bit_depth=info.bit_depth, tags=read_tags(path))  # fmt: skip


@pytest.mark.parametrize("bpm", [120.0, 126.0, 63.0])
def test_analytic_a_tag_that_fits_is_taken_before_the_file_name(tmp_path: Path, bpm: float) -> None:
    """The half of a tempo is a way to count the same loop: the tag decides."""
    played = loop("busy", 120.0 if bpm == 120.0 else 126.0, 2)[0]
    path = tagged(drum(tmp_path, "break_loop.wav", played), BPM=f"{bpm:g}")
    found = measured(path).loop
    assert found is not None
    assert (found.tempo_bpm, found.tempo_source, found.notes) == (pytest.approx(bpm), "tag", ())


def test_analytic_a_tag_against_the_sound_is_not_believed(tmp_path: Path) -> None:
    path = tagged(drum(tmp_path, "break_loop.wav", loop("busy", 126.0, 2)[0]), BPM="92")
    found = measured(path)
    assert found.loop is not None
    assert found.loop.tempo_bpm == pytest.approx(126.0, rel=0.001)
    assert found.loop.tempo_source.startswith("its length, ")
    assert found.notes == ("92 BPM (tag) does not fit its sound, which has 126 BPM",)


def test_analytic_a_file_name_against_the_sound_is_not_believed(tmp_path: Path) -> None:
    path = drum(tmp_path, "break_92bpm.wav", loop("backbeat", 126.0, 2)[0])
    found = measured(path)
    assert found.loop is not None
    assert found.loop.tempo_bpm == pytest.approx(126.0, rel=0.001)
    assert found.notes == ("92 BPM (file name) does not fit its sound, which has 126 BPM",)
    assert measured(tagged(path, BPM="126")).loop.tempo_source == "tag"


def test_analytic_the_users_word_is_taken_and_doubted(tmp_path: Path) -> None:
    path = tagged(drum(tmp_path, "break.wav", loop("backbeat", 126.0, 2)[0]), BPM="126")
    found = measured(path, tempo_bpm=92.0, kind="loop")
    assert found.loop is not None
    assert (found.loop.tempo_bpm, found.loop.tempo_source) == (92.0, "beat.toml")
    assert found.notes == (
        "92 BPM (beat.toml) does not fit its sound, which has 126 BPM, and is taken all the same",
        "its tag states 126 BPM; 92 BPM (beat.toml) is taken",
    )


def test_analytic_a_root_note_against_the_sound(tmp_path: Path) -> None:
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    kick = 0.8 * np.sin(2 * np.pi * 55.0 * t) * np.exp(-6.0 * t)  # A1, MIDI 33
    fits = measured(with_chunk(drum(tmp_path, "a.wav", kick), b"smpl", smpl(45)))
    assert (fits.pitch.note, fits.pitch.source, fits.notes) == ("A1", "tag", ())
    wrong = measured(with_chunk(drum(tmp_path, "b.wav", kick), b"smpl", smpl(40)))
    assert (wrong.pitch.note, wrong.pitch.source) == ("A1", "sound")
    assert wrong.notes == ("its tag states E2 as its root; its sound has A1, which is taken",)
    noise = np.random.default_rng(1).standard_normal(RATE_HZ // 4) * np.exp(-20.0 * t[: RATE_HZ // 4]) * 0.2
    alone = measured(with_chunk(drum(tmp_path, "c.wav", noise), b"smpl", smpl(40)))
    assert (alone.pitch.note, alone.pitch.source) == ("E2", "tag")
    assert measured(with_chunk(drum(tmp_path, "d.wav", noise), b"smpl", smpl(60))).pitch.hz is None
    table = as_object(alone)
    assert (table["pitch_source"], table["tempo_source"]) == ("tag", None)


@pytest.mark.parametrize(
    ("bpm", "taken", "source"), [(126.0, 126.0, "tag"), (63.0, 63.0, "tag"), (92.0, 126.0, "estimated")]
)
def test_analytic_tags_of_files_too_long_for_a_loop(tmp_path: Path, bpm: float, taken: float, source: str) -> None:
    path = tagged(drum(tmp_path, "long_loop.wav", np.tile(loop("backbeat", 126.0, 4)[0], (6, 1))), BPM=f"{bpm:g}")
    found = measured(path).loop
    assert found is not None
    assert found.tempo_bpm == pytest.approx(taken, rel=0.001)
    assert found.tempo_source == source
    assert len(found.notes) == (bpm != taken)
