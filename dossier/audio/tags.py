"""What a file's tags say of tempo, key and root note, by open standards; tempo and root as tags of a WAV file.

It reads TBPM and TKEY of ID3v2 in MP3, WAV and AIFF (ID3v2.3, section 4.2.1), the Vorbis comments BPM and KEY in FLAC
and Ogg, the unity note of the RIFF chunk `smpl` (Multimedia Programming Interface and Data Specifications 1.0, 1991),
the time reference of the chunk `bext` (EBU Tech 3285, Broadcast Wave Format, version 2, 2011) and the base note of the
AIFF chunk `INST` (AIFF 1.3, 1989).  Field offsets are from memory (MEM).

Tags are claims of strangers: nothing here raises for what they hold.  A value that no music has is left out and noted.
"""

from __future__ import annotations

import io
import math
import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from dossier.audio.sniff import format_of, open_plain
from dossier.errors import AudioError
from dossier.model.measures import Tags
from dossier.model.notes import key_meant
from dossier.names import printable

LOWEST_BPM, HIGHEST_BPM = 20.0, 400.0  # common practice, no source
MAX_TAG_BYTES = 16 * 2**20  # a picture or two
MAX_TEXT_BYTES = 256  # of a frame: a longer one holds no tempo, and is not unpacked
MAX_CHUNKS = 1_000
_TIME_AT = slice(338, 346)  # after description, originator, its reference, date and time: 256 + 32 + 32 + 10 + 8
_ROOT_AT = {"smpl": slice(12, 16), "INST": slice(0, 1)}
_FRAMES = {"TBPM": "BPM", "TKEY": "KEY", "TBP": "BPM", "TKE": "KEY"}


def read_tags(path: Path, *, shown_as: str = "") -> Tags:
    """Tempo, key and root note that the tags of a file state, None where they state none that can be.

    Raises
    ------
    AudioError
        Not a regular file, unreadable, or no audio, as in `dossier.audio.read`.
    """
    shown = printable(shown_as or path.name)
    form = format_of(path, shown_as=shown)
    notes: list[str] = []
    root: int | None = None
    time: int | None = None
    texts: dict[str, str] = {}
    try:
        with open_plain(path, shown_as=shown) as file:
            if form in ("WAV", "AIFF"):
                for name, body, order in _chunks(file):
                    if name == "id3 ":
                        texts |= _id3(body)
                    elif name == "bext":
                        time = int.from_bytes(body[_TIME_AT], order) if len(body) >= _TIME_AT.stop else None
                    else:
                        at = _ROOT_AT[name]
                        root = _root(name, int.from_bytes(body[at], order), notes)
            elif form.startswith("MP3"):
                texts = _id3(file.read(MAX_TAG_BYTES)) if file.peek(3)[:3] == b"ID3" else {}
            elif form in ("FLAC", "Ogg"):
                texts = _comments(file.read(MAX_TAG_BYTES))
    except OSError as error:
        raise AudioError(f"{shown}: its tags cannot be read ({error.strerror or type(error).__name__})") from None
    return Tags(tempo_bpm=_tempo(texts.get("BPM"), notes), key=_key(texts.get("KEY"), notes), root_note=root,
                notes=tuple(notes), time_reference=time)  # fmt: skip


def tag_chunks(*, tempo_bpm: float | None, root_note: int | None, rate_hz: int) -> bytes:
    """RIFF chunks that state a tempo (TBPM of ID3v2.3) and a root note (`smpl`); empty where there is none to state.

    The standard's tempo is a whole number.  One that is not is written with its decimals all the same: who reads whole
    numbers reads its first digits, and rounded it would drift.
    """
    out = b""
    if root_note is not None:
        fields = (0, 0, round(1e9 / rate_hz), root_note, 0, 0, 0, 0, 0)
        out += struct.pack("<4sI9I", b"smpl", 36, *fields)
    if tempo_bpm is not None:
        from mutagen import id3

        tag, buffer = id3.ID3(), io.BytesIO()
        tag.add(id3.TBPM(encoding=id3.Encoding.LATIN1, text=[f"{tempo_bpm:.6g}"]))
        tag.save(buffer, v1=0, v2_version=3, padding=lambda info: 0)
        body = buffer.getvalue()
        out += struct.pack("<4sI", b"id3 ", len(body)) + body + b"\0" * (len(body) % 2)
    return out


