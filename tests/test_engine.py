"""More machines than one: workers of a scheduler on this host, started with the README's own commands.

Evidence: analytic; a build on the workers is held against one in this process, byte by byte.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from small_beat import MADE, noise_hit, write, write_beat

import dossier
from dossier import cli, parallel
from dossier.cli import build as build_command
from dossier.errors import EngineError, MachineError
from dossier.parallel import Engine

TESTS = Path(__file__).parent
ROOT = TESTS.parent
WAIT_S = 90.0


@contextmanager
def started(*arguments: str, folder: Path, package: Path = ROOT) -> Iterator[subprocess.Popen[bytes]]:
    """One of Dask's own commands, ended with the block."""
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(package), str(TESTS), str(TESTS / "stages")])}
    with (folder / "log").open("ab") as log:
        program = [sys.executable, "-m", "dask", *arguments, "--no-dashboard"]
        running = subprocess.Popen(program, cwd=folder, env=env, stdout=log, stderr=log)
        try:
            yield running
        finally:
            running.kill()
            running.wait()


@contextmanager
def scheduler(folder: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    where = folder / "scheduler.json"
    with started("scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(where),
                 folder=folder) as running:  # fmt: skip
        until(where.exists)
        yield json.loads(where.read_text())["address"], running


@contextmanager
def cluster(folder: Path, *, workers: int = 2) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """The address and the process of a scheduler, with workers of one thread each."""
    with ExitStack() as stack:
        address, running = stack.enter_context(scheduler(folder))
        for _ in range(workers):
            stack.enter_context(started("worker", address, "--nthreads", "1", "--no-nanny", folder=folder))
        yield address, running


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with cluster(tmp_path_factory.mktemp("cluster")) as (found, _):
        yield found


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + WAIT_S
    while not true():
        assert time.monotonic() < end, f"not within {WAIT_S} s"
        time.sleep(0.05)


def squared_slowly(number: int) -> int:
    time.sleep(0.2)
    return number * number


def fatal_once(task: tuple[str, int]) -> int:
    """The first worker that gets number 3 is killed by it."""
    folder, number = task
    mark = Path(folder) / "was here"
    if number == 3 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.1)
    return number


def failing() -> int:
    return 1 // 0


class Unloadable:
    def __reduce__(self) -> tuple[Callable[[], int], tuple[()]]:
        return failing, ()


def files_of(archive: Path) -> dict[str, bytes]:
    return {str(path.relative_to(archive)): path.read_bytes() for path in archive.rglob("*")
            if path.is_file() and not path.name.startswith(".")}  # fmt: skip


