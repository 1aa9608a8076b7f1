"""Ends that run a little past another main are cut back to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from netcorr.network.lines import Lines
from netcorr.network.near import Boxes, Near, near_points, to_lines
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


def without_overshoots(
    lines: Lines, boxes: Boxes, *, tolerances: Tolerances, log: ChangeLog
) -> tuple[Lines, Boxes, Near]:
    """Cut ends that run past a crossing back to it, so that they touch there.

    Only a free end counts: one that lies on no third main and at no other end. A main is never cut back by
    half of its length or more.

    Returns
    -------
    Lines
        The mains, in the same plane as before.
    Boxes
        About their segments.
    Near
        At least all segments within `cut_m` and `end_m` of every place of an end; `point` is the end, of
        those at one place the first (start of line k at 2 k, its end at 2 k + 1).
    """
    free_m = max(tolerances.end_m, tolerances.cut_m)
    near_m = free_m + SAME_PLACE_M / 10  # what lies at just the tolerance is judged later
    near = near_ends(lines, boxes, max(tolerances.overshoot_m, near_m))
    if tolerances.overshoot_m <= SAME_PLACE_M / 10:
        return lines, boxes, near
    found = find_overshoots(lines, near, within_m=tolerances.overshoot_m, free_m=free_m)
    if not len(found.end):
        return lines, boxes, near
    own, is_end = found.end // 2, found.end % 2 == 1
    place = lines.at(own, np.where(is_end, lines.length_m[own] - found.past_m, found.past_m))
    text = [
        f"{'end' if last else 'start'} ran {past:.2f} m past main {other}, and was cut back to it"
        for last, past, other in zip(is_end, found.past_m.tolist(), lines.ids[found.line], strict=True)
    ]
    log.add("overshoot", lines.ids[own], xy=place[:, :2], text=text, moved_m=found.past_m)
    shorter = _cut_back(lines, found, place)
    near = _near_again(lines, shorter, near, boxes=boxes, moved=found.end, within_m=near_m)
    same = len(shorter.plane) == len(lines.plane)  # with fewer vertices the segments have other numbers
    return shorter, boxes if same else Boxes.about(shorter), near


def near_ends(lines: Lines, boxes: Boxes, within_m: float) -> Near:
    """Segments within a distance of every place of an end; `point` is the first end at the place."""
    near = near_points(lines, boxes, lines.spots, within_m)
    return near._replace(point=lines.spot_end[near.point])


def _near_again(
    lines: Lines, shorter: Lines, near: Near, *, boxes: Boxes, moved: Ints, within_m: float
) -> Near:
    """What is near the ends after some moved along their lines: only what has to do with these is new."""
    cut = np.zeros(len(lines), dtype=bool)
    cut[moved // 2] = True
    ends = np.zeros(2 * len(lines), dtype=bool)
    ends[moved] = True
    gone = ends[near.point]
    same = near.take(~gone & ~cut[near.line])
    same = same._replace(segment=same.segment + (shorter.first - lines.first)[same.line])
    other = near.take(~gone & cut[near.line]).nearest()  # a line that is shorter now is nowhere nearer
    row, run = boxes.near(shorter.ends[moved], within_m)  # boxes of what was longer hold what is left
    asked = np.unique(np.column_stack([moved[row], boxes.line[run]]), axis=0)
    asked = np.concatenate([asked, np.column_stack([other.point, other.line])])
    return same.with_more(to_lines(shorter, shorter.ends[asked[:, 0]], asked[:, 0], asked[:, 1]))


def find_overshoots(lines: Lines, near: Near, *, within_m: float, free_m: float) -> Overshoots:
    """Free ends that lie within a distance past a crossing, the crossing nearest to the end.

    Parameters
    ----------
    lines : Lines
        Mains.
    near : Near
        All segments within both distances of every place of an end.
    within_m : float
        Longest way from the crossing to the end. [m]
    free_m : float
        An end is free when no third main lies as near as this to it. [m]

    Returns
    -------
    Overshoots
        Sorted by end.
    """
    alone = np.bincount(lines.end_spot)[lines.end_spot] == 1
    pairs = near.take(alone[near.point] & (near.line != near.point // 2)).nearest()
    end, line, gap_m = pairs.point, pairs.line, pairs.gap_m
    mains = np.bincount(end, gap_m <= free_m, minlength=2 * len(lines))
    free = mains[end] - (gap_m <= free_m) == 0
    ask = free & (gap_m > SAME_PLACE_M / 10) & (gap_m <= within_m)  # what lies on a main touches it already
    end, line = end[ask], line[ask]
    tails = _tails(lines, end, within_m)
    points, pair = shapely.get_coordinates(shapely.intersection(tails, lines.shapes(line)), return_index=True)
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
