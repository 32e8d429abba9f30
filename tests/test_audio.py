"""The room that opens audio files: every odd input ends in a clip or in a sentence that names the file."""

from __future__ import annotations

import hashlib
import io
import os
import re
import resource
import signal
import subprocess
import sys
import tracemalloc
import wave
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from badinput import as_nobody, audio_files, open_folder
from badinput.audio_files import FRAMES, RATE, READ, REFUSED, Read, Refused, encoded, noise
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dossier import audio, audioguard
from dossier.errors import AudioError
from dossier.model.measures import Clip
from dossier.names import printable


@pytest.fixture(autouse=True)
def _time_limit() -> Iterator[None]:
    """No input may make the program wait: a pipe or a device would."""

    def give_up(*_: object) -> None:
        raise TimeoutError("waited for a file")

    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(20)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


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
    assert info.whole == case.whole
    assert len(samples) == case.frames if case.frames is not None else len(samples) > 0
    assert samples.dtype == np.float32
    assert samples.ndim == 2
    assert samples.shape[1] == min(info.channels, 2)
    assert np.isfinite(samples).all()
    assert samples.flags.c_contiguous
    assert capfd.readouterr() == ("", "")


def test_the_corpus_is_large_enough() -> None:
    assert len({case.name for case in REFUSED}) == len(REFUSED) >= 60
    assert len({case.name for case in READ}) == len(READ) >= 50


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

    monkeypatch.setattr(Path, "open", lambda self, mode="r": Worn(io.FileIO(self, "r")))
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
    assert not info.whole
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


@pytest.mark.parametrize("channel", range(6))
@pytest.mark.parametrize("container", ["WAV", "FLAC"])
def test_downmix_coefficients(container: str, channel: int, tmp_path: Path) -> None:
    """Conformance: ITU-R BS.775, downward mixing to 2/0 (1, 0.7071, 0.7071, no LFE); from memory."""
    source = np.zeros((FRAMES, 6))
    source[:, channel] = noise(channels=1)[:, 0]
    path = tmp_path / "x.wav"
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


def test_numbers_of_a_reading(tmp_path: Path) -> None:
    """Analytic: a tone with a known peak, a known mean, and no full-scale sample."""
    tone = 0.5 * np.sin(2 * np.pi * np.arange(48) / 48)
    path = tmp_path / "x.wav"
    path.write_bytes(encoded(np.stack([np.tile(tone, 100) + 0.125, np.tile(tone, 100)], axis=1), "WAV", "PCM_24"))
    info = audio.read_info(path, shown_as="x")
    assert info.peak == pytest.approx(0.625, abs=1e-6)
    assert info.dc_offset == pytest.approx((0.125, 0.0), abs=1e-6)
    assert (info.clipped_runs, info.silent, info.whole) == (0, False, True)


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
    with audioguard.decoder_quiet(True) as said:
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
    assert not info.whole
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


# --- sample rates, stereo


def test_equal_rates_give_the_same_clip() -> None:
    clip = Clip(samples=noise(), rate_hz=RATE)
    assert audio.resample(clip, RATE) is clip


