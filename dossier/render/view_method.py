"""Section 7: assumptions, cautions, inputs, settings and versions."""

from __future__ import annotations

from types import SimpleNamespace

from dossier.model.datafile import BeatInfo, DossierData
from dossier.render import format as fmt
from dossier.render import glossary, tables
from dossier.render.tables import Cell, Column, Table

_INTENTS = {
    "forward": "in front of the instrumental",
    "level": "level with the instrumental",
    "tucked": "tucked behind the instrumental",
}


def inputs_table(data: DossierData) -> Table | None:
    columns = (
        Column("file", numeric=False), Column("kind", numeric=False), Column("length"), Column("rate", unit="Hz"),
        Column("channels"), Column("gain", unit="dB"), Column("integrated", unit="LUFS", term="LUFS"),
        Column("true peak", unit="dBTP", term="dBTP"), Column("SHA-256", numeric=False),
    )  # fmt: skip
    rows = [
        (
            Cell(f.file, note="" if f.used else "could not be read"), Cell(f.kind),
            Cell(fmt.seconds(f.duration_s), f.duration_s), tables.level(f.sample_rate_hz, digits=0),
            tables.level(f.channels, digits=0),
            tables.level(f.gain_db if f.kind == "stem" else None, sign=True),  # a drum's gain is an answer, no input
            tables.level(f.integrated_lufs), tables.level(f.true_peak_dbtp),
            Cell(f.sha256[:12] + "\u2026" if f.sha256 else fmt.MISSING, f.sha256, tone="code"),
        )
        for f in data.inputs
    ]  # fmt: skip
    return tables.table("inputs", "Files that this revision was made from", columns, rows) if rows else None


def settings_table(data: DossierData) -> Table | None:
    columns = (Column("setting", numeric=False), Column("value"), Column("default"), Column("unit", numeric=False),
               Column("reason", numeric=False))  # fmt: skip
    rows = [
        (Cell(s.name, tone="changed" if s.value != s.default else ""), Cell(fmt.plain(s.value, 6), s.value),
         Cell(fmt.plain(s.default, 6), s.default), Cell(s.unit), Cell(s.reason))
        for s in data.settings
    ]  # fmt: skip
    return tables.table("settings", "Every threshold and weight in force", columns, rows) if rows else None


def _assumptions(beat: BeatInfo) -> tuple[str, ...]:
    said = {
        "tempo_bpm": f"Tempo: {fmt.plain(beat.tempo_bpm)}{fmt.NBSP}BPM",
        "key": f"Key: {beat.key or 'none found'}",
        "meter": f"Meter: {beat.meter}",
        "first_downbeat_s": f"First downbeat: at {fmt.number(beat.first_downbeat_s, 3, unit='s')}",
        "swing": f"Swing: {fmt.percent(beat.swing)} (50{fmt.NBSP}% is straight)",
        "target_lufs": f"Target loudness: {fmt.lufs(beat.target_lufs)}",
        "listening_level_db_spl": f"Listening level: {fmt.number(beat.listening_level_db_spl, 0, unit='dB SPL')}",
        "intent": f"Where the drums are to stand: {_INTENTS.get(beat.intent, beat.intent)}",
    }
    sources = {field: glossary.source(beat.sources.get(field), beat.confidences.get(field)) for field in said}
    return tuple(f"{text} ({sources[field]})." if sources[field] else f"{text}." for field, text in said.items())


def method_view(data: DossierData, *, inputs_left_out: int) -> SimpleNamespace:
    left_out = f"{fmt.count(inputs_left_out, 'more drum file')} and their hashes stand in the data file."
    return SimpleNamespace(
        own_references=fmt.listed(f.file for f in data.inputs if f.kind == "reference" and f.used),
        inputs_note=left_out if inputs_left_out else "",
        assumptions=_assumptions(data.beat),
        inputs=inputs_table(data),
        settings=settings_table(data),
        changed_settings=fmt.listed(s.name for s in data.settings if s.value != s.default),
    )
