"""Keep: what a build worked out before is not worked out again.

Results are kept by content: the hashes of the stems, settings and references that everything in a beat depends on (the
`mark`), and whatever else a result depends on.  A change to the program's own source makes all kept results new.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

import numpy as np

import dossier
from dossier.cache import Cache, key_of

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Keep:
    """The cache, and what all kept results of one beat depend on."""

    cache: Cache
    mark: str

    def __call__(self, what: str, kind: type[T], compute: Callable[[], T], *depends: object) -> T:
        """The result called `what`, of type `kind`, from the cache or from `compute`."""
        return self.cache.remember(self.key(what, *depends), kind, compute)

    def key(self, what: str, *depends: object) -> str:
        return key_of(what, source(), self.mark, *(_plain(part) for part in depends))


@lru_cache(maxsize=1)
def source() -> str:
    """A mark of the program's own files: version, and name, size and time of each module."""
    root = Path(dossier.__file__).parent
    stats = [(str(path.relative_to(root)), path.stat()) for path in sorted(root.rglob("*.py"))]
    return key_of(dossier.__version__, [(name, found.st_size, found.st_mtime_ns) for name, found in stats])


def _plain(part: object) -> object:
    """Arrays by their content, everything else as it is."""
    if isinstance(part, np.ndarray):
        import hashlib

        return [part.shape, str(part.dtype), hashlib.sha256(np.ascontiguousarray(part).tobytes()).hexdigest()]
    return part
