"""Long renders: copied from an earlier revision where that holds what would come out, made anew in every other case."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from dossier.cache import Cache
from dossier.stages import again
from dossier.stages.keep import Keep


@pytest.fixture
def made(tmp_path: Path) -> tuple[again.Again, Path, list[Path]]:
    """A render that was written once into an earlier revision, and the paths that it was really written to."""
    calls: list[Path] = []

    def write(path: Path) -> None:
        calls.append(path)
        path.write_bytes(b"sound")

    keep = Keep(Cache(tmp_path / "cache"), "beat")
    render = again.keyed(keep, write, "part", np.arange(3.0))
    earlier, later = tmp_path / "r001", tmp_path / "r002"
    earlier.mkdir()
    later.mkdir()
    render(earlier / "part.wav")
    found = again.from_earlier({"part.wav": render, "sheet.csv": b"a"}, earlier)
    assert found["sheet.csv"] == b"a"
    copied = found["part.wav"]
    assert isinstance(copied, again.Again)
    return copied, later / "part.wav", calls


def test_the_same_again_is_copied(made: tuple[again.Again, Path, list[Path]]) -> None:
    render, path, calls = made
    render(path)
    assert path.read_bytes() == b"sound"
    assert len(calls) == 1
    assert not os.path.samefile(path, calls[0])  # a copy: who changes one leaves the other as it is


def test_a_file_that_was_touched_is_not_used(made: tuple[again.Again, Path, list[Path]]) -> None:
    render, path, calls = made
    calls[0].write_bytes(b"other")
    render(path)
    assert path.read_bytes() == b"sound"
    assert len(calls) == 2


def test_without_the_earlier_file_it_is_made(made: tuple[again.Again, Path, list[Path]]) -> None:
    render, path, calls = made
    calls[0].unlink()
    render(path)
    assert path.read_bytes() == b"sound"
    assert len(calls) == 2


def test_another_sound_is_another_render(tmp_path: Path) -> None:
    keep = Keep(Cache(tmp_path / "cache"), "beat")

    def key(*depends: object) -> str:
        return again.keyed(keep, Path.touch, *depends).key

    first = key("part", [("kick", -3.0, np.arange(3.0))])
    assert first == key("part", [("kick", -3.0, np.arange(3.0))])
    assert first != key("part", [("kick", -3.1, np.arange(3.0))])
    assert first != key("part", [("kick", -3.0, np.arange(4.0))])
    assert first != again.keyed(Keep(Cache(tmp_path / "cache"), "other beat"), Path.touch, "part").key
