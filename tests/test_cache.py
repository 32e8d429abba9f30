"""The cache of measurements: right, damaged, shared, full, read-only.  Evidence: analytic."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.cache import Cache, default_folder, key_of, pack, unpack
from dossier.model.measures import BandEnergies, Clip, Loudness

KEY = key_of("ab" * 32, "loudness", 1)


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


def test_what_is_put_is_got(tmp_path: Path) -> None:
    cache = Cache(tmp_path / "cache")
    assert cache.get(KEY) is None
    cache.put(KEY, b"content")
    assert cache.get(KEY) == b"content"
    assert Cache(tmp_path / "cache").get(KEY) == b"content"
    cache.put(KEY, b"")
    assert cache.get(KEY) == b""


def test_pieces_are_one_entry(tmp_path: Path) -> None:
    cache = Cache(tmp_path, limit_bytes=200)
    cache.put(KEY, b"a", memoryview(b"bc"), b"", np.frombuffer(b"de", np.uint8).data)
    assert cache.get(KEY) == b"abcde"
    cache.put(key_of("long"), bytes(150), bytes(51))
    assert cache.get(key_of("long")) is None, "together more than the whole cache may hold"


@pytest.mark.skipif(os.name != "posix", reason="no entry is looked at in place here")
def test_a_large_entry_outlives_its_file_and_is_checked_like_any_other(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    content = np.random.default_rng(1).bytes(17 << 20)
    cache.put(KEY, content)
    found = cache.get(KEY)
    assert found is not None
    assert found.readonly
    cache.put(KEY, content[::-1])  # a new file in its place
    entry_of(cache).unlink()
    assert found == content
    cache.put(KEY, content)
    with entry_of(cache).open("rb+") as file:
        file.seek(16 << 20)
        file.write(b"damage")
    assert cache.get(KEY) is None
    assert not entry_of(cache).exists()


@dataclass(frozen=True, slots=True, eq=False)
class Arrays:
    """Arrays as they may lie in memory."""

    arrays: tuple[np.ndarray, ...]


def test_arrays_come_back_however_they_lie_in_memory() -> None:
    plain = np.arange(24.0).reshape(4, 6)
    given = (
        plain, np.asfortranarray(plain), plain[:, ::2], plain[::-1], plain.T, np.zeros((0, 3)), np.array(2.5),
        np.array([[1, 2]], dtype=">i2"), np.array([True, False]), np.ones((300_000, 2), np.float32),
    )  # fmt: skip
    again = unpack(pack(Arrays(given)), Arrays).arrays
    assert len(again) == len(given)
    for found, wanted in zip(again, given, strict=True):
        assert (found.dtype, found.shape) == (wanted.dtype, wanted.shape)
        np.testing.assert_array_equal(found, wanted)


def test_a_key_depends_on_every_part() -> None:
    keys = {key_of("ab"), key_of("ba"), key_of("a", "b"), key_of("ab", 1), key_of("ab", 1.5), key_of("ab", {"x": 1})}
    assert len(keys) == 6
    assert key_of({"x": 1, "y": np.float64(2)}) == key_of({"y": 2.0, "x": 1})
    assert all(len(key) == 64 for key in keys)


@given(damage=st.integers(0, 10_000), kind=st.sampled_from(["flip", "cut", "grow", "empty"]))
def test_any_damage_makes_an_entry_absent(damage: int, kind: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    cache = Cache(tmp_path_factory.mktemp("cache"))
    cache.put(KEY, bytes(range(200)))
    path = entry_of(cache)
    raw = path.read_bytes()
    place = damage % len(raw)
    flipped = raw[:place] + bytes([raw[place] ^ (1 << damage % 8)]) + raw[place + 1 :]
    path.write_bytes({"flip": flipped, "cut": raw[:place], "grow": raw + b"x", "empty": b""}[kind])
    assert cache.get(KEY) is None
    assert not path.exists(), "it is cleared away"
    cache.put(KEY, b"anew")
    assert cache.get(KEY) == b"anew"


def test_an_entry_under_another_key_does_not_count(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    cache.put(KEY, b"content")
    other = key_of("else")
    entry_of(cache, other).parent.mkdir(exist_ok=True)
    entry_of(cache, other).write_bytes(entry_of(cache).read_bytes())
    assert cache.get(other) is None


def test_memo_computes_once(tmp_path: Path) -> None:
    calls = []

    def compute() -> int:
        calls.append(1)
        return 41 + len(calls)

    cache = Cache(tmp_path)
    for _ in range(3):
        assert cache.memo(KEY, compute, lambda value: str(value).encode(), int) == 42
    cache.put(KEY, b"of another shape")
    assert cache.memo(KEY, compute, lambda value: str(value).encode(), int) == 43
    assert cache.get(KEY) == b"43"


def test_dataclasses_with_arrays_come_back(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    value = Kept(
        "café", None, (1.5, float("inf")), rng.normal(size=(3, 4)).astype(np.float32),
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


def test_the_measures_own_types_come_back() -> None:
    energies = BandEnergies(np.arange(12.0).reshape(3, 4), 0.01, 0.5)
    again = unpack(pack(energies), BandEnergies)
    np.testing.assert_array_equal(again.cumulative, energies.cumulative)
    assert (again.step_s, again.duration_s) == (0.01, 0.5)
    clip = unpack(pack(Clip(np.zeros((5, 2), np.float32), 48000)), Clip)
    assert (clip.samples.shape, clip.samples.dtype, clip.rate_hz) == ((5, 2), np.float32, 48000)


def test_arrays_of_objects_are_refused_and_pickles_never_loaded() -> None:
    with pytest.raises(TypeError, match="array of objects"):
        pack({"a": np.array([object()])})
    with pytest.raises(TypeError, match="cannot be kept"):
        pack({"a": threading.Lock()})
    hostile = pack(BandEnergies(np.zeros((1, 1)), 0.1, 0.1)).replace(b"'<f8'", b"'|O' ")
    with pytest.raises(ValueError, match=r"allow_pickle|Object arrays"):
        unpack(hostile, BandEnergies)


def test_a_value_of_another_shape_is_computed_anew(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    cache.put(KEY, pack({"an": "older shape"}))
    value = cache.remember(KEY, BandEnergies, lambda: BandEnergies(np.ones((1, 1)), 0.1, 0.2))
    assert value.duration_s == 0.2
    assert unpack(cache.get(KEY) or b"", BandEnergies).duration_s == 0.2


# ---------------------------------------------------------------------- where it cannot be kept


@pytest.mark.parametrize("place", ["file", "below a file", "proc"])
def test_a_place_that_cannot_be_written_is_no_cache_and_no_error(place: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    folder = {"file": tmp_path / "file", "below a file": tmp_path / "file/cache", "proc": Path("/proc/dossier")}[place]
    cache = Cache(folder)
    cache.put(KEY, b"content")
    assert cache.get(KEY) is None
    assert cache.memo(KEY, lambda: 1, lambda value: b"1", int) == 1
    cache.trim()
    assert (tmp_path / "file").read_text() == "in the way"


def test_a_full_disk_is_no_error_and_leaves_no_half_entry(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(source: object, target: object) -> None:
        raise OSError(28, "No space left on device")

    cache = Cache(tmp_path)
    monkeypatch.setattr(os, "replace", full)
    cache.put(KEY, b"content")
    monkeypatch.undo()
    assert cache.get(KEY) is None
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_a_folder_where_an_entry_should_be(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    entry_of(cache).mkdir(parents=True)
    cache.put(KEY, b"content")
    assert cache.get(KEY) is None


# ---------------------------------------------------------------------- size


def test_the_entries_not_used_for_longest_go_first(tmp_path: Path) -> None:
    cache = Cache(tmp_path, limit_bytes=10_000)
    keys = [key_of(number) for number in range(20)]
    for age, key in enumerate(reversed(keys)):
        cache.put(key, bytes(1000))
        stamp = time.time() - 10_000 * (age + 1)
        os.utime(entry_of(cache, key), (stamp, stamp))
    assert cache.get(keys[0]) is not None, "used just now"
    os.utime(entry_of(cache, keys[5]))
    cache.trim()
    left = [number for number, key in enumerate(keys) if entry_of(cache, key).exists()]
    assert 0 in left
    assert 5 in left
    assert len(left) == 7
    assert sum(entry_of(cache, keys[number]).stat().st_size for number in left) <= 8_000
    cache.put(key_of("big"), bytes(20_000))
    assert cache.get(key_of("big")) is None, "larger than the whole cache may be"


def test_what_is_used_again_and_again_stays(tmp_path: Path) -> None:
    """What a beat needs at every build was written first; what changes with every build must not push it out."""
    cache = Cache(tmp_path, limit_bytes=10_000)
    cache.put(KEY, bytes(1000))
    minutes_ago = time.time() - 120.0
    os.utime(entry_of(cache), (minutes_ago, minutes_ago))
    for number in range(12):
        cache.put(key_of(number), bytes(1000))
        stamp = minutes_ago + 1.0 + number
        os.utime(entry_of(cache, key_of(number)), (stamp, stamp))
    assert cache.get(KEY) is not None
    cache.trim()
    assert cache.get(KEY) is not None
    assert cache.get(key_of(0)) is None


def test_writes_trim_by_themselves(tmp_path: Path) -> None:
    cache = Cache(tmp_path, limit_bytes=20_000)
    for number in range(450):
        cache.put(key_of(number), bytes(1000))
    sizes = [path.stat().st_size for path in tmp_path.rglob("*") if path.is_file()]
    assert sum(sizes) < 250 * 1040, "looked at every 200 writes"
    cache.trim()
    assert sum(path.stat().st_size for path in tmp_path.rglob("*") if path.is_file()) <= 20_000


def test_leftovers_go_when_they_are_old(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    cache.put(KEY, b"content")
    old, fresh = (entry_of(cache).with_name(f".{name}.1-1.part") for name in ("old", "fresh"))
    old.write_bytes(b"half")
    fresh.write_bytes(b"half")
    stamp = time.time() - 100_000
    os.utime(old, (stamp, stamp))
    cache.trim()
    assert (old.exists(), fresh.exists(), cache.get(KEY)) == (False, True, b"content")


# ---------------------------------------------------------------------- where it lies, and who shares it


def test_the_folder_follows_the_platform(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DOSSIER_CACHE", "/somewhere/else")
    assert default_folder() == Path("/somewhere/else")
    monkeypatch.delenv("DOSSIER_CACHE")
    monkeypatch.setenv("HOME", "/users/mara")
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", "/fast/cache")
    assert default_folder() == Path("/fast/cache/dossier")
    monkeypatch.setenv("XDG_CACHE_HOME", "relative/is/ignored")
    assert default_folder() == Path("/users/mara/.cache/dossier")
    monkeypatch.setattr(sys, "platform", "darwin")
    assert default_folder() == Path("/users/mara/Library/Caches/dossier")
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", "/local")
    assert default_folder() == Path("/local/dossier")


def test_no_home_means_no_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    def homeless() -> Path:
        raise RuntimeError("no home directory")

    monkeypatch.delenv("DOSSIER_CACHE", raising=False)
    monkeypatch.setattr(Path, "home", homeless)
    cache = Cache()
    cache.put(KEY, b"content")
    assert (cache.folder, cache.get(KEY)) == (None, None)
    cache.trim()


def test_it_travels_to_other_processes(tmp_path: Path) -> None:
    cache = pickle.loads(pickle.dumps(Cache(tmp_path, limit_bytes=5000)))
    cache.put(KEY, b"content")
    assert (cache.limit_bytes, Cache(tmp_path).get(KEY)) == (5000, b"content")


WORKER = """
import sys
from pathlib import Path
from dossier.cache import Cache, key_of
cache = Cache(Path(sys.argv[1]), limit_bytes=30_000)
for turn in range(150):
    key = key_of(turn % 40)
    content = bytes([turn % 40]) * 1000
    got = cache.get(key)
    assert got is None or got == content, "a mixture"
    cache.put(key, content)
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
            value = cache.memo(
                key_of(turn % 7), lambda turn=turn: turn % 7, lambda kept: bytes([kept]), lambda raw: raw[0]
            )
            if value != turn % 7:
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


def test_what_is_read_back_cannot_be_written_into(tmp_path: Path) -> None:
    """An array is a view of what was read, at an address that suits any processor."""
    value = Kept("a", None, (), np.arange(5.0), None, {})
    made = [Cache(tmp_path).remember(KEY, Kept, lambda: value) for _ in range(2)][1]
    assert made.array.ctypes.data % 64 == 0
    with pytest.raises(ValueError, match="read-only"):
        made.array[0] = 1.0
