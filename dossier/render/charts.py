"""Small charts that stand in the page itself: stacked bars, levels on a scale, curves, patterns, strips.

Conventions as in `svg`.  Charts of rows are one small drawing a row, as wide as there is room, with places in per cent,
so that their labels are text of the page and stay readable on a phone.  Blue is the music, ochre the drums.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from markupsafe import Markup
from msgspec import Struct

from dossier.render.format import number
from dossier.render.svg import Tick, coordinate, drawing, spaced, tag

Points = Sequence[tuple[float, float]]

DEPTH_DB = 48.0  # of a curve plot
LEAST_TOP = 1.25  # end of a stack's scale, a share of what finished mixes carry


class Stack(Struct, frozen=True):
    """A row of stacked shares, 1 being what finished mixes carry."""

    name: str
    note: str
    music: float
    drums: float = 0.0
    voice: float = 0.0  # kept free for a voice, below 1
    word: str = ""


def _percent(share: float) -> str:
    return f"{coordinate(100.0 * share)}%"


def _row(name: str, note: str, parts: Iterable[Markup], word: str, *, high: int = 17) -> Markup:
    drawn = tag("svg", *parts, width="100%", height=high, aria_hidden="true", focusable="false")
    return tag("div", tag("span", name, *([Markup(" "), tag("small", note)] if note else [])), drawn, tag("span", word))


def stacks(rows: Sequence[Stack], *, label: str, key: bool = True) -> Markup:
    """Rows of music and drums stacked, with a line at what finished mixes carry and what goes over it hatched."""
    top = max([LEAST_TOP, *(1.05 * (row.music + row.drums) for row in rows)])
    drawn = []
    for row in rows:
        end = row.music + row.drums
        box = {"y": 3, "height": 12}
        parts = [
            tag("rect", x="0", width=_percent(1.0 / top), class_="track", **box),
            tag("rect", x="0", width=_percent(row.music / top), class_="music", **box),
            tag("rect", x=_percent(row.music / top), width=_percent(row.drums / top), class_="drums", **box),
        ]
        if end > 1.0:
            parts.append(tag("rect", x=_percent(1.0 / top), width=_percent((end - 1.0) / top), class_="over", **box))
        if row.voice:
            parts.append(tag("rect", x=_percent((1.0 - row.voice) / top), width=_percent(row.voice / top), y=1,
                             height=16, class_="voice"))  # fmt: skip
        parts.append(tag("line", x1=_percent(1.0 / top), x2=_percent(1.0 / top), y1=0, y2=17, class_="full-line"))
        drawn.append(_row(row.name, row.note, parts, row.word))
    if not key:
        return tag("div", *drawn, class_="stack", role="img", aria_label=label)

    def swatch(class_: str) -> Markup:
        return tag("svg", tag("rect", width=10, height=10, class_=class_), class_="swatch", aria_hidden="true")

    said = [swatch("music"), "music "]
    said += [swatch("drums"), "drums "] if any(row.drums for row in rows) else []
    said += [swatch("voice"), "kept for a voice "] if any(row.voice for row in rows) else []
    left = "and the voice leave" if any(row.voice for row in rows) else "alone leaves"
    words = f"; on the right: what the music {left}" if any(row.word for row in rows) else ""
    line = tag("span", f"| what finished mixes carry; hatched: more than that{words}")
    legend = tag("p", *said, line, class_="stack key")
    return tag("div", *drawn, class_="stack", role="img", aria_label=label) + legend


def scale(rows: Sequence[tuple[str, str, float, tuple[float, float] | None]], *, unit: str, label: str) -> Markup:
    """Values on one scale, each with its usual range: `(name, said, value, range)`."""
    ends = [v for _, _, value, usual in rows for v in (value, *(usual or ()), 0.0)]
    low, high = min(ends) - 1.5, max(ends) + 1.5

    def place(value: float) -> str:
        return _percent((value - low) / (high - low))

    drawn = []
    for name, said, value, usual in rows:
        parts = [tag("line", x1="0", x2="100%", y1=9, y2=9, class_="grid"),
                 tag("line", x1=place(0.0), x2=place(0.0), y1=0, y2=17, class_="full-line")]  # fmt: skip
        if usual:
            wide = _percent((usual[1] - usual[0]) / (high - low))
            parts.append(tag("rect", x=place(usual[0]), width=wide, y=4, height=10, class_="usual"))
        parts.append(tag("circle", cx=place(value), cy=9, r=4.5, class_="drums"))
        drawn.append(_row(name, "", parts, said))
    key = tag("p", f"| 0 {unit}: as loud as the music", class_="stack key")
    return tag("div", *drawn, class_="stack", role="img", aria_label=label) + key


def spans(rows: Sequence[tuple[str, str, float, float]], *, label: str) -> Markup:
    """Bars between two levels below 0: `(name, said, from, to)`."""
    low = min([start for _, _, start, _ in rows], default=0.0) - 3.0

    def place(value: float) -> float:
        return (value - low) / -low

    drawn = [
        _row(name, "", [
            tag("line", x1="0", x2="100%", y1=9, y2=9, class_="grid"),
            tag("rect", x=_percent(place(start)), width=_percent(place(end) - place(start)), y=5, height=8,
                class_="drums"),
        ], said)
        for name, said, start, end in rows
    ]  # fmt: skip
    return tag("div", *drawn, class_="stack", role="img", aria_label=label)


def hits(rows: Sequence[tuple[str, str, Sequence[tuple[float, float]]]], *, label: str) -> Markup:
    """Marks along a loop, a row a role: `(name, said, [(place, level)])`, both 0 to 1."""
    drawn = [
        _row(name, "", [
            tag("line", x1="0", x2="100%", y1=16, y2=16, class_="grid"),
            *(tag("rect", x=_percent(place), width=2, y=16 - (high := round(3 + 12 * level)), height=high,
                  class_="drums") for place, level in marks),
        ], said)
        for name, said, marks in rows
    ]  # fmt: skip
    return tag("div", *drawn, class_="stack", role="img", aria_label=label)


def strip(holds: int, of: int) -> Markup:
    """A box a draw, filled where the advice held."""
    wide = 100.0 / max(1, of)
    boxes = [tag("rect", x=f"{coordinate(wide * i)}%", width=f"{coordinate(0.8 * wide)}%", y=2, height=13,
                 class_="held" if i < holds else "turned") for i in range(of)]  # fmt: skip
    label = f"The advice held in {holds} of {of} draws."
    drawn = tag("svg", *boxes, width="100%", height=17, aria_hidden="true", focusable="false")
    return tag("div", drawn, class_="strip-of-draws", role="img", aria_label=label)


def _path(points: Iterable[tuple[float, float]]) -> str:
    """A curve to a tenth of a unit, which is finer than a screen shows."""
    return "".join(f"{'M' if i == 0 else 'L'}{px:.1f} {py:.1f}" for i, (px, py) in enumerate(points))


def curve_plot(
    curves: Mapping[str, Points], *, label: str, x_end: float, x_ticks: Sequence[Tick], x_title: str, top: float,
    y_title: str, bottom: float | None = None,
) -> Markup:  # fmt: skip
    """Curves by CSS class over the `DEPTH_DB` below `top`, told from there; values outside the range are clipped.

    With a `bottom`, down to that, told as they are, with a line at 0.
    """
    depth = DEPTH_DB if bottom is None else top - bottom
    left, right, above, below, width, height = 40.0, 10.0, 22.0, 34.0, 420.0, 190.0
    wide, high = width - left - right, height - above - below

    def across(x: float) -> float:
        return left + wide * min(1.0, max(0.0, x / x_end))

    def down(y: float) -> float:
        return above + high * min(1.0, max(0.0, (top - y) / depth))

    depths = [0.25 * i * depth for i in range(5)]
    grid = "".join(f"M{left:.1f} {down(top - d):.1f}h{wide:.1f}" for d in depths)
    grid += "".join(f"M{across(t.at):.1f} {above:.1f}v{high:.1f}" for t in x_ticks)
    parts = [
        tag("path", d=grid, class_="grid"),
        *([tag("path", d=f"M{left:.1f} {down(0.0):.1f}h{wide:.1f}", class_="level")] if bottom is not None else []),
        *(tag("text", number(-d if bottom is None else top - d, 0, sign=bottom is not None), x=left - 6,
              y=down(top - d) + 4, text_anchor="end") for d in depths),
        *(tag("text", t.text, x=across(t.at), y=above + high + 15, text_anchor="middle")
          for t in spaced(x_ticks, across, 26)),
        *(tag("path", d=_path((across(x), down(y)) for x, y in points), class_=name)
          for name, points in curves.items() if points),
        tag("text", y_title, x=2, y=12, class_="soft"),
        tag("text", x_title, x=left + wide, y=height - 4, text_anchor="end", class_="soft"),
    ]  # fmt: skip
    return drawing(width, height, *parts, label=label, class_="line-plot")


def pattern_drawing(rows: Sequence[tuple[str, Sequence[float]]], *, steps_per_beat: int, label: str) -> Markup:
    """Steps as dots, larger for louder, with a line at each beat."""
    steps = max((len(cells) for _, cells in rows), default=0)
    left, step, row, top = 96.0, 20.0, 20.0, 22.0
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
        parts.append(tag("text", name, x=left - 8, y=middle + 4, text_anchor="end"))
        for i, velocity in enumerate(cells):
            at = left + i * step + step / 2
            if velocity > 0:
                parts.append(tag("circle", cx=at, cy=middle, r=2.5 + 5.0 * min(1.0, velocity), class_="hit"))
            else:
                parts.append(tag("circle", cx=at, cy=middle, r=1.0, class_="rest"))
    return drawing(width, height, *parts, label=label, class_="pattern")
