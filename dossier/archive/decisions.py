"""Decisions: the append-only log of a beat, and the responses that collaborators send back.

Conventions
    `decisions.jsonl` holds one decision a line (JSON, UTF-8) and only grows: a decision that replaces another names it
    in `supersedes`, and both stay.  An unreadable line (its writer was killed) stays too; it is skipped and reported.
    A response names the beat, the revision and that revision's identity; identity decides.  It is checked in full
    before anything is written, and the same response taken in twice is one decision.
"""

from __future__ import annotations

import codecs
import datetime
import hashlib
import itertools
import math
import re
from collections.abc import Callable, Sequence

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from dossier.archive import ears
from dossier.archive.revisions import DataHead
from dossier.archive.standing import asked, in_force
from dossier.errors import ArchiveError
from dossier.model.datafile import Decision, Mark, Proposal, Response
from dossier.model.ears import BlindRun, Comparison, Round
from dossier.names import clean

RESPONSE_FORMAT = "dossier response"
RESPONSE_VERSION = 2  # 1 had no blind comparisons
STATUSES = ("agreed", "to change", "note")
MARKS = ("agreed", "to change")

LARGEST_RESPONSE = 1 << 20  # bytes; a real one has a few thousand
_LONGEST_NAME = 200
_LONGEST_TEXT = 20_000
_GAIN_LIMIT_DB = 60.0  # beyond the range of the page's sliders and of any fader
# a pasted answer: its first line, marks of single points, blind runs, the name, gains, and the line that says what it
# answers
_FIRST = re.compile(r".*, (r[0-9]{3,18}): (happy|change this|point by point|compared blind)(?:: (.*))?")
_POINT = re.compile(r"- (.+?): (agreed|to change)(?:: (.*))?")
_RUN = "- compared blind: "
_RUN_ABOUT = re.compile(
    r"[^()]+ \(([^(),;]+), ([^(),;]+), ([0-9]{1,18}) rounds planned, ([^(),;]+), sounds ([0-9a-f ]+); ([^()]+)\)"
)
_ROUND = re.compile(r"A was ([^,]+)(?:, X was ([^,]+))?, said ([^,]+)")
_RUN_LONGEST = 4000  # signs; a real one has a fifth
_NAME = re.compile(r"Name: (.*)")
_GAIN = re.compile(r"Level of (\S+): ([+-]?[0-9]{1,3}(?:\.[0-9]{1,3})?) dB")
_ANSWERS = re.compile(r"\[dossier (\S{1,200}) (r[0-9]{3,18}) ([0-9a-f]{12})\]")
_ID = re.compile(r"d([0-9]{1,18})\Z")  # a longer number is not counted on from


class Log(Struct, frozen=True):
    """A beat's decisions, oldest first, and the numbers of the lines that could not be read."""

    decisions: tuple[Decision, ...]
    damaged: tuple[int, ...] = ()

    @property
    def next_id(self) -> str:
        taken = {entry.id for entry in self.decisions}
        numbers = [int(found.group(1)) for name in taken if (found := _ID.match(name))]
        first = max([len(self.decisions) + len(self.damaged), *numbers]) + 1
        return next(name for number in itertools.count(first) if (name := f"d{number:04d}") not in taken)


def read_log(raw: bytes) -> Log:
    """Read the log, skipping damaged lines."""
    decisions, damaged = [], []
    for number, line in enumerate(raw.removeprefix(codecs.BOM_UTF8).split(b"\n"), start=1):
        if not line.strip():
            continue
        try:
            decisions.append(msgspec.json.decode(line, type=Decision))
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            damaged.append(number)
    return Log(tuple(decisions), tuple(damaged))


def line_of(decision: Decision) -> bytes:
    """A decision as the line that the log holds, without the line break."""
    return msgspec.json.encode(decision)


