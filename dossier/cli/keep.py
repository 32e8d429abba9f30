"""`dossier decide` and `index`: what happens to an archive after its beats are built."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from dossier import paths
from dossier.cli.output import ARCHIVE, ARCHIVE_HELP, DONE, Commands, note, now
from dossier.errors import ArchiveError, UnusableFileError
from dossier.files import read_bounded
from dossier.names import printable
from dossier.paths import name_of, shown


def add(commands: Commands) -> None:
    decide = commands.add_parser("decide", help="record a decision, or take in a response file")
    decide.add_argument("beat", metavar="BEAT", nargs="?",
                        help="the beat in the archive, by its name or title (not with --response)")  # fmt: skip
    decide.add_argument("-o", "--out", type=Path, default=ARCHIVE, metavar="DIR", help=ARCHIVE_HELP)
    decide.add_argument("--response", type=Path, metavar="FILE",
                        help="the answer that came back: a file, or its text as copied (-: from stdin)")  # fmt: skip
    decide.add_argument("--by", default="", metavar="NAME", help="who decides (needed with --text)")
    decide.add_argument("--text", default="", help="what was decided and why")
    decide.add_argument("--status", choices=("agreed", "to change", "note"), default="note",
                        help="where the beat stands after it (default: note)")  # fmt: skip
    decide.add_argument("--gain", action="append", default=[], metavar="PART=DB", help="a gain that was agreed")
    decide.add_argument("--revision", default="", metavar="ID", help="of which revision it speaks (default: newest)")
    decide.add_argument("--supersedes", default=None, metavar="ID", help="an earlier decision that this one replaces")
    decide.set_defaults(run=_decide)

    index = commands.add_parser("index", help="rebuild the archive page from the data files alone")
    index.add_argument("archive", type=Path, metavar="DIR", nargs="?", default=ARCHIVE, help=ARCHIVE_HELP)
    index.set_defaults(run=_index)


def _decide(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.archive.decisions import LARGEST_RESPONSE
    from dossier.model.datafile import Decision

    paths.archive_at(arguments.out)
    archive = Archive(arguments.out, say=note)
    if arguments.response is not None:
        if arguments.beat or arguments.text or arguments.gain:
            raise ArchiveError("a response file says itself what it decides: give --response alone")
        try:
            pasted = str(arguments.response) == "-"
            raw = (sys.stdin.buffer.read(LARGEST_RESPONSE + 1) if pasted
                   else read_bounded(arguments.response, LARGEST_RESPONSE))  # fmt: skip
        except UnusableFileError as error:
            raise ArchiveError(f"{name_of(arguments.response)}: {error}") from None
        slug, done, new = archive.take_in(raw, received=now())
    else:
        if not arguments.beat or not arguments.text:
            raise ArchiveError(
                "nothing to record: name a beat and say what was decided with --text, or give a file with --response"
            )
        if not arguments.by.strip():
            raise ArchiveError("a decision needs the name of who made it: say it with --by")
        decision = Decision(
            id="", made=now(), revision=arguments.revision, identity="", by=arguments.by, status=arguments.status,
            text=arguments.text, gains_db=_gains(arguments.gain), supersedes=arguments.supersedes,
        )  # fmt: skip
        slug = paths.slug_of(arguments.beat, archive)
        done, new = archive.record(slug, decision), True
    if new:
        print(f"{slug}: {done.id} on {done.revision} by {printable(done.by)}: {done.status}")
    pipeline.index(archive)
    return DONE


def _gains(told: Sequence[str]) -> dict[str, float]:
    gains = {}
    for entry in told:
        part, _, value = entry.partition("=")
        try:
            gains[part.strip().replace(" ", "-")] = float(value)
        except ValueError:
            raise ArchiveError(f"--gain {entry!r}: write it as PART=DB, for example kick=-3.5") from None
    return gains


def _index(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive

    paths.archive_at(arguments.archive)
    archive = Archive(arguments.archive, say=note)
    if not archive.slugs() and not (arguments.archive / "archive.json").exists():
        raise ArchiveError(f"{shown(arguments.archive)}: holds no dossier; name the folder that `dossier build` wrote")
    print(f"Open {shown(pipeline.index(archive))}")
    return DONE
