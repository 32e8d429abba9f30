"""Long renders: copied from an earlier revision where that holds what would come out, made anew in every other case."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from dossier.stages.keep import Keep

from dossier.cache import Cache
from dossier.stages import again

RATE = 48_000
SOUND = np.array([[0.5, -0.25], [0.125, 0.0]])


class Making:
    """Makes the sound, and counts."""

    def __init__(self) -> None:
        self.calls = 0

    def __call__(self) -> np.ndarray:
        self.calls += 1
        return SOUND


def heard(path: Path) -> np.ndarray:
    sound, rate = sf.read(path, always_2d=True)
    assert rate == RATE
    return np.asarray(sound)


@pytest.fixture
def made(tmp_path: Path) -> tuple[again.Again, Path, Path, Making]:
    """A render that was made once for an earlier revision, its path there, its path now, and who makes it."""
    making = Making()
    keep = Keep(Cache(tmp_path / "cache"), "beat")
    render = again.keyed(keep, making, RATE, 2, "part", np.arange(3.0))
    earlier, later = tmp_path / "r001", tmp_path / "r002"
    earlier.mkdir()
    later.mkdir()
    render(earlier / "part.wav")
    found = again.from_earlier({"part.wav": render, "sheet.csv": b"a"}, earlier)
    assert found["sheet.csv"] == b"a"
    copied = found["part.wav"]
    assert isinstance(copied, again.Again)
    assert making.calls == 1
    return copied, earlier / "part.wav", later / "part.wav", making


Made = tuple[again.Again, Path, Path, Making]


def test_the_same_again_is_copied(made: Made) -> None:
    render, before, path, making = made
    render(path)
    np.testing.assert_array_equal(heard(path), SOUND)
    assert making.calls == 1
    assert not os.path.samefile(path, before)  # a copy: who changes one leaves the other as it is


def test_a_file_that_was_touched_is_not_used(made: Made) -> None:
    render, before, path, making = made
    raw = before.read_bytes()
    before.write_bytes(raw[:-1] + bytes([raw[-1] ^ 1]))
    render(path)
    np.testing.assert_array_equal(heard(path), SOUND)
    assert making.calls == 2


def test_without_the_earlier_file_it_is_made(made: Made) -> None:
    render, before, path, making = made
    before.unlink()
    render(path)
    np.testing.assert_array_equal(heard(path), SOUND)
    assert making.calls == 2


def test_what_may_be_copied_is_not_begun(made: Made) -> None:
    render, _, path, making = made
    with ThreadPoolExecutor(1) as beside:
        begun = render.begun(beside)
    begun(path)
    assert making.calls == 1


def test_what_was_begun_is_written_once(tmp_path: Path) -> None:
    making = Making()
    render = again.keyed(Keep(Cache(tmp_path / "cache"), "beat"), making, RATE, 2, "part")
    with ThreadPoolExecutor(1) as beside:
        begun = render.begun(beside)
    assert making.calls == 1
    begun(tmp_path / "part.wav")
    np.testing.assert_array_equal(heard(tmp_path / "part.wav"), SOUND)
    assert making.calls == 1


def test_what_is_too_long_to_wait_is_not_begun(tmp_path: Path) -> None:
    making = Making()
    render = again.keyed(Keep(Cache(tmp_path / "cache"), "beat"), making, RATE, 10**9, "part")
    with ThreadPoolExecutor(1) as beside:
        begun = render.begun(beside)
    assert making.calls == 0
    begun(tmp_path / "part.wav")
    np.testing.assert_array_equal(heard(tmp_path / "part.wav"), SOUND)


def test_another_sound_is_another_render(tmp_path: Path) -> None:
    keep = Keep(Cache(tmp_path / "cache"), "beat")

    def key(*depends: object) -> str:
        return again.keyed(keep, Making(), RATE, 2, *depends).key

    first = key("part", [("kick", -3.0, np.arange(3.0))])
    assert first == key("part", [("kick", -3.0, np.arange(3.0))])
    assert first != key("part", [("kick", -3.1, np.arange(3.0))])
    assert first != key("part", [("kick", -3.0, np.arange(4.0))])
    assert first != again.keyed(Keep(Cache(tmp_path / "cache"), "other beat"), Making(), RATE, 2, "part").key
