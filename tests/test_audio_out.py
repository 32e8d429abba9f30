"""Audio out: sample rates, WAV and FLAC files that survive a crash, MP3 previews."""

from __future__ import annotations

import errno
import io
import os
import resource
import struct
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from badinput import as_nobody, open_folder
from badinput.audio_files import RATE, noise
from hypothesis import given, settings
from hypothesis import strategies as st
from mutagen.wave import WAVE
from tests_support import write_wav

from dossier import audio
from dossier.errors import AudioError
from dossier.model.measures import Clip
from dossier.stages import playback


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


@pytest.mark.parametrize("count", [1, 2])
def test_written_samples_are_read_back_bit_for_bit(count: int, tmp_path: Path) -> None:
    """Cross-check: libsndfile reads what was written; values that the format holds come back exactly."""
    scale = 2**23
    steps = np.random.default_rng(3).integers(-scale, scale, (5_000, count))
    steps[:2] = [[-scale] * count, [scale - 1] * count]
    path = tmp_path / "x.wav"
    for write, form in ((write_wav, "WAV"), (audio.write_flac, "FLAC")):
        assert not write(path, steps / scale, 44_100)
        got, rate = sf.read(path, dtype="int32", always_2d=True)
        np.testing.assert_array_equal(got >> 8, steps)
        assert (rate, sf.info(path).format, sf.info(path).subtype) == (44_100, form, "PCM_24")


@pytest.mark.parametrize("frames", [1, 400, 401])
@pytest.mark.parametrize(("tempo_bpm", "told"), [(92.0, "92"), (92.5, "92.5"), (None, None)])
@pytest.mark.parametrize("root_note", [36, None])
def test_tags_are_read_back(
    frames: int, tempo_bpm: float | None, told: str | None, root_note: int | None, tmp_path: Path
) -> None:
    """Cross-check: mutagen reads the tempo, the chunks are walked here, and libsndfile finds the sound untouched."""
    sound, path = noise(frames, channels=1), tmp_path / "x.wav"
    write_wav(path, sound, RATE, tempo_bpm=tempo_bpm, root_note=root_note)
    got, _ = sf.read(path, dtype="int32", always_2d=True)
    np.testing.assert_array_equal(got >> 8, np.rint(sound * 2.0**23).clip(-(2**23), 2**23 - 1))
    raw, chunks, at = path.read_bytes(), {}, 12
    assert (raw[:4], int.from_bytes(raw[4:8], "little"), raw[8:12]) == (b"RIFF", len(raw) - 8, b"WAVE")
    while at < len(raw):
        size = int.from_bytes(raw[at + 4 : at + 8], "little")
        chunks[raw[at : at + 4]] = raw[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    assert at == len(raw)
    assert list(chunks) == [b"fmt ", b"data"] + [b"smpl"] * (root_note is not None) + [b"id3 "] * (told is not None)
    if root_note is not None:
        # Multimedia Programming Interface and Data Specifications 1.0: maker, product, period in ns, unity note (MEM)
        assert struct.unpack("<9I", chunks[b"smpl"]) == (0, 0, round(1e9 / RATE), root_note, 0, 0, 0, 0, 0)
    tags = WAVE(path).tags
    assert (tags is None) == (told is None)
    if tags is not None:
        assert (tags.version, tags["TBPM"].text) == ((2, 3, 0), [told])
    found = audio.read_tags(path)
    assert (found.tempo_bpm, found.root_note, found.notes) == (tempo_bpm, root_note, ())


def test_rounding_is_to_the_nearest_step_and_overs_are_clipped_and_counted(tmp_path: Path) -> None:
    """Analytic."""
    path = tmp_path / "x.wav"
    step = 2.0**-23
    sound = np.array([[0.4 * step], [0.6 * step], [1.5], [-2.0], [-1.0], [1.0]])
    write_wav(path, sound, RATE)
    with wave.open(str(path)) as file:
        raw = np.frombuffer(file.readframes(6), np.uint8).reshape(6, 3)
    values = (raw.astype(np.int32) @ [1, 256, 65_536] + 2**23) % 2**24 - 2**23
    assert values.tolist() == [0, 1, 2**23 - 1, -(2**23), -(2**23), 2**23 - 1]
    assert audio.write_flac(tmp_path / "x.flac", sound, RATE) == 3


def test_the_same_samples_give_the_same_file(tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav"):
        write_wav(tmp_path / name, noise(), RATE)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()
    assert (tmp_path / "a.wav").stat().st_mode & 0o777 == 0o666 & ~_umask()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def test_a_full_disk_leaves_the_old_file(tmp_path: Path) -> None:
    """The system's limit on the size of a file stands in for a full disk: the write fails half-way."""
    path = tmp_path / "mix.wav"
    write_wav(path, noise(frames=100), RATE)
    before = path.read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, hard))
    try:
        with pytest.raises(AudioError, match=r"^cannot write mix\.wav: "):
            audio.write_flac(path, noise(frames=200_000), RATE)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["mix.wav"]


