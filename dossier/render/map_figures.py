"""The map of the beat, drawn twice: a still that needs no script, and a plotly.js figure that answers to the pointer.

Conventions: a figure is `{"data": [...], "layout": {...}}` in plotly's own schema, without a template.  Colours are
`var(--name)` texts that the page resolves from its style sheet, so that light and dark need no second figure.  The
figure's x counts bars from 1, y counts bands from 0; its values travel apart, as packed bytes.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from markupsafe import Markup
from msgspec import Struct

from dossier.model.datafile import DossierData
from dossier.model.vocabulary import ZONE_LABELS
from dossier.names import printable
from dossier.render import colour, glossary, svg
from dossier.render import format as fmt
from dossier.render import map_axes as axes
from dossier.render.pack import packed, shares_as_words

FIELDS = ("instrumental", "with_drums", "overlap", "treatment_change")
FULL_SCALE = 2.0  # share of the reference at the dark end of the occupancy scale
_LEAST_SHOWN = 0.005  # the page holds shares in steps of 0.01
_MOST_COLUMNS = 900  # a screen shows no more

QUIET_AXIS = {"zeroline": False, "showline": False, "fixedrange": True, "ticks": "outside", "ticklen": 4,
              "tickcolor": "var(--rule-strong)", "automargin": False}  # fmt: skip
BASE_LAYOUT: dict[str, Any] = {
    "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "showlegend": False, "dragmode": False,
    "font": {"family": "system-ui, sans-serif", "size": 12, "color": "var(--ink-soft)"}, "hovermode": "closest",
}  # fmt: skip


class MapView(Struct, frozen=True):
    """One way to look at the map."""

    id: str
    label: str
    explanation: str
    scale: str  # a name of `colour.NAMES`
    low: float
    high: float
    low_text: str
    high_text: str
    unit: str  # ends the sentence "64 % ..."

    @property
    def gradient(self) -> str:
        """The scale as a CSS gradient, for the legend."""
        return ", ".join(code for _, code in colour.stops(self.scale, 8))

    @property
    def gradient_dark(self) -> str:
        return ", ".join(code for _, code in colour.stops(f"{self.scale}-dark", 8))


def map_views(data: DossierData) -> tuple[MapView, ...]:
    """The views that have something to show."""
    occupancy, percent = data.occupancy, fmt.percent
    overlap, change = axes.array(occupancy.overlap), axes.array(occupancy.treatment_change)
    most, furthest = axes.scale_top(overlap), axes.scale_top(change)
    full = (0.0, FULL_SCALE, "empty", f"{percent(FULL_SCALE)} and above", "of what finished mixes carry")
    voice = " beside what a voice needs" if occupancy.kept else ""
    views = [
        MapView("instrumental", "Music", "Dark: full. What the music carries, without drums.", "blue", *full),
        MapView("room", "Space", f"Dark: free. What is left for drums{voice}.", "ochre", 0.0, 1.0, "none left",
                "all free", "is free"),
    ]  # fmt: skip
    if occupancy.with_drums:
        views.append(MapView("with_drums", "With drums", "Dark: full. Music and chosen drums together.", "blue", *full))
    if _shows(overlap):
        views.append(MapView(
            "overlap", "Overlap", "Dark: covered. What the music covers of the chosen drums.", "plum", 0.0, most,
            "nothing covered", f"{percent(most)} and above", "of what finished mixes carry is covered",
        ))  # fmt: skip
    if _shows(change):
        views.append(MapView(
            "treatment_change", "Treatment", "Blue: taken away, ochre: added, by the advised treatments.", "change",
            -furthest, furthest, f"{percent(-furthest)} and less", f"{percent(furthest, sign=True)} and more",
            "against untreated drums",
        ))  # fmt: skip
    return tuple(views)


def _shows(values: axes.Values) -> bool:
    return bool((np.abs(values) >= _LEAST_SHOWN).any())


def map_label(data: DossierData) -> str:
    room = data.instrumental
    return (
        f"Map of the instrumental's occupancy over {fmt.count(data.beat.bars, 'bar')}, low bands at the bottom. "
        f"Fill {fmt.percent(room.fill)}; fullest in {glossary.zone(room.fullest_zone)}, "
        f"roomiest in {glossary.zone(room.roomiest_zone)}. The tables below give the same numbers."
    )


def map_drawing(data: DossierData) -> Markup:
    """The instrumental's map as a still."""
    occupancy, sections = data.occupancy, data.instrumental.sections
    values = axes.array(occupancy.instrumental)
    per_bar = occupancy.slots_per_bar
    bars = -(-values.shape[1] // per_bar) if values.size else 0
    starts = [(s.first_bar - 1) * per_bar for s in sections]
    every = next((n for n in (1, 2, 4) if values.shape[1] <= _MOST_COLUMNS * n), 8)
    return svg.map_drawing(
        axes.indices(axes.merged(values, every), 0.0, FULL_SCALE), colour.palette("blue"), label=map_label(data),
        rows=axes.frequency_ticks(occupancy.band_hz), row_lines=axes.zone_edges(occupancy.band_zone),
        row_names=axes.zone_names(occupancy.band_zone),
        columns=[svg.Tick(tick.at / every, tick.text) for tick in axes.bar_ticks(bars, per_bar)],
        column_lines=[at / every for at in starts if at > 0],
        column_names=[svg.Tick(at / every, fmt.short(s.name)) for at, s in zip(starts, sections, strict=True)],
    )  # fmt: skip


def map_figure(data: DossierData) -> dict[str, Any]:
    """The heat map without its values: axes, zone lines, section lines and names."""
    occupancy = data.occupancy
    per_bar = max(1, occupancy.slots_per_bar)
    bands, slots = len(occupancy.band_hz), len(occupancy.instrumental[0]) if occupancy.instrumental else 0
    across = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": "y", "layer": "above",
              "line": {"color": "var(--rule-strong)", "width": 1, "dash": "dot"}}  # fmt: skip
    upright = {"type": "line", "xref": "x", "yref": "paper", "y0": 0, "y1": 1.05, "layer": "above",
               "line": {"color": "var(--ink-soft)", "width": 1.5}}  # fmt: skip
    beside = {"xref": "paper", "x": 1, "xanchor": "left", "yref": "y", "showarrow": False, "xshift": 6,
              "font": {"size": 11}}  # fmt: skip
    above = {"xref": "x", "xanchor": "left", "yref": "paper", "y": 1, "yanchor": "bottom", "showarrow": False,
             "xshift": 2, "font": {"size": 11}}  # fmt: skip
    sections, ticks = data.instrumental.sections, axes.frequency_ticks(occupancy.band_hz)
    heat = {
        "type": "heatmap", "x0": 1 + 0.5 / per_bar, "dx": 1 / per_bar, "y0": 0, "dy": 1, "zauto": False,
        "showscale": False, "hoverinfo": "none", "zsmooth": False,
    }  # fmt: skip
    layout = {
        **BASE_LAYOUT, "height": 420, "margin": {"l": 58, "r": 78, "t": 26, "b": 34},
        "shapes": [
            *({**across, "y0": at - 0.5, "y1": at - 0.5} for at in axes.zone_edges(occupancy.band_zone)),
            *({**upright, "x0": s.first_bar, "x1": s.first_bar} for s in sections if s.first_bar > 1),
        ],
        "annotations": [
            *({**beside, "y": tick.at - 0.5, "text": tick.text} for tick in axes.zone_names(occupancy.band_zone)),
            *({**above, "x": s.first_bar, "text": plotly_text(fmt.short(s.name))} for s in sections),
        ],
        "xaxis": {**QUIET_AXIS, "range": [1, max(1 + slots / per_bar, 2)], "showgrid": False, "tickformat": "d",
                  "tick0": 1, "dtick": 4, "title": {"text": ""}},
        "yaxis": {**QUIET_AXIS, "range": [-0.5, max(bands, 1) - 0.5], "showgrid": False, "tickmode": "array",
                  "tickvals": [round(t.at - 0.5, 4) for t in ticks], "ticktext": [t.text for t in ticks]},
    }  # fmt: skip
    return {"data": [heat], "layout": layout}