def complete(decision: Decision, heads: Sequence[DataHead], log: Log) -> Decision:
    """Fill in a decision's empty fields and check the rest, ready for the log.

    An empty `id` becomes the next one, an empty `revision` the newest, an empty `identity` that revision's.

    Raises ArchiveError if it names a revision, proposal or decision that does not exist, or has an unknown status.
    """
    head = _head_of(decision.revision, decision.identity, heads)
    known = [entry.id for entry in log.decisions]
    done = replace(
        decision, id=decision.id or log.next_id, revision=head.revision.id, identity=head.revision.identity,
        by=clean(decision.by), text=_clean_lines(decision.text),
    )  # fmt: skip
    if done.id in known:
        raise ArchiveError(f"decision {done.id} is in the log already; leave the id empty to get the next one")
    if done.status not in STATUSES:
        raise ArchiveError(f"decision status {done.status!r}: it is one of {', '.join(STATUSES)}")
    if not done.by:
        raise ArchiveError("a decision needs the name of who made it")
    if done.supersedes is not None and done.supersedes not in known:
        there = ", ".join(known[-8:]) or "none yet"
        raise ArchiveError(f"decision {done.supersedes[:40]!r} is to be replaced, but is not in the log "
                           f"(the last there: {there})")  # fmt: skip
    _check(done, head, heads)
    return done


def read_response(raw: bytes) -> Response:
    """Read a response file, without checking it against a revision yet.

    Raises ArchiveError if it is no response file, too large, or of a newer format.
    """
    if len(raw) > LARGEST_RESPONSE:
        raise ArchiveError(f"not a response file: {len(raw)} bytes is more than a response can have")
    try:
        if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):  # as some editors save
            raw = raw.decode("utf-16").encode()
        tree = msgspec.json.decode(raw.removeprefix(codecs.BOM_UTF8))
        if not isinstance(tree, dict) or tree.get("format") != RESPONSE_FORMAT:
            found = tree.get("format", "nothing") if isinstance(tree, dict) else type(tree).__name__
            raise ArchiveError(
                f"not a response file: 'format' is {str(found)[:60]!r}, expected {RESPONSE_FORMAT!r}. A response file "
                "is saved from the end of a dossier page"
            )
        version = tree.get("format_version")
        if isinstance(version, int) and version > RESPONSE_VERSION:
            raise ArchiveError(f"response format {version} was saved from a newer page; this program reads up to "
                               f"{RESPONSE_VERSION}")  # fmt: skip
        response = msgspec.convert(tree, type=Response)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ArchiveError(f"not a response file, or a damaged one ({error})") from error
    if not 1 <= response.format_version <= RESPONSE_VERSION:
        raise ArchiveError(f"response format {response.format_version} is not a format of this program")
    if not response.id or len(response.id) > _LONGEST_NAME:
        raise ArchiveError("damaged response file: its 'id' is empty or too long")
    if not response.identity.strip() or not response.revision.strip():
        raise ArchiveError("damaged response file: it does not say which revision it answers, and that one's identity")
    return response


