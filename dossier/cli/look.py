"""`dossier measure`, `check` and `schema`: what can be known before anything is built."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dossier.cli.output import (
    ARCHIVE,
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
    print_json,
    say,
)
from dossier.errors import AudioError, BeatError, DossierError
from dossier.names import printable
from dossier.paths import name_of
from dossier.terminal import (
    MOST_ROWS,
    TABLE_WIDTH,
    Progress,
    as_object,
    console,
    overview_lines,
    overview_object,
    overview_table,
    tables,
)

if TYPE_CHECKING:
    from dossier.stages.overview import Overview


def add(commands: Commands) -> None:
    measure = commands.add_parser("measure", help="the measurements of single files, as a table or JSON")
    measure.add_argument("files", nargs="+", type=Path, metavar="FILE",
                         help="a sound file (wav, aiff, flac, mp3, ogg), or a folder of them")  # fmt: skip
    add_engine(measure)
    measure.add_argument("--json", action="store_true", help="an array, one object a file")
    measure.set_defaults(run=_measure)

    check = commands.add_parser("check", help="what is found in beats, and what is wrong with them, before a build")
    check.add_argument("beats", nargs="+", type=Path, metavar="BEAT", help="a beat folder or one bounced file")
    add_given(check)
    check.add_argument("--archive", type=Path, default=ARCHIVE, metavar="DIR",
                       help="the archive that a build would add to (default: %(default)s)")  # fmt: skip
    check.add_argument("--all", action="store_true", help="list every drum, however many there are")
    check.add_argument("--json", action="store_true", help="an array, one object a beat, with every file")
    check.set_defaults(run=_check)

    schema = commands.add_parser("schema", help="JSON Schema of beat.toml and of the data file")
    schema.add_argument("what", choices=("beat", "data"), nargs="?", default="beat", help="default: %(default)s")
    schema.set_defaults(run=_schema)


def _measure(arguments: argparse.Namespace) -> int:
    from dossier import audio
    from dossier.model.beat import DrumFile
    from dossier.stages.candidates import measure_file

    if arguments.engine != "local" or arguments.scheduler or any(path.is_dir() for path in arguments.files):
        return _measure_library(arguments)
    measured: list[dict[str, object]] = []
    failed = False
    with Progress(len(arguments.files), note=None) as progress:
        for path in arguments.files:
            shown = name_of(path)
            progress.item(shown)("measuring")
            try:
                info = audio.read_info(path, shown_as=shown)
                drum = DrumFile(file=shown, path=path)
                measures = measure_file(info.clip, drum=drum, channels=info.channels, bit_depth=info.bit_depth,
                                        tags=audio.read_tags(path, shown_as=shown))  # fmt: skip
                found = as_object(measures)
                found["notes"] = [*info.notes, *measures.notes]
            except Exception as error:
                failed = True
                told = str(error) if isinstance(error, AudioError) else fault(error, shown)
                found = {"error": told}
                if not arguments.json:
                    with progress.aside():
                        fail(told)
            measured.append({**found, "file": printable(str(path))})
    if arguments.json:
        print_json(measured)
    else:
        _print_tables([found for found in measured if "error" not in found])
    return FAILED if failed else DONE


def _measure_library(arguments: argparse.Namespace) -> int:
    """Measure folders and files into the cache, by whichever engine: a build then finds them there."""
    from functools import partial

    from dossier.beatfile.listing import ShownNames, list_audio
    from dossier.cache import Cache
    from dossier.model.beat import DrumFile
    from dossier.stages.seen_drums import batches, known_batch

    files, names = [], ShownNames(Path("/"), ())
    for path in (path.absolute() for path in arguments.files):
        found = [one.path for one in list_audio(path, shown=name_of(path)).files] if path.is_dir() else [path]
        library = path if path.is_dir() else path.parent
        files += [DrumFile(names.of(one, library=library, hidden=True), one) for one in found]
    parts = [*batches(files)]
    told: list[dict[str, object]] = []
    full = ""
    with Progress(1, note=None) as progress, engine_of(arguments, tell=progress.note) as engine:
        results = engine.map(partial(known_batch, cache=Cache()), parts, what="batches", say=progress.item(""))
    for batch, (known, refused) in zip(parts, results, strict=True):
        full = full or refused
        for file, one in zip(batch, known, strict=True):
            told.append({**({"error": one} if isinstance(one, str) else as_object(one.measures)), "file": file.file})
    lost = [str(one["error"]) for one in told if "error" in one]
    for text in lost[: 0 if arguments.json else MOST_ROWS]:
        fail(text)
    if full:
        fail(f"the cache takes no more ({full}); what was not kept will be measured again")
    if arguments.json:
        print_json(told)
    else:
        say(f"{len(told) - len(lost)} of {len(told)} files measured; a build finds them in the cache")
    return FAILED if lost or full else DONE


def _print_tables(files: Sequence[dict[str, object]]) -> None:
    screen = console()
    for table, remarks in tables(files, width=screen.width):
        screen.print(table, soft_wrap=True)
        for remark in remarks:
            screen.print(remark, markup=False, soft_wrap=True)
        screen.print()


def _check(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.cache import Cache
    from dossier.stages.overview import overview

    given, cache = given_of(arguments, len(arguments.beats), arguments.archive), Cache()
    archive = Archive(arguments.archive)
    wrong, lost = 0, 0
    told: list[dict[str, object]] = []
    with Progress(len(arguments.beats), note=None) as progress:
        for place in arguments.beats:
            name = name_of(place)
            step = progress.item(name)
            try:
                found = overview(pipeline.load(place, archive, cache, given), cache, step)
            except DossierError as error:
                wrong += isinstance(error, BeatError)
                lost += 1
                lines = [line if line.startswith(name) else f"{name}: {line}" for line in str(error).splitlines()]
                told.append({"beat": name, "error": "\n".join(lines)})
                with progress.aside():
                    fail("\n".join(lines))
                continue
            lost += len(found.left_out)
            told.append(overview_object(name, found))
            with progress.aside():
                if not arguments.json:
                    _print_overview(name, found, whole=arguments.all)
                for what in found.left_out:
                    fail(f"{name}: left out: {what}")
    if arguments.json:
        print_json(told)
    return USAGE if wrong else FAILED if lost else DONE


def _print_overview(name: str, found: Overview, *, whole: bool) -> None:
    print(f"{name}: {'nothing wrong' if not found.left_out else 'readable, with files left out'}")
    for line in overview_lines(found):
        say(f"    {line}")
    console(width=TABLE_WIDTH).print(overview_table(found, whole=whole))
    more = 0 if whole else sum(file.kind != "stem" for file in found.files) > MOST_ROWS
    if more:
        print("--all lists each of them, --json too")
    own = [f"{file.file}: {note}" for file in found.files if whole or not more for note in file.notes]
    for note in (*found.notes, *own):
        say(f"    note: {note}")
    print()


def _schema(arguments: argparse.Namespace) -> int:
    if arguments.what == "beat":
        from dossier import beatfile
        from dossier.decide.policy import DEFAULTS

        print_json(beatfile.json_schema(DEFAULTS))
    else:
        import msgspec

        from dossier.model.datafile import DossierData

        print_json(msgspec.json.schema(DossierData))
    return DONE
