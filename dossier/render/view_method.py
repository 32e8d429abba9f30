"""Assumptions, cautions, inputs, settings and versions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import SimpleNamespace

from dossier.model.datafile import DossierData, InputFile
from dossier.render import format as fmt
from dossier.render import glossary, tables
from dossier.render.tables import Cell, Column, Table

CONTOUR_TOLERANCE_PHON = 3.0  # beyond it, frequencies are named
_INTENTS = {
    "forward": "further in front than usual",
    "level": "as loud as usual",
    "tucked": "further behind than usual",
}


def _remark(file: InputFile) -> str:
    if not file.used:
        return "could not be read"
    return f"starts at {fmt.seconds(file.start_s)}" if file.start_s else ""


def inputs_table(data: DossierData) -> Table | None:
    columns = (
        Column("file", numeric=False), Column("kind", numeric=False), Column("length"), Column("rate", unit="Hz"),
        Column("channels"), Column("gain", unit="dB"), Column("integrated", unit="LUFS"),
        Column("true peak", unit="dBTP"), Column("SHA-256", numeric=False),
    )  # fmt: skip
    rows = [
        (
            Cell(f.file, note=_remark(f)), Cell(f.kind),
            Cell(fmt.seconds(f.duration_s), f.duration_s), tables.level(f.sample_rate_hz, digits=0),
            tables.level(f.channels, digits=0),
            tables.level(f.gain_db if f.kind == "stem" else None, sign=True),  # a drum's gain is an answer, no input
            tables.level(f.integrated_lufs), tables.level(f.true_peak_dbtp),
            Cell(f.sha256[:12] + "\u2026" if f.sha256 else fmt.MISSING, f.sha256, tone="code"),
        )
        for f in data.inputs
    ]  # fmt: skip
    return tables.table("inputs", "Files that this revision was made from", columns, rows) if rows else None


def contours_view(errors: Mapping[float, Sequence[float]]) -> SimpleNamespace:
    """How well equal-loudness contours are met: phon too loud at 20, 30 ... 80 phon, by frequency in Hz."""
    worst = {f_hz: max(abs(error) for error in row) for f_hz, row in errors.items()}
    beyond = {f_hz: error for f_hz, error in worst.items() if error > CONTOUR_TOLERANCE_PHON}
    within = max((error for f_hz, error in worst.items() if f_hz not in beyond), default=0.0)
    sentence = (
        f"Equal-loudness contours of ISO 226:2023, 20 to 80 phon: {len(errors) - len(beyond)} of {len(errors)} "
        f"frequencies are met within {fmt.number(within, unit='phon')}"
    )
    if beyond:
        most = fmt.number(max(beyond.values()), unit="phon")
        sentence += f", the others ({fmt.listed(fmt.hz(f_hz) for f_hz in beyond)}) within {most}"
    columns = (Column("tone"), *(Column(f"{20 + 10 * at} phon") for at in range(len(next(iter(errors.values()), ())))))
    rows = [
        (Cell(fmt.hz(f_hz), f_hz), *(tables.level(error, sign=True) for error in row)) for f_hz, row in errors.items()
    ]
    caption = "Phon by which tones of equal loudness (ISO 226:2023) are read too loud"
    return SimpleNamespace(sentence=f"{sentence}.", table=tables.table("contours", caption, columns, rows))


def settings_table(data: DossierData) -> Table | None:
    columns = (Column("setting", numeric=False), Column("value"), Column("default"), Column("unit", numeric=False),
               Column("reason", numeric=False))  # fmt: skip
    rows = [
        (Cell(s.name, tone="changed" if s.value != s.default else ""), Cell(fmt.plain(s.value, 6), s.value),
         Cell(fmt.plain(s.default, 6), s.default), Cell(s.unit), Cell(s.reason))
        for s in data.settings if s.value != s.default or ("usual_" not in s.name and "all_drums_" not in s.name)
    ]  # fmt: skip
    return tables.table("settings", "Every threshold and weight in force", columns, rows) if rows else None


def _voice(data: DossierData) -> str:
    """What is taken for granted of a singer, and what follows."""
    values = {setting.name: setting.value for setting in data.settings}
    if not data.instrumental.kept or "voice_room" not in values:
        words = {"in-stems": "in the stems already; no more room is kept", "none": "none; no room is kept for one"}
        return words.get(data.beat.voice, "to come; no room is kept for it")
    low, high, share = values["voice_from_hz"], values["voice_to_hz"], values["voice_room"]
    return (f"to come; from {fmt.hz(low)} to {fmt.hz(high)} {fmt.percent(share)} of what finished mixes carry is kept "
            "free for it (common practice, no source)")  # fmt: skip


def _assumptions(data: DossierData) -> tuple[str, ...]:
    beat = data.beat
    said = {
        "tempo_bpm": f"Tempo: {fmt.plain(beat.tempo_bpm)}{fmt.NBSP}BPM",
        "key": f"Key: {beat.key or 'none found'}",
        "meter": f"Meter: {beat.meter}",
        "first_downbeat_s": f"First downbeat: at {fmt.number(beat.first_downbeat_s, 3, unit='s')}",
        "swing": f"Swing: {fmt.percent(beat.swing)} (50{fmt.NBSP}% is straight)",
        "target_lufs": f"Target loudness: {fmt.lufs(beat.target_lufs)}",
        "listening_level_db_spl": f"Listening level: {fmt.number(beat.listening_level_db_spl, 0, unit='dB SPL')}",
        "voice": f"Voice: {_voice(data)}",
        "intent": f"Where the drums are to stand: {_INTENTS.get(beat.intent, beat.intent)}",
    }
    sources = {field: glossary.source(beat.sources.get(field), beat.confidences.get(field)) for field in said}
    return tuple(f"{text} ({sources[field]})." if sources[field] else f"{text}." for field, text in said.items())


def method_view(data: DossierData, *, inputs_left_out: int) -> SimpleNamespace:
    left_out = f"{fmt.count(inputs_left_out, 'more drum file')} and their hashes stand in the data file."
    reference = "your own recordings" if any(f.kind == "reference" for f in data.inputs) else "finished mixes"
    return SimpleNamespace(
        line=f"Measured against {reference} at {fmt.lufs(data.beat.target_lufs)}; numbers advise, ears decide.",
        own_references=fmt.listed(f.file for f in data.inputs if f.kind == "reference" and f.used),
        inputs_note=left_out if inputs_left_out else "",
        assumptions=_assumptions(data),
        inputs=inputs_table(data),
        settings=settings_table(data),
        changed_settings=fmt.listed(s.name for s in data.settings if s.value != s.default),
    )