def read_pasted(raw: bytes, received: str, heads_of: Callable[[str], Sequence[DataHead]]) -> Response | None:
    """The response that the page's answer says as text, as it was copied; None if `raw` is no such text.

    "Happy" agrees to all that is asked, "change this" asks for a change of the first point unless it names points.
    `received`, ISO 8601, stands for the date, which the text does not say.

    Raises ArchiveError if there is more or less than one answer in it, or if it fits no revision.
    """
    if len(raw) > LARGEST_RESPONSE or raw.lstrip().startswith(b"{"):
        return None
    wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        text = raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        return None
    lines: list[str] = []
    for line in text.strip().replace("\r\n", "\n").split("\n"):
        said = re.sub("^> ?", "", line).rstrip()
        if lines and lines[-1].startswith(_RUN) and not lines[-1].endswith(")") and len(lines[-1]) < _RUN_LONGEST:
            lines[-1] += f" {said}"  # mail programs break long lines
        else:
            lines.append(said)
    named = _ANSWERS.findall("\n".join(lines))
    if not named:
        return None
    if len(named) > 1:
        raise ArchiveError(f"{len(named)} answers in one text: take them in one by one")
    slug, revision, identity = named[0]
    if not (last := _ANSWERS.search(lines[-1])) or last.end() != len(lines[-1]):
        raise ArchiveError("a pasted answer ends with its line in brackets, [dossier ...]: remove what follows")
    lines[-1] = lines[-1][: last.start()].rstrip()
    first = _FIRST.fullmatch(lines[0])
    if first is None or first[1] != revision:
        raise ArchiveError(f"a pasted answer begins with its title, {revision} and 'happy' or 'change this': "
                           f"found {lines[0][:60]!r}; remove what stands before")  # fmt: skip
    head = next((one for one in heads_of(slug) if one.revision.identity.startswith(identity)), None)
    if head is None or head.revision.id != revision:
        raise ArchiveError(f"{slug}: the answer is about a {revision} ({identity}...) that this archive does not hold")
    known = {proposal.id for proposal in head.proposals}
    marks, notes, gains, name, blind = [], [first[3]] if first[3] else [], {}, "", []
    for line in lines[1:]:
        if (point := _POINT.fullmatch(line)) and point[1] in known:
            marks.append(Mark(point[1], point[2], point[3] or ""))
        elif gain := _GAIN.fullmatch(line):
            gains[gain[1]] = float(gain[2])
        elif found := _NAME.fullmatch(line):
            name = found[1]
        elif line.startswith(_RUN):
            blind.append(_pasted_run(line, head.comparisons))
        else:
            notes.append(line)
    mark = {"happy": "agreed", "change this": "to change"}.get(first[2])
    points = [proposal.id for proposal in asked(head.proposals)]
    if mark == "to change":
        points = [] if any(one.mark == "to change" for one in marks) else points[:1]
    marked = {one.proposal for one in marks}
    marks += [Mark(point, mark, "") for point in points if mark and point not in marked]
    return Response(
        RESPONSE_FORMAT, RESPONSE_VERSION, hashlib.sha256("\n".join([*lines, identity]).encode()).hexdigest()[:24],
        beat=slug, revision=revision, identity=head.revision.identity, name=name, made=received, marks=tuple(marks),
        notes="\n".join(notes).strip(), gains_db=gains, blind=tuple(blind),
    )  # fmt: skip


def _pasted_run(line: str, comparisons: Sequence[Comparison]) -> BlindRun:
    """One line's rounds, unchecked but for the form; the words before its bracket are for people.

    Sounds that are not those of the pair are left out, which no check passes.
    """
    about = _RUN_ABOUT.fullmatch(line.removeprefix(_RUN))
    rounds = [_ROUND.fullmatch(each) for each in about[6].split("; ")] if about else []
    if about is None or None in rounds:
        raise ArchiveError(f"a line of blind rounds is not as a page writes it: {line[:60]!r}; copy the answer again, "
                           "or take in its file")  # fmt: skip
    comparison, task, planned, made, said = about.group(1, 2, 3, 4, 5)
    sounds = next((each.sounds for each in comparisons if each.id == comparison), {})
    same = sorted(sha256[:12] for sha256 in sounds.values()) == said.split(" ")
    heard = tuple(Round(a=one[1], said=one[3], x=one[2] or "") for one in rounds if one)
    return BlindRun(comparison, task, made, int(planned), heard, dict(sounds) if same else {})


def decision_from(response: Response, heads: Sequence[DataHead], log: Log) -> tuple[Decision, bool]:
    """Turn a response into a decision, and say whether it is new.

    The same response again gives the earlier decision.  A response with the same id and other content, or from the same
    person about the same revision, replaces the earlier one, which stays in the log.

    Raises ArchiveError if it fits no revision of the beat, or marks something that the revision does not propose.
    """
    head = _head_of(response.revision, response.identity, heads, answers=True)
    by = clean(response.name) or "not named"
    decision = Decision(
        id=log.next_id, made=response.made, revision=head.revision.id, identity=head.revision.identity, by=by,
        status=_status_of(response.marks, head.proposals), text=_clean_lines(response.notes),
        marks=tuple(replace(mark, note=_clean_lines(mark.note)) for mark in response.marks),
        gains_db=response.gains_db, source="response", response_id=response.id, blind=response.blind,
    )  # fmt: skip
    for entry in log.decisions:
        if entry.response_id == response.id and _content(entry) == _content(decision):
            return entry, False
    _check(decision, head, heads)
    rounds_alone = not (decision.marks or decision.text or decision.gains_db)  # they take no answer back
    for entry in reversed(in_force(log.decisions)):
        same_person = entry.by.casefold() == by.casefold() and entry.identity == decision.identity
        if entry.response_id is not None and (entry.response_id == response.id or (same_person and not rounds_alone)):
            return replace(decision, supersedes=entry.id), True
    return decision, True


