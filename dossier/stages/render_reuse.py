"""How a render is written; a long one that an earlier revision holds already is linked from there, not made anew.

That may be a revision under another name: of a beat that has another title since.

What a render is made from is its key; what came out is kept as a digest.  A file of the earlier revision that has been
touched since has another digest, and is then not used.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier import audio, files
from dossier.errors import AudioError
from dossier.measure import pitch
from dossier.memo import Memo
from dossier.model.channels import as_mono
from dossier.model.measures import Pitch, Samples, Sound
from dossier.model.notes import nearest_note
from dossier.treat.samples import sample_peak

Write = Callable[[Path], None]
Renders = dict[str, bytes | Write]


class ReusableRender(Struct, frozen=True):
    """Writes a render, FLAC of 24 bits, mono as mono, to the path that it is given."""

    make: Callable[[], Sound]
    rate_hz: int
    memo: Memo
    key: str  # everything that the render is made from
    earlier: Path | None = None  # the file of an earlier revision

    def __call__(self, path: Path) -> None:
        if not self._linked(path):
            sound = self.make()
            sound = as_mono(sound) if isinstance(sound, np.ndarray) else sound
            audio.write_flac(path, sound, self.rate_hz)
            self.memo.cache.keep(self.key, audio.sha256(path))

    def _linked(self, path: Path) -> bool:
        """Link the render of the earlier revision, where there is one and it is what would be made."""
        kept = self.memo.cache.find(self.key, str)
        if self.earlier is None or kept is None or not self.earlier.is_file():
            return False
        try:
            if audio.sha256(self.earlier) == kept:
                files.link_or_copy(self.earlier, path)
                return True
        except (AudioError, OSError):
            path.unlink(missing_ok=True)
        return False


def hit_file(samples: Samples, rate_hz: int, memo: Memo, *, tail_db: float) -> tuple[bytes, float]:
    """A one-shot as a WAV, without what is `tail_db` below its peak at its end, and by how much it is lowered."""
    peak = sample_peak(samples)
    heard = np.flatnonzero(np.abs(samples).max(axis=1, initial=0.0) > peak * 10.0 ** (-tail_db / 20.0))
    kept = samples[: heard[-1] + 1] if len(heard) else samples
    hz = memo("level", Pitch, partial(pitch.pitch, kept, rate_hz), kept, rate_hz).hz
    return in_range(kept, rate_hz, root_note=nearest_note(hz)[0] if hz is not None else None)


def in_range(
    samples: Samples, rate_hz: int, *, tempo_bpm: float | None = None, root_note: int | None = None
) -> tuple[bytes, float]:
    """A sound as a WAV of 24 bits, mono as mono, and by how many dB it is lowered to fit."""
    lower_db = over_db(sample_peak(samples))
    turned = samples * 10.0 ** (-lower_db / 20.0) if lower_db else samples
    return audio.wav_bytes(as_mono(turned), rate_hz, tempo_bpm=tempo_bpm, root_note=root_note), lower_db


def over_db(peak: float, highest_dbfs: float = 0.0) -> float:
    """By how many dB, in steps of 0.1, a sample peak passes the highest; 0 where it does not."""
    passed_db = 20.0 * float(np.log10(max(peak, 1e-9))) - highest_dbfs
    return float(np.ceil(10.0 * passed_db) / 10.0) if passed_db > 0.0 else 0.0


def reusable(memo: Memo, make: Callable[[], Sound], rate_hz: int, *depends: object) -> ReusableRender:
    """A render of the beat itself and of `depends`."""
    return ReusableRender(make=make, rate_hz=rate_hz, memo=memo, key=memo.key("file", rate_hz, *depends))


def from_earlier(renders: Mapping[str, bytes | Write], folder: Path, slug: str, earlier_slug: str) -> Renders:
    """The renders, those that know what they are made from looking for themselves in an earlier revision's folder."""
    return {
        name: replace(render, earlier=folder / f"{earlier_slug}{name.removeprefix(slug)}")
        if isinstance(render, ReusableRender) else render
        for name, render in renders.items()
    }  # fmt: skip
