"""Several cores: what comes out does not depend on how many there are, whatever happens to a process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from functools import partial

import pytest

from dossier import workers

FAILURES = ["an error", "ended from outside", "no pickle", "nothing comes"]


def squared(number: int) -> int:
    return number * number


def failing(number: int) -> int:
    if number == 3:
        raise ValueError("three")
    return number


def dying(number: int, *, home: int) -> int:
    """Ends its process from outside, unless that is the one that asked."""
    if os.getpid() != home:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def failing_there(failure: str) -> object:
    """What may go wrong in a copy of the process."""
    if failure == "an error":
        raise ValueError("there")
    if failure == "ended from outside":
        os.kill(os.getpid(), signal.SIGKILL)
    if failure == "no pickle":
        return lambda: None
    time.sleep(30.0)
    return "there"


@pytest.mark.parametrize("jobs", [1, 2, 3])
def test_results_stand_in_the_order_of_the_inputs(jobs: int) -> None:
    found = workers.spread(squared, range(9), jobs=jobs, cost_s=lambda number: 10.0 + number % 4)
    assert found == [number * number for number in range(9)]


def test_little_work_waits_for_no_helper(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "_helpers", None)  # a call would fail
    assert workers.spread(squared, [1, 2, 3], jobs=2, cost_s=lambda _: 0.1) == [1, 4, 9]


def test_helpers_take_part_of_the_work() -> None:
    seen = workers.spread(_slowly, range(8), jobs=2)
    assert len(set(seen)) == 2
    assert os.getpid() in seen


def _slowly(_: int) -> int:
    time.sleep(0.3)
    return os.getpid()


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_comes_through(jobs: int) -> None:
    with pytest.raises(ValueError, match="three"):
        workers.spread(failing, range(6), jobs=jobs)
    assert workers.spread(squared, [1, 2], jobs=jobs) == [1, 4]


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal")
def test_the_work_of_a_helper_that_was_ended_is_done_here() -> None:
    found = workers.spread(partial(dying, home=os.getpid()), range(5), jobs=2)
    assert found == [0, 1, 2, 3, 4]
    assert workers.spread(squared, [2, 3], jobs=2) == [4, 9]


def test_threads_keep_the_order_and_do_not_run_far_ahead() -> None:
    started: list[int] = []
    lock = threading.Lock()

    def work(number: int) -> int:
        with lock:
            started.append(number)
        return number

    taken = workers.side_by_side(work, range(50))
    assert next(taken) == 0
    assert len(started) <= workers.cores() + 1
    assert list(taken) == list(range(1, 50))


def _names(number: int) -> set[str]:
    """Threads that do the work of a piece which would run side by side itself."""
    time.sleep(0.02)
    return set(workers.side_by_side(lambda _: threading.current_thread().name, range(6))) | {f"of {number}"}


def test_what_runs_side_by_side_does_not_split_up_again() -> None:
    alone = _names(0) - {"of 0"}  # more than one name, and not this thread's
    assert threading.current_thread().name not in alone
    for found in workers.side_by_side(_names, range(4)):
        assert len(found) == 2
    for found in workers.spread(_names, range(4), jobs=2, cost_s=lambda _: 0.1):
        assert len(found) == 2


@pytest.mark.parametrize("count", [0, 1, 2, 7])
def test_shared_work_stands_in_the_order_of_the_inputs(count: int) -> None:
    assert workers.split(lambda number: number * number, range(count)) == [number * number for number in range(count)]
    costs = [float(number % 3) for number in range(count)]
    assert workers.split(squared, range(count), costs) == [number * number for number in range(count)]


@pytest.mark.skipif(sys.platform != "linux" or workers.cores() < 2, reason="no copies of the process are made here")
def test_work_apart_is_done_in_a_copy_of_the_process() -> None:
    seen: list[int] = []
    result = workers.apart(lambda: (os.getpid(), seen.append(1)))
    assert result()[0] != os.getpid()
    assert seen == []  # what it changes stays there
    assert set(workers.split(lambda _: os.getpid(), range(6))) > {os.getpid()}


@pytest.mark.parametrize("failure", FAILURES)
def test_work_apart_that_fails_is_done_here(failure: str, monkeypatch: pytest.MonkeyPatch) -> None:
    home = os.getpid()
    if failure == "nothing comes":
        monkeypatch.setattr(workers, "PATIENCE_S", 0.1)

    def work() -> object:
        return "here" if os.getpid() == home else failing_there(failure)

    copies: list[int] = []
    fork = getattr(os, "fork", int)

    def counted() -> int:
        copies.append(fork())
        return copies[-1]

    monkeypatch.setattr(os, "fork", counted, raising=False)
    assert workers.apart(work)() == "here"
    for copy in copies:
        with pytest.raises(ChildProcessError):
            os.waitpid(copy, os.WNOHANG)  # nothing is left of it


def test_a_system_without_room_for_a_copy_does_the_work_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> int:
        raise BlockingIOError("no more processes")

    monkeypatch.setattr(os, "fork", full, raising=False)
    assert workers.apart(os.getpid)() == os.getpid()


def test_an_error_of_work_apart_comes_through() -> None:
    with pytest.raises(ValueError, match="three"):
        workers.split(failing, range(6))
    with pytest.raises(ValueError, match="three"):
        workers.apart(lambda: failing(3))()


@pytest.mark.parametrize("count", [0, 1, 2, 7])
def test_a_pair_answers_in_the_order_of_the_inputs(count: int) -> None:
    with workers.Pair() as pair:
        for _ in range(3):
            assert pair(squared, range(count)) == [number * number for number in range(count)]
        assert pair(failing, [1, 2]) == [1, 2], "another function"


@pytest.mark.skipif(sys.platform != "linux" or workers.cores() < 2, reason="no copies of the process are made here")
def test_a_pair_is_this_process_and_one_copy_that_stays() -> None:
    def who(number: int) -> tuple[int, int]:
        return number, os.getpid()

    with workers.Pair() as pair:
        seen = [pair(who, [1, 2, 3, 4]) for _ in range(3)]
        others = {process for found in seen for _, process in found} - {os.getpid()}
        assert [[number for number, _ in found] for found in seen] == [[1, 2, 3, 4]] * 3
        assert len(others) == 1
        assert sum(process == os.getpid() for _, process in seen[0]) == 2
    with pytest.raises(ChildProcessError):
        os.waitpid(others.pop(), os.WNOHANG)  # nothing is left of it
    assert workers.split(lambda _: workers.Pair().both, range(4)) == [False] * 4, "what runs in copies makes none"


@pytest.mark.parametrize("failure", FAILURES)
def test_what_a_pair_s_copy_fails_at_is_done_here(failure: str, monkeypatch: pytest.MonkeyPatch) -> None:
    home = os.getpid()
    if failure == "nothing comes":
        monkeypatch.setattr(workers, "PATIENCE_S", 0.1)

    def work(number: int) -> object:
        return number if os.getpid() == home else failing_there(failure)

    with workers.Pair() as pair:
        assert [pair(work, range(5)) for _ in range(2)] == [[0, 1, 2, 3, 4]] * 2
        assert not pair.both


def test_a_pair_without_room_for_a_copy_does_the_work_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> int:
        raise BlockingIOError("no more processes")

    monkeypatch.setattr(os, "fork", full, raising=False)
    with workers.Pair() as pair:
        assert pair(lambda _: os.getpid(), range(3)) == [os.getpid()] * 3
        with pytest.raises(ValueError, match="three"):
            pair(failing, range(6))


@pytest.mark.skipif(sys.platform != "linux" or workers.cores() < 2, reason="no copies of the process are made here")
@pytest.mark.parametrize("ending", [signal.SIGKILL, signal.SIGTERM])
def test_a_pair_s_copy_ends_with_whoever_asked_however_that_ends(ending: signal.Signals) -> None:
    program = (
        "import os, sys, time\n"
        "from dossier import workers\n"
        "pair = workers.Pair()\n"
        "pair(lambda _: time.sleep(0.01), [1, 2])\n"
        "print('ready', flush=True)\n"
        "time.sleep(60.0)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as asking:
        assert asking.stdout is not None
        assert asking.stdout.readline() == "ready\n"
        asking.send_signal(ending)
        asking.communicate(timeout=30.0)  # ends when nobody holds the output open any more, the copy included


def test_without_a_free_file_the_work_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> tuple[int, int]:
        raise OSError(24, "Too many open files")

    monkeypatch.setattr(os, "pipe", full)
    assert workers.apart(os.getpid)() == os.getpid()
    with workers.Pair() as pair:
        assert pair(lambda _: os.getpid(), range(3)) == [os.getpid()] * 3


def test_inputs_without_a_pickle_are_worked_on_here() -> None:
    with workers.Pair() as pair:
        assert pair(lambda given: given(), [lambda: 1, lambda: 2, lambda: 3]) == [1, 2, 3]
