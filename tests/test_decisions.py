"""Decisions, responses and where a beat stands.  Evidence: analytic, on known content."""

from __future__ import annotations

import json
import re
import textwrap
from pathlib import Path
from typing import Any

import factory
import msgspec
import pytest
from msgspec.structs import replace

from dossier.archive import Archive, TakenIn
from dossier.archive.decisions import read_log
from dossier.errors import ArchiveError
from dossier.model.datafile import DossierData, Mark
from dossier.model.ears import BlindRun

SLUG = "lantern-market"


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    made = Archive(tmp_path)
    made.publish(factory.dossier(), "<html></html>", {})
    return made


def first() -> DossierData:
    return factory.dossier()


def add_second(archive: Archive) -> DossierData:
    data = factory.dossier(seed=2, revision="r002")
    data = replace(data, revision=replace(data.revision, changes=("Fill: 62 % (was 58 %).",), previous="r001"))
    archive.publish(data, "<html></html>", {})
    return data


def send(archive: Archive, data: DossierData, marked: dict[str, str] | None = None, **values: Any) -> TakenIn:
    return archive.take_in(msgspec.json.encode(factory.response(data, marked, **values)))


def log_of(archive: Archive) -> Path:
    return archive.root / SLUG / "decisions.jsonl"


# ---------------------------------------------------------------------- by hand


def test_a_decision_gets_its_id_revision_and_identity(archive: Archive) -> None:
    done = archive.record(SLUG, factory.decision(text="  Keep the kick.\r\nAnd the hat. "))
    assert (done.id, done.revision, done.identity) == ("d0001", "r001", first().revision.identity)
    assert done.text == "Keep the kick.\nAnd the hat."
    assert archive.decisions(SLUG) == (done,)
    assert archive.record(SLUG, factory.decision(status="note")).id == "d0002"


def test_a_decision_may_speak_of_an_older_revision(archive: Archive) -> None:
    add_second(archive)
    done = archive.record(SLUG, factory.decision(revision="r001"))
    assert (done.revision, done.identity) == ("r001", first().revision.identity)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"status": "maybe"}, "one of agreed, to change, note"), ({"by": "  "}, "needs the name"),
        ({"revision": "r009"}, r"no revision 'r009' \(there: r001\)"),
        ({"identity": "ab" * 32, "revision": "r001"}, "identity is abababababab"),
        ({"supersedes": "d0007"}, r"'d0007' is to be replaced, but is not in the log \(the last there: none yet\)"),
        ({"made": "yesterday"}, "ISO 8601"), ({"marks": (Mark("gain:tuba", "agreed"),)}, "does not propose"),
        ({"marks": (Mark("approach", "fine"),)}, "one of agreed, to change"),
        ({"marks": (Mark("approach", "agreed"), Mark("approach", "to change"))}, "marked twice"),
        ({"gains_db": {"tuba": 1.0}}, "no part of this revision's balance"),
        ({"gains_db": {"kick": float("nan")}}, "a gain of nan dB"),
        ({"gains_db": {"kick": -300.0}}, "a gain of -300"), ({"text": "x" * 30_000}, "too long"),
    ],
)
def test_a_decision_that_fits_nothing_is_refused(archive: Archive, values: dict[str, Any], message: str) -> None:
    with pytest.raises(ArchiveError, match=message):
        archive.record(SLUG, factory.decision(**values))
    assert not log_of(archive).exists()


def test_a_decision_about_no_beat_is_refused(archive: Archive) -> None:
    with pytest.raises(ArchiveError, match=r"holds no beat 'night-depot' \(there: lantern-market\)"):
        archive.record("night-depot", factory.decision())
    with pytest.raises(ArchiveError, match="none yet"):
        Archive(archive.root / "empty").record("night-depot", factory.decision())


def test_an_id_is_never_used_twice(archive: Archive) -> None:
    done = archive.record(SLUG, factory.decision())
    with pytest.raises(ArchiveError, match="in the log already"):
        archive.record(SLUG, factory.decision(id=done.id))


def test_superseding_keeps_the_history(archive: Archive) -> None:
    archive.record(SLUG, factory.decision(status="to change", text="The snare is too long."))
    before = log_of(archive).read_bytes()
    archive.record(SLUG, factory.decision(status="agreed", text="Settled on the phone.", supersedes="d0001"))
    assert log_of(archive).read_bytes().startswith(before), "append-only"
    assert [entry.id for entry in archive.decisions(SLUG)] == ["d0001", "d0002"]
    assert archive.standing(SLUG).status == "agreed"


