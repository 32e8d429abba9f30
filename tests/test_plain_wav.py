"""WAV files that are read from memory.  Evidence: cross-check against libsndfile, whole and damaged files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from dossier import audio
from dossier.audio import plain_wav
from dossier.errors import AudioError

KINDS = [(form, kind, channels) for form in ("WAV", "WAVEX") for kind in ("PCM_16", "PCM_24", "PCM_32", "FLOAT")
         for channels in (1, 2)]  # fmt: skip


def written(folder: Path, form: str, kind: str, channels: int) -> bytes:
    path = folder / "whole.wav"
    sound = np.random.default_rng(5).uniform(-1, 1, (101, channels))
    sf.write(path, sound, 44_100, format=form, subtype=kind)
    return path.read_bytes()


def told(path: Path) -> Any:
    """All that reading a file tells, or why it cannot be read."""
    try:
        found = audio.read_info(path, shown_as="a.wav")
    except AudioError as error:
        return str(error)
    return found.header, found.notes, found.clip.samples.shape, found.clip.samples.tobytes()


@pytest.mark.parametrize(("form", "kind", "channels"), KINDS)
def test_plain_files_are_read_to_the_bit(tmp_path: Path, form: str, kind: str, channels: int) -> None:
    found = plain_wav.read(written(tmp_path, form, kind, channels))
    assert found is not None
    expected, rate = sf.read(tmp_path / "whole.wav", dtype="float32", always_2d=True)
    header, samples = found
    assert (header.subtype, header.rate_hz, header.channels, header.frames) == (kind, rate, channels, 101)
    assert samples.dtype == np.float32
    np.testing.assert_array_equal(samples, expected)


def test_damaged_files_are_read_as_the_decoder_reads_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 2,000 that were changed in their headers, cut or lengthened, those that are still taken for plain."""
    rng = np.random.default_rng(11)
    whole = [written(tmp_path, *kind) for kind in KINDS]
    path, taken = tmp_path / "a.wav", 0
    for number in range(2000):
        content = bytearray(whole[number % len(whole)])
        if number % 4:
            content[rng.integers(content.index(b"data") + 8)] ^= 1 << int(rng.integers(8))
        elif number % 8:
            del content[rng.integers(13, len(content)) :]
        else:
            content += rng.bytes(int(rng.integers(1, 20)))
        if content[8:12] != b"WAVE" or plain_wav.read(bytes(content)) is None:
            continue
        taken += 1
        path.write_bytes(content)
        found = told(path)
        with monkeypatch.context() as decoder:
            decoder.setattr(plain_wav, "read", lambda _: None)
            assert told(path) == found
    assert taken > 50


def test_what_could_be_read_in_two_ways_is_left_to_the_decoder(tmp_path: Path) -> None:
    whole = written(tmp_path, "WAV", "PCM_16", 1)
    data = whole.index(b"data")
    size = len(whole) - 8
    twice = whole[:4] + (size + 8).to_bytes(4, "little") + whole[8:data] + b"data\0\0\0\0" + whole[data:]
    no_data = whole[:4] + (data - 8).to_bytes(4, "little") + whole[8:data]
    for content in (whole[:-1], whole + b"\0\0", twice, no_data, b"RIFX" + whole[4:], whole[:12]):
        assert plain_wav.read(content) is None
