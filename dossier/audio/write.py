"""Audio out: another sample rate, WAV and FLAC files that survive a crash, MP3 previews.

Conventions
    Samples are `(frames, channels)` arrays, full scale 1.0.  Nothing here scales or dithers.  A sample of 24 bits is
    `round(x * 2^23)`, so a file that was read is written back bit for bit.
"""

from __future__ import annotations

import io
import os
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt

from dossier import files
from dossier.audio.tags import tag_chunks
from dossier.errors import AudioError
from dossier.model.measures import Clip, Samples, Sound
from dossier.names import printable

# The sample rates of MPEG-1 and MPEG-2 (ISO/IEC 11172-3, 13818-3) and of MPEG-2.5 Layer III; MEM.
MP3_RATES_HZ = (8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000)
BITS = 24  # of what is written
MAX_WAV_BYTES = 2**32 - 2**16  # chunk sizes have 32 bits; the rest is left for headers and tags
NOT_FINITE = "cannot write {}: it would hold samples that are not finite"
MP3_COMPRESSION = 0.5  # variable bit rate, half way between the largest and the smallest files
FLAC_COMPRESSION = 0.5  # as small as by the library's own level, in four fifths of the time
_BLOCK = 2**17  # frames a write


def resample(clip: Clip, rate_hz: int) -> Clip:
    """The clip at another sample rate (soxr HQ, linear phase, no delay); the same object at equal rates.

    The result has `round(frames * rate_hz / clip.rate_hz)` frames, at least one.
    """
    if clip.rate_hz == rate_hz:
        return clip
    import soxr

    frames = max(1, round(len(clip.samples) * rate_hz / clip.rate_hz))
    out = soxr.resample(clip.samples, clip.rate_hz, rate_hz, quality="HQ")
    if len(out) < frames:
        out = np.concatenate([out, np.zeros((frames - len(out), out.shape[1]), out.dtype)])
    return Clip(samples=out[:frames], rate_hz=rate_hz)


def wav_bytes(
    samples: Sound, rate_hz: int, *, tempo_bpm: float | None = None, root_note: int | None = None
) -> bytes:  # fmt: skip
    """A sound as integer PCM WAV of 24 bits, tagged as told.

    `samples` is `(frames, channels)` and finite; what lies beyond full scale is clipped.  `root_note` is the MIDI note
    at which the sound plays unchanged.  Raises AudioError: more than 4 GiB, no samples, samples that are not finite.
    """
    shown, width = "a WAV file", BITS // 8
    _check_shape(samples, shown)
    channels = samples.shape[1]
    size = len(samples) * channels * width
    if size > MAX_WAV_BYTES:
        raise AudioError(f"cannot write {shown}: WAV holds 4 GiB at most; write it in parts")
    after = b"\0" * (size % 2) + tag_chunks(tempo_bpm=tempo_bpm, root_note=root_note, rate_hz=rate_hz)
    frame = channels * width
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, channels, rate_hz, rate_hz * frame, frame, BITS)
    head = struct.pack("<4sI4s", b"RIFF", 4 + len(form) + 8 + size + len(after), b"WAVE")
    steps = np.concatenate([steps for steps, _ in _steps(samples, shown)])
    data = np.ascontiguousarray(steps.reshape(-1, 1).view(np.uint8)[:, :width])
    return b"".join([head, form, struct.pack("<4sI", b"data", size), data.data, after])


def write_flac(path: Path, samples: Sound, rate_hz: int) -> int:
    """Write FLAC of 24 bits, and return the number of clipped samples.

    `samples`, `(frames, channels)` and finite, is read slice by slice in order; what lies beyond full scale is clipped.
    The old file stays until the new one is whole and flushed to the disk.

    Raises AudioError: full disk, read-only place, a folder in the way, no samples, samples that are not finite.
    """
    import soundfile as sf

    shown = printable(path.name)
    _check_shape(samples, shown)
    clipped = 0
    with _in_place_of(path, shown) as part:
        part.touch(exist_ok=False)
        try:
            with sf.SoundFile(
                part if os.name == "nt" else os.fsencode(part), "w", samplerate=rate_hz, channels=samples.shape[1],
                format="FLAC", subtype="PCM_24", compression_level=FLAC_COMPRESSION,
            ) as file:  # fmt: skip
                for steps, over in _steps(samples, shown):
                    clipped += over
                    file.write(steps << 8)
        except sf.SoundFileError as error:
            raise AudioError(f"cannot write {shown}: {error}; is there room on the disk?") from None
    return clipped


