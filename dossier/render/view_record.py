"""Sections 7 and 8: decisions, rights and open questions; inputs, settings, versions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dossier.model.datafile import Decision, DossierData, Proposal
from dossier.render import tables, words
from dossier.render.tables import Cell, Column, Table

KIND_WORDS = {"approach": "Approach", "drums": "Drums", "plan": "Treatment", "gain": "Level", "rights": "Rights"}
INTENT_WORDS = {
    "forward": "in front of the instrumental",
    "level": "level with the instrumental",
    "tucked": "tucked behind the instrumental",
}
CONTOUR_TOLERANCE_PHON = 3.0  # beyond it, frequencies are named
STATUS_WORDS = {"agreed": "agreed", "to change": "to change", "note": "a note"}


@dataclass(frozen=True, slots=True)
class ProposalView:
    id: str
    kind: str
    text: str
    number: int


@dataclass(frozen=True, slots=True)
class DecisionView:
    heading: str
    text: str
    status: str
    marks: tuple[tuple[str, str, str], ...]  # proposal's text or id, mark, note
    gains: str
    note: str


@dataclass(frozen=True, slots=True)
class RecordView:
    status: str
    settled: bool
    decisions: tuple[DecisionView, ...]
    no_decisions: str
    waiting: str  # how many proposals nobody has agreed to yet
    asked: tuple[str, ...]  # of these, the ones that somebody wants changed
    no_open: str
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


@dataclass(frozen=True, slots=True)
class ContoursView:
    sentence: str
    table: Table


def contours_view(errors: Mapping[float, Sequence[float]]) -> ContoursView:
    """How well equal-loudness contours are met: phon too loud at 20, 30 ... 80 phon, by frequency in Hz."""
    worst = {f_hz: max(abs(error) for error in row) for f_hz, row in errors.items()}
    beyond = {f_hz: error for f_hz, error in worst.items() if error > CONTOUR_TOLERANCE_PHON}
    within = max((error for f_hz, error in worst.items() if f_hz not in beyond), default=0.0)
    sentence = (
        f"Equal-loudness contours of ISO 226:2023, 20 to 80 phon: {len(errors) - len(beyond)} of {len(errors)} "
        f"frequencies are met within {words.number(within, unit='phon')}"
    )
    if beyond:
        most = words.number(max(beyond.values()), unit="phon")
        sentence += f", the others ({words.listed(words.hz(f_hz) for f_hz in beyond)}) within {most}"
    columns = (Column("tone"), *(Column(f"{20 + 10 * at} phon") for at in range(len(next(iter(errors.values()), ())))))
    rows = ((Cell(words.hz(f_hz), f_hz), *(tables.level(error, sign=True) for error in row))
            for f_hz, row in errors.items())  # fmt: skip
    caption = "Phon by which tones of equal loudness (ISO 226:2023) are read too loud"
    return ContoursView(f"{sentence}.", tables.table("contours", caption, columns, rows))


def superseded(decisions: tuple[Decision, ...]) -> frozenset[str]:
    return frozenset(d.supersedes for d in decisions if d.supersedes)


def last_decision(data: DossierData) -> Decision | None:
    """The newest decision that is not a mere note and was not replaced."""
    gone = superseded(data.decisions)
    found = [d for d in data.decisions if d.status in {"agreed", "to change"} and d.id not in gone]
    return found[-1] if found else None


def status(data: DossierData) -> tuple[str, bool]:
    """One sentence on where the decision stands, and whether it is agreed for this revision."""
    last = last_decision(data)
    if last is None:
        return "No decision is recorded yet.", False
    by = f" by {last.by}" if last.by else ""
    when = words.day(last.made)
    if last.status == "agreed":
        if last.identity == data.revision.identity:
            return f"Agreed{by} on {when}.", True
        return f"{last.revision} was agreed{by} on {when}; this revision is newer and waits for an answer.", False
    return f"Changes to {last.revision} were asked for{by} on {when}.", False


def decision_view(decision: Decision, data: DossierData) -> DecisionView:
    texts = {p.id: p.text for p in data.proposals}
    by = decision.by or "someone unnamed"
    notes = []
    if decision.id in superseded(data.decisions):
        notes.append("Replaced by a later decision.")
    if decision.source == "response":
        notes.append("Taken in from a response file.")
    gains = words.listed(f"{name} {words.db(value, sign=True)}" for name, value in decision.gains_db.items())
    return DecisionView(
        heading=f"{words.day(decision.made)}, {by}, on {decision.revision}",
        text=decision.text, status=STATUS_WORDS.get(decision.status, decision.status),
        marks=tuple((texts.get(m.proposal, m.proposal), m.mark, m.note) for m in decision.marks),
        gains=gains, note=" ".join(notes),
    )  # fmt: skip


def open_questions(data: DossierData) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Proposals of this revision that nobody has agreed to, and of these the ones that somebody wants changed."""
    gone = superseded(data.decisions)
    marks: dict[str, str] = {}
    for decision in data.decisions:
        if decision.id in gone:
            continue
        for mark in decision.marks:
            marks[mark.proposal] = mark.mark
        if decision.status == "agreed" and decision.identity == data.revision.identity and not decision.marks:
            marks.update({p.id: "agreed" for p in data.proposals})
    waiting = [p for p in data.proposals if marks.get(p.id) != "agreed"]
    asked = [p for p in waiting if marks.get(p.id) == "to change"]

    def said(proposals: list[Proposal], ending: str = "") -> tuple[str, ...]:
        return tuple(f"{KIND_WORDS.get(p.kind, p.kind)}: {p.text}{ending}" for p in proposals)

    return said(waiting), said(asked, " A change was asked for.")


