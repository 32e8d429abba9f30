"""Small drawings that stand in the page itself: they need no script, print well and scale.

Conventions: coordinates are the drawing's own (viewBox), colours come from the style sheet through classes, so that
light, dark and print need no second drawing; every text is escaped.  A drawing is named by `role="img"` and an
`aria-label`; where the same numbers stand in a table beside it, it is hidden from assistive technology instead.
PNG follows the specification (W3C PNG, third edition): 8-bit palette images, filter 0.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from markupsafe import Markup, escape

from dossier.render.pack import base64_text
from dossier.render.words import clean

Bytes2d = npt.NDArray[np.uint8]


def tag(name: str, *children: str | Markup, **attributes: object) -> Markup:
    """One element; `_` in attribute names becomes `-`, `class_` becomes `class`, None leaves an attribute out."""
    written = Markup("").join(
        Markup(' {}="{}"').format(key.removesuffix("_").replace("_", "-"), clean(coordinate(value)))
        for key, value in attributes.items()
        if value is not None
    )
    inner = Markup("").join(escape(child if isinstance(child, Markup) else clean(child)) for child in children)
    return Markup("<{0}{1}>{2}</{0}>").format(Markup(name), written, inner)


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


def png_uri(indices: Bytes2d, colours: Sequence[tuple[int, int, int]]) -> str:
    return "data:image/png;base64," + base64_text(png(indices, colours))


@dataclass(frozen=True, slots=True)
class Tick:
    at: float
    text: str


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

    parts = [
        tag(
            "image", href=png_uri(indices[::-1], colours), x=left, y=top, width=inner_w, height=inner_h,
            preserveAspectRatio="none", class_="pixels",
        ),
        tag("rect", x=left, y=top, width=inner_w, height=inner_h, class_="frame"),
        *(tag("line", x1=left, x2=left + inner_w + 6, y1=y(at), y2=y(at), class_="zone-line") for at in row_lines),
        *(tag("line", x1=x(at), x2=x(at), y1=top - 6, y2=top + inner_h, class_="section-line") for at in column_lines),
        *(tag("text", tick.text, x=left - 6, y=y(tick.at) + 4, text_anchor="end") for tick in rows),
        *(tag("text", tick.text, x=left + inner_w + 8, y=y(tick.at) + 4, class_="soft") for tick in row_names),
        *(tag("text", tick.text, x=x(tick.at), y=top + inner_h + 16, text_anchor="middle") for tick in columns),
        *(tag("text", tick.text, x=x(tick.at) + 3, y=top - 8, class_="soft") for tick in column_names),
        tag("text", column_title, x=left + inner_w + 8, y=top + inner_h + 16, class_="soft"),
    ]  # fmt: skip
    return drawing(width, height, *parts, label=label, class_="map-drawing")


@dataclass(frozen=True, slots=True)
class Line:
    """One curve of a small plot, in data units."""

    points: tuple[tuple[float, float], ...]
    class_: str


def _path(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{'M' if i == 0 else 'L'}{coordinate(px)} {coordinate(py)}" for i, (px, py) in enumerate(points))


def line_plot(
    lines: Sequence[Line],
    *,
    label: str,
    x_range: tuple[float, float],
    y_range: tuple[float, float],
    x_ticks: Sequence[Tick],
    y_ticks: Sequence[Tick],
    x_title: str,
    y_title: str,
    width: float = 420.0,
    height: float = 200.0,
) -> Markup:
    """Curves over a light grid; what leaves the range is held at its edge."""
    left, right, top, bottom = 44.0, 10.0, 22.0, 34.0
    inner_w, inner_h = width - left - right, height - top - bottom

    def place(point: tuple[float, float]) -> tuple[float, float]:
        across = (point[0] - x_range[0]) / ((x_range[1] - x_range[0]) or 1.0)
        up = (point[1] - y_range[0]) / ((y_range[1] - y_range[0]) or 1.0)
        return left + inner_w * min(1.0, max(0.0, across)), top + inner_h * (1 - min(1.0, max(0.0, up)))

    parts = []
    for tick in y_ticks:
        at = place((x_range[0], tick.at))[1]
        parts += [
            tag("line", x1=left, x2=left + inner_w, y1=at, y2=at, class_="grid"),
            tag("text", tick.text, x=left - 6, y=at + 4, text_anchor="end"),
        ]
    for tick in x_ticks:
        at = place((tick.at, y_range[0]))[0]
        parts += [
            tag("line", x1=at, x2=at, y1=top, y2=top + inner_h, class_="grid"),
            tag("text", tick.text, x=at, y=top + inner_h + 15, text_anchor="middle"),
        ]
    parts += [tag("path", d=_path(place(p) for p in line.points), class_=line.class_) for line in lines if line.points]
    parts += [
        tag("text", y_title, x=2, y=12, class_="soft"),
        tag("text", x_title, x=left + inner_w, y=height - 4, text_anchor="end", class_="soft"),
    ]
    return drawing(width, height, *parts, label=label, class_="line-plot")


@dataclass(frozen=True, slots=True)
class Dot:
    x: float
    y: float
    text: str
    solid: bool = True  # False: drawn hollow


def dot_plot(
    dots: Sequence[Dot],
    *,
    label: str,
    x_range: tuple[float, float],
    y_range: tuple[float, float],
    x_ticks: Sequence[Tick],
    y_ticks: Sequence[Tick],
    diagonals: Sequence[tuple[float, str]],
    x_title: str,
    y_title: str,
    width: float = 640.0,
    height: float = 400.0,
) -> Markup:
    """Named points; `diagonals` are the lines y = x - offset, with a name at the upper end."""
    left, right, top, bottom = 52.0, 16.0, 24.0, 40.0
    inner_w, inner_h = width - left - right, height - top - bottom

    def px(value: float) -> float:
        return left + inner_w * (value - x_range[0]) / ((x_range[1] - x_range[0]) or 1.0)

    def py(value: float) -> float:
        return top + inner_h * (1 - (value - y_range[0]) / ((y_range[1] - y_range[0]) or 1.0))

    parts = []
    for tick in y_ticks:
        parts += [
            tag("line", x1=left, x2=left + inner_w, y1=py(tick.at), y2=py(tick.at), class_="grid"),
            tag("text", tick.text, x=left - 6, y=py(tick.at) + 4, text_anchor="end"),
        ]
    for tick in x_ticks:
        parts += [
            tag("line", x1=px(tick.at), x2=px(tick.at), y1=top, y2=top + inner_h, class_="grid"),
            tag("text", tick.text, x=px(tick.at), y=top + inner_h + 16, text_anchor="middle"),
        ]
    for offset, name in diagonals:
        low = max(x_range[0], y_range[0] + offset)
        high = min(x_range[1], y_range[1] + offset)
        if high - low < 0.5:
            continue
        parts += [
            tag("line", x1=px(low), y1=py(low - offset), x2=px(high), y2=py(high - offset), class_="guide"),
            tag("text", name, x=px(high) - 4, y=py(high - offset) - 5, text_anchor="end", class_="soft"),
        ]
    for dot in dots:
        late = px(dot.x) > left + inner_w * 0.75
        parts += [
            tag("circle", cx=px(dot.x), cy=py(dot.y), r=5.5, class_="dot" if dot.solid else "dot hollow"),
            tag("text", dot.text, x=px(dot.x) + (-10 if late else 10), y=py(dot.y) + 4,
                text_anchor="end" if late else "start", class_="name"),
        ]  # fmt: skip
    parts += [
        tag("text", y_title, x=2, y=14, class_="soft"),
        tag("text", x_title, x=left + inner_w, y=height - 5, text_anchor="end", class_="soft"),
    ]
    return drawing(width, height, *parts, label=label, class_="dot-plot")


def pattern_drawing(rows: Sequence[tuple[str, Sequence[float]]], *, steps_per_beat: int, label: str) -> Markup:
    """Steps as dots, larger for louder; beats are set apart by a line."""
    steps = max((len(cells) for _, cells in rows), default=0)
    left, step, row, top = 92.0, 26.0, 26.0, 20.0
    width, height = left + steps * step + 6, top + len(rows) * row + 4
    parts = []
    for i in range(0, steps, max(1, steps_per_beat)):
        at = left + i * step
        parts += [
            tag("line", x1=at, x2=at, y1=top - 4, y2=height - 4, class_="beat-line"),
            tag("text", str(i // max(1, steps_per_beat) + 1), x=at + 5, y=top - 7, class_="soft"),
        ]
    for r, (name, cells) in enumerate(rows):
        middle = top + r * row + row / 2
        parts.append(tag("text", name, x=left - 10, y=middle + 4, text_anchor="end"))
        for i, velocity in enumerate(cells):
            at = left + i * step + step / 2
            if velocity > 0:
                parts.append(tag("circle", cx=at, cy=middle, r=3.0 + 6.5 * min(1.0, velocity), class_="hit"))
            else:
                parts.append(tag("circle", cx=at, cy=middle, r=1.2, class_="rest"))
    return drawing(width, height, *parts, label=label, class_="pattern")


def bars(
    values: Sequence[tuple[str, float]], *, label: str | None, class_: str = "bars", step: float = 64.0
) -> Markup:
    """Standing bars for shares (0-1), `step` apart, each with its name below and its value above."""
    height, base, wide = 130.0, 104.0, 0.47 * step
    parts = []
    for i, (name, share) in enumerate(values):
        tall = 84.0 * min(1.0, max(0.0, share))
        middle = i * step + step / 2
        parts += [
            tag("rect", x=middle - wide / 2, y=base - 84, width=wide, height=84, class_="track"),
            tag("rect", x=middle - wide / 2, y=base - tall, width=wide, height=tall, class_="bar"),
            tag("text", f"{100 * share:.0f}", x=middle, y=base - 88, text_anchor="middle", class_="value"),
            tag("text", name, x=middle, y=base + 18, text_anchor="middle", class_="name"),
        ]
    return drawing(len(values) * step, height, *parts, label=label, class_=class_)
