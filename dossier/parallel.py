"""Several cores: the same function over many inputs, the same results in the same order whatever the number of workers.

Threads pay where the work is in large arrays, files or encoders, which let other threads run.  Searches made of many
small arrays go to processes, which come from joblib (loky).
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from typing import TypeVar

MOST_JOBS_A_CORE = 4
_WATCH, _LOOK_EVERY_S = "parent watch", 0.5
LONG_BYTES = 128 << 20  # several sounds of this size at once would fill the memory

In = TypeVar("In")
Out = TypeVar("Out")


class Count(str):
    """A step of a stage: its words, and how many of how many things are done."""

    done: int
    total: int


def counted(results: Iterable[Out], total: int, what: str, say: Callable[[str], object]) -> Iterator[Out]:
    """The results as they come; `say` gets a `Count` of `what` after each."""
    for done, result in enumerate(results, 1):
        step = Count(what)
        step.done, step.total = done, total
        say(step)
        yield result


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def bounded(jobs: int) -> int:
    """A number of processes that this machine can bear; 0 asks for one a core."""
    return min(jobs, MOST_JOBS_A_CORE * cores()) if jobs > 0 else cores()


def thread_map(
    function: Callable[[In], Out], inputs: Iterable[In], *, ahead: int = 0, each_bytes: int = 0
) -> Iterator[Out]:
    """`map(function, inputs)` on one thread a core; one after the other where each holds a sound of `LONG_BYTES`.

    At most one result a thread waits to be taken, and `ahead` more: few of large results, many of small ones.
    """
    if each_bytes > LONG_BYTES:
        yield from map(function, inputs)
        return
    threads = cores()
    with ThreadPoolExecutor(max_workers=threads) as pool:
        waiting: deque[Future[Out]] = deque()
        for each in inputs:
            waiting.append(pool.submit(function, each))
            if len(waiting) >= threads + ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def process_map(
    function: Callable[[In], Out], inputs: Sequence[In], *, jobs: int, what: str = "",
    say: Callable[[str], object] = str,
) -> list[Out]:
    """`[function(each) for each in inputs]` on up to `jobs` processes; with one job, or one input, in this one.

    Function and inputs must be picklable.  Put what takes longest first: pieces are handed out in order.  `say` gets a
    `Count` of `what` as they are done.
    """
    if jobs <= 1 or len(inputs) <= 1:
        return list(counted(map(function, inputs), len(inputs), what, say))
    from joblib import Parallel, delayed

    helped = delayed(partial(_while_parent_lives, os.getpid(), function))
    made = Parallel(n_jobs=min(jobs, len(inputs)), batch_size=1, return_as="generator")(helped(one) for one in inputs)
    return list(counted(made, len(inputs), what, say))


def _while_parent_lives(parent: int, function: Callable[[In], Out], each: In) -> Out:
    """`function(each)` in a helper process, which ends soon after its parent does, however that ended."""
    if not any(thread.name == _WATCH for thread in threading.enumerate()):
        threading.Thread(target=_end_after, args=(parent,), name=_WATCH, daemon=True).start()
    return function(each)


def _end_after(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(_LOOK_EVERY_S)
    os.kill(os.getpid(), signal.SIGTERM)