def test_workers_make_the_same_bytes(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whole beats where there are several, searches within a beat where there is one; nothing comes from a cache."""
    monkeypatch.setattr(build_command, "now", lambda: MADE)
    beats = [tmp_path / "one", tmp_path / "two"]
    for number, beat in enumerate(beats):
        write_beat(beat)
        write(beat / "drums/hat.wav", noise_hit(0.05, 6000, 7 + number))
    text = (beats[1] / "beat.toml").read_text()
    (beats[1] / "beat.toml").write_text(text.replace("Paper Harbour", "Tin Harbour"))
    built = {}
    for name, options in {"here": [], "beats": ["--engine", "dask", "--scheduler", address]}.items():
        monkeypatch.setenv("DOSSIER_CACHE", str(tmp_path / f"cache-{name}"))
        site = tmp_path / name / "site"
        assert cli.main(["build", *map(str, beats), "-o", str(site), *options]) == cli.DONE
        built[name] = files_of(site)
    assert len(built["here"]) > 20
    assert built["here"] == built["beats"]
    monkeypatch.setenv("DOSSIER_CACHE", str(tmp_path / "cache-within"))
    site = tmp_path / "within" / "site"
    assert cli.main(["build", str(beats[0]), "-o", str(site), "--engine", "dask", "--scheduler", address]) == cli.DONE
    one = {name: content for name, content in files_of(site).items() if "/" in name}
    assert one == {name: content for name, content in built["here"].items() if name in one}
    assert len(one) > 10
    assert "lost" not in capsys.readouterr().err


def test_workers_measure_a_library_into_the_cache(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same figures as here, and a build's way of asking finds them; a file that is none is named."""
    lib = tmp_path / "lib"
    for number in range(5):
        write(lib / f"hats/hat-{number}.wav", noise_hit(0.05, 6000, number))
    (lib / "broken.wav").write_bytes(b"RIFF")
    outcomes = []
    for name, options in {"away": ["--engine", "dask", "--scheduler", address], "here": []}.items():
        monkeypatch.setenv("DOSSIER_CACHE", str(tmp_path / name))
        assert cli.main(["measure", str(lib), "--json", *options]) == cli.FAILED
        outcomes.append(json.loads(capsys.readouterr().out))
    assert outcomes[0] == outcomes[1]
    assert sum("error" in one for one in outcomes[0]) == 1
    kept = [sorted(path.name for path in (tmp_path / name).rglob("*") if path.is_file()) for name in ("away", "here")]
    assert kept[0] == kept[1]
    assert len(kept[0]) == 5 + 1  # each file, and the batch of them


def test_a_cache_that_takes_no_more_costs_no_beat_and_is_told(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_beat(tmp_path / "one")
    (tmp_path / "no-folder").write_text("a file in the place of the cache")
    monkeypatch.setenv("DOSSIER_CACHE", str(tmp_path / "no-folder"))
    site = tmp_path / "site"
    arguments = ["build", str(tmp_path / "one"), "-o", str(site), "--engine", "dask", "--scheduler", address]
    assert cli.main(arguments) == cli.FAILED
    assert list(site.glob("*/*-r001.html"))
    assert "the shared cache takes no more" in capsys.readouterr().err


def test_a_worker_that_dies_loses_nothing_and_is_told(tmp_path: Path) -> None:
    told: list[str] = []
    with cluster(tmp_path) as (found, _), parallel.cluster(found) as client:
        until(lambda: len(client.nthreads()) == 2)
        tasks = [(str(tmp_path), number) for number in range(30)]
        engine = Engine(client=client, tell=told.append)
        assert engine.map(fatal_once, tasks) == list(range(30))
        assert len(client.nthreads()) == 1
    assert len(told) == 1
    assert "is lost; what it was doing is done again" in told[0]


def test_a_scheduler_that_vanishes_is_one_line(tmp_path: Path) -> None:
    with cluster(tmp_path) as (found, running), parallel.cluster(found) as client:
        results = parallel.cluster_map(squared_slowly, range(200), client)
        assert [next(results), next(results)] == [0, 1]
        running.kill()
        with pytest.raises(MachineError, match="the scheduler is gone; start it again") as told:
            list(results)
        assert "\n" not in str(told.value)


def test_work_that_cannot_begin_is_an_error(address: str) -> None:
    """What a worker cannot even load must not be waited for."""
    with parallel.cluster(address) as client, pytest.raises(RuntimeError, match="deserialization"):
        Engine(client=client).map(squared_slowly, [1, Unloadable(), 3])  # type: ignore[list-item]


def test_workers_that_never_come_back_are_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parallel, "ALONE_S", 2.0)
    with scheduler(tmp_path) as (found, _), ExitStack() as stack:
        worker = stack.enter_context(started("worker", found, "--nthreads", "1", "--no-nanny", folder=tmp_path))
        with parallel.cluster(found) as client:
            results = parallel.cluster_map(squared_slowly, range(200), client)
            assert next(results) == 0
            worker.kill()
            with pytest.raises(MachineError, match="no worker is left"):
                list(results)


def test_other_versions_are_refused_by_name(tmp_path: Path) -> None:
    """A worker whose copy of the program differs in one line."""
    copy = tmp_path / "other"
    shutil.copytree(Path(dossier.__file__).parent, copy / "dossier", ignore=shutil.ignore_patterns("__pycache__"))
    with (copy / "dossier/decide/fit.py").open("a") as file:
        file.write("\n# another version\n")
    with scheduler(tmp_path) as (found, _), started("worker", found, "--no-nanny", folder=tmp_path, package=copy):
        with pytest.raises(EngineError, match=r"runs other versions: dossier \w+ \(here \w+\); install") as told, \
                parallel.cluster(found):  # fmt: skip
            pass
        assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--engine", "dask"], "needs --scheduler ADDR"),
        (["--scheduler", "tcp://127.0.0.1:1"], "--scheduler is for --engine dask"),
        (["--engine", "dask", "--scheduler", "tcp://127.0.0.1:1"], "no scheduler answers there"),
        (["--engine", "dask", "--scheduler", "nonsense"], "missing port number"),
        (["--engine", "dask", "--scheduler", "smoke://here:1"], "unknown address scheme 'smoke'"),
        (["--engine", "dask", "--scheduler", "tls://127.0.0.1:1"], "no scheduler answers there"),
    ],
)
def test_addresses_that_lead_nowhere_are_one_line(
    options: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(parallel, "CONNECT_S", 0.5)
    write_beat(tmp_path / "one")
    assert cli.main(["build", str(tmp_path / "one"), "-o", str(tmp_path / "site"), *options]) == cli.USAGE
    told = [line for line in capsys.readouterr().err.splitlines() if line.startswith("dossier: ")]
    assert len(told) == 1
    assert said in told[0]
    assert not (tmp_path / "site").exists()
