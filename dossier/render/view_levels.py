"""Sections 5 and 6: levels and gains; kick and bass; mono and small speakers."""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.findings import BalancePart
from dossier.model.page import PageAssets
from dossier.model.vocabulary import ZONE_KEYS
from dossier.render import charts, glossary, tables
from dossier.render import format as fmt
from dossier.render.charts import Dot
from dossier.render.svg import Tick
from dossier.render.tables import Cell, Column, Table

_SLIDER_DB = 12.0  # how far a slider reaches to either side of the advised gain


@dataclass(frozen=True, slots=True)
class Slider:
    id: str
    label: str
    gain_db: float
    low_db: float
    high_db: float
    gain_text: str
    share_text: str
    overlap_text: str


@dataclass(frozen=True, slots=True)
class LevelsView:
    mix: tuple[tuple[str, str, str], ...]  # label, value, term
    mix_note: str
    drawing: Markup | None
    parts: Table | None
    absent: str
    equal_peaks: tuple[str, ...]
    no_equal_peaks: str
    gains: tuple[tuple[str, str, str, str], ...]  # part, gain, range, advice
    advice: tuple[str, ...]
    sections: Table | None
    own_sections: Table | None  # gains in the sections that have an intent of their own
    zones: tuple[str, ...]
    sliders: tuple[Slider, ...]
    no_sliders: str


@dataclass(frozen=True, slots=True)
class LowEndView:
    sentences: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    remedies: Table | None
    reasons: tuple[str, ...]
    absent: str
    translation: tuple[str, ...]
    parts: Table | None
    mono: Table | None
    no_translation: str


def part_state(part: BalancePart) -> str:
    """What the figures of a part stand for, to follow its file's name."""
    return (", treated" if part.treated else "") + ("" if part.chosen else ", not chosen")


def parts_table(data: DossierData) -> Table:
    columns = (
        Column("part", numeric=False), Column("sample peak", unit="dBFS", term="sample peak"),
        Column("true peak", unit="dBTP", term="dBTP"), Column("integrated", unit="LUFS", term="LUFS"),
        Column("peak to loudness", unit="dB", term="peak to loudness"),
        Column("audible share", term="audible share"), Column("wanted"), Column("lift", unit="LU", term="lift"),
        Column("overlap", term="overlap"), Column("gain", unit="dB"),
    )  # fmt: skip
    rows = [
        (
            tables.text(fmt.capital(p.part), note=p.file + part_state(p)),
            tables.level(p.sample_peak_dbfs),
            tables.level(p.true_peak_dbtp),
            tables.level(p.integrated_lufs),
            tables.level(p.peak_to_loudness_db),
            tables.share(p.audible_share),
            tables.share(p.target_share),
            tables.level(p.lift_lu, sign=True),
            tables.share(p.overlap, small=True),
            tables.level(p.gain_db, sign=True),
        )
        for p in data.balance.parts
    ]
    return tables.table("levels", "Peak, loudness and gain of every drum part", columns, rows)


def plot_range(values: list[float], step: float) -> tuple[float, float]:
    """Whole steps around the values, at least three steps wide."""
    low, high = math.floor((min(values) - 1) / step) * step, math.ceil((max(values) + 1) / step) * step
    return (low, high) if high - low >= 3 * step else (high - 3 * step, high)


def measured_parts(data: DossierData) -> list[tuple[BalancePart, float, float]]:
    """Parts with both coordinates of the plot."""
    return [
        (p, p.sample_peak_dbfs, p.integrated_lufs)
        for p in data.balance.parts
        if p.sample_peak_dbfs is not None and p.integrated_lufs is not None
    ]


def name_of(part: BalancePart) -> str:
    return fmt.short(part.part, 24)


def level_sides(
    found: list[tuple[BalancePart, float, float]], x_range: tuple[float, float], y_range: tuple[float, float]
) -> list[str]:
    """Side of each dot on which its name stands in the plot."""
    return charts.name_sides([(x, y, name_of(p)) for p, x, y in found], x_range=x_range, y_range=y_range)


def level_drawing(data: DossierData) -> Markup | None:
    found = measured_parts(data)
    if not found:
        return None
    x_range, y_range = plot_range([x for _, x, _ in found], 3.0), plot_range([y for _, _, y in found], 3.0)
    said = fmt.listed(f"{p.part} {fmt.number(x, 1, unit='dBFS')} and {fmt.lufs(y)}" for p, x, y in found)
    return charts.dot_plot(
        [
            Dot(x, y, name_of(p), p.chosen, side)
            for (p, x, y), side in zip(found, level_sides(found, x_range, y_range), strict=True)
        ],
        label=f"Sample peak against integrated loudness: {said}.",
        x_range=x_range, y_range=y_range, x_ticks=_ticks(x_range), y_ticks=_ticks(y_range),
        diagonals=[(d, f"{d:.0f} dB apart") for d in (6.0, 12.0, 18.0, 24.0, 30.0)],
        x_title="sample peak, dBFS", y_title="integrated loudness, LUFS",
    )  # fmt: skip