# ---------------------------------------------------------------------- responses


def test_a_response_becomes_a_decision(archive: Archive) -> None:
    taken = send(
        archive, first(), {"approach": "agreed", "gain:kick": "to change"}, notes="Less kick.", gains_db={"kick": -6}
    )
    assert (taken.slug, taken.new) == (SLUG, True)
    done = taken.decision
    assert (done.id, done.status, done.by, done.source) == ("d0001", "to change", "Mara Example", "response")
    assert (done.made, done.revision, done.text) == ("2026-03-03T18:30:00Z", "r001", "Less kick.")
    assert done.gains_db == {"kick": -6.0}
    assert archive.decisions(SLUG) == (done,)
    assert archive.standing(SLUG).status == "to change"


def test_the_same_response_twice_is_said_and_not_doubled(tmp_path: Path, archive: Archive) -> None:
    said: list[str] = []
    archive = Archive(tmp_path, say=said.append)
    one, two = send(archive, first()), send(archive, first())
    assert (one.new, two.new, two.decision) == (True, False, one.decision)
    assert len(archive.decisions(SLUG)) == 1
    assert said == ["lantern-market: this response of Mara Example is in the archive already, as d0001"]
    add_second(archive)
    assert not send(archive, first()).new, "still known when the next revision is there"


def test_an_edited_response_replaces_the_earlier_one(archive: Archive) -> None:
    send(archive, first())
    edited = send(archive, first(), {"drums": "to change"})
    assert (edited.decision.supersedes, edited.new) == ("d0001", True)
    later = send(archive, first(), id="another-save", notes="All good now.")
    assert later.decision.supersedes == "d0002"
    assert len(archive.decisions(SLUG)) == 3
    assert archive.standing(SLUG).status == "agreed"
    other = send(archive, first(), id="of-somebody-else", name="Ivo Example")
    assert other.decision.supersedes is None


def test_agreeing_to_a_part_is_a_note_until_all_is_covered(archive: Archive) -> None:
    asked = [proposal.id for proposal in first().proposals if proposal.kind != "rights"]
    assert send(archive, first(), {asked[0]: "agreed"}).decision.status == "note"
    standing = archive.standing(SLUG)
    assert (standing.status, standing.count("agreed"), len(standing.proposals)) == ("awaiting answer", 1, len(asked))
    rest = send(archive, first(), dict.fromkeys(asked[1:], "agreed"), id="rest", name="Ivo Example")
    assert rest.decision.status == "note"
    standing = archive.standing(SLUG)
    assert (standing.status, standing.by) == ("agreed", ("Mara Example", "Ivo Example"))


def test_identity_decides_which_revision_a_response_speaks_of(archive: Archive) -> None:
    again = factory.dossier(revision="r002", identity=first().revision.identity)
    archive.publish(again, "<html></html>", {})
    assert send(archive, first()).decision.revision == "r002"
    assert archive.standing(SLUG).status == "agreed"


def test_a_response_of_hostile_text_stays_one_line(archive: Archive) -> None:
    done = send(archive, first(), notes='a\r\nb\0\u2028</script>"\n\x1b[31m', name="Mara\nExample\x07").decision
    assert done.text == 'a\nb\n</script>"\n[31m'
    assert "\x07" not in done.by
    assert len(log_of(archive).read_bytes().splitlines()) == 1
    assert archive.decisions(SLUG) == (done,)


# ---------------------------------------------------------------------- the log


def test_a_line_cut_by_a_kill_loses_nothing_else(archive: Archive, tmp_path: Path) -> None:
    for text in ("one", "two", "three"):
        archive.record(SLUG, factory.decision(text=text))
    whole = log_of(archive).read_bytes()
    last = whole.rindex(b"\n", 0, -1) + 1
    for cut in range(last + 1, len(whole)):
        log_of(archive).write_bytes(whole[:cut])
        kept = [entry.text for entry in archive.decisions(SLUG)]
        complete = cut == len(whole) - 1
        assert kept == (["one", "two", "three"] if complete else ["one", "two"])
        added = archive.record(SLUG, factory.decision(text="four"))
        assert [entry.text for entry in archive.decisions(SLUG)] == [*kept, "four"]
        assert added.id == "d0004", "an id that may have been given is not given again"
        assert log_of(archive).read_bytes().startswith(whole[:cut]), "nothing is taken away"


