"""A cache of this run's own, the demo built once a run for all tests that look at a real dossier, a limit of time."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import settings
from tests_support import Demo

from dossier.archive import Archive
from dossier.cache import Cache

settings.register_profile("without a clock", deadline=None)
settings.load_profile("without a clock")


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of this run, shared by its worker processes."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


@pytest.fixture(scope="session", autouse=True)
def own_cache(run_folder: Path) -> Iterator[Path]:
    """Nothing is found that an earlier run kept, and nothing is left behind."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DOSSIER_CACHE", str(run_folder / "cache"))
        yield run_folder / "cache"


@pytest.fixture(scope="session")
def demo_audio(run_folder: Path) -> Path:
    """The demo beats as they are written; tests that change one change a copy."""
    from dossier import demo_beats

    folder, done = run_folder / "demo" / "audio", run_folder / "audio-written"
    with FileLock(run_folder / "audio.lock"):
        if not done.exists():
            demo_beats.write(folder)
            done.touch()
    return folder


@pytest.fixture(scope="session")
def demo(demo_audio: Path, own_cache: Path, run_folder: Path) -> Demo:
    """The demo as a newcomer runs it."""
    from dossier import demo as demo_command

    site, done = demo_audio.parent / "site", run_folder / "demo-built"
    with FileLock(run_folder / "demo.lock"):
        if not done.exists():
            page = demo_command.run(site, demo_audio, made=Demo.MADE, say=lambda _: None, built=lambda _: None)
            assert page.is_file()
            done.touch()
    return Demo(audio=demo_audio, archive=Archive(site), cache=Cache(own_cache))


@pytest.fixture
def time_limit() -> Iterator[None]:
    """No input may make the program wait, as a pipe or a device would, or walk without end."""

    def give_up(*_: object) -> None:
        raise TimeoutError("waited for a file")

    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(20)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)
