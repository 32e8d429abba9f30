"""What libsndfile cannot decode, through ffmpeg where that is installed.

Conventions
    The first bytes choose ffmpeg's reader, so a playlist or another file that refers to files is never followed; it may
    open local files only, takes the first audio stream, writes 32-bit float WAV to a temporary file and is stopped
    after half an hour of sound or ten minutes of work.  What it says is never quoted.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dossier.audio.inspect import DAMAGE, MAX_DURATION_S, MAX_VALUES
from dossier.audio.sniff import EXPORT, SUFFIX_FORMATS
from dossier.errors import AudioError

READERS = {"MPEG-4": "mov", "AAC": "aac", "CAF": "caf", "WavPack": "wv", "Windows Media": "asf", "Matroska": "matroska",
           "WAV": "wav"}  # fmt: skip
SUFFIXES = frozenset(suffix for suffix, kind in SUFFIX_FORMATS.items() if kind in READERS and kind != "WAV")
LONGEST_WORK_S = 600.0
MOST_BYTES = 3 * 4 * MAX_VALUES  # half an hour of six channels in 32 bits
PROBED_S = 0.1


class NoDecoderError(AudioError):
    """A file that would be read if ffmpeg were there."""


def ffmpeg() -> str | None:
    """Where ffmpeg is installed, if it is."""
    return shutil.which("ffmpeg")


@contextmanager
def decoded(path: Path, kind: str, shown: str, *, whole: bool = True) -> Iterator[tuple[Path, list[str]]]:
    """A temporary WAV file of what `path` holds, or of its start, and complaints about it.

    Raises AudioError: ffmpeg is not there (`NoDecoderError`) or finds no sound.
    """
    program = ffmpeg()
    if program is None:
        raise NoDecoderError(
            f"{shown}: is {kind} audio, which is read through ffmpeg, and ffmpeg is not installed; left out. Install "
            f"ffmpeg, or {EXPORT}"
        )
    with tempfile.TemporaryDirectory(prefix="dossier-") as folder:
        out = Path(folder) / "decoded.wav"
        told: list[str | bytes] = [
            program, "-nostdin", "-hide_banner", "-loglevel", "error", "-protocol_whitelist", "file",
            "-f", READERS[kind], "-i", b"file:" + os.fsencode(path), "-map", "0:a:0", "-vn", "-sn", "-dn",
            "-t", f"{MAX_DURATION_S + 1 if whole else PROBED_S:g}", "-map_metadata", "-1",
            "-fs", str(MOST_BYTES + (1 << 21)),
            "-c:a", "pcm_f32le", "-rf64", "auto", "-f", "wav", b"file:" + os.fsencode(out),
        ]  # fmt: skip
        complaints = Path(folder) / "complaints"  # not in memory: ten minutes of damage say much
        try:
            with complaints.open("wb") as errors:
                done = subprocess.run(
                    told, stdout=subprocess.DEVNULL, stderr=errors, timeout=LONGEST_WORK_S, check=False
                )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise AudioError(f"{shown}: ffmpeg could not read it ({type(error).__name__}); {EXPORT}") from None
        if not out.exists() or done.returncode != 0:
            raise AudioError(f"{shown}: looks like {kind} but ffmpeg finds no sound in it; {EXPORT}")
        if out.stat().st_size > MOST_BYTES:
            most = f"{MOST_BYTES >> 20} MiB, unpacked"
            raise AudioError(f"{shown}: holds more sound than is read ({most}); cut it shorter")
        yield out, [DAMAGE] if complaints.stat().st_size else []
