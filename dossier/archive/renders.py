"""The renders of an archive: what two revisions share lies on the disk once, and old ones can be freed.

Conventions
    A render that equals one of an earlier revision, by SHA-256 of what both hold at that moment, is a hard link to it
    where the file system has them.  Renders are read-only, so that an edit of one cannot change another revision.
    Sizes are what the disk gives to a file, as `du` counts: a file is freed with the last of its names.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from dossier import audio, files
from dossier.archive.reader import ArchiveReader
from dossier.errors import AudioError


def twins_by_size(archive: ArchiveReader, slug: str) -> dict[int, list[Path]]:
    """The renders of a beat's revisions by their size in bytes, newest revision first."""
    found: dict[int, list[Path]] = {}
    for revision in reversed(archive.revisions(slug)):
        for path, state in regular_files(archive.renders_of(slug, revision.id)):
            found.setdefault(state.st_size, []).append(path)
    return found


def regular_files(folder: Path) -> list[tuple[Path, os.stat_result]]:
    """The files right in a folder, by name; none where there is no such folder."""
    try:
        listed = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except (FileNotFoundError, NotADirectoryError):
        return []
    states = [(Path(entry.path), entry.stat(follow_symlinks=False)) for entry in listed]
    return [(path, state) for path, state in states if stat.S_ISREG(state.st_mode)]


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
