"""Small WAV files of plain samples, from memory: the most of a library, for which opening a decoder takes longest.

Conventions
    Only what can be read in one way is read here: chunks that fill the file one after another, one `fmt ` and one
    `data` among them that agree, one or two channels.  Anything else, however slight, is left to the decoder.  Samples
    are those that libsndfile gives, to the bit.
    RIFF, WAVE and their format tags as in `mmreg.h` (from memory); the tests hold it to libsndfile.
"""

from __future__ import annotations

import re
import struct

import numpy as np

from dossier.audio.inspect import MAX_RATE_HZ, MIN_RATE_HZ, Header
from dossier.model.measures import Samples

_SUBTYPES = {(1, 16): "PCM_16", (1, 24): "PCM_24", (1, 32): "PCM_32", (3, 32): "FLOAT"}  # by format tag and bits
_NAME = re.compile(rb"[ -~]{4}")
_EXTENSIBLE, _GUID = 0xFFFE, bytes.fromhex("000000001000800000aa00389b71")  # of tags within it (MEM)


def read(content: bytes) -> tuple[Header, Samples] | None:
    """What a file says of itself and its samples, `(frames, 1 or 2)` and not yet checked; None: use the decoder."""
    if content[:4] != b"RIFF" or struct.unpack_from("<I", content, 4)[0] + 8 != len(content):
        return None
    chunks: dict[bytes, memoryview] = {}
    at = 12
    while at + 8 <= len(content):
        name, size = struct.unpack_from("<4sI", content, at)
        if name in chunks or not _NAME.fullmatch(name) or at + 8 + size > len(content):
            return None
        if name == b"data" and b"fmt " not in chunks:
            return None
        chunks[name] = memoryview(content)[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    form, data = (chunks.get(name, memoryview(b"")) for name in (b"fmt ", b"data"))
    if at != len(content) or len(form) not in (16, 18, 40) or not data:
        return None
    tag, channels, rate_hz, _, frame, bits = struct.unpack_from("<HHIIHH", form)
    if tag == _EXTENSIBLE and len(form) == 40 and form[26:] == _GUID and int.from_bytes(form[18:20], "little") == bits:
        tag = int.from_bytes(form[24:26], "little")
    subtype = _SUBTYPES.get((tag, bits))
    plain = channels in (1, 2) and frame == channels * bits // 8 and MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ
    if subtype is None or not plain or len(data) % frame:
        return None
    samples = _floats(data, subtype).reshape(-1, channels)
    return Header("WAV", subtype, rate_hz, channels, len(samples)), samples


def _floats(data: memoryview, subtype: str) -> Samples:
    if subtype == "FLOAT":
        return np.frombuffer(data, "<f4").astype(np.float32)
    if subtype == "PCM_24":  # read four bytes at each third, and put the fourth out of the word
        wide = np.empty(len(data) // 3, np.int32)
        wide[:-1] = np.ndarray(len(wide) - 1, "<i4", data, strides=(3,))
        wide[-1] = int.from_bytes(data[-3:], "little")
        wide <<= 8
    else:
        wide = np.frombuffer(data, "<i2" if subtype == "PCM_16" else "<i4")
    out = wide.astype(np.float32)
    out *= np.float32(2.0**-15 if subtype == "PCM_16" else 2.0**-31)
    return out
