"""Small drawings that stand in the page itself: they need no script, print well and scale.

Conventions: coordinates are the drawing's own (viewBox), colours come from the style sheet through classes, so that
light, dark and print need no second drawing; every text is escaped.  A drawing is named by `role="img"` and an
`aria-label`; where the same numbers stand in a table beside it, it is hidden from assistive technology instead.
PNG follows the specification (W3C PNG, third edition): 8-bit palette images, filter 0.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
from markupsafe import Markup, escape
from msgspec import Struct

from dossier.names import printable
from dossier.render.pack import base64_text

Bytes2d = npt.NDArray[np.uint8]


def tag(name: str, *children: str | Markup, **attributes: object) -> Markup:
    """One element; `_` in attribute names becomes `-`, `class_` becomes `class`, None leaves an attribute out."""
    written = "".join(
        f' {key.removesuffix("_").replace("_", "-")}="{escape(printable(coordinate(value)))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = "".join(escape(child if isinstance(child, Markup) else printable(child)) for child in children)
    return Markup(f"<{name}{written}>{inner}</{name}>")  # of escaped pieces; `Markup.format` takes ten times as long


def coordinate(value: object) -> str:
    """Two decimals at most: small files, and the same text everywhere."""
    if isinstance(value, float | np.floating):
        text = f"{float(value):.2f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    return str(value)


def drawing(width: float, height: float, *children: Markup, label: str | None, class_: str = "") -> Markup:
    """The outer `svg`: named where `label` is given, hidden from assistive technology where it is None."""
    return tag(
        "svg", *children, viewBox=f"0 0 {coordinate(width)} {coordinate(height)}", class_=class_ or None,
        role="img" if label else None, aria_label=label or None, aria_hidden=None if label else "true",
        focusable="false",
    )  # fmt: skip


def png(indices: Bytes2d, colours: Sequence[tuple[int, int, int]]) -> bytes:
    """An 8-bit palette PNG of `(rows, columns)` indices, first row on top."""
    rows, columns = indices.shape
    raw = np.zeros((rows, columns + 1), dtype=np.uint8)  # filter byte 0 before each row
    raw[:, 1:] = indices

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)
    table = b"".join(bytes(colour) for colour in colours)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"PLTE", table)
        + chunk(b"IDAT", zlib.compress(raw.tobytes(), 9)) + chunk(b"IEND", b"")
    )  # fmt: skip


class Tick(Struct, frozen=True):
    at: float
    text: str


def spaced(ticks: Sequence[Tick], place: Callable[[float], float], least: float) -> list[Tick]:
    """Ticks that keep at least `least` apart once placed; of two that are closer, the first stays."""
    kept: list[Tick] = []
    for tick in ticks:
        if not kept or abs(place(tick.at) - place(kept[-1].at)) >= least:
            kept.append(tick)
    return kept


def map_drawing(
    indices: Bytes2d,
    colours: Sequence[tuple[int, int, int]],
    *,
    label: str,
    rows: Sequence[Tick],
    row_lines: Sequence[float],
    row_names: Sequence[Tick],
    columns: Sequence[Tick],
    column_lines: Sequence[float],
    column_names: Sequence[Tick],
    column_title: str = "bar",
    height: float = 340.0,
) -> Markup:
    """A map with its axes.  Rows count from the bottom, positions are cell edges (0 = the lower or left edge)."""
    count_rows, count_columns = float(indices.shape[0]), float(indices.shape[1])
    left, right, top, bottom, width = 52.0, 74.0, 26.0, 30.0, 960.0
    inner_w, inner_h = width - left - right, height - top - bottom

    def x(at: float) -> float:
        return left + inner_w * at / max(count_columns, 1.0)

    def y(at: float) -> float:
        return top + inner_h * (1 - at / max(count_rows, 1.0))

    picture = "data:image/png;base64," + base64_text(png(indices[::-1], colours))
    parts = [
        tag(
            "image", href=picture, x=left, y=top, width=inner_w, height=inner_h,
            preserveAspectRatio="none", class_="pixels",
        ),
        tag("rect", x=left, y=top, width=inner_w, height=inner_h, class_="frame"),
        *(tag("line", x1=left, x2=left + inner_w + 6, y1=y(at), y2=y(at), class_="zone-line") for at in row_lines),
        *(tag("line", x1=x(at), x2=x(at), y1=top - 6, y2=top + inner_h, class_="section-line") for at in column_lines),
        *(tag("text", tick.text, x=left - 6, y=y(tick.at) + 4, text_anchor="end") for tick in spaced(rows, y, 13)),
        *(
            tag("text", tick.text, x=left + inner_w + 8, y=y(tick.at) + 4, class_="soft")
            for tick in spaced(row_names, y, 11)
        ),
        *(tag("text", tick.text, x=x(tick.at), y=top + inner_h + 16, text_anchor="middle") for tick in columns),
        *(tag("text", tick.text, x=x(tick.at) + 3, y=top - 8, class_="soft") for tick in column_names),
        tag("text", column_title, x=left + inner_w + 8, y=top + inner_h + 16, class_="soft"),
    ]  # fmt: skip
    return drawing(width, height, *parts, label=label, class_="map-drawing")
