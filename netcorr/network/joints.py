"""Which ends of mains, and which places along other mains, are one joint."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from netcorr.network.cluster import Bars, Links, cluster

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints, Lines
    from netcorr.network.near import Near
    from netcorr.network.tolerances import Tolerances

#: A main may close on itself over a small gap only if it is this many times as long as the tolerance.
RING_FACTOR = 10

#: What is as far as this beyond a tolerance is looked at again. [m]
_ROUNDING_M = 1e-9


@dataclass(frozen=True, eq=False)
class Joints:
    """Joints of the mains.

    Attributes
    ----------
    end_joint : numpy.ndarray of int, shape (2 n,)
        Joint of each end; start of line k at 2 k, its end at 2 k + 1.
    cut_line, cut_joint : numpy.ndarray of int, shape (c,)
        Cuts through lines where ends of others touch them, and the joint that each is part of.
    cut_along_m : numpy.ndarray of float, shape (c,)
        Where, from the start of the line in the plane. [m]
    touch_end : numpy.ndarray of int, shape (c,)
        One of the ends that touch there.
    kept_apart : numpy.ndarray of int, shape (s,)
        Short lines that joining would have swallowed.
    count : int
        Number of joints.
    """

    end_joint: Ints
    cut_line: Ints
    cut_joint: Ints
    cut_along_m: Floats
    touch_end: Ints
    kept_apart: Ints
    count: int


class _Touches(NamedTuple):
    spot: Ints  # place of an end
    line: Ints  # main that it touches
    along_m: Floats
    gap_m: Floats

    def take(self, which: Any) -> _Touches:
        return _Touches(self.spot[which], self.line[which], self.along_m[which], self.gap_m[which])


def find_joints(lines: Lines, near: Near, *, tolerances: Tolerances) -> Joints:
    """Join ends within the tolerance, and ends with the mains that they touch.

    Parameters
    ----------
    lines : Lines
        Mains with a length, none twice.
    near : Near
        All segments within `cut_m` and `end_m` of every place of an end, and maybe others.
    tolerances : Tolerances
        How near is near.

    Returns
    -------
    Joints
        Neither the two ends of a short main nor those of any main farther apart than the tolerance
        are ever one joint, unless they were drawn so.
    """
    end_spot, spots = lines.end_spot, lines.spots
    touches = _without_both_ends(lines, end_spot, _touches(lines, near, end_spot, tolerances), tolerances)
    beside_m = max(tolerances.end_m, tolerances.cut_m)  # a touch this near to an end of the main is that end
    near_start = touches.along_m <= beside_m
    near_end = lines.length_m[touches.line] - touches.along_m <= beside_m
    nearer_end = 2 * touches.along_m > lines.length_m[touches.line]
    at_end = near_start | near_end
    cuts = touches.take(~at_end)
    other = end_spot[2 * touches.line + nearer_end][at_end]
    gap_m = np.hypot(*(spots[touches.spot[at_end]] - spots[other]).T)
    links = Links.join(
        end_links(lines, near, tolerances.end_m),
        # most of these are as near as that, and linked already
        Links(touches.spot[at_end], other, gap_m).take(gap_m > tolerances.end_m),
        Links(cuts.spot, len(spots) + np.arange(len(cuts.spot)), cuts.gap_m),
        _cut_links(lines, cuts, len(spots), tolerances.end_m),
    )
    apart = _must_stay_apart(lines, end_spot, tolerances.end_m)
    places = np.vstack([spots, lines.at_plane(cuts.line, cuts.along_m)])
    bars = Bars(end_spot[2 * apart], end_spot[2 * apart + 1], lines.length_m[apart])
    loose = np.concatenate([np.bincount(end_spot) == 1, np.zeros(len(cuts.spot), dtype=bool)])
    label, refused = cluster(places, links, bars=bars, loose=loose)
    number = np.zeros(int(label.max()) + 1, dtype=np.intp)
    number[label[: len(spots)]] = 1
    number = np.where(number, np.cumsum(number) - 1, -1)
    numbered, cut_joint = (
        number[label[: len(spots)]],
        number[label[len(spots) :]],
    )  # -1: its end went elsewhere
    reach_m = 2 * (tolerances.cut_m + tolerances.end_m)
    joints = _joints(
        lines, numbered[end_spot], cuts=cuts, cut_joint=cut_joint, end_at=lines.spot_end, reach_m=reach_m
    )
    return replace(joints, kept_apart=apart[refused])


def end_links(lines: Lines, near: Near, end_m: float) -> Links:
    """Pairs of places of ends within the tolerance of each other, each once."""
    close = np.flatnonzero(near.gap_m <= end_m + _ROUNDING_M)
    spot, line, segment = lines.end_spot[near.point[close]], near.line[close], near.segment[close]
    at_start, at_end = segment == lines.first[line], segment == lines.first[line + 1] - 2
    a = np.concatenate([spot[at_start], spot[at_end]])
    b = lines.end_spot[np.concatenate([2 * line[at_start], 2 * line[at_end] + 1])]
    # both find each other, and what several lines share is found as often
    both = np.sort((a * len(lines.spots) + b)[a < b])
    both = both[np.append(True, both[1:] != both[:-1])] if len(both) else both
    a, b = np.divmod(both, len(lines.spots))
    gap_m = np.hypot(*(lines.spots[a] - lines.spots[b]).T)
    return Links(a, b, gap_m).take(gap_m <= end_m)


def _touches(lines: Lines, near: Near, end_spot: Ints, tolerances: Tolerances) -> _Touches:
    """Places where an end lies on or near another main, or on a far part of its own."""
    places = near.take(near.gap_m <= tolerances.cut_m).nearest(stretches=True)
    found = _Touches(end_spot[places.point], places.line, places.along_m, places.gap_m)
    of_start, of_end = (end_spot[2 * found.line + side] == found.spot for side in (0, 1))
    parts = [
        found.take(~(of_start | of_end)),
        _own_touches(lines, end_spot, found.take(of_start), tolerances, side=0),
        _own_touches(lines, end_spot, found.take(of_end), tolerances, side=1),
    ]
    return _Touches(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _own_touches(
    lines: Lines, end_spot: Ints, own: _Touches, tolerances: Tolerances, *, side: int
) -> _Touches:
    """Places where a main's start (side 0) or end (side 1) lies on the main itself, as in a 6 or a ring."""
    line = own.line
    away_m = np.abs(own.along_m - (lines.length_m[line] if side else 0.0))
    far = (away_m > RING_FACTOR * tolerances.end_m) & (np.diff(lines.first)[line] > 3)
    closes = (lines.length_m[line] - away_m <= tolerances.end_m) & (end_spot[2 * line + 1 - side] == own.spot)
    return own.take(far & ~closes)


