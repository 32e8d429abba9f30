"""Again: a long render that an earlier revision holds already is copied from there, not made anew.

What a render was made from is its key; what came out is kept as a digest.  A file of the earlier revision that has been
touched since has another digest, and is then not used.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from dossier import audio
from dossier.cache import pack, unpack
from dossier.errors import AudioError
from dossier.files import not_read_soon
from dossier.model.measures import Sound
from dossier.stages.keep import KEPT_BYTES, Keep, turn

Write = Callable[[Path], None]


@dataclass(frozen=True, slots=True)
class Made:
    """What came out, as it is kept."""

    sha256: str


@dataclass(frozen=True, slots=True)
class Again:
    """Writes a render to the path that it is given: WAV, 24 bits."""

    make: Callable[[], Sound]
    rate_hz: int
    size_bytes: int  # of what of the sound is in memory at once
    keep: Keep
    key: str  # all that the render is made from
    earlier: Path | None = None  # the renders of an earlier revision

    def __call__(self, path: Path) -> None:
        if self._copied(path):
            return
        with turn(self.size_bytes):
            audio.write_wav(path, self.make(), self.rate_hz, bits=24)
        self.keep.cache.put(self.key, pack(Made(audio.sha256(path))))

    def _copied(self, path: Path) -> bool:
        """Copy the render of the earlier revision, where there is one and it is what would be made."""
        source = self.earlier / path.name if self.earlier is not None else None
        if source is None or not source.is_file():
            return False
        digest = self._digest()
        try:
            if digest is not None and audio.sha256(source) == digest:
                shutil.copyfile(source, path)
                return True
        except (AudioError, OSError):
            path.unlink(missing_ok=True)
        finally:
            not_read_soon(source)  # the next build looks at the new one
        return False

    def begun(self, beside: Executor) -> Again:
        """The same, its sound being made meanwhile.

        Not where it was made before and may only have to be copied, nor where it had better not wait in memory.
        """
        if self.size_bytes > KEPT_BYTES or self._digest() is not None:
            return self
        return replace(self, make=beside.submit(self.make).result)

    def _digest(self) -> str | None:
        content = self.keep.cache.get(self.key)
        if content is None:
            return None
        try:
            return unpack(content, Made).sha256
        except ValueError:  # an entry of another shape
            return None


def keyed(keep: Keep, make: Callable[[], Sound], rate_hz: int, frames: int, *depends: object) -> Again:
    """A stereo render, about so many frames of it at once in memory, of the beat itself and of `depends`."""
    size = frames * 2 * np.dtype(np.float32).itemsize
    return Again(make=make, rate_hz=rate_hz, size_bytes=size, keep=keep, key=keep.key("render", rate_hz, *depends))


def from_earlier(renders: Mapping[str, bytes | Write], folder: Path) -> dict[str, bytes | Write]:
    """The renders, those that know what they are made from looking for themselves in an earlier revision's folder."""
    return {
        name: replace(render, earlier=folder) if isinstance(render, Again) else render
        for name, render in renders.items()
    }


def long_first(renders: Mapping[str, bytes | Write]) -> dict[str, bytes | Write]:
    """The renders in the order in which they are best written."""
    return dict(sorted(renders.items(), key=lambda item: not isinstance(item[1], Again)))
