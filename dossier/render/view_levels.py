"""Section 4: gains, loudness and peaks of every drum part, and the sliders that try other gains."""

from __future__ import annotations

from types import SimpleNamespace

from dossier.model.datafile import DossierData
from dossier.model.findings import BalancePart
from dossier.model.page import PageAssets
from dossier.render import format as fmt
from dossier.render import glossary, tables
from dossier.render.level_figures import level_drawing
from dossier.render.tables import Cell, Column, Table

_SLIDER_DB = 12.0  # how far a slider reaches to either side of the advised gain


def parts_table(data: DossierData) -> Table:
    columns = (
        Column("part", numeric=False), Column("sample peak", unit="dBFS", term="sample peak"),
        Column("true peak", unit="dBTP", term="dBTP"), Column("integrated", unit="LUFS", term="LUFS"),
        Column("peak to loudness", unit="dB", term="peak to loudness"),
        Column("level", unit="LU"), Column("audible share", term="audible share"),
        Column("lift", unit="LU", term="lift"),
        Column("overlap", term="overlap"), Column("gain", unit="dB"),
    )  # fmt: skip
    rows = [
        (
            Cell(fmt.capital(p.part), note=p.file + ", treated" * p.treated + ", not chosen" * (not p.chosen)),
            tables.level(p.sample_peak_dbfs), tables.level(p.true_peak_dbtp), tables.level(p.integrated_lufs),
            tables.level(p.peak_to_loudness_db),
            tables.level(p.level_lu, sign=True), tables.share(p.audible_share),
            tables.level(p.lift_lu, sign=True),
            tables.share(p.overlap, small=True), tables.level(p.gain_db, sign=True),
        )
        for p in data.balance.parts
    ]  # fmt: skip
    return tables.table("levels", "Peak, loudness and gain of every drum part", columns, rows)


def gain_line(part: BalancePart) -> tuple[str, str, str, str]:
    return fmt.capital(part.part), fmt.db(part.gain_db, sign=True), gain_range(part.gain_range_db), part.advice


def gain_range(ends: tuple[float, float] | None) -> str:
    return "" if ends is None else f"{fmt.number(ends[0], 1, sign=True)} to {fmt.number(ends[1], 1, sign=True)}"


def sliders(assets: PageAssets) -> list[tuple[str, str, float, float, float]]:
    """For each part that the page can recompute: id, label, advised gain, ends; the script fills in the figures."""
    parts = assets.what_if.parts if assets.what_if else ()
    return [
        (part.id, fmt.capital(part.label), round(part.gain_db, 2),
         round(part.gain_db - _SLIDER_DB, 2), round(part.gain_db + _SLIDER_DB, 2))
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
    columns = (Column("section", numeric=False), Column("integrated", unit="LUFS", term="LUFS"))
    rows = [(Cell(name), tables.level(value)) for name, value in data.balance.mix.sections]
    return tables.table("mix-by-section", "Loudness of the rough mix by section", columns, rows) if rows else None


def _no_equal_peaks(data: DossierData) -> str:
    if data.balance.equal_peaks or len(data.balance.parts) < 2:
        return ""
    settings = glossary.settings_of(data)
    within, apart = settings.get("equal_peak_within_db"), settings.get("unequal_loudness_from_lu")
    if within is None or apart is None:
        return "No two parts peak alike and still differ in loudness."
    return (
        f"No two parts peak within {fmt.plain(within)}{fmt.NBSP}dB of one another and still differ by "
        f"{fmt.plain(apart)}{fmt.NBSP}LU or more in loudness."
    )


def levels_view(data: DossierData, assets: PageAssets, *, has_constants: bool) -> SimpleNamespace:
    balance = data.balance
    return SimpleNamespace(
        drawing=level_drawing(data),
        parts=parts_table(data) if balance.parts else None,
        equal_peaks=[fmt.sentence(pair.text) for pair in balance.equal_peaks],
        no_equal_peaks=_no_equal_peaks(data),
        gains=[gain_line(p) for p in balance.parts if p.chosen],
        sections=_mix_sections(data),
        own_sections=_own_sections(data),
        sliders=sliders(assets) if has_constants else (),
    )
