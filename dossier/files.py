"""Files that survive a crash: whole or absent, never half; one writer at a time; errors in plain words.

Conventions
    Every file is written beside its place under a name that starts with a dot and ends in `.part`, flushed to the disk
    (fsync) and renamed; POSIX rename() replaces in one step (IEEE Std 1003.1, rename), so that a reader sees the old
    file or the new one.  Leftovers of a killed writer keep the dot and the ending, and the next writer removes them.
    The lock is an advisory lock on an empty file (flock on POSIX, a byte-range lock on Windows).  The operating system
    frees it when its holder ends, however it ends, so that it cannot go stale; the file itself stays.
"""

from __future__ import annotations

import errno
import itertools
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from dossier.errors import ArchiveError

PART = ".part"
_serial = itertools.count()


def part_name(name: str) -> str:
    """A name beside `name` that no other writer uses, of this process or another."""
    return f".{name}.{os.getpid()}-{next(_serial)}{PART}"


def is_leftover(name: str) -> bool:
    """Whether a file or folder of this name is what an interrupted writer left behind."""
    return name.startswith(".") and name.endswith(PART)


def explain(error: OSError, doing: str) -> ArchiveError:
    """An operating system's error as a sentence: what could not be done, why, what to do.

    Parameters
    ----------
    error : OSError
    doing : str
        What was being done, as in 'write /music/site/index.html'.
    """
    code = error.errno
    if code in (errno.ENOSPC, errno.EDQUOT):
        why = "no space is left on the disk; make room and run it again. What the archive held before is untouched"
    elif code in (errno.EACCES, errno.EPERM, errno.EROFS):
        why = "the place is read-only or belongs to another account; choose another folder or change its permissions"
    elif code in (errno.ENOTDIR, errno.EEXIST, errno.EISDIR, errno.ENOTEMPTY):
        why = "a file stands where a folder is needed, or the other way round; move it away"
    elif code in (errno.ENAMETOOLONG, errno.EINVAL):
        why = "the file system does not take this name; give the beat a shorter or plainer one"
    else:
        why = error.strerror or type(error).__name__
    return ArchiveError(f"cannot {doing}: {why}")


def sync_folder(folder: Path) -> None:
    """Flush a folder's entries, so that a rename in it outlives a power cut; nothing to do on Windows."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_file(path: Path) -> None:
    """Flush a file that something else wrote."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet and flush it; permissions follow the umask."""
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def write_atomic(path: Path, data: bytes) -> None:
    """Put `data` at `path` in one step: a reader finds the old content or the new, never a mixture.

    Raises
    ------
    ArchiveError
        The disk is full, the folder read-only, a folder stands in the way; the old content is still there.
    """
    part = path.with_name(part_name(path.name))
    try:
        write_new(part, data)
        os.replace(part, path)
        sync_folder(path.parent)
    except OSError as error:
        remove(part)
        raise explain(error, f"write {path}") from error


def append_line(path: Path, line: bytes) -> None:
    """Add one line to a file, flushed.  A line that an interrupted writer left unfinished is closed first and kept.

    Raises
    ------
    ArchiveError
        As `write_atomic`; a line that did not fit on the disk is taken back, so that nothing half stays.
    """
    if b"\n" in line:
        raise ArchiveError(f"cannot add to {path}: one line was expected, with no line break in it")
    try:
        with path.open("ab") as file:
            end = file.tell()
            open_end = end > 0 and _last_byte(path) != b"\n"
            try:
                file.write((b"\n" if open_end else b"") + line + b"\n")
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                os.truncate(path, end)
                raise
        sync_folder(path.parent)
    except OSError as error:
        raise explain(error, f"add to {path}") from error


def _last_byte(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1)


def make_folder(folder: Path) -> None:
    """Make a folder and its parents; fine where it stands already."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise explain(error, f"make the folder {folder}") from error


def remove(path: Path) -> None:
    """Remove a file or a folder with all in it; fine where it is gone already or cannot be removed."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
        return
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return


def sweep(folder: Path) -> None:
    """Remove what interrupted writers left in a folder.  Only for a holder of the lock."""
    try:
        names = [entry.name for entry in os.scandir(folder) if is_leftover(entry.name)]
    except OSError:
        return
    for name in names:
        remove(folder / name)


if sys.platform == "win32":
    import msvcrt

    def _take(handle: int, *, wait: bool) -> bool:
        while True:  # LK_LOCK itself gives up after ten seconds
            try:
                msvcrt.locking(handle, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
            except OSError as error:
                if error.errno not in (errno.EACCES, errno.EDEADLK):
                    raise
                if not wait:
                    return False
            else:
                return True

else:
    import fcntl

    def _take(handle: int, *, wait: bool) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


@contextmanager
def locked(path: Path, *, waiting: Callable[[], None]) -> Iterator[None]:
    """Hold the lock file `path` (made if needed) for the length of a `with` block.

    Parameters
    ----------
    path : Path
    waiting : callable
        Called once, before waiting, where another process holds the lock.

    Raises
    ------
    ArchiveError
        The lock file cannot be made, or the file system has no locks.
    """
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise explain(error, f"lock the archive with {path}") from error
    try:
        try:
            if not _take(handle, wait=False):
                waiting()
                _take(handle, wait=True)
        except OSError as error:
            raise explain(error, f"lock the archive with {path}") from error
        yield
    finally:
        os.close(handle)
