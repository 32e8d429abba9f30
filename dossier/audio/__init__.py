"""The only room that opens audio files: read and check, resample, write, preview.

Conventions
    Samples are `(frames, channels)` float32, 1 or 2 channels, finite, full scale 1.0; the rate is passed beside them.
    What cannot be used is an `AudioError` that names the file as shown, what was found and what to do.  What can be
    used but should be known (clipping, DC, silence, a file cut short, a downmix) is a note with its numbers in
    `ReadInfo`.  What a header claims is checked before memory is taken for it; see also `dossier.audio.sniff`.
    More than two channels are folded to two.  3/2 material, with or without LFE, follows the downward-mixing equations
    of ITU-R BS.775 (L' = L + 0.7071 C + 0.7071 Ls, R' = R + 0.7071 C + 0.7071 Rs, no LFE; MEM, checked in the tests
    against ffmpeg's matrix).  For any other count the odd channels are averaged into the left, the even into the right.
    Channel order is L R C LFE Ls Rs (WAVE_FORMAT_EXTENSIBLE; FLAC, RFC 9639 section 9.1.3, too); in Ogg streams it is
    L C R Ls Rs LFE (Vorbis I specification 4.3.9, RFC 7845 section 5.1.1.2).
"""

from __future__ import annotations

import hashlib
import io
import math
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from dossier.audio import foreign, inspect, plain_wav
from dossier.audio.inspect import Decoded, Header, ReadInfo
from dossier.audio.sniff import EXPORT, decoder_quiet, format_and_start, format_of, open_plain
from dossier.audio.tags import read_tags
from dossier.audio.write import (
    MP3_COMPRESSION,
    decode_mp3,
    encode_mp3,
    mp3_rate,
    resample,
    wav_bytes,
    write_flac,
)
from dossier.errors import AudioError
from dossier.files import why_unreadable
from dossier.model.measures import Clip, Samples
from dossier.names import printable

if TYPE_CHECKING:
    import soundfile

__all__ = [
    "MP3_COMPRESSION", "Header", "ReadInfo", "decode_mp3", "encode_mp3", "mp3_rate", "probe", "read", "read_info",
    "read_tags", "read_with_header", "resample", "sha256", "to_stereo", "wav_bytes", "write_flac",
]  # fmt: skip

HALF_POWER = math.sqrt(0.5)

_SMALL_BYTES = 2**20  # a shorter file is in memory when its first bytes are looked at
_BLOCK = 2**17  # frames a read: 1 MiB of stereo stays in the processor's cache while it is checked
_SETTLED_S = 2.0  # a younger file may change again without its times showing it
digests: dict[str, str] = {}  # by device, number, size and times of a file; may be kept from one run to the next
_NO_LENGTH = 2**62  # libsndfile reports at least this many frames where the header gives no length
_CONTAINERS = {"WAV": "WAV", "WAVEX": "WAV", "RF64": "WAV", "AIFF": "AIFF", "FLAC": "FLAC", "MP3": "MP3", "OGG": "Ogg",
               "W64": "W64", "CAF": "CAF"}  # fmt: skip
# Format tags of packed sound in a WAV file (mmreg.h, from memory).
_PACKED = {0x0050: "MPEG layer II", 0x0055: "MP3", 0x00FF: "AAC", 0x0161: "Windows Media", 0x0162: "Windows Media"}


def read(path: Path, *, shown_as: str) -> Clip:
    """Read an audio file at its own rate, checked, as 1 or 2 channels; messages name it as `shown_as`.

    Its suffix must be one of `sniff.SUFFIX_FORMATS`; its content may be any of their formats.  The clip is float32
    `(frames, 1 or 2)`, at least one frame, all finite, no sample beyond `inspect.MAX_PEAK`.

    Raises AudioError: missing, unreadable, a folder or device, not audio, empty, damaged with nothing left, NaN or
    infinite samples, a rate outside 8-192 kHz, longer than half an hour.  Silence is no error; `read_info` notes it.
    """
    return read_with_header(path, shown_as=shown_as)[0]


def read_with_header(path: Path, *, shown_as: str) -> tuple[Clip, Header]:
    """As `read`, and what the file says of itself."""
    return _read(path, printable(shown_as))[:2]


def read_info(path: Path, *, shown_as: str) -> ReadInfo:
    """As `read`, with notes on damage, a downmix, clipping, DC and silence."""
    shown = printable(shown_as)
    clip, header, decoded, log, said = _read(path, shown)
    notes = inspect.damage(path, header, decoded, log, said, shown) + inspect.notes_of(path, header, decoded)
    return ReadInfo(clip=clip, header=header, notes=tuple(notes))


