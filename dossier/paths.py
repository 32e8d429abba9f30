"""Paths that a command is given: how they are shown, and whether they will do, before minutes of work.

Conventions
    A printed path has no hidden characters (see `dossier.names.printable`).
    An archive may lie anywhere but among the files of a beat, where its renders would be taken for drums.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dossier.errors import ArchiveError, DossierError
from dossier.model.beat import NOTHING_GIVEN, Given
from dossier.names import printable, slug

if TYPE_CHECKING:
    from dossier.archive import Archive
    from dossier.model.beat import Beat


def name_of(path: Path) -> str:
    """The name of a file or folder, fit to print; `.` and the like are resolved."""
    return printable(path.name if path.name not in ("", "..") else path.resolve().name or str(path))


def shown(path: Path) -> str:
    """A path, fit to print."""
    return printable(str(path))


def archive_at(place: Path) -> None:
    """Refuse a missing folder before anything is made there, with `ArchiveError`."""
    if not place.is_dir():
        raise ArchiveError(f"{shown(place)}: is not a folder; name the folder that `dossier build` wrote")


def ready(archive: Path, beats: Sequence[Path] = (), given: Given = NOTHING_GIVEN) -> None:
    """Refuse an archive where a file is, in a place that is not writable, or among a beat's files or a library's."""
    there = archive.resolve()
    around = (there, *there.parents)
    for beat in beats:
        home, loaded = beat.resolve(), _if_sound(beat, given)
        libraries = given.drums if loaded is None else loaded.libraries
        own = any(folder.name.casefold() in ("stems", "drums") and folder.parent == home for folder in around)
        if there == home or own or any(library.resolve() in around for library in libraries):
            raise ArchiveError(
                f"{shown(archive)}: lies among the files of {name_of(beat)}; choose another place with -o"
            )
        if loaded is not None and there == home.parent and home.name == loaded.slug:
            raise ArchiveError(
                f"{shown(archive)}: the dossier of {name_of(beat)} would go into the beat's own folder; choose another "
                "place with -o"
            )
    standing = next(place for place in (there, *there.parents) if place.exists())
    if not standing.is_dir():
        raise ArchiveError(f"{shown(archive)}: a file stands where the archive's folder is to be; move it away")
    if not os.access(standing, os.W_OK | os.X_OK):
        raise ArchiveError(f"{shown(archive)}: cannot be written to; choose another place with -o")


def _if_sound(place: Path, given: Given) -> Beat | None:
    from dossier import inputs

    try:
        return inputs.load(place, given)
    except DossierError:
        return None  # the build will say what is wrong


def slug_of(told: str, archive: Archive) -> str:
    """The beat of an archive that a name, folder or title means; unchanged if there is none."""
    name = Path(told).name
    there = archive.slugs()
    return next((known for known in (name, slug(told), slug(name)) if known in there), told)
