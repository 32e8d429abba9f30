"""A cache of this run's own, and the demo built once for all tests that look at a real dossier."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests_support import Demo

from dossier.archive import Archive
from dossier.cache import Cache


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Nothing is found that an earlier run kept, and nothing is left behind."""
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DOSSIER_CACHE", str(folder))
        yield folder


@pytest.fixture(scope="session")
def demo_audio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo beats as they are written; tests that change one change a copy."""
    from dossier import demo_beats

    folder = tmp_path_factory.mktemp("demo") / "audio"
    demo_beats.write(folder)
    return folder


@pytest.fixture(scope="session")
def demo(demo_audio: Path, own_cache: Path) -> Demo:
    """The demo as a newcomer runs it."""
    from dossier import demo as demo_command

    site = demo_audio.parent / "site"
    page = demo_command.run(site, demo_audio, made=Demo.MADE, say=lambda _: None, built=lambda _: None)
    assert page.is_file()
    return Demo(audio=demo_audio, archive=Archive(site), cache=Cache(own_cache))
