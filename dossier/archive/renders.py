"""What two revisions share lies on the disk once.

A render that equals one of an earlier revision, by SHA-256 of what both hold at that moment, becomes a hard link to it
where the file system has them.  Renders are read-only, so that an edit of one cannot change another revision.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from dossier import audio, files
from dossier.archive.revisions import revision_number
from dossier.errors import AudioError


def twins_by_size(*folders: Path) -> dict[int, list[Path]]:
    """The renders in beats' folders by their size in bytes, of each folder the newest revision's first."""
    found: dict[int, list[Path]] = {}
    for folder in folders:
        revisions: dict[int, Path] = {}
        for entry in _entries(folder):
            number = revision_number(entry.name.removeprefix(f"{folder.name}-"))
            if number is not None and entry.is_dir(follow_symlinks=False):
                revisions[number] = Path(entry.path)
        for number in sorted(revisions, reverse=True):
            for entry in _entries(revisions[number]):
                state = entry.stat(follow_symlinks=False)
                if stat.S_ISREG(state.st_mode):
                    found.setdefault(state.st_size, []).append(Path(entry.path))
    return found


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as entries:
        return sorted(entries, key=lambda entry: entry.name)


def put(path: Path, content: bytes, earlier: Mapping[int, Sequence[Path]]) -> None:
    """Write a new file, flushed, or make it another name of an earlier one that holds the same."""
    digest = hashlib.sha256(content).hexdigest()
    for twin in earlier.get(len(content), ()):
        with suppress(AudioError, OSError):
            if audio.sha256(twin) == digest:
                files.link_or_copy(twin, path)
                return
    files.write_new(path, content)


def share_content(path: Path, earlier: Mapping[int, Sequence[Path]]) -> None:
    """Make a file another name of an earlier one that holds the same, if there is one."""
    state = path.stat()
    for twin in earlier.get(state.st_size, ()):
        with suppress(AudioError, OSError):
            if os.path.samestat(state, twin.stat()):
                return
            if audio.sha256(twin) == audio.sha256(path):
                files.link_or_copy(twin, path)
                return
