"""Several cores: the same function over many inputs, the same results in the same order whatever the number of workers.

Threads pay where the work is in large arrays, files or encoders, which let other threads run.  Searches made of many
small arrays go to processes (joblib's loky), or to the workers of a cluster (joblib's backend on dask.distributed).

A scheduler runs what its clients send, so only trusted hosts may reach it.  Files, cache and archive have the same
paths on all machines.  What a lost worker was doing is done again by another.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from functools import lru_cache, partial
from typing import Any, TypeVar

from msgspec import Struct

from dossier.errors import EngineError, MachineError
from dossier.files import source_mark

MOST_JOBS_A_CORE = 4
FEW_JOBS = 2  # so many processes take as long to start as they spare; threads, which share one interpreter, do not
_WATCH, _LOOK_EVERY_S = "parent watch", 0.5
TURN_S = 0.001  # after so long a thread hands on the interpreter; by default 5 ms, a twentieth of a build slower
LONG_BYTES = 128 << 20  # several sounds of this size at once would fill the memory
CONNECT_S, ALONE_S = 10.0, 30.0  # how long a scheduler may take to answer, and be without a worker
# What results depend on, or what client and workers speak with.
ALIKE = ("numpy", "scipy", "soxr", "soundfile", "librosa", "pyloudnorm", "msgspec", "joblib", "dask", "distributed")

_task = threading.local()  # what a worker's thread works on

In = TypeVar("In")
Out = TypeVar("Out")


class Engine(Struct, frozen=True):
    """Where long work runs: on processes of this machine (1: in this one), or on the workers of a scheduler."""

    jobs: int = 1
    client: Any = None  # of dask.distributed
    tell: Callable[[str], object] = str  # gets a line when a worker is lost

    def map(
        self, function: Callable[[In], Out], inputs: Sequence[In], *, what: str = "",
        say: Callable[[str], object] = str, brief: bool = False,
    ) -> list[Out]:  # fmt: skip
        """`[function(each) for each in inputs]`; see `process_map`.  `brief` work goes to threads up to `FEW_JOBS`."""
        if self.client is None and brief and self.jobs <= FEW_JOBS:
            return list(counted(thread_map(function, inputs, threads=self.jobs), len(inputs), what, say))
        if self.client is None:
            return process_map(function, inputs, jobs=self.jobs, what=what, say=say)
        return list(self.each(function, inputs, what=what, say=say))

    def each(
        self, function: Callable[[In], Out], inputs: Sequence[In], *, what: str = "", say: Callable[[str], object] = str
    ) -> Iterator[Out]:
        """The same, each result as it comes, on a cluster."""
        return counted(cluster_map(function, inputs, self.client, self.tell), len(inputs), what, say)


HERE = Engine()


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
    function: Callable[[In], Out], inputs: Iterable[In], *, ahead: int = 0, each_bytes: int = 0, threads: int = 0
) -> Iterator[Out]:
    """`map(function, inputs)` on so many threads, or one a core; in this one where each holds a sound of `LONG_BYTES`.

    A task on a worker uses one: a worker has as many tasks at once as it was given threads.  At most one result a
    thread waits to be taken, and `ahead` more: few of large results, many of small ones.
    """
    threads = threads or (1 if getattr(_task, "on_worker", False) else cores())
    if each_bytes > LONG_BYTES or threads == 1:
        yield from map(function, inputs)
        return
    sys.setswitchinterval(TURN_S)
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


def cluster_map(
    function: Callable[[In], Out], inputs: Sequence[In], client: Any, tell: Callable[[str], object] = str
) -> Iterator[Out]:
    """`map(function, inputs)` on the workers of a scheduler; `tell` gets a line for each that is lost.

    Raises `MachineError` where the scheduler, or the last worker, is gone.
    """
    if not inputs:
        return
    from concurrent.futures import CancelledError

    from distributed import KilledWorker
    from joblib import Parallel, delayed, parallel_config

    over = threading.Event()
    gone: list[str] = []
    watch = threading.Thread(target=_watch_workers, args=(client, _workers(client), over, gone, tell), daemon=True)
    watch.start()
    try:
        with parallel_config(backend=_backend(client)):
            helped = delayed(partial(_like_client, versions(), function))
            made = Parallel(n_jobs=-1, batch_size=1, pre_dispatch="all", return_as="generator")(map(helped, inputs))
            yield from made
    except KilledWorker as error:
        cost = error.allowed_failures + 1
        raise MachineError(f"a piece of work cost {cost} workers; give them more memory") from None
    except (OSError, CancelledError, TimeoutError):
        raise MachineError(gone[0] if gone else "the scheduler is gone; start it again, then run this again") from None
    finally:
        over.set()
        watch.join()


def _backend(client: Any) -> Any:
    """joblib's backend on the client, which also tells of work that failed without running: it would wait for that."""
    from joblib._dask import DaskDistributedBackend

    class Backend(DaskDistributedBackend):  # type: ignore[misc]
        def submit(self, func: Any, callback: Any = None) -> Any:
            future = super().submit(func, callback)
            future.add_done_callback(lambda done: callback(done.exception()) if done.exception() else None)
            return future

        def effective_n_jobs(self, n_jobs: int) -> int:
            return max(2, int(super().effective_n_jobs(n_jobs)))  # for one it would work here

        def retrieve_result_callback(self, out: Any) -> Any:
            if isinstance(out, BaseException):
                raise out
            return super().retrieve_result_callback(out)

    return Backend(client=client, wait_for_workers_timeout=ALONE_S)