def plotly_text(text: str) -> str:
    """Escape the tags that plotly would interpret in a text."""
    return printable(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def map_data(data: DossierData) -> dict[str, Any]:
    """The maps as bytes, and what the script needs to describe a cell."""
    occupancy = data.occupancy
    arrays: dict[str, Any] = {}
    for name in FIELDS:
        values = axes.array(getattr(occupancy, name))
        if name == "with_drums" and values.size:  # much of it is the instrumental again: what is added is shorter
            added = shares_as_words(values) - shares_as_words(occupancy.instrumental)
            arrays[name] = {**packed(added), "over": "instrumental"}
        elif values.size:
            arrays[name] = packed(shares_as_words(values))
    return {
        "arrays": arrays,
        "views": {
            view.id: {"low": view.low, "high": view.high, "unit": view.unit, "label": view.label,
                      "light": colour.stops(view.scale), "dark": colour.stops(f"{view.scale}-dark")}
            for view in map_views(data)
        },
        "slotSeconds": occupancy.slot_s,
        "firstSlot": occupancy.first_slot_s,
        "slotsPerBar": occupancy.slots_per_bar,
        "bands": len(occupancy.band_hz),
        "kept": list(occupancy.kept),
        "beatsPerBar": axes.beats_per_bar(data.beat.meter),
        "slots": len(occupancy.instrumental[0]) if occupancy.instrumental else 0,
        "bandNames": [f"{fmt.hz(a)}\u2013{fmt.hz(b)}" for a, b in pairwise(axes.band_edges(occupancy.band_hz))],
        "bandZones": list(occupancy.band_zone),
        "zoneNames": dict(ZONE_LABELS),
        "sections": [
            {"name": printable(s.name), "first": s.first_bar, "bars": s.bars} for s in data.instrumental.sections
        ],
    }  # fmt: skip