def _without_both_ends(lines: Lines, end_spot: Ints, touches: _Touches, tolerances: Tolerances) -> _Touches:
    """Drop the farther touch where both ends of a short main lie near the same other main.

    A stub of a decimetre has its free end within the tolerance of the main that it leaves.
    """
    short = np.flatnonzero(lines.length_m <= tolerances.cut_m + tolerances.end_m)
    ends = pd.DataFrame({"a": end_spot[2 * short], "b": end_spot[2 * short + 1]})
    asked = np.zeros(len(lines.spots), dtype=bool)
    asked[ends.to_numpy()] = True
    row = np.flatnonzero(asked[touches.spot])
    some = touches.take(row)
    table = pd.DataFrame({"spot": some.spot, "line": some.line, "gap": some.gap_m, "row": row})
    both = ends.merge(table, left_on="a", right_on="spot").merge(
        table, left_on=["b", "line"], right_on=["spot", "line"], suffixes=("_a", "_b")
    )
    gap_a, gap_b = both["gap_a"].to_numpy(dtype=float), both["gap_b"].to_numpy(dtype=float)
    farther = np.where(gap_a > gap_b, both["row_a"], both["row_b"])
    drop = farther[np.abs(gap_a - gap_b) > tolerances.end_m / 100]
    keep = np.ones(len(touches.spot), dtype=bool)
    keep[drop.astype(np.intp)] = False
    return touches.take(keep)


