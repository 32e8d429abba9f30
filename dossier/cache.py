"""A cache of numbers, by content: safe to delete, safe to share between processes, never a reason to fail.

Conventions
    A key is a SHA-256 over everything that the result depends on (`key_of`); nothing is looked up by path or date.
    An entry is one file: a mark, a SHA-256 of key and content, the content.  It is written beside its place and
    renamed; an entry that does not check out counts as absent and is removed.
    The content is MessagePack, checked against the wanted type as it is read, with arrays in NumPy's .npy format
    without pickle (NEP 1).  It holds numbers, text and encoded sound: nothing in it is run or put into a page.
    Only regular files are opened, links are not followed, and no entry may be larger than the whole cache.
    Whatever goes wrong (no home folder, read-only, full disk), the work is done without a cache.
    The folder is `DOSSIER_CACHE`, else the platform's own cache folder for `dossier`.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import stat
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from dossier.files import is_leftover, part_name

T = TypeVar("T")

SIZE_LIMIT_BYTES = 2 << 30
_MARK = b"dossier3"
_HEAD = len(_MARK) + hashlib.sha256().digest_size
_KEEP_AFTER_EVICTION = 0.8  # so that not every write evicts
_TOUCH_AFTER_S = 60.0  # a read renews an entry's date at most this often
_LEFTOVER_AFTER_S = 3600.0  # no writer takes that long
_WRITES_BETWEEN_TRIMS = 200


def key_of(*parts: object) -> str:
    """A key from everything that a result depends on: hashes, names, versions, options; 64 hexadecimal digits."""
    return hashlib.sha256(msgspec.msgpack.encode(parts, order="sorted", enc_hook=_encode_hook)).hexdigest()


def default_folder() -> Path | None:
    """Where the cache lies by default; None where the system names no place for it."""
    chosen = os.environ.get("DOSSIER_CACHE")
    if chosen:
        return Path(chosen)
    import platformdirs

    folder = platformdirs.user_cache_path("dossier", appauthor=False)
    return folder if folder.is_absolute() else None


class Cache:
    """Entries in one folder.  Any number of processes and threads may share it; an instance may be pickled.

    Without `folder` it is `default_folder()`; where that is None, nothing is kept.  When the entries grow beyond
    `limit_bytes`, those not used for longest go.
    """

    def __init__(self, folder: Path | None = None, *, limit_bytes: int = SIZE_LIMIT_BYTES) -> None:
        self.folder = folder if folder is not None else default_folder()
        self.limit_bytes = limit_bytes
        self.refused = ""  # why results could not be kept any more
        self._writable = self.folder is not None
        self._writes = 0

    def remember(self, key: str, kind: type[T], compute: Callable[[], T], *, most_bytes: int | None = None) -> T:
        """The result under `key`, computed and kept where it is absent; more than `most_bytes` is not kept."""
        value = self.find(key, kind)
        if value is None:
            value = compute()
            self.keep(key, value, most_bytes=most_bytes)
        return value

    def find(self, key: str, kind: type[T]) -> T | None:
        """What is kept under a key; None where it is absent, damaged or of another shape.  Arrays are read-only."""
        content = self._read(key)
        if content is None:
            return None
        try:
            return unpack(content, kind)
        except ValueError:
            return None

    def keep(self, key: str, value: object, *, most_bytes: int | None = None) -> None:
        """Keep a result, if that can be done."""
        path = self._path(key)
        if path is None or not self._writable:
            return
        content = pack(value)
        if len(content) > min(self.limit_bytes, most_bytes or self.limit_bytes):
            return
        part = path.with_name(part_name(f"{path.name}-{threading.get_ident()}"))
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with part.open("xb") as file:
                file.write(_head(key, content))
                file.write(content)
            os.replace(part, path)
        except OSError as error:
            with contextlib.suppress(OSError):
                part.unlink()
            self.refused = error.strerror or str(error)
            self._writable = False  # do not try again and again in this process
            return
        self._writes += 1
        if self._writes % _WRITES_BETWEEN_TRIMS == 1:
            self.trim()

    def trim(self) -> None:
        """Remove the entries not used for longest until the rest is well under the limit, and old leftovers."""
        found: list[tuple[float, int, str]] = []
        for entry in self._entries():
            try:
                status = entry.stat(follow_symlinks=False)
            except OSError:
                continue
            if not is_leftover(entry.name):
                found.append((status.st_mtime, status.st_size, entry.path))
            elif time.time() - status.st_mtime > _LEFTOVER_AFTER_S:
                with contextlib.suppress(OSError):
                    os.unlink(entry.path)
        total = sum(size for _, size, _ in found)
        if total <= self.limit_bytes:
            return
        for _, size, path in sorted(found):
            with contextlib.suppress(OSError):
                os.unlink(path)
            total -= size
            if total <= _KEEP_AFTER_EVICTION * self.limit_bytes:
                return

    def _read(self, key: str) -> bytes | None:
        path = self._path(key)
        if path is None:
            return None
        try:
            # Not blocking, so that a pipe in an entry's place cannot make the program wait.
            handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
            with open(handle, "rb") as file:
                status = os.fstat(handle)
                if not stat.S_ISREG(status.st_mode) or status.st_size > self.limit_bytes:
                    return None
                head, content = file.read(_HEAD), file.read()
            if head != _head(key, content):
                path.unlink()
                return None
            if time.time() - status.st_mtime > _TOUCH_AFTER_S:
                os.utime(path)
        except OSError:
            return None
        return content

    def _entries(self) -> Iterator[os.DirEntry[str]]:
        if self.folder is None:
            return
        try:
            folders = [entry.path for entry in os.scandir(self.folder) if len(entry.name) == 2 and entry.is_dir()]
        except OSError:
            return
        for folder in folders:
            with contextlib.suppress(OSError):
                yield from os.scandir(folder)

    def _path(self, key: str) -> Path | None:
        return None if self.folder is None else self.folder / key[:2] / key


def pack(value: object) -> bytes:
    """A result (structs, numbers, text, bytes, mappings, arrays) as bytes; not-a-number and infinity survive.

    Raises `TypeError` where it holds something else, such as an array of objects.
    """
    return msgspec.msgpack.encode(value, enc_hook=_encode_hook)


def unpack(content: bytes, kind: type[T]) -> T:
    """What `pack` was given, checked against its type; arrays are read-only.

    Raises `ValueError` where the content is of another shape.
    """
    try:
        return _decoder(kind).decode(content)  # type: ignore[no-any-return]
    except Exception as error:  # damaged headers of arrays raise much more than a ValueError
        raise ValueError(f"no {kind.__name__} was kept here ({error})") from error


def _head(key: str, content: bytes) -> bytes:
    digest = hashlib.sha256(key.encode())
    digest.update(content)
    return _MARK + digest.digest()


_decoders: dict[Any, Any] = {}
_decoders_lock = threading.Lock()


def _decoder(kind: Any) -> Any:
    """One decoder a type, made by one thread at a time: msgspec crashes where two inspect the same type at once."""
    with _decoders_lock:
        if kind not in _decoders:
            _decoders[kind] = msgspec.msgpack.Decoder(kind, dec_hook=_decode_hook)
        return _decoders[kind]


def _encode_hook(value: Any) -> object:
    import numpy as np

    if isinstance(value, np.ndarray):
        if value.dtype.hasobject:
            raise TypeError("an array of objects cannot be kept")
        file = io.BytesIO()
        np.lib.format.write_array(file, value, version=(1, 0), allow_pickle=False)
        return file.getvalue()
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a {type(value).__name__} cannot be kept")


def _decode_hook(kind: Any, part: Any) -> object:
    import numpy as np

    if not (kind is np.ndarray or getattr(kind, "__origin__", None) is np.ndarray) or not isinstance(part, bytes):
        raise TypeError(f"{kind} cannot be read back")
    file = io.BytesIO(part)
    if np.lib.format.read_magic(file) != (1, 0):
        raise ValueError("an array of a later .npy format")
    shape, columns_first, dtype = np.lib.format.read_array_header_1_0(file)
    if dtype.hasobject:
        raise ValueError("arrays of objects are never read back")
    array = np.frombuffer(part, dtype, offset=file.tell())
    return array.reshape(shape, order="F" if columns_first else "C")
