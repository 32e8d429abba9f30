"""Small charts that stand in the page itself: curves, named points, patterns, bars.

Conventions as in `svg`: own coordinates, colours by class, every text escaped, named by a label.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from dossier.render.format import number
from dossier.render.svg import Tick, drawing, spaced, tag

Points = Sequence[tuple[float, float]]

DEPTH_DB = 48.0  # of a curve plot


def _path(points: Iterable[tuple[float, float]]) -> str:
    """A curve to a tenth of a unit, which is finer than a screen shows."""
    return "".join(f"{'M' if i == 0 else 'L'}{px:.1f} {py:.1f}" for i, (px, py) in enumerate(points))


def _grid(left: float, top: float, wide: float, high: float, *, xs: Iterable[float], ys: Iterable[float]) -> Markup:
    """All grid lines as one path."""
    flat = "".join(f"M{left:.1f} {y:.1f}h{wide:.1f}" for y in ys)
    return tag("path", d=flat + "".join(f"M{x:.1f} {top:.1f}v{high:.1f}" for x in xs), class_="grid")


def curve_plot(
    curves: Mapping[str, Points],
    *,
    label: str,
    x_end: float,
    x_ticks: Sequence[Tick],
    x_title: str,
    top: float,
    y_title: str,
) -> Markup:
    """Curves by CSS class over the `DEPTH_DB` below `top`; values outside the range are clipped."""
    left, right, above, below, width, height = 44.0, 10.0, 22.0, 34.0, 420.0, 200.0
    wide, high = width - left - right, height - above - below

    def across(x: float) -> float:
        return left + wide * min(1.0, max(0.0, x / x_end))

    def down(y: float) -> float:
        return above + high * min(1.0, max(0.0, (top - y) / DEPTH_DB))

    depths = (0.0, 0.25 * DEPTH_DB, 0.5 * DEPTH_DB, 0.75 * DEPTH_DB, DEPTH_DB)
    parts = [
        _grid(left, above, wide, high, xs=[across(t.at) for t in x_ticks], ys=[down(top - d) for d in depths]),
        *(tag("text", number(-d, 0), x=left - 6, y=down(top - d) + 4, text_anchor="end") for d in depths),
        *(tag("text", t.text, x=across(t.at), y=above + high + 15, text_anchor="middle")
          for t in spaced(x_ticks, across, 26)),
        *(tag("path", d=_path((across(x), down(y)) for x, y in points), class_=name)
          for name, points in curves.items() if points),
        tag("text", y_title, x=2, y=12, class_="soft"),
        tag("text", x_title, x=left + wide, y=height - 4, text_anchor="end", class_="soft"),
    ]  # fmt: skip
    return drawing(width, height, *parts, label=label, class_="line-plot")


@dataclass(frozen=True, slots=True)
class Dot:
    x: float
    y: float
    text: str
    solid: bool = True  # False: drawn hollow
    side: str = "right"  # of the dot, where its name stands: "top", "bottom", "left" or "right"


Span = tuple[float, float]

_SIDES = {"top": (0, -11, "middle"), "bottom": (0, 21, "middle"), "right": (10, 4, "start"), "left": (-10, 4, "end")}


def name_sides(dots: Sequence[tuple[float, float, str]], *, x_range: Span, y_range: Span) -> list[str]:
    """Choose a side for each dot's name so that it overlaps neither dots nor other names, where possible.

    Boxes are estimated for a plot of 560 x 330 with letters 7 wide and 16 high; the first side that is free is taken.
    """
    at = [(560 * _share(x, x_range), 330 * (1 - _share(y, y_range))) for x, y, _ in dots]
    taken = [(x - 7, y - 7, x + 7, y + 7) for x, y in at]
    sides = []
    for (x, y), (_, _, name) in zip(at, dots, strict=True):
        long = 7.0 * len(name)
        boxes = {
            "top": (x - long / 2, y - 25, x + long / 2, y - 9), "right": (x + 10, y - 8, x + 10 + long, y + 8),
            "bottom": (x - long / 2, y + 9, x + long / 2, y + 25), "left": (x - 10 - long, y - 8, x - 10, y + 8),
        }  # fmt: skip

        def free(box: tuple[float, float, float, float]) -> bool:
            inside = box[0] >= -40 and box[2] <= 575 and box[1] >= -20 and box[3] <= 330
            return inside and not any(
                box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken
            )

        side = next((s for s in boxes if free(boxes[s])), "top")
        sides.append(side)
        taken.append(boxes[side])
    return sides


def _share(value: float, span: Span) -> float:
    return (value - span[0]) / ((span[1] - span[0]) or 1.0)


def dot_plot(
    dots: Sequence[Dot],
    *,
    label: str,
    x_range: Span,
    y_range: Span,
    x_ticks: Sequence[Tick],
    y_ticks: Sequence[Tick],
    diagonals: Sequence[tuple[Span, float, str]],
    x_title: str,
    y_title: str,
) -> Markup:
    """Named points; `diagonals` are pieces of the lines y = x - offset: its ends in x, the offset, its name."""
    left, right, top, bottom, width, height = 52.0, 16.0, 24.0, 40.0, 640.0, 400.0
    wide, high = width - left - right, height - top - bottom

    def px(value: float) -> float:
        return left + wide * _share(value, x_range)

    def py(value: float) -> float:
        return top + high * (1 - _share(value, y_range))

    parts = [
        _grid(left, top, wide, high, xs=[px(tick.at) for tick in x_ticks], ys=[py(tick.at) for tick in y_ticks]),
        *(tag("text", tick.text, x=left - 6, y=py(tick.at) + 4, text_anchor="end") for tick in y_ticks),
        *(tag("text", tick.text, x=px(tick.at), y=top + high + 16, text_anchor="middle") for tick in x_ticks),
    ]
    for (low, end), offset, name in diagonals:
        parts += [
            tag("line", x1=px(low), y1=py(low - offset), x2=px(end), y2=py(end - offset), class_="guide"),
            tag("text", name, x=px(end) - 4, y=py(end - offset) - 5, text_anchor="end", class_="soft"),
        ]
    for dot in dots:
        dx, dy, anchor = _SIDES[dot.side]
        parts += [
            tag("circle", cx=px(dot.x), cy=py(dot.y), r=5.5, class_="dot" if dot.solid else "dot hollow"),
            tag("text", dot.text, x=px(dot.x) + dx, y=py(dot.y) + dy, text_anchor=anchor, class_="name"),
        ]
    parts += [
        tag("text", y_title, x=2, y=14, class_="soft"),
        tag("text", x_title, x=left + wide, y=height - 5, text_anchor="end", class_="soft"),
    ]
    return drawing(width, height, *parts, label=label, class_="dot-plot")


def pattern_drawing(rows: Sequence[tuple[str, Sequence[float]]], *, steps_per_beat: int, label: str) -> Markup:
    """Steps as dots, larger for louder, with a line at each beat."""
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


def bars(values: Sequence[tuple[str, float]], *, label: str | None, class_: str = "bars", step: float = 64.0) -> Markup:
    """Upright bars for shares, `step` apart, with the name below and the value above.

    The track behind them ends at 1: what is more stands out of it.
    """
    height, base, wide = 130.0, 104.0, 0.47 * step
    whole = 84.0 / max((1.0, *(share for _, share in values)))
    parts = []
    for i, (name, share) in enumerate(values):
        tall = whole * max(0.0, share)
        above = base - max(whole, tall) - 4
        middle = i * step + step / 2
        parts += [
            tag("rect", x=middle - wide / 2, y=base - whole, width=wide, height=whole, class_="track"),
            tag("rect", x=middle - wide / 2, y=base - tall, width=wide, height=tall, class_="bar"),
            tag("text", f"{100 * share:.0f}", x=middle, y=above, text_anchor="middle", class_="value"),
            tag("text", name, x=middle, y=base + 18, text_anchor="middle", class_="name"),
        ]
    return drawing(len(values) * step, height, *parts, label=label, class_=class_)
