"""Levels against the music, peaks and loudness of every drum part, and the sliders that try other gains."""

from __future__ import annotations

from types import SimpleNamespace

from markupsafe import Markup
from msgspec.structs import replace

from dossier.model.datafile import DossierData
from dossier.model.findings import BalancePart
from dossier.model.page import PageAssets
from dossier.render import charts, tables
from dossier.render import format as fmt
from dossier.render.tables import Cell, Column, Table
from dossier.render.view_first import level_words, spread

_SLIDER_DB = 12.0  # how far a slider reaches to either side of the advised gain


def parts_table(data: DossierData) -> Table:
    columns = (
        Column("part", numeric=False), Column("sample peak", unit="dBFS"), Column("true peak", unit="dBTP"),
        Column("loudness", unit="LUFS"), Column("peak to loudness", unit="dB"), Column("against the music", unit="LU"),
        Column("usual", unit="LU"), Column("audible share"), Column("lift", unit="LU"), Column("overlap"),
        Column("gain on the treated file", unit="dB"),
    )  # fmt: skip
    rows = [
        (
            Cell(fmt.capital(p.part), note=p.file + ", treated" * p.treated + ", not chosen" * (not p.chosen)),
            tables.level(p.sample_peak_dbfs), tables.level(p.true_peak_dbtp), tables.level(p.integrated_lufs),
            tables.level(p.peak_to_loudness_db),
            tables.level(p.level_lu, sign=True), Cell(usual(p), None), tables.share(p.audible_share),
            tables.level(p.lift_lu, sign=True),
            tables.share(p.overlap, small=True),
            replace(tables.level(p.gain_db, sign=True), note=spread(p.gain_range_db)),
        )
        for p in data.balance.parts
    ]  # fmt: skip
    return tables.table("levels", "Peak, loudness and gain of every drum part", columns, rows)


def usual(part: BalancePart) -> str:
    """`−9 to −4`, where mixes that people made have such a part."""
    if part.usual_lu is None:
        return fmt.MISSING
    low, high = (fmt.number(end, 0, sign=True) for end in part.usual_lu)
    return low if low == high else f"{low} to {high}"


def scale(data: DossierData) -> Markup | None:
    rows = [(fmt.capital(p.part), fmt.lu(p.level_lu, sign=True), p.level_lu, p.usual_lu)
            for p in data.balance.parts if p.chosen and p.level_lu is not None]  # fmt: skip
    if not rows:
        return None
    said = fmt.listed(f"{name} {level_words(level)}" for name, _, level, _ in rows)
    return charts.scale(rows, unit="LU", label=f"Drums against the music: {said}")


def peaks(data: DossierData) -> Markup | None:
    rows = []
    for p in data.balance.parts:
        loud, peak = p.integrated_lufs, p.sample_peak_dbfs
        if loud is not None and peak is not None:
            said = f"{fmt.number(loud, 0)} to {fmt.number(peak, 0)}"
            rows.append((fmt.capital(p.part), said, loud, min(0.0, peak)))
    said = fmt.listed(f"{name} {text}" for name, text, _, _ in rows)
    return charts.spans(rows, label=f"From loudness in LUFS to sample peak in dBFS: {said}") if rows else None


def line(data: DossierData) -> str:
    chosen = [p for p in data.balance.parts if p.chosen]
    if not chosen:
        return "No drum parts to balance."
    together = data.balance.all_drums_lu
    start = f"All drums together {level_words(together)}" if together is not None and len(chosen) > 1 else ""
    said = [f"{p.part} {level_words(p.level_lu)}" for p in chosen[:3] if p.level_lu is not None]
    own = sorted({(s.first_bar, f"the {s.name}") for p in chosen for s in p.sections})
    outside = f", at the gains outside {fmt.listed(name for _, name in own)}" if own else ""
    return fmt.capital(f"{'; '.join(filter(None, [start, fmt.listed(said)]))}{outside}.")


def sliders(data: DossierData, assets: PageAssets) -> list[tuple[str, str, float, float, float]]:
    """For each part that the page can recompute: id, label, advised gain, ends; the script fills in the figures."""
    parts = assets.what_if.parts if assets.what_if else ()
    most = next((s.value for s in data.settings if s.name == "part_most_db"), _SLIDER_DB)
    return [
        (part.id, fmt.capital(part.label), round(part.gain_db, 2),
         round(part.gain_db - _SLIDER_DB, 2), max(part.gain_db, min(most, round(part.gain_db + _SLIDER_DB, 2))))
        for part in parts
    ]  # fmt: skip


def _own_sections(data: DossierData) -> Table | None:
    """Gains in the sections that have an intent of their own in beat.toml, where they are not the base gains."""
    chosen = [part for part in data.balance.parts if part.chosen]
    gains: dict[tuple[int, str, str], dict[str, float]] = {}
    for part in chosen:
        for s in part.sections:
            gains.setdefault((s.first_bar, s.name, s.intent), {})[part.id] = s.gain_db
    if not gains:
        return None
    columns = (
        Column("section", numeric=False), Column("intent", numeric=False),
        *(Column(fmt.capital(part.part), unit="dB") for part in chosen),
    )  # fmt: skip
    return tables.table(
        "gains-by-section", "Gains in the sections that have an intent of their own", columns,
        (
            (Cell(name), Cell(intent),
             *(tables.level(there.get(part.id, part.gain_db), sign=True) for part in chosen))
            for (_, name, intent), there in sorted(gains.items())
        ),
    )  # fmt: skip


def _mix_sections(data: DossierData) -> Table | None:
    columns = (Column("section", numeric=False), Column("integrated", unit="LUFS"))
    rows = [(Cell(name), tables.level(value)) for name, value in data.balance.mix.sections]
    return tables.table("mix-by-section", "Loudness of the rough mix by section", columns, rows) if rows else None


def levels_view(data: DossierData, assets: PageAssets, *, has_constants: bool) -> SimpleNamespace:
    balance = data.balance
    return SimpleNamespace(
        line=line(data), scale=scale(data), ranged=any(p.usual_lu for p in balance.parts), peaks=peaks(data),
        parts=parts_table(data) if balance.parts else None,
        pairs=[fmt.sentence(pair.text) for pair in balance.equal_peaks], sections=_mix_sections(data),
        advice=[line for line in balance.advice if line not in {one.text for one in balance.covered}],
        own_sections=_own_sections(data), sliders=sliders(data, assets) if has_constants else (),
        mixes="you" if data.taste else "people",
    )  # fmt: skip