def test_a_damaged_line_is_said_with_its_number(archive: Archive) -> None:
    archive.record(SLUG, factory.decision(text="one"))
    with log_of(archive).open("ab") as file:
        file.write(b'\n{"id": "d0002", "made"\n\xff\xff\n')
    archive.record(SLUG, factory.decision(text="after"))
    said: list[str] = []
    assert [entry.text for entry in Archive(archive.root, say=said.append).decisions(SLUG)] == ["one", "after"]
    assert said == [
        "lantern-market/decisions.jsonl: line 3 is damaged and was passed over",
        "lantern-market/decisions.jsonl: line 4 is damaged and was passed over",
    ]
    assert [entry.file for entry in archive.index().skipped] == ["lantern-market/decisions.jsonl"] * 2


def test_the_log_is_json_a_line(archive: Archive) -> None:
    archive.record(SLUG, factory.decision())
    send(archive, first())
    lines = [json.loads(line) for line in log_of(archive).read_text().splitlines()]
    assert [line["id"] for line in lines] == ["d0001", "d0002"]
    assert read_log(b"").next_id == "d0001"


# ---------------------------------------------------------------------- where it stands


def test_status_runs_through_its_life(archive: Archive) -> None:
    standing = archive.standing(SLUG)
    assert (standing.status, standing.decided_on, standing.by) == ("awaiting answer", None, ())
    archive.record(SLUG, factory.decision(status="note", text="Sent to the client."))
    assert archive.standing(SLUG).status == "awaiting answer", "a note decides nothing"
    archive.record(SLUG, factory.decision(status="agreed"))
    assert archive.standing(SLUG).status == "agreed"
    add_second(archive)
    standing = archive.standing(SLUG)
    assert (standing.status, standing.revision) == ("awaiting answer", "r002")
    assert (standing.decided_on, standing.decided_status, standing.by) == ("r001", "agreed", ("Mara Example",))
    archive.record(SLUG, factory.decision(status="to change", text="The hat is too loud."))
    standing = archive.standing(SLUG)
    assert (standing.status, standing.decided_on) == ("to change", None)


def test_a_long_history_is_no_burden(archive: Archive) -> None:
    for number in range(2, 31):
        archive.publish(factory.dossier(seed=number, revision=f"r{number:03d}", bars=1), "page", {})
    archive.record(SLUG, factory.decision(revision="r001"))
    assert archive.standing(SLUG).decided_on == "r001"


def test_decisions_are_there_for_the_next_revision(archive: Archive) -> None:
    archive.record(SLUG, factory.decision(text="Keep the kick."))
    data = factory.dossier(seed=2, revision=archive.next_revision(SLUG))
    archive.publish(replace(data, decisions=archive.decisions(SLUG)), "page", {})
    latest = archive.latest(SLUG)
    assert latest is not None
    assert [(entry.text, entry.revision) for entry in latest.decisions] == [("Keep the kick.", "r001")]


def test_a_decided_revision_number_is_not_given_again(archive: Archive) -> None:
    add_second(archive)
    archive.record(SLUG, factory.decision())
    (archive.root / SLUG / "lantern-market-r002.json").unlink()
    assert archive.next_revision(SLUG) == "r003"


# ---------------------------------------------------------------------- pasted as text

ENDS = f"[dossier {SLUG} r001 {factory.dossier().revision.identity[:12]}]"
WHEN = "2026-03-04T10:00:00Z"


BLIND = (
    "- compared blind: preferred drums treated to drums as they are in 3 of 3, no difference in 1 more; a coin would "
    "do this in 25 of 100 (treatment, preference, 4 rounds planned, 2026-03-03T18:20:00Z, sounds a1a1a1a1a1a1 "
    "b2b2b2b2b2b2 c3c3c3c3c3c3; A was drums treated, said A; A was drums as they are, said B; A was drums treated, "
    "said no difference; A was drums as they are, said B)"
)


