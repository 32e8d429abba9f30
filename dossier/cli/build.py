"""`dossier demo` and `dossier build`: beat folders in, revisions in the archive out."""

from __future__ import annotations

import argparse
import re
from dataclasses import dataclass, field
from functools import partial
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
    say,
)
from dossier.errors import BeatError, DossierError
from dossier.model.beat import Given
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
    build.add_argument("--watch", action="store_true",
                       help="build again whenever files of a beat changed and settled, until Ctrl-C")  # fmt: skip
    build.set_defaults(run=_build)


def _count(text: str) -> int:
    if not re.fullmatch(r"0*[1-9][0-9]{0,8}", text):
        raise argparse.ArgumentTypeError(f"{text[:20]!r} is no number of processes from 1 up")
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


@dataclass(slots=True)
class _Builds:
    """Beats built one after the other: one must not cost the others, not even by a fault of the program."""

    arguments: argparse.Namespace
    given: Given
    archive: Archive
    progress: Progress
    results: list[dict[str, object]] = field(default_factory=list)
    failures: list[dict[str, str]] = field(default_factory=list)
    bad_input: int = 0
    left_out: bool = False

    def build(self, place: Path, *, briefly: bool = False) -> None:
        """Build one beat and say what became of it, `briefly` in one line."""
        from dossier import pipeline
        from dossier.cache import Cache
        from dossier.parallel import bounded

        name, jobs = name_of(place), bounded(self.arguments.jobs)
        try:
            built = pipeline.build(place, self.archive, cache=Cache(), made=now(), say=self.progress.item(name),
                                   jobs=jobs, given=self.given)  # fmt: skip
            lost, remarks = _left_out(self.archive, built)
        except Exception as error:
            told = str(error) if isinstance(error, DossierError) else fault(error, name)
            self.failures.append({"beat": name, "error": told})
            self.bad_input += isinstance(error, BeatError)
            with self.progress.aside():
                fail("; ".join(told.splitlines()) if briefly else told)
            return
        self.results.append({
            "beat": built.slug, "title": built.title, "revision": built.revision, "new": built.new,
            "page": shown(built.page), "verdict": built.verdict, "warnings": remarks, "left_out": lost,
        })  # fmt: skip
        self.left_out = self.left_out or bool(lost)
        with self.progress.aside():
            if briefly:
                pipeline.index(self.archive)
                state = "new" if built.new else "unchanged since"
                say(f"{built.title}: {state} {built.revision}: {shown(built.page)}")
            elif not self.arguments.json:
                print_built(built, remarks)
            for what in lost:
                fail(f"{name}: left out: {what}")


def _build(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive

    given = given_of(arguments, len(arguments.beats))
    paths.ready(arguments.out, arguments.beats, given)
    with Progress(len(arguments.beats), note=None if arguments.watch else note) as progress:
        done = _Builds(arguments, given, Archive(arguments.out, say=progress.note), progress)
        if arguments.watch:
            return _watch(done)
        for place in arguments.beats:
            done.build(place)
        index = pipeline.index(done.archive) if done.results else None
    if arguments.json:
        print_json({"built": done.results, "failed": done.failures})
    elif index is not None:
        print(f"\nOpen {shown(index)}")
    if done.failures and not done.results and done.bad_input == len(done.failures):
        return USAGE
    return FAILED if done.failures or done.left_out else DONE


def _watch(done: _Builds) -> int:
    from dossier.cli.watch import watch

    try:
        watch(done.arguments.beats, done.given, done.arguments.out, partial(done.build, briefly=True))
    except KeyboardInterrupt:
        note("watching ended")
    return DONE


def _left_out(archive: Archive, built: Built) -> tuple[list[str], list[str]]:
    """What is said of files that could not be used, and the other remarks on a revision."""
    data = archive.latest(built.slug)
    if data is None:
        return [], list(built.warnings)
    unread = tuple(f"{entry.file}: " for entry in data.inputs if not entry.used and not entry.sha256)
    lost = [text for text in data.warnings if unread and text.startswith(unread)]
    return lost, [text for text in data.warnings if text not in lost]
