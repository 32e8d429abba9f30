"""Plots that answer to the pointer, as plain plotly.js figures, and the arrays that the page's script works on.

Conventions: a figure is `{"data": [...], "layout": {...}}` in plotly's own schema, without a template; colours are
`var(--name)` texts that the page resolves from its style sheet when it draws, so that light and dark need no second
figure; maps travel apart from the figure as packed bytes and are put in by the script.  Axes: the map's x counts bars
from 1 with sixteenths as fractions, y counts bands from 0.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np

from dossier.model.datafile import DossierData
from dossier.model.page import PageAssets, WhatIfArrays
from dossier.names import printable
from dossier.render import colour, glossary
from dossier.render import format as fmt
from dossier.render.pack import changes_as_bytes, packed, shares_as_bytes
from dossier.render.view_levels import level_sides, measured_parts, name_of, plot_range
from dossier.render.view_room import array, beats_per_bar, frequency_ticks, map_views, zone_edges, zone_names

_QUIET_AXIS = {"zeroline": False, "showline": False, "fixedrange": True, "ticks": "outside", "ticklen": 4,
               "tickcolor": "var(--rule-strong)", "automargin": False}  # fmt: skip
_POSITIONS = {"top": "top center", "bottom": "bottom center", "right": "middle right", "left": "middle left"}
_BASE_LAYOUT: dict[str, Any] = {
    "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "showlegend": False, "dragmode": False,
    "font": {"family": "system-ui, sans-serif", "size": 12, "color": "var(--ink-soft)"}, "hovermode": "closest",
}  # fmt: skip


def map_figure(data: DossierData) -> dict[str, Any]:
    """The occupancy heatmap without its values: axes, zone lines, section lines and names."""
    occupancy = data.occupancy
    per_bar = max(1, occupancy.slots_per_bar)
    bands, slots = len(occupancy.band_hz), len(occupancy.instrumental[0]) if occupancy.instrumental else 0
    end = 1 + slots / per_bar
    line = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": "y", "layer": "above"}
    shapes: list[dict[str, Any]] = [
        {**line, "y0": at - 0.5, "y1": at - 0.5, "line": {"color": "var(--rule-strong)", "width": 1, "dash": "dot"}}
        for at in zone_edges(occupancy.band_zone)
    ]
    notes: list[dict[str, Any]] = [
        {
            "xref": "paper",
            "x": 1,
            "xanchor": "left",
            "yref": "y",
            "y": tick.at - 0.5,
            "text": tick.text,
            "showarrow": False,
            "xshift": 6,
            "font": {"size": 11},
        }
        for tick in zone_names(occupancy.band_zone)
    ]
    for section in data.instrumental.sections:
        if section.first_bar > 1:
            shapes.append(
                {
                    "type": "line",
                    "xref": "x",
                    "x0": section.first_bar,
                    "x1": section.first_bar,
                    "yref": "paper",
                    "y0": 0,
                    "y1": 1.05,
                    "layer": "above",
                    "line": {"color": "var(--ink-soft)", "width": 1.5},
                }
            )
        notes.append(
            {
                "xref": "x",
                "x": section.first_bar,
                "xanchor": "left",
                "yref": "paper",
                "y": 1,
                "yanchor": "bottom",
                "text": plain_text(fmt.short(section.name)),
                "showarrow": False,
                "xshift": 2,
                "font": {"size": 11},
            }
        )
    ticks = frequency_ticks(occupancy.band_hz)
    heat = {
        "type": "heatmap",
        "x0": 1 + 0.5 / per_bar,
        "dx": 1 / per_bar,
        "y0": 0,
        "dy": 1,
        "zauto": False,
        "showscale": False,
        "hoverinfo": "none",
        "zsmooth": False,
    }
    layout = {
        **_BASE_LAYOUT,
        "height": 420,
        "margin": {"l": 58, "r": 78, "t": 26, "b": 34},
        "shapes": shapes,
        "annotations": notes,
        "xaxis": {
            **_QUIET_AXIS,
            "range": [1, max(end, 2)],
            "showgrid": False,
            "tickformat": "d",
            "tick0": 1,
            "dtick": 4,
            "title": {"text": ""},
        },
        "yaxis": {
            **_QUIET_AXIS,
            "range": [-0.5, max(bands, 1) - 0.5],
            "showgrid": False,
            "tickmode": "array",
            "tickvals": [round(t.at - 0.5, 4) for t in ticks],
            "ticktext": [t.text for t in ticks],
        },
    }
    return {"data": [heat], "layout": layout}


def level_figure(data: DossierData) -> dict[str, Any] | None:
    """Sample peak against integrated loudness, one named point a part; None where no part has both."""
    found = measured_parts(data)
    if not found:
        return None
    x_range, y_range = plot_range([x for _, x, _ in found], 3.0), plot_range([y for _, _, y in found], 3.0)
    guides = []
    for offset in (6.0, 12.0, 18.0, 24.0, 30.0):
        low, high = max(x_range[0], y_range[0] + offset), min(x_range[1], y_range[1] + offset)
        if high - low >= 0.5:
            guides.append({
                "type": "scatter", "mode": "lines+text", "x": [low, high], "y": [low - offset, high - offset],
                "text": ["", f"{offset:.0f} dB apart"], "textposition": "top left", "cliponaxis": False,
                "hoverinfo": "skip",
                "textfont": {"size": 11, "color": "var(--ink-soft)"},
                "line": {"color": "var(--rule-strong)", "width": 1, "dash": "dot"},
            })  # fmt: skip
    points = {
        "type": "scatter",
        "mode": "markers+text",
        "x": [x for _, x, _ in found],
        "y": [y for _, _, y in found],
        "text": [plain_text(name_of(p)) for p, _, _ in found],
        "textposition": [_POSITIONS[side] for side in level_sides(found, x_range, y_range)],
        "cliponaxis": False,
        "textfont": {"size": 13, "color": "var(--ink)"},
        "hovertemplate": "%{customdata}<extra></extra>",
        "customdata": [
            plain_text(
                f"{fmt.capital(p.part)}: sample peak {fmt.number(x, 1, unit='dBFS')}, {fmt.lufs(y)}, "
                f"peak to loudness {fmt.db(p.peak_to_loudness_db)}"
            )
            for p, x, y in found
        ],
        "marker": {
            "size": 12,
            "color": ["var(--drums-fill)" if p.chosen else "var(--paper)" for p, _, _ in found],
            "line": {"color": ["var(--paper)" if p.chosen else "var(--drums-fill)" for p, _, _ in found], "width": 1.5},
        },
    }
    axis = {**_QUIET_AXIS, "showgrid": True, "gridcolor": "var(--rule)", "dtick": 3}
    layout = {
        **_BASE_LAYOUT, "height": 400, "margin": {"l": 62, "r": 24, "t": 20, "b": 52},
        "xaxis": {**axis, "range": list(x_range), "title": {"text": "sample peak, dBFS"}},
        "yaxis": {**axis, "range": list(y_range), "title": {"text": "integrated loudness, LUFS"}},
    }  # fmt: skip
    return {"data": [*guides, points], "layout": layout}


def plain_text(text: str) -> str:
    """A text that plotly, which reads some tags in texts, draws as it stands."""
    return printable(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def map_data(data: DossierData) -> dict[str, Any]:
    """The maps as bytes, with what the script needs to put a cell into words."""
    occupancy = data.occupancy
    arrays: dict[str, Any] = {}
    for name in ("instrumental", "with_drums", "overlap", "treatment_change"):
        values = array(getattr(occupancy, name))
        if name == "with_drums" and values.size:  # much of it is the instrumental again: what is added is shorter
            added = shares_as_bytes(values) - shares_as_bytes(occupancy.instrumental)
            arrays[name] = {**packed(added), "over": "instrumental"}
        elif values.size:
            arrays[name] = packed(changes_as_bytes(values) if name == "treatment_change" else shares_as_bytes(values))
    scales = {}
    for view in map_views(data):
        scales[view.id] = {"low": view.low, "high": view.high, "unit": view.unit, "label": view.label,
                           "light": colour.stops(view.scale), "dark": colour.stops(f"{view.scale}-dark")}  # fmt: skip
    edges = band_edges(occupancy.band_hz)
    return {
        "arrays": arrays,
        "views": scales,
        "slotSeconds": occupancy.slot_s,
        "firstSlot": occupancy.first_slot_s,
        "slotsPerBar": occupancy.slots_per_bar,
        "bands": len(occupancy.band_hz),
        "beatsPerBar": beats_per_bar(data.beat.meter),
        "slots": len(occupancy.instrumental[0]) if occupancy.instrumental else 0,
        "bandNames": [f"{fmt.hz(a)}\u2013{fmt.hz(b)}" for a, b in pairwise(edges)],
        "bandZones": list(occupancy.band_zone),
        "zoneNames": dict(glossary.ZONE_LABEL),
        "sections": [
            {"name": printable(s.name), "first": s.first_bar, "bars": s.bars} for s in data.instrumental.sections
        ],
    }


def band_edges(centres: tuple[float, ...]) -> list[float]:
    """Edges between bands: geometric means of neighbouring centres, the outer ones mirrored."""
    if not centres:
        return [0.0]
    if len(centres) == 1:
        return [centres[0] / math.sqrt(2), centres[0] * math.sqrt(2)]
    inner = [math.sqrt(a * b) for a, b in pairwise(centres)]
    return [centres[0] ** 2 / inner[0], *inner, centres[-1] ** 2 / inner[-1]]


# Levels travel as steps: 0 is nothing, n is floor + n steps.  Half a step of a drum's power is under 2 % of one cell's
# loudness and as often too much as too little, so sums over many cells agree far closer.  The masker is kept finer: a
# drum near its masked threshold answers to a change of the masker several times as strongly.
OWN_HIT_SHARE = 0.25  # as the analysis has it: a slot belongs to a drum's hits from this share of its loudest slot
POWER_FLOOR_DB = -120.0  # full-scale^2 in a fine band
POWER_STEP_DB = 0.5
EXCITATION_FLOOR_DB = -40.0  # the threshold of hearing lies between 3 and 28 dB
EXCITATION_STEP_DB = 0.1


def excitation_as_words(excitation: Any) -> np.ndarray[Any, np.dtype[np.uint16]]:
    """Excitation in steps of 0.1 dB from -40 dB, in two bytes."""
    return _coded(excitation, EXCITATION_FLOOR_DB, EXCITATION_STEP_DB, 65535).astype(np.uint16)


def powers_as_bytes(powers: Any) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Fine-band powers in steps of 0.5 dB from -120 to 7.5 dB."""
    return _coded(powers, POWER_FLOOR_DB, POWER_STEP_DB, 255).astype(np.uint8)