def _read(path: Path, shown: str) -> tuple[Clip, Header, Decoded, str, list[str]]:
    """A file, what it says of itself, and the decoder's log and complaints."""
    form, start = format_and_start(path, shown_as=shown, most_bytes=_SMALL_BYTES)
    if form == "WAV" and len(start) < _SMALL_BYTES and (plain := plain_wav.read(start)):
        header, samples = plain
        peak = _checked_peak(samples, 0, header, shown)
        decoded = Decoded(samples, peak, np.array([channel.sum() for channel in samples.T], np.float64), broken=False)
        return Clip(samples=samples, rate_hz=header.rate_hz), header, decoded, "", []
    with _opened(path, form, shown) as (file, said, kind):
        header = _header(file, kind, shown)
        inspect.check_claim(header, shown)
        inspect.check_one_stream(path, header, shown)
        log = file.extra_info
        decoded = _decode(file, header, shown)
    if not len(decoded.samples):
        promise = f"{header.frames} frames" if header.frames else "no frames"
        raise AudioError(f"{shown}: holds no audio: its header promises {promise} and none can be read; {EXPORT}")
    return Clip(samples=decoded.samples, rate_hz=header.rate_hz), header, decoded, log, said


def probe(path: Path, *, shown_as: str) -> Header:
    """The header alone: rate, channels, frames, subtype.  Nothing is decoded; errors as in `read`."""
    shown = printable(shown_as)
    with _opened(path, format_of(path, shown_as=shown), shown, whole=False) as (file, _, kind):
        header = _header(file, kind, shown)
    inspect.check_claim(header, shown)
    return header


@contextmanager
def _opened(
    path: Path, kind: str, shown: str, *, whole: bool = True
) -> Iterator[tuple[soundfile.SoundFile, list[str], str | None]]:
    """The decoder of a file of this format, its complaints, complete after the block, and the format if ffmpeg had to
    read it.
    """
    import soundfile as sf

    own = kind in _CONTAINERS.values() or kind == "MP3?"
    if own:
        with decoder_quiet(kind.startswith("MP3")) as said:
            try:
                file = sf.SoundFile(path if os.name == "nt" else os.fsencode(path))
            except sf.LibsndfileError as error:
                why = _reason(path, kind, error, shown)
                own = why is not None
                if own:
                    what = f"looks like {kind} but cannot be decoded ({why})" if kind != "MP3?" else "is not audio"
                    raise AudioError(f"{shown}: {what}; {EXPORT}") from None
            except (OSError, TypeError, ValueError, RuntimeError) as error:
                raise AudioError(f"{shown}: cannot be opened ({type(error).__name__}); {EXPORT}") from None
            if own:
                with file:
                    yield file, said, None
    if not own:
        with foreign.decoded(path, kind, shown, whole=whole) as (out, complaints), sf.SoundFile(out) as file:
            yield file, complaints, kind


def _reason(path: Path, kind: str, error: soundfile.LibsndfileError, shown: str) -> str | None:
    """Why libsndfile cannot decode a file; None where ffmpeg may."""
    told = str(error.error_string).rstrip(".").removeprefix("Error : ")
    if kind == "CAF" and "unsupported encoding" in told:
        return None
    packed = _PACKED.get(_wave_format(path, shown)) if kind == "WAV" else None
    if packed is not None:
        return None if foreign.ffmpeg() else f"it holds {packed}, not plain samples; ffmpeg, if installed, may read it"
    if "regular file" in told:  # libsndfile's words for a stream in which it finds no frame
        return "no audio frame found"
    if "SF_INFO" in told:
        return "its header gives an impossible sample rate or channel count"
    if any(word in told for word in ("internal error", "Malformed", "chunk marker", "Channel count is zero")):
        big = " of its RIFX form, big-endian," if _starts(path, shown)[:4] == b"RIFX" else ""
        return f"its header{big} breaks off or makes no sense: the file was cut short, or is no plain {kind}"
    return told


def _starts(path: Path, shown: str) -> bytes:
    with open_plain(path, shown_as=shown) as file:
        return file.read(512)


def _wave_format(path: Path, shown: str) -> int:
    """The format tag of a WAV file whose `fmt ` chunk is near the start, else 0."""
    head = _starts(path, shown)
    at = head.find(b"fmt ")
    order: Literal["little", "big"] = "big" if head[:4] == b"RIFX" else "little"
    return int.from_bytes(head[at + 8 : at + 10], order) if 0 < at <= len(head) - 10 else 0


def _header(file: soundfile.SoundFile, kind: str | None, shown: str) -> Header:
    """What a file says of itself; `kind` is its format where ffmpeg read it."""
    if kind is not None:
        return Header(container=kind, subtype=kind, rate_hz=file.samplerate, channels=file.channels, frames=None)
    container = _CONTAINERS.get(file.format)
    if container is None:
        raise AudioError(f"{shown}: is audio of a kind that is not read ({file.format}); {EXPORT}")
    frames = file.frames
    return Header(
        container=container, subtype=file.subtype, rate_hz=file.samplerate, channels=file.channels,
        frames=None if frames < 0 or frames >= _NO_LENGTH else frames,
    )  # fmt: skip


