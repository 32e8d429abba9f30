"""What several tests need: a grid that is known exactly, a folder's content, the demo where it was built."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from dossier import audio
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.model.datafile import DossierData
from dossier.model.measures import Grid, Samples


def grid(bars: int = 2, tempo: float = 120.0, swing: float = 0.5, start: float = 0.0) -> Grid:
    """A 4/4 grid that is known exactly."""
    return Grid(
        tempo_bpm=tempo, tempo_source="beat.toml", tempo_confidence=1.0, first_downbeat_s=start,
        downbeat_source="beat.toml", downbeat_confidence=1.0, swing=swing, swing_source="beat.toml",
        swing_confidence=1.0, meter=(4, 4), bars=bars,
    )  # fmt: skip


def write_wav(path: Path, samples: Samples, rate_hz: int, **tags: Any) -> None:
    path.write_bytes(audio.wav_bytes(samples, rate_hz, **tags))


def contents(root: Path) -> dict[str, bytes]:
    """Every file in a folder, by its place there."""
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in root.rglob("*") if path.is_file()}


@dataclass(frozen=True)
class Demo:
    """The demo's beats, the archive that was built of them, and the cache that was filled by it."""

    MADE: ClassVar[str] = "2026-01-02T03:04:05Z"

    audio: Path
    archive: Archive
    cache: Cache

    def data(self, slug: str) -> DossierData:
        found = self.archive.latest(slug)
        assert found is not None
        return found

    def page(self, slug: str) -> str:
        revision = self.data(slug).revision.id
        return (self.archive.root / slug / f"{slug}-{revision}.html").read_text(encoding="utf-8")

    def renders(self, slug: str) -> Path:
        return self.archive.renders_of(slug, self.data(slug).revision.id)