def _coded(values: Any, floor_db: float, step_db: float, most: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    with np.errstate(divide="ignore"):
        decibels = 10 * np.log10(np.maximum(np.asarray(values, dtype=np.float64), 0.0))
    codes = np.rint((decibels - floor_db) / step_db)
    return np.where(np.isfinite(codes), np.clip(codes, 0, most), 0)


def what_if_data(assets: PageAssets, measured_lufs: float | None) -> dict[str, Any] | None:
    """The arrays behind the level sliders, and the loudness that the rendered mix was measured to have."""
    arrays: WhatIfArrays | None = assets.what_if
    if arrays is None or not arrays.parts:
        return None
    return {
        "instrumentalExcitation": packed(excitation_as_words(arrays.instrumental_excitation)),
        "instrumentalBlocks": packed(np.asarray(arrays.instrumental_block_energy, dtype=np.float32)),
        "reference": [float(v) for v in arrays.reference_sone],
        "active": [round(float(v)) for v in arrays.active_slots],
        "zoneWeights": [[float(v) for v in row] for row in arrays.zone_weights],
        "splOffset": float(arrays.spl_offset_db), "mixGain": float(arrays.mix_gain_db),
        "excitationFloor": EXCITATION_FLOOR_DB,
        "excitationStep": EXCITATION_STEP_DB,
        "measured": measured_lufs,
        "ownHitShare": OWN_HIT_SHARE,
        "powerFloor": POWER_FLOOR_DB, "powerStep": POWER_STEP_DB,
        "parts": [
            {"id": part.id, "label": printable(part.label), "gain": float(part.gain_db),
             "powers": packed(powers_as_bytes(part.powers)),
             "blocks": packed(np.asarray(part.block_energy, dtype=np.float32))}
            for part in arrays.parts
        ],
    }  # fmt: skip
