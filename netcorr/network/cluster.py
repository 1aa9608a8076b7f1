"""Points linked to each other made one, except where that would bring together what must stay apart."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import networkx as nx
import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]


class Links(NamedTuple):
    """Links between points, with their lengths. [m]"""

    a: Ints
    b: Ints
    gap_m: Floats

    @classmethod
    def join(cls, *parts: Links) -> Links:
        """Put several sets of links into one."""
        return cls(
            np.concatenate([part.a for part in parts]),
            np.concatenate([part.b for part in parts]),
            np.concatenate([part.gap_m for part in parts]),
        )

    def take(self, which: Any) -> Links:
        """Some of the links."""
        return Links(self.a[which], self.b[which], self.gap_m[which])


class Bars(NamedTuple):
    """Pairs of points that must not become one, and the length of what lies between them. [m]"""

    a: Ints
    b: Ints
    length_m: Floats


#: Points are not made one when a way along bars, no longer than this many times the gap, leads from one
#: to the other: they are drawn as two places.
WAY_ROUND = 3.0


#: Two mains are hardly ever laid nearer to each other than this, so that what lies nearer is meant as one.
#: Farther off, only what is joined to nothing yet seeks a mate. [m]
SURE_M = 1.0


def cluster(
    places: Floats, links: Links, *, bars: Bars, loose: NDArray[np.bool_] | None = None
) -> tuple[Ints, Ints]:
    """Make linked points one, shortest links first where bars stand between them.

    A link longer than 1 m is followed only if a loose point, or several that such links brought together,
    lies at one end of it.

    Parameters
    ----------
    places : numpy.ndarray of float, shape (n, 2)
        Points; they decide between links of equal length. [m]
    links : Links
        Which to make one.
    bars : Bars
        Which must not become one.
    loose : numpy.ndarray of bool, shape (n,), optional
        Points at which the map shows no joint: all unless given.

    Returns
    -------
    label : numpy.ndarray of int, shape (n,)
        Cluster of each point.
    refused : numpy.ndarray of int, shape (r,)
        Bars for whose sake a link was not followed.

    Examples
    --------
    >>> points = np.array([[0.0, 0], [0.1, 0], [0.25, 0]])
    >>> links = Links(np.array([0, 1]), np.array([1, 2]), np.array([0.1, 0.15]))
    >>> label, refused = cluster(points, links, bars=Bars(np.array([0]), np.array([2]), np.array([0.25])))
    >>> label.tolist(), refused.tolist()
    ([0, 0, 1], [0])
    """
    far = links.gap_m > SURE_M
    if far.any():
        label, refused = cluster(places, links.take(~far), bars=bars)
        every = np.ones(len(places), dtype=bool)
        label, also = _mates(
            places, label, links.take(far), bars=bars, loose=every if loose is None else loose
        )
        return label, np.unique(np.concatenate([refused, also]))
    label = _components(len(places), links)
    clash = np.flatnonzero(label[bars.a] == label[bars.b])
    if not len(clash):
        return label, clash
    inside = np.isin(label[links.a], label[bars.a[clash]])
    follow, refused = _one_by_one(places, links.take(inside), bars=bars, rows=clash)
    keep = ~inside
    keep[np.flatnonzero(inside)[follow]] = True
    return _components(len(places), links.take(keep)), refused


def _components(n: int, links: Links) -> Ints:
    matrix = coo_array((np.ones(len(links.a)), (links.a, links.b)), shape=(n, n))
    return np.asarray(connected_components(matrix, directed=False)[1], dtype=np.intp)


def _mates(
    places: Floats, label: Ints, links: Links, *, bars: Bars, loose: NDArray[np.bool_]
) -> tuple[Ints, Ints]:
    """Follow long links, shortest first, as long as one of their ends is loose."""
    count = int(label.max()) + 1
    firm = (np.bincount(label, minlength=count) > 1) | (np.bincount(label, ~loose, minlength=count) > 0)
    at = Links(label[links.a], label[links.b], links.gap_m)
    asked = np.isin(label, np.concatenate([at.a, at.b]))
    rows = np.flatnonzero((asked[bars.a] | asked[bars.b]) & (label[bars.a] != label[bars.b]))
    between = Bars(label[bars.a], label[bars.b], bars.length_m)
    middle = np.zeros((count, 2))
    middle[label] = places
    follow, refused = _one_by_one(middle, at, bars=between, rows=rows, firm=firm)
    return _components(count, at.take(follow))[label], refused


def _one_by_one(
    places: Floats, links: Links, *, bars: Bars, rows: Ints, firm: NDArray[np.bool_] | None = None
) -> tuple[Ints, Ints]:
    """Follow links, shortest first: which were followed, and the bars for which some were not.

    Links between two that are `firm` are not followed.
    """
    ways: nx.Graph = nx.Graph()
    for row, a, b, length_m in zip(
        rows.tolist(), bars.a[rows].tolist(), bars.b[rows].tolist(), bars.length_m[rows].tolist(), strict=True
    ):
        if length_m < ways.get_edge_data(a, b, {"way": np.inf})["way"]:
            ways.add_edge(a, b, way=length_m, row=row)
    middle = np.round((places[links.a] + places[links.b]) / 2, 6)
    order = np.lexsort((middle[:, 1], middle[:, 0], np.round(links.gap_m, 6)))
    groups = _Groups(bars, rows)
    follow: list[int] = []
    refused: set[int] = set()
    for k in order.tolist():
        a, b, gap_m = int(links.a[k]), int(links.b[k]), float(links.gap_m[k])
        if firm is not None and groups.any_of(a, firm) and groups.any_of(b, firm):
            continue
        barred = groups.barred(a, b) | _bars_round(ways, a, b, WAY_ROUND * gap_m)
        refused |= barred
        if not barred:
            groups.merge(a, b)
            ways.add_edge(a, b, way=0.0, row=-1)
            follow.append(k)
    return np.array(follow, dtype=np.intp), np.array(sorted(refused), dtype=np.intp)


def _bars_round(ways: nx.Graph, a: int, b: int, within_m: float) -> set[int]:
    """Bars on a way from a to b along bars and followed links, if it is no longer than that."""
    if a not in ways or b not in ways:
        return set()
    try:
        _, nodes = nx.single_source_dijkstra(ways, a, b, cutoff=within_m, weight="way")
    except nx.NetworkXNoPath:
        return set()
    return {ways.edges[step]["row"] for step in pairwise(nodes)} - {-1}


class _Groups:
    """Which points have become one, and the bars between such groups."""

    def __init__(self, bars: Bars, rows: Ints) -> None:
        self._members: dict[int, set[int]] = {}
        self._bars: dict[int, dict[int, int]] = {}
        for row, a, b in zip(rows.tolist(), bars.a[rows].tolist(), bars.b[rows].tolist(), strict=True):
            self._bars.setdefault(a, {})[b] = row
            self._bars.setdefault(b, {})[a] = row

    def barred(self, a: int, b: int) -> set[int]:
        group, other = self._members.get(a, {a}), self._members.get(b, {b})
        return {row for m in group for e, row in self._bars.get(m, {}).items() if e in other}

    def any_of(self, a: int, which: NDArray[np.bool_]) -> bool:
        return any(which[m] for m in self._members.get(a, {a}))

    def merge(self, a: int, b: int) -> None:
        group = self._members.get(a, {a}) | self._members.get(b, {b})
        self._members.update(dict.fromkeys(group, group))