def _ticks(span: tuple[float, float]) -> list[Tick]:
    step = 3.0 if span[1] - span[0] <= 24 else 6.0
    return [
        Tick(span[0] + i * step, fmt.number(span[0] + i * step, 0))
        for i in range(int((span[1] - span[0]) / step) + 1)
    ]


def gain_line(part: BalancePart) -> tuple[str, str, str, str]:
    span = ""
    if part.gain_low_db is not None and part.gain_high_db is not None:
        low, high = sorted((part.gain_low_db, part.gain_high_db))
        if fmt.db(low) != fmt.db(high):
            span = f"{fmt.number(low, 1, sign=True)} to {fmt.db(high, sign=True)}, depending on the assumptions"
    return fmt.capital(part.part), fmt.db(part.gain_db, sign=True), span, part.advice


def mix_facts(data: DossierData) -> tuple[tuple[str, str, str], ...]:
    mix = data.balance.mix
    return (
        ("integrated loudness", fmt.lufs(mix.integrated_lufs), "LUFS"),
        ("true peak", fmt.dbtp(mix.true_peak_dbtp), "dBTP"),
        ("headroom", fmt.db(mix.headroom_db), "headroom"),
        ("loudness range", fmt.lu(mix.loudness_range_lu), "loudness range"),
        ("gain of the whole mix", fmt.db(mix.gain_db, sign=True), ""),
        ("most the limiter takes", fmt.db(mix.limiter_db), ""),
    )


def sliders(data: DossierData, assets: PageAssets) -> tuple[Slider, ...]:
    if assets.what_if is None:
        return ()
    by_id = {part.id: part for part in data.balance.parts if part.chosen}
    out = []
    for part in assets.what_if.parts:
        known = by_id.get(part.id)
        out.append(
            Slider(
                part.id,
                fmt.capital(part.label),
                round(part.gain_db, 2),
                round(part.gain_db - _SLIDER_DB, 2),
                round(part.gain_db + _SLIDER_DB, 2),
                fmt.db(part.gain_db, sign=True),
                fmt.percent(known.audible_share if known else None),
                fmt.small_percent(known.overlap if known else None),
            )
        )
    return tuple(out)


def _own_sections(data: DossierData) -> Table | None:
    """Gains for the sections that beat.toml gives an intent of their own."""
    sections = data.balance.sections
    if not sections:
        return None
    chosen = [part for part in data.balance.parts if part.chosen]
    columns = (
        Column("section", numeric=False), Column("intent", numeric=False),
        *(Column(fmt.capital(part.part), unit="dB") for part in chosen),
    )  # fmt: skip
    return tables.table(
        "gains-by-section", "Gains in the sections that have an intent of their own", columns,
        (
            (tables.text(section.name), tables.text(section.intent),
             *(tables.level(section.gains_db.get(part.id), sign=True) for part in chosen))
            for section in sections
        ),
    )  # fmt: skip


def levels_view(data: DossierData, assets: PageAssets, *, has_constants: bool) -> LevelsView:
    balance = data.balance
    parts = balance.parts
    mix_note = ""
    if balance.mix.limited:
        mix_note = (
            f"The mix stays below the target of {fmt.lufs(data.beat.target_lufs)}, because more gain under the "
            "true-peak ceiling would ask too much of its limiter."
        )
    elif balance.mix.integrated_lufs is None and not parts:
        mix_note = "There is no rough mix, because no drums were chosen."
    moved = sliders(data, assets) if has_constants else ()
    return LevelsView(
        mix=mix_facts(data) if balance.mix.integrated_lufs is not None else (), mix_note=mix_note,
        drawing=level_drawing(data), parts=parts_table(data) if parts else None,
        absent="" if parts else "No drum parts were chosen, so there is nothing to balance.",
        equal_peaks=tuple(fmt.sentence(pair.text) for pair in balance.equal_peaks),
        no_equal_peaks="" if balance.equal_peaks or len(parts) < 2 else
        "No two parts peak within 0.5 dB of one another and still differ by 3 LU or more in loudness.",
        gains=tuple(gain_line(p) for p in parts if p.chosen), advice=balance.advice,
        sections=tables.table(
            "mix-by-section", "Loudness of the rough mix by section",
            (Column("section", numeric=False), Column("integrated", unit="LUFS", term="LUFS")),
            ((tables.text(name), tables.level(value)) for name, value in balance.mix.sections),
        ) if balance.mix.sections else None,
        own_sections=_own_sections(data),
        zones=tuple(glossary.zone(key) for key in ZONE_KEYS),
        sliders=moved,
        no_sliders="" if moved else "There are no drum parts whose level could be tried here."
        if not parts else "The arrays that the sliders need were left out of this page.",
    )  # fmt: skip