def _decode(file: soundfile.SoundFile, header: Header, shown: str) -> Decoded:
    """All frames that are there, folded to at most two channels and checked block by block.

    Each block is filled with NaN first: where the decoder gives up half-way (a cut FLAC stream), the frames before the
    first NaN are what it still delivered.
    """
    import soundfile as sf

    expected = inspect.most_frames(header) if header.frames is None else header.frames
    kept = min(header.channels, 2)
    out = np.empty((expected, kept), np.float32)  # takes memory only where it is written
    sums = np.zeros(kept)
    peak, done, broken = 0.0, 0, False
    while done < expected and not broken:
        wanted = min(_BLOCK, expected - done)
        direct = header.channels == kept
        block = out[done : done + wanted] if direct else np.empty((wanted, header.channels), np.float32)
        block.fill(np.nan)
        try:
            got = file.buffer_read_into(block, dtype="float32")
        except (sf.SoundFileError, OSError, RuntimeError):
            broken = True
            missing = np.isnan(block).any(axis=1)
            got = int(missing.argmax()) if missing.any() else wanted
        block = block[:got]
        if got:
            peak = max(peak, _checked_peak(block, done, header, shown))
            folded = block if direct else _fold(block, header.container)
            out[done : done + got] = folded
            sums += [channel.sum() for channel in folded.T]
            done += got
        if got < wanted:
            break
    if header.frames is None and done == expected:
        raise AudioError(f"{shown}: is longer than {inspect.in_words(expected / header.rate_hz)}; cut it shorter")
    samples = out if done == len(out) else out[:done].copy()
    return Decoded(samples=samples, peak=peak, sums=sums, broken=broken and header.frames is not None)


def _checked_peak(block: npt.NDArray[np.float32], first: int, header: Header, shown: str) -> float:
    with np.errstate(invalid="ignore"):
        peak = max(float(block.max()), -float(block.min()))
    if peak <= inspect.MAX_PEAK:  # false for NaN too, which passes through min and max
        return peak
    if math.isfinite(peak):
        over = 20 * math.log10(peak)
        floats = header.subtype in ("FLOAT", "DOUBLE")
        why = "as when integers are stored as floats" if floats else "the file is damaged"
        raise AudioError(
            f"{shown}: holds a sample of {peak:.4g}, {over:.0f} dB over full scale ({why}); "
            "export it again with full scale at 1.0"
        )
    frame, channel = np.argwhere(~np.isfinite(block))[0]
    value = block[frame, channel]
    what = "NaN (not a number)" if np.isnan(value) else "infinite"
    raise AudioError(
        f"{shown}: has a sample that is {what} at {(first + frame) / header.rate_hz:.3f} s in channel {channel + 1}; "
        "a plug-in or a render went wrong there: render it again"
    )


def _fold(block: npt.NDArray[np.float32], container: str) -> npt.NDArray[np.float32]:
    """Many channels to two; see the module's conventions."""
    channels = block.shape[1]
    if channels in (5, 6):
        left, right, centre, left_s, right_s = (0, 2, 1, 3, 4) if container == "Ogg" else (0, 1, 2, -2, -1)
        folded = block[:, [left, right]] + HALF_POWER * (block[:, [centre]] + block[:, [left_s, right_s]])
    else:
        folded = np.stack([block[:, 0::2].mean(axis=1), block[:, 1::2].mean(axis=1)], axis=1)
    return folded.astype(np.float32, copy=False)


def to_stereo(samples: Samples) -> Samples:
    """`(frames, 1)` on both channels, as a mono file plays; `(frames, 2)` unchanged, the same object."""
    return samples if samples.shape[1] == 2 else np.repeat(samples, 2, axis=1)


def sha256(path: Path) -> str:
    """SHA-256 of the content in hexadecimal; this process reads a file again only if it has changed.

    Raises AudioError: missing, unreadable, no regular file, larger than 8 GiB.
    """
    with suppress(OSError, ValueError):
        if known := digests.get(_state(os.stat(path))):
            return known
    shown = printable(path.name)
    with open_plain(path, shown_as=shown) as file:
        try:
            found = os.fstat(file.fileno())
            state = _state(found)
            digest = _digest(file, found.st_size)
            if time.time() - max(found.st_mtime, found.st_ctime) > _SETTLED_S:
                digests[state] = digest
            return digest
        except OSError as error:
            raise AudioError(f"{shown}: {why_unreadable(error)}") from None


def _digest(file: io.BufferedReader, size: int) -> str:
    # A small file is read as a whole: `file_digest` first clears a buffer that is larger.
    return (hashlib.sha256(file.read(size)) if size < _SMALL_BYTES else hashlib.file_digest(file, "sha256")).hexdigest()


def _state(found: os.stat_result) -> str:
    return f"{found.st_dev}-{found.st_ino}-{found.st_size}-{found.st_mtime_ns}-{found.st_ctime_ns}"
