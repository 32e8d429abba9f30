"""Several cores: what comes out does not depend on how many there are, whatever happens to a process."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from functools import partial

import pytest

from dossier import workers


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


@pytest.mark.parametrize("jobs", [1, 2, 3])
def test_results_stand_in_the_order_of_the_inputs(jobs: int) -> None:
    found = workers.spread(squared, range(9), jobs=jobs, cost_s=lambda number: 10.0 + number % 4)
    assert found == [number * number for number in range(9)]


def test_little_work_stays_in_this_process() -> None:
    home = workers.spread(lambda _: os.getpid(), [1, 2, 3], jobs=2, cost_s=lambda _: 0.1)
    assert set(home) == {os.getpid()}


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
