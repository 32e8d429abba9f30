"""The room that opens audio files: every odd input ends in a clip or in a sentence that names the file."""

from __future__ import annotations

import hashlib
import io
import os
import re
import subprocess
import sys
import tracemalloc
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile as sf
from badinput import as_nobody, audio_files, open_folder
from badinput.audio_files import FRAMES, RATE, READ, REFUSED, Read, Refused, encoded, noise
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dossier import audio, files
from dossier.audio import foreign, sniff
from dossier.errors import AudioError
from dossier.names import printable

pytestmark = pytest.mark.usefixtures("time_limit")


def label(case: Refused | Read) -> str:
    return ascii(case.name[:40]).strip("'")


@pytest.mark.parametrize("case", REFUSED, ids=label)
def test_what_cannot_be_used_is_refused_in_words(
    case: Refused, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Analytic: the fault was built in, so its name is known."""
    path = tmp_path / case.name
    case.make(path)
    with pytest.raises(AudioError) as caught:
        audio.read(path, shown_as=case.name)
    message = str(caught.value)
    assert message.startswith(f"{printable(case.name)}: ")
    assert all(words in message for words in case.says), message
    assert message.count(";") >= 1  # what to do
    assert not any(word in message for word in ("Dear", "Töne", "doctype", "frame in sight")), "content is never quoted"
    assert str(tmp_path) not in message
    assert "\n" not in message
    assert message.encode()  # can be written as UTF-8
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("case", READ, ids=label)
def test_what_can_be_used_is_read_and_oddities_are_noted(
    case: Read, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Analytic: the oddity was built in."""
    path = tmp_path / case.name
    case.make(path)
    info = audio.read_info(path, shown_as=case.name)
    samples = info.clip.samples
    assert [bool(re.search(re.escape(words), note)) for words, note in zip(case.notes, info.notes, strict=True)] == [
        True
    ] * len(case.notes), info.notes
    assert len(samples) == case.frames if case.frames is not None else len(samples) > 0
    assert samples.dtype == np.float32
    assert samples.ndim == 2
    assert samples.shape[1] == min(info.channels, 2)
    assert np.isfinite(samples).all()
    assert samples.flags.c_contiguous
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("name", audio_files.FED, ids=ascii)
def test_no_file_makes_the_decoder_read_another(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`secret.wav` lies beside it, and a shell, a playlist reader or a protocol would find it."""
    program: str = imageio_ffmpeg.get_ffmpeg_exe()
    monkeypatch.setattr(foreign, "ffmpeg", lambda: program)
    monkeypatch.chdir(tmp_path)
    Path("secret.wav").write_bytes(audio_files.GOOD_16)
    Path(name).write_bytes(audio_files.FED[name])
    with pytest.raises(AudioError) as caught:
        audio.read(Path(name), shown_as=name)
    assert "secret" not in str(caught.value).replace(name, "")
    assert sorted(os.listdir()) == sorted([name, "secret.wav"])


def test_what_ffmpeg_writes_and_says_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file whose sound is longer than the bound is refused, never read in part."""
    program: str = imageio_ffmpeg.get_ffmpeg_exe()
    monkeypatch.setattr(foreign, "ffmpeg", lambda: program)
    (tmp_path / "a.wav").write_bytes(audio_files.encoded(audio_files.noise(96_000), "WAV", "PCM_16"))
    subprocess.run([program, "-loglevel", "error", "-i", tmp_path / "a.wav", tmp_path / "a.m4a"], check=True)
    assert len(audio.read(tmp_path / "a.m4a", shown_as="a.m4a").samples) >= 96_000
    monkeypatch.setattr(foreign, "MOST_BYTES", 100_000)
    with pytest.raises(AudioError, match=r"^a\.m4a: holds more sound than is read"):
        audio.read(tmp_path / "a.m4a", shown_as="a.m4a")


def test_the_corpus_is_large_enough() -> None:
    assert len({case.name for case in REFUSED}) == len(REFUSED)
    assert len({case.name for case in READ}) == len(READ)
    assert len(REFUSED) + len(READ) + len(audio_files.FED) >= 170


def test_a_file_that_may_not_be_read_is_named() -> None:
    """Works for the superuser too, who gives up his rights for the moment."""
    with open_folder() as folder:
        path = folder / "closed.wav"
        path.write_bytes(audio_files.GOOD_16)
        path.chmod(0)
        with as_nobody(), pytest.raises(AudioError, match=r"^closed\.wav: may not be read: permission denied; change"):
            audio.read(path, shown_as="closed.wav")
        with as_nobody(), pytest.raises(AudioError, match="permission denied"):
            audio.sha256(path)


def test_a_file_in_a_closed_folder_is_named() -> None:
    with open_folder() as folder:
        inner = folder / "inner"
        inner.mkdir()
        (inner / "kick.wav").write_bytes(audio_files.GOOD_16)
        inner.chmod(0)
        with as_nobody(), pytest.raises(AudioError, match=r"^kick\.wav: may not be read"):
            audio.read(inner / "kick.wav", shown_as="kick.wav")


def test_an_error_of_the_disk_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "worn.wav"
    path.write_bytes(audio_files.GOOD_16)

    class Worn(io.BufferedReader):
        def read(self, size: int | None = -1, /) -> bytes:
            raise OSError(5, "Input/output error")

    monkeypatch.setattr(files, "open", lambda handle, mode: Worn(io.FileIO(handle, "r")), raising=False)
    with pytest.raises(AudioError, match=r"^worn\.wav: cannot be read: Input/output error; check the disk"):
        audio.read(path, shown_as="worn.wav")


@pytest.mark.parametrize("name", ["claims-weeks.flac", "claims-years.mp3", "31-minutes.wav", "9-gibibytes.wav"])
def test_a_huge_claim_takes_no_memory(name: str, tmp_path: Path) -> None:
    """Analytic: the claims are from 350 MB to 550 GB; numpy reports its arrays to tracemalloc."""
    path = tmp_path / name
    next(case for case in REFUSED if case.name == name).make(path)
    tracemalloc.start()
    try:
        with pytest.raises(AudioError):
            audio.read(path, shown_as=name)
        assert tracemalloc.get_traced_memory()[1] < 8 * 2**20
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("subtype", "bits", "step"),
    [("PCM_U8", "8-bit", 2**-7), ("PCM_16", "16-bit", 2**-15), ("PCM_24", "24-bit", 2**-23),
     ("PCM_32", "32-bit", 2**-23), ("FLOAT", "32-bit float", 2**-24), ("DOUBLE", "64-bit float", 2**-24)],
)  # fmt: skip
def test_samples_come_back_within_one_step_of_the_format(subtype: str, bits: str, step: float, tmp_path: Path) -> None:
    """Analytic: quantisation moves a sample by at most one step; float32 keeps 24 bits."""
    path = tmp_path / "x.wav"
    wanted = noise()
    path.write_bytes(encoded(wanted, "WAV", subtype))
    info = audio.read_info(path, shown_as="x.wav")
    assert info.bit_depth == bits
    assert info.clip.rate_hz == RATE
    assert np.abs(info.clip.samples - wanted).max() <= step


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
@pytest.mark.parametrize(("container", "subtype"), [("WAV", "PCM_24"), ("AIFF", "PCM_16"), ("FLAC", "PCM_16")])
def test_what_is_left_of_a_cut_file_is_what_was_in_the_whole_one(
    container: str, subtype: str, share: float, tmp_path: Path
) -> None:
    """Analytic: lossless formats; the samples before the cut are equal bit for bit."""
    whole, cut = tmp_path / "whole.wav", tmp_path / "cut.wav"
    content = encoded(noise(frames=5 * FRAMES), container, subtype)
    whole.write_bytes(content)
    cut.write_bytes(content[: int(len(content) * share)])
    info = audio.read_info(cut, shown_as="cut.wav")
    left = info.clip.samples
    assert share * 0.8 - 0.1 < len(left) / (5 * FRAMES) <= share
    np.testing.assert_array_equal(left, audio.read(whole, shown_as="whole.wav").samples[: len(left)])


@pytest.mark.parametrize("container", ["WAV", "FLAC", "MP3", "OGG", "AIFF"])
def test_reading_in_blocks_is_reading_in_one_go(container: str, tmp_path: Path) -> None:
    """Cross-check: soundfile's own reader, over several of our blocks."""
    path = tmp_path / "x.wav"
    frames = 300_000
    path.write_bytes(
        encoded(noise(frames=frames), container, {"MP3": "MPEG_LAYER_III", "OGG": "VORBIS"}.get(container, "PCM_16"))
    )
    np.testing.assert_array_equal(audio.read(path, shown_as="x").samples, sf.read(path, dtype="float32")[0])


DOWNMIX = np.array([[1, 0], [0, 1], [np.sqrt(0.5)] * 2, [0, 0], [np.sqrt(0.5), 0], [0, np.sqrt(0.5)]])
OGG_ORDER = [0, 2, 1, 4, 5, 3]  # L C R Ls Rs LFE, from L R C LFE Ls Rs


@pytest.mark.parametrize("container", ["WAV", "FLAC"])
def test_downmix_coefficients(container: str, tmp_path: Path) -> None:
    """Conformance: ITU-R BS.775, downward mixing to 2/0 (1, 0.7071, 0.7071, no LFE); MEM."""
    path = tmp_path / "x.wav"
    for channel in range(6):
        source = np.zeros((FRAMES, 6))
        source[:, channel] = noise(channels=1)[:, 0]
        path.write_bytes(encoded(source, container, "PCM_24"))
        got = audio.read(path, shown_as="x").samples
        np.testing.assert_allclose(got, source @ DOWNMIX, atol=1e-6)


@pytest.mark.parametrize("suffix", ["wav", "flac", "ogg"])
def test_downmix_agrees_with_ffmpeg(suffix: str, tmp_path: Path) -> None:
    """Cross-check: ffmpeg's own matrix and its knowledge of each container's channel order."""
    ffmpeg = pytest.importorskip("imageio_ffmpeg").get_ffmpeg_exe()
    time = np.arange(RATE) / RATE
    tones = np.stack([0.1 * np.sin(2 * np.pi * hz * time) for hz in (300, 500, 700, 60, 1100, 1300)], axis=1)
    path = tmp_path / f"x.{suffix}"
    if suffix == "ogg":
        path.write_bytes(encoded(tones[:, OGG_ORDER], "OGG", "VORBIS"))
    else:
        path.write_bytes(encoded(tones, {"wav": "WAVEX", "flac": "FLAC"}[suffix], "PCM_24"))
    command = [ffmpeg, "-v", "error", "-i", path, "-ac", "2", "-f", "f32le", "-"]
    theirs = np.frombuffer(subprocess.run(command, capture_output=True, check=True).stdout, "<f4").reshape(-1, 2)
    ours = audio.read(path, shown_as="x").samples
    spectra = [
        2 * np.abs(np.fft.rfft(side[:RATE], axis=0))[[300, 500, 700, 60, 1100, 1300]] / RATE for side in (ours, theirs)
    ]
    np.testing.assert_allclose(spectra[0], spectra[1], atol=0.002)
    np.testing.assert_allclose(spectra[0], 0.1 * DOWNMIX, atol=0.003)


def test_other_channel_counts_are_averaged(tmp_path: Path) -> None:
    """Analytic: odd channels to the left, even ones to the right."""
    source = noise(channels=7)
    path = tmp_path / "x.wav"
    path.write_bytes(encoded(source, "WAV", "FLOAT"))
    got = audio.read(path, shown_as="x").samples
    np.testing.assert_allclose(got[:, 0], source[:, [0, 2, 4, 6]].mean(axis=1), atol=1e-7)
    np.testing.assert_allclose(got[:, 1], source[:, [1, 3, 5]].mean(axis=1), atol=1e-7)


def test_a_full_scale_peak_is_not_called_clipped(tmp_path: Path) -> None:
    """Analytic: a sine at full scale touches it with one sample a turn."""
    path = tmp_path / "x.wav"
    path.write_bytes(encoded(np.sin(2 * np.pi * np.arange(4_800) / 24)[:, None], "WAV", "PCM_16"))
    assert audio.read_info(path, shown_as="x").notes == ()


def test_probe_reads_the_header_alone(tmp_path: Path) -> None:
    path = tmp_path / "x.flac"
    path.write_bytes(audio_files.flac_claiming(24_000)[:200])
    header = audio.probe(path, shown_as="x.flac")
    assert (header.container, header.bit_depth, header.rate_hz, header.channels) == ("FLAC", "16-bit", RATE, 2)
    assert (header.frames, header.duration_s) == (24_000, 0.5)
    path.write_bytes(audio_files.flac_claiming(0))
    assert audio.probe(path, shown_as="x.flac").duration_s is None


def test_what_the_mp3_decoder_says_is_caught_and_what_others_say_is_not(capfd: pytest.CaptureFixture[str]) -> None:
    with sniff.decoder_quiet(True) as said:
        os.write(2, b"Note: Illegal Audio-MPEG-Header 0x00000000 at offset 4006.\n")
        os.write(2, b"[src/libmpg123/layer3.c:INT123_do_layer3():1844] error: dequantization failed!\n")
        print("progress 3 of 8", file=sys.stderr)
    assert len(said) == 2
    assert capfd.readouterr().err == "progress 3 of 8\n"


def test_a_damaged_mp3_is_noted(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    whole = bytearray(encoded(noise(frames=2 * RATE), "MP3", "MPEG_LAYER_III"))
    frame = whole.index(b"\xff\xfb", 8_000)
    whole[frame:frame] = b"\x55" * 900
    (tmp_path / "x.mp3").write_bytes(whole)
    info = audio.read_info(tmp_path / "x.mp3", shown_as="x.mp3")
    assert "no MP3 audio" in info.notes[0]
    assert capfd.readouterr() == ("", "")


BASES = {
    ("wav", "PCM_24"): "WAV", ("wav", "FLOAT"): "WAV", ("wav", "MS_ADPCM"): "WAV", ("aiff", "PCM_16"): "AIFF",
    ("flac", "PCM_16"): "FLAC", ("mp3", "MPEG_LAYER_III"): "MP3", ("ogg", "VORBIS"): "OGG", ("ogg", "OPUS"): "OGG",
}  # fmt: skip


@pytest.mark.parametrize("kind", BASES, ids="-".join)
def test_random_damage_never_breaks_the_reader(
    kind: tuple[str, str], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Invariant: a clip that keeps its promise, or an AudioError; seeded."""
    rng = np.random.default_rng(7)
    base = encoded(noise(frames=30_000 if kind[0] == "ogg" else 3_000), BASES[kind], kind[1])
    path = tmp_path / f"x.{kind[0]}"
    outcomes = set()
    for _ in range(120):
        content = bytearray(base)
        for _ in range(int(rng.integers(1, 5))):
            place = int(rng.integers(0, len(content) if rng.random() < 0.5 else min(len(content), 120)))
            match int(rng.integers(0, 4)):
                case 0:
                    content[place] = int(rng.integers(0, 256))
                case 1:
                    content[place : place + 4] = rng.bytes(4)
                case 2:
                    del content[max(1, place) :]
                case _:
                    content[place:place] = rng.bytes(int(rng.integers(1, 40)))
            if not content:
                break
        path.write_bytes(content)
        try:
            info = audio.read_info(path, shown_as="x")
        except AudioError as error:
            outcomes.add("refused" if str(error).startswith("x: ") else str(error))
            continue
        outcomes.add("read")
        samples = info.clip.samples
        assert len(samples)
        assert samples.shape[1] in (1, 2)
        assert float(np.abs(samples).max()) <= 1_000.0 * 64
    assert outcomes == {"read", "refused"}
    assert capfd.readouterr() == ("", "")


# --- hashes


def test_sha256_of_a_known_message(tmp_path: Path) -> None:
    """Conformance: FIPS 180-4 example, one-block message 'abc'; from memory, and hashlib agrees."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert audio.sha256(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert audio.sha256(path) == hashlib.sha256(b"abc").hexdigest()


@pytest.mark.parametrize(
    "name", ["missing.wav", "folder.wav", "pipe.wav", "loop.wav", "zeros-device.wav", "9-gibibytes.wav"]
)
def test_sha256_of_what_is_no_file(name: str, tmp_path: Path) -> None:
    next(case for case in REFUSED if case.name == name).make(tmp_path / name)
    with pytest.raises(AudioError, match=f"^{re.escape(name)}: "):
        audio.sha256(tmp_path / name)


@given(st.text(st.characters(), max_size=30))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150, deadline=None)
def test_any_name_is_answered_with_a_sentence(name: str) -> None:
    """Invariant: whatever a name holds, the answer is an AudioError in one line of UTF-8."""
    with pytest.raises(AudioError) as caught:
        audio.read(Path("/nonexistent") / f"a{name}.wav", shown_as=name)
    message = str(caught.value)
    assert message.isprintable() or printable(message) == message
    assert message.encode()
