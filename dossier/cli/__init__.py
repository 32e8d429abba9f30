"""The command line: arguments in, exit codes and tables out, one module a group of commands; no other room prints.

Exit codes: 0 done; 1 something failed (the rest was still done, and what failed is named); 2 usage or input error.
Results go to standard output; progress and errors to standard error (see `dossier.terminal`).
DOSSIER_TRACEBACK=1 shows the traceback of a fault of the program instead of one line.
Heavy imports wait until a command needs them, so that `dossier --help` answers at once.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from dossier import __version__
from dossier.cli import build, keep, look, new
from dossier.cli.output import DONE, FAILED, USAGE, fail, fault, reraise_if_asked, stop_writing
from dossier.errors import DossierError

__all__ = ["DONE", "FAILED", "USAGE", "command", "main"]


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
        fail(str(error))
        return USAGE
    except BrokenPipeError:
        stop_writing()
        return FAILED
    except KeyboardInterrupt:
        fail("stopped; what was finished is in the archive")
        return FAILED
    except OSError as error:
        reraise_if_asked(error)
        fail(f"{error.strerror or error}{f': {Path(error.filename).name}' if isinstance(error.filename, str) else ''}")
        stop_writing()
        return FAILED
    except Exception as error:
        fail(fault(error))
        return FAILED
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="dossier",
        description="How much room an instrumental leaves, and the drums that fit it, as one self-contained page.",
    )
    parser.add_argument("--version", action="version", version=f"dossier {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    for module in (new, build, look, keep):
        module.add(commands)
    return parser
