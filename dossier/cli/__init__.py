"""The command line: arguments in, exit codes and tables out, one module a group of commands; no other room prints.

Exit codes: 0 done; 1 something failed (the rest was still done, and what failed is named); 2 usage or input error.
Results go to standard output; progress and errors to standard error (see `dossier.terminal`).
DOSSIER_TRACEBACK=1 shows the traceback of a fault of the program instead of one line.
Heavy imports wait until a command needs them, so that `dossier --help` answers at once.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Callable, Sequence

from dossier import __version__
from dossier.cli import build, keep, learn, look, new, send
from dossier.cli.help import explain, refuse
from dossier.cli.output import (
    DONE,
    FAILED,
    USAGE,
    Parser,
    fail,
    fault,
    memory_is_too_little,
    open_streams,
    steady_streams,
)
from dossier.errors import DossierError, MachineError

__all__ = ["DONE", "FAILED", "USAGE", "command", "main"]


def command() -> None:
    """Run the command of this process, and end the process."""
    open_streams()
    gc.set_threshold(50_000)  # few objects here are part of a cycle
    code = main()
    gc.freeze()  # what is left ends with the process, cycles and all
    sys.exit(code)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit code, which is the same whatever becomes of standard output."""
    with steady_streams():
        return _run(argv)


def _run(argv: Sequence[str] | None) -> int:
    parser = _parser()
    arguments, unknown = parser.parse_known_args(argv)
    if unknown:
        refuse(getattr(arguments, "parser", parser), unknown)
    if not hasattr(arguments, "run"):
        parser.print_help()
        return USAGE
    try:
        os.getcwd()
    except OSError:
        fail("the working folder is gone; change to another folder and run it again")
        return USAGE
    if too_little := memory_is_too_little():
        fail(too_little)
        return FAILED
    try:
        run: Callable[[argparse.Namespace], int] = arguments.run
        return run(arguments)
    except DossierError as error:
        fail(str(error))
        return FAILED if isinstance(error, MachineError) else USAGE
    except KeyboardInterrupt:
        fail("stopped; what was finished is in the archive")
        return FAILED
    except Exception as error:
        fail(fault(error))
        return FAILED


def _parser() -> argparse.ArgumentParser:
    parser = Parser(
        prog="dossier",
        description="How much room an instrumental leaves, and the drums that fit it, as one self-contained page.",
    )
    parser.add_argument("--version", action="version", version=f"dossier {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    for module in (new, build, look, keep, learn, send):
        module.add(commands)
    explain(commands)
    return parser
