"""What a file says of itself against what is in it: limits, damage, and what a user should know.

Conventions
    A header that breaks a limit is an `AudioError` before any memory is taken for its claim.  Everything else is a
    note: words, with their numbers, that continue a sentence starting with the file's name.
"""

from __future__ import annotations

import os
import re
from math import log10
from pathlib import Path

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from dossier.audio.sniff import EXPORT, SUFFIX_FORMATS, open_plain
from dossier.errors import AudioError
from dossier.model.measures import Clip
from dossier.model.numbers import signed

MIN_RATE_HZ, MAX_RATE_HZ = 8_000, 192_000  # telephone speech to the highest rate in studio use; common practice
MAX_DURATION_S = 1_800.0  # any single track fits into half an hour; more is a wrong file or header
MAX_VALUES = 2**28  # decoded float32 values: 1 GiB, half an hour of stereo at 74 kHz; bounds the memory a file takes
MAX_CHANNELS = 64  # seventh-order Ambisonics; more is no music track
MAX_PEAK = 1_000.0  # 60 dB over full scale: integers stored as floats, whose squares would swamp every measure
SILENT_BELOW = 1e-6  # -120 dBFS, the least step of 20 bits: no converter recorded it
DC_FROM = 0.01  # 1 % of full scale costs 0.09 dB of headroom and clicks at the ends
CLIP_RUN = 3  # samples in a row at full scale; a clean peak has one or two there; common practice, no source

PCM_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_BIT_DEPTHS = {
    "FLOAT": "32-bit float", "DOUBLE": "64-bit float", "VORBIS": "Vorbis", "OPUS": "Opus", "MPEG_LAYER_III": "MP3",
    "ULAW": "8-bit mu-law", "ALAW": "8-bit A-law", "IMA_ADPCM": "4-bit ADPCM", "MS_ADPCM": "4-bit ADPCM",
    **{subtype: f"{bits}-bit" for subtype, bits in PCM_BITS.items()},
}  # fmt: skip
# libsndfile's log of a chunk that is longer than the file: 'data : 192000 (should be 96000)'.
_CUT_CHUNK = re.compile(r"^\s*(?:data|SSND)\s*:\s*(\d+) \(should be (\d+)\)", re.MULTILINE)
DAMAGE = "ffmpeg found damage"
_STREAMED_BYTES = 0x7FFFF000  # larger chunk sizes are placeholders from programs that write into a pipe


class Header(Struct, frozen=True):
    """What a file says of itself, not yet checked against its content."""

    container: str  # a value of `sniff.SUFFIX_FORMATS`
    subtype: str  # as libsndfile names it: "PCM_24", "FLOAT", "MPEG_LAYER_III", ...
    rate_hz: int
    channels: int
    frames: int | None  # None: the header gives no length

    @property
    def duration_s(self) -> float | None:
        return None if self.frames is None else self.frames / self.rate_hz

    @property
    def bit_depth(self) -> str:
        """In words: "24-bit", "32-bit float", "MP3"."""
        return _BIT_DEPTHS.get(self.subtype, self.subtype.replace("_", " "))


class ReadInfo(Struct, frozen=True, eq=False):
    """A clip and notes on it, each continuing a sentence that starts with the file's name."""

    clip: Clip
    header: Header
    notes: tuple[str, ...]

    @property
    def channels(self) -> int:
        """Of the file; its clip has 1 or 2."""
        return self.header.channels

    @property
    def bit_depth(self) -> str:
        return self.header.bit_depth


class Decoded(Struct):
    """Samples as they came out of the decoder, and what reading them showed."""

    samples: npt.NDArray[np.float32]  # (frames, 1 or 2)
    peak: float  # of the file's own channels
    sums: npt.NDArray[np.float64]  # of each channel
    broken: bool  # the decoder gave up before the promised end


def check_claim(header: Header, shown: str) -> None:
    """Refuse an impossible header before any memory is taken."""
    if not MIN_RATE_HZ <= header.rate_hz <= MAX_RATE_HZ:
        raise AudioError(
            f"{shown}: has a sample rate of {header.rate_hz} Hz; {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz are read; "
            "export it again at 44100 or 48000 Hz"
        )
    if not 1 <= header.channels <= MAX_CHANNELS:
        raise AudioError(
            f"{shown}: has {header.channels} channels; 1 to {MAX_CHANNELS} are read; export it again in stereo"
        )
    if header.frames is not None and header.frames > most_frames(header):
        raise AudioError(
            f"{shown}: its header claims {in_words(header.frames / header.rate_hz)} at {header.rate_hz} Hz; at most "
            f"{in_words(most_frames(header) / header.rate_hz)} are read at that rate; cut it shorter, or export it "
            "again if it is shorter than that"
        )


