"""Sections 7 and 8: decisions, rights and open questions; inputs, settings, versions."""

from __future__ import annotations

from dataclasses import dataclass

from dossier.model.datafile import DossierData
from dossier.model.standing import Standing
from dossier.render import format as fmt
from dossier.render import glossary, tables
from dossier.render.tables import Cell, Column, Table
from dossier.render.view_decisions import (
    PROPOSAL_KINDS,
    DecisionView,
    StandingView,
    decision_views,
    standing_view,
)

INTENT_WORDS = {
    "forward": "in front of the instrumental",
    "level": "level with the instrumental",
    "tucked": "tucked behind the instrumental",
}


@dataclass(frozen=True, slots=True)
class ProposalView:
    id: str
    kind: str
    text: str
    status: str  # as the archive judges it; empty for rights, which wait for no collaborator
    number: int


@dataclass(frozen=True, slots=True)
class RecordView:
    standing: StandingView
    decisions: tuple[DecisionView, ...]
    no_decisions: str
    to_change: tuple[str, ...]  # proposals that somebody wants changed
    rights: Table | None
    rights_summary: str
    proposals: tuple[ProposalView, ...]
    no_proposals: str


@dataclass(frozen=True, slots=True)
class MethodView:
    reference: str
    inputs_note: str
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
    no_warnings: str
    inputs: Table | None
    settings: Table | None
    changed_settings: str
    versions: tuple[tuple[str, str], ...]
    renders: tuple[str, ...]


def rights_table(data: DossierData) -> tuple[Table | None, str]:
    """Rights of what the beat uses: stems and drum files, the unsettled first."""
    chosen = {c.file for c in data.candidates if c.chosen}
    order = {"unknown": 0, "pending": 1}
    files = [f for f in data.inputs if f.kind in {"stem", "drum"}]
    files.sort(key=lambda f: (f.file not in chosen and f.kind == "drum", order.get(f.rights, 2), f.file))
    if not files:
        return None, "No files are listed."
    used = [f for f in files if f.kind == "stem" or f.file in chosen]
    waiting = [f for f in used if f.rights not in glossary.RIGHTS_SETTLED]
    if waiting:
        verb = "needs" if len(waiting) == 1 else "need"
        text = f"Of the {fmt.count(len(used), 'file')} in use, {len(waiting)} still {verb} clearing or an answer: "
        text += fmt.listed(f"{f.file} ({glossary.rights(f.rights)})" for f in waiting) + "."
    else:
        text = "Every file in use is marked as own, licensed or cleared."
    columns = (Column("file", numeric=False), Column("used as", numeric=False), Column("rights", numeric=False),
               Column("origin", numeric=False))  # fmt: skip
    rows = []
    for f in files:
        use = "stem" if f.kind == "stem" else "chosen drum" if f.file in chosen else "candidate"
        tone = "settled" if f.rights in glossary.RIGHTS_SETTLED else "open"
        rows.append((tables.text(f.file), tables.text(use), Cell(glossary.rights(f.rights), f.rights, tone=tone),
                     tables.text(f.origin or "not said")))  # fmt: skip
    return tables.table("rights", "Origin and rights, as the user stated them", columns, rows), text


def record_view(data: DossierData, standing: Standing) -> RecordView:
    rights, rights_summary = rights_table(data)
    said = standing_view(standing)
    status = {each.id: each.status for each in standing.proposals}
    return RecordView(
        standing=said,
        decisions=decision_views(data.decisions, {p.id: p.text for p in data.proposals}),
        no_decisions="" if data.decisions else "Nothing has been decided yet.",
        to_change=tuple(f"{kind}: {text}" for kind, text, status in said.proposals if status == "to change"),
        rights=rights,
        rights_summary=rights_summary,
        proposals=tuple(
            ProposalView(p.id, PROPOSAL_KINDS.get(p.kind, p.kind), p.text, status.get(p.id, ""), i + 1)
            for i, p in enumerate(data.proposals)
        ),
        no_proposals="" if data.proposals else "This revision proposes nothing that could be agreed to.",
    )


