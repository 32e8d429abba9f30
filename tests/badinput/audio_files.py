"""Audio files, good, odd and bad.

Containers are written by libsndfile and then damaged byte by byte, or put together here from their specification
(RIFF/WAVE: 'Multimedia Programming Interface and Data Specifications 1.0', 1991; FLAC: RFC 9639; Ogg: RFC 3533).
"""

from __future__ import annotations

import io
import os
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile as sf

RATE = 48_000
FRAMES = 12_000
Array = npt.NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class Refused:
    """`audio.read` raises an AudioError with these words; the file's name is in it always."""

    name: str
    make: Callable[[Path], None]
    says: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Read:
    """`audio.read_info` returns; `notes` are words that its notes hold, one a note, in order."""

    name: str
    make: Callable[[Path], None]
    notes: tuple[str, ...] = ()
    frames: int | None = None  # None: at least one


def noise(frames: int = FRAMES, channels: int = 2, level: float = 0.1) -> Array:
    """Seeded white noise without DC."""
    made = np.random.default_rng(20250101).standard_normal((frames, channels)) * level
    return made - made.mean(axis=0)


def encoded(samples: Array, container: str, subtype: str, rate_hz: int = RATE) -> bytes:
    """A file of libsndfile's as bytes."""
    buffer = io.BytesIO()
    sf.write(buffer, samples, rate_hz, format=container, subtype=subtype)
    return buffer.getvalue()


def wav(
    data: bytes, *, channels: int = 1, rate: int = RATE, bits: int = 16, tag: int = 1, claim: int | None = None
) -> bytes:
    """A RIFF/WAVE file whose header may lie: `claim` is the length that the data chunk says it has."""
    size = len(data) if claim is None else claim
    align = channels * bits // 8
    form = struct.pack("<HHIIHH", tag, channels, rate, (rate * align) & 0xFFFFFFFF, align & 0xFFFF, bits)
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", size) + data
    return b"RIFF" + struct.pack("<I", min(4 + 24 + 8 + size, 2**32 - 1)) + body


def floats(values: Array, kind: str = "<f4") -> bytes:
    """A float WAV of single samples, written as they are: NaN, infinity and all."""
    return wav(np.asarray(values).astype(kind).tobytes(), bits=8 * np.dtype(kind).itemsize, tag=3)


def spoilt(value: float, at: int) -> bytes:
    samples = noise(channels=1)[:, 0]
    samples[at] = value
    return floats(samples)


def put(content: bytes | Callable[[], bytes]) -> Callable[[Path], None]:
    """Write these bytes."""
    return lambda path: path.write_bytes(content if isinstance(content, bytes) else content()) and None


def part(container: str, subtype: str, share: float, frames: int = FRAMES) -> Callable[[Path], None]:
    """The first part of a good file, as an interrupted copy leaves it."""

    def make(path: Path) -> None:
        whole = encoded(noise(frames), container, subtype)
        path.write_bytes(whole[: max(1, int(len(whole) * share))])

    return make


def damaged(container: str, subtype: str) -> Callable[[Path], None]:
    """A good file with a hole of zeros in its middle."""

    def make(path: Path) -> None:
        whole = bytearray(encoded(noise(frames=4 * FRAMES), container, subtype))
        middle = len(whole) // 2
        whole[middle : middle + 200] = bytes(200)
        path.write_bytes(whole)

    return make


def flac_claiming(frames: int) -> bytes:
    """STREAMINFO's 36-bit count of samples overwritten (RFC 9639, section 8.2); 0 means unknown."""
    made = bytearray(encoded(noise(), "FLAC", "PCM_16"))
    made[21] = (made[21] & 0xF0) | (frames >> 32)
    made[22:26] = struct.pack(">I", frames & 0xFFFFFFFF)
    return bytes(made)


