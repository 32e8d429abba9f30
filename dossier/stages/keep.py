"""Keep: what a build worked out before is not worked out again.

Results are kept by content: the hashes of the stems, settings and references that everything in a beat depends on (the
`mark`), and whatever else a result depends on.  A change to the program's own source makes all kept results new.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

import numpy as np

import dossier
from dossier import workers
from dossier.cache import Cache, key_of

KEPT_BYTES = 128 << 20  # a longer sound is made again rather than kept, on disk or in memory

In = TypeVar("In")
T = TypeVar("T")


def turn(size_bytes: int) -> AbstractContextManager[object]:
    """What works on sounds so long that several would fill the memory waits for its turn; no turn inside another."""
    return _ONE_AT_A_TIME if size_bytes > KEPT_BYTES else nullcontext()


_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True, slots=True)
class Keep:
    """The cache, and what all kept results of one beat depend on."""

    cache: Cache
    mark: str

    def __call__(
        self, what: str, kind: type[T], compute: Callable[[], T], *depends: object
    ) -> T:
        """The result called `what`, of type `kind`, from the cache or from `compute`, and then kept."""
        return self.cache.remember(self.key(what, *depends), kind, compute)

    def spread(
        self, what: str, kind: type[T], function: Callable[[In], T], inputs: Sequence[In], *,
        depends: Sequence[Sequence[object]], jobs: int, cost_s: Callable[[In], float],
    ) -> list[T]:  # fmt: skip
        """`function` of each input: from the cache where it was worked out before, the rest over the cores.

        `cost_s`: see `workers.spread`.
        """
        keys = [self.key(what, *parts) for parts in depends]
        fresh = [index for index, key in enumerate(keys) if self.cache.get(key) is None]
        results = workers.spread(function, [inputs[index] for index in fresh], jobs=jobs, cost_s=cost_s)
        made = dict(zip(fresh, results, strict=True))
        return [
            self.cache.remember(key, kind, lambda i=index: made[i] if i in made else function(inputs[i]))  # type: ignore[misc]
            for index, key in enumerate(keys)
        ]

    def key(self, what: str, *depends: object) -> str:
        return key_of(what, source(), self.mark, *(_plain(part) for part in depends))


@lru_cache(maxsize=1)
def source() -> str:
    """A mark of the program's own files: version, and name, size and time of each module."""
    root = Path(dossier.__file__).parent
    stats = [(str(path.relative_to(root)), path.stat()) for path in sorted(root.rglob("*.py"))]
    return key_of(dossier.__version__, [(name, found.st_size, found.st_mtime_ns) for name, found in stats])


def _plain(part: object) -> object:
    """Arrays by their content, also inside mappings; everything else as it is."""
    if isinstance(part, Mapping):
        return [[name, _plain(value)] for name, value in part.items()]
    if isinstance(part, list | tuple):
        return [_plain(value) for value in part]
    if isinstance(part, np.ndarray):
        import hashlib

        return [part.shape, str(part.dtype), hashlib.sha256(np.ascontiguousarray(part).tobytes()).hexdigest()]
    return part