def _chunks(file: io.BufferedReader) -> Iterator[tuple[str, bytes, Literal["little", "big"]]]:
    """The chunks of a RIFF or IFF file that may hold tags: name, at most `MAX_TAG_BYTES` of each, byte order."""
    order: Literal["little", "big"] = "little" if file.read(12)[:4] in (b"RIFF", b"RF64") else "big"
    end = os.fstat(file.fileno()).st_size
    for _ in range(MAX_CHUNKS):
        head = file.read(8)
        start, size, name = file.tell(), int.from_bytes(head[4:], order), head[:4].decode("latin-1")
        if name in (*_ROOT_AT, "bext") or name.lower() == "id3 ":
            yield name if name.lower() != "id3 " else "id3 ", file.read(min(size, MAX_TAG_BYTES)), order
        if start + size >= end:
            return
        file.seek(start + size + size % 2)


def _root(name: str, number: int, notes: list[str]) -> int | None:
    """The MIDI note at which the sound plays unchanged; 0 stands for none, as no sound has it."""
    if number <= 127:
        return number or None
    notes.append(f"its '{name}' chunk states note {number} as its root: MIDI has 0 to 127")
    return None


def _id3(data: bytes) -> dict[str, str]:
    """TBPM and TKEY of an ID3v2 tag.  Frames are taken as bytes: what is packed or long is never unpacked."""
    from mutagen import id3

    class Text(id3.TextFrame):
        @classmethod
        def _fromData(cls, header: object, flags: int, frame: bytes) -> object:  # noqa: N802
            if len(frame) > MAX_TEXT_BYTES:
                raise id3.ID3JunkFrameError
            return super()._fromData(header, flags, frame)

    try:
        frames = id3.ID3(io.BytesIO(data), known_frames={name: type(name, (Text,), {}) for name in _FRAMES},
                         translate=False, load_v1=False)  # fmt: skip
        found = {_FRAMES[frame.FrameID]: str(frame.text[0]) for frame in frames.values() if frame.text}
    except Exception:  # a parser of strangers' bytes: whatever it stumbles over, there is no tag to read
        return {}
    return found


def _comments(data: bytes) -> dict[str, str]:
    """BPM and KEY of the Vorbis comments in FLAC or Ogg."""
    from mutagen import File
    from mutagen.flac import FLAC
    from mutagen.oggflac import OggFLAC
    from mutagen.oggopus import OggOpus
    from mutagen.oggvorbis import OggVorbis

    try:
        found = File(io.BytesIO(data), options=[FLAC, OggFLAC, OggOpus, OggVorbis])
        tags = found.tags if found is not None and found.tags is not None else {}
        return {name: tags[name][0] for name in ("BPM", "KEY") if tags.get(name)}
    except Exception:  # as above
        return {}


def _tempo(text: str | None, notes: list[str]) -> float | None:
    if text is None or not text.strip(" 0.,\0"):
        return None
    try:
        tempo = float(text.strip(" \0").replace(",", "."))
    except ValueError:
        tempo = math.nan
    if LOWEST_BPM <= tempo <= HIGHEST_BPM:
        return tempo
    notes.append(f"its tag states a tempo of '{_quoted(text)}'; {LOWEST_BPM:g} to {HIGHEST_BPM:g} BPM are read")
    return None


def _key(text: str | None, notes: list[str]) -> str | None:
    if text is None or text.strip(" \0") in ("", "o"):  # ID3v2: 'o' is off key
        return None
    key = key_meant(text.strip(" \0"))
    if key is None:
        notes.append(f"its tag states the key '{_quoted(text)}', which is not understood")
    return key


def _quoted(text: str) -> str:
    return printable(text[:24]) + ("..." if len(text) > 24 else "")
