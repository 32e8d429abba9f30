"""Files that survive a crash: whole or absent, never half; one writer at a time; errors in plain words.

Conventions
    Every file is written beside its place under a name that starts with a dot and ends in `.part`, flushed to the disk
    (fsync) and renamed.  POSIX rename() replaces in one step (IEEE Std 1003.1, rename), so a reader sees the old file
    or the new one.  What a killed writer leaves keeps the dot and the ending, and the next writer removes it.
"""

from __future__ import annotations

import errno
import hashlib
import io
import itertools
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from filelock import FileLock, Timeout

import dossier
from dossier.errors import ArchiveError, MachineError, UnusableFileError

PART = ".part"
FOLDER = "is a folder, not a file"
_EXHAUSTED = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EMFILE, errno.ENFILE, errno.ENOMEM})
_serial = itertools.count()
_AT_ONCE = os.O_RDONLY | sum(getattr(os, way, 0) for way in ("O_NONBLOCK", "O_CLOEXEC", "O_BINARY"))
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)


def part_name(name: str) -> str:
    """A name beside `name` that no other writer, in this process or another, uses."""
    return f".{name}.{os.getpid()}-{next(_serial)}{PART}"


def is_leftover(name: str) -> bool:
    """Whether a file or folder of this name is what an interrupted writer left behind."""
    return name.startswith(".") and name.endswith(PART)


def not_a_file(mode: int) -> str | None:
    """What a place is that is no regular file, to follow its name in a sentence; None for a regular file."""
    if stat.S_ISREG(mode):
        return None
    if stat.S_ISDIR(mode):
        return FOLDER
    if stat.S_ISLNK(mode):
        return "is a link, which is not followed here; put the file itself there"
    return f"is a {'pipe or socket' if stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode) else 'device'}, not a file"


def why_unreadable(error: OSError | ValueError) -> str:
    """Why a file cannot be read and what to do, to follow its name in a sentence."""
    code = error.errno if isinstance(error, OSError) else None
    if code == errno.ENOENT:
        if isinstance(error, OSError) and error.filename and os.path.islink(error.filename):
            return "is a link to a file that is gone; replace it with the file"
        return "is not there; check the name and the folder"
    if code == errno.ENOTDIR:
        return "is not there: part of its path is a file, not a folder; check the path"
    if code in (errno.EACCES, errno.EPERM):
        return "may not be read: permission denied; change its permissions"
    if code == errno.ELOOP:
        return "is a symbolic link that leads back to itself; replace it with the file"
    if code == errno.ENAMETOOLONG:
        return "has a name that is too long for the file system; rename it"
    if isinstance(error, ValueError):
        return "has a name that no file can have; rename it"
    return f"cannot be read: {error.strerror or type(error).__name__}; check the disk"


def leads_out(path: Path, folder: Path) -> bool:
    """Whether `path`, once all links are followed, lies outside `folder`, once all of its links are followed."""
    home = os.path.realpath(folder)
    return os.path.commonpath([home, os.path.realpath(path)]) != home


def open_regular(path: Path, *, most_bytes: int, follow: bool = True) -> io.BufferedReader:
    """Open a regular file of at most `most_bytes` for reading, at once: a pipe or device is refused, not waited for.

    Without `follow`, a link is refused too.  Raises UnusableFileError; its text follows the file's name in a sentence.
    """
    try:
        why = not_a_file((os.stat if follow else os.lstat)(path).st_mode)
        if why is not None:
            raise UnusableFileError(why)
        file = open(os.open(path, _AT_ONCE | (0 if follow else _NO_LINK)), "rb")  # noqa: SIM115
        state = os.fstat(file.fileno())
    except (OSError, ValueError) as error:
        raise UnusableFileError(why_unreadable(error)) from error
    why = not_a_file(state.st_mode)  # of what was opened, should it have been swapped meanwhile
    if why is None and state.st_size > most_bytes:
        why = _too_much(most_bytes)
    if why is not None:
        file.close()
        raise UnusableFileError(why)
    return file


def read_bounded(
    path: Path, most_bytes: int, *, follow: bool = True, read: Callable[[BinaryIO], bytes] | None = None
) -> bytes:
    """The content of a small regular file, or what `read` takes of it; as `open_regular`."""
    try:
        with open_regular(path, most_bytes=most_bytes, follow=follow) as file:
            if read is not None:
                return read(file)
            size = os.fstat(file.fileno()).st_size
            content = file.read(size + 1)  # room for no more than that: 32 MiB would take ten times as long to get
            if len(content) > size:
                content += file.read(most_bytes + 1 - size)
    except OSError as error:
        raise UnusableFileError(why_unreadable(error)) from error
    if len(content) > most_bytes:  # it grew, or its size was a lie
        raise UnusableFileError(_too_much(most_bytes))
    return content


def _too_much(most_bytes: int) -> str:
    most = f"{most_bytes >> 30} GiB" if most_bytes >= 1 << 30 else f"{most_bytes >> 20} MiB"
    return f"has more than {most}, the most that is read"


