"""What to do to the chosen drums, how much of it, and what it brings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import SimpleNamespace

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.findings import DrumFigures, Plan
from dossier.model.page import PageAssets
from dossier.render import charts, glossary, tables
from dossier.render import format as fmt
from dossier.render.map_axes import frequency_ticks
from dossier.render.svg import Tick
from dossier.render.tables import Cell, Column, Table

_ROWS: tuple[tuple[str, Callable[[DrumFigures], float | None], str], ...] = (
    ("sample peak", lambda f: f.sample_peak_dbfs, "dBFS"),
    ("true peak", lambda f: f.true_peak_dbtp, "dBTP"),
    ("integrated loudness", lambda f: f.integrated_lufs, "LUFS"),
    ("crest factor", lambda f: f.crest_factor_db, "dB"),
    ("length", lambda f: f.effective_length_s, "s"),
    ("fills, of what finished mixes carry", lambda f: f.room_filled, "%"),
    ("goes over what finished mixes carry", lambda f: f.spill, "%"),
    ("covers, of the music", lambda f: f.buried, "%"),
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
    for label, read, unit in _ROWS:
        before, after = read(plan.before), read(plan.after)
        change = None if before is None or after is None else after - before
        rows.append((Cell(label), _cell(before, unit), _cell(after, unit), _cell(change, unit, sign=True)))
    columns = (Column("figure", numeric=False), Column("before"), Column("after"), Column("change"))
    return tables.table(f"plan-{plan.id}", f"{name_of(plan)} alone over the music, each at its gain", columns, rows)


def name_of(plan: Plan) -> str:
    return "Kit as a whole" if plan.candidate == "kit" else fmt.file_name(plan.candidate)


def change_by_band(plan: Plan) -> list[tuple[float, float]]:
    """What the treatment changes in each band at equal loudness, dB: `(place, change)`.

    Bands in which either side lies more than `charts.DEPTH_DB` under its loudest band tell nothing and are left out.
    """
    sides = [side.spectrum_db for side in (plan.before, plan.after)]
    levels = [side.integrated_lufs for side in (plan.before, plan.after)]
    if None in levels or not all(sides) or len(sides[0]) != len(sides[1]):
        return []
    turn_db = (levels[0] or 0.0) - (levels[1] or 0.0)
    deepest = [max(side) - charts.DEPTH_DB for side in sides]
    return [(i + 0.5, after + turn_db - before) for i, (before, after) in enumerate(zip(*sides, strict=True))
            if before >= deepest[0] or after >= deepest[1]]  # fmt: skip


def spectrum_plot(plan: Plan, band_hz: Sequence[float]) -> Markup | None:
    """Before and after as one curve: what a treatment changes by frequency, both as loud."""
    change = change_by_band(plan)
    if not change or len(band_hz) != len(plan.before.spectrum_db):
        return None
    least, most = (end(db for _, db in change) for end in (min, max))
    reach = next((db for db in (6.0, 12.0) if max(-least, most) <= db), 24.0)  # what is cut deeper is gone
    return charts.curve_plot(
        {"change": change}, x_end=float(len(band_hz)), top=reach, bottom=-reach,
        label=f"What the treatment of {name_of(plan)} changes by frequency at equal loudness: "
              f"from {fmt.db(least, sign=True)} to {fmt.db(most, sign=True)}.",
        x_ticks=[Tick(t.at, t.text.removesuffix(f"{fmt.NBSP}Hz").replace(f"{fmt.NBSP}kHz", "k"))
                 for t in frequency_ticks(band_hz)],
        x_title="Hz", y_title="after against before, as loud as each other, dB",
    )  # fmt: skip


def used_files(data: DossierData) -> frozenset[str]:
    """Files of the chosen drums, and "kit" where the kit is what was chosen."""
    chosen = frozenset(c.file for c in data.candidates if c.chosen)
    kit = {m.file for m in data.kit.members} if data.kit else set()
    return chosen | {"kit"} if kit and kit <= chosen else chosen


def plan_view(plan: Plan, data: DossierData, comparable: frozenset[str]) -> SimpleNamespace:
    layers = [part.id for part in data.balance.parts if part.chosen and part.file == plan.candidate]
    used = plan.candidate in used_files(data)
    sort = fmt.capital(glossary.role(plan.role) or "loop")
    return SimpleNamespace(
        title="Kit as a whole" if plan.candidate == "kit" else f"{sort}: {fmt.file_name(plan.candidate)}",
        helped=plan.helped,
        id=plan.id, used=used, steps=tuple(s.label for s in plan.steps if s.label != "output 0.0 dB"),
        reason=fmt.sentence(plan.reason), table=before_after(plan) if plan.helped else None,
        curve=spectrum_plot(plan, data.occupancy.band_hz) if used and plan.helped else None,
        tried=tuple((t.label or t.treatment, fmt.sentence(t.reason)) for t in plan.tried),
        effort=f"{fmt.capital(fmt.count(plan.evaluations, 'setting'))} tried in this beat."
               + (f" The treated file is {plan.render}." if plan.render else ""),
        layer=next((name for name in layers if name in comparable), None),
    )  # fmt: skip


def treatments_view(data: DossierData, assets: PageAssets) -> SimpleNamespace:
    comparable = frozenset(preview.of for preview in assets.previews if preview.group == "untreated" and preview.of)
    used = used_files(data)
    plans = sorted(data.plans, key=lambda p: (p.candidate not in used, not p.helped))
    helped = [p for p in plans if p.helped and p.candidate in used]
    if helped:
        said = [f"{fmt.file_name(p.candidate)}: {p.steps[0].label}" for p in helped[:2] if p.steps]
        line = f"{'; '.join(said)}{f'; {len(helped) - 2} more' if len(helped) > 2 else ''}."
    elif any(c.chosen for c in data.candidates):
        line = "The chosen drums are best as they are."
    else:
        line = "No drums were chosen, so there is nothing to treat."
    return SimpleNamespace(plans=[plan_view(plan, data, comparable) for plan in plans], line=line)
