"""What happens before a decoder sees a file: is it a plain file of a sensible size, and does it look like audio?

Conventions
    Only regular files are opened: a pipe could make the program wait, a device could feed it without end.  Errors of
    the operating system become sentences.  The first bytes decide what a file is; its suffix only has to be known.
    The MP3 decoder inside libsndfile reports damage on the process's standard error, past Python.  `decoder_quiet`
    catches these lines as findings and passes on what anything else printed meanwhile.
"""

from __future__ import annotations

import codecs
import io
import os
import re
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dossier.errors import AudioError, UnusableFileError
from dossier.files import open_regular, why_unreadable
from dossier.names import printable

SUFFIX_FORMATS = {
    ".wav": "WAV", ".wave": "WAV", ".aif": "AIFF", ".aiff": "AIFF", ".aifc": "AIFF", ".flac": "FLAC", ".mp3": "MP3",
    ".ogg": "Ogg", ".oga": "Ogg", ".opus": "Ogg", ".rf64": "WAV", ".bwf": "WAV", ".w64": "W64", ".caf": "CAF",
    ".m4a": "MPEG-4", ".m4b": "MPEG-4", ".mp4": "MPEG-4", ".aac": "AAC", ".wv": "WavPack", ".wma": "Windows Media",
    ".mka": "Matroska", ".webm": "Matroska",
}  # fmt: skip
EXPORT = "export it again as wav, aiff, flac, mp3 or ogg"
MAX_FILE_BYTES = 8 * 2**30  # half an hour of 16 channels at 48 kHz in 64 bit is 10 GiB; nothing of use is larger

