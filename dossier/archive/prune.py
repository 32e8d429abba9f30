"""Freeing the renders of old revisions: pages, data files and decisions stay, and so does what a kept revision shares.

Conventions
    Only files that a revision's data file lists are removed, one at a time: stopped at any moment the archive is
    readable, and its page says of which revisions renders are gone.
    Sizes are what the disk gives to a file, as `du` counts; a file is freed with the last of its names.
"""

from __future__ import annotations

import os
import stat
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from msgspec import Struct

from dossier import files
from dossier.archive import Archive
from dossier.archive.standing import stand

BLOCK_BYTES = 512  # of st_blocks (IEEE Std 1003.1 leaves it open; so on Linux, macOS and BSD; MEM)


class Prunable(Struct, frozen=True):
    """The renders of one old revision, and what removing them frees once all that are listed before it are gone."""

    slug: str
    revision: str
    paths: tuple[Path, ...]
    freed_bytes: int


def prunable(archive: Archive, *, keep: int) -> tuple[Prunable, ...]:
    """The renders of all revisions but the newest `keep` of each beat, and but the last that was agreed."""
    found: list[Prunable] = []
    gone: Counter[tuple[int, int]] = Counter()
    for slug in archive.slugs():
        heads = archive.heads(slug)
        standing = stand(heads, archive.decisions(slug)) if heads else None
        agreed = standing.decided_on if standing is not None and standing.decided_status == "agreed" else None
        for head in heads[: max(0, len(heads) - keep)]:
            if head.revision.id == agreed:
                continue
            states = [(path, state) for path in archive.render_paths(head) if (state := _regular(path)) is not None]
            freed = 0
            for _, state in states:
                gone[state.st_dev, state.st_ino] += 1
                if gone[state.st_dev, state.st_ino] == state.st_nlink:
                    freed += _on_disk(state)
            if states:
                found.append(Prunable(slug, head.revision.id, tuple(path for path, _ in states), freed))
    return tuple(found)


def prune(archive: Archive, listed: Sequence[Prunable]) -> None:
    """Remove what `prunable` listed.  Raises ArchiveError where the place is read-only; the rest stays then."""
    with archive.lock():
        for entry in listed:
            folder = archive.renders_of(entry.slug, entry.revision)
            try:
                for path in entry.paths:
                    path.unlink(missing_ok=True)
                files.sync_folder(folder)
            except OSError as error:
                raise files.explain(error, f"free the renders of {entry.slug} {entry.revision}") from error
            with suppress(OSError):  # something else lies there, which stays
                folder.rmdir()


def _regular(path: Path) -> os.stat_result | None:
    try:
        state = path.lstat()
    except (OSError, ValueError):  # a name that no file can have
        return None
    return state if stat.S_ISREG(state.st_mode) else None


def _on_disk(state: os.stat_result) -> int:
    blocks: int | None = getattr(state, "st_blocks", None)
    return state.st_size if blocks is None else blocks * BLOCK_BYTES
