"""Several cores: what comes out does not depend on how many there are.  Evidence: analytic."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest

from dossier import parallel


def squared(number: int) -> int:
    return number * number


def failing(number: int) -> int:
    if number == 3:
        raise ValueError("three")
    return number


def slowly(_: int) -> int:
    time.sleep(0.3)
    return os.getpid()


@pytest.mark.parametrize("count", [0, 1, 2, 9])
def test_results_stand_in_the_order_of_the_inputs(count: int) -> None:
    wanted = [number * number for number in range(count)]
    assert list(parallel.thread_map(squared, range(count))) == wanted
    assert list(parallel.thread_map(squared, range(count), ahead=count)) == wanted
    for jobs in (1, 2):
        assert parallel.process_map(squared, range(count), jobs=jobs) == wanted


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_comes_through_and_the_next_work_is_done(jobs: int) -> None:
    with pytest.raises(ValueError, match="three"):
        parallel.process_map(failing, range(6), jobs=jobs)
    with pytest.raises(ValueError, match="three"):
        list(parallel.thread_map(failing, range(6)))
    assert parallel.process_map(squared, [1, 2], jobs=jobs) == [1, 4]


def test_several_processes_work_and_this_one_waits() -> None:
    seen = set(parallel.process_map(slowly, range(6), jobs=2))
    assert len(seen) == 2
    assert os.getpid() not in seen


@pytest.mark.parametrize(("jobs", "here"), [(1, True), (parallel.FEW_JOBS, True), (parallel.FEW_JOBS + 1, False)])
def test_brief_work_is_worth_no_few_processes(jobs: int, here: bool) -> None:
    said: list[str] = []
    seen = parallel.Engine(jobs).map(slowly, range(4), brief=True, what="naps", say=said.append)
    assert (set(seen) == {os.getpid()}) == here
    assert [(one.done, one.total) for one in said if isinstance(one, parallel.Count)] == [(n, 4) for n in range(1, 5)]
    assert set(said) == {"naps"}


@pytest.mark.parametrize("ahead", [0, 5])
def test_threads_do_not_run_far_ahead(ahead: int) -> None:
    started: list[int] = []
    lock = threading.Lock()

    def work(number: int) -> int:
        with lock:
            started.append(number)
        return number

    taken = parallel.thread_map(work, range(50), ahead=ahead)
    assert next(taken) == 0
    assert len(started) <= parallel.cores() + ahead + 1
    assert list(taken) == list(range(1, 50))


def test_a_number_of_processes_is_one_that_the_machine_can_bear(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parallel, "cores", lambda: 3)
    assert [parallel.bounded(jobs) for jobs in (0, 1, 3, 12, 13, 1000)] == [3, 1, 3, 12, 12, 12]


def test_one_job_or_one_input_starts_no_process() -> None:
    program = (
        "import sys\n"
        "from dossier.parallel import process_map\n"
        "assert process_map(abs, [-1, -2, -3], jobs=1) == [1, 2, 3]\n"
        "assert process_map(abs, [-1], jobs=8) == [1]\n"
        "assert not {'joblib', 'multiprocessing'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True)


HELPERS = """
import os, sys, time
from pathlib import Path
from dossier.parallel import process_map
import {name} as helpers
process_map(helpers.busy, [sys.argv[1]] * 2, jobs=2)
"""


def busy(folder: str) -> None:
    """Say which process this is, and work for much longer than the test waits."""
    (Path(folder) / str(os.getpid())).touch()
    end = time.monotonic() + 90
    while time.monotonic() < end:
        pass


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_helpers_end_with_a_killed_parent(tmp_path: Path) -> None:
    """They are looked for until they are gone; without the watch they would work on for a minute and a half."""
    program = HELPERS.format(name=Path(__file__).stem)
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    parent = subprocess.Popen([sys.executable, "-c", program, str(tmp_path)], env=env, stderr=subprocess.DEVNULL)
    until(lambda: len(list(tmp_path.iterdir())) == 2, 60)
    helpers = [int(path.name) for path in tmp_path.iterdir()]
    assert parent.pid not in helpers
    parent.kill()
    parent.wait()
    try:
        until(lambda: not any(running(pid) for pid in helpers), 2.0)
    finally:
        for pid in helpers:
            if running(pid):
                os.kill(pid, signal.SIGKILL)


def running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def until(true: Callable[[], bool], seconds: float) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"not within {seconds} s"
        time.sleep(0.05)


def test_long_sounds_take_turns() -> None:
    """Of sounds so long that several would fill the memory one is worked on at a time, in this thread."""
    here = threading.get_ident()
    found = parallel.thread_map(lambda _: threading.get_ident(), range(3), each_bytes=parallel.LONG_BYTES + 1)
    assert set(found) == {here}
    assert here not in set(parallel.thread_map(lambda _: threading.get_ident(), range(3), each_bytes=1))


def test_a_task_of_a_worker_is_one_thread() -> None:
    """A worker has as many tasks at once as it was given threads: its tasks start none of their own."""

    def idents(_: None) -> set[int]:
        return {threading.get_ident(), *parallel.thread_map(lambda _: threading.get_ident(), range(4))}

    with ThreadPoolExecutor(1) as worker:
        on_worker = partial(parallel._like_client, parallel.versions(), idents)
        assert len(worker.submit(on_worker, None).result()) == 1
    assert len(idents(None)) > 1
