"""Sample peak against loudness, drawn twice as the map is: a still, and a plotly.js figure (see `map_figures`)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.findings import BalancePart
from dossier.render import charts
from dossier.render import format as fmt
from dossier.render.charts import Dot, Span
from dossier.render.map_figures import BASE_LAYOUT, QUIET_AXIS, plotly_text
from dossier.render.svg import Tick

_STEP_DB = 3.0
_APART_DB = (6.0, 12.0, 18.0, 24.0, 30.0)  # lines of equal distance between peak and loudness
_X_TITLE, _Y_TITLE = "sample peak, dBFS", "integrated loudness, LUFS"
_POSITIONS = {"top": "top center", "bottom": "bottom center", "right": "middle right", "left": "middle left"}


def _measured(data: DossierData) -> list[tuple[BalancePart, float, float]]:
    """Parts with both coordinates of the plot."""
    return [
        (p, p.sample_peak_dbfs, p.integrated_lufs)
        for p in data.balance.parts
        if p.sample_peak_dbfs is not None and p.integrated_lufs is not None
    ]


def _range(values: Sequence[float]) -> Span:
    """Whole steps around the values, at least three steps wide."""
    low = math.floor((min(values) - 1) / _STEP_DB) * _STEP_DB
    high = math.ceil((max(values) + 1) / _STEP_DB) * _STEP_DB
    return min(low, high - 3 * _STEP_DB), high


def _placed(found: Sequence[tuple[BalancePart, float, float]]) -> tuple[list[Dot], Span, Span]:
    x_range, y_range = _range([x for _, x, _ in found]), _range([y for _, _, y in found])
    names = [fmt.short(p.part, 24) for p, _, _ in found]
    sides = charts.name_sides(
        [(x, y, name) for (_, x, y), name in zip(found, names, strict=True)], x_range=x_range, y_range=y_range
    )
    dots = [Dot(x, y, name, p.chosen, side) for (p, x, y), name, side in zip(found, names, sides, strict=True)]
    return dots, x_range, y_range


def level_drawing(data: DossierData) -> Markup | None:
    """One named dot a part; None where no part has both a peak and a loudness."""
    found = _measured(data)
    if not found:
        return None
    dots, x_range, y_range = _placed(found)
    said = fmt.listed(f"{p.part} {fmt.number(x, 1, unit='dBFS')} and {fmt.lufs(y)}" for p, x, y in found)
    return charts.dot_plot(
        dots, label=f"Sample peak against integrated loudness: {said}.", x_range=x_range, y_range=y_range,
        x_ticks=_ticks(x_range), y_ticks=_ticks(y_range), x_title=_X_TITLE, y_title=_Y_TITLE,
        diagonals=_diagonals(x_range, y_range),
    )  # fmt: skip


def _diagonals(x_range: Span, y_range: Span) -> list[tuple[Span, float, str]]:
    """Where the lines of equal distance cross the plot, the distance, its name."""
    ends = [(max(x_range[0], y_range[0] + d), min(x_range[1], y_range[1] + d)) for d in _APART_DB]
    return [((low, high), d, f"{fmt.plain(d)} dB apart")
            for (low, high), d in zip(ends, _APART_DB, strict=True) if high - low >= 0.5]  # fmt: skip


def _ticks(span: Span) -> list[Tick]:
    step = _STEP_DB if span[1] - span[0] <= 24 else 2 * _STEP_DB
    at = [span[0] + i * step for i in range(int((span[1] - span[0]) / step) + 1)]
    return [Tick(value, fmt.number(value, 0)) for value in at]


def level_figure(data: DossierData) -> dict[str, Any] | None:
    """The same for plotly.js."""
    found = _measured(data)
    if not found:
        return None
    dots, x_range, y_range = _placed(found)
    points = {
        "type": "scatter", "mode": "markers+text", "x": [d.x for d in dots], "y": [d.y for d in dots],
        "text": [plotly_text(d.text) for d in dots], "textposition": [_POSITIONS[d.side] for d in dots],
        "textfont": {"size": 13, "color": "var(--ink)"}, "cliponaxis": False,
        "hovertemplate": "%{customdata}<extra></extra>",
        "customdata": [
            plotly_text(f"{fmt.capital(p.part)}: sample peak {fmt.number(x, 1, unit='dBFS')}, {fmt.lufs(y)}, "
                        f"peak to loudness {fmt.db(p.peak_to_loudness_db)}")
            for p, x, y in found
        ],
        "marker": {
            "size": 12, "color": ["var(--drums-fill)" if d.solid else "var(--paper)" for d in dots],
            "line": {"color": ["var(--paper)" if d.solid else "var(--drums-fill)" for d in dots], "width": 1.5},
        },
    }  # fmt: skip
    axis = {**QUIET_AXIS, "showgrid": True, "gridcolor": "var(--rule)", "dtick": _STEP_DB}
    layout = {
        **BASE_LAYOUT, "height": 400, "margin": {"l": 62, "r": 24, "t": 20, "b": 52},
        "xaxis": {**axis, "range": list(x_range), "title": {"text": _X_TITLE}},
        "yaxis": {**axis, "range": list(y_range), "title": {"text": _Y_TITLE}},
    }  # fmt: skip
    guides = [
        {
            "type": "scatter", "mode": "lines+text", "x": [low, high], "y": [low - apart, high - apart],
            "text": ["", name], "textposition": "top left", "cliponaxis": False, "hoverinfo": "skip",
            "textfont": {"size": 11, "color": "var(--ink-soft)"},
            "line": {"color": "var(--rule-strong)", "width": 1, "dash": "dot"},
        }
        for (low, high), apart, name in _diagonals(x_range, y_range)
    ]  # fmt: skip
    return {"data": [*guides, points], "layout": layout}