@pytest.mark.parametrize(("source", "target"), [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (22_050, 48_000)])
def test_a_resampled_tone_is_the_same_tone(source: int, target: int) -> None:
    """Analytic: 1 kHz stays 1 kHz at the same level and phase; residue under -100 dB away from the ends."""
    tone = 0.5 * np.sin(2 * np.pi * 1_000 * np.arange(source) / source)
    out = audio.resample(Clip(samples=np.stack([tone, -tone], axis=1), rate_hz=source), target)
    assert (out.rate_hz, out.samples.shape) == (target, (target, 2))
    wanted = 0.5 * np.sin(2 * np.pi * 1_000 * np.arange(target) / target)
    middle = slice(target // 10, -target // 10)
    assert np.abs(out.samples[middle, 0] - wanted[middle]).max() < 0.5e-5
    assert np.abs(out.samples[middle, 1] + wanted[middle]).max() < 0.5e-5


@given(
    st.integers(1, 500),
    st.sampled_from([8_000, 22_050, 44_100, 48_000, 96_000, 192_000]),
    st.sampled_from([44_100, 48_000]),
)
@settings(deadline=None, max_examples=40)
def test_length_after_resampling(frames: int, source: int, target: int) -> None:
    out = audio.resample(Clip(samples=noise(frames), rate_hz=source), target)
    assert len(out.samples) == max(1, round(frames * target / source))


def test_mono_plays_on_both_channels() -> None:
    mono, stereo = noise(channels=1), noise()
    np.testing.assert_array_equal(audio.to_stereo(mono), np.concatenate([mono, mono], axis=1))
    assert audio.to_stereo(stereo) is stereo


# --- writing


@pytest.mark.parametrize("bits", [16, 24, 32])
@pytest.mark.parametrize("count", [1, 2])
def test_written_samples_are_read_back_bit_for_bit(bits: int, count: int, tmp_path: Path) -> None:
    """Cross-check: libsndfile reads what was written; values that the format holds come back exactly."""
    scale = 2 ** (bits - 1)
    steps = np.random.default_rng(3).integers(-scale, scale, (5_000, count))
    steps[:2] = [[-scale] * count, [scale - 1] * count]
    path = tmp_path / "x.wav"
    assert audio.write_wav(path, steps / scale, 44_100, bits=bits) == 0
    got, rate = sf.read(path, dtype="int32", always_2d=True)
    np.testing.assert_array_equal(got >> (32 - bits), steps)
    assert (rate, sf.info(path).subtype) == (44_100, f"PCM_{bits}")


def test_rounding_is_to_the_nearest_step_and_overs_are_clipped_and_counted(tmp_path: Path) -> None:
    """Analytic."""
    path = tmp_path / "x.wav"
    step = 2.0**-23
    clipped = audio.write_wav(path, np.array([[0.4 * step], [0.6 * step], [1.5], [-2.0], [-1.0], [1.0]]), RATE)
    with wave.open(str(path)) as file:
        raw = np.frombuffer(file.readframes(6), np.uint8).reshape(6, 3)
    values = (raw.astype(np.int32) @ [1, 256, 65_536] + 2**23) % 2**24 - 2**23
    assert values.tolist() == [0, 1, 2**23 - 1, -(2**23), -(2**23), 2**23 - 1]
    assert clipped == 3


def test_the_same_samples_give_the_same_file(tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav"):
        audio.write_wav(tmp_path / name, noise(), RATE)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()
    assert (tmp_path / "a.wav").stat().st_mode & 0o777 == 0o666 & ~_umask()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def test_a_full_disk_leaves_the_old_file(tmp_path: Path) -> None:
    """The system's limit on the size of a file stands in for a full disk: the write fails half-way."""
    path = tmp_path / "mix.wav"
    audio.write_wav(path, noise(frames=100), RATE)
    before = path.read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, hard))
    try:
        with pytest.raises(AudioError, match=r"^cannot write mix\.wav: "):
            audio.write_wav(path, noise(frames=200_000), RATE)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["mix.wav"]


