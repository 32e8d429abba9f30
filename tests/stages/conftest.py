"""The small beat, built once a session."""

from __future__ import annotations

import pytest
from small_beat import MADE, Small, write_beat

from dossier import pipeline
from dossier.archive import Archive
from dossier.cache import Cache


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Small:
    root = tmp_path_factory.mktemp("small")
    folder = root / "paper-harbour"
    write_beat(folder)
    archive, cache = Archive(root / "site"), Cache(root / "cache")
    built = pipeline.build(folder, archive, cache=cache, made=MADE, say=lambda _: None)
    data = archive.latest(built.slug)
    assert data is not None
    return Small(folder=folder, archive=archive, cache=cache, built=built, data=data)