def mp3_claiming(frames: int) -> bytes:
    """The count of frames in the Xing header overwritten."""
    made = bytearray(encoded(noise(), "MP3", "MPEG_LAYER_III"))
    tag = next(place for place in (made.find(b"Xing"), made.find(b"Info")) if place >= 0)
    made[tag + 8 : tag + 12] = struct.pack(">I", frames)
    return bytes(made)


def aiff_claiming(frames: int) -> bytes:
    made = bytearray(encoded(noise(), "AIFF", "PCM_16"))
    common = made.find(b"COMM")
    made[common + 10 : common + 14] = struct.pack(">I", frames)
    return bytes(made)


def sparse(head: bytes, size: int) -> Callable[[Path], None]:
    """A file that says it is large and takes no room on the disk."""

    def make(path: Path) -> None:
        path.write_bytes(head)
        os.truncate(path, size)

    return make


def loop(path: Path) -> None:
    other = path.with_name("other.wav")
    other.symlink_to(path)
    path.symlink_to(other)


def listening(path: Path) -> None:
    server = socket.socket(socket.AF_UNIX)
    here = os.getcwd()
    os.chdir(path.parent)  # the name of a socket has at most 107 bytes
    try:
        server.bind(path.name)
    finally:
        os.chdir(here)
        server.close()


def clipped(subtype: str) -> Callable[[Path], None]:
    tone = 2.0 * np.sin(2 * np.pi * 100 * np.arange(FRAMES) / RATE)
    return put(lambda: encoded(np.clip(np.stack([tone, tone], axis=1), -1, 1), "WAV", subtype))


def channels(count: int, container: str = "WAV", subtype: str = "PCM_16") -> Callable[[Path], None]:
    return put(lambda: encoded(noise(channels=count), container, subtype))


def good(container: str, subtype: str, rate_hz: int = RATE, count: int = 2) -> Callable[[Path], None]:
    return put(lambda: encoded(noise(channels=count), container, subtype, rate_hz))


def linked(path: Path) -> None:
    path.with_name("real").write_bytes(GOOD_16)
    path.symlink_to("real")


def nothing(path: Path) -> None:
    """Leave the place empty."""


GOOD_16 = encoded(noise(), "WAV", "PCM_16")
ONE_SECOND = bytes(2 * RATE)
HOSTILE = '"><img src=x onerror=alert(1)>.wav'



def at(whole: bytes, place: int, new: bytes) -> bytes:
    """With some bytes replaced."""
    return whole[:place] + new + whole[place + len(new) :]


def u16(number: int) -> bytes:
    return struct.pack("<H", number)


# Fields of good files' headers set to what they never are; offsets after the specifications named above.
FLAC_16, AIFF_16, RF64 = (encoded(noise(), container, "PCM_16") for container in ("FLAC", "AIFF", "RF64"))
OGG, OPUS, MP3 = (encoded(noise(), *how) for how in (("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III")))
COMM, LENGTH_MAX = AIFF_16.find(b"COMM"), b"\xff" * 4

