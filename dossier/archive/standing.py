"""The only judge of what is agreed: from a beat's revisions and decisions to its `Standing`.

Conventions
    A decision counts for the revision whose identity it names, never for a newer one.
    Each person's last word counts; one who wants a change outweighs all who agree.
    Proposals about rights are left out: clearing them is the producer's job, not a collaborator's.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dossier.archive.revisions import DataHead
from dossier.model.datafile import Decision, Proposal
from dossier.model.standing import ProposalStanding, Standing


def asked(proposals: Iterable[Proposal]) -> tuple[Proposal, ...]:
    """The proposals that wait for a collaborator."""
    return tuple(proposal for proposal in proposals if proposal.kind != "rights")


def in_force(decisions: Iterable[Decision]) -> tuple[Decision, ...]:
    """Those that no later one supersedes, oldest first."""
    decisions = tuple(decisions)
    replaced = {entry.supersedes for entry in decisions}
    return tuple(entry for entry in decisions if entry.id not in replaced)


def stand(heads: Sequence[DataHead], decisions: Iterable[Decision]) -> Standing:
    """Judge a beat by the decisions about its newest revision; an older one's leave it awaiting an answer.

    `heads` are its revisions, at least one, `decisions` its log, both oldest first.
    """
    newest, valid = heads[-1], in_force(decisions)
    proposals = _proposals(newest, valid)
    for head in reversed(heads):
        status, answers = _answer(head, valid)
        if not answers:
            continue
        by = tuple(dict.fromkeys(entry.by for entry in answers))
        made = max(entry.made for entry in answers)
        if head is newest:
            return Standing(status, newest.revision.id, proposals, by, made)
        return Standing("awaiting answer", newest.revision.id, proposals, by, made, head.revision.id, status)
    return Standing("awaiting answer", newest.revision.id, proposals)


def _about(head: DataHead, valid: Sequence[Decision]) -> list[Decision]:
    return [entry for entry in valid if entry.identity == head.revision.identity]


def _answer(head: DataHead, valid: Sequence[Decision]) -> tuple[str, list[Decision]]:
    """Status of one revision, and the decisions that make it: none where it awaits an answer.

    One who wants a change makes it 'to change'.  Otherwise one who agreed to the whole, or several who between them
    agreed to every proposal, make it 'agreed'.
    """
    about = _about(head, valid)
    last = {entry.by.casefold(): entry for entry in about if entry.status != "note"}
    against = [entry for entry in last.values() if entry.status == "to change"]
    if against:
        return "to change", against
    proposals = _proposals(head, valid)
    if not last and proposals and all(proposal.status == "agreed" for proposal in proposals):
        return "agreed", [entry for entry in about if entry.marks]
    return ("agreed", list(last.values())) if last else ("awaiting answer", [])


def _proposals(head: DataHead, valid: Sequence[Decision]) -> tuple[ProposalStanding, ...]:
    proposals = asked(head.proposals)
    marks: dict[str, dict[str, str]] = {}  # by person, then by proposal
    for entry in _about(head, valid):
        own = marks.setdefault(entry.by.casefold(), {})
        if entry.status == "agreed":
            own.update({proposal.id: "agreed" for proposal in proposals})
        own.update({mark.proposal: mark.mark for mark in entry.marks})

    def status(proposal: Proposal) -> str:
        said = {own[proposal.id] for own in marks.values() if proposal.id in own}
        return next((each for each in ("to change", "agreed") if each in said), "awaiting answer")

    return tuple(ProposalStanding(each.id, each.kind, each.text, status(each)) for each in proposals)
