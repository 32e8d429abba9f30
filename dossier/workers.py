"""Several cores: the same function over many inputs, the same results in the same order whatever the number of workers.

Processes come from joblib (loky).  They pay from a few hundred milliseconds of work a piece on; with one job, or one
input, everything runs in this process.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from typing import TypeVar

In = TypeVar("In")
Out = TypeVar("Out")


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def spread(function: Callable[[In], Out], inputs: Sequence[In], *, jobs: int) -> list[Out]:
    """`[function(each) for each in inputs]` on up to `jobs` processes; function and inputs must be picklable."""
    if jobs <= 1 or len(inputs) <= 1:
        return [function(each) for each in inputs]
    from joblib import Parallel, delayed

    return list(Parallel(n_jobs=min(jobs, len(inputs)), batch_size=1)(delayed(function)(each) for each in inputs))
