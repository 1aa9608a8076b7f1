"""What of the mains lies near to points: every segment within a distance, found through boxes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints, Lines

#: So many segments of a main share a box at most: a long winding main is not near to all inside its bounds.
RUN = 8

#: Segments measured at once: what passes between the steps of the sums then stays in the processor's cache.
BLOCK = 16_384

#: Steps from west to east in which points are put in order.
_ALONG = 1024

_TINY = float(np.finfo(float).tiny)


class Near(NamedTuple):
    """Segments near to points, sorted by point, line and segment."""

    point: Ints
    line: Ints
    segment: Ints  # index of the segment's first vertex
    along_m: Floats  # nearest place on it, from the start of the line [m]
    gap_m: Floats  # distance between that and the point [m]

    @classmethod
    def join(cls, *parts: Near) -> Near:
        """Put several together, sorted again."""
        whole = cls(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
        return whole.take(np.lexsort((whole.segment, whole.line, whole.point)))

    def with_more(self, *parts: Near) -> Near:
        """These and others, in any order but of other points or lines; quick where these are many."""
        more = Near.join(*parts)
        bits = 1 + max(
            (int(lines.max()).bit_length() for lines in (self.line, more.line) if len(lines)), default=0
        )
        at = np.searchsorted(self.point << bits | self.line, more.point << bits | more.line)
        return Near(*(np.insert(mine, at, other) for mine, other in zip(self, more, strict=True)))

    def take(self, which: Any) -> Near:
        """Some of them, in order."""
        return Near(*(column[which] for column in self))

    def nearest(self, *, stretches: bool = False) -> Near:
        """Nearest segment of each point and line, or of each stretch of neighbouring segments."""
        if not len(self.point):
            return self
        new = np.ones(len(self.point), dtype=bool)
        new[1:] = (self.point[1:] != self.point[:-1]) | (self.line[1:] != self.line[:-1])
        if stretches:
            new[1:] |= self.segment[1:] != self.segment[:-1] + 1
        group = np.cumsum(new) - 1
        least_m = np.minimum.reduceat(self.gap_m, np.flatnonzero(new))
        hits = np.flatnonzero(self.gap_m == least_m[group])
        first = np.ones(len(hits), dtype=bool)
        first[1:] = group[hits[1:]] != group[hits[:-1]]
        return self.take(hits[first])


@dataclass(frozen=True, eq=False)
class Boxes:
    """Boxes about runs of segments, to be searched.

    Attributes
    ----------
    tree : shapely.STRtree
        Of the boxes.
    line : numpy.ndarray of int, shape (r,)
        Line of each run.
    first, count : numpy.ndarray of int, shape (r,)
        Its first segment, and how many there are.
    """

    tree: shapely.STRtree
    line: Ints
    first: Ints
    count: Ints

    @classmethod
    def about(cls, lines: Lines) -> Boxes:
        """Put a box about every run of at most `RUN` segments."""
        segments = np.diff(lines.first) - 1
        runs = -(-segments // RUN)
        line = np.repeat(np.arange(len(lines)), runs)
        number = np.arange(len(line)) - np.repeat(np.cumsum(runs) - runs, runs)
        first = lines.first[line] + number * RUN
        count = np.minimum(RUN, segments[line] - number * RUN)
        limits = np.column_stack([first, first + count]).ravel()
        low = np.minimum.reduceat(np.minimum(lines.plane[:-1], lines.plane[1:]), limits[:-1])[::2]
        high = np.maximum.reduceat(np.maximum(lines.plane[:-1], lines.plane[1:]), limits[:-1])[::2]
        return cls(shapely.STRtree(_diagonals(low, high)), line, first, count)

    def near(self, points: Floats, within_m: float) -> tuple[Ints, Ints]:
        """Points and runs whose boxes come within a distance of each other."""
        order = _side_by_side(points)
        reach_m, spots = within_m * (1 + 1e-9) + 1e-9, points[order]
        row, run = self.tree.query(_diagonals(spots - reach_m, spots + reach_m))
        bits = len(self.line).bit_length()
        both = np.sort(order[row] << bits | run)  # one sort of numbers is quicker than to look for the order
        return both >> bits, both & ((1 << bits) - 1)


def _side_by_side(points: Floats) -> Ints:
    """Order in which neighbours follow each other: each then meets in memory what the one before it met."""
    if not len(points):
        return np.zeros(0, dtype=np.intp)
    bits = len(points).bit_length()
    strips = max(int(np.sqrt(len(points) / 8)), 1)
    place = _step(points[:, 1], strips) * _ALONG + _step(points[:, 0], _ALONG)
    return np.asarray(np.sort(place << bits | np.arange(len(points))) & ((1 << bits) - 1), dtype=np.intp)


def _step(values: Floats, steps: int) -> Ints:
    """Which of so many equal steps between the least and the greatest each value lies in."""
    low = values.min()
    size = max(float(values.max() - low), 1e-9)
    return np.asarray((values - low) * ((steps - 1) / size), dtype=np.intp)


def near_points(lines: Lines, boxes: Boxes, points: Floats, within_m: float) -> Near:
    """Every segment within a distance of points.

    Parameters
    ----------
    lines : Lines
        Mains.
    boxes : Boxes
        About their segments.
    points : numpy.ndarray of float, shape (p, 2)
        In the plane. [m]
    within_m : float
        How near. [m]

    Returns
    -------
    Near
        `point` counts the points.
    """
    point, run = boxes.near(points, within_m)
    return _measured(
        lines,
        points[point],
        point,
        line=boxes.line[run],
        first=boxes.first[run],
        count=boxes.count[run],
        within_m=within_m,
    )


def to_lines(lines: Lines, points: Floats, point: Ints, line: Ints) -> Near:
    """Every segment of `line[k]`, measured from `points[k]`, which is called `point[k]`."""
    return _measured(
        lines, points, point, line=line, first=lines.first[line], count=np.diff(lines.first)[line] - 1
    )


def _measured(
    lines: Lines,
    points: Floats,
    point: Ints,
    *,
    line: Ints,
    first: Ints,
    count: Ints,
    within_m: float = np.inf,
) -> Near:
    """Nearest place to `points[k]` on each of the `count[k]` segments from `first[k]` on, if near enough."""
    block = (np.cumsum(count) - count) // BLOCK
    limits = [0, *(np.flatnonzero(np.diff(block)) + 1).tolist(), len(point)]
    parts = [
        _measured_at_once(
            lines,
            points[start:stop],
            point[start:stop],
            line=line[start:stop],
            first=first[start:stop],
            count=count[start:stop],
            within_m=within_m,
        )
        for start, stop in pairwise(limits)
    ]
    return (
        parts[0]
        if len(parts) == 1
        else Near(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
    )


def _measured_at_once(
    lines: Lines, points: Floats, point: Ints, *, line: Ints, first: Ints, count: Ints, within_m: float
) -> Near:
    pair = np.repeat(np.arange(len(point)), count)
    segment = np.arange(len(pair)) + np.repeat(first - (np.cumsum(count) - count), count)
    x, y = lines.plane[:, 0], lines.plane[:, 1]
    x0, y0 = x[segment], y[segment]
    dx, dy = x[segment + 1] - x0, y[segment + 1] - y0
    x0, y0 = points[pair, 0] - x0, points[pair, 1] - y0
    square = dx * dx + dy * dy
    part = np.clip((x0 * dx + y0 * dy) / np.maximum(square, _TINY), 0.0, 1.0)
    x0 -= part * dx
    y0 -= part * dy
    hit = np.flatnonzero(x0 * x0 + y0 * y0 <= (within_m * (1 + 1e-9)) ** 2)
    gap_m = np.hypot(x0[hit], y0[hit])  # for these alone: it takes longer than all above
    hit, gap_m = hit[gap_m <= within_m], gap_m[gap_m <= within_m]
    pair, segment = pair[hit], segment[hit]
    return Near(
        point=point[pair],
        line=line[pair],
        segment=segment,
        along_m=lines.along_m[segment] + part[hit] * np.sqrt(square[hit]),
        gap_m=gap_m,
    )


def _diagonals(low: Floats, high: Floats) -> NDArray[np.object_]:
    """Lines from corner to corner of boxes: all that a search for boxes asks for."""
    return np.asarray(shapely.linestrings(np.stack([low, high], axis=1)))
