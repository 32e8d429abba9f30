"""Long renders: linked from an earlier revision where that holds what would come out, made anew in every other case."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from dossier.cache import Cache
from dossier.memo import Memo
from dossier.stages.render_reuse import ReusableRender, from_earlier, reusable

RATE = 48_000
SOUND = np.array([[0.5, -0.25], [0.125, 0.0]])


class Making:
    """Makes the sound, and counts."""

    def __init__(self) -> None:
        self.calls = 0

    def __call__(self) -> np.ndarray:
        self.calls += 1
        return SOUND


Made = tuple[ReusableRender, Path, Path, Making]


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """A render that was made once, when the beat had another name: its path there, its path now, and who makes it."""
    making = Making()
    render = reusable(Memo(Cache(tmp_path / "cache")), making, RATE, "part", np.arange(3.0))
    earlier, later = tmp_path / "r001", tmp_path / "r002"
    earlier.mkdir()
    later.mkdir()
    render(earlier / "harbour-part.flac")
    found = from_earlier({"quay-part.flac": render, "quay-sheet.csv": b"a"}, earlier, "quay", "harbour")
    assert found["quay-sheet.csv"] == b"a"
    copied = found["quay-part.flac"]
    assert isinstance(copied, ReusableRender)
    assert making.calls == 1
    return copied, earlier / "harbour-part.flac", later / "quay-part.flac", making


def heard(path: Path) -> np.ndarray:
    sound, rate = sf.read(path, always_2d=True)
    assert rate == RATE
    return np.asarray(sound)


def test_the_same_again_is_linked(made: Made) -> None:
    render, before, path, making = made
    render(path)
    np.testing.assert_array_equal(heard(path), SOUND)
    assert making.calls == 1
    assert os.path.samefile(path, before)


def test_where_there_are_no_links_it_is_copied(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    render, before, path, making = made

    def refuse(*_: object) -> None:
        raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))

    monkeypatch.setattr(os, "link", refuse)
    render(path)
    np.testing.assert_array_equal(heard(path), SOUND)
    assert making.calls == 1
    assert not os.path.samefile(path, before)
    assert os.listdir(path.parent) == [path.name]


def touch(before: Path) -> None:
    raw = before.read_bytes()
    before.write_bytes(raw[:-1] + bytes([raw[-1] ^ 1]))


@pytest.mark.parametrize("change", [touch, Path.unlink], ids=["touched", "gone"])
def test_a_file_that_is_not_what_was_made_is_not_used(made: Made, change) -> None:
    render, before, path, making = made
    change(before)
    render(path)
    np.testing.assert_array_equal(heard(path), SOUND)
    assert making.calls == 2


def test_another_sound_is_another_render(tmp_path: Path) -> None:
    memo = Memo(Cache(tmp_path / "cache"))

    def key(*depends: object, memo: Memo = memo) -> str:
        return reusable(memo, Making(), RATE, *depends).key

    first = key("part", [("kick", -3.0, np.arange(3.0))])
    assert first == key("part", [("kick", -3.0, np.arange(3.0))])
    assert first != key("part", [("kick", -3.1, np.arange(3.0))])
    assert first != key("part", [("kick", -3.0, np.arange(4.0))])
    assert first != key("part", [("kick", -3.0, np.arange(3.0))], memo=memo.within("another beat"))
