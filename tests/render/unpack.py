"""Packed arrays of a page back to numbers: the page's own `unpack`, written again."""

from __future__ import annotations

import base64
import gzip
from typing import Any

import numpy as np


def unpacked(packed: dict[str, Any]) -> np.ndarray[Any, Any]:
    raw, dtype = gzip.decompress(base64.b64decode(packed["gz"])), np.dtype(packed["dtype"])
    if dtype.itemsize == 2:
        raw = np.frombuffer(raw, dtype=np.uint8).reshape(2, -1).T.tobytes()
    values = np.frombuffer(raw, dtype=dtype)
    if packed.get("steps"):
        wide = values.view(f"u{values.itemsize}")
        values = np.cumsum(wide, dtype=wide.dtype).view(dtype)
    shape = packed["shape"]
    return values.reshape(shape[::-1]).T if packed.get("turned") else values.reshape(shape)
