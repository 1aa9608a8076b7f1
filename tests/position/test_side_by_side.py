"""Work shared by threads gives the results of a plain loop, passes faults on, and stops when it should."""

from __future__ import annotations

import threading
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import CancelledError
from netcorr.feedback import NoFeedback
from netcorr.position.side_by_side import THREADS, side_by_side, threads


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(-1000, 1000), max_size=40))
def test_results_come_in_the_order_of_the_items(items: list[int]) -> None:
    def slow_if_even(item: int) -> int:
        time.sleep(0.001 * (item % 2 == 0))
        return item * item

    assert list(side_by_side(slow_if_even, items, feedback=NoFeedback())) == [item**2 for item in items]


def test_a_fault_comes_through_as_it_is() -> None:
    def refuses(item: int) -> int:
        if item == 3:
            raise ValueError("three")
        return item

    results = side_by_side(refuses, range(6), feedback=NoFeedback())
    assert [next(results) for _ in range(3)] == [0, 1, 2]
    with pytest.raises(ValueError, match="three"):
        next(results)


class CancelledAfter(NoFeedback):
    """Cancels once it was asked so often."""

    def __init__(self, times: int) -> None:
        self.left = times

    @property
    def cancelled(self) -> bool:  # type: ignore[override]
        self.left -= 1
        return self.left < 0


def test_what_has_not_begun_is_not_begun_once_cancelled(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(THREADS, "1")
    begun: list[int] = []

    def work(item: int) -> int:
        begun.append(item)
        time.sleep(0.02)
        return item

    with pytest.raises(CancelledError):
        list(side_by_side(work, range(50), feedback=CancelledAfter(3)))
    assert len(begun) < 10


def test_as_many_threads_work_as_the_environment_allows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(THREADS, "3")
    assert threads() == 3
    meet = threading.Barrier(3, timeout=10)
    # three items wait for each other: with fewer threads nobody would come
    assert len(list(side_by_side(lambda _: meet.wait(), range(3), feedback=NoFeedback()))) == 3


@pytest.mark.parametrize("said", ["", "many", "0", "-2"])
def test_there_is_always_one_thread(monkeypatch: pytest.MonkeyPatch, said: str) -> None:
    monkeypatch.setenv(THREADS, said)
    assert threads() >= 1