def rights_table(data: DossierData) -> tuple[Table | None, str]:
    """Rights of what the beat uses: stems and drum files, the unsettled first."""
    chosen = {c.file for c in data.candidates if c.chosen}
    order = {"unknown": 0, "pending": 1}
    files = [f for f in data.inputs if f.kind in {"stem", "drum"}]
    files.sort(key=lambda f: (f.file not in chosen and f.kind == "drum", order.get(f.rights, 2), f.file))
    if not files:
        return None, "No files are listed."
    used = [f for f in files if f.kind == "stem" or f.file in chosen]
    waiting = [f for f in used if f.rights not in words.RIGHTS_SETTLED]
    if waiting:
        verb = "needs" if len(waiting) == 1 else "need"
        text = f"Of the {words.count(len(used), 'file')} in use, {len(waiting)} still {verb} clearing or an answer: "
        text += words.listed(f"{f.file} ({words.rights(f.rights)})" for f in waiting) + "."
    else:
        text = "Every file in use is marked as own, licensed or cleared."
    columns = (Column("file", numeric=False), Column("used as", numeric=False), Column("rights", numeric=False),
               Column("origin", numeric=False))  # fmt: skip
    rows = []
    for f in files:
        use = "stem" if f.kind == "stem" else "chosen drum" if f.file in chosen else "candidate"
        tone = "settled" if f.rights in words.RIGHTS_SETTLED else "open"
        rows.append((tables.text(f.file), tables.text(use), Cell(words.rights(f.rights), f.rights, tone=tone),
                     tables.text(f.origin or "not said")))  # fmt: skip
    return tables.table("rights", "Origin and rights, as the user stated them", columns, rows), text


