"""Arrays, scripts and text made small and safe for one HTML file.

Conventions: arrays travel as little-endian base64 of gzip (modification time 0, so that the same input gives the same
bytes); `dtype` names follow NumPy's.  JSON inside a script element follows the HTML standard's restrictions on script
content (WHATWG HTML, 4.12.1.3): `<`, `>`, `&` and the line separators U+2028 and U+2029 are written as escapes.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import zlib
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from dossier.errors import DossierError

LIBRARY_LEVEL = 5  # 0.1 s for plotly's 4.8 MB; level 9 takes twice as long and saves 1 %
QUICK = 1  # level at which spellings are compared; the shortest there is, but for a few bytes, the shortest at 7
_ESCAPES = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}


def base64_text(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def squeeze(data: bytes, level: int = 7) -> str:
    """gzip without a time stamp, as base64 text."""
    return base64_text(gzip.compress(data, compresslevel=level, mtime=0))


def packed(array: npt.NDArray[Any]) -> dict[str, Any]:
    """`{"dtype", "shape", "gz"}`: an array for the page's `unpack`, in the shortest of a few spellings.

    `turned`: columns first.  `steps`: each number is the difference from the one before, modulo its range, because
    neighbours in time or along a spectrum are alike.  Of two-byte numbers all low bytes stand before all high ones.
    """
    spellings: list[tuple[dict[str, bool], bytes]] = [({}, _planes(array.ravel()))]
    if array.dtype.kind in "iu" and array.ndim == 2:
        for marks in ({}, {"turned": True}):
            flat = np.ascontiguousarray(array.T if marks else array).ravel().view(f"u{array.itemsize}")
            steps = flat - np.concatenate([flat[:1] * 0, flat[:-1]])
            spellings += [({**marks, "steps": True}, _planes(steps)), *([(marks, _planes(flat))] if marks else [])]
    marks, shortest = min(spellings, key=lambda spelling: len(zlib.compress(spelling[1], QUICK)))
    return {"dtype": array.dtype.name, "shape": list(array.shape), **marks, "gz": squeeze(shortest)}


def _planes(flat: npt.NDArray[Any]) -> bytes:
    """Little-endian bytes; of two-byte whole numbers all low bytes before all high bytes."""
    little = np.ascontiguousarray(flat, dtype=flat.dtype.newbyteorder("<"))
    if little.dtype.kind in "iu" and little.itemsize == 2:
        return little.view(np.uint8).reshape(-1, 2).T.tobytes()
    return little.tobytes()


def shares_as_words(values: npt.ArrayLike) -> npt.NDArray[np.int16]:
    """Shares of the reference and their changes in steps of 1/100, from -327 to 327 in two bytes each."""
    return np.clip(np.rint(100 * np.asarray(values, dtype=np.float64)), -32767, 32767).astype(np.int16)


def json_for_script(value: Any) -> str:
    """JSON that cannot end the script element that it stands in."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"), sort_keys=False)
    for raw, escaped in _ESCAPES.items():
        text = text.replace(raw, escaped)
    return text


def plain(value: Any) -> Any:
    """Nested structs as what JSON knows: mappings, lists, numbers, texts."""
    return msgspec.to_builtins(value, str_keys=True, enc_hook=lambda odd: odd.item())


def csp_hash(script: str | bytes) -> str:
    """Source expression of an inline script (W3C Content Security Policy Level 3, 2.3.1)."""
    raw = script.encode("utf-8") if isinstance(script, str) else script
    return f"'sha256-{base64_text(hashlib.sha256(raw).digest())}'"


def plot_library() -> bytes:
    """The plotting library's browser bundle.

    It comes from the installed package each time: a kept copy would let whoever can write to the cache run code in
    every page.  Raises DossierError where the `plotly` package carries no `plotly.min.js`.
    """
    found = find_spec("plotly")
    places = list(found.submodule_search_locations or ()) if found else []
    path = next((p for place in places if (p := Path(place, "package_data", "plotly.min.js")).is_file()), None)
    if path is None:
        raise DossierError("plotly: its package_data/plotly.min.js was not found; install plotly again")
    return path.read_bytes()
