"""Short rounds against trying all orders."""

from __future__ import annotations

from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.planning.short_round import short_round


def way_m(
    apart_m: np.ndarray, order: np.ndarray, first_m: np.ndarray | None, last_m: np.ndarray | None
) -> float:
    inside = sum(apart_m[a, b] for a, b in pairwise(order))
    start = 0.0 if first_m is None else first_m[order[0]]
    return inside + start + (0.0 if last_m is None else last_m[order[-1]])


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 7), has_first=st.booleans(), has_last=st.booleans())
def test_it_is_hardly_longer_than_the_best_of_all_orders(
    seed: int, count: int, has_first: bool, has_last: bool
) -> None:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 1000, (count, 2))
    apart_m = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    first_m = np.hypot(*(xy - rng.uniform(0, 1000, 2)).T) if has_first else None
    last_m = np.hypot(*(xy - rng.uniform(0, 1000, 2)).T) if has_last else None
    order = short_round(apart_m, first_m=first_m, last_m=last_m)
    assert sorted(order.tolist()) == list(range(count))
    best = min(way_m(apart_m, np.array(one), first_m, last_m) for one in permutations(range(count)))
    assert way_m(apart_m, order, first_m, last_m) <= 1.05 * best + 1e-6


def test_it_is_the_best_mostly() -> None:
    rng = np.random.default_rng(1)
    hits = 0
    for _ in range(40):
        xy = rng.uniform(0, 1000, (7, 2))
        apart_m = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
        best = min(way_m(apart_m, np.array(one), None, None) for one in permutations(range(7)))
        hits += way_m(apart_m, short_round(apart_m), None, None) <= best + 1e-6
    assert hits >= 36


@pytest.mark.parametrize("count", [0, 1])
def test_nothing_to_order(count: int) -> None:
    assert short_round(np.zeros((count, count))).tolist() == list(range(count))


def test_many_places_on_a_line_are_visited_along_it() -> None:
    rng = np.random.default_rng(2)
    at_m = rng.permutation(60) * 10.0
    order = short_round(np.abs(at_m[:, None] - at_m), first_m=np.abs(at_m + 5))
    assert at_m[order].tolist() == sorted(at_m)