def record_view(data: DossierData) -> RecordView:
    said, settled = status(data)
    rights, rights_summary = rights_table(data)
    questions, asked = open_questions(data)
    waiting = words.capital(words.count(len(questions), "question waits for", "questions wait for")) + " an answer."
    return RecordView(
        status=said,
        settled=settled,
        decisions=tuple(decision_view(d, data) for d in reversed(data.decisions)),
        no_decisions="" if data.decisions else "Nothing has been decided yet.",
        waiting=waiting if questions else "",
        asked=asked,
        no_open="" if questions else "Nothing waits for an answer.",
        rights=rights,
        rights_summary=rights_summary,
        proposals=tuple(
            ProposalView(p.id, KIND_WORDS.get(p.kind, p.kind), p.text, i + 1) for i, p in enumerate(data.proposals)
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
            Cell(words.MISSING if f.sample_rate_hz is None else str(f.sample_rate_hz), f.sample_rate_hz),
            Cell(words.MISSING if f.channels is None else str(f.channels), f.channels),
            tables.level(f.gain_db, sign=True), tables.level(f.integrated_lufs), tables.level(f.true_peak_dbtp),
            Cell(f.sha256[:12] + "\u2026" if f.sha256 else words.MISSING, f.sha256, tone="code"),
        ))  # fmt: skip
    return tables.table("inputs", "Files that this revision was made from", columns, rows)


def settings_table(data: DossierData) -> Table | None:
    if not data.settings:
        return None
    columns = (Column("setting", numeric=False), Column("value"), Column("default"), Column("unit", numeric=False),
               Column("reason", numeric=False))  # fmt: skip
    return tables.table("settings", "Every threshold and weight in force", columns, (
        (tables.text(s.name, tone="changed" if s.value != s.default else ""), Cell(f"{s.value:g}", s.value),
         Cell(f"{s.default:g}", s.default), tables.text(s.unit), tables.text(s.reason)) for s in data.settings
    ))  # fmt: skip


def method_view(data: DossierData, *, inputs_left_out: int = 0) -> MethodView:
    beat = data.beat
    changed = [s.name for s in data.settings if s.value != s.default]
    sources = {
        "tempo_bpm": f"Tempo: {words.number(beat.tempo_bpm, 1).removesuffix('.0')}{words.NBSP}BPM",
        "key": f"Key: {beat.key or 'none found'}",
        "meter": f"Meter: {beat.meter}",
        "first_downbeat_s": f"First downbeat: at {words.number(beat.first_downbeat_s, 3, unit='s')}",
        "swing": f"Swing: {words.percent(beat.swing)} (50{words.NBSP}% is straight)",
        "target_lufs": f"Target loudness: {words.lufs(beat.target_lufs)}",
        "listening_level_db_spl": f"Listening level: {words.number(beat.listening_level_db_spl, 0, unit='dB SPL')}",
        "intent": f"Where the drums are to stand: {INTENT_WORDS.get(beat.intent, beat.intent)}",
    }
    assumptions = []
    for field, said in sources.items():
        source = words.source_words(beat.sources.get(field), beat.confidences.get(field))
        assumptions.append(f"{said} ({source})." if source else f"{said}.")
    own = [f.file for f in data.inputs if f.kind == "reference" and f.used]
    reference = (
        f"the user's own recordings ({words.listed(own)})"
        if own
        else "the average spectrum of much popular music (Elowsson and Friberg 2017)"
    )
    return MethodView(
        reference=reference,
        inputs_note=words.count(inputs_left_out, "more drum file") + " and their hashes stand in the data file."
        if inputs_left_out else "",
        assumptions=tuple(assumptions),
        notes=beat.notes,
        warnings=data.warnings,
        no_warnings="" if data.warnings else "Nothing unusual came up.",
        inputs=inputs_table(data),
        settings=settings_table(data),
        changed_settings=f"Changed for this beat: {words.listed(changed)}."
        if changed
        else "All settings are at their defaults.",
        versions=(
            ("program", f"{data.program.name} {data.program.version}"),
            ("data format", str(data.format_version)),
            ("revision", data.revision.id),
            ("made", data.revision.made),
            ("identity", data.revision.identity),
            ("sample rate", f"{beat.sample_rate_hz}{words.NBSP}Hz"),
        ),
        renders=data.renders,
    )
