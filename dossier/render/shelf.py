"""Shelf: what every page needs and is slow to make, taken from where an earlier build left it.

The shelf is the cache of the build, which checks what it gives back.  Without one all is made anew, the same.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from typing import Protocol

import jinja2
from jinja2.bccache import Bucket


class Shelf(Protocol):
    """Bytes by key, of 64 hexadecimal digits."""

    def get(self, key: str) -> bytes | memoryview | None:
        """What was put there; None where nothing was, or it is damaged."""

    def put(self, key: str, content: bytes) -> None:
        """Keep it, if that can be done."""


def shelved(shelf: Shelf | None, what: str, make: Callable[[], str]) -> str:
    """The ASCII text that `what` names in full, from the shelf or made and left there."""
    key = hashlib.sha256(what.encode()).hexdigest()
    found = shelf.get(key) if shelf is not None else None
    if found is not None:
        return str(found, "ascii")
    made = make()
    if shelf is not None:
        shelf.put(key, made.encode("ascii"))
    return made


@dataclass(frozen=True)
class KeptTemplates(jinja2.BytecodeCache):
    """Templates as they are compiled."""

    shelf: Shelf
    mark: str  # of the program's source: filters and options are compiled in, and Jinja2 does not look at them

    def _key(self, bucket: Bucket) -> str:
        told = f"template {version('jinja2')} {self.mark} {bucket.key} {bucket.checksum}"
        return hashlib.sha256(told.encode()).hexdigest()

    def load_bytecode(self, bucket: Bucket) -> None:
        found = self.shelf.get(self._key(bucket))
        if found is not None:
            bucket.bytecode_from_string(bytes(found))

    def dump_bytecode(self, bucket: Bucket) -> None:
        self.shelf.put(self._key(bucket), bucket.bytecode_to_string())
