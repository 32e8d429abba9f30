"""Several cores: the same function over many inputs, the same results in the same order whatever the number of workers.

Processes come from joblib (loky).  This process works beside them, so that nothing waits until they have started, which
takes most of a second: `get_ready` starts them while there is other work.  With one job, or one input, everything runs
in this process.  Threads pay at once where the work is in large arrays, files or encoders: those let other threads run.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from typing import TypeVar

START_S = 1.0  # a process takes this long to start and to load what it needs

In = TypeVar("In")
Out = TypeVar("Out")


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def get_ready(jobs: int, function: Callable[[], object] | None = None) -> None:
    """Start the processes that `spread` with as many jobs will use, and let each do `function` (imports, tables)."""
    if jobs > 1:
        for _ in range(jobs - 1):
            _helpers(jobs).submit(function or cores)


def spread(
    function: Callable[[In], Out], inputs: Sequence[In], *, jobs: int, cost_s: Callable[[In], float] = lambda _: 60.0
) -> list[Out]:
    """`[function(each) for each in inputs]` on up to `jobs` processes; function and inputs must be picklable.

    `cost_s`: how long an input takes, in seconds, roughly.  What takes longest starts first, of equals the first; where
    all the others would be done before a process has started, threads do it.
    """
    costs = [cost_s(each) for each in inputs]
    if jobs <= 1 or len(inputs) <= 1:
        return [function(each) for each in inputs]
    if sum(costs) - max(costs) < START_S:
        return list(side_by_side(function, inputs, ahead=len(inputs)))
    left = deque(sorted(range(len(inputs)), key=lambda index: -costs[index]))
    done: dict[int, Out] = {}
    sent: dict[int, Future[Out]] = {}
    turn = threading.Lock()
    helpers = _helpers(jobs)

    def take() -> int | None:
        return left.popleft() if left else None

    def send(_: object = None) -> None:
        """Give a helper its next piece; called again when it has done that."""
        with turn:
            index = take()
            if index is None:
                return
            try:
                future = sent[index] = helpers.submit(function, inputs[index])
            except RuntimeError:  # the helpers have gone
                left.append(index)
                return
        future.add_done_callback(send)

    with turn:
        own = take()
    for _ in range(jobs - 1):
        send()
    try:
        while own is not None:
            done[own] = function(inputs[own])
            with turn:
                own = take()
    finally:
        with turn:
            left.clear()
    for index, future in sent.items():
        try:
            done[index] = future.result()
        except BrokenExecutor:  # a helper was ended from outside: its piece is done here
            done[index] = function(inputs[index])
    return [done[index] for index in range(len(inputs))]


def _helpers(jobs: int) -> Executor:
    """The processes beside this one; those of an earlier call where they still live."""
    from joblib.externals.loky import get_reusable_executor

    helpers: Executor = get_reusable_executor(max_workers=jobs - 1)
    return helpers


def side_by_side(function: Callable[[In], Out], inputs: Iterable[In], *, ahead: int = 0) -> Iterator[Out]:
    """`map(function, inputs)` on as many threads as there are cores.

    No more results wait than there are threads, and `ahead` more: of small ones many may.
    """
    threads = cores()
    with ThreadPoolExecutor(max_workers=threads) as pool:
        waiting: deque[Future[Out]] = deque()
        for each in inputs:
            waiting.append(pool.submit(function, each))
            if len(waiting) >= threads + ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
