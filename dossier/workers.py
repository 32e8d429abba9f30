"""Several cores: the same function over many inputs, the same results in the same order whatever the number of workers.

Processes come from joblib (loky).  This process works beside them, so that nothing waits until they have started, which
takes most of a second: `get_ready` starts them while there is other work.  With one job, or one input, everything runs
in this process.  Threads pay at once where the work is in large arrays, files or encoders: those let other threads run.
Work in many small arrays does not; for that this process is copied where it can be (`split`, `apart`, `Pair`).
"""

from __future__ import annotations

import os
import pickle
import select
import signal
import struct
import sys
import threading
import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from functools import partial
from typing import Any, TypeVar

PATIENCE_S = 300.0  # nothing that is begun in a copy of the process takes longer
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
    all the others would be done before a process has started, copies of this one do it.
    """
    costs = [cost_s(each) for each in inputs]
    if jobs <= 1 or len(inputs) <= 1:
        return [function(each) for each in inputs]
    if sum(costs) - max(costs) < START_S:
        return split(function, inputs, costs)
    function = partial(_alone, function)
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


def split(function: Callable[[In], Out], inputs: Sequence[In], costs: Sequence[float] = ()) -> list[Out]:
    """`[function(each) for each in inputs]`, shared out between this process and copies of it: see `apart`.

    For work in many small arrays, at which threads would only take turns.
    """
    shares = min(cores(), len(inputs))
    if shares < 2 or not _may_copy():
        return [function(each) for each in inputs]
    lists: list[list[int]] = [[] for _ in range(shares)]
    loads = [0.0] * shares
    weights = costs or [1.0] * len(inputs)
    for index in sorted(range(len(inputs)), key=lambda index: -weights[index]):
        least = loads.index(min(loads))
        lists[least].append(index)
        loads[least] += weights[index]

    def work(indices: Sequence[int]) -> list[Out]:
        return [_alone(function, inputs[index]) for index in indices]

    others = [apart(partial(work, indices)) for indices in lists[1:]]
    done = dict(zip(lists[0], work(lists[0]), strict=True))
    for indices, other in zip(lists[1:], others, strict=True):
        done.update(zip(indices, other(), strict=True))
    return [done[index] for index in range(len(inputs))]


def apart(function: Callable[[], Out]) -> Callable[[], Out]:
    """Begin `function` in a copy of this process; what comes back gives its result, which must be picklable.

    Where a process cannot be copied safely (other systems than Linux), or the copy fails, or takes longer than anything
    here does, the work is done when its result is asked for.  No other thread may be at work when it is called.
    """
    if not _may_copy():
        return function
    ends: list[int] = []
    try:
        ends += os.pipe()
        copy = _fork()
    except OSError:
        for end in ends:
            os.close(end)
        return function
    reading, writing = ends
    if copy == 0:
        code = 1
        try:
            os.close(reading)
            with os.fdopen(writing, "wb") as pipe:
                pipe.write(pickle.dumps(function(), protocol=pickle.HIGHEST_PROTOCOL))
            code = 0
        finally:
            os._exit(code)
    os.close(writing)

    def result() -> Out:
        try:
            content = _received(reading)
        finally:
            os.close(reading)
        if content is None:
            with suppress(ProcessLookupError):
                os.kill(copy, signal.SIGKILL)
        _, status = os.waitpid(copy, 0)
        if content is None or status != 0:
            return function()
        found: Out = pickle.loads(content)
        return found

    return result


class Pair:
    """This process and one copy of it that stays for a `with` block: `map`, two inputs at a time, for little work.

    The copy is made with the function that is asked for first, and knows what this process knew then; inputs and
    results must be picklable.  What is asked of another function, and what a copy fails at, is done here.  As with
    `apart`, no other thread may be at work when it is first called.
    """

    def __init__(self) -> None:
        self.both = _may_copy()  # False: all is done here, one after the other
        self._function: Callable[[Any], Any] | None = None
        self._copy = self._asking = self._answers = -1

    def __enter__(self) -> Pair:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def __call__(self, function: Callable[[In], Out], inputs: Sequence[In]) -> list[Out]:
        """`[function(each) for each in inputs]`."""
        if len(inputs) > 1 and self.both and self._function is None:
            self._begin(function)
        done: dict[int, Out] = {}
        left = deque(range(len(inputs)))
        while left:
            here = left.popleft()
            there = left.popleft() if left and function == self._function and self._ask(inputs[left[0]]) else None
            try:
                done[here] = function(inputs[here])
            except BaseException:
                self._end()  # an answer that nobody takes would be the next one's
                raise
            if there is not None:
                content = self._answer()
                done[there] = function(inputs[there]) if content is None else pickle.loads(content)
        return [done[index] for index in range(len(inputs))]

    def _begin(self, function: Callable[[Any], Any]) -> None:
        ends: list[int] = []
        try:
            ends += os.pipe()
            ends += os.pipe()
            copy = _fork()
        except OSError:
            self.both = False
            for end in ends:
                os.close(end)
            return
        asked, self._asking, self._answers, answering = ends
        if copy == 0:
            try:
                os.close(self._asking)  # so that it sees where this process ends, however that ends
                os.close(self._answers)
                with os.fdopen(asked, "rb") as questions, os.fdopen(answering, "wb") as answers:
                    while True:
                        content = pickle.dumps(function(pickle.load(questions)), protocol=pickle.HIGHEST_PROTOCOL)
                        answers.write(_SIZE.pack(len(content)) + content)
                        answers.flush()
            finally:
                os._exit(1)
        os.close(asked)
        os.close(answering)
        self._function, self._copy = function, copy

    def _ask(self, given: object) -> bool:
        try:
            content = pickle.dumps(given, protocol=pickle.HIGHEST_PROTOCOL)
            if os.write(self._asking, content) == len(content):
                return True
        except Exception:  # the copy has gone, or the input has no pickle
            pass
        self._end()
        return False

    def _answer(self) -> bytes | None:
        head = _received(self._answers, _SIZE.size)
        content = _received(self._answers, _SIZE.unpack(head)[0]) if head is not None else None
        if content is None:
            self._end()
        return content

    def _end(self) -> None:
        """Send the copy home; it has nothing to lose."""
        if self._function is None:
            return
        with suppress(ProcessLookupError):
            os.kill(self._copy, signal.SIGKILL)
        os.waitpid(self._copy, 0)
        os.close(self._asking)
        os.close(self._answers)
        self._function, self.both = None, False


_SIZE = struct.Struct("<Q")


def _fork() -> int:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the threads that are there, none is at work
        copy = os.fork()
    if copy == 0:
        _busy.here = True
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever asked is interrupted, and ends or awaits its copies
    return copy


def _may_copy() -> bool:
    """On other systems their own libraries do not bear it; in a copy, or beside other pieces, the cores are busy."""
    return sys.platform == "linux" and cores() > 1 and not getattr(_busy, "here", False)


def _received(reading: int, size: int | None = None) -> bytes | None:
    """So many bytes from a pipe, or all; None where nothing comes for too long, or it ends before."""
    parts: list[bytes] = []
    while size != 0 and select.select([reading], [], [], PATIENCE_S)[0]:
        part = os.read(reading, min(1 << 20, size or 1 << 20))
        if not part:
            return b"".join(parts) if size is None else None
        parts.append(part)
        size = None if size is None else size - len(part)
    return b"".join(parts) if size == 0 else None


def _alone(function: Callable[[In], Out], given: In) -> Out:
    """`function(given)`, with nothing in it `side_by_side`: the cores are busy with its like."""
    before, _busy.here = getattr(_busy, "here", False), True
    try:
        return function(given)
    finally:
        _busy.here = before


_busy = threading.local()


def _helpers(jobs: int) -> Executor:
    """The processes beside this one; those of an earlier call where they still live."""
    from joblib.externals.loky import get_reusable_executor

    helpers: Executor = get_reusable_executor(max_workers=jobs - 1)
    return helpers


def side_by_side(
    function: Callable[[In], Out], inputs: Iterable[In], *, ahead: int = 0, leaving: int = 0
) -> Iterator[Out]:
    """`map(function, inputs)` on as many threads as there are cores, but for those `leaving` to other work.

    No more results wait than there are threads, and `ahead` more: of small ones many may.  One after the other in what
    runs side by side itself.
    """
    if getattr(_busy, "here", False):
        yield from map(function, inputs)
        return
    function, threads = partial(_alone, function), max(1, cores() - leaving)
    with ThreadPoolExecutor(max_workers=threads) as pool:
        waiting: deque[Future[Out]] = deque()
        for each in inputs:
            waiting.append(pool.submit(function, each))
            if len(waiting) >= threads + ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
