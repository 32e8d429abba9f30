"""A cache of measurements, by content: safe to delete, safe to share between processes, never a reason to fail.

Conventions
    An entry's key is a SHA-256 over what the result depends on: the content hash of the file, the name and version of
    the measure, its options (`key_of`).  Nothing is ever looked up by path or date, so that an entry cannot be stale.
    An entry is one file: a mark, a SHA-256 of key and content, the content.  It is written beside its place and
    renamed; an entry that does not check out (a crash, a bad disk) counts as absent and is removed.
    Whatever goes wrong with the cache (no home folder, read-only, full disk), the work is done without it.
    The folder is `DOSSIER_CACHE`, or `dossier` in the user's cache folder of the platform (XDG Base Directory
    Specification on Linux; ~/Library/Caches on macOS; LOCALAPPDATA on Windows), outside every beat and archive.
    Everything but arrays is stored as MessagePack.  Arrays stand after it, each in NumPy's .npy format without pickle
    (NEP 1) at a multiple of 64 bytes, so that what is read back is a view of the bytes that were read: a long sound is
    copied neither into an entry nor out of it, and of a large entry the system's own copy of the file is looked at.
    Such an array is read-only.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import mmap
import os
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from dossier.files import is_leftover, part_name

T = TypeVar("T")
Piece = bytes | memoryview

SIZE_LIMIT_BYTES = 2 << 30
_MARK = b"dossier2"
_ALIGNED = 64  # bytes; what any processor's widest loads want
_LENGTH = struct.Struct("<Q")  # of the MessagePack part of what `pack` makes, which follows
_NPY_HEAD = struct.Struct("<6sBBH")  # of .npy 1.0: magic, version, length of the header, which follows
_HEAD = _ALIGNED  # mark, SHA-256 and padding, so that the content begins aligned
_KEEP_AFTER_EVICTION = 0.8  # so that not every write evicts
_TOUCH_AFTER_S = 60.0  # a read renews an entry's date at most this often
_MAPPED_BYTES = 16 << 20  # from here on an entry is looked at where the system holds it; each takes an open file
_LEFTOVER_AFTER_S = 3600.0  # nobody takes that long to write an entry
_WRITES_BETWEEN_LOOKS = 200


def key_of(*parts: object) -> str:
    """A key from all that a result depends on: hashes, names, versions, options; 64 hexadecimal digits."""
    return hashlib.sha256(msgspec.msgpack.encode(parts, order="sorted", enc_hook=_encode_hook)).hexdigest()


def default_folder() -> Path | None:
    """Where the cache lies by default; None where the system names no place for it."""
    chosen = os.environ.get("DOSSIER_CACHE")
    if chosen:
        return Path(chosen)
    try:
        home = Path.home()
    except RuntimeError:
        return None
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData/Local")
    elif sys.platform == "darwin":
        base = home / "Library/Caches"
    else:
        named = os.environ.get("XDG_CACHE_HOME", "")
        base = Path(named) if os.path.isabs(named) else home / ".cache"
    return base / "dossier"


class Cache:
    """Entries in one folder.  Any number of processes and threads may use the same folder; an instance may be pickled.

    Parameters
    ----------
    folder : Path, optional
        `default_folder()` without it; where that is None, nothing is kept.
    limit_bytes : int
        When the entries grow beyond, those not used for longest go.
    """

    def __init__(self, folder: Path | None = None, *, limit_bytes: int = SIZE_LIMIT_BYTES) -> None:
        self.folder = folder if folder is not None else default_folder()
        self.limit_bytes = limit_bytes
        self._start()

    def _start(self) -> None:
        self._writable = self.folder is not None
        self._writes = 0
        self._count = threading.Lock()

    def __getstate__(self) -> tuple[Path | None, int]:
        return self.folder, self.limit_bytes

    def __setstate__(self, state: tuple[Path | None, int]) -> None:
        self.folder, self.limit_bytes = state
        self._start()

    def get(self, key: str) -> memoryview | None:
        """The content of an entry; None where it is absent, damaged or cannot be read."""
        path = self._path(key)
        if path is None:
            return None
        try:
            raw = _read_aligned(path)
        except OSError:
            return None
        content = raw[_HEAD:]
        if raw[:_HEAD] != _head(key, content):
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        with contextlib.suppress(OSError):
            now = time.time()
            if now - path.stat().st_mtime > _TOUCH_AFTER_S:
                os.utime(path)
        return content

    def put(self, key: str, *content: Piece) -> None:
        """Keep an entry, whole or in pieces, if that can be done."""
        path = self._path(key)
        if path is None or not self._writable or _size(content) > self.limit_bytes:
            return
        part = path.with_name(part_name(f"{path.name}-{threading.get_ident()}"))
        try:
            if not path.parent.is_dir():
                path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with part.open("xb") as file:
                file.write(_head(key, *content))
                file.writelines(content)
            os.replace(part, path)
        except OSError:
            with contextlib.suppress(OSError):
                part.unlink()
            self._writable = False  # do not try again and again in this process
            return
        with self._count:
            self._writes += 1
            look = self._writes % _WRITES_BETWEEN_LOOKS == 1
        if look:
            self.trim()

    def memo(
        self, key: str, compute: Callable[[], T], encode: Callable[[T], bytes], decode: Callable[[memoryview], T]
    ) -> T:
        """The value under `key`, computed and kept where it is not there or `decode` refuses what is."""
        return self._memo(key, compute, lambda value: (encode(value),), decode)

    def remember(
        self, key: str, kind: type[T], compute: Callable[[], T], *, most_bytes: int | None = None
    ) -> T:
        """`memo` for any dataclass of numbers, text and arrays: see `pack`.  More than `most_bytes` is not kept."""
        return self._memo(key, compute, _pieces, lambda content: unpack(content, kind), most_bytes=most_bytes)

    def _memo(
        self, key: str, compute: Callable[[], T], encode: Callable[[T], Sequence[Piece]],
        decode: Callable[[memoryview], T], *, most_bytes: int | None = None,
    ) -> T:  # fmt: skip
        content = self.get(key)
        if content is not None:
            try:
                return decode(content)
            except Exception:  # an entry of another shape is as good as none, whatever decode makes of it
                pass
        value = compute()
        encoded = encode(value)
        if most_bytes is None or _size(encoded) <= most_bytes:
            self.put(key, *encoded)
        return value

    def trim(self) -> None:
        """Remove the entries not used for longest until the rest is well under the limit, and old leftovers."""
        found: list[tuple[float, int, str]] = []
        for entry in self._entries():
            try:
                status = entry.stat()
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


def _read_aligned(path: Path) -> memoryview:
    """A file's bytes, the first at an address that is a multiple of `_ALIGNED`."""
    import numpy as np

    with path.open("rb", buffering=0) as file:
        size = os.fstat(file.fileno()).st_size
        if size >= _MAPPED_BYTES and os.name == "posix":  # entries are replaced or removed as a whole, never changed
            return memoryview(mmap.mmap(file.fileno(), size, access=mmap.ACCESS_READ))
        room = np.empty(size + _ALIGNED, dtype=np.uint8)
        start = -room.ctypes.data % _ALIGNED
        whole = room.data[start : start + size]
        done = 0
        while done < size:
            got = file.readinto(whole[done:])
            if not got:
                break
            done += got
    return whole[:done].toreadonly()


