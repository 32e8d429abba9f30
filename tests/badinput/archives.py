"""Archives that somebody else wrote to: a good one with one revision of `lantern-market`, and what was done to it."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

SLUG = "lantern-market"
FIRST, LOG = f"{SLUG}-r001.json", "decisions.jsonl"


@dataclass(frozen=True, slots=True)
class BadArchive:
    """`do` gets the beat's folder.  `says` are words of what is told meanwhile ('' for nothing).

    `listed` revisions can be read afterwards.  `turn` is the next revision's name; `refuses` are words of the refusal
    to publish it, `undecided` those of the refusal to record a decision.
    """

    name: str
    do: Callable[[Path], object]
    says: str = ""
    listed: int = 1
    turn: str = "r002"
    refuses: str | None = None
    undecided: str | None = None


def data(content: bytes, name: str = FIRST) -> Callable[[Path], object]:
    return lambda folder: (folder / name).write_bytes(content)


def log(content: bytes) -> Callable[[Path], object]:
    return data(content, LOG)


def edited(old: bytes, new: bytes, name: str = FIRST) -> Callable[[Path], object]:
    def do(folder: Path) -> None:
        whole = (folder / FIRST).read_bytes()
        assert old in whole
        (folder / name).write_bytes(whole.replace(old, new, 1))

    return do


def version(number: str) -> Callable[[Path], object]:
    return lambda folder: data(b'{"format_version": ' + number.encode() + b"}")(folder)


def instead(name: str, make: Callable[[Path], object]) -> Callable[[Path], object]:
    """Something else in a file's place."""

    def do(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        make(folder / name)

    return do


def sparse(size: int) -> Callable[[Path], object]:
    def make(path: Path) -> None:
        path.touch()
        os.truncate(path, size)

    return make


def linked(target: str) -> Callable[[Path], object]:
    """A link to something in the folder `elsewhere` beside the archive."""
    return lambda path: path.symlink_to(path.parents[2] / "elsewhere" / target)


def moved(folder: Path) -> None:
    """The beat's folder lies elsewhere, a link leads there."""
    there = folder.parents[1] / "elsewhere" / "beat"
    folder.rename(there)
    (there / ".x.html.7-0.part").write_bytes(b"another's")
    folder.symlink_to(there)


def decided(revision: str = "r001", id: str = "d0001") -> bytes:
    """A line of the log."""
    return (
        f'{{"id":"{id}","made":"2026-03-02T09:00:00Z","revision":"{revision}","identity":"{"cd" * 32}",'
        f'"by":"Mara Example","status":"note","text":"x"}}\n'
    ).encode()


def beside(name: str) -> Callable[[Path], object]:
    """Another file in the beat's folder."""
    return data(b"{}", name)


GIB_8 = 8 << 30
NO_DATA, TOO_LARGE = "damaged, or not a data file", "more than 32 MiB"
DAMAGED = f"{LOG}: line 1 is damaged"

BAD_ARCHIVES = (
    BadArchive("nothing", lambda folder: None),
    *(BadArchive(f"data file {name}", data(content), NO_DATA, 0) for name, content in (
        ("empty", b""), ("brace", b"{"), ("list", b"[]"), ("null", b"null"), ("text", b'"x"'), ("nul", bytes(99)),
        ("utf-16", '{"format_version": 1}'.encode("utf-16")), ("nested", b"[" * 100_000), ("page", b"<html>"),
        ("nested tables", b'{"format_version": 1, "beat": ' + b'{"a":' * 100_000), ("cut", b'{"format_version": 1, "b'),
        ("key of the version alone", b'{"format_version"'), ("no version", b'{"beat": {}}'),
        ("only its version", b'{"format_version": 1}'), ("latin-1", b'{"format_version": 1, "program": "\xfc"}'),
    )),
    *(BadArchive(f"version {number[:20]}", version(number), says, 0) for number, says in (
        ("-1000000000000", "is not a format of this program"), ("-1", "is not a format of this program"),
        ("0", "is not a format of this program"), ("99", "newer version"), ("999999999999999999", "newer version"),
        ("9" * 400, ""), ("9" * 5_000, ""), ("1e3", ""), ("1.5", NO_DATA), ("true", NO_DATA), ('"1"', NO_DATA),
        ("null", NO_DATA), ("NaN", NO_DATA),
    )),
    BadArchive("data of another beat", edited(b'"slug": "lantern-market"', b'"slug": "night-depot"'), "not what", 0),
    BadArchive("data of another number", edited(b'"id": "r001"', b'"id": "r007"'), "not what its name says", 0),
    BadArchive("slug leads up", edited(b'"slug": "lantern-market"', b'"slug": "../../elsewhere"'), "not what its", 0),
    BadArchive("title is a table", edited(b'"title": "', b'"title": {}, "was": "'), NO_DATA, 0),
    BadArchive("fill is text", edited(b'"fill": ', b'"fill": "x", "was": '), NO_DATA, 0),
    BadArchive("huge exponent", edited(b'"fill": ', b'"fill": 1e999, "was": '), NO_DATA, 0),
    BadArchive("data a pipe", instead(FIRST, os.mkfifo), "is a pipe", 0),
    BadArchive("data a folder", instead(FIRST, Path.mkdir), "is a folder", 0),
    BadArchive("data endless", instead(FIRST, lambda path: path.symlink_to("/dev/zero")), "is a link", 0),
    BadArchive("data sparse", instead(FIRST, sparse(GIB_8)), TOO_LARGE, 0),
    BadArchive("data a link", instead(FIRST, linked("file")), "is a link", 0),
    BadArchive("data a loop", instead(FIRST, lambda path: path.symlink_to(path)), "is a link", 0),
    BadArchive("data gone", lambda folder: (folder / FIRST).unlink(), listed=0, turn="r001"),
    BadArchive("page gone", lambda folder: (folder / f"{SLUG}-r001.html").unlink()),
    BadArchive("page a link", instead(f"{SLUG}-r001.html", linked("file"))),
    BadArchive("next page a link", instead(f"{SLUG}-r002.html", linked("file"))),
    BadArchive("next renders a link", instead(f"{SLUG}-r002", linked("folder"))),
    BadArchive("next data a link", instead(f"{SLUG}-r002.json", linked("file")), "is a link", turn="r003"),
    BadArchive("leftover a link", instead(".x.json.7-0.part", linked("folder"))),
    BadArchive("beat a link", moved, "is a link, which an archive does not follow", 0, "r001", "is a link", "no beat"),
    BadArchive("log a link", instead(LOG, linked("file")), "", 1, "", "is a link", "is a link"),
    BadArchive("log a link to nothing", instead(LOG, linked("new")), "", 1, "", "is a link", "is a link"),
    BadArchive("log a pipe", instead(LOG, os.mkfifo), "", 1, "", "is a pipe", "is a pipe"),
    BadArchive("log a folder", instead(LOG, Path.mkdir), "", 1, "", "is a folder", "is a folder"),
    BadArchive("log sparse", instead(LOG, sparse(GIB_8)), "", 1, "", TOO_LARGE, TOO_LARGE),
    BadArchive("log with a byte order mark", log(b"\xef\xbb\xbf" + decided())),
    *(BadArchive(f"log of {name}", log(content + b"\n"), DAMAGED) for name, content in (
        ("text", b"hello"), ("nul", bytes(9)), ("nested", b"[" * 100_000), ("list", b"[]"), ("utf-16", b"\xff\xfe{\0"),
        ("number as id", decided().replace(b'"d0001"', b"1")), ("surrogate", b'{"id": "\\ud800"}'),
    )),
    BadArchive("decided on r999999", log(decided("r999999")), turn="r1000000"),
    BadArchive("decided on r999999999", log(decided("r999999999")), turn="r1000000000"),
    BadArchive("decided on 18 nines", log(decided("r" + "9" * 18)), turn="r1" + "0" * 18),
    BadArchive("decided on 19 nines", log(decided("r" + "9" * 19))),
    BadArchive("decided on 5,000 digits", log(decided("r" + "9" * 5_000))),
    BadArchive("decided on r-1", log(decided("r-1"))), BadArchive("decided on nothing", log(decided(""))),
    BadArchive("decided on escapes", log(decided("\\u001b[2J"))),
    BadArchive("id of 5,000 digits", log(decided(id="d" + "9" * 5_000))),
    BadArchive("id of 18 digits", log(decided(id="d" + "9" * 18) + decided(id="d1" + "0" * 18))),
    BadArchive("id that comes next", log(decided(id="d0002"))),
    BadArchive("data file r999999", beside(f"{SLUG}-r999999.json"), NO_DATA, turn="r1000000"),
    BadArchive("data file r1000000", beside(f"{SLUG}-r1000000.json"), NO_DATA, turn="r1000001"),
    BadArchive("data file of 18 nines", beside(f"{SLUG}-r{'9' * 18}.json"), NO_DATA, turn="r1" + "0" * 18),
    BadArchive("data file r0007", beside(f"{SLUG}-r0007.json")), BadArchive("data file r1", beside(f"{SLUG}-r1.json")),
    BadArchive("other digits", beside(f"{SLUG}-r\u0661\u0662\u0663.json")),
    BadArchive("data file r000", beside(f"{SLUG}-r000.json"), NO_DATA),
    BadArchive("sign", beside(f"{SLUG}-r-01.json")), BadArchive("of another", beside("night-depot-r007.json")),
    BadArchive("name of bytes", beside(f"{SLUG}-r00\udcff.json")), BadArchive("line\nbreak", beside("a\nb-r001.json")),
    BadArchive("foreign file", lambda folder: (folder.parent / "notes.txt").write_text("x")),
    BadArchive("foreign folder", lambda folder: (folder.parent / "\udcff\x1b[2J").mkdir()),
    BadArchive("linked folder beside", lambda folder: (folder.parent / "also").symlink_to(folder), "is a link"),
)  # fmt: skip