def _cut_links(lines: Lines, cuts: _Touches, offset: int, end_m: float) -> Links:
    """Neighbouring cuts of one main, to become one joint."""
    where = lines.base_m[cuts.line] + cuts.along_m
    order = np.argsort(where, kind="stable")
    gap = np.diff(where[order])
    close = np.flatnonzero(gap <= end_m)
    return Links(offset + order[close], offset + order[close + 1], gap[close])


def _must_stay_apart(lines: Lines, end_spot: Ints, end_m: float) -> Ints:
    """Lines whose two ends may not become one joint: all but rings, drawn closed or nearly so."""
    gap = np.hypot(*(lines.ends[0::2] - lines.ends[1::2]).T)
    ring = (gap <= end_m) & (lines.length_m > RING_FACTOR * end_m)
    return np.flatnonzero(~ring & (end_spot[0::2] != end_spot[1::2]))


def _joints(
    lines: Lines, end_joint: Ints, *, cuts: _Touches, cut_joint: Ints, end_at: Ints, reach_m: float
) -> Joints:
    """Cuts of joints, those of one joint side by side on a main made one; none beside its own end."""
    left = lines.length_m[cuts.line] - cuts.along_m
    beside = (cut_joint == end_joint[2 * cuts.line]) & (cuts.along_m <= reach_m)
    beside |= (cut_joint == end_joint[2 * cuts.line + 1]) & (left <= reach_m)
    use = np.flatnonzero((cut_joint >= 0) & ~beside)
    axis = lines.base_m[cuts.line[use]] + cuts.along_m[use]
    order = np.lexsort((axis, cut_joint[use], cuts.line[use]))
    use, axis = use[order], axis[order]
    new = np.ones(len(use), dtype=bool)
    new[1:] = (np.diff(cuts.line[use]) != 0) | (np.diff(cut_joint[use]) != 0) | (np.diff(axis) > reach_m)
    group = np.cumsum(new) - 1
    first = use[new]
    return Joints(
        end_joint=end_joint,
        cut_line=cuts.line[first],
        cut_joint=cut_joint[first],
        cut_along_m=np.bincount(group, cuts.along_m[use]) / np.bincount(group) if len(use) else np.zeros(0),
        touch_end=end_at[cuts.spot[first]],
        kept_apart=np.zeros(0, dtype=np.intp),
        count=int(end_joint.max()) + 1,
    )


def joint_places(lines: Lines, joints: Joints, cut_xyz: Floats) -> tuple[NDArray[np.float64], Floats]:
    """Where each joint lies: on the mains cut there, else where most ends are; shape (count, 2).

    Returns
    -------
    xy : numpy.ndarray of float
        In the CRS of the map.
    plane : numpy.ndarray of float
        In the plane. [m]
    """
    ends = np.column_stack([lines.first[:-1], lines.first[1:] - 1]).ravel()
    share = np.bincount(lines.end_spot)[lines.end_spot].astype(float)
    most = np.zeros(joints.count)
    np.maximum.at(most, joints.end_joint, share)
    chosen = share == most[joints.end_joint]
    cut_plane = lines.at_plane(joints.cut_line, joints.cut_along_m)
    xy = _means(joints, chosen, lines.xyz[ends, :2], cut_xyz[:, :2])
    return xy, _means(joints, chosen, lines.plane[ends], cut_plane)


def _means(joints: Joints, chosen: NDArray[np.bool_], ends: Floats, cuts: Floats) -> Floats:
    def mean(joint: Ints, values: Floats) -> Floats:
        count = np.bincount(joint, minlength=joints.count)
        # the mean of offsets from one of them: equal coordinates stay equal to the last digit
        origin = np.zeros((joints.count, 2))
        origin[joint] = values
        offset = values - origin[joint]
        total = np.column_stack([np.bincount(joint, offset[:, k], minlength=joints.count) for k in (0, 1)])
        return origin + np.divide(total, count[:, None], out=np.zeros_like(total), where=count[:, None] > 0)

    result = mean(joints.end_joint[chosen], ends[chosen])
    if len(joints.cut_joint):
        cut = np.unique(joints.cut_joint)
        result[cut] = mean(joints.cut_joint, cuts)[cut]
    return result
