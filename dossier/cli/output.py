"""What every command shares: exit codes, what is printed and how a fault of the program is told."""

from __future__ import annotations

import argparse
import errno
import io
import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TextIO, TypeAlias, cast

from dossier.errors import BeatError, EngineError, Problem
from dossier.model.beat import Given
from dossier.names import clean, printable
from dossier.paths import name_of, shown

if TYPE_CHECKING:
    from dossier.parallel import Engine
    from dossier.pipeline import Built

Commands: TypeAlias = "argparse._SubParsersAction[Any]"
DONE, FAILED, USAGE = 0, 1, 2
LEAST_MEMORY_MIB = 512
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


def given_of(arguments: argparse.Namespace, beats: int, archive: Path | None = None) -> Given:
    """What those options say of `beats` beats, built into `archive`."""
    if arguments.name and beats > 1:
        raise BeatError([Problem("--name", "", f"names one beat, and {beats} are given; build them one by one")])
    if arguments.name and not clean(arguments.name):
        raise BeatError([Problem("--name", "", "has no visible character; give a name")])
    return Given(tuple(arguments.drums), tuple(arguments.include), tuple(arguments.exclude), arguments.name, archive)


def number_of(what: str) -> Callable[[str], int]:
    """An argument that is a whole number from 1 up, of something."""

    def read(text: str) -> int:
        if not re.fullmatch(r"0*[1-9][0-9]{0,8}", text):
            raise argparse.ArgumentTypeError(f"{text[:20]!r} is no number of {what} from 1 up")
        return int(text)

    return read


def add_engine(parser: argparse.ArgumentParser) -> None:
    """The options that say where the work is done."""
    parser.add_argument("--engine", choices=("local", "dask"), default="local",
                        help="this machine, or the workers of a Dask scheduler on hosts that you trust")  # fmt: skip
    parser.add_argument("--scheduler", default="", metavar="ADDR",
                        help="the scheduler's address, such as tcp://192.168.1.20:8786, or tls://...")  # fmt: skip


@contextmanager
def engine_of(arguments: argparse.Namespace, *, jobs: int = 0, tell: Callable[[str], object] = str) -> Iterator[Engine]:
    """Where the work is done for a `with` block; `tell` gets a line for each worker that is lost."""
    from dossier import parallel

    if arguments.engine == "local":
        if arguments.scheduler:
            raise EngineError("--scheduler is for --engine dask")
        yield parallel.Engine(parallel.bounded(jobs))
    elif not arguments.scheduler:
        raise EngineError("--engine dask needs --scheduler ADDR, such as tcp://192.168.1.20:8786")
    else:
        with parallel.cluster(arguments.scheduler) as client:
            yield parallel.Engine(client=client, tell=tell)


def now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def print_built(built: Built) -> None:
    state = "new" if built.new else "unchanged since"
    say(f"{built.title}: {state} {built.revision}\n    {built.verdict}\n    {shown(built.page)}")
    for remark in built.warnings:
        say(f"    note: {remark}")
    sys.stdout.flush()


def print_json(value: object) -> None:
    import json

    plain = (sys.stdout.encoding or "").lower().replace("-", "") != "utf8"
    say(json.dumps(value, indent=2, ensure_ascii=plain, allow_nan=False))  # an escape of `say` is one of JSON too


def say(text: str) -> None:
    """A line, or several, on standard output."""
    print(printable(text, keep="\n"))


def note(message: str) -> None:
    print(printable(message), file=sys.stderr)


def fail(message: str) -> None:
    for line in message.split("\n"):
        print(f"dossier: {printable(line)}", file=sys.stderr)


def fault(error: Exception, where: str = "") -> str:
    """A fault of the program itself, or the machine's end, in one line."""
    reraise_if_asked(error)
    where, at_its_end = f"{where}: " if where else "", error.__cause__ or error.__context__
    if isinstance(at_its_end, OSError | MemoryError):  # libraries stumble on over it
        error = at_its_end
    if isinstance(error, MemoryError) or "failed to map segment" in str(error):
        return f"{where}there is not enough memory; close other programs, or use fewer --jobs"
    if isinstance(error, OSError):
        names = [os.fsdecode(name) for name in (error.filename, error.filename2) if isinstance(name, str | bytes)]
        unnamed = " (the system does not say of which file)" if not names and error.errno == errno.ENOENT else ""
        return f"{where}{''.join(f'{name_of(Path(name))}: ' for name in names)}{error.strerror or error}{unnamed}"
    what = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
    return f"{where}a fault in dossier itself ({what}); please report it"


def reraise_if_asked(error: Exception) -> None:
    if os.environ.get("DOSSIER_TRACEBACK"):
        raise error


# ---------------------------------------------------------------------- streams


class Parser(argparse.ArgumentParser):
    """Shows what it was given with hidden characters escaped."""

    def error(self, message: str) -> NoReturn:
        super().error(printable(message))


class SteadyStream:
    """A stream that a closed pipe or a full disk turns into nothing, so that the work goes on; `lost` is told once."""

    def __init__(self, stream: TextIO, nothing: TextIO, lost: Callable[[str], None]) -> None:
        self._stream, self._nothing, self._lost = stream, nothing, lost
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a name that this terminal cannot write is no failure

    def write(self, text: str) -> int:
        self._attempt(lambda: self._stream.write(text))
        return len(text)

    def flush(self) -> None:
        self._attempt(self._stream.flush)

    def _attempt(self, act: Callable[[], object]) -> None:
        try:
            act()
        except (OSError, ValueError) as error:
            with suppress(OSError, ValueError):  # the interpreter, too, writes what is left when it ends
                os.dup2(self._nothing.fileno(), self._stream.fileno())
            self._stream = self._nothing
            self._lost(getattr(error, "strerror", None) or str(error))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def steady_streams() -> Iterator[None]:
    """For a `with` block, what cannot be printed stops nothing; of standard output that is said once."""
    before = sys.stdout, sys.stderr

    def lost(why: str) -> None:
        fail(f"standard output cannot be written to ({why}); the work goes on")

    with open(os.devnull, "w", encoding="utf-8") as nothing:
        sys.stderr = cast(TextIO, SteadyStream(before[1] or nothing, nothing, lambda _: None))
        sys.stdout = cast(TextIO, SteadyStream(before[0] or nothing, nothing, lost))
        if before[0] is None:
            lost("it is closed")
        try:
            yield
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            sys.stdout, sys.stderr = before


def memory_is_too_little() -> str | None:
    """Where this shell limits memory below what the numeric libraries need to start: some of them hang on it."""
    try:
        from resource import RLIM_INFINITY, RLIMIT_AS, getrlimit
    except ImportError:  # Windows
        return None
    most = getrlimit(RLIMIT_AS)[0]
    if most == RLIM_INFINITY or most >= LEAST_MEMORY_MIB << 20:
        return None
    return f"this shell allows {most >> 20} MiB of memory (ulimit -v); at least {LEAST_MEMORY_MIB} MiB are needed"


def open_streams() -> None:
    """Lead streams that this process was started without to nothing, so that no file of ours gets their numbers."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