def _head(key: str, *content: Piece) -> bytes:
    digest = hashlib.sha256(key.encode())
    for piece in content:
        digest.update(piece)
    return (_MARK + digest.digest()).ljust(_HEAD, b"\0")


def _size(content: Sequence[Piece]) -> int:
    return sum(memoryview(piece).nbytes for piece in content)


def pack(value: object) -> bytes:
    """A dataclass (numbers, text, sequences, mappings, NumPy arrays) as bytes; not-a-number and infinity are kept.

    Raises
    ------
    TypeError
        It holds something else, such as an array of objects.
    """
    return b"".join(_pieces(value))


def _pieces(value: object) -> list[Piece]:
    """What `pack` gives, the arrays as they lie in memory."""
    import numpy as np

    arrays: list[Any] = []

    def hook(part: Any) -> object:
        if isinstance(part, np.ndarray):
            if part.dtype.hasobject:
                raise TypeError("an array of objects cannot be kept")
            arrays.append(part)
            return len(arrays) - 1
        return _encode_hook(part)

    told = msgspec.msgpack.encode(value, enc_hook=hook)
    out: list[Piece] = [_LENGTH.pack(len(told)), told]
    size = _size(out)
    for array in arrays:
        plain = array if array.flags.c_contiguous or array.flags.f_contiguous else np.ascontiguousarray(array)
        head = io.BytesIO()
        np.lib.format.write_array_header_1_0(head, np.lib.format.header_data_from_array_1_0(plain))
        out += [bytes(-size % _ALIGNED), head.getvalue(), plain.ravel(order="A").view(np.uint8).data]
        size += _size(out[-3:])
    return out


