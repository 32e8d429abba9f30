"""`dossier demo` and `dossier build`: beat folders in, revisions in the archive out."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from dossier import paths
from dossier.cli.output import (
    ARCHIVE,
    ARCHIVE_HELP,
    DONE,
    FAILED,
    USAGE,
    add_given,
    fail,
    fault,
    given_of,
    note,
    now,
    print_built,
    print_json,
)
from dossier.errors import BeatError, DossierError
from dossier.paths import name_of, shown
from dossier.terminal import Progress

if TYPE_CHECKING:
    from dossier.archive import Archive
    from dossier.cli.output import Commands
    from dossier.pipeline import Built


def add(commands: Commands) -> None:
    demo = commands.add_parser("demo", help="write the demo beats, build their archive, print where to look")
    demo.add_argument("-o", "--out", type=Path, default=ARCHIVE, metavar="DIR", help=ARCHIVE_HELP)
    demo.add_argument("--beats", type=Path, default=None, metavar="DIR",
                      help="where the demo's audio goes (default: demo-audio, beside the archive)")  # fmt: skip
    demo.set_defaults(run=_demo)

    build = commands.add_parser("build", help="build or refresh the dossiers of one or more beats")
    build.add_argument("beats", nargs="+", type=Path, metavar="BEAT",
                       help="a beat folder (stems/, drums/, beat.toml) or one bounced file")  # fmt: skip
    add_given(build)
    build.add_argument("-o", "--out", type=Path, default=ARCHIVE, metavar="DIR", help=ARCHIVE_HELP)
    build.add_argument("--jobs", type=_count, default=0, metavar="N", help="processes to use (default: one a core)")
    build.add_argument("--json", action="store_true", help="print what was built as JSON")
    build.set_defaults(run=_build)


def _count(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes from 1 up")
    return int(text)


def _demo(arguments: argparse.Namespace) -> int:
    from dossier.demo import run

    beats = arguments.beats if arguments.beats is not None else arguments.out.parent / "demo-audio"
    paths.ready(arguments.out)
    with Progress(0, note=note) as progress:

        def built(done: Built) -> None:
            with progress.aside():
                print_built(done, done.warnings)

        index = run(arguments.out, beats, made=now(), say=progress.item(""), built=built)
    print(f"\nOpen {shown(index)}")
    return DONE


def _build(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.cache import Cache
    from dossier.parallel import bounded

    given = given_of(arguments, len(arguments.beats))
    paths.ready(arguments.out, arguments.beats, given)
    results, failures, bad_input, left_out = [], [], 0, False
    with Progress(len(arguments.beats), note=note) as progress:
        archive, cache = Archive(arguments.out, say=progress.note), Cache()
        for folder in arguments.beats:
            name = name_of(folder)
            try:
                built = pipeline.build(folder, archive, cache=cache, made=now(), say=progress.item(name),
                                       jobs=bounded(arguments.jobs), given=given)  # fmt: skip
                lost, remarks = _left_out(archive, built)
            except Exception as error:
                # One beat must not cost the others, not even by a fault of the program: it is named instead.
                told = str(error) if isinstance(error, DossierError) else fault(error, name)
                failures.append({"beat": name, "error": told})
                bad_input += isinstance(error, BeatError)
                with progress.aside():
                    fail(told)
                continue
            results.append({
                "beat": built.slug, "title": built.title, "revision": built.revision, "new": built.new,
                "page": shown(built.page), "verdict": built.verdict, "warnings": remarks, "left_out": lost,
            })  # fmt: skip
            left_out = left_out or bool(lost)
            with progress.aside():
                if not arguments.json:
                    print_built(built, remarks)
                for what in lost:
                    fail(f"{name}: left out: {what}")
        index = pipeline.index(archive) if results else None
    if arguments.json:
        print_json({"built": results, "failed": failures})
    elif index is not None:
        print(f"\nOpen {shown(index)}")
    if failures and not results and bad_input == len(failures):
        return USAGE
    return FAILED if failures or left_out else DONE


def _left_out(archive: Archive, built: Built) -> tuple[list[str], list[str]]:
    """What is said of files that could not be used, and the other remarks on a revision."""
    data = archive.latest(built.slug)
    if data is None:
        return [], list(built.warnings)
    unread = tuple(f"{entry.file}: " for entry in data.inputs if not entry.used and not entry.sha256)
    lost = [text for text in data.warnings if unread and text.startswith(unread)]
    return lost, [text for text in data.warnings if text not in lost]