@contextmanager
def _in_place_of(path: Path, shown: str) -> Iterator[Path]:
    """A path to write to, whose file takes the place of `path` in one step once it is whole."""
    part = path.with_name(files.part_name(path.name))
    try:
        yield part
        files.sync_file(part)
        os.replace(part, path)
        files.sync_folder(path.parent)
    except OSError as error:
        files.remove(part)
        raise AudioError(str(files.explain(error, f"write {shown}"))) from error
    except BaseException:
        files.remove(part)
        raise


def _steps(samples: Sound, shown: str) -> Iterator[tuple[npt.NDArray[np.int32], int]]:
    """The samples as integers of 24 bits, little-endian, block by block, and how many were clipped in each."""
    scale = float(2 ** (BITS - 1))
    for start in range(0, len(samples), _BLOCK):
        steps = samples[start : start + _BLOCK] * np.float64(scale)
        np.rint(steps, out=steps)
        high, low = steps.max(), steps.min()
        if not np.isfinite(high) or not np.isfinite(low):
            raise AudioError(NOT_FINITE.format(shown))
        clipped = 0
        if high > scale - 1 or low < -scale:
            clipped = int(np.count_nonzero((steps > scale - 1) | (steps < -scale)))
            np.clip(steps, -scale, scale - 1, out=steps)
        yield steps.astype("<i4"), clipped


def _check_shape(samples: Sound, shown: str) -> None:
    if len(samples.shape) != 2 or not len(samples) or not samples.shape[1]:
        raise AudioError(f"cannot write {shown}: there are no samples (shape {samples.shape})")


def encode_mp3(samples: Samples, rate_hz: int, *, compression: float = MP3_COMPRESSION) -> bytes:
    """An MP3 preview, the same bytes for the same samples.

    `samples` is `(frames, 1 or 2)`, finite; nothing is scaled.  The file's rate is `mp3_rate` of theirs.  `compression`
    is 0-1, 1 giving the smallest files: from about 0.85 on, nothing above 8 kHz is left in them.

    Raises AudioError: no samples, samples that are not finite, or the encoder refuses.
    """
    import soundfile as sf

    _check_shape(samples, "a preview")
    if not np.isfinite(samples).all():
        raise AudioError(NOT_FINITE.format("a preview"))
    clip = resample(Clip(samples=samples, rate_hz=rate_hz), mp3_rate(rate_hz))
    samples, rate_hz = clip.samples, clip.rate_hz
    buffer = io.BytesIO()
    try:
        with sf.SoundFile(
            buffer, "w", samplerate=rate_hz, channels=samples.shape[1], format="MP3", subtype="MPEG_LAYER_III",
            bitrate_mode="VARIABLE", compression_level=compression,
        ) as file:  # fmt: skip
            for start in range(0, len(samples), _BLOCK):  # one huge write can overrun the encoder
                file.write(np.ascontiguousarray(samples[start : start + _BLOCK], dtype=np.float32))
    except sf.SoundFileError as error:
        raise AudioError(f"cannot encode a preview as MP3: {error}") from None
    return buffer.getvalue()


def mp3_rate(rate_hz: int) -> int:
    """The rate itself, or for one that MP3 lacks 48 kHz, or 44.1 kHz for its multiples."""
    return rate_hz if rate_hz in MP3_RATES_HZ else 44_100 if rate_hz % 11_025 == 0 else 48_000


def decode_mp3(mp3: bytes) -> tuple[Samples, int]:
    """A preview as it plays: samples `(frames, 1 or 2)`, float64, and their rate, which may be the encoder's own."""
    import soundfile as sf

    samples, rate_hz = sf.read(io.BytesIO(mp3), always_2d=True)
    return samples, int(rate_hz)