def most_frames(header: Header) -> int:
    """Most frames that are read at the header's rate and channel count."""
    return min(int(MAX_DURATION_S * header.rate_hz), MAX_VALUES // min(header.channels, 2))


def in_words(seconds: float) -> str:
    """Minutes or hours, for a message."""
    return f"{seconds / 60:.3g} minutes" if seconds < 7200 else f"{seconds / 3600:,.0f} hours"


def damage(path: Path, header: Header, decoded: Decoded, log: str, said: list[str], shown: str) -> list[str]:
    """What is missing from a file or wrong in it, as notes; empty for a sound file."""
    got = len(decoded.samples)
    here = f"{got / header.rate_hz:.2f} s"
    cut = _CUT_CHUNK.search(log)
    if cut and int(cut[1]) < _STREAMED_BYTES:
        claimed, present = int(cut[1]), int(cut[2])
        return [f"is cut short: its header promises {claimed} bytes of audio and {present} are there; {here} were read"]
    if "Unknown chunk marker" in log:
        return [f"is followed by bytes that are no part of it; {here} were read, which may not be all of its audio"]
    if "not equal to frame count" in log:
        return [f"has a wrong length in its header; the {here} that are there were read"]
    claimed = header.frames or got
    if decoded.broken or (got < claimed and (header.container != "MP3" or _counts_frames(path, shown))):
        seconds = claimed / header.rate_hz
        return [f"is cut short or damaged: its header promises {seconds:.2f} s; {here} could be read"]
    if header.container == "Ogg" and not _ends_properly(path, shown):
        return [f"is cut short: its last Ogg page does not end the stream; {here} were read"]
    if said == [DAMAGE]:
        return [f"is damaged: ffmpeg stumbled over it; {here} were read"]
    if said:
        return ["holds bytes that are no MP3 audio, a foreign tag or damage; the decoder skipped them"]
    return []


def _counts_frames(path: Path, shown: str) -> bool:
    """Whether an MP3 file states its number of frames; otherwise the decoder's length is an estimate."""
    with open_plain(path, shown_as=shown) as file:
        head = file.read(10)
        if head[:3] == b"ID3":  # the size is four bytes of seven bits (ID3v2.4, section 3.1)
            file.seek(10 + sum((byte & 0x7F) << shift for byte, shift in zip(head[6:], (21, 14, 7, 0), strict=False)))
        first_frame = head + file.read(2048) if head[:3] != b"ID3" else file.read(2048)
    return any(mark in first_frame for mark in (b"Xing", b"Info", b"VBRI"))


def _ends_properly(path: Path, shown: str) -> bool:
    """Whether the last page of an Ogg file carries the end-of-stream flag (RFC 3533, section 6)."""
    with open_plain(path, shown_as=shown) as file:
        file.seek(max(0, file.seek(0, os.SEEK_END) - 2**17))  # a page has at most 65307 bytes
        tail = file.read()
    page = tail.rfind(b"OggS")
    return page >= 0 and len(tail) > page + 5 and bool(tail[page + 5] & 0x04)


def check_one_stream(path: Path, header: Header, shown: str) -> None:
    """Refuse an Ogg file of streams one after another, of which the decoder reads the first (RFC 3533, section 4)."""
    if header.container != "Ogg":
        return
    streams, last_was_first = 0, False
    with open_plain(path, shown_as=shown) as file:
        while len(page := file.read(27)) == 27 and page[:4] == b"OggS":
            is_first = bool(page[5] & 0x02)  # pages that begin streams side by side stand together
            streams += is_first and not last_was_first
            last_was_first = is_first
            file.seek(sum(file.read(page[26])), os.SEEK_CUR)
    if streams > 1:
        raise AudioError(f"{shown}: holds {streams} Ogg streams one after another; join them into one, or {EXPORT}")


def clipped_runs(decoded: Decoded, header: Header) -> int:
    """Places where `CLIP_RUN` samples or more in a row stand at full scale; none where samples go beyond it."""
    top = 1.0 - 2.0 ** (1 - PCM_BITS.get(header.subtype, 64))  # 1.0 for floats and lossy formats
    if header.channels > 2 or not top <= decoded.peak <= 1.0:
        return 0
    full = np.abs(decoded.samples) >= np.float32(top)
    run = full[:-2] & full[1:-1] & full[2:]
    return int(np.count_nonzero(run[:1]) + np.count_nonzero(run[1:] & ~run[:-1]))


def notes_of(path: Path, header: Header, decoded: Decoded) -> list[str]:
    """What a user should know of a file that could be read."""
    notes: list[str] = []
    suffix = path.suffix.lower()
    if SUFFIX_FORMATS[suffix] != header.container:
        notes.append(f"is {header.container} inside, although its name ends in {suffix}")
    if header.channels > 2:
        how = ": odd channels averaged into the left, even ones into the right"
        how = " by the ITU-R BS.775 downmix (no LFE)" if header.channels in (5, 6) else how
        notes.append(f"has {header.channels} channels, folded to stereo{how}")
    if decoded.peak < SILENT_BELOW:
        return [*notes, "is silent" if decoded.peak == 0.0 else "is silent: it never rises above -120 dBFS"]
    for side, name in zip(range(decoded.samples.shape[1]), ("left", "right"), strict=False):
        if not decoded.sums[side] and not decoded.samples[:, side].any():
            notes.append(f"sounds on one side only: its {name} channel is silent")
    if clipped := clipped_runs(decoded, header):
        places = "place" if clipped == 1 else "places"
        notes.append(f"is clipped in {clipped} {places} ({CLIP_RUN} or more samples in a row at full scale)")
    if decoded.peak > 1.0 and header.channels <= 2:
        notes.append(f"peaks {20 * log10(decoded.peak):.1f} dB over full scale")
    offset = float(max(decoded.sums, key=abs)) / len(decoded.samples)
    if abs(offset) >= DC_FROM:
        notes.append(f"has a DC offset of {signed(offset * 100)} % of full scale")
    return notes
