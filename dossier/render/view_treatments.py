"""Section 3: what to do to the chosen drums, how much of it, and what it brings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import SimpleNamespace

import numpy as np
from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.findings import DrumFigures, Plan
from dossier.model.page import PageAssets
from dossier.render import charts, colour, glossary, svg, tables
from dossier.render import format as fmt
from dossier.render.map_axes import beats_per_bar, frequency_ticks, indices, scale_top, zone_edges, zone_names
from dossier.render.svg import Tick
from dossier.render.tables import Cell, Column, Table

_ROWS: tuple[tuple[str, str, Callable[[DrumFigures], float | None], str], ...] = (
    ("sample peak", "sample peak", lambda f: f.sample_peak_dbfs, "dBFS"),
    ("true peak", "dBTP", lambda f: f.true_peak_dbtp, "dBTP"),
    ("integrated loudness", "LUFS", lambda f: f.integrated_lufs, "LUFS"),
    ("crest factor", "crest factor", lambda f: f.crest_factor_db, "dB"),
    ("length", "length", lambda f: f.effective_length_s, "s"),
    ("fill of the beat with it", "fill", lambda f: f.fill, "%"),
    ("room filled", "room filled", lambda f: f.room_filled, "%"),
    ("spill", "spill", lambda f: f.spill, "%"),
    ("overlap", "overlap", lambda f: f.overlap, "%"),
    ("instrumental buried", "buried", lambda f: f.buried, "%"),
    ("audible share", "audible share", lambda f: f.audible_share, "%"),
)


def _cell(value: float | None, unit: str, *, sign: bool = False) -> Cell:
    if unit == "%":
        return Cell(fmt.percent(value, digits=1, sign=sign), value)
    if unit == "s":
        return Cell(fmt.seconds(value, sign=sign), value)
    if sign:  # a difference of LUFS is in LU, one of dBFS or dBTP in dB
        unit = "LU" if unit == "LUFS" else "dB"
    return tables.level(value, unit, sign=sign)


def before_after(plan: Plan) -> Table:
    rows = []
    for label, term, read, unit in _ROWS:
        before, after = read(plan.before), read(plan.after)
        change = None if before is None or after is None else after - before
        rows.append((Cell(label, note=term), _cell(before, unit), _cell(after, unit), _cell(change, unit, sign=True)))
    columns = (Column("in this beat", numeric=False), Column("before"), Column("after"), Column("change"))
    return tables.table(f"plan-{plan.id}", f"{plan.candidate}: before and after", columns, rows)


def envelope_plot(plan: Plan) -> Markup | None:
    sides = {"before": plan.before, "after": plan.after}
    if any(not side.envelope_db or side.envelope_step_s <= 0 for side in sides.values()):
        return None
    top = max(max(side.envelope_db) for side in sides.values())
    end = max(0.05, *(_heard_until(side, top - charts.DEPTH_DB) for side in sides.values()))
    step = next((s for s in (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0) if end / s <= 6), 5.0)
    return charts.curve_plot(
        {name: _points(side.envelope_db, side.envelope_step_s) for name, side in sides.items()},
        label=f"Level over time of {plan.candidate}, before and after treatment.", x_end=end, top=top,
        x_ticks=[Tick(i * step, fmt.number(1000 * i * step, 0)) for i in range(int(end / step + 1e-9) + 1)],
        x_title="ms", y_title="level over time, dB under its peak",
    )  # fmt: skip


def _heard_until(side: DrumFigures, floor_db: float) -> float:
    last = max((i for i, level in enumerate(side.envelope_db) if level > floor_db), default=0)
    return (last + 1) * side.envelope_step_s


def _points(values: Sequence[float], step: float) -> list[tuple[float, float]]:
    """Points of a curve; a long one is thinned to the maxima of at most 150 stretches."""
    each = -(-len(values) // 150) or 1
    return [(i * step, max(values[i : i + each])) for i in range(0, len(values), each)]


def spectrum_plot(plan: Plan, band_hz: Sequence[float]) -> Markup | None:
    sides = {"before": plan.before.spectrum_db, "after": plan.after.spectrum_db}
    if not band_hz or any(len(levels) != len(band_hz) for levels in sides.values()):
        return None
    return charts.curve_plot(
        {name: [(i + 0.5, level) for i, level in enumerate(levels)] for name, levels in sides.items()},
        label=f"Level by band of {plan.candidate}, before and after treatment.",
        x_end=float(len(band_hz)), top=max(max(levels) for levels in sides.values()),
        x_ticks=[Tick(t.at, t.text.removesuffix(f"{fmt.NBSP}Hz").replace(f"{fmt.NBSP}kHz", "k"))
                 for t in frequency_ticks(band_hz)],
        x_title="Hz", y_title="level by band, dB under its loudest band",
    )  # fmt: skip


def change_map(plan: Plan, data: DossierData) -> tuple[Markup | None, str]:
    if not plan.occupancy_change:
        return None, ""
    values = np.asarray(plan.occupancy_change, dtype=np.float64)
    if values.shape[0] != len(data.occupancy.band_hz) or not values.size:
        return None, ""
    per_beat = max(1, round(data.occupancy.slots_per_bar / beats_per_bar(data.beat.meter)))
    beats = -(-values.shape[1] // per_beat)
    every = 1 if beats <= 8 else 4
    top = scale_top(values)
    low, high = (fmt.percent(float(v), sign=True) for v in (values.min(), values.max()))
    note = f"One cycle of the pattern, in beats: blue takes away, ochre adds, {low} to {high} of the reference."
    drawing = svg.map_drawing(
        indices(values, -top, top),
        colour.palette("change"),
        height=240.0,
        label=f"What the treatment of {plan.candidate} changes, by band and sixteenth: from "
        f"{low} to {high} of the reference.",
        rows=frequency_ticks(data.occupancy.band_hz),
        row_lines=zone_edges(data.occupancy.band_zone),
        row_names=zone_names(data.occupancy.band_zone),
        columns=[Tick(i * per_beat, str(i + 1)) for i in range(0, beats, every)],
        column_lines=[],
        column_names=[],
        column_title="beat",
    )
    return drawing, note


def used_files(data: DossierData) -> frozenset[str]:
    """Files of the chosen drums, and "kit" where the kit is what was chosen."""
    chosen = frozenset(c.file for c in data.candidates if c.chosen)
    kit = {m.file for m in data.kit.members} if data.kit else set()
    return chosen | {"kit"} if kit and kit <= chosen else chosen


def plan_view(plan: Plan, data: DossierData, comparable: frozenset[str]) -> SimpleNamespace:
    layers = [part.id for part in data.balance.parts if part.chosen and part.file == plan.candidate]
    used = plan.candidate in used_files(data)
    sort = fmt.capital(glossary.role(plan.role) or "loop")
    outcome = "advised" if used else "would help, if this drum were used"
    change, change_note = change_map(plan, data) if used and plan.helped else (None, "")
    return SimpleNamespace(
        title="Kit as a whole" if plan.candidate == "kit" else f"{sort}: {fmt.file_name(plan.candidate)}",
        helped=plan.helped, used=used,
        verdict=f"{fmt.capital(plan.direction)}: {outcome if plan.helped else 'does not help, leave it as it is'}",
        steps=tuple(step.label for step in plan.steps), reason=fmt.sentence(plan.reason), table=before_after(plan),
        envelope=envelope_plot(plan), spectrum=spectrum_plot(plan, data.occupancy.band_hz), change=change,
        change_note=change_note, tried=tuple((t.label or t.treatment, fmt.sentence(t.reason)) for t in plan.tried),
        effort=f"{fmt.capital(fmt.count(plan.evaluations, 'setting'))} tried and measured in this beat.",
        render=plan.render or "", layer=next((name for name in layers if name in comparable), None),
    )  # fmt: skip


def treatments_view(data: DossierData, assets: PageAssets) -> SimpleNamespace:
    comparable = frozenset(preview.of for preview in assets.previews if preview.group == "untreated" and preview.of)
    used = used_files(data)
    plans = sorted(data.plans, key=lambda p: (p.candidate not in used, not p.helped))
    if data.plans:
        absent = ""
    elif any(c.chosen for c in data.candidates):
        absent = "The chosen drums are to be used as they are: no treatment is planned."
    else:
        absent = "No drums were chosen, so there is nothing to treat."
    return SimpleNamespace(plans=[plan_view(plan, data, comparable) for plan in plans], absent=absent)