def low_end_facts(data: DossierData) -> tuple[tuple[str, str], ...]:
    low = data.low_end
    if low is None:
        return ()
    cents = "" if low.kick_cents_from_key is None else (
        f", {fmt.number(low.kick_cents_from_key, 0, sign=True)} cents from the nearest note of the key"
    )  # fmt: skip
    pitch = (
        f"{fmt.hz(low.kick_pitch_hz)} ({low.kick_note}{cents})"
        if low.kick_pitch_hz and low.kick_note
        else "unpitched"
    )
    alignment = "not measured"
    if low.polarity is not None and low.delay_ms is not None:
        turn = "polarity inverted" if low.polarity == "invert" else "polarity as it is"
        when = "later" if low.delay_ms > 0 else "earlier"
        move = "not moved" if abs(low.delay_ms) < 0.005 else f"{fmt.number(abs(low.delay_ms), 2, unit='ms')} {when}"
        alignment = f"{turn}, {move}: {fmt.db(low.delay_gain_db, sign=True)} of low end"
    return (
        ("kick", low.kick or "none"),
        ("bass", low.bass_stem or "none found"),
        ("kick masked by the bass in sub", fmt.percent(low.overlap_sub)),
        ("kick masked by it in the bass zone", fmt.percent(low.overlap_bass)),
        (f"heard of the kick below 250{fmt.NBSP}Hz", fmt.percent(low.kick_share)),
        ("kick's pitch", pitch),
        ("bass notes", fmt.listed(low.bass_notes) or fmt.MISSING),
        ("best alignment of the kick", alignment),
    )


def low_end_view(data: DossierData) -> LowEndView:
    low, translation = data.low_end, data.translation
    remedies = parts = mono = None
    if low is not None and low.remedies:
        columns = (
            Column("remedy", numeric=False),
            Column("how much", numeric=False),
            Column("kick's share", term="audible share"),
            Column("bass lost"),
            Column("file", numeric=False),
        )
        remedies = tables.table(
            "remedies",
            "Ways to let kick and bass share the low end, computed in this beat",
            columns,
            (
                (
                    tables.text(fmt.capital(r.name)),
                    tables.text(r.label),
                    tables.share(r.kick_share),
                    tables.share(r.bass_lost, small=True),
                    tables.text(r.render or fmt.MISSING),
                )
                for r in low.remedies
            ),
        )
    if translation is not None and translation.parts:
        heads = (Column("part", numeric=False), Column("lost in mono", unit="LU", term="mono loss"),
                   Column("left above 150 Hz"), Column("left 15 dB quieter"))  # fmt: skip
        parts = tables.table("translation", "Each part in mono, on a small speaker and played quietly", heads, (
            (tables.text(fmt.capital(p.part)), tables.level(p.mono_loss_lu), tables.share(p.small_speaker_share),
             tables.share(p.quiet_share)) for p in translation.parts
        ))  # fmt: skip
    if translation is not None and translation.mono_zones:
        mono = tables.table("mono-zones", "What the mix loses in mono, by zone", (
            Column("zone", numeric=False), Column("lost in mono", unit="LU", term="mono loss")
        ), ((tables.text(glossary.zone(k), note=glossary.zone_range(k)), Cell(fmt.number(translation.mono_zones.get(k)),
             translation.mono_zones.get(k))) for k in ZONE_KEYS))  # fmt: skip
    return LowEndView(
        sentences=low.sentences if low else (),
        facts=low_end_facts(data),
        remedies=remedies,
        reasons=tuple(fmt.sentence(r) for r in low.reasons.values()) if low else (),
        absent="" if low else "There is no kick and bass pair in this beat, so the low end was not compared.",
        translation=translation.sentences if translation else (),
        parts=parts,
        mono=mono,
        no_translation=""
        if translation
        else "Mono and small speakers were not measured, because no drums were chosen.",
    )