def _status_of(marks: Sequence[Mark], proposals: Sequence[Proposal]) -> str:
    if any(mark.mark == "to change" for mark in marks):
        return "to change"
    wanted = {proposal.id for proposal in asked(proposals)}
    return "agreed" if wanted and wanted <= {mark.proposal for mark in marks} else "note"


def _head_of(revision: str, identity: str, heads: Sequence[DataHead], *, answers: bool = False) -> DataHead:
    if not heads:
        raise ArchiveError("the archive holds no revision of this beat; build it first")
    if not revision and not identity:
        return heads[-1]
    for head in reversed(heads):
        if (identity and head.revision.identity == identity) or (not identity and head.revision.id == revision):
            return head
    slug, known = heads[-1].beat.slug, ", ".join(head.revision.id for head in heads)
    if revision not in [head.revision.id for head in heads]:
        raise ArchiveError(f"{slug}: there is no revision {revision[:20]!r} (there: {known})")
    what = "the response answers" if answers else "the decision is about"
    raise ArchiveError(
        f"{slug}: {what} a {revision} that this archive does not hold: its identity is {identity[:12]}..., another "
        f"one's. It was made from another archive's page"
    )


def _check(decision: Decision, head: DataHead, heads: Sequence[DataHead]) -> None:
    """Refuse what does not fit the revision that a decision is about."""
    where = f"{head.beat.slug} {head.revision.id}"
    try:
        datetime.datetime.fromisoformat(decision.made)
    except ValueError:
        raise ArchiveError(f"the date {decision.made[:40]!r} is not an ISO 8601 date and time") from None
    texts = [decision.text, *(mark.note for mark in decision.marks)]
    if len(decision.by) > _LONGEST_NAME or max(map(len, texts)) > _LONGEST_TEXT:
        raise ArchiveError(f"{where}: a name or note is too long (names up to {_LONGEST_NAME} signs, notes up to "
                           f"{_LONGEST_TEXT})")  # fmt: skip
    known = {proposal.id for proposal in head.proposals}
    seen: set[str] = set()
    for mark in decision.marks:
        if mark.proposal not in known:
            raise ArchiveError(f"{where}: it marks {mark.proposal[:80]!r}, which this revision does not propose")
        if mark.mark not in MARKS:
            raise ArchiveError(f"{where}: mark {mark.mark[:40]!r} of {mark.proposal!r}: one of {', '.join(MARKS)}")
        if mark.proposal in seen:
            raise ArchiveError(f"{where}: {mark.proposal!r} is marked twice")
        seen.add(mark.proposal)
    parts = {part.id for part in head.balance.parts}
    for part, gain in decision.gains_db.items():
        if part not in parts:
            raise ArchiveError(f"{where}: a gain for {part[:80]!r}, which is no part of this revision's balance")
        if not math.isfinite(gain) or abs(gain) > _GAIN_LIMIT_DB:
            raise ArchiveError(f"{where}: a gain of {gain} dB for {part!r}; the limit is {_GAIN_LIMIT_DB:g} dB")
    ears.check(decision.blind, head, heads, where)


def _content(decision: Decision) -> tuple[object, ...]:
    said = decision.identity, decision.by, decision.text, decision.marks, dict(decision.gains_db)
    return *said, [msgspec.to_builtins(run) for run in decision.blind]


def _clean_lines(text: str) -> str:
    """Each line cleaned as a title is; the line breaks stay."""
    return "\n".join(clean(line) for line in text.splitlines()).strip()
