"""Independent trials on several processes, each with one thread of its own."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")

#: Libraries that would start threads of their own and so make the workers wait for each other.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def run_all(
    function: Callable[[Job], Result],
    jobs: Sequence[Job],
    *,
    workers: int,
    keep: Callable[[Result], None] | None = None,
) -> list[Result]:
    """Call a function for every job and return the results in order; progress goes to stderr.

    Parameters
    ----------
    function : callable
        Defined at the top of a module, so that a new process finds it.
    jobs : sequence
        One argument each.
    workers : int
        Processes.
    keep : callable, optional
        Called with every result as soon as it is there, to store it.

    Returns
    -------
    list
        One result for each job.
    """
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    results: list[Result] = []
    # new processes read the environment before they load the libraries; forked ones would not
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=workers, mp_context=fresh) as pool:
        for result in pool.map(function, jobs, chunksize=4):
            results.append(result)
            if keep is not None:
                keep(result)
            if sys.stderr.isatty() or len(results) % 50 == 0 or len(results) == len(jobs):
                print(f"\r{len(results)} of {len(jobs)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return results
