"""Response files, odd and bad, for a beat `lantern-market` whose only revision is `factory.dossier(bars=1)`."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import factory

NOT_ONE = "not a response file"
DATA = factory.dossier(bars=1)


@dataclass(frozen=True, slots=True)
class Answer:
    """A response file; `says` are words of the refusal, None where it is taken in."""

    name: str
    raw: bytes
    says: str | None


def changed(name: str, says: str | None, /, **values: Any) -> Answer:
    """A good response with other values; `...` leaves a field out."""
    tree = {key: value for key, value in (factory.response(DATA) | values).items() if value is not ...}
    return Answer(name, json.dumps(tree).encode(), says)


def mark(name: str, says: str | None, /, **values: Any) -> Answer:
    return changed(name, says, marks=[{"proposal": "approach", "mark": "agreed", "note": "", **values}])


def with_text(name: str, says: str | None, old: str, new: str) -> Answer:
    """A good response whose JSON text is changed."""
    text = json.dumps(factory.response(DATA))
    assert old in text
    return Answer(name, text.replace(old, new).encode(), says)


def blind(name: str, says: str | None, /, *, said: str = "tttt", task: str = "preference", **values: Any) -> Answer:
    return changed(name, says, format_version=2, blind=[factory.blind_run(said, task=task, **values)])


GOOD = json.dumps(factory.response(DATA)).encode()
IDENTITY = DATA.revision.identity
DEEP = 100_000

ANSWERS = (
    Answer("empty", b"", NOT_ONE), Answer("space", b" \n", NOT_ONE), Answer("brace", b"{", NOT_ONE),
    Answer("list", b"[]", NOT_ONE), Answer("null", b"null", NOT_ONE), Answer("text", b'"text"', NOT_ONE),
    Answer("number", b"7", NOT_ONE), Answer("utf-16 mark", b"\xff\xfe", NOT_ONE), Answer("page", b"<html>", NOT_ONE),
    Answer("half of utf-16", GOOD.decode().encode("utf-16")[:-1], NOT_ONE),
    Answer("latin-1", b'{"name": "\xfc"}', NOT_ONE),
    Answer("nested lists", b"[" * DEEP, NOT_ONE), Answer("nested tables", b'{"a":' * DEEP, NOT_ONE),
    Answer("closed nested lists", b"[" * DEEP + b"]" * DEEP, NOT_ONE),
    Answer("too large", b"{" + b" " * 2_000_000 + b"}", NOT_ONE), Answer("half", GOOD[: len(GOOD) // 2], NOT_ONE),
    Answer("two in one", GOOD + GOOD, NOT_ONE), Answer("comment", b"// hello\n" + GOOD, NOT_ONE),
    Answer("nul in front", b"\0" + GOOD, NOT_ONE), Answer("comma at the end", GOOD[:-1] + b",}", NOT_ONE),
    Answer("single quotes", GOOD.replace(b'"', b"'"), NOT_ONE), Answer("zip", b"PK\3\4" + bytes(40), NOT_ONE),
    Answer("NaN", GOOD[:-1] + b', "x": NaN}', NOT_ONE), Answer("invalid escape", b'{"format": "\\q"}', NOT_ONE),
    Answer("control character", b'{"format": "a\x01b"}', NOT_ONE),
    with_text("5,000 digits of format_version", "response", '"format_version": 1', f'"format_version": {"9" * 5_000}'),
    with_text("400 digits of format_version", "response", '"format_version": 1', f'"format_version": {"9" * 400}'),
    with_text("trillion below zero", "not a format", '"format_version": 1', '"format_version": -1000000000000'),
    with_text("fraction of a version", "damaged", '"format_version": 1', '"format_version": 1.5'),
    with_text("huge exponent", "damaged", '"gains_db": {}', '"gains_db": {"kick": 1e999}'),
    with_text("5,000 digits of gain", "", '"gains_db": {}', f'"gains_db": {{"kick": {"9" * 5_000}}}'),
    with_text("lone surrogate", "", '"notes": ""', '"notes": "\\ud800"'),
    changed("other format", "'format' is 'something else', expected 'dossier response'", format="something else"),
    changed("format of control characters", r"'\x1b[31m'", format="\x1b[31m"),
    changed("format is a table", "'format' is", format={"a": 1}), changed("no format", "'nothing'", format=...),
    changed("newer version", "newer page", format_version=3), changed("version 0", "not a format", format_version=0),
    changed("version is text", "damaged", format_version="1"), changed("version is true", "", format_version=True),
    changed("no version", "damaged", format_version=...),
    changed("no id", "'id' is empty", id=""), changed("long id", "too long", id="x" * 201),
    changed("number as id", "damaged", id=7), changed("id left out", "damaged", id=...),
    changed("other beat", "holds no beat 'night-depot'", beat="night-depot"), changed("no beat", "no beat", beat=""),
    changed("beat above", "holds no beat", beat="../lantern-market"), changed("beat is a dot", "no beat", beat="."),
    changed("beat is root", "holds no beat", beat="/"), changed("beat below", "no beat", beat="lantern-market/x"),
    changed("beat with nul", "holds no beat", beat="lantern-market\0"), changed("beat left out", "damaged", beat=...),
    changed("beat of escapes", r"\x1b", beat="\x1b[2J"), changed("beat in capitals", "no beat", beat="Lantern-Market"),
    changed("long beat", "holds no beat", beat="x" * 100_000),
    changed("revision unknown", "no revision 'r007' (there: r001)", revision="r007", identity="cd" * 32),
    changed("revision of escapes", r"\x1b", revision="\x1b[2J", identity="cd" * 32),
    changed("no revision", "does not say which revision", revision=""),
    changed("blank revision", "does not say which revision", revision=" \t"),
    changed("no identity", "does not say which revision", identity=""),
    changed("blank identity", "does not say which revision", identity="\n"),
    changed("neither", "does not say which revision", identity="", revision=""),
    changed("identity left out", "damaged", identity=...), changed("identity is null", "damaged", identity=None),
    changed("other identity", "made from another archive's page", identity="cd" * 32),
    changed("identity in capitals", "another archive's page", identity=IDENTITY.upper()),
    changed("identity with space", "another archive's page", identity=f" {IDENTITY}"),
    changed("date in words", "ISO 8601", made="now"), changed("no date", "ISO 8601", made=""),
    changed("date of escapes", r"\x1b", made="\x1b[2J"), changed("day that is none", "ISO 8601", made="2026-02-30"),
    changed("long name", "too long", name="x" * 500), changed("name is a number", "damaged", name=7),
    changed("long notes", "too long", notes="x" * 20_001), changed("marks are text", "damaged", marks="all"),
    changed("marks are texts", "damaged", marks=["approach"]), changed("marks are null", "damaged", marks=None),
    mark("mark of nothing", "does not propose", proposal="gain:tuba"), mark("no proposal", "propose", proposal=""),
    mark("mark of escapes", r"\x1b", proposal="\x1b]0;x\x07"), mark("other mark", "one of", mark="perhaps"),
    mark("mark in capitals", "one of", mark="Agreed"), mark("mark is null", "damaged", mark=None),
    mark("long note", "too long", note="x" * 20_001),
    changed("marked twice", "marked twice", marks=[{"proposal": "approach", "mark": "agreed", "note": ""}] * 2),
    changed("contradiction", "marked twice", marks=[{"proposal": "approach", "mark": each, "note": ""}
                                                    for each in ("agreed", "to change")]),
    changed("gain of nothing", "no part", gains_db={"tuba": 1}), changed("gain too high", "a gain of",
                                                                         gains_db={"kick": 61}),
    changed("gain of text", "damaged", gains_db={"kick": "loud"}), changed("gains are a list", "", gains_db=[1]),
    changed("gain of escapes", r"\x1b", gains_db={"\x1b[2J": 1.0}),
    Answer("utf-16", GOOD.decode().encode("utf-16"), None),
    Answer("as it is", GOOD, None), Answer("with a byte order mark", b"\xef\xbb\xbf" + GOOD, None),
    Answer("indented", json.dumps(json.loads(GOOD), indent=8).encode() + b"\r\n", None),
    changed("more than is known", None, extra={"deep": [1, 2, 3]}), changed("without a name", None, name=""),
    changed("name of markup", None, name='"><img src=x onerror=alert(1)>'),
    changed("name of hidden characters", None, name="Mara\u202e\x1b[31m\0Example"),
    changed("notes of markup", None, notes="</script><script>window.broken = 1</script>"),
    changed("notes lead away", None, notes='<meta http-equiv=refresh content="0;url=https://invalid.example/">'),
    changed("notes of formulas", None, notes="=cmd|' /C calc'!A0"), changed("largest gain", None,
                                                                           gains_db={"kick": -60.0}),
    changed("nothing marked", None, marks=[]), changed("wrong revision, right identity", None, revision="r007"),
    changed("of version 2", None, format_version=2, blind=[factory.blind_run("ttunttuu")]),
    blind("stopped early", None, planned=16), blind("X told", None, task="discrimination", said="rrww"),
    blind("three rounds", "4 to 16 are possible", said="ttt"), blind("no rounds", "0 rounds where", said="", planned=8),
    blind("seventeen rounds", "4 to 16", said="t" * 17), blind("a billion planned", "4 to 16", planned=10**9),
    blind("more than planned", "8 rounds where 4 were", said="t" * 8, planned=4),
    blind("a number of 4,000 digits", "", planned=10**3999), blind("half a round", "damaged", planned=4.5),
    blind("other hash", "SHA-256", sounds=factory.SOUNDS | {"kick": "d4" * 32}),
    blind("a sound less", "SHA-256", sounds={"instrumental": "a1" * 32}), blind("no sounds", "SHA-256", sounds={}),
    blind("other pair", "no pair of this", comparison="choice"),
    blind("pair of escapes", r"\x1b", comparison="\x1b[2J"),
    blind("other task", "one of preference", task="taste"), blind("no day", "ISO 8601", made="yesterday"),
    blind("a third side", "no side", rounds=[{"a": "the loop", "said": "A"}]),
    blind("a third letter", "was not asked for", rounds=[{"a": factory.TREATED, "said": "C"}]),
    blind("X in a preference", "X cannot be", rounds=[{"a": factory.TREATED, "said": "A", "x": "B"}]),
    blind("no X", "X cannot be", task="discrimination", rounds=[{"a": factory.TREATED, "said": "A"}]),
    blind("no difference to X", "not asked", task="discrimination",
          rounds=[{"a": factory.TREATED, "said": "no difference", "x": "B"}]),
    changed("a thousand runs", "the limit is 64", blind=[factory.blind_run("tttt")] * 1000),
    changed("blind is text", "damaged", blind="treated"),
    with_text("a key twice", None, '"notes": ""', '"notes": "a", "notes": "b"'),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class NoFile:
    """What `--response` names is no file that can be read."""

    name: str
    make: Callable[[Path], object]
    says: str


def sparse(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(8 << 30)


NO_FILES = (
    NoFile("missing", lambda path: None, "is not there"),
    NoFile("folder", lambda path: path.mkdir(), "is a folder"),
    NoFile("pipe", lambda path: os.mkfifo(path), "is a pipe"),
    NoFile("zeros", lambda path: path.symlink_to("/dev/zero"), "is a device"),
    NoFile("sparse", sparse, "has more than 1 MiB"),
    NoFile("gone", lambda path: path.symlink_to("nowhere"), "link to a file that is gone"),
    NoFile("loop", lambda path: path.symlink_to(path), "leads back to itself"),
    NoFile("below a file", lambda path: None, "part of its path is a file"),
)
