"""The command line: arguments in, exit codes and tables out.  Nothing else in the program prints.

Exit codes: 0 done; 1 something failed (the rest was still done, and what failed is named); 2 usage or input error.
Results go to standard output; progress and errors to standard error (see `dossier.terminal`).
DOSSIER_TRACEBACK=1 shows the traceback of a fault of the program instead of one line.
Heavy imports wait until a command needs them, so that `dossier --help` answers at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from dossier import __version__, paths
from dossier.errors import ArchiveError, AudioError, BeatError, DossierError
from dossier.names import printable
from dossier.paths import name_of, shown
from dossier.terminal import Progress, as_object, tables

if TYPE_CHECKING:
    from dossier.archive import Archive
    from dossier.pipeline import Built

DONE, FAILED, USAGE = 0, 1, 2
ARCHIVE = Path("site")
ARCHIVE_HELP = "the archive (default: %(default)s)"


def command() -> None:
    """Run the command of this process, and end the process."""
    sys.exit(main())


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit code."""
    parser = _parser()
    arguments = parser.parse_args(argv)
    if not hasattr(arguments, "run"):
        parser.print_help()
        return USAGE
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")  # a name that this terminal cannot write is no failure
    try:
        run: Callable[[argparse.Namespace], int] = arguments.run
        code = run(arguments)
        sys.stdout.flush()
    except DossierError as error:
        _fail(str(error))
        return USAGE
    except BrokenPipeError:
        _stop_writing()
        return FAILED
    except KeyboardInterrupt:
        _fail("stopped; what was finished is in the archive")
        return FAILED
    except OSError as error:
        _reraise_if_asked(error)
        _fail(f"{error.strerror or error}{f': {Path(error.filename).name}' if isinstance(error.filename, str) else ''}")
        _stop_writing()
        return FAILED
    except Exception as error:
        _fail(_fault(error))
        return FAILED
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="dossier",
        description="How much room an instrumental leaves, and the drums that fit it, as one self-contained page.",
    )
    parser.add_argument("--version", action="version", version=f"dossier {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    demo = commands.add_parser("demo", help="write the demo beats, build their archive, print where to look")
    demo.add_argument("-o", "--out", type=Path, default=ARCHIVE, metavar="DIR", help=ARCHIVE_HELP)
    demo.add_argument("--beats", type=Path, default=None, metavar="DIR",
                      help="where the demo's audio goes (default: demo-audio, beside the archive)")  # fmt: skip
    demo.set_defaults(run=_demo)

    build = commands.add_parser("build", help="build or refresh the dossiers of one or more beats")
    build.add_argument("beats", nargs="+", type=Path, metavar="BEAT", help="a beat folder: stems/, drums/, beat.toml")
    build.add_argument("-o", "--out", type=Path, default=ARCHIVE, metavar="DIR", help=ARCHIVE_HELP)
    build.add_argument("--jobs", type=_count, default=0, metavar="N", help="processes to use (default: one a core)")
    build.add_argument("--json", action="store_true", help="print what was built as JSON")
    build.set_defaults(run=_build)

    measure = commands.add_parser("measure", help="the measurements of single files, as a table or JSON")
    measure.add_argument("files", nargs="+", type=Path, metavar="FILE", help="a wav, aiff, flac, mp3 or ogg file")
    measure.add_argument("--json", action="store_true", help="an array, one object a file")
    measure.set_defaults(run=_measure)

    check = commands.add_parser("check", help="validate beats without building")
    check.add_argument("beats", nargs="+", type=Path, metavar="BEAT", help="a beat folder")
    check.set_defaults(run=_check)

    decide = commands.add_parser("decide", help="record a decision, or take in a response file")
    decide.add_argument("beat", metavar="BEAT", nargs="?",
                        help="the beat in the archive, by its name or title (not with --response)")  # fmt: skip
    decide.add_argument("-o", "--out", type=Path, default=ARCHIVE, metavar="DIR", help=ARCHIVE_HELP)
    decide.add_argument("--response", type=Path, metavar="FILE", help="a response file that a collaborator sent back")
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

    schema = commands.add_parser("schema", help="JSON Schema of beat.toml and of the data file")
    schema.add_argument("what", choices=("beat", "data"), nargs="?", default="beat", help="default: %(default)s")
    schema.set_defaults(run=_schema)
    return parser


def _count(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes from 1 up")
    return int(text)


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


# ---------------------------------------------------------------------- commands


def _demo(arguments: argparse.Namespace) -> int:
    from dossier.demo import run

    beats = arguments.beats if arguments.beats is not None else arguments.out.parent / "demo-audio"
    paths.ready(arguments.out)
    with Progress(0, note=_note) as progress:

        def built(done: Built) -> None:
            with progress.aside():
                _print_built(done, done.warnings)

        index = run(arguments.out, beats, made=_now(), say=progress.item(""), built=built)
    print(f"\nOpen {shown(index)}")
    return DONE


def _build(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.cache import Cache
    from dossier.parallel import bounded

    paths.ready(arguments.out, arguments.beats)
    results, failures, bad_input, left_out = [], [], 0, False
    with Progress(len(arguments.beats), note=_note) as progress:
        archive, cache = Archive(arguments.out, say=progress.note), Cache()
        for folder in arguments.beats:
            name = name_of(folder)
            try:
                built = pipeline.build(folder, archive, cache=cache, made=_now(), say=progress.item(name),
                                       jobs=bounded(arguments.jobs))  # fmt: skip
                lost, remarks = _left_out(archive, built)
            except Exception as error:
                # One beat must not cost the others, not even by a fault of the program: it is named instead.
                told = str(error) if isinstance(error, DossierError) else _fault(error, name)
                failures.append({"beat": name, "error": told})
                bad_input += isinstance(error, BeatError)
                with progress.aside():
                    _fail(told)
                continue
            results.append({
                "beat": built.slug, "title": built.title, "revision": built.revision, "new": built.new,
                "page": shown(built.page), "verdict": built.verdict, "warnings": remarks, "left_out": lost,
            })  # fmt: skip
            left_out = left_out or bool(lost)
            with progress.aside():
                if not arguments.json:
                    _print_built(built, remarks)
                for what in lost:
                    _fail(f"{name}: left out: {what}")
        index = pipeline.index(archive) if results else None
    if arguments.json:
        _print_json({"built": results, "failed": failures})
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


def _measure(arguments: argparse.Namespace) -> int:
    from dossier import audio
    from dossier.model.beat import DrumFile
    from dossier.stages.candidates import measure_file

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
                told = str(error) if isinstance(error, AudioError) else _fault(error, shown)
                found = {"error": told}
                if not arguments.json:
                    with progress.aside():
                        _fail(told)
            measured.append({**found, "file": printable(str(path))})
    if arguments.json:
        _print_json(measured)
    else:
        _print_tables([found for found in measured if "error" not in found])
    return FAILED if failed else DONE


def _print_tables(files: Sequence[dict[str, object]]) -> None:
    from rich.console import Console

    console = Console(highlight=False, color_system=None if os.environ.get("NO_COLOR") else "auto")
    for table, remarks in tables(files, width=console.width):
        console.print(table, soft_wrap=True)
        for remark in remarks:
            console.print(remark, markup=False, soft_wrap=True)
        console.print()


def _check(arguments: argparse.Namespace) -> int:
    from dossier import inputs

    wrong = 0
    for folder, problem in inputs.check(arguments.beats):
        name = name_of(folder)
        if problem is None:
            print(f"{name}: nothing wrong")
        else:
            wrong += 1
            _fail("\n".join(line if line.startswith(name) else f"{name}: {line}" for line in problem.splitlines()))
    return USAGE if wrong else DONE


def _decide(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.model.datafile import Decision

    paths.archive_at(arguments.out)
    archive = Archive(arguments.out, say=_note)
    if arguments.response is not None:
        if arguments.beat or arguments.text or arguments.gain:
            raise ArchiveError("a response file says itself what it decides: give --response alone")
        try:
            raw = arguments.response.read_bytes()
        except OSError as error:
            raise ArchiveError(f"{name_of(arguments.response)}: cannot be read ({error.strerror})") from None
        slug, done, new = archive.take_in(raw)
    else:
        if not arguments.beat or not arguments.text:
            raise ArchiveError(
                "nothing to record: name a beat and say what was decided with --text, or give a file with --response"
            )
        if not arguments.by.strip():
            raise ArchiveError("a decision needs the name of who made it: say it with --by")
        decision = Decision(
            id="", made=_now(), revision=arguments.revision, identity="", by=arguments.by, status=arguments.status,
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
            raise ArchiveError(f"--gain {entry}: write it as PART=DB, for example kick=-3.5") from None
    return gains


def _index(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive

    paths.archive_at(arguments.archive)
    archive = Archive(arguments.archive, say=_note)
    if not archive.slugs() and not (arguments.archive / "archive.json").exists():
        raise ArchiveError(f"{shown(arguments.archive)}: holds no dossier; name the folder that `dossier build` wrote")
    print(f"Open {shown(pipeline.index(archive))}")
    return DONE


def _schema(arguments: argparse.Namespace) -> int:
    if arguments.what == "beat":
        from dossier import beatfile
        from dossier.decide.policy import DEFAULTS

        _print_json(beatfile.json_schema(DEFAULTS))
    else:
        import msgspec

        from dossier.model.datafile import DossierData

        _print_json(msgspec.json.schema(DossierData))
    return DONE


# ---------------------------------------------------------------------- output


def _print_built(built: Built, remarks: Sequence[str]) -> None:
    state = "new" if built.new else "unchanged since"
    print(f"{built.title}: {state} {built.revision}\n    {built.verdict}\n    {shown(built.page)}")
    for remark in remarks:
        print(f"    note: {remark}")
    sys.stdout.flush()


def _print_json(value: object) -> None:
    import json

    plain = (sys.stdout.encoding or "").lower().replace("-", "") != "utf8"
    print(json.dumps(value, indent=2, ensure_ascii=plain, allow_nan=False))


def _note(message: str) -> None:
    print(message, file=sys.stderr)


def _fail(message: str) -> None:
    for line in message.splitlines() or [""]:
        print(f"dossier: {line}", file=sys.stderr)


def _fault(error: Exception, where: str = "") -> str:
    """A fault of the program itself, in one line."""
    _reraise_if_asked(error)
    what = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
    return f"{where + ': ' if where else ''}a fault in dossier itself ({what}); please report it"


def _reraise_if_asked(error: Exception) -> None:
    if os.environ.get("DOSSIER_TRACEBACK"):
        raise error


def _stop_writing() -> None:
    """Nothing more can be written to standard output: spare the interpreter the attempt at its end."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
