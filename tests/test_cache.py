"""The cache of results: right, damaged, shared, full; and what results are filed under.  Evidence: analytic."""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier import files
from dossier.cache import Cache, default_folder, key_of, pack, unpack
from dossier.files import source_mark
from dossier.memo import Memo
from dossier.model.measures import BandEnergies, Clip, Loudness

KEY = key_of("ab" * 32, "loudness", 1)


@dataclass(frozen=True, slots=True)
class Piece:
    """Some bytes: an entry of a known size."""

    content: bytes


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """Of many kinds at once."""

    name: str
    number: float | None
    row: tuple[float, ...]
    array: np.ndarray
    inner: Loudness | None = None
    table: dict[str, float] = field(default_factory=dict)


def entry_of(cache: Cache, key: str = KEY) -> Path:
    assert cache.folder is not None
    return cache.folder / key[:2] / key


def files_in(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def test_what_is_kept_is_found(tmp_path: Path) -> None:
    cache = Cache(tmp_path / "cache")
    assert cache.find(KEY, Piece) is None
    for content in (b"content", b""):
        cache.keep(KEY, Piece(content))
        assert cache.find(KEY, Piece) == Cache(tmp_path / "cache").find(KEY, Piece) == Piece(content)
    assert entry_of(cache).parent.stat().st_mode & 0o077 == 0 or os.name != "posix", "nobody else's business"


def test_what_is_too_large_is_not_kept(tmp_path: Path) -> None:
    cache = Cache(tmp_path, limit_bytes=200)
    cache.keep(KEY, Piece(bytes(201)))
    assert cache.find(KEY, Piece) is None
    cache.keep(KEY, Piece(bytes(100)), most_bytes=50)
    assert cache.find(KEY, Piece) is None
    cache.keep(KEY, Piece(bytes(100)))
    assert cache.find(KEY, Piece) is not None
    assert Cache(tmp_path, limit_bytes=100).find(KEY, Piece) is None, "nothing that large is read"


@dataclass(frozen=True, slots=True, eq=False)
class Arrays:
    """Arrays as they may lie in memory."""

    arrays: tuple[np.ndarray, ...]


def test_arrays_come_back_however_they_lie_in_memory() -> None:
    plain = np.arange(24.0).reshape(4, 6)
    given_ = (
        plain, np.asfortranarray(plain), plain[:, ::2], plain[::-1], plain.T, np.zeros((0, 3)), np.array(2.5),
        np.array([[1, 2]], dtype=">i2"), np.array([True, False]), np.ones((300_000, 2), np.float32),
        np.array([np.nan, np.inf, -np.inf, -0.0]),
    )  # fmt: skip
    again = unpack(pack(Arrays(given_)), Arrays).arrays
    assert len(again) == len(given_)
    for found, wanted in zip(again, given_, strict=True):
        assert (found.dtype, found.shape) == (wanted.dtype, wanted.shape)
        np.testing.assert_array_equal(found, wanted)


def test_dataclasses_with_arrays_come_back_and_cannot_be_written_into(tmp_path: Path) -> None:
    value = Kept(
        "café", None, (1.5, float("inf")), np.random.default_rng(7).normal(size=(3, 4)).astype(np.float32),
        Loudness(-16.0, None, None, None, -1.0, -0.9, 12.0, 15.1, None, {"loudness_range_lu": "shorter than 3 s"}),
        {"a": 0.1},
    )  # fmt: skip
    cache = Cache(tmp_path)
    again = [cache.remember(KEY, Kept, lambda: value) for _ in range(2)][1]
    assert (again.name, again.number, again.row, again.inner, again.table) == (
        value.name, value.number, value.row, value.inner, value.table
    )  # fmt: skip
    assert again.array.dtype == np.float32
    np.testing.assert_array_equal(again.array, value.array)
    with pytest.raises(ValueError, match="read-only"):
        again.array[0] = 1.0


def test_the_measures_own_types_come_back() -> None:
    energies = BandEnergies(np.arange(12.0).reshape(3, 4), 0.01, 0.5)
    again = unpack(pack(energies), BandEnergies)
    np.testing.assert_array_equal(again.cumulative, energies.cumulative)
    assert (again.step_s, again.duration_s) == (0.01, 0.5)
    clip = unpack(pack(Clip(np.zeros((5, 2), np.float32), 48000)), Clip)
    assert (clip.samples.shape, clip.samples.dtype, clip.rate_hz) == ((5, 2), np.float32, 48000)


def test_a_key_depends_on_every_part() -> None:
    keys = {key_of("ab"), key_of("ba"), key_of("a", "b"), key_of("ab", 1), key_of("ab", 1.5), key_of("ab", {"x": 1})}
    assert len(keys) == 6
    assert key_of({"x": 1, "y": np.float64(2)}) == key_of({"y": 2.0, "x": 1})
    assert all(len(key) == 64 for key in keys)


@given(damage=st.integers(0, 10_000), kind=st.sampled_from(["flip", "cut", "grow", "empty"]))
def test_any_damage_makes_an_entry_absent(damage: int, kind: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    cache = Cache(tmp_path_factory.mktemp("cache"))
    cache.keep(KEY, Piece(bytes(range(200))))
    path = entry_of(cache)
    raw = path.read_bytes()
    place = damage % len(raw)
    flipped = raw[:place] + bytes([raw[place] ^ (1 << damage % 8)]) + raw[place + 1 :]
    path.write_bytes({"flip": flipped, "cut": raw[:place], "grow": raw + b"x", "empty": b""}[kind])
    assert cache.find(KEY, Piece) is None
    assert not path.exists(), "it is cleared away"
    cache.keep(KEY, Piece(b"anew"))
    assert cache.find(KEY, Piece) == Piece(b"anew")


def test_an_entry_under_another_key_does_not_count(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    cache.keep(KEY, Piece(b"content"))
    other = key_of("else")
    entry_of(cache, other).parent.mkdir(exist_ok=True)
    entry_of(cache, other).write_bytes(entry_of(cache).read_bytes())
    assert cache.find(other, Piece) is None


def test_arrays_of_objects_are_refused_and_pickles_never_loaded() -> None:
    with pytest.raises(TypeError, match="array of objects"):
        pack({"a": np.array([object()])})
    with pytest.raises(TypeError, match="cannot be kept"):
        pack({"a": threading.Lock()})
    hostile = pack(BandEnergies(np.zeros((1, 1)), 0.1, 0.1)).replace(b"'<f8'", b"'|O' ")
    with pytest.raises(ValueError, match=r"arrays of objects|Object arrays"):
        unpack(hostile, BandEnergies)


@pytest.mark.parametrize("content", [pack({"an": "older shape"}), pack([[]]), msgspec.msgpack.encode(3), b"\xc1", b""])
def test_a_value_of_another_shape_is_computed_anew_and_then_found(content: bytes, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no BandEnergies was kept here"):
        unpack(content, BandEnergies)
    cache, calls = Cache(tmp_path), []
    cache.keep(KEY, {"an": "older shape"})

    def compute() -> BandEnergies:
        calls.append(1)
        return BandEnergies(np.ones((1, 1)), 0.1, 0.2)

    for _ in range(3):
        assert cache.remember(KEY, BandEnergies, compute).duration_s == 0.2
    assert len(calls) == 1


WHOLE = pack(Kept("name", 1.0, (1.0, 2.0), np.arange(6.0).reshape(2, 3), None, {"a": 0.1}))
HEADER = WHOLE.index(b"{'descr'")


@given(place=st.integers(HEADER, HEADER + 60), new=st.binary(min_size=1, max_size=12))
def test_whatever_stands_in_an_entry_is_either_what_was_asked_for_or_no_value(place: int, new: bytes) -> None:
    """An entry may check out and still hold anything, where somebody else wrote it: only a `ValueError` comes of it."""
    with contextlib.suppress(ValueError):
        assert isinstance(unpack(WHOLE[:place] + new + WHOLE[place + len(new) :], Kept), Kept)


# ---------------------------------------------------------------------- what results are filed under


def test_a_result_is_filed_under_its_kind_its_source_and_everything_it_depends_on(tmp_path: Path) -> None:
    memo = Memo(Cache(tmp_path))
    parts = ("kick", np.arange(3.0), {"a": np.zeros(2)}, (1, [np.ones(1)]))
    same = [memo.key("level", *parts), memo.key("level", *parts), Memo(Cache(tmp_path)).key("level", *parts)]
    assert len(set(same)) == 1
    changed = [
        memo.key("measured", *parts), memo.within("other").key("level", *parts),
        memo.key("level", "snare", *parts[1:]), memo.key("level", "kick", np.arange(4.0), *parts[2:]),
        memo.key("level", "kick", np.arange(3.0, dtype=np.float32), *parts[2:]),
        memo.key("level", *parts[:2], {"a": np.ones(2)}, parts[3]), memo.key("level", *parts[:3], (1, [np.zeros(1)])),
    ]  # fmt: skip
    assert len({*same, *changed}) == 1 + len(changed)
    assert len(source_mark()) == 64


def test_processes_work_only_on_what_is_not_known(tmp_path: Path) -> None:
    memo, worked = Memo(Cache(tmp_path)), []

    def twice(number: int) -> Piece:
        worked.append(number)
        return Piece(bytes([2 * number]))

    for numbers in ([1, 2, 3], [3, 1, 4], [4, 2]):
        found = memo.map("plan", Piece, twice, numbers, [[number] for number in numbers])
        assert found == [Piece(bytes([2 * number])) for number in numbers]
    assert worked == [1, 2, 3, 4]


# ---------------------------------------------------------------------- where it cannot be kept


@pytest.mark.parametrize("place", ["file", "below a file", "proc"])
def test_a_place_that_cannot_be_written_is_no_cache_and_no_error(place: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    folder = {"file": tmp_path / "file", "below a file": tmp_path / "file/cache", "proc": Path("/proc/dossier")}[place]
    cache = Cache(folder)
    cache.keep(KEY, Piece(b"content"))
    assert cache.find(KEY, Piece) is None
    assert cache.remember(KEY, Piece, lambda: Piece(b"1")) == Piece(b"1")
    cache.trim()
    assert (tmp_path / "file").read_text() == "in the way"


def test_a_full_disk_is_no_error_and_leaves_no_half_entry(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(source: object, target: object) -> None:
        raise OSError(28, "No space left on device")

    cache = Cache(tmp_path)
    monkeypatch.setattr(os, "replace", full)
    cache.keep(KEY, Piece(b"content"))
    monkeypatch.undo()
    assert cache.find(KEY, Piece) is None
    assert files_in(tmp_path) == []


# ---------------------------------------------------------------------- size


def aged(cache: Cache, key: str, seconds: float) -> None:
    stamp = time.time() - seconds
    os.utime(entry_of(cache, key), (stamp, stamp))


def test_the_entries_not_used_for_longest_go_first(tmp_path: Path) -> None:
    cache = Cache(tmp_path, limit_bytes=10_000)
    keys = [key_of(number) for number in range(20)]
    for age, key in enumerate(reversed(keys)):
        cache.keep(key, Piece(bytes(1000)))
        aged(cache, key, 10_000.0 * (age + 1))
    assert cache.find(keys[0], Piece) is not None, "used just now"
    os.utime(entry_of(cache, keys[5]))
    cache.trim()
    left = [number for number, key in enumerate(keys) if entry_of(cache, key).exists()]
    assert {0, 5} < set(left)
    assert len(left) == 7
    assert sum(path.stat().st_size for path in files_in(tmp_path)) <= 8_000


def test_what_is_used_again_and_again_stays(tmp_path: Path) -> None:
    """What a beat needs at every build was written first; what changes with every build must not push it out."""
    cache = Cache(tmp_path, limit_bytes=10_000)
    cache.keep(KEY, Piece(bytes(1000)))
    aged(cache, KEY, 120.0)
    for number in range(12):
        cache.keep(key_of(number), Piece(bytes(1000)))
        aged(cache, key_of(number), 119.0 - number)
    assert cache.find(KEY, Piece) is not None
    cache.trim()
    assert cache.find(KEY, Piece) is not None
    assert cache.find(key_of(0), Piece) is None


def test_writes_trim_by_themselves(tmp_path: Path) -> None:
    cache = Cache(tmp_path, limit_bytes=20_000)
    for number in range(450):
        cache.keep(key_of(number), Piece(bytes(1000)))
    assert len(files_in(tmp_path)) < 250, "looked at every 200 writes"
    cache.trim()
    assert sum(path.stat().st_size for path in files_in(tmp_path)) <= 20_000


def test_leftovers_go_when_they_are_old(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    cache.keep(KEY, Piece(b"content"))
    old, fresh = (entry_of(cache).with_name(f".{name}.1-1.part") for name in ("old", "fresh"))
    old.write_bytes(b"half")
    fresh.write_bytes(b"half")
    stamp = time.time() - 100_000
    os.utime(old, (stamp, stamp))
    cache.trim()
    assert (old.exists(), fresh.exists(), cache.find(KEY, Piece)) == (False, True, Piece(b"content"))


# ---------------------------------------------------------------------- where it lies, and who shares it


def test_the_folder_is_told_by_the_user_or_the_platform(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DOSSIER_CACHE", "/somewhere/else")
    assert default_folder() == Path("/somewhere/else")
    monkeypatch.delenv("DOSSIER_CACHE")
    if sys.platform == "linux":  # XDG Base Directory Specification: the variable, if it is absolute, else ~/.cache
        monkeypatch.setenv("HOME", "/users/mara")
        monkeypatch.setenv("XDG_CACHE_HOME", "/fast/cache")
        assert default_folder() == Path("/fast/cache/dossier")
        monkeypatch.delenv("XDG_CACHE_HOME")
        assert default_folder() == Path("/users/mara/.cache/dossier")
    found = default_folder()
    assert found is not None
    assert found.is_absolute()


def test_no_place_means_no_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    import platformdirs

    monkeypatch.delenv("DOSSIER_CACHE", raising=False)
    monkeypatch.setattr(platformdirs, "user_cache_path", lambda *_, **__: Path("~/.cache"))
    cache = Cache()
    cache.keep(KEY, Piece(b"content"))
    assert (cache.folder, cache.find(KEY, Piece)) == (None, None)
    cache.trim()


def test_it_travels_to_other_processes(tmp_path: Path) -> None:
    cache = pickle.loads(pickle.dumps(Cache(tmp_path, limit_bytes=5000)))
    cache.keep(KEY, Piece(b"content"))
    assert (cache.limit_bytes, Cache(tmp_path).find(KEY, Piece)) == (5000, Piece(b"content"))


WORKER = """
import sys
from dataclasses import dataclass
from pathlib import Path
from dossier.cache import Cache, key_of

@dataclass
class Piece:
    content: bytes

cache = Cache(Path(sys.argv[1]), limit_bytes=30_000)
for turn in range(150):
    key, piece = key_of(turn % 40), Piece(bytes([turn % 40]) * 1000)
    assert cache.find(key, Piece) in (None, piece), "a mixture"
    cache.keep(key, piece)
    if turn % 10 == 0:
        cache.trim()
"""


def test_many_processes_share_one_folder(tmp_path: Path) -> None:
    started = [subprocess.Popen([sys.executable, "-c", WORKER, str(tmp_path)]) for _ in range(4)]
    assert [process.wait(60) for process in started] == [0] * 4


def test_many_threads_share_one_cache(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    wrong: list[int] = []

    def work(number: int) -> None:
        for turn in range(50):
            piece = Piece(bytes([turn % 7]))
            if cache.remember(key_of(turn % 7), Piece, lambda piece=piece: piece) != piece:
                wrong.append(number)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert not [path for path in tmp_path.rglob(".*") if path.is_file()]


RACE = """
import sys, threading
from dataclasses import dataclass, make_dataclass
from dossier.cache import pack, unpack

sys.setswitchinterval(1e-6)
for turn in range(40):
    inner = [make_dataclass(f"Inner{turn}_{n}", [("a", float), ("b", str)]) for n in range(6)]
    outer = make_dataclass(f"Outer{turn}", [(f"f{n}", kind) for n, kind in enumerate(inner)])
    content = pack(outer(*(kind(1.0, "b") for kind in inner)))
    gate = threading.Barrier(4)
    def read():
        gate.wait()
        assert unpack(content, outer).f5.b == "b"
    threads = [threading.Thread(target=read) for _ in range(4)]
    for thread in threads: thread.start()
    for thread in threads: thread.join()
"""


def test_threads_may_read_entries_of_a_new_type_at_once() -> None:
    """The library that checks types must not meet a new one in two threads at the same time: the process would end."""
    done = subprocess.run([sys.executable, "-c", RACE], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_table_that_changes_makes_every_result_new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Analytic: results rest on the package's tables as on its modules."""
    (tmp_path / "__init__.py").write_text("")
    (tmp_path / "weights.csv").write_text("1")
    monkeypatch.setattr(files.dossier, "__file__", str(tmp_path / "__init__.py"))
    before = files.source_mark.__wrapped__()
    assert files.source_mark.__wrapped__() == before
    (tmp_path / "weights.csv").write_text("12")
    assert files.source_mark.__wrapped__() != before
