"""A folder as people have it: stems of several formats and starts, `Drums` with a capital, a library of odd names.

Evidence: analytic; what lies there was put there by the test.
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from small_beat import RATE, drum_loop, kick, noise_hit, tone, write

from dossier import cli
from dossier.archive import Archive
from dossier.audio import foreign

BASS = (55.0, 65.41, 49.0, 55.0)
ODD_NAMES = ("k1.wav", "BD 03 (low).WAV", "mixdown_FINAL.aiff", "Snr~.flac", "hh.o.wav", "été/σ 12.wav", "untitled.ogg")


def folder_of(root: Path, ffmpeg: str) -> Path:
    beat = root / "own disk" / "Untitled"
    (beat / "Stems/keys").mkdir(parents=True)
    bass = np.concatenate([0.3 * tone(hz, 2.0) for hz in BASS])
    soundfile.write(beat / "Stems/bass.aiff", bass, RATE)
    soundfile.write(beat / "Stems/pad.flac", 0.08 * tone(220.0, 8.0), RATE)
    soundfile.write(beat / "Stems/lead.ogg", 0.05 * tone(440.0, 4.0), RATE)
    soundfile.write(beat / "Stems/keys/chord.mp3", 0.05 * tone(330.0, 8.0), RATE)
    write(root / "air.wav", 0.02 * tone(880.0, 8.0))
    subprocess.run([ffmpeg, "-loglevel", "error", "-i", root / "air.wav", beat / "Stems/air.m4a"], check=True)
    (beat / "beat.toml").write_text('tempo = 120\n[[stems]]\nfile = "Stems/lead.ogg"\nstart = "bar 3"\n')
    write(beat / "Drums/Loops/Break.wav", drum_loop(rich=False))
    return beat


def library_of(root: Path) -> Path:
    """One-shots of every kind, under names that tell little, in nested folders; and what is no sound."""
    library = root / "other disk" / "drums"
    for number, name in enumerate(ODD_NAMES * 3):
        sound = (kick(0.2, 45.0 + number), noise_hit(0.25, 300, number), noise_hit(0.06, 7000, number))[number % 3]
        path = library / f"pack {number // len(ODD_NAMES)}" / "x" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, sound, RATE)
    (library / "pack 1/licence.txt").write_text("yours")
    (library / "pack 2/x/torn.wav").write_bytes(b"RIFF")
    return library


def test_a_folder_as_people_have_it_becomes_a_dossier(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every stem is used and laid where it says, the library is ranked and never placed, what is lost is named."""
    ffmpeg = imageio_ffmpeg.get_ffmpeg_exe()
    monkeypatch.setattr(foreign, "ffmpeg", lambda: ffmpeg)
    monkeypatch.setenv("DOSSIER_CACHE", str(tmp_path / "cache"))
    beat, library, site = folder_of(tmp_path, ffmpeg), library_of(tmp_path), tmp_path / "site"
    command = ["build", str(beat), "--drums", str(library), "--exclude", "pack 0/*", "-o", str(site), "--json"]
    code = cli.main(command)
    out, err = capsys.readouterr()
    (built,) = json.loads(out)["built"]
    assert code == 1
    assert [line.split(": ")[2:4] for line in err.splitlines() if "left out" in line] == [
        ["left out", "drums-2/pack 2/x/torn.wav"]
    ]
    data = Archive(site).latest("untitled")
    assert data is not None
    stems = {entry.file: entry for entry in data.inputs if entry.kind == "stem"}
    assert {file: entry.start_s for file, entry in stems.items()} == {
        "Stems/lead.ogg": 4.0, "Stems/air.m4a": 0.0, "Stems/bass.aiff": 0.0, "Stems/keys/chord.mp3": 0.0,
        "Stems/pad.flac": 0.0,
    }  # fmt: skip
    assert all(entry.used for entry in stems.values())
    assert "Stems/lead.ogg: starts at 4.00 s, as beat.toml says" in built["warnings"]
    drums = {entry.file for entry in data.inputs if entry.kind == "drum"}
    assert len(drums) == 1 + 2 * len(ODD_NAMES) + 1
    assert "Drums/Loops/Break.wav" in drums
    assert {file.split("/")[0] for file in drums} == {"Drums", "drums-2"}
    assert not any("pack 0" in file for file in drums)
    assert data.kit is not None
    for written in site.rglob("*"):
        if written.suffix in (".html", ".json", ".jsonl", ".csv", ".sfz"):
            content = written.read_bytes()
            assert b"other disk" not in content, written.name
            assert b"own disk" not in content, written.name
    assert cli.main(command) == 1
    assert '"new": false' in capsys.readouterr().out
