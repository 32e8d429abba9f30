"""Damaged, hostile and odd inputs, built by code: nothing here is a recording, and no binary file is kept.

`audio_files` holds single files, `beat_folders` whole beat folders.  Each case says what has to come of it.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

NOBODY = 65534


@contextmanager
def as_nobody() -> Iterator[None]:
    """Without the rights of the superuser, who may read everything; does nothing for other users."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that every user may enter; the test runner's own ones are closed to others."""
    folder = Path(tempfile.mkdtemp(prefix="dossier-test-"))
    try:
        folder.chmod(0o755)
        yield folder
    finally:
        for path in [folder, *folder.rglob("*")]:
            if path.is_dir() and not path.is_symlink():
                path.chmod(0o755)
        shutil.rmtree(folder)
