"""The order in which places are visited: a short way through all of them, from somewhere to somewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from netcorr.planning.problem import Floats, Ints

#: A change must shorten the way by this much. [m]
_LEAST_M = 1e-6
#: Of more places than this only one beginning is tried.
_MANY = 80


def short_round(apart_m: Floats, *, first_m: Floats | None = None, last_m: Floats | None = None) -> Ints:
    """A short way through all places, not closed.

    Parameters
    ----------
    apart_m : numpy.ndarray of float, shape (n, n)
        Ways between the places, the same there and back. [m]
    first_m : numpy.ndarray of float, shape (n,), optional
        Way from where it starts to each place; it starts at any place unless given. [m]
    last_m : numpy.ndarray of float, shape (n,), optional
        Way from each place to where it has to end; it ends at any place unless given. [m]

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Places in the order of the visit.

    Notes
    -----
    A travelling salesman's path: the nearest place next, from several beginnings, improved by turning parts
    round (2-opt) and by moving up to three places elsewhere (Or-opt) until neither helps. For a few places it
    is mostly the shortest; a test compares it with trying all orders.

    Examples
    --------
    >>> places_m = np.array([0.0, 30.0, 10.0, 20.0])
    >>> apart_m = np.abs(places_m[:, None] - places_m)
    >>> short_round(apart_m, first_m=np.abs(places_m + 1)).tolist()
    [0, 2, 3, 1]
    """
    n = len(apart_m)
    if n < 2:
        return np.arange(n)
    # two more places stand for where it starts and ends
    full = np.zeros((n + 2, n + 2))
    full[:n, :n] = apart_m
    if first_m is not None:
        full[n, :n] = full[:n, n] = first_m
    if last_m is not None:
        full[n + 1, :n] = full[:n, n + 1] = last_m
    begins = np.argsort(full[n, :n], kind="stable")[: min(n, 8)] if first_m is not None else _spread(apart_m)
    best, best_m = np.zeros(0, dtype=np.intp), np.inf
    for begin in begins[: 1 if n > _MANY else None].tolist():
        order = _improved(full, _nearest_next(full, begin, n))
        length_m = full[order[:-1], order[1:]].sum()
        if length_m < best_m - _LEAST_M:
            best, best_m = order, length_m
    return best[1:-1]


def _spread(apart_m: Floats) -> Ints:
    """A few places to begin at: those at the edge first."""
    return np.argsort(-apart_m.max(axis=1), kind="stable")[:4]


def _nearest_next(full: Floats, begin: int, n: int) -> Ints:
    left = np.ones(n, dtype=bool)
    order = [n, begin]
    left[begin] = False
    while left.any():
        here = np.where(left, full[order[-1], :n], np.inf)
        order.append(int(np.argmin(here)))
        left[order[-1]] = False
    return np.array([*order, n + 1])


def _improved(full: Floats, order: Ints) -> Ints:
    while True:
        turned = _turned(full, order)
        moved = _moved(full, turned if turned is not None else order)
        if turned is None and moved is None:
            return order
        order = moved if moved is not None else turned if turned is not None else order


def _turned(full: Floats, order: Ints) -> Ints | None:
    """Turn round the part that shortens the way most; None when none does."""
    a, b = order[:-1], order[1:]
    old = full[a, b]
    # edges i and j > i: a[i]-b[i] ... a[j]-b[j] become a[i]-a[j] ... b[i]-b[j]
    gain = old[:, None] + old[None, :] - full[np.ix_(a, a)] - full[np.ix_(b, b)]
    gain = np.triu(gain, 1)
    i, j = divmod(int(np.argmax(gain)), len(a))
    if gain[i, j] <= _LEAST_M:
        return None
    new = order.copy()
    new[i + 1 : j + 1] = order[i + 1 : j + 1][::-1]
    return new


def _moved(full: Floats, order: Ints) -> Ints | None:
    """Move one to three places to where they lengthen the way least; None when nothing is gained."""
    count = len(order)
    best_gain, best = _LEAST_M, None
    for size in range(1, min(3, count - 2) + 1):
        for i in range(1, count - size):
            part = order[i : i + size]
            rest = np.concatenate([order[:i], order[i + size :]])
            out = (
                full[order[i - 1], part[0]]
                + full[part[-1], order[i + size]]
                - full[order[i - 1], order[i + size]]
            )
            gap = full[rest[:-1], rest[1:]]
            for one in (part, part[::-1]):
                gain = out - (full[rest[:-1], one[0]] + full[one[-1], rest[1:]] - gap)
                k = int(np.argmax(gain))
                if gain[k] > best_gain:
                    best_gain = float(gain[k])
                    best = np.concatenate([rest[: k + 1], one, rest[k + 1 :]])
    return best
