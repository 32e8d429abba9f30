"""Where a beat stands and what was decided, in the words that the dossier and the archive page share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import SimpleNamespace

from dossier.model.datafile import Decision
from dossier.model.standing import Standing
from dossier.render import format as fmt

PROPOSAL_KINDS = {"approach": "Approach", "drums": "Drums", "plan": "Treatment", "gain": "Level", "rights": "Rights"}


def standing_view(standing: Standing) -> SimpleNamespace:
    return SimpleNamespace(
        status=standing.status, sentence=_sentence(standing), progress=_progress(standing),
        proposals=tuple((status, tuple(p.text for p in standing.proposals if p.status == status))
                        for status in dict.fromkeys(p.status for p in standing.proposals)),
    )  # fmt: skip


def _sentence(standing: Standing) -> str:
    if standing.made is None:
        return "No answer yet."
    ending = f" by {fmt.listed(standing.by)} on {fmt.day(standing.made)}"
    if standing.decided_on is None:
        return f"Agreed{ending}." if standing.status == "agreed" else f"Changes were asked for{ending}."
    if standing.decided_status == "agreed":
        said = f"{standing.decided_on} was agreed{ending}"
    else:
        said = f"Changes to {standing.decided_on} were asked for{ending}"
    return f"{said}; {standing.revision} is newer and waits for an answer."


def _progress(standing: Standing) -> str:
    if not standing.proposals:
        return ""
    changes = standing.count("to change")
    ending = f", {changes} to change" if changes else ""
    return f"{standing.count('agreed')} of {fmt.count(len(standing.proposals), 'proposal')} agreed{ending}."


def decision_views(
    decisions: Sequence[Decision], texts: Mapping[str, str], revision: str
) -> tuple[SimpleNamespace, ...]:
    """Newest first.  `texts` words the proposals of `revision`; those of another, which may differ, are named only."""
    later = {entry.supersedes: entry.id for entry in decisions if entry.supersedes}
    return tuple(
        SimpleNamespace(
            heading=f"{entry.by or 'someone unnamed'}, {fmt.day(entry.made)}, on {entry.revision}",
            status=entry.status,
            text=entry.text,
            marks=tuple((texts.get(mark.proposal, name) if entry.revision == revision else name, mark.mark, mark.note)
                        for mark in entry.marks for name in (_name(mark.proposal),)),
            marks_in_short=_marks_in_short(entry),
            gains=fmt.listed(f"{name} {fmt.db(gain, sign=True)}" for name, gain in entry.gains_db.items()),
            source="Taken in from a response file." if entry.source == "response" else "",
            superseded=f"Replaced by {later[entry.id]}." if entry.id in later else "",
        )
        for entry in reversed(decisions)
    )


def _name(proposal: str) -> str:
    """`gain:kick` -> `Level: kick`."""
    kind, _, what = proposal.partition(":")
    return ": ".join(filter(None, (PROPOSAL_KINDS.get(kind, kind), what)))


def _marks_in_short(entry: Decision) -> str:
    agreed = sum(mark.mark == "agreed" for mark in entry.marks)
    change = len(entry.marks) - agreed
    said = [f"{fmt.count(agreed, 'proposal')} agreed"] * bool(agreed) + [f"{change} to change"] * bool(change)
    return fmt.capital(", ".join(said)) + "." if said else ""