@pytest.mark.parametrize("code", ["ENOSPC", "EROFS", "EIO"])
def test_an_error_when_flushing_leaves_the_old_file(code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno

    path = tmp_path / "mix.wav"
    path.write_bytes(b"old")

    def fail(_: int) -> None:
        number = getattr(errno, code)
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    words = {"ENOSPC": "no space is left", "EROFS": "read-only", "EIO": "Input/output error"}[code]
    with pytest.raises(AudioError, match=words):
        audio.write_wav(path, noise(), RATE)
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["mix.wav"]


def test_a_folder_in_the_way_or_none_at_all_is_said(tmp_path: Path) -> None:
    (tmp_path / "mix.wav").mkdir()
    (tmp_path / "file").write_bytes(b"")
    for path in (tmp_path / "mix.wav", tmp_path / "missing" / "mix.wav", tmp_path / "file" / "mix.wav"):
        with pytest.raises(AudioError, match=r"^cannot write mix\.wav"):
            audio.write_wav(path, noise(), RATE)
    assert sorted(os.listdir(tmp_path)) == ["file", "mix.wav"]


def test_a_closed_folder_is_said() -> None:
    with open_folder() as folder:
        folder.chmod(0o555)
        with as_nobody(), pytest.raises(AudioError, match="read-only or belongs to another account"):
            audio.write_wav(folder / "mix.wav", noise(), RATE)
        assert os.listdir(folder) == []


@pytest.mark.parametrize("samples", [np.zeros((0, 2)), np.zeros(5), np.array([[np.nan]]), np.array([[0.1, np.inf]])])
def test_what_is_no_sound_is_not_written(samples: np.ndarray, tmp_path: Path) -> None:
    with pytest.raises(AudioError, match=r"no samples|not finite"):
        audio.write_wav(tmp_path / "x.wav", samples, RATE)
    with pytest.raises(AudioError, match=r"no samples|not finite"):
        audio.encode_mp3(samples, RATE)
    assert os.listdir(tmp_path) == []


def test_other_word_lengths_are_a_mistake_of_the_caller(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="16, 24 or 32"):
        audio.write_wav(tmp_path / "x.wav", noise(), RATE, bits=20)


# --- previews


def test_a_preview_is_the_same_bytes_each_time_and_as_long_as_its_source() -> None:
    """Regression in kind: the encoder is asked twice; the length is analytic."""
    samples = noise(frames=200_000)
    first = audio.encode_mp3(samples, RATE)
    assert first == audio.encode_mp3(samples.copy(), RATE)
    decoded, rate = sf.read(io.BytesIO(first))
    assert (decoded.shape, rate) == (samples.shape, RATE)


def test_previews_do_not_depend_on_the_length_of_a_write() -> None:
    """Cross-check: soundfile's encoder in one go."""
    samples = noise(frames=150_000).astype(np.float32)
    buffer = io.BytesIO()
    with sf.SoundFile(
        buffer, "w", RATE, 2, "MPEG_LAYER_III", format="MP3", bitrate_mode="VARIABLE", compression_level=0.5
    ) as file:
        file.write(samples)
    assert buffer.getvalue() == audio.encode_mp3(samples, RATE)


def test_a_preview_starts_when_its_source_starts() -> None:
    """Analytic: an impulse stays at its sample (encoder delay taken back), so that layers play in step."""
    click = np.zeros((RATE, 1))
    click[20_000] = 0.9
    decoded, _ = sf.read(io.BytesIO(audio.encode_mp3(click, RATE)))
    assert int(np.abs(decoded).argmax()) == 20_000


def test_a_preview_sounds_like_its_source() -> None:
    """Analytic: a tone keeps its level within 0.1 dB."""
    tone = 0.3 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)
    decoded, _ = sf.read(io.BytesIO(audio.encode_mp3(np.stack([tone, tone], axis=1), RATE)))
    middle = decoded[5_000:-5_000, 0]
    assert 20 * np.log10(np.sqrt(2 * np.mean(middle**2)) / 0.3) == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize(
    ("rate", "stored"), [(96_000, 48_000), (88_200, 44_100), (192_000, 48_000), (37_000, 48_000), (8_000, 8_000)]
)
def test_rates_that_mp3_lacks_are_resampled(rate: int, stored: int) -> None:
    decoded, got = sf.read(io.BytesIO(audio.encode_mp3(noise(frames=rate // 4), rate)))
    assert (got, len(decoded)) == (stored, round(rate // 4 * stored / rate))


def test_more_compression_is_fewer_bytes() -> None:
    sizes = [len(audio.encode_mp3(noise(frames=RATE), RATE, compression=level)) for level in (0.1, 0.5, 0.9)]
    assert sizes[0] > sizes[1] > sizes[2]


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
