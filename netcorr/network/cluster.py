"""Points linked to each other made one, except where that would bring together what must stay apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

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


def cluster(places: Floats, links: Links, *, apart: Ints) -> tuple[Ints, Ints]:
    """Make linked points one, shortest links first where something must stay apart.

    Parameters
    ----------
    places : numpy.ndarray of float, shape (n, 2)
        Points; they decide between links of equal length. [m]
    links : Links
        Which to make one.
    apart : numpy.ndarray of int, shape (m, 2)
        Pairs of points that must not become one.

    Returns
    -------
    label : numpy.ndarray of int, shape (n,)
        Cluster of each point.
    refused : numpy.ndarray of int, shape (r,)
        Rows of `apart` for whose sake a link was not followed.

    Examples
    --------
    >>> points = np.array([[0.0, 0], [0.1, 0], [0.25, 0]])
    >>> links = Links(np.array([0, 1]), np.array([1, 2]), np.array([0.1, 0.15]))
    >>> label, refused = cluster(points, links, apart=np.array([[0, 2]]))
    >>> label.tolist(), refused.tolist()
    ([0, 0, 1], [0])
    """
    n = len(places)
    matrix = coo_array((np.ones(len(links.a)), (links.a, links.b)), shape=(n, n))
    label = connected_components(matrix, directed=False)[1].astype(np.intp)
    clash = label[apart[:, 0]] == label[apart[:, 1]]
    if not clash.any():
        return label, np.zeros(0, dtype=np.intp)
    bad = np.unique(label[apart[clash, 0]])
    inside = np.isin(label[links.a], bad)
    follow, refused = _careful(places, links.take(inside), apart=apart, rows=np.flatnonzero(clash))
    keep = ~inside
    keep[np.flatnonzero(inside)[follow]] = True
    matrix = coo_array((np.ones(int(keep.sum())), (links.a[keep], links.b[keep])), shape=(n, n))
    return connected_components(matrix, directed=False)[1].astype(np.intp), refused


def _careful(places: Floats, links: Links, *, apart: Ints, rows: Ints) -> tuple[Ints, Ints]:
    """Follow links one by one, shortest first: which were followed, and for which rows some were not."""
    enemies: dict[int, dict[int, int]] = {}
    for row in rows.tolist():
        a, b = apart[row].tolist()
        enemies.setdefault(a, {})[b] = row
        enemies.setdefault(b, {})[a] = row
    middle = np.round((places[links.a] + places[links.b]) / 2, 6)
    order = np.lexsort((middle[:, 1], middle[:, 0], np.round(links.gap_m, 6)))
    members: dict[int, set[int]] = {}
    follow, refused = [], set()
    for k in order.tolist():
        a, b = int(links.a[k]), int(links.b[k])
        group, other = members.setdefault(a, {a}), members.setdefault(b, {b})
        if group is other:
            follow.append(k)
            continue
        clash = {row for m in group for e, row in enemies.get(m, {}).items() if e in other}
        if clash:
            refused |= clash
            continue
        group |= other
        members.update(dict.fromkeys(other, group))
        follow.append(k)
    return np.array(follow, dtype=np.intp), np.array(sorted(refused), dtype=np.intp)
