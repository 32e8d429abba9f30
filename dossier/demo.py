"""The demo: three invented beats, built into an archive, so that a newcomer sees in a minute what the program does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from dossier import pipeline
from dossier.archive import Archive
from dossier.cache import Cache


def run(
    out: Path, beats: Path, *, made: str, say: Callable[[str], None], built: Callable[[pipeline.Built], None]
) -> Path:
    """Write the demo beats to `beats`, build their archive in `out`; the archive page."""
    from dossier.demo_beats import write

    say(f"writing the demo beats to {beats}")
    archive, cache = Archive(out, say=say), Cache()
    for folder in write(beats):
        built(pipeline.build(folder, archive, cache=cache, made=made, say=lambda m, f=folder: say(f"{f.name}: {m}")))  # type: ignore[misc]
    return pipeline.index(archive)
