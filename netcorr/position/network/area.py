"""The smallest part of the mains that holds the leak with a given probability, in connected parts.

Places that no pair can tell apart (a side pipe behind a tee, everything beyond a sensor) are one set: all of
it belongs to the area or none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.network.times import Places
    from netcorr.position.network.weigh import Weighed

    Flags = NDArray[np.bool_]
    Ints = NDArray[np.int64]

#: Parts of an area on one piece that are no farther apart than this are one: nobody digs round it. [m]
JOIN_M = 0.5


@dataclass(frozen=True)
class PiecePart:
    """Stretch of one piece of main.

    Attributes
    ----------
    piece : int
        Row of the pieces of `ReachedPipes`.
    low_m, high_m : float
        Distances from its first end. [m]
    """

    piece: int
    low_m: float
    high_m: float


@dataclass(frozen=True, eq=False)
class Area:
    """One connected part of the region.

    Attributes
    ----------
    parts : tuple of PiecePart
        Stretches of pieces that it is made of.
    mass : float
        Probability inside it, given that there is a leak.
    best : int
        Row of the most probable place.
    in_set : bool
        Whether most of it is a set that cannot be told apart; `best` is then a place in that set.
    rows : numpy.ndarray
        Rows of the places inside it.
    """

    parts: tuple[PiecePart, ...]
    mass: float
    best: int
    in_set: bool
    rows: Ints

    @property
    def length_m(self) -> float:
        """Length of main inside it. [m]"""
        return sum(part.high_m - part.low_m for part in self.parts)


def sets_of_places(places: Places, bracketed: Flags, pipes: ReachedPipes) -> Ints:
    """Number of the set that each place belongs to: places that no pair brackets and that touch are one set.

    Parameters
    ----------
    places : Places
        In the order of the pieces.
    bracketed : numpy.ndarray
        Shape (k,): whether some pair hears a leak there from either side.
    pipes : ReachedPipes
        How the pieces join.

    Returns
    -------
    numpy.ndarray
        Shape (k,): each bracketed place is a set of its own.
    """
    label = _connected(places, ~bracketed, pipes)
    label[bracketed] = label.max(initial=-1) + 1 + np.arange(np.count_nonzero(bracketed))
    return label


def likely_areas(weighed: Weighed, pipes: ReachedPipes, *, level: float) -> tuple[Area, ...]:
    """Highest-density region in connected parts, most probable first.

    Parameters
    ----------
    weighed : Weighed
        Probability along the mains.
    pipes : ReachedPipes
        How the pieces join.
    level : float
        Probability to hold, 0 to 1.

    Returns
    -------
    tuple of Area
        Together they hold at least `level`.
    """
    places, mass = weighed.places, weighed.probability
    sets = sets_of_places(places, weighed.bracketed, pipes)
    set_mass = np.bincount(sets, mass)
    set_m = np.bincount(sets, places.width_m)
    density = set_mass / np.maximum(set_m, 1e-9)
    order = np.argsort(-density, kind="stable")
    count = int(np.searchsorted(np.cumsum(set_mass[order]), level - 1e-12)) + 1
    chosen = np.isin(sets, order[:count])
    chosen = _closed(places, chosen)
    label = _connected(places, chosen, pipes)
    areas = []
    for number in np.unique(label[chosen]):
        rows = np.flatnonzero(label == number)
        in_set, best = _best(rows, sets, weighed)
        areas.append(
            Area(
                parts=_parts(places, rows),
                mass=float(mass[rows].sum()),
                best=best,
                in_set=in_set,
                rows=rows,
            )
        )
    return tuple(sorted(areas, key=lambda area: -area.mass))


def _best(rows: Ints, sets: Ints, weighed: Weighed) -> tuple[bool, int]:
    """Whether most of an area is a set that cannot be told apart, and its most probable place."""
    mass, bracketed = weighed.probability[rows], weighed.bracketed[rows]
    in_set = float(mass[~bracketed].sum()) > float(mass[bracketed].sum())
    if in_set:
        by_set = np.bincount(sets[rows], np.where(bracketed, 0.0, mass))
        kept = sets[rows] == int(np.argmax(by_set))
    else:
        kept = bracketed
    among = rows[kept]
    return in_set, int(among[np.argmax(weighed.probability[among] / weighed.places.width_m[among])])


def _connected(places: Places, chosen: Flags, pipes: ReachedPipes) -> Ints:
    """Number of the connected part of each chosen place, -1 for the others."""
    k, n = places.piece.size, pipes.nodes.size
    rows = np.flatnonzero(chosen)
    beside = np.flatnonzero(chosen[:-1] & chosen[1:] & (places.piece[:-1] == places.piece[1:]))
    first = np.r_[True, places.piece[1:] != places.piece[:-1]] & chosen
    last = np.r_[places.piece[1:] != places.piece[:-1], True] & chosen
    at_first, at_last = np.flatnonzero(first), np.flatnonzero(last)
    a = np.concatenate([beside, at_first, at_last])
    b = np.concatenate(
        [beside + 1, k + pipes.ends[places.piece[at_first], 0], k + pipes.ends[places.piece[at_last], 1]]
    )
    matrix = sparse.csr_array((np.ones(a.size), (a, b)), shape=(k + n, k + n))
    _, component = csgraph.connected_components(matrix, directed=False)
    label = np.full(k, -1, dtype=np.int64)
    label[rows] = np.unique(component[rows], return_inverse=True)[1]
    return label


def _closed(places: Places, chosen: Flags) -> Flags:
    """Chosen places with short gaps between them on one piece filled."""
    end_m = places.from_m + places.width_m / 2
    rows = np.flatnonzero(chosen)
    filled = chosen.copy()
    if rows.size < 2:
        return filled
    left, right = rows[:-1], rows[1:]
    gap_m = places.from_m[right] - places.width_m[right] / 2 - end_m[left]
    short = (places.piece[left] == places.piece[right]) & (gap_m <= JOIN_M) & (right - left > 1)
    for i, j in zip(left[short], right[short], strict=True):
        filled[i:j] = True
    return filled


def _parts(places: Places, rows: Ints) -> tuple[PiecePart, ...]:
    """Stretches of pieces that rows, in order, make up."""
    breaks = np.flatnonzero((np.diff(rows) > 1) | (np.diff(places.piece[rows]) != 0))
    firsts = rows[np.r_[0, breaks + 1]]
    lasts = rows[np.r_[breaks, rows.size - 1]]
    return tuple(
        PiecePart(
            int(places.piece[i]),
            float(places.from_m[i] - places.width_m[i] / 2),
            float(places.from_m[j] + places.width_m[j] / 2),
        )
        for i, j in zip(firsts, lasts, strict=True)
    )
