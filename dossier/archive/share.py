"""One file to send: a revision's page, data and renders as a ZIP archive that opens wherever it is unpacked.

The same revision gives the same bytes: files by name, under the time at which the revision was made, with no user,
host or path of this machine.
"""

from __future__ import annotations

import filecmp
import os
import shutil
import zipfile
from datetime import UTC, datetime
from pathlib import Path

from msgspec import Struct

from dossier import files
from dossier.archive import Archive, check_private
from dossier.archive.revisions import head_of
from dossier.errors import ArchiveError, UnusableFileError
from dossier.names import printable

MAX_RENDER_BYTES = 8 << 30
ZIP_YEARS = range(1980, 2108)  # what its dates can say (APPNOTE 4.4.6; MEM)
PACKED = frozenset({".flac"})  # what packing again makes no smaller


class Shared(Struct, frozen=True):
    """What was packed, and which renders could not be, as they are no longer there."""

    path: Path
    revision: str
    size_bytes: int
    new: bool
    missing: tuple[str, ...]


def share(archive: Archive, slug: str, *, revision: str = "", target: Path | None = None) -> Shared:
    """Pack a revision, the newest unless another is named, into `target` (default: its name, in the current folder).

    Raises ArchiveError: no such beat or revision, a page that is not there, another file at `target`, a place that
    cannot be written.
    """
    known = [info.id for info in archive.revisions(slug)]
    if not known:
        raise ArchiveError(f"{slug[:100]}: the archive holds no such beat, or none of its data files can be read")
    if revision and revision not in known:
        raise ArchiveError(f"{slug}: has no revision {printable(revision[:20])} (there: {', '.join(known[-8:])})")
    name = f"{slug}-{revision or known[-1]}"
    folder = archive.root / slug
    data = archive.dossier(slug, revision or known[-1])
    check_private(data)
    listed = archive.render_paths(head_of(data))
    there = [path for path in listed if path.is_file() and not path.is_symlink()]
    target = target if target is not None else Path(f"{name}.zip")
    part = target.with_name(files.part_name(target.name))
    try:
        with zipfile.ZipFile(part, "x") as packed:
            for path in (folder / f"{name}.html", folder / f"{name}.json", *sorted(there)):
                _add(packed, path, path.relative_to(archive.root).as_posix(), _date(data.revision.made))
        files.sync_file(part)
        new = not target.exists()
        if not new and not filecmp.cmp(part, target, shallow=False):
            raise ArchiveError(f"{printable(target.name)}: is there, with something else in it; name another with -o")
        if new:
            os.replace(part, target)
            files.sync_folder(target.parent)
        return Shared(target, data.revision.id, target.stat().st_size, new,
                      tuple(sorted(path.name for path in set(listed) - set(there))))  # fmt: skip
    except UnusableFileError as error:
        raise ArchiveError(f"{name}: cannot be packed: {error}") from None
    except OSError as error:
        raise files.explain(error, f"write {printable(target.name)}") from error
    finally:
        files.remove(part)


def _add(packed: zipfile.ZipFile, path: Path, name: str, date: tuple[int, int, int, int, int, int]) -> None:
    entry = zipfile.ZipInfo(name, date)
    entry.create_system, entry.external_attr = 3, 0o100644 << 16  # a plain file of Unix, whatever this machine is
    entry.compress_type = zipfile.ZIP_STORED if path.suffix in PACKED else zipfile.ZIP_DEFLATED
    try:
        with files.open_regular(path, most_bytes=MAX_RENDER_BYTES, follow=False) as source:
            entry.file_size = os.fstat(source.fileno()).st_size  # says whether 32 bits are enough for it
            with packed.open(entry, "w") as out:
                shutil.copyfileobj(source, out, 1 << 20)
    except UnusableFileError as error:
        raise UnusableFileError(f"{name} {error}") from None


def _date(made: str) -> tuple[int, int, int, int, int, int]:
    """A time of ISO 8601 as ZIP dates it, in UTC; the first that it knows where it cannot say that one."""
    try:
        time = datetime.fromisoformat(made).astimezone(UTC)
    except ValueError:
        return (1980, 1, 1, 0, 0, 0)
    if time.year not in ZIP_YEARS:
        return (1980, 1, 1, 0, 0, 0)
    return (time.year, time.month, time.day, time.hour, time.minute, time.second)
