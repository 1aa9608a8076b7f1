"""Work on many pairs side by side, on as many cores as there are: most of it is done in libraries.

Results come in the order of what was asked, and are the same however many threads share the work.
"""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from typing import TYPE_CHECKING, TypeVar

from netcorr.feedback import Feedback, check_cancelled

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

Item = TypeVar("Item")
Result = TypeVar("Result")

#: The variable by which numerical libraries are told how many threads to use.
THREADS = "OMP_NUM_THREADS"
#: So many items for each thread are begun or wait, so that results do not pile up.
AHEAD = 3


def threads() -> int:
    """How many threads share work: what the environment says of numerical libraries, or one for each core."""
    said = os.environ.get(THREADS, "")
    return max(int(said) if said.isdecimal() else os.cpu_count() or 1, 1)


def side_by_side(
    work: Callable[[Item], Result], items: Sequence[Item], *, feedback: Feedback | None = None
) -> Iterator[Result]:
    """Do the same work for many items.

    Parameters
    ----------
    work : callable
        Must not change what others read.
    items : sequence
        What it is called with; no more than a few are begun before a result is taken.
    feedback : Feedback, optional
        Asked before each result whether to go on.

    Yields
    ------
    object
        Result for each item, in the order of the items.

    Raises
    ------
    CancelledError
        If `feedback` says so; what has not begun is not begun.

    Examples
    --------
    >>> list(side_by_side(abs, [-1, 2, -3]))
    [1, 2, 3]
    """
    count = threads()
    with ThreadPoolExecutor(count) as pool:
        ahead: deque[Future[Result]] = deque()
        left = iter(items)
        try:
            while True:
                ahead.extend(pool.submit(work, item) for item in islice(left, AHEAD * count - len(ahead)))
                if not ahead:
                    return
                if feedback is not None:
                    check_cancelled(feedback)
                yield ahead.popleft().result()
        finally:
            for future in ahead:
                future.cancel()
