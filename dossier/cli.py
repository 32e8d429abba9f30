"""The command line: arguments in, exit codes and tables out.  Nothing else in the program prints.

Exit codes: 0 done; 1 something failed (the rest was still done, and what failed is named); 2 usage or input error.
Heavy imports wait until a command needs them, so that `dossier --help` answers at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dossier import __version__

if TYPE_CHECKING:
    from dossier.pipeline import Built

DONE, FAILED, USAGE = 0, 1, 2
ARCHIVE = Path("site")
ARCHIVE_HELP = "the archive (default: %(default)s)"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit code."""
    parser = _parser()
    arguments = parser.parse_args(argv)
    if not hasattr(arguments, "run"):
        parser.print_help()
        return USAGE
    from dossier.errors import DossierError

    try:
        run: Callable[[argparse.Namespace], int] = arguments.run
        return run(arguments)
    except DossierError as error:
        _fail(str(error))
        return USAGE
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except KeyboardInterrupt:
        _fail("stopped; what was finished is in the archive")
        return FAILED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="dossier",
        description="How much room an instrumental leaves, and the drums that fit it, as one self-contained page.",
    )
    parser.add_argument("--version", action="version", version=f"dossier {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    demo = commands.add_parser("demo", help="write the demo beats, build their archive, print where to look")
    demo.add_argument("-o", "--out", type=Path, default=ARCHIVE, help=ARCHIVE_HELP)
    demo.add_argument("--beats", type=Path, default=None, help="where the demo's audio goes (default: beside it)")
    demo.set_defaults(run=_demo)

    build = commands.add_parser("build", help="build or refresh the dossiers of one or more beats")
    build.add_argument("beats", nargs="+", type=Path, metavar="BEAT", help="a beat folder")
    build.add_argument("-o", "--out", type=Path, default=ARCHIVE, help=ARCHIVE_HELP)
    build.add_argument("--jobs", type=int, default=0, help="processes to use (default: one a core)")
    build.add_argument("--json", action="store_true", help="print what was built as JSON")
    build.set_defaults(run=_build)

    measure = commands.add_parser("measure", help="the measurements of single files, as a table or JSON")
    measure.add_argument("files", nargs="+", type=Path, metavar="FILE")
    measure.add_argument("--json", action="store_true", help="an array, one object a file")
    measure.set_defaults(run=_measure)

    check = commands.add_parser("check", help="validate beats without building")
    check.add_argument("beats", nargs="+", type=Path, metavar="BEAT")
    check.set_defaults(run=_check)

    decide = commands.add_parser("decide", help="record a decision, or take in a response file")
    decide.add_argument("beat", metavar="BEAT", nargs="?", help="the beat's name in the archive (not with --response)")
    decide.add_argument("-o", "--out", type=Path, default=ARCHIVE, help=ARCHIVE_HELP)
    decide.add_argument("--response", type=Path, metavar="FILE", help="a response file that a collaborator sent back")
    decide.add_argument("--status", choices=("agreed", "to change", "note"), default="note")
    decide.add_argument("--by", default="", help="who decides")
    decide.add_argument("--text", default="", help="what was decided and why")
    decide.add_argument("--revision", default="", help="of which revision it speaks (default: the newest)")
    decide.add_argument("--supersedes", default=None, metavar="ID", help="an earlier decision that this one replaces")
    decide.add_argument("--gain", action="append", default=[], metavar="PART=DB", help="a gain that was agreed")
    decide.set_defaults(run=_decide)

    index = commands.add_parser("index", help="rebuild the archive page from the data files alone")
    index.add_argument("archive", type=Path, metavar="DIR", nargs="?", default=ARCHIVE)
    index.set_defaults(run=_index)

    schema = commands.add_parser("schema", help="JSON Schema of beat.toml and of the data file")
    schema.add_argument("what", choices=("beat", "data"), nargs="?", default="beat")
    schema.set_defaults(run=_schema)
    return parser


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _demo(arguments: argparse.Namespace) -> int:
    from dossier.demo import run

    beats = arguments.beats if arguments.beats is not None else arguments.out.parent / "demo-audio"
    outcome = run(arguments.out, beats, made=_now(), say=_note, built=_print_built)
    print(f"\nOpen {outcome}")
    return DONE


def _build(arguments: argparse.Namespace) -> int:
    import json

    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.cache import Cache
    from dossier.errors import BeatError, DossierError
    from dossier.names import printable
    from dossier.workers import cores

    archive = Archive(arguments.out, say=_note)
    cache = Cache()
    results, failures, bad_input = [], [], 0
    for folder in arguments.beats:
        try:
            built = pipeline.build(folder, archive, cache=cache, made=_now(), say=_progress(printable(folder.name)),
                                   jobs=arguments.jobs or cores())  # fmt: skip
        except DossierError as error:
            _fail(str(error))
            failures.append({"beat": printable(folder.name), "error": str(error)})
            bad_input += isinstance(error, BeatError)
            continue
        except Exception as error:
            # A fault of the program in one beat must not cost the others; it is named, and the exit code says so.
            what = f"{type(error).__name__}: {error}"
            told = f"{printable(folder.name)}: a fault in dossier itself ({what}); please report it"
            _fail(told)
            failures.append({"beat": printable(folder.name), "error": told})
            continue
        results.append(built)
        if not arguments.json:
            _print_built(built)
    if results:
        index = pipeline.index(archive)
        if not arguments.json:
            print(f"\nOpen {index}")
    if arguments.json:
        listed = [
            {"beat": b.slug, "title": b.title, "revision": b.revision, "new": b.new, "page": str(b.page),
             "verdict": b.verdict, "warnings": list(b.warnings)} for b in results
        ]  # fmt: skip
        print(json.dumps({"built": listed, "failed": failures}, indent=2, ensure_ascii=False))
    if failures:
        return USAGE if not results and bad_input == len(failures) else FAILED
    return DONE


def _measure(arguments: argparse.Namespace) -> int:
    import json

    from dossier import audio
    from dossier.errors import AudioError
    from dossier.model.beat import DrumFile
    from dossier.names import printable
    from dossier.report import ROWS, as_object, cell
    from dossier.stages.analyse import measure_file

    measured: list[dict[str, object]] = []
    failed = False
    for path in arguments.files:
        shown = printable(path.name)
        try:
            info = audio.read_info(path, shown_as=shown)
            drum = DrumFile(file=shown, path=path)
            found = as_object(measure_file(info.clip, drum=drum, channels=info.channels, bit_depth=info.bit_depth))
            found["notes"] = list(info.notes)
            found["file"] = printable(str(path))
        except AudioError as error:
            failed = True
            measured.append({"file": printable(str(path)), "error": str(error)})
            if not arguments.json:
                _fail(str(error))
            continue
        measured.append(found)
    if arguments.json:
        print(json.dumps(measured, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        good = [found for found in measured if "error" not in found]
        for start in range(0, len(good), 4):
            _print_table(good[start : start + 4], ROWS, cell)
    return FAILED if failed else DONE


def _print_table(
    files: Sequence[dict[str, object]],
    rows: Sequence[tuple[str, str, str, int]],
    cell: Callable[[dict[str, object], str, str, int], str],
) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for found in files:
        table.add_column(Text(Path(str(found["file"])).name), justify="right", overflow="fold")
    for label, field, unit, decimals in rows:
        cells = [cell(found, field, unit, decimals) for found in files]
        if any(text != "-" for text in cells):
            table.add_row(label, *cells)
    console = Console(highlight=False, soft_wrap=True)
    console.print(table)
    for found in files:
        reasons = found.get("reasons")
        missing = reasons if isinstance(reasons, dict) else {}
        by_reason: dict[str, list[str]] = {}
        for field, why in missing.items():
            by_reason.setdefault(why, []).append(field.replace("_", " "))
        for why, fields in by_reason.items():
            console.print(f"{Path(str(found['file'])).name}: no {', '.join(fields)}: {why}", style="dim", markup=False)
        notes = found.get("notes")
        for note in notes if isinstance(notes, list) else []:
            console.print(f"{Path(str(found['file'])).name}: {note}", markup=False)
    console.print()


def _check(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.names import printable

    wrong = 0
    for folder, problem in pipeline.check(arguments.beats):
        if problem is None:
            print(f"{printable(folder.name)}: nothing wrong")
        else:
            wrong += 1
            _fail(problem)
    return USAGE if wrong else DONE


def _decide(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.errors import ArchiveError
    from dossier.model.datafile import Decision

    archive = Archive(arguments.out, say=_note)
    if arguments.response is not None:
        try:
            raw = arguments.response.read_bytes()
        except OSError as error:
            raise ArchiveError(f"{arguments.response.name}: cannot be read ({error.strerror})") from None
        taken = archive.take_in(raw)
        print(f"{taken.slug}: {taken.decision.id} by {taken.decision.by}: {taken.decision.status}")
    else:
        if not arguments.beat or not arguments.text:
            raise ArchiveError(
                "nothing to record: name a beat and say what was decided with --text, or give a file with --response"
            )
        decision = Decision(
            id="", made=_now(), revision=arguments.revision, identity="", by=arguments.by, status=arguments.status,
            text=arguments.text, gains_db=_gains(arguments.gain), supersedes=arguments.supersedes,
        )  # fmt: skip
        done = archive.record(Path(arguments.beat).name, decision)
        print(f"{arguments.beat}: {done.id} on {done.revision}: {done.status}")
    pipeline.index(archive)
    return DONE


def _gains(told: Sequence[str]) -> dict[str, float]:
    from dossier.errors import ArchiveError

    gains = {}
    for entry in told:
        part, _, value = entry.partition("=")
        try:
            gains[part] = float(value)
        except ValueError:
            raise ArchiveError(f"--gain {entry}: write it as PART=DB, for example kick=-3.5") from None
    return gains


def _index(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.errors import ArchiveError

    if not arguments.archive.is_dir():
        raise ArchiveError(f"{arguments.archive}: is not a folder; name the folder that `dossier build` wrote")
    print(f"Open {pipeline.index(Archive(arguments.archive, say=_note))}")
    return DONE


def _schema(arguments: argparse.Namespace) -> int:
    import json

    if arguments.what == "beat":
        from dossier import beatfile
        from dossier.decide.policy import DEFAULTS

        print(json.dumps(beatfile.schema(DEFAULTS), indent=2, ensure_ascii=False))
    else:
        import msgspec

        from dossier.model.datafile import DossierData

        print(json.dumps(msgspec.json.schema(DossierData), indent=2, ensure_ascii=False))
    return DONE


def _print_built(built: Built) -> None:
    state = "new" if built.new else "unchanged since"
    print(f"{built.title}: {state} {built.revision}\n    {built.verdict}\n    {built.page}")
    for warning in built.warnings:
        print(f"    note: {warning}")


def _progress(name: str) -> Callable[[str], None]:
    return lambda message: _note(f"{name}: {message}")


def _note(message: str) -> None:
    print(message, file=sys.stderr)


def _fail(message: str) -> None:
    print(f"dossier: {message}", file=sys.stderr)
