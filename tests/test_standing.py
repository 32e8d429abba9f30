"""One judge of what is agreed: the dossier page and the archive page say the same.  Evidence: analytic."""

from __future__ import annotations

from pathlib import Path

import factory
import msgspec
import pytest
from html_tree import Node, parse
from msgspec.structs import replace

from dossier.archive import Archive
from dossier.archive.revisions import head_of
from dossier.archive.standing import stand
from dossier.model.datafile import Decision, DossierData, Mark
from dossier.model.page import PageAssets
from dossier.model.standing import Standing
from dossier.render.index import render_archive
from dossier.render.page import render_dossier

SLUG = "lantern-market"


def pages(archive: Archive, data: DossierData) -> tuple[Node, Node]:
    """The dossier's part on decisions, published as the newest revision, and the beat's entry in the archive."""
    data = replace(data, decisions=archive.decisions(SLUG))
    standing = archive.standing_with(data)
    dossier = parse(render_dossier(data, PageAssets((), None, standing)))
    archive.publish(data, "<html></html>", {})
    assert archive.standing(SLUG) == standing
    return dossier.one("details", id="decisions"), parse(render_archive(archive.index())).one("li", class_="entry")


def said_of_each(dossier: Node) -> list[str]:
    return [s.text for f in dossier.every("fieldset") for s in f.every("span", class_="status")]


@pytest.mark.parametrize("built_again", [True, False], ids=["another identity", "the same identity"])
def test_both_pages_say_the_same_of_a_revision_after_an_agreed_one(tmp_path: Path, built_again: bool) -> None:
    """All five proposals of r001 are agreed; r002 inherits that only where it is the same by identity."""
    archive, first = Archive(tmp_path), factory.dossier()
    archive.publish(first, "<html></html>", {})
    taken = archive.take_in(msgspec.json.encode(factory.response(first)))
    assert len(taken.decision.marks) == 5
    identity = factory.hash_of("other") if built_again else first.revision.identity
    dossier, entry = pages(archive, factory.dossier(seed=2, revision="r002", identity=identity))
    sentence, progress, status = (
        ("r001 was agreed by Mara Example on 3 March 2026; r002 is newer and waits for an answer.",
         "0 of 5 proposals agreed.", "awaiting answer")
        if built_again
        else ("Agreed by Mara Example on 3 March 2026.", "5 of 5 proposals agreed.", "agreed")
    )  # fmt: skip
    for page in (dossier, entry):
        words = page.words.replace("\u00a0", " ")
        assert sentence in words
        assert progress in words
    assert said_of_each(dossier) == [status] * 5, "the sixth is about rights and waits for nobody"
    (listed,) = [part for part in entry.every("div") if part.children and "Proposals of r002" in part.words[:20]]
    assert [item.text for item in listed.every("strong")] == [status]
    assert len(listed.every("li")) == 5
    assert entry.attributes["data-status"] == status


def stand_of(*decisions: Decision) -> Standing:
    data = factory.dossier()
    numbered = [replace(d, id=f"d{i:04d}", identity=d.identity or data.revision.identity)
                for i, d in enumerate(decisions, 1)]  # fmt: skip
    return stand([head_of(data)], numbered)


def marked(by: str, **marks: str) -> Decision:
    return factory.decision(by=by, status="note", marks=tuple(Mark(name, mark) for name, mark in marks.items()))


ALL = ["approach", "drums", "gain:kick", "gain:snare", "gain:closed-hat"]


@pytest.mark.parametrize(
    ("decisions", "status", "agreed", "to_change"),
    [
        ((), "awaiting answer", 0, 0),
        ((factory.decision(status="agreed"),), "agreed", 5, 0),
        ((factory.decision(identity="0" * 64),), "awaiting answer", 0, 0),
        ((marked("Mara", approach="agreed"),), "awaiting answer", 1, 0),
        ((marked("Mara", approach="agreed"), marked("Ivo", approach="to change")), "awaiting answer", 0, 1),
        ((marked("Mara", drums="to change"), marked("mara", drums="agreed")), "awaiting answer", 1, 0),
        ((marked("Mara", **dict.fromkeys(ALL[:2], "agreed")), marked("Ivo", **dict.fromkeys(ALL[2:], "agreed"))),
         "agreed", 5, 0),
        ((factory.decision(by="Mara", status="to change"), factory.decision(by="Ivo")), "to change", 5, 0),
        ((factory.decision(by="Mara", status="to change"), factory.decision(by="Ivo"), factory.decision(by="mara")),
         "agreed", 5, 0),
        ((factory.decision(), factory.decision(status="note", supersedes="d0001")), "awaiting answer", 0, 0),
    ],
    ids=["nothing", "all", "another revision", "a part", "against each other", "last word counts", "between two",
         "one is against", "persuaded", "replaced"],
)  # fmt: skip
def test_what_makes_a_beat_and_its_proposals_agreed(
    decisions: tuple[Decision, ...], status: str, agreed: int, to_change: int
) -> None:
    standing = stand_of(*decisions)
    assert (standing.status, standing.count("agreed"), standing.count("to change")) == (status, agreed, to_change)
    assert [proposal.id for proposal in standing.proposals] == ALL