BROKEN: dict[str, bytes] = {
    **{f"bits-{bits}.wav": at(GOOD_16, 34, u16(bits)) for bits in (0, 65535)},
    **{f"tag-{tag:04x}.wav": at(GOOD_16, 20, u16(tag)) for tag in (0, 0x7FFF, 0xFFFE, 0xFFFF)},
    "fmt-size-0.wav": at(GOOD_16, 16, bytes(4)), "fmt-size-max.wav": at(GOOD_16, 16, LENGTH_MAX),
    "two-data.wav": GOOD_16 + GOOD_16[36:], "two-files.wav": GOOD_16 * 2, "rf64-huge.wav": at(RF64, 20, b"\xff" * 24),
    "data-first.wav": GOOD_16[:12] + GOOD_16[36:] + GOOD_16[12:36],
    "chunk-past-end.wav": GOOD_16[:12] + b"LIST\xff\xff\xff\x7f" + GOOD_16[12:],
    "other-order.wav": GOOD_16.replace(b"RIFF", b"RIFX"),
    "channels-0.aiff": at(AIFF_16, COMM + 8, bytes(2)), "channels-max.aiff": at(AIFF_16, COMM + 8, b"\xff\xff"),
    "bits-0.aiff": at(AIFF_16, COMM + 14, bytes(2)), "no-comm.aiff": AIFF_16.replace(b"COMM", b"XXXX"),
    "no-ssnd.aiff": AIFF_16.replace(b"SSND", b"XXXX"), "rate-0.flac": at(FLAC_16, 18, bytes(2)),
    "endless-metadata.flac": at(FLAC_16, 4, b"\0\xff\xff\xff"), "no-frames.flac": FLAC_16[:60],
    "picture-past-end.flac": FLAC_16[:42] + b"\x06\0\0\x20" + b"\xff" * 32 + FLAC_16[42:],
    "version.ogg": at(OGG, 4, b"\xff"), "serial.ogg": at(OGG, 14, LENGTH_MAX), "rate-0.ogg": at(OGG, 40, bytes(4)),
    "codec.ogg": OGG.replace(b"vorbis", b"nobody", 1), "channels.opus": at(OPUS, 37, b"\xff"),
    "gain.opus": at(OPUS, 44, b"\xff\x7f"), "endless-tag.mp3": b"ID3\4\0\0\x7f\x7f\x7f\x7f" + MP3,
    "part-of-a-frame.mp3": MP3[:500], "sync-only.mp3": b"\xff\xfb\x90\0" * 5000,
    "free-rate.mp3": b"\xff\xfb\0\0" * 5000,
}  # fmt: skip

# What a decoder that guesses would follow to another file or host; ffmpeg is given none of it, or reads no sound.
_FTYP = b"\0\0\0\x18ftypM4A \0\0\0\0M4A mp42"
FED: dict[str, bytes] = {
    "script.m4a": b"ffconcat version 1.0\nfile 'secret.wav'\n",
    "script.wav": b"ffconcat version 1.0\nfile 'secret.wav'\n",
    "playlist.m4a": b"#EXTM3U\n#EXTINF:1,\nsecret.wav\n#EXT-X-ENDLIST\n", "playlist.mp3": b"#EXTM3U\nsecret.wav\n" * 9,
    "playlist.aac": b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n", "address.mka": b"http://127.0.0.1:9/secret.wav\n",
    "session.wma": b"v=0\no=- 0 0 IN IP4 127.0.0.1\nm=audio 5004 RTP/AVP 0\n",
    "list.wv": b"[playlist]\nFile1=secret.wav\n",
    "manifest.mp4": b"<?xml version='1.0'?><MPD><BaseURL>secret.wav</BaseURL></MPD>",
    "inside.m4a": _FTYP + b"#EXTM3U\nsecret.wav\n", "empty.caf": b"caff\0\1\0\0" + bytes(100),
    "noise.wv": b"wvpk" + b"\xff" * 100, "noise.mka": b"\x1aE\xdf\xa3" + b"\xff" * 200,
    "noise.wma": b"\x30\x26\xb2\x75\x8e\x66\xcf\x11\xa6\xd9\0\xaa\0\x62\xce\x6c" + b"\xff" * 200,
    "noise.aac": b"\xff\xf1" + np.random.default_rng(6).bytes(2_000),
    "-i secret.m4a": _FTYP, "file:secret.m4a": _FTYP, "http:secret.m4a": _FTYP, "a|b;c`id`$(id).m4a": _FTYP,
    "%03d.m4a": _FTYP, "concat:secret.wav|x.m4a": _FTYP,
}  # fmt: skip