def unpack(content: bytes | memoryview, kind: type[T]) -> T:
    """What `pack` was given, checked against its type; arrays are read-only views of `content`.

    Raises
    ------
    ValueError
        The content is of another shape.
    """
    whole = memoryview(content).toreadonly()
    try:
        told = whole[_LENGTH.size : _LENGTH.size + _LENGTH.unpack_from(whole)[0]]
        arrays = _arrays(whole, _LENGTH.size + len(told))
        _learn(kind)
        return msgspec.msgpack.decode(told, type=kind, dec_hook=lambda wanted, part: _decode_hook(wanted, part, arrays))
    except (msgspec.MsgspecError, struct.error, LookupError, TypeError) as error:
        raise ValueError(f"no {kind.__name__} was kept here ({error})") from error


def _learn(kind: Any) -> None:
    """Let msgspec look at a type once, by one thread at a time: it crashes where two look at the same one."""
    if kind not in _LEARNT:
        with _LEARNING:
            msgspec.msgpack.Decoder(kind, dec_hook=lambda _, part: part)
            _LEARNT.add(kind)


_LEARNING = threading.Lock()
_LEARNT: set[object] = set()


def _arrays(whole: memoryview, begin: int) -> list[Any]:
    """The arrays in the .npy format that stand one after the other from `begin` on."""
    import numpy as np

    found: list[Any] = []
    while (begin := begin + -begin % _ALIGNED) < len(whole):
        length = _NPY_HEAD.unpack_from(whole, begin)[-1]
        head = io.BytesIO(whole[begin : begin + _NPY_HEAD.size + length])
        if np.lib.format.read_magic(head) != (1, 0):
            raise ValueError("an array of a later .npy format")
        shape, columns_first, dtype = np.lib.format.read_array_header_1_0(head)
        if dtype.hasobject:
            raise ValueError("Object arrays are never read back")
        begin += _NPY_HEAD.size + length
        one = np.ndarray(shape, dtype, buffer=whole, offset=begin, order="F" if columns_first else "C")
        found.append(one)
        begin += one.nbytes
    return found


def _encode_hook(value: Any) -> object:
    import numpy as np

    if isinstance(value, np.ndarray):  # in a key
        file = io.BytesIO()
        np.lib.format.write_array(file, value, allow_pickle=False)
        return file.getvalue()
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a {type(value).__name__} cannot be kept")


def _decode_hook(kind: Any, part: Any, arrays: list[Any]) -> object:
    import numpy as np

    if kind is np.ndarray or getattr(kind, "__origin__", None) is np.ndarray:
        return arrays[part]
    raise TypeError(f"{kind} cannot be read back")
