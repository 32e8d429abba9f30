"""What several tests need: grids, tones, noise.  Seeded, no files."""

from __future__ import annotations

from dossier.model.measures import Grid


def grid(bars: int = 2, tempo: float = 120.0, swing: float = 0.5, start: float = 0.0) -> Grid:
    """A 4/4 grid that is known exactly."""
    return Grid(
        tempo_bpm=tempo, tempo_source="beat.toml", tempo_confidence=1.0, first_downbeat_s=start,
        downbeat_source="beat.toml", downbeat_confidence=1.0, swing=swing, swing_source="beat.toml",
        swing_confidence=1.0, meter=(4, 4), bars=bars,
    )  # fmt: skip
