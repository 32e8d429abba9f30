"""What an earlier build worked out is not worked out again.

A result is filed under its kind, the program's own source and everything that it depends on, by content: a key must
list every input.  What only words depend on (title, artist, origin, rights) is in no key.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from typing import Literal, TypeVar

import numpy as np
from msgspec import Struct

from dossier.cache import Cache, key_of
from dossier.files import source_mark
from dossier.parallel import HERE, LONG_BYTES, Engine

Kind = Literal[
    "measured",  # a drum file on its own, or a batch of them coarsely
    "heard",  # the music: its sum and its measures
    "level",  # a candidate in this beat; how sure the drums are
    "plan",  # a searched treatment
    "mix",  # figures of the rough mix and of long parts
    "preview",  # an encoded excerpt, and its energy
    "file",  # a pattern; of a long render, its digest
]
In = TypeVar("In")
T = TypeVar("T")


class Memo(Struct, frozen=True):
    """The cache, and what all results that are filed here depend on."""

    cache: Cache
    mark: str = ""

    def within(self, *depends: object) -> Memo:
        """A memo whose results depend on these things too."""
        return Memo(self.cache, key_of(self.mark, *map(by_content, depends)))

    def key(self, kind: Kind, *depends: object) -> str:
        return key_of(kind, source_mark(), self.mark, *map(by_content, depends))

    def __call__(self, kind: Kind, result: type[T], compute: Callable[[], T], *depends: object) -> T:
        """A result of numbers, text and arrays, from the cache or computed and, unless it is long, kept."""
        return self.cache.remember(self.key(kind, result.__name__, *depends), result, compute, most_bytes=LONG_BYTES)

    def map(
        self, kind: Kind, result: type[T], function: Callable[[In], T], inputs: Sequence[In],
        depends: Sequence[Sequence[object]], *, engine: Engine = HERE, what: str = "",
        say: Callable[[str], object] = str,
    ) -> list[T]:  # fmt: skip
        """`function` of each input: from the cache where it is known, the rest by the engine, counted."""
        keys = [self.key(kind, result.__name__, *parts) for parts in depends]
        known = [self.cache.find(key, result) for key in keys]
        fresh = [index for index, value in enumerate(known) if value is None]
        wanted = [inputs[index] for index in fresh]
        made = engine.map(function, wanted, what=what, say=say, brief=True)
        for index, value in zip(fresh, made, strict=True):
            self.cache.keep(keys[index], value)
            known[index] = value
        return [value for value in known if value is not None]


def by_content(part: object) -> object:
    """Arrays by a digest, also inside mappings and sequences; everything else as it is."""
    if isinstance(part, Mapping):
        return [[name, by_content(value)] for name, value in part.items()]
    if isinstance(part, list | tuple):
        return [by_content(value) for value in part]
    if isinstance(part, np.ndarray):
        content = np.ascontiguousarray(part).reshape(-1).view(np.uint8)
        return [part.shape, str(part.dtype), hashlib.sha256(content.data).hexdigest()]
    return part
