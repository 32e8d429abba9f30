"""Where a beat stands with the people who decide.  `dossier.archive.standing` judges it; both pages show it."""

from __future__ import annotations

from msgspec import Struct


class ProposalStanding(Struct, frozen=True):
    """One proposal of the newest revision.  Rights are left out: clearing them is the producer's job."""

    id: str
    kind: str
    text: str
    status: str  # "awaiting answer" | "agreed" | "to change"


class Standing(Struct, frozen=True):
    """Where the newest revision stands, and the last revision that was decided, where that is an older one."""

    status: str  # "awaiting answer" | "agreed" | "to change"
    revision: str  # the newest one
    proposals: tuple[ProposalStanding, ...] = ()
    by: tuple[str, ...] = ()  # whose answers decided
    made: str | None = None  # when, ISO 8601
    decided_on: str | None = None  # the older revision that `by` and `made` speak of
    decided_status: str | None = None

    def count(self, status: str) -> int:
        return sum(proposal.status == status for proposal in self.proposals)