@pytest.mark.parametrize(
    ("text", "status", "marks", "said"),
    [
        (f"Lantern, Market, r001: happy\n{ENDS}\n", "agreed", {}, ("not named", "")),
        (f"X, r001: happy {ENDS}", "agreed", {}, ("not named", "")),
        (f"X, r001: happy\r\nLove it.\r\n\r\nName: Ona\r\n{ENDS}\r\n", "agreed", {}, ("Ona", "Love it.")),
        (f"> X, r001: change this: louder\n> - and wider\n> {ENDS}", "to change", {"approach": "to change"},
         ("not named", "louder\n- and wider")),
        (f"X, r001: change this\n- gain:snare: to change: softer\nLevel of snare: -4.5 dB\n{ENDS}", "to change",
         {"gain:snare": "to change"}, ("not named", "")),
        (f"X, r001: point by point\n- rights:drums/hat-short.wav: agreed\n{ENDS}", "note",
         {"rights:drums/hat-short.wav": "agreed"}, ("not named", "")),
        (f"\ufeffX, r001: happy\n{ENDS}", "agreed", {}, ("not named", "")),
    ],
)  # fmt: skip
def test_a_pasted_answer_is_a_response(
    archive: Archive, text: str, status: str, marks: dict[str, str], said: tuple[str, str]
) -> None:
    taken = archive.take_in(text.encode(), received=WHEN)
    assert (taken.new, taken.decision.status, taken.decision.made) == (True, status, WHEN)
    assert (taken.decision.by, taken.decision.text) == said
    if marks:
        assert {mark.proposal: mark.mark for mark in taken.decision.marks} == marks
    assert not archive.take_in(text.encode(), received="2026-03-05T10:00:00Z").new  # a replay adds nothing


@pytest.mark.parametrize("width", [1000, 72])
def test_blind_rounds_are_read_from_a_pasted_answer(archive: Archive, width: int) -> None:
    """As they are read from the answer's file, broken by a mail program or not."""
    broken = "\n".join(f"> {line}" for line in textwrap.wrap(BLIND, width, break_on_hyphens=False))
    text = f"> X, r001: compared blind\n{broken}\n> Name: Ona\n> {ENDS}"
    decision = archive.take_in(text.encode(), received=WHEN).decision
    assert decision.blind == (msgspec.convert(factory.blind_run("ttnt"), BlindRun),)
    assert (decision.text, decision.by, decision.status) == ("", "Ona", "note")
    assert [told.counts for told in archive.heard(SLUG)] == [(3, 0)]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (f"X, r001: happy\n{ENDS}\nSent on the road", "remove what follows"),
        (f"Hi!\nX, r001: happy\n{ENDS}", "remove what stands before"),
        (f"X, r001: happy\n{ENDS}\nX, r001: happy\n{ENDS}", "2 answers in one text"),
        (f"X, r002: happy\n{ENDS}", "begins with its title, r001"),
        (f"X, r001: maybe\n{ENDS}", "'happy' or 'change this'"),
        (f"X, r001: happy\n[dossier {SLUG} r001 {'0' * 12}]", "does not hold"),
        (f"X, r001: happy\n{ENDS.replace('r001', 'r002')}", "begins with"),
        (f"X, r001: happy\n{ENDS.replace(SLUG, '../x')}", "../x"),
        (f"X, r001: change this\n- gain:snare: to change\nLevel of snare: 99.0 dB\n{ENDS}", "the limit is"),
        (f"X, r001: happy\nLevel of bell: 1 dB\n{ENDS}", "no part"),
        ("X, r001: happy\n[dossier]", "not a response file"),
        (f"X, r001: happy {ENDS[:-3]}]", "not a response file"),
        *((f"X, r001: compared blind\n{BLIND.replace(old, new)}\n{ENDS}", says) for old, new, says in (
            ("a1a1a1a1a1a1", "a1a1a1a1a1a2", "SHA-256"), (" c3c3c3c3c3c3", "", "SHA-256"),
            ("A was drums treated,", "A was the loop,", "no side of this pair"), ("(treatment", "(choice", "no pair"),
            ("said B)", "said C)", "was not asked for"), (", said B)", ", X was B, said B)", "X cannot be"),
            ("4 rounds", "3 rounds", "4 to 16"), ("4 rounds", f"{10**17} rounds", "4 to 16"),
            ("4 rounds", f"{10**400} rounds", "not as a page writes it"), (", said B)", ")", "not as a page writes it"),
            ("; A was", "; A was drums treated, said A; A was", "8 rounds where 4"), (")", "", "not as a page writes"),
            ("preference", "taste", "one of preference"), ("2026-03-03T18:20:00Z", "now", "ISO 8601"),
            (BLIND, f"{BLIND}\n" * 65, "the limit is 64"),
        )),
    ],
)  # fmt: skip
def test_a_pasted_answer_is_taken_in_whole_or_not_at_all(archive: Archive, text: str, says: str) -> None:
    with pytest.raises(ArchiveError, match=re.escape(says)):
        archive.take_in(text.encode(), received=WHEN)
    assert not log_of(archive).exists()