def explain(error: OSError, doing: str) -> ArchiveError:
    """An operating system's error as a sentence: what could not be done, why, what to do.

    `doing` completes 'cannot ...', as in 'write /music/site/index.html'.  MachineError where the machine is at its end.
    """
    code = error.errno
    if code in (errno.ENOSPC, errno.EDQUOT):
        why = "no space is left on the disk; make room and run it again. What the archive held before is untouched"
    elif code in (errno.EACCES, errno.EPERM, errno.EROFS):
        why = "the place is read-only or belongs to another account; choose another folder or change its permissions"
    elif code in (errno.ENOTDIR, errno.EEXIST, errno.EISDIR, errno.ENOTEMPTY):
        why = "a file stands where a folder is needed, or the other way round; move it away"
    elif code == errno.ELOOP:
        why = "a link stands in its place, which an archive does not follow; put the file itself there"
    elif code in (errno.ENAMETOOLONG, errno.EINVAL):
        why = "the file system does not take this name; give the beat a shorter or plainer one"
    else:
        why = error.strerror or type(error).__name__
    return (MachineError if code in _EXHAUSTED else ArchiveError)(f"cannot {doing}: {why}")


def sync_folder(folder: Path) -> None:
    """Flush a folder's entries, so that a rename in it outlives a power cut; nothing to do on Windows."""
    if os.name == "posix":
        sync_file(folder)


def sync_file(path: Path) -> None:
    """Flush a file written by something else."""
    handle = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def link_or_copy(source: Path, target: Path) -> None:
    """The same file under another name, taking its place in one step; a copy where there are no links between them."""
    part = target.with_name(part_name(target.name))
    try:
        try:
            os.link(source, part)
        except OSError:
            shutil.copyfile(source, part)
            sync_file(part)
        os.replace(part, target)
    finally:
        remove(part)


def protect(path: Path) -> None:
    """Make a file read-only under all its names; not on Windows, which would no longer remove it."""
    if os.name == "posix":
        path.chmod(path.stat().st_mode & ~0o222)


def write_new(path: Path, data: bytes) -> None:
    """Write a file that does not exist yet and flush it; permissions follow the umask."""
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def write_atomic(path: Path, data: bytes) -> None:
    """Put `data` at `path` in one step; if that fails (ArchiveError), the old content is still there."""
    part = path.with_name(part_name(path.name))
    try:
        write_new(part, data)
        os.replace(part, path)
        sync_folder(path.parent)
    except OSError as error:
        remove(part)
        raise explain(error, f"write {path}") from error


def append_line(path: Path, line: bytes) -> None:
    """Add one line to a file and flush it.  A line that an interrupted writer left unfinished is ended and kept.

    A line that did not fit on the disk is removed whole, and reported as an ArchiveError.  Links are not followed.
    """
    if b"\n" in line:
        raise ArchiveError(f"cannot add to {path}: one line was expected, with no line break in it")
    try:
        with open(path, "a+b", opener=_unlinked) as file:
            end = file.tell()
            file.seek(max(0, end - 1))
            open_end = file.read(1) not in (b"", b"\n")
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


def _unlinked(path: str, flags: int) -> int:
    handle = os.open(path, flags | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0), 0o666)
    if not_a_file(os.fstat(handle).st_mode) is None:
        return handle
    os.close(handle)
    raise OSError(errno.EEXIST, "is no regular file", path)


def make_folder(folder: Path) -> None:
    """Make a folder and its parents, unless it exists."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise explain(error, f"make the folder {folder}") from error


def make_own_folder(folder: Path) -> None:
    """As `make_folder`, and refuse a link: what is written below must not land elsewhere."""
    if folder.is_symlink():
        raise ArchiveError(f"cannot write to {folder}: it is a link, which is not followed; put a folder there")
    make_folder(folder)


def remove(path: Path) -> None:
    """Remove a file or a folder with all in it; no error if it is gone or cannot be removed."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
        return
    with suppress(OSError):
        path.unlink(missing_ok=True)


def sweep(folder: Path) -> None:
    """Remove what interrupted writers left in a folder.  Only the lock's holder may call it."""
    try:
        names = [entry.name for entry in os.scandir(folder) if is_leftover(entry.name)]
    except OSError:
        return
    for name in names:
        remove(folder / name)


@contextmanager
def locked(path: Path, *, waiting: Callable[[], None]) -> Iterator[None]:
    """Hold the lock file `path`, made if needed, for a `with` block.

    `waiting` is called once, before the wait, where another process or thread holds the lock.  The operating system
    frees the lock when its holder ends, however it ends, so it cannot go stale; the empty file stays.
    Raises ArchiveError if the lock file cannot be made, or the file system has no locks.
    """
    lock = FileLock(path)
    try:
        try:
            lock.acquire(blocking=False)
        except Timeout:
            waiting()
            lock.acquire()
    except OSError as error:
        raise explain(error, f"lock the archive with {path}") from error
    try:
        yield
    finally:
        lock.release()


@lru_cache(maxsize=1)
def source_mark() -> str:
    """A mark of the program itself, the same on every machine that has it: its version, modules and tables."""
    root = Path(dossier.__file__).parent
    mark = hashlib.sha256(dossier.__version__.encode())
    for path in sorted(path for path in root.rglob("*") if path.suffix in (".py", ".csv")):
        mark.update(f"\0{path.relative_to(root).as_posix()}\0".encode())
        mark.update(path.read_bytes())
    return mark.hexdigest()
