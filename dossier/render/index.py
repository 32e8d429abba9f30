"""The archive page: the catalogue of all beats, as one self-contained HTML file.

Conventions: as the dossier page (`page`), and stricter, since it needs less: script and style sheet are both allowed by
hash alone (W3C Content Security Policy Level 3), no plotting library, no picture.  Drawings are inline SVG with
percentages for places, so that their text keeps its size on a narrow screen.  The list stands in HTML without any
script; filtering, sorting and comparing are added by the script from one embedded JSON document.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from markupsafe import Markup

from dossier.model.ears import FEWEST_ROUNDS, MOST_ROUNDS
from dossier.model.index import ArchiveIndex
from dossier.model.vocabulary import ZONES
from dossier.render import format as fmt
from dossier.render.pack import csp_hash, json_for_script
from dossier.render.page import environment, joined, template_text
from dossier.render.svg import tag
from dossier.render.view_archive import LOUDEST_LUFS, TRACK_LUFS, archive_view, compare_data

_SCRIPTS = ("format.js", "theme_button.js", "page_tools.js", "archive_blind.js", "page_blind.js", "archive.js")
_BAR, _GAP, _HIGH = 10, 4, 40
_ROWS_AT_MOST = 24  # more beats than this are drawn as piles of equal loudness
_BIN_LU = 0.5
_PILE_HIGH = 110


def render_archive(index: ArchiveIndex) -> str:
    """The archive page of an index, complete HTML; the same index gives the same text."""
    view = archive_view(index)
    theme, script = joined(("theme.js",)), joined(_SCRIPTS)
    sheets = ("tokens.css", "archive.css", "blind.css")
    style = "\n" + "\n".join(template_text(name).strip() for name in sheets) + "\n"
    policy = (
        f"default-src 'none'; script-src {csp_hash(theme)} {csp_hash(script)}; style-src {csp_hash(style)}; "
        "media-src 'self' file:; "
        "base-uri 'none'; form-action 'none'"
    )
    return environment().get_template("archive.html.j2").render(
        view=view, policy=policy, program=f"{index.program.name} {index.program.version}", style=Markup(style),
        theme_script=Markup(theme), script=Markup(script), data=Markup(json_for_script(compare_data(index))),
        zone_bars={entry.slug: zone_bars(entry.zones, entry.roomiest) for entry in view.entries},
        rounds=range(FEWEST_ROUNDS, MOST_ROUNDS + 1), zone_names=fmt.listed(zone.label for zone in ZONES),
        loudness=loudness_drawing(view.loudness.points, view.loudness.sentence),
        guides=f"{fmt.lufs(TRACK_LUFS)} for tracks, {fmt.lufs(LOUDEST_LUFS)} for the loudest of an album",
    )  # fmt: skip


def zone_bars(shares: Sequence[float], roomiest: int) -> Markup:
    """Seven upright bars from low to high, as high as the zone is full, beyond the track's end where it is fuller.

    A dot stands under the zone with the most room.
    """
    whole = round(_HIGH / max((1.0, *shares)), 1)
    heights = {"track": [whole] * len(shares), "taken": [round(share * whole, 1) for share in shares]}
    parts = [
        tag("path", class_=name, d="".join(
            f"M{place * (_BAR + _GAP)} {_HIGH}v{-high:g}h{_BAR}v{high:g}z" for place, high in enumerate(each)))
        for name, each in heights.items()
    ]  # fmt: skip
    if roomiest >= 0:
        x = roomiest * (_BAR + _GAP) + _BAR / 2
        parts.append(tag("circle", class_="roomiest", cx=x, cy=_HIGH + 6, r=2.5))
    width = len(shares) * (_BAR + _GAP) - _GAP
    return tag("svg", *parts, class_="zone-bars", width=width, height=_HIGH + 9, aria_hidden="true")


def loudness_drawing(points: Sequence[tuple[str, float]], sentence: str) -> Markup:
    """Every rough mix on one scale in LUFS, with the two guides of AES TD1008: a row a beat, or piles for many."""
    if not points:
        return Markup("")
    low, high = _span([lufs for _, lufs in points])
    many = len(points) > _ROWS_AT_MOST
    rows = [_piles(points, low, high)] if many else [_row(title, lufs, low, high) for title, lufs in points]
    ticks = [
        tag("text", fmt.number(float(value), 0), class_="tick", x=_place(value, low, high), y=12)
        for value in range(low, high + 1, 2)
    ]
    axis = tag("svg", *ticks, width="100%", height=16, aria_hidden="true", focusable="false")
    scale = tag("div", tag("span", "LUFS", class_="row-name"), axis, class_="row axis")
    return tag(
        "div", *rows, scale, class_="loudness piles" if many else "loudness", role="img",
        aria_label=f"Loudness of the rough mixes on a scale in LUFS. {sentence}",
    )  # fmt: skip


def _span(values: Sequence[float]) -> tuple[int, int]:
    """Even whole LUFS below and above all values and both guides, with a margin."""
    low = min(*values, TRACK_LUFS) - 1.0
    high = max(*values, LOUDEST_LUFS) + 1.0
    return int(low // 2 * 2), int(-(-high // 2) * 2)


def _place(value: float, low: int, high: int) -> str:
    """A place on the scale, with a margin of 4 % at both ends for dots and figures."""
    return f"{round(4.0 + 92.0 * (value - low) / (high - low), 2):g}%"


def _guides(low: int, high: int) -> list[Markup]:
    return [
        tag("line", class_="guide", x1=_place(value, low, high), x2=_place(value, low, high), y1=0, y2="100%")
        for value in (TRACK_LUFS, LOUDEST_LUFS)
    ]


def _row(title: str, lufs: float, low: int, high: int) -> Markup:
    across = tag("line", class_="grid", x1="0", x2="100%", y1="50%", y2="50%")
    dot = tag("circle", class_="dot", cx=_place(lufs, low, high), cy="50%", r=5)
    drawn = tag("svg", across, *_guides(low, high), dot, width="100%", height=22, aria_hidden="true", focusable="false")
    name = tag("span", tag("bdi", title), class_="row-name")
    return tag("div", name, drawn, tag("span", fmt.number(lufs), class_="row-value"), class_="row")


def _piles(points: Sequence[tuple[str, float]], low: int, high: int) -> Markup:
    """A histogram in steps of half a LU, each column with its count."""
    counts = Counter(round(lufs / _BIN_LU) for _, lufs in points)
    ground, unit = _PILE_HIGH + 16, _PILE_HIGH / max(counts.values())
    parts = _guides(low, high)
    for step, count in sorted(counts.items()):
        x, top = _place(step * _BIN_LU, low, high), ground - max(2.0, count * unit)
        parts.append(tag("line", class_="pile", x1=x, x2=x, y1=ground, y2=top))
        parts.append(tag("text", str(count), class_="pile-count", x=x, y=top - 4))
    parts.append(tag("line", class_="grid", x1="0", x2="100%", y1=ground, y2=ground))
    drawn = tag("svg", *parts, width="100%", height=ground + 1, aria_hidden="true", focusable="false")
    return tag("div", tag("span", "beats", class_="row-name"), drawn, class_="row")
