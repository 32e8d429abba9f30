"""A library read coarsely: what is measured at once, what is named, what the cache keeps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from common_beats import RATE, real
from tests_support import write_wav

from dossier.cache import Cache
from dossier.errors import AudioError
from dossier.memo import Memo
from dossier.model.beat import DrumFile
from dossier.model.parts import SeenDrum
from dossier.stages import candidates, seen_drums


def files_of(folder: Path, count: int = 150) -> list[DrumFile]:
    """Noise hits, each another one."""
    rng = np.random.default_rng(7)
    found = []
    for number in range(count):
        path = folder / f"hats/hat-{number:03d}.wav"
        path.parent.mkdir(parents=True, exist_ok=True)
        write_wav(path, 0.5 * rng.uniform(-1, 1, (600, 1)) * np.geomspace(1, 0.01, 600)[:, None], RATE)
        found.append(DrumFile(f"lib/hats/{path.name}", path))
    return found


def read(files: list[DrumFile], folder: Path, few: int = 0) -> tuple[tuple[SeenDrum, ...], list[str], int]:
    """Drums, warnings, and the entries of the cache afterwards."""
    drums, _, warnings = seen_drums.read_drums(files, Memo(Cache(folder)), lambda _: None, few=few)
    return drums, warnings, sum(path.is_file() for path in folder.rglob("*"))


def test_few_files_are_measured_and_many_only_seen(tmp_path: Path) -> None:
    files = files_of(tmp_path, 5)
    assert all(drum.drum is None and drum.role == "closed-hat" for drum in read(files, tmp_path / "a", few=4)[0])
    full = read(files, tmp_path / "b", few=5)[0]
    assert all(drum.drum is not None for drum in full)
    coarse = read(files, tmp_path / "a", few=4)[0]
    memo = Memo(Cache(tmp_path / "a"))
    for one, other in zip(coarse, full, strict=True):
        assert other.drum is not None
        assert candidates.measured(one, memo).measures == other.drum.measures


def test_loops_are_measured_at_once(tmp_path: Path) -> None:
    """By name, and by sound where no name says what it is."""
    files = files_of(tmp_path, 2)
    for name, gain in (("a loop.wav", 0.8), ("untold.wav", 0.5)):
        write_wav(tmp_path / name, gain * real("loop_breakbeat"), RATE)
        files.append(DrumFile(f"lib/{name}", tmp_path / name))
    drums = read(files, tmp_path / "cache")[0]
    assert [drum.kind for drum in drums] == ["one-shot", "one-shot", "loop", "loop"]
    assert [drum.drum is None for drum in drums] == [True, True, False, False]


def test_a_new_file_changes_one_batch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Analytic: all other batches are found as they were, so hardly an entry is added."""
    monkeypatch.setattr(seen_drums, "MOST_UNBROKEN", 4)
    files = files_of(tmp_path, 400)
    before = read(files[1:], tmp_path / "cache")[2]
    assert before > 10
    again = read(files[1:], tmp_path / "cache")[2]
    assert again == before
    after = read(files, tmp_path / "cache")[2]
    assert before < after <= before + 4


def test_what_cannot_be_read_is_named_and_what_is_silent_told(tmp_path: Path) -> None:
    files = files_of(tmp_path, 4)
    files[1].path.write_bytes(b"RIFF\x00\x00\x00\x00WAVEjunk")
    files[2].path.unlink()
    write_wav(files[3].path, np.zeros((100, 1)), RATE)
    for _ in range(2):  # as much from the cache as without
        drums, warnings, _ = read(files, tmp_path / "cache")
        assert [drum.name for drum in drums] == [files[0].file]
        assert [files[1].file in warnings[0], files[2].path.name in warnings[1], len(warnings)] == [True, True, 3]
        assert "is silent from start to end; left out" in warnings[2]


def test_a_file_that_changes_during_the_build_is_not_measured(tmp_path: Path) -> None:
    files = files_of(tmp_path, 3)
    drums = read(files, tmp_path / "cache")[0]
    write_wav(files[0].path, 0.1 * real("bd_haus"), RATE)
    with pytest.raises(AudioError, match="was changed during the build; build it again"):
        candidates.measured(drums[0], Memo(Cache(tmp_path / "cache")))
