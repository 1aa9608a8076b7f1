"""Ends that run a little past another main are cut back to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from netcorr.network.lines import Lines, NearEnds, gaps_m, near_ends
from netcorr.network.tolerances import SAME_PLACE_M

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints
    from netcorr.network.log import ChangeLog
    from netcorr.network.tolerances import Tolerances

_NO_LINES = np.zeros(0, dtype=object)


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


def without_overshoots(lines: Lines, *, tolerances: Tolerances, log: ChangeLog) -> tuple[Lines, NearEnds]:
    """Cut ends that run past a crossing back to it, so that they touch there.

    Only a free end counts: one that lies on no third main and at no other end. A main is never cut back by
    half of its length or more.

    Returns
    -------
    Lines
        The mains.
    NearEnds
        At least all lines within `cut_m` of every place of an end.
    """
    tree = shapely.STRtree(lines.geometries)
    free_m = max(tolerances.end_m, tolerances.cut_m)
    near = near_ends(lines, tree, max(tolerances.overshoot_m, free_m))
    if tolerances.overshoot_m <= SAME_PLACE_M / 10:
        return lines, near
    found = find_overshoots(lines, near, within_m=tolerances.overshoot_m, free_m=free_m)
    if not len(found.end):
        return lines, near
    own, is_end = found.end // 2, found.end % 2 == 1
    place = lines.at(own, np.where(is_end, lines.length_m[own] - found.past_m, found.past_m))
    text = [
        f"{'end' if last else 'start'} ran {past:.2f} m past main {other}, and was cut back to it"
        for last, past, other in zip(is_end, found.past_m.tolist(), lines.ids[found.line], strict=True)
    ]
    log.add("overshoot", lines.ids[own], xy=place[:, :2], text=text, moved_m=found.past_m)
    shorter = _cut_back(lines, found, place)
    stays = ~np.isin(near.end, found.end)
    moved = near_ends(
        shorter, tree, tolerances.cut_m, ends=found.end
    )  # the crossed lines are where they were
    return shorter, NearEnds(
        np.concatenate([near.end[stays], moved.end]), np.concatenate([near.line[stays], moved.line])
    )


def find_overshoots(lines: Lines, near: NearEnds, *, within_m: float, free_m: float) -> Overshoots:
    """Free ends that lie within a distance past a crossing, the crossing nearest to the end.

    Parameters
    ----------
    lines : Lines
        Mains.
    near : NearEnds
        All lines within both distances of every place of an end.
    within_m : float
        Longest way from the crossing to the end. [m]
    free_m : float
        An end is free when no third main lies as near as this to it. [m]

    Returns
    -------
    Overshoots
        Sorted by end.
    """
    code, _ = pd.factorize(lines.ends[:, 0] + 1j * lines.ends[:, 1])
    alone = np.bincount(code)[code] == 1
    ask = alone[near.end] & (near.line != near.end // 2)
    end, line = near.end[ask], near.line[ask]
    gap_m = gaps_m(lines, lines.ends[end], line)
    mains = np.bincount(end, gap_m <= free_m, minlength=2 * len(lines))
    free = mains[end] - (gap_m <= free_m) == 0
    ask = free & (gap_m > SAME_PLACE_M / 10) & (gap_m <= within_m)  # what lies on a main touches it already
    end, line = end[ask], line[ask]
    tails = _tails(lines, end, within_m)
    points, pair = shapely.get_coordinates(
        shapely.intersection(tails, lines.geometries[line]), return_index=True
    )
    past_m = np.asarray(shapely.line_locate_point(tails[pair], shapely.points(points)), dtype=float)
    reach_m = np.minimum(within_m, lines.length_m[end[pair] // 2] / 2)
    true = (past_m > SAME_PLACE_M / 10) & (past_m < reach_m - SAME_PLACE_M / 10)
    pair, past_m = pair[true], past_m[true]
    order = np.lexsort((line[pair], past_m, end[pair]))
    pair, past_m = pair[order], past_m[order]
    first = np.ones(len(pair), dtype=bool)
    first[1:] = np.diff(end[pair]) != 0
    return Overshoots(end=end[pair[first]], line=line[pair[first]], past_m=past_m[first])


def _tails(lines: Lines, end: Ints, within_m: float) -> NDArray[np.object_]:
    """Last metres of mains from an end on, at most half of each; in the plane, shape (k,)."""
    line, is_end = end // 2, end % 2 == 1
    reach_m = np.minimum(within_m, lines.length_m[line] / 2)
    count = np.diff(lines.first)[line]
    row = np.repeat(np.arange(len(end)), count)
    vertex = np.arange(len(row)) - np.repeat(np.cumsum(count) - count - lines.first[line], count)
    way_m = np.where(is_end[row], lines.length_m[line[row]] - lines.along_m[vertex], lines.along_m[vertex])
    kept = way_m < reach_m[row]
    far = lines.at_plane(line, np.where(is_end, lines.length_m[line] - reach_m, reach_m))
    xy = np.concatenate([lines.plane[vertex[kept]], far])
    way_m, row = np.concatenate([way_m[kept], reach_m]), np.concatenate([row[kept], np.arange(len(end))])
    order = np.lexsort((way_m, row))
    return np.asarray(shapely.linestrings(xy[order], indices=row[order])) if len(end) else _NO_LINES


def _cut_back(lines: Lines, found: Overshoots, place: Floats) -> Lines:
    """Leave out the vertices past the crossings, and end there; in the same plane as before."""
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
    return Lines.from_vertices(lines.frame, xyz[keep], line=owner[keep], ground=lines.ground)
