"""`dossier demo` and `dossier build`: beat folders in, revisions in the archive out."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct, field
from msgspec.structs import replace

from dossier import paths
from dossier.cli.output import (
    ARCHIVE,
    ARCHIVE_HELP,
    DONE,
    FAILED,
    USAGE,
    Commands,
    add_engine,
    add_given,
    engine_of,
    fail,
    fault,
    given_of,
    note,
    now,
    number_of,
    print_built,
    print_json,
    say,
)
from dossier.errors import BeatError, DossierError, MachineError
from dossier.model.beat import Given
from dossier.parallel import HERE, Engine
from dossier.paths import name_of, shown
from dossier.terminal import Progress

if TYPE_CHECKING:
    from dossier.archive import Archive
    from dossier.cache import Cache
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
    build.add_argument("--jobs", type=number_of("processes"), default=0, metavar="N",
                       help="processes to use (default: one a core)")  # fmt: skip
    build.add_argument("--json", action="store_true", help="print what was built as JSON")
    build.add_argument("--all-candidates", action="store_true",
                       help="list every drum file with its score in a CSV beside the page")  # fmt: skip
    add_engine(build)
    build.add_argument("--watch", action="store_true",
                       help="build again whenever files of a beat changed and settled, until Ctrl-C")  # fmt: skip
    build.set_defaults(run=_build)


def _demo(arguments: argparse.Namespace) -> int:
    from dossier.demo import run

    beats = arguments.beats if arguments.beats is not None else arguments.out.parent / "demo-audio"
    paths.ready(arguments.out)
    with Progress(0, note=note) as progress:

        def built(done: Built) -> None:
            with progress.aside():
                print_built(done)

        index = run(arguments.out, beats, made=now(), say=progress.item(""), built=built)
    print(f"\nOpen {shown(index)}")
    return DONE


class _Outcome(Struct, frozen=True):
    """What became of one beat, here or on a worker: a fault of one must not cost the others."""

    built: Built | None
    told: str = ""  # why it was not built
    bad_input: bool = False
    unkept: str = ""  # why results could not be put into the cache


def _attempt(
    place: Path, *, out: Path, cache: Cache, made: str, given: Given, say: Callable[[str], None] = lambda _: None,
    note: Callable[[str], None] | None = None, engine: Engine = HERE,
) -> _Outcome:  # fmt: skip
    from dossier import pipeline
    from dossier.archive import Archive

    archive = Archive(out, say=note)
    try:
        built = pipeline.build(place, archive, cache=cache, made=made, say=say, engine=engine, given=given)
    except Exception as error:
        told = str(error) if isinstance(error, DossierError) else fault(error, name_of(place))
        return _Outcome(None, told, isinstance(error, BeatError), unkept=cache.refused)
    return _Outcome(built, unkept=cache.refused)


class _Builds(Struct):
    """What became of several beats."""

    arguments: argparse.Namespace
    given: Given
    archive: Archive
    progress: Progress
    engine: Engine
    results: list[dict[str, object]] = field(default_factory=list)
    failures: list[dict[str, str]] = field(default_factory=list)
    bad_input: int = 0
    left_out: bool = False

    def build(self, place: Path, *, briefly: bool = False) -> None:
        """Build one beat and say what became of it, `briefly` in one line."""
        from dossier.cache import Cache

        step = self.progress.item(name_of(place))
        self.take(place, _attempt(place, out=self.archive.root, cache=Cache(), made=now(), given=self.given, say=step,
                                  note=self.progress.note, engine=self.engine), briefly=briefly)  # fmt: skip

    def build_away(self, places: Sequence[Path]) -> None:
        """Build whole beats on the workers, whose paths are the same as here."""
        from dossier.cache import Cache

        given = replace(self.given, drums=tuple(path.absolute() for path in self.given.drums))
        away = partial(_attempt, out=self.archive.root.absolute(), cache=Cache(), made=now(), given=given)
        step = self.progress.item("")
        whole = [path.absolute() for path in places]
        for place, outcome in zip(places, self.engine.each(away, whole, what="beats", say=step), strict=True):
            self.take(place, outcome)

    def take(self, place: Path, done: _Outcome, *, briefly: bool = False) -> None:
        """Note and print what became of a beat."""
        from dossier import pipeline

        name, built = name_of(place), done.built
        if self.engine.client is not None and done.unkept:
            self.left_out = True
            with self.progress.aside():
                fail(f"{name}: the shared cache takes no more ({done.unkept}); the next build measures again")
        if built is None:
            self.failures.append({"beat": name, "error": done.told})
            self.bad_input += done.bad_input
            with self.progress.aside():
                fail("; ".join(done.told.splitlines()) if briefly else done.told)
            return
        page = shown(self.archive.root / built.page.relative_to(built.page.parents[1]))
        self.results.append({
            "beat": built.slug, "title": built.title, "revision": built.revision, "new": built.new,
            "page": page, "verdict": built.verdict, "warnings": [*built.warnings], "left_out": [*built.left_out],
        })  # fmt: skip
        self.left_out = self.left_out or bool(built.left_out)
        with self.progress.aside():
            if briefly:
                pipeline.index(self.archive)
                state = "new" if built.new else "unchanged since"
                say(f"{built.title}: {state} {built.revision}: {page}")
            elif not self.arguments.json:
                print_built(replace(built, page=Path(page)))
            for what in built.left_out:
                fail(f"{name}: left out: {what}")


def _build(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive

    given = replace(given_of(arguments, len(arguments.beats), arguments.out), all_candidates=arguments.all_candidates)
    paths.ready(arguments.out, arguments.beats, given)
    stopped: MachineError | None = None
    with (
        Progress(len(arguments.beats), note=None if arguments.watch else note) as progress,
        engine_of(arguments, jobs=arguments.jobs, tell=progress.note) as engine,
    ):
        done = _Builds(arguments, given, Archive(arguments.out, say=progress.note), progress, engine)
        if arguments.watch:
            return _watch(done)
        if engine.client is not None and len(arguments.beats) > 1:
            try:
                done.build_away(arguments.beats)
            except MachineError as error:  # beats that were finished stay
                stopped = error
        else:
            for place in arguments.beats:
                done.build(place)
        index = pipeline.index(done.archive) if done.results else None
    if stopped is not None:
        left = len(arguments.beats) - len(done.results) - len(done.failures)
        done.failures.append({"beat": "", "error": str(stopped)})
        fail(f"{stopped} ({left} of {len(arguments.beats)} beats are not built)")
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