def inputs_table(data: DossierData) -> Table | None:
    if not data.inputs:
        return None
    columns = (
        Column("file", numeric=False),
        Column("kind", numeric=False),
        Column("length"),
        Column("rate", unit="Hz"),
        Column("channels"),
        Column("gain", unit="dB"),
        Column("integrated", unit="LUFS", term="LUFS"),
        Column("true peak", unit="dBTP", term="dBTP"),
        Column("SHA-256", numeric=False),
    )
    rows = []
    for f in data.inputs:
        note = "" if f.used else "could not be read"
        rows.append((
            tables.text(f.file, note=note), tables.text(f.kind), tables.length(f.duration_s),
            Cell(fmt.MISSING if f.sample_rate_hz is None else str(f.sample_rate_hz), f.sample_rate_hz),
            Cell(fmt.MISSING if f.channels is None else str(f.channels), f.channels),
            tables.level(f.gain_db, sign=True), tables.level(f.integrated_lufs), tables.level(f.true_peak_dbtp),
            Cell(f.sha256[:12] + "\u2026" if f.sha256 else fmt.MISSING, f.sha256, tone="code"),
        ))  # fmt: skip
    return tables.table("inputs", "Files that this revision was made from", columns, rows)


def settings_table(data: DossierData) -> Table | None:
    if not data.settings:
        return None
    columns = (Column("setting", numeric=False), Column("value"), Column("default"), Column("unit", numeric=False),
               Column("reason", numeric=False))  # fmt: skip
    return tables.table("settings", "Every threshold and weight in force", columns, (
        (tables.text(s.name, tone="changed" if s.value != s.default else ""), Cell(fmt.plain(s.value, 6), s.value),
         Cell(fmt.plain(s.default, 6), s.default), tables.text(s.unit), tables.text(s.reason)) for s in data.settings
    ))  # fmt: skip


def method_view(data: DossierData, *, inputs_left_out: int = 0) -> MethodView:
    beat = data.beat
    changed = [s.name for s in data.settings if s.value != s.default]
    sources = {
        "tempo_bpm": f"Tempo: {fmt.plain(beat.tempo_bpm)}{fmt.NBSP}BPM",
        "key": f"Key: {beat.key or 'none found'}",
        "meter": f"Meter: {beat.meter}",
        "first_downbeat_s": f"First downbeat: at {fmt.number(beat.first_downbeat_s, 3, unit='s')}",
        "swing": f"Swing: {fmt.percent(beat.swing)} (50{fmt.NBSP}% is straight)",
        "target_lufs": f"Target loudness: {fmt.lufs(beat.target_lufs)}",
        "listening_level_db_spl": f"Listening level: {fmt.number(beat.listening_level_db_spl, 0, unit='dB SPL')}",
        "intent": f"Where the drums are to stand: {INTENT_WORDS.get(beat.intent, beat.intent)}",
    }
    assumptions = []
    for field, said in sources.items():
        source = glossary.source(beat.sources.get(field), beat.confidences.get(field))
        assumptions.append(f"{said} ({source})." if source else f"{said}.")
    own = [f.file for f in data.inputs if f.kind == "reference" and f.used]
    reference = (
        f"the user's own recordings ({fmt.listed(own)})"
        if own
        else "the average spectrum of much popular music (Elowsson and Friberg 2017)"
    )
    return MethodView(
        reference=reference,
        inputs_note=fmt.count(inputs_left_out, "more drum file") + " and their hashes stand in the data file."
        if inputs_left_out else "",
        assumptions=tuple(assumptions),
        notes=beat.notes,
        warnings=data.warnings,
        no_warnings="" if data.warnings else "Nothing unusual came up.",
        inputs=inputs_table(data),
        settings=settings_table(data),
        changed_settings=f"Changed for this beat: {fmt.listed(changed)}."
        if changed
        else "All settings are at their defaults.",
        versions=(
            ("program", f"{data.program.name} {data.program.version}"),
            ("data format", str(data.format_version)),
            ("revision", data.revision.id),
            ("made", data.revision.made),
            ("identity", data.revision.identity),
            ("sample rate", f"{beat.sample_rate_hz}{fmt.NBSP}Hz"),
        ),
        renders=data.renders,
    )
