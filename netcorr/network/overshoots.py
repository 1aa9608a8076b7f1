"""Ends that run a little past another main are cut back to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from netcorr.network.lines import Lines
from netcorr.network.tolerances import SAME_PLACE_M

if TYPE_CHECKING:
    import pyproj
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints
    from netcorr.network.log import ChangeLog
    from netcorr.network.tolerances import Tolerances


@dataclass(frozen=True, eq=False)
class Overshoots:
    """Ends of mains that lie past a crossing.

    Attributes
    ----------
    end : numpy.ndarray of int, shape (k,)
        Ends, each once; start of line k is 2 k, its end 2 k + 1.
    line : numpy.ndarray of int, shape (k,)
        Main that is crossed.
    past_m : numpy.ndarray of float, shape (k,)
        Distance along the own main from the crossing to the end. [m]
    """

    end: Ints
    line: Ints
    past_m: Floats


def without_overshoots(
    lines: Lines, crs: pyproj.CRS, *, tolerances: Tolerances, log: ChangeLog
) -> tuple[Lines, shapely.STRtree]:
    """Cut ends that run past a crossing back to it, so that they touch there.

    Only a free end counts: one that lies on no third main and at no other end. A main is never cut back by
    half of its length or more.

    Returns
    -------
    Lines
        The mains.
    shapely.STRtree
        Of their geometries.
    """
    tree = shapely.STRtree(lines.geometries)
    if tolerances.overshoot_m <= SAME_PLACE_M / 10:
        return lines, tree
    found = find_overshoots(lines, tree, within_m=tolerances.overshoot_m)
    free = _is_free(lines, tree, found, max(tolerances.end_m, tolerances.cut_m))
    found = Overshoots(found.end[free], found.line[free], found.past_m[free])
    if not len(found.end):
        return lines, tree
    own, is_end = found.end // 2, found.end % 2 == 1
    place = lines.at(own, np.where(is_end, lines.length_m[own] - found.past_m, found.past_m))
    text = [
        f"{'end' if last else 'start'} ran {past:.2f} m past main {other}, and was cut back to it"
        for last, past, other in zip(is_end, found.past_m.tolist(), lines.ids[found.line], strict=True)
    ]
    log.add("overshoot", lines.ids[own], xy=place[:, :2], text=text, moved_m=found.past_m)
    shorter = _cut_back(lines, found, place, crs)
    return shorter, shapely.STRtree(shorter.geometries)


def find_overshoots(lines: Lines, tree: shapely.STRtree, *, within_m: float) -> Overshoots:
    """Ends that lie within a distance past a crossing, the crossing nearest to the end.

    Parameters
    ----------
    lines : Lines
        Mains.
    tree : shapely.STRtree
        Of their geometries.
    within_m : float
        Longest way from the crossing to the end. [m]

    Returns
    -------
    Overshoots
        Sorted by end.
    """
    tails = _tails(lines, within_m)
    end, line = tree.query(tails, predicate="intersects")
    other = line != end // 2
    end, line = end[other], line[other]
    meets = shapely.intersection(tails[end], lines.geometries[line])
    points, pair = shapely.get_coordinates(meets, return_index=True)
    past_m = shapely.line_locate_point(tails[end[pair]], shapely.points(points))
    past_m = np.asarray(past_m, dtype=float)
    reach_m = np.minimum(within_m, lines.length_m[end[pair] // 2] / 2)
    true = (past_m > SAME_PLACE_M / 10) & (past_m < reach_m - SAME_PLACE_M / 10)
    # an end that lies on the main it crosses touches it already
    pair, past_m = pair[true], past_m[true]
    order = np.lexsort((line[pair], past_m, end[pair]))
    pair, past_m = pair[order], past_m[order]
    first = np.ones(len(pair), dtype=bool)
    first[1:] = np.diff(end[pair]) != 0
    return Overshoots(end=end[pair[first]], line=line[pair[first]], past_m=past_m[first])


def _tails(lines: Lines, within_m: float) -> NDArray[np.object_]:
    """Last metres of every main from each end on, at most half of it; in the plane, shape (2 n,)."""
    reach_m = np.minimum(within_m, lines.length_m / 2)
    owner = np.repeat(np.arange(len(lines)), np.diff(lines.first))
    parts = []
    for side in (0, 1):
        from_end = lines.length_m[owner] - lines.along_m if side else lines.along_m
        kept = np.flatnonzero(from_end < reach_m[owner])
        far = lines.at_plane(np.arange(len(lines)), lines.length_m - reach_m if side else reach_m)
        xy = np.concatenate([lines.plane[kept], far])
        way = np.concatenate([from_end[kept], reach_m])
        index = np.concatenate([2 * owner[kept] + side, 2 * np.arange(len(lines)) + side])
        parts.append((xy, way, index))
    xy, way, index = (np.concatenate([part[k] for part in parts]) for k in range(3))
    order = np.lexsort((way, index))
    return np.asarray(shapely.linestrings(xy[order], indices=index[order]))


def _is_free(lines: Lines, tree: shapely.STRtree, found: Overshoots, within_m: float) -> NDArray[np.bool_]:
    """Whether nothing but the own main and the crossed one lies at an end."""
    row, line = tree.query(shapely.points(lines.ends[found.end]), predicate="dwithin", distance=within_m)
    third = (line != found.end[row] // 2) & (line != found.line[row])
    free = np.ones(len(found.end), dtype=bool)
    free[row[third]] = False
    return free


def _cut_back(lines: Lines, found: Overshoots, place: Floats, crs: pyproj.CRS) -> Lines:
    """Leave out the vertices past the crossings, and end there."""
    n = len(lines)
    low, high = np.zeros(n), lines.length_m.copy()
    own, is_end = found.end // 2, found.end % 2 == 1
    low[own[~is_end]], high[own[is_end]] = found.past_m[~is_end], high[own[is_end]] - found.past_m[is_end]
    owner = np.repeat(np.arange(n), np.diff(lines.first))
    first, last = lines.first[:-1], lines.first[1:] - 1
    keep = (lines.along_m > low[owner]) & (lines.along_m < high[owner])
    keep[first], keep[last] = True, True
    xyz = lines.xyz.copy()
    xyz[first[own[~is_end]]], xyz[last[own[is_end]]] = place[~is_end], place[is_end]
    return Lines.from_vertices(lines.frame, xyz[keep], line=owner[keep], crs=crs)
