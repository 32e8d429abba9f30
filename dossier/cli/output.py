"""What every command shares: exit codes, what is printed and how a fault of the program is told."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dossier.errors import BeatError, Problem
from dossier.model.beat import Given
from dossier.names import clean
from dossier.paths import shown

if TYPE_CHECKING:
    from dossier.pipeline import Built

    Commands = argparse._SubParsersAction[Any]

DONE, FAILED, USAGE = 0, 1, 2
ARCHIVE = Path("site")
ARCHIVE_HELP = "the archive (default: %(default)s)"


def add_given(parser: argparse.ArgumentParser) -> None:
    """The options that add drums or another name to a beat."""
    parser.add_argument("--drums", action="append", type=Path, default=[], metavar="DIR",
                        help="a folder of drums outside the beat, with its sub-folders; may be repeated")  # fmt: skip
    for option, what in (("--include", "only files that this matches"), ("--exclude", "no file that this matches")):
        parser.add_argument(option, action="append", default=[], metavar="GLOB",
                            help=f"of those folders, {what}, such as '*kick*' or 'fx/*'; may be repeated")  # fmt: skip
    parser.add_argument("--name", default="", help="the beat's name in the archive (of one beat only)")


def given_of(arguments: argparse.Namespace, beats: int) -> Given:
    """What those options say of `beats` beats."""
    if arguments.name and beats > 1:
        raise BeatError([Problem("--name", "", f"names one beat, and {beats} are given; build them one by one")])
    if arguments.name and not clean(arguments.name):
        raise BeatError([Problem("--name", "", "has no visible character; give a name")])
    return Given(tuple(arguments.drums), tuple(arguments.include), tuple(arguments.exclude), arguments.name)


def now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def print_built(built: Built, remarks: Sequence[str]) -> None:
    state = "new" if built.new else "unchanged since"
    print(f"{built.title}: {state} {built.revision}\n    {built.verdict}\n    {shown(built.page)}")
    for remark in remarks:
        print(f"    note: {remark}")
    sys.stdout.flush()


def print_json(value: object) -> None:
    import json

    plain = (sys.stdout.encoding or "").lower().replace("-", "") != "utf8"
    print(json.dumps(value, indent=2, ensure_ascii=plain, allow_nan=False))


def note(message: str) -> None:
    print(message, file=sys.stderr)


def fail(message: str) -> None:
    for line in message.splitlines() or [""]:
        print(f"dossier: {line}", file=sys.stderr)


def fault(error: Exception, where: str = "") -> str:
    """A fault of the program itself, in one line."""
    reraise_if_asked(error)
    what = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
    return f"{where + ': ' if where else ''}a fault in dossier itself ({what}); please report it"


def reraise_if_asked(error: Exception) -> None:
    if os.environ.get("DOSSIER_TRACEBACK"):
        raise error


def stop_writing() -> None:
    """Nothing more can be written to standard output: spare the interpreter the attempt at its end."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