# First bytes of what is decoded, at which offset.  The first twelve of W64 are a GUID's (from memory).
_KNOWN = (
    (0, b"fLaC", "FLAC"), (0, b"OggS", "Ogg"), (0, b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb", "W64"), (0, b"caff", "CAF"),
    (4, b"ftyp", "MPEG-4"), (0, b"wvpk", "WavPack"), (0, b"\x30\x26\xb2\x75", "Windows Media"),
    (0, b"\x1aE\xdf\xa3", "Matroska"),
)  # fmt: skip
# What is often mistaken for a usable file: (offset, first bytes, what it is).
_STRANGERS = (
    (0, b"PK\x03\x04", "a zip archive"), (0, b"\x1f\x8b", "a gzip archive"), (0, b"%PDF", "a PDF document"),
    (0, b"MThd", "a MIDI file"), (0, b"\x89PNG", "a picture"), (0, b"\xff\xd8\xff", "a picture"),
    (0, b"\x7fELF", "a program"), (0, b"MZ", "a program"), (0, b"\0\0\0\0", "a file that starts with zeros"),
)  # fmt: skip
_SNIFFED_BYTES = 512
_SMALLEST_BYTES = 16  # no container's first header is shorter
_DECODER_LINE = re.compile(rb"libmpg123|^(Note|Warning|Error): ")
_stderr_lock = threading.Lock()


def open_plain(path: Path, *, shown_as: str) -> io.BufferedReader:
    """Open a regular file for reading; anything else is an `AudioError` that says what it is."""
    try:
        return open_regular(path, most_bytes=MAX_FILE_BYTES)
    except UnusableFileError as error:
        advice = "" if ";" in str(error) else "; give the name of a file"
        raise AudioError(f"{shown_as}: {error}{advice}") from None


def format_of(path: Path, *, shown_as: str) -> str:
    """Format by the first bytes: a value of `SUFFIX_FORMATS` or, only for a name in .mp3, "MP3?".

    Raises AudioError: not a plain file, unreadable, empty, or of no known format.
    """
    return format_and_start(path, shown_as=shown_as)[0]


def format_and_start(path: Path, *, shown_as: str, most_bytes: int = _SNIFFED_BYTES) -> tuple[str, bytes]:
    """As `format_of`, and the file's first bytes, of which as many are read as it has, up to `most_bytes`."""
    suffix = path.suffix.lower()
    with open_plain(path, shown_as=shown_as) as file:
        if suffix not in SUFFIX_FORMATS:
            found = f"ends in '{printable(suffix)}'" if suffix else "has no ending"
            raise AudioError(f"{shown_as}: its name {found}, so it is not taken for audio; {EXPORT}")
        try:
            start = file.read(min(most_bytes, os.fstat(file.fileno()).st_size))
        except OSError as error:
            raise AudioError(f"{shown_as}: {why_unreadable(error)}") from None
    return _format(start[:_SNIFFED_BYTES], suffix, shown_as), start


def _format(head: bytes, suffix: str, shown_as: str) -> str:
    if not head:
        raise AudioError(f"{shown_as}: is empty (0 bytes); {EXPORT}")
    if len(head) < _SMALLEST_BYTES:
        raise AudioError(f"{shown_as}: is not audio: it has only {len(head)} byte{'s' * (len(head) > 1)}; {EXPORT}")
    if head[:4] in (b"RIFF", b"RIFX", b"RF64") and head[8:12] == b"WAVE":
        return "WAV"
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return "AIFF"
    for offset, magic, kind in _KNOWN:
        if head[offset : offset + len(magic)] == magic:
            return kind
    if head[:3] == b"ID3":
        return "FLAC" if suffix == ".flac" else "MP3"
    for offset, magic, what in _STRANGERS:
        if head[offset : offset + len(magic)] == magic and not (magic[0] == 0 and suffix == ".mp3"):
            raise AudioError(f"{shown_as}: is not audio that can be read but {what}; {EXPORT}")
    if _starts_a_frame(head):
        return "MP3"
    if head[0] == 0xFF and head[1] & 0xF6 == 0xF0:  # ADTS: sync, layer 0 (ISO/IEC 13818-7, 6.2; from memory)
        return "AAC"
    if suffix == ".mp3" and not _is_text(head):
        return "MP3?"
    # Not a word of what it holds: it may be a private file that a link leads to, and this message reaches the page.
    raise AudioError(f"{shown_as}: is not audio{' but text' * _is_text(head)}; {EXPORT}")


def _starts_a_frame(head: bytes) -> bool:
    """Whether an MPEG audio frame can start so: sync, nothing reserved (ISO/IEC 11172-3, 2.4.2.3; MEM)."""
    sync = head[0] == 0xFF and head[1] & 0xE0 == 0xE0
    version, layer, bitrate, rate = head[1] >> 3 & 3, head[1] >> 1 & 3, head[2] >> 4, head[2] >> 2 & 3
    return sync and version != 1 and layer != 0 and bitrate != 15 and rate != 3


def _is_text(head: bytes) -> bool:
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)  # incremental: the last character may be cut
    except UnicodeDecodeError:
        return False
    return all(byte >= 0x20 or byte in b"\t\n\r\f" for byte in head)


@contextmanager
def decoder_quiet(active: bool) -> Iterator[list[str]]:
    """Collect what the MP3 decoder writes to file descriptor 2; the list is complete when the block ends.

    One block at a time in a process.  Lines that others wrote meanwhile are printed afterwards.
    """
    said: list[str] = []
    if not active:
        yield said
        return
    with _stderr_lock, tempfile.TemporaryFile() as caught:
        if sys.stderr is not None:
            sys.stderr.flush()
        try:
            saved = os.dup(2)
        except OSError:  # no standard error at all: nothing to keep quiet
            yield said
            return
        try:
            os.dup2(caught.fileno(), 2)
            yield said
        finally:
            if sys.stderr is not None:
                sys.stderr.flush()
            os.dup2(saved, 2)
            os.close(saved)
            caught.seek(0)
            for line in caught.read().splitlines(keepends=True):
                if _DECODER_LINE.search(line):
                    said.append(line.decode("utf-8", "replace").strip())
                elif line.strip():
                    os.write(2, line)
