"""What every command shares: exit codes, what is printed and how a fault of the program is told."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dossier.paths import shown

if TYPE_CHECKING:
    from dossier.pipeline import Built

    Commands = argparse._SubParsersAction[Any]

DONE, FAILED, USAGE = 0, 1, 2
ARCHIVE = Path("site")
ARCHIVE_HELP = "the archive (default: %(default)s)"


def now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def print_built(built: Built, remarks: Sequence[str]) -> None:
    state = "new" if built.new else "unchanged since"
    print(f"{built.title}: {state} {built.revision}\n    {built.verdict}\n    {shown(built.page)}")
    for remark in remarks:
        print(f"    note: {remark}")
    sys.stdout.flush()


def print_json(value: object) -> None:
    import json

    plain = (sys.stdout.encoding or "").lower().replace("-", "") != "utf8"
    print(json.dumps(value, indent=2, ensure_ascii=plain, allow_nan=False))


def note(message: str) -> None:
    print(message, file=sys.stderr)


def fail(message: str) -> None:
    for line in message.splitlines() or [""]:
        print(f"dossier: {line}", file=sys.stderr)


def fault(error: Exception, where: str = "") -> str:
    """A fault of the program itself, in one line."""
    reraise_if_asked(error)
    what = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
    return f"{where + ': ' if where else ''}a fault in dossier itself ({what}); please report it"


def reraise_if_asked(error: Exception) -> None:
    if os.environ.get("DOSSIER_TRACEBACK"):
        raise error


def stop_writing() -> None:
    """Nothing more can be written to standard output: spare the interpreter the attempt at its end."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
