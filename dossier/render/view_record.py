"""Where the beat stands, what was decided, rights, and the proposals to answer."""

from __future__ import annotations

from types import SimpleNamespace

from dossier.model.datafile import DossierData
from dossier.model.standing import Standing
from dossier.render import format as fmt
from dossier.render import glossary, tables
from dossier.render.tables import Cell, Column, Table
from dossier.render.view_decisions import PROPOSAL_KINDS, decision_views, standing_view


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
        rows.append((Cell(f.file), Cell(use), Cell(glossary.rights(f.rights), f.rights, tone=tone),
                     Cell(f.origin or "not said")))  # fmt: skip
    return tables.table("rights", "Origin and rights, as the user stated them", columns, rows), text


def record_view(data: DossierData, standing: Standing) -> SimpleNamespace:
    rights, rights_summary = rights_table(data)
    told = standing_view(standing)
    status = {each.id: each.status for each in standing.proposals}  # rights are not there: they wait for no answer
    return SimpleNamespace(
        standing=told, line=f"{told.sentence} {rights_summary}", progress=told.progress,
        decisions=decision_views(data.decisions, {p.id: p.text for p in data.proposals}, data.revision.id),
        rights=rights, rights_summary=rights_summary,
        proposals=[(p.id, PROPOSAL_KINDS.get(p.kind, p.kind), p.text, status.get(p.id, "")) for p in data.proposals],
    )  # fmt: skip