@contextmanager
def cluster(address: str) -> Iterator[Any]:
    """A client of the scheduler at an address, whose workers run what this process runs.

    Raises `EngineError` where the address leads to none, or versions differ.
    """
    try:
        from dask import config
        from distributed import Client
    except ImportError:
        raise EngineError("--engine dask needs more packages: pip install 'dossier[dask]'") from None
    import asyncio
    import logging
    import warnings

    for name in [*logging.root.manager.loggerDict]:
        if name.startswith(("distributed", "tornado")):  # what goes wrong is told in a line of ours
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    config.set({"distributed.comm.timeouts.connect": f"{CONNECT_S:g}s"})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # versions are looked at below
        try:
            with ThreadPoolExecutor(1) as apart:  # whoever calls may run an event loop of their own
                apart.submit(lambda: asyncio.run(_answers(address))).result()  # a client takes long to find nobody
            client = Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError, RuntimeError) as error:
            raise EngineError(f"--scheduler {address}: no scheduler answers there ({_brief(error)})") from None
        try:
            _same_versions(client, address)
            yield client
        finally:
            client.close(timeout=CONNECT_S)


async def _answers(address: str) -> None:
    from distributed import Security
    from distributed.comm import connect

    comm = await connect(address, timeout=CONNECT_S, **Security().get_connection_args("client"))
    await comm.close()


@lru_cache(maxsize=1)
def versions() -> dict[str, str]:
    """What has to be the same on all machines for the same bytes to come out."""
    from importlib import metadata

    found = {name: metadata.version(name) for name in ALIKE}
    return {"dossier": source_mark()[:12], "Python": ".".join(map(str, sys.version_info[:2])), **found}


def _same_versions(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
        told = client.run(versions, on_error="return")
    except (OSError, TimeoutError) as error:
        raise EngineError(f"--scheduler {address}: it has no worker ({_brief(error)}); start one first") from None
    for worker, found in told.items():
        if not isinstance(found, dict):
            raise EngineError(f"worker {worker} cannot run dossier ({_brief(found)}); install it there as here")
        _refuse_others(versions(), found, worker)


def _refuse_others(wanted: dict[str, str], found: dict[str, str], where: str) -> None:
    other = [f"{name} {found.get(name, 'none')} (here {own})" for name, own in wanted.items() if found.get(name) != own]
    if other:
        raise EngineError(f"worker {where} runs other versions: {', '.join(other)}; install the same everywhere")


def _like_client(wanted: dict[str, str], function: Callable[[In], Out], each: In) -> Out:
    """`function(each)` on a worker, which may have come late, if it runs what the client runs."""
    _refuse_others(wanted, versions(), socket.gethostname())
    _task.on_worker = True
    return function(each)


def _workers(client: Any) -> set[str]:
    """Addresses of the workers; none where the scheduler does not answer, whatever it is that it says."""
    try:
        return set(client.nthreads()) if client.status == "running" else set()
    except Exception:
        return set()


def _watch_workers(
    client: Any, known: set[str], over: threading.Event, gone: list[str], tell: Callable[[str], object]
) -> None:
    """Tell of workers that are lost; without scheduler or workers for too long, give up, so that nobody waits."""
    seen = time.monotonic()
    while not over.wait(_LOOK_EVERY_S):
        now = _workers(client)
        for worker in sorted(known - now):
            tell(f"worker {worker} is lost; what it was doing is done again by another")
        known = now
        if now:
            seen = time.monotonic()
        elif time.monotonic() - seen > ALONE_S:
            gone.append("no worker is left; start some again, then run this again: what was finished is kept")
            client.close(timeout=1)
            return


def _brief(error: object) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