REFUSED = (
    *(Refused(name, put(content), ("cannot be decoded",)) for name, content in BROKEN.items()),
    Refused("sound-inside.wav", put(b"RIFF" + GOOD_16), ("is not audio;",)),
    Refused("wave-in-lower-case.wav", put(GOOD_16.replace(b"WAVE", b"wave")), ("is not audio;",)),
    Refused("zeros-in-front.wav", put(bytes(16) + GOOD_16), ("zeros",)),
    Refused("ones.mp3", put(b"\xff" * 50_000), ("not audio",)),
    Refused("rate-0.aiff", put(at(AIFF_16, COMM + 16, bytes(10))), ("sample rate",)),
    Refused("rate-nan.aiff", put(at(AIFF_16, COMM + 16, b"\x7f" + b"\xff" * 9)), ("sample rate",)),
    Refused("missing.wav", nothing, ("is not there",)),
    Refused("gone.wav", lambda path: path.symlink_to(path.with_name("moved.wav")), ("link to a file that is gone",)),
    Refused("loop.wav", loop, ("symbolic link", "leads back to itself")),
    Refused("folder.wav", lambda path: path.mkdir(), ("is a folder",)),
    Refused("pipe.wav", os.mkfifo, ("pipe or socket",)),
    Refused("socket.wav", listening, ("pipe or socket",)),
    Refused("zeros-device.wav", lambda path: path.symlink_to("/dev/zero"), ("is a device",)),
    Refused("null-device.wav", lambda path: path.symlink_to("/dev/null"), ("is a device",)),
    Refused("n" * 300 + ".wav", nothing, ("too long", "rename")),
    Refused("nul\0byte.wav", nothing, ("name that no file can have",)),
    Refused("empty.wav", put(b""), ("is empty", "0 bytes")),
    Refused("one-byte.wav", put(b"R"), ("only 1 byte;",)),
    Refused("text.wav", put(b"Dear reader, this is no sound. " * 200), ("text",)),
    Refused("unicode-text.wav", put("Übermütige Töne im Äther, nur als Text. ".encode() * 50), ("text",)),
    Refused("page.ogg", put(b"<!doctype html><title>404</title>" * 50), ("text",)),
    Refused("text.mp3", put(b"not a frame in sight " * 400), ("text",)),
    Refused("zeros.wav", put(bytes(50_000)), ("zeros",)),
    Refused("zeros.mp3", put(bytes(50_000)), ("is not audio",)),
    Refused("random.wav", put(b"\x12" + np.random.default_rng(1).bytes(30_000)), ("is not audio;",)),
    Refused("random.mp3", put(np.random.default_rng(2).bytes(30_000)), ("is not audio",)),
    Refused("random.flac", put(b"fLaC" + np.random.default_rng(3).bytes(30_000)), ("looks like FLAC",)),
    Refused("random.ogg", put(b"OggS" + np.random.default_rng(4).bytes(30_000)), ("looks like Ogg",)),
    Refused("random.aiff", put(b"FORM\0\0\0\x40AIFF" + np.random.default_rng(5).bytes(3_000)), ("looks like AIFF",)),
    Refused("tag-only.mp3", put(b"ID3\4\0\0\0\0\0\x10" + bytes(4_000)), ("looks like MP3", "no audio frame")),
    Refused("archive.wav", put(b"PK\3\4" + bytes(range(256)) * 8), ("zip archive",)),
    Refused("mpeg4.wav", put(b"\0\0\0\x20ftypM4A " + bytes(range(256)) * 8), ("MPEG-4",)),
    Refused("melody.wav", put(b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk" + bytes(40)), ("MIDI file",)),
    Refused("cover.wav", put(b"\x89PNG\r\n\x1a\n" + bytes(range(256))), ("picture",)),
    Refused("right-content.txt", put(GOOD_16), ("'.txt'",)),
    Refused("right-content", put(GOOD_16), ("no ending",)),
    Refused("right-content.raw", put(GOOD_16), ("'.raw'",)),
    Refused("header-cut.wav", put(GOOD_16[:30]), ("looks like WAV",)),
    Refused("header-only.wav", put(GOOD_16[:44]), ("holds no audio",)),
    Refused("no-data-chunk.wav", put(GOOD_16[:36]), ("looks like WAV",)),
    Refused("header-cut.aiff", part("AIFF", "PCM_16", 0.0005), ("looks like AIFF",)),
    Refused("header-only.flac", put(lambda: flac_claiming(48_000)[:42]), ("holds no audio", "promises 48000 frames")),
    Refused("chained.ogg", put(OGG + OGG), ("2 Ogg streams one after another", "join them")),
    Refused("chained.opus", put(OGG + OPUS + OPUS), ("3 Ogg streams one after another",)),
    Refused("headers-cut.ogg", part("OGG", "VORBIS", 0.05), ("looks like Ogg",)),
    Refused("first-bytes.mp3", part("MP3", "MPEG_LAYER_III", 0.004), ("looks like MP3",)),
    Refused("no-frames.wav", put(lambda: encoded(np.zeros((0, 2)), "WAV", "PCM_24")), ("holds no audio",)),
    Refused("never-closed.wav", put(wav(ONE_SECOND, claim=0)), ("holds no audio", "promises no frames")),
    Refused("no-channels.wav", put(wav(ONE_SECOND, channels=0)), ("cannot be decoded",)),
    Refused("100-channels.wav", channels(100), ("100 channels", "1 to 64")),
    Refused("3000-channels.wav", put(wav(ONE_SECOND, channels=3_000)), ("channels",)),
    Refused("rate-zero.wav", put(wav(ONE_SECOND, rate=0)), ("impossible sample rate",)),
    Refused("rate-one.wav", put(wav(ONE_SECOND, rate=1)), ("sample rate of 1 Hz", "8000 to 192000")),
    Refused("rate-384k.wav", put(wav(ONE_SECOND, rate=384_000)), ("sample rate of 384000 Hz",)),
    Refused("rate-huge.wav", put(wav(ONE_SECOND, rate=2**31)), ("sample rate",)),
    Refused("nan.wav", put(lambda: spoilt(np.nan, 6_000)), ("NaN", "0.125 s", "channel 1")),
    Refused("nan-last.wav", put(lambda: spoilt(np.nan, FRAMES - 1)), ("NaN", "0.250 s")),
    Refused("infinite.wav", put(lambda: spoilt(np.inf, 480)), ("infinite", "0.010 s")),
    Refused("minus-infinite.wav", put(lambda: spoilt(-np.inf, 0)), ("infinite", "0.000 s")),
    Refused("all-nan.wav", put(floats(np.full(500, np.nan))), ("NaN",)),
    Refused("too-big-for-float32.wav", put(floats(np.array([0.1, 1e300, 0.1]), "<f8")), ("infinite",)),
    Refused("integers-as-floats.wav", put(lambda: floats(noise(channels=1)[:, 0] * 32_767)), ("stored as floats",)),
    Refused("nan-6-channels.wav", put(wav(np.full((90, 6), np.nan, "<f4").tobytes(), channels=6, bits=32, tag=3)),
            ("NaN",)),
    Refused("claims-weeks.flac", put(lambda: flac_claiming(2**36 - 1)), ("claims 398 hours", "at most 30 minutes")),
    Refused("claims-years.mp3", put(lambda: mp3_claiming(2**32 - 1)), ("claims", "hours", "at most 30 minutes")),
    Refused("31-minutes.wav", sparse(wav(b"", channels=2, claim=31 * 60 * 4 * RATE), 44 + 31 * 60 * 4 * RATE),
            ("31 minutes", "at most 30 minutes")),
    Refused("9-gibibytes.wav", sparse(GOOD_16[:44], 9 * 2**30), ("more than 8 GiB",)),
    Refused(HOSTILE, put(b"not audio, with a name that attacks a page"), ("text",)),
    Refused("\u202egnp.wav", nothing, ("\\u202egnp.wav", "is not there")),
    Refused("line\nbreak.wav", nothing, ("line\\u000abreak.wav",)),
    Refused("bad-\udcff-byte.wav", nothing, ("bad-\\xff-byte.wav",)),
)  # fmt: skip

READ = (
    *(Read(f"good-{bits}-in-bytes.wav", put(at(GOOD_16, 34, u16(bits)))) for bits in (12, 20)),
    Read("align-0.wav", put(at(GOOD_16, 32, bytes(2))), frames=FRAMES),
    Read("size-0.wav", put(at(GOOD_16, 4, bytes(4))), frames=FRAMES),
    Read("size-max.wav", put(at(GOOD_16, 4, LENGTH_MAX)), frames=FRAMES),
    Read("5000-empty-chunks.wav", put(GOOD_16[:12] + b"JUNK\0\0\0\0" * 5_000 + GOOD_16[12:]), frames=FRAMES),
    Read("no-long-sizes.wav", put(GOOD_16.replace(b"RIFF", b"RF64")), frames=FRAMES),
    Read("plain-inside.aifc", put(AIFF_16.replace(b"AIFF", b"AIFC")), frames=FRAMES),
    Read("block-0.flac", put(at(FLAC_16, 8, bytes(4))), frames=FRAMES),
    Read("digest.flac", put(at(FLAC_16, 26, b"\xff" * 16)), frames=FRAMES),
    Read("2000-tags.mp3", put(b"ID3\4\0\0\0\0\0\0" * 2_000 + MP3), ("no MP3 audio, a foreign tag",), FRAMES),
    Read("good-8.wav", good("WAV", "PCM_U8"), frames=FRAMES),
    Read("good-16.wav", good("WAV", "PCM_16"), frames=FRAMES),
    Read("good-24.wav", good("WAV", "PCM_24"), frames=FRAMES),
    Read("good-32.wav", good("WAV", "PCM_32"), frames=FRAMES),
    Read("good-float.wav", good("WAV", "FLOAT"), frames=FRAMES),
    Read("good-double.wav", good("WAV", "DOUBLE"), frames=FRAMES),
    Read("good-mu-law.wav", good("WAV", "ULAW"), frames=FRAMES),
    Read("good-adpcm.wav", good("WAV", "IMA_ADPCM")),
    Read("good-extensible.wav", good("WAVEX", "PCM_24"), frames=FRAMES),
    Read("good-64-bit-sizes.wav", good("RF64", "PCM_24"), frames=FRAMES),
    Read("good-8.aiff", good("AIFF", "PCM_S8"), frames=FRAMES),
    Read("good-24.AIF", good("AIFF", "PCM_24"), frames=FRAMES),
    Read("good-float.aifc", good("AIFF", "FLOAT"), frames=FRAMES),
    Read("good-16.flac", good("FLAC", "PCM_16"), frames=FRAMES),
    Read("good.mp3", good("MP3", "MPEG_LAYER_III"), frames=FRAMES),
    Read("good.ogg", good("OGG", "VORBIS"), frames=FRAMES),
    Read("good.opus", good("OGG", "OPUS"), frames=FRAMES),
    Read("mono-8k.wav", good("WAV", "PCM_16", 8_000, 1), frames=FRAMES),
    Read("stereo-192k.wav", good("WAV", "PCM_24", 192_000), frames=FRAMES),
    Read("one-frame.wav", put(lambda: encoded(noise(1, 2) + 0.005, "WAV", "PCM_16")), frames=1),
    Read("odd-length.wav", put(wav(noise(99, 1).astype("<f4").tobytes() + b"\1", bits=32, tag=3)), frames=99),
    Read("streamed.wav", put(lambda: wav(GOOD_16[44:], channels=2, claim=2**32 - 1)), frames=FRAMES),
    Read("no-length.flac", put(lambda: flac_claiming(0)), frames=FRAMES),
    Read("tagged.mp3", put(lambda: encoded(noise(), "MP3", "MPEG_LAYER_III") + b"TAG" + bytes(125)), frames=FRAMES),
    Read("link.wav", linked, frames=FRAMES),
    Read("\u6771\u4eac \U0001f941 \u00e9te\u0301.wav", put(GOOD_16), frames=FRAMES),
    Read("\u05e9\u05dc\u05d5\u05dd\u202etxt.wav", put(GOOD_16), frames=FRAMES),
    Read("bytes-\udcff\udcfe.wav", put(GOOD_16), frames=FRAMES),
    Read("tab\tand\nline.wav", put(GOOD_16), frames=FRAMES),
    Read("'; rm -rf $HOME; `id` %s {0}.wav", put(GOOD_16), frames=FRAMES),
    Read("-o.wav", put(GOOD_16), frames=FRAMES),
    Read(HOSTILE, put(GOOD_16.replace(b"x", b"y")), frames=FRAMES),
    Read("cut.wav", put(GOOD_16[:24_044]), ("promises 48000 bytes of audio and 24000 are there",), 6_000),
    Read("cut.aiff", part("AIFF", "PCM_24", 0.5), ("is cut short",)),
    Read("cut.flac", part("FLAC", "PCM_16", 0.7), ("is cut short or damaged",)),
    Read("cut.mp3", part("MP3", "MPEG_LAYER_III", 0.5), ("is cut short or damaged",)),
    Read("cut.ogg", part("OGG", "VORBIS", 0.8, 4 * FRAMES), ("does not end the stream",)),
    Read("hole.flac", damaged("FLAC", "PCM_16"), ("is cut short or damaged",)),
    Read("hole.wav", damaged("WAV", "PCM_16"), frames=4 * FRAMES),
    Read("claims-less.wav", put(wav(GOOD_16[44:], channels=2, claim=4_000)), ("followed by bytes",), 1_000),
    Read("claims-more.aiff", put(lambda: aiff_claiming(2**31)), ("wrong length in its header",), FRAMES),
    Read("mp3-inside.wav", good("MP3", "MPEG_LAYER_III"), ("is MP3 inside",), frames=FRAMES),
    Read("wav-inside.mp3", put(GOOD_16), ("is WAV inside",), frames=FRAMES),
    Read("silent.wav", put(lambda: encoded(np.zeros((FRAMES, 2)), "WAV", "PCM_24")), ("is silent",), frames=FRAMES),
    Read("nearly-silent.wav", put(lambda: encoded(noise(level=1e-8), "WAV", "FLOAT")), ("-120 dBFS",), frames=FRAMES),
    Read("left-only.wav", put(lambda: encoded(noise() * [1, 0], "WAV", "PCM_16")), ("right channel is silent",)),
    Read("right-only.wav", put(lambda: encoded(noise() * [0, 1], "WAV", "PCM_16")), ("left channel is silent",)),
    Read("dc.wav", put(lambda: encoded(noise() + 0.25, "WAV", "PCM_24")), ("DC offset of +25.0 %",)),
    Read("dc-only.wav", put(lambda: encoded(np.full((FRAMES, 1), -0.5), "WAV", "PCM_16")), ("DC offset of -50.0 %",)),
    Read("clipped-8.wav", clipped("PCM_U8"), ("is clipped in 100 places",)),
    Read("clipped-16.wav", clipped("PCM_16"), ("is clipped in 100 places",)),
    Read("clipped-24.wav", clipped("PCM_24"), ("is clipped in 100 places",)),
    Read("clipped-float.wav", clipped("FLOAT"), ("is clipped in 100 places",)),
    Read("over.wav", put(lambda: floats(2.0 * np.sin(np.arange(4_000) * np.pi / 8))), ("peaks 6.0 dB over",)),
    Read("3-channels.wav", channels(3), ("has 3 channels, folded to stereo: odd",)),
    Read("4-channels.wav", channels(4), ("has 4 channels, folded to stereo: odd",)),
    Read("5-channels.wav", channels(5), ("has 5 channels", )),
    Read("6-channels.wav", channels(6), ("has 6 channels, folded to stereo by the ITU-R BS.775",)),
    Read("6-channels.flac", channels(6, "FLAC"), ("BS.775",)),
    Read("6-channels.ogg", channels(6, "OGG", "VORBIS"), ("BS.775",)),
    Read("64-channels.wav", channels(64), ("has 64 channels",)),
)  # fmt: skip
