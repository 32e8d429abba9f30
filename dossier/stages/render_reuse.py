"""Render reuse: a long render that an earlier revision holds already is copied from there, not made anew.

What a render is made from is its key; what came out is kept as a digest.  A file of the earlier revision that has been
touched since has another digest, and is then not used.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from dossier import audio
from dossier.errors import AudioError
from dossier.memo import Memo
from dossier.model.measures import Sound

Write = Callable[[Path], None]
Renders = dict[str, bytes | Write]


@dataclass(frozen=True, slots=True)
class ReusableRender:
    """Writes a render to the path that it is given."""

    make: Callable[[], Sound]
    rate_hz: int
    memo: Memo
    key: str  # everything that the render is made from
    earlier: Path | None = None  # the renders of an earlier revision

    def __call__(self, path: Path) -> None:
        if not self._copied(path):
            write(path, self.make(), self.rate_hz)
            self.memo.cache.keep(self.key, audio.sha256(path))

    def _copied(self, path: Path) -> bool:
        """Copy the render of the earlier revision, where there is one and it is what would be made."""
        source = self.earlier / path.name if self.earlier is not None else None
        kept = self.memo.cache.find(self.key, str)
        if source is None or kept is None or not source.is_file():
            return False
        try:
            if audio.sha256(source) == kept:
                shutil.copyfile(source, path)
                return True
        except (AudioError, OSError):
            path.unlink(missing_ok=True)
        return False


def write(path: Path, samples: Sound, rate_hz: int) -> None:
    """Write a render: WAV, 24 bits."""
    audio.write_wav(path, samples, rate_hz, bits=24)


def reusable(memo: Memo, make: Callable[[], Sound], rate_hz: int, *depends: object) -> ReusableRender:
    """A stereo render of the beat itself and of `depends`."""
    return ReusableRender(make=make, rate_hz=rate_hz, memo=memo, key=memo.key("file", rate_hz, *depends))


def from_earlier(renders: Mapping[str, bytes | Write], folder: Path) -> Renders:
    """The renders, those that know what they are made from looking for themselves in an earlier revision's folder."""
    return {
        name: replace(render, earlier=folder) if isinstance(render, ReusableRender) else render
        for name, render in renders.items()
    }