@pytest.mark.parametrize("code", ["ENOSPC", "EROFS", "EIO"])
def test_an_error_when_flushing_leaves_the_old_file(
    code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "mix.wav"
    path.write_bytes(b"old")

    def fail(_: int) -> None:
        number = getattr(errno, code)
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    words = {"ENOSPC": "no space is left", "EROFS": "read-only", "EIO": "Input/output error"}[code]
    with pytest.raises(AudioError, match=words):
        audio.write_flac(path, noise(), RATE)
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["mix.wav"]


def test_a_folder_in_the_way_or_none_at_all_is_said(tmp_path: Path) -> None:
    (tmp_path / "mix.wav").mkdir()
    (tmp_path / "file").write_bytes(b"")
    for path in (tmp_path / "mix.wav", tmp_path / "missing" / "mix.wav", tmp_path / "file" / "mix.wav"):
        with pytest.raises(AudioError, match=r"^cannot write mix\.wav"):
            audio.write_flac(path, noise(), RATE)
    assert sorted(os.listdir(tmp_path)) == ["file", "mix.wav"]


def test_a_closed_folder_is_said() -> None:
    with open_folder() as folder:
        folder.chmod(0o555)
        with as_nobody(), pytest.raises(AudioError, match="read-only or belongs to another account"):
            audio.write_flac(folder / "mix.wav", noise(), RATE)
        assert os.listdir(folder) == []


@pytest.mark.parametrize("samples", [np.zeros((0, 2)), np.zeros(5), np.array([[np.nan]]), np.array([[0.1, np.inf]])])
def test_what_is_no_sound_is_not_written(samples: np.ndarray, tmp_path: Path) -> None:
    with pytest.raises(AudioError, match=r"no samples|not finite"):
        write_wav(tmp_path / "x.wav", samples, RATE)
    with pytest.raises(AudioError, match=r"no samples|not finite"):
        audio.write_flac(tmp_path / "x.flac", samples, RATE)
    with pytest.raises(AudioError, match=r"no samples|not finite"):
        audio.encode_mp3(samples, RATE)
    assert os.listdir(tmp_path) == []


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


def test_the_sound_of_an_unused_drum_keeps_its_top() -> None:
    """Analytic: the spectrum of white noise stays flat from 1 to 14 kHz within 3 dB."""
    white = Clip(0.1 * np.random.default_rng(1).standard_normal((4 * 48_000, 1)), 48_000)
    less = audio.resample(white, playback.AUDITION_HZ)
    mp3 = audio.encode_mp3(less.samples, less.rate_hz, compression=playback.AUDITION_COMPRESSION)
    decoded, rate = sf.read(io.BytesIO(mp3))
    power, hz = np.abs(np.fft.rfft(decoded)) ** 2, np.fft.rfftfreq(len(decoded), 1.0 / rate)
    levels = [10 * np.log10(power[(hz >= low) & (hz < low + 500)].mean()) for low in range(1_000, 14_000, 500)]
    assert np.ptp(levels) < 3.0


@pytest.mark.parametrize(
    ("rate", "stored"), [(96_000, 48_000), (88_200, 44_100), (192_000, 48_000), (37_000, 48_000), (8_000, 8_000)]
)
def test_rates_that_mp3_lacks_are_resampled(rate: int, stored: int) -> None:
    decoded, got = sf.read(io.BytesIO(audio.encode_mp3(noise(frames=rate // 4), rate)))
    assert (got, len(decoded)) == (stored, round(rate // 4 * stored / rate))


class InSlices:
    """A sound that is made as it is looked at."""

    def __init__(self, samples: np.ndarray) -> None:
        self.samples, self.most = samples, 0
        self.shape, self.dtype = samples.shape, samples.dtype

    def __len__(self) -> int:
        return len(self.samples)

    def __getitem__(self, frames: slice) -> np.ndarray:
        found = self.samples[frames].copy()
        self.most = max(self.most, len(found))
        return found


def test_a_sound_is_taken_slice_by_slice(tmp_path: Path) -> None:
    whole = np.random.default_rng(8).uniform(-1.0, 1.0, (400_000, 2)).astype(np.float32)
    sound = InSlices(whole)
    audio.write_flac(tmp_path / "slices", sound, RATE)
    audio.write_flac(tmp_path / "whole", whole, RATE)
    assert (tmp_path / "slices").read_bytes() == (tmp_path / "whole").read_bytes()
    assert sound.most < len(whole) / 2


def test_what_is_no_number_far_into_a_sound_leaves_no_file(tmp_path: Path) -> None:
    sound = np.zeros((400_000, 2), dtype=np.float32)
    sound[399_999, 1] = np.nan
    with pytest.raises(AudioError, match="not finite"):
        write_wav(tmp_path / "x.wav", sound, RATE)
    assert os.listdir(tmp_path) == []
