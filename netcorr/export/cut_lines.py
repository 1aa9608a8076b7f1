"""Parts of many lines at once: what `shapely.ops.substring` does for one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Two places on a line nearer than this share of its length are one.
_SAME = 1e-12


def cut_lines(
    lines: NDArray[np.object_], from_share: NDArray[np.float64], to_share: NDArray[np.float64]
) -> Any:
    """Part of each line between two places on it.

    Parameters
    ----------
    lines : numpy.ndarray of shapely.LineString, shape (k,)
        Lines with a length; heights are left out.
    from_share, to_share : numpy.ndarray of float, shape (k,)
        Where the part begins and ends, as shares of the length as drawn, the first lower.

    Returns
    -------
    numpy.ndarray of shapely.LineString, shape (k,)
        Each with the vertices between its two places.

    Examples
    --------
    >>> bend = np.array([shapely.LineString([(0, 0), (2, 0), (2, 2)])])
    >>> print(cut_lines(bend, np.array([0.25]), np.array([0.75]))[0])
    LINESTRING (1 0, 2 0, 2 1)
    """
    count = len(lines)
    if not count:
        return np.zeros(0, dtype=object)
    xy, line = shapely.get_coordinates(lines, return_index=True)
    step = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
    step[np.r_[True, line[1:] != line[:-1]]] = 0.0
    along = np.cumsum(step)
    first = np.flatnonzero(np.r_[True, line[1:] != line[:-1]])
    total = np.bincount(line, step, minlength=count)
    axis = line + (along - along[first][line]) / total[line]  # line k lies from k to k + 1
    number = np.arange(count)
    start = np.searchsorted(axis, number + np.maximum(from_share, 0.0) + _SAME * (1 + number), side="right")
    stop = np.searchsorted(axis, number + np.minimum(to_share, 1.0) - _SAME * (1 + number), side="left")
    inside = np.maximum(stop - start, 0)
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(lines, share, normalized=True))
        for share in (from_share, to_share)
    ]
    owner = np.repeat(number, inside)
    vertex = np.arange(len(owner)) - np.repeat(np.cumsum(inside) - inside, inside) + start[owner]
    places = np.concatenate([ends[0], xy[vertex], ends[1]])
    part = np.concatenate([number, owner, number])
    rank = np.concatenate([np.full(count, -1), vertex, np.full(count, len(xy))])
    order = np.lexsort((rank, part))
    return shapely.linestrings(places[order], indices=part[order])
