"""Fittings to the mains they sit on: which main, how far off, and at which node."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from netcorr.errors import NetworkError
from netcorr.network.ground import geodesic_distances_m
from netcorr.network.near import Near, near_points, to_lines
from netcorr.network.tolerances import SAME_PLACE_M

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.layers.network_layers import NetworkLayers
    from netcorr.network.lines import Floats, Ints, Lines
    from netcorr.network.log import ChangeLog
    from netcorr.network.near import Boxes
    from netcorr.network.pieces import Cuts
    from netcorr.network.tolerances import Tolerances

#: A main in service is preferred to a nearer one out of service when it is farther by no more than this: a
#: new main is laid beside the old one, but an old valve does not sit on a main across the street. [m]
PREFERRED_M = 1.0

#: So far around a fitting a main is looked for before it is looked for anywhere. [m]
STREET_M = 50.0


@dataclass(frozen=True, eq=False)
class Attached:
    """Where fittings sit.

    Attributes
    ----------
    line : numpy.ndarray of int, shape (f,)
        Main of each fitting, -1 when none is near enough.
    nearest : numpy.ndarray of int, shape (f,)
        Nearest main of all, in service or not.
    along_m : numpy.ndarray of float, shape (f,)
        Distance in the plane from the start of that main. [m]
    offset_m : numpy.ndarray of float, shape (f,)
        Ground distance from the fitting to the nearest place on the main (or, when none is near enough,
        on any). [m]
    """

    line: Ints
    nearest: Ints
    along_m: Floats
    offset_m: Floats


@dataclass(frozen=True, eq=False)
class NodePlaces:
    """Nodes along the mains, sorted by line and distance: its ends and all cuts.

    Attributes
    ----------
    line, node : numpy.ndarray of int, shape (p,)
        Main, and number of the node.
    along_m : numpy.ndarray of float, shape (p,)
        Distance in the plane from the start of the main. [m]
    reach_m : numpy.ndarray of float, shape (p,)
        Fittings this near along the main use the node. [m]
    axis_m : numpy.ndarray of float, shape (p,)
        `along_m` on the common axis of `Lines.axis_m`. [m]
    """

    line: Ints
    node: Ints
    along_m: Floats
    reach_m: Floats
    axis_m: Floats

    @classmethod
    def of(cls, lines: Lines, end_node: Ints, *, cuts: Cuts, reach_m: float, narrow: Ints) -> NodePlaces:
        """Put the ends of the mains and the cuts between them in order.

        Parameters
        ----------
        lines : Lines
            Mains.
        end_node : numpy.ndarray of int, shape (2 n,)
            Node of each end; start of line k at 2 k, its end at 2 k + 1.
        cuts : Cuts
            Cuts strictly between the ends.
        reach_m : float
            How near along the main is near. [m]
        narrow : numpy.ndarray of int
            Nodes that take only what is drawn at their very place.
        """
        n = len(lines)
        ends_m = np.zeros(2 * n)
        ends_m[1::2] = lines.length_m
        behind = 2 * cuts.line + 1  # each cut between the start and the end of its main
        line = np.insert(np.repeat(np.arange(n), 2), behind, cuts.line)
        along_m = np.insert(ends_m, behind, cuts.along_m)
        node = np.insert(end_node, behind, cuts.node)
        slim = np.zeros(int(node.max()) + 1, dtype=bool)
        slim[narrow[narrow >= 0]] = True
        reach = np.where(slim[node], SAME_PLACE_M, max(reach_m, SAME_PLACE_M))
        return cls(line, node, along_m, reach, lines.base_m[line] + along_m)


def nearest_mains(
    layers: NetworkLayers, lines: Lines, boxes: Boxes, *, tolerances: Tolerances, log: ChangeLog
) -> Attached:
    """Attach each fitting to the nearest main, one in service preferred.

    Raises
    ------
    NetworkError
        If a fitting is not a point.
    """
    fittings = layers.fittings
    xy = _points(layers)
    here = np.flatnonzero(np.isfinite(xy).all(axis=1))
    n = len(fittings)
    line, nearest = np.full(n, -1), np.full(n, -1)
    along_m, offset_m = np.full(n, np.nan), np.full(n, np.nan)
    if len(here):
        plane = lines.ground.metres(xy[here])
        nearest[here], live, at_m = _nearest_of_all(lines, boxes, plane, tolerances.fitting_m)
        foot = lines.at(live, at_m)
        offset_m[here] = geodesic_distances_m(xy[here, 0], xy[here, 1], foot[:, 0], foot[:, 1], fittings.crs)
        close = offset_m[here] <= tolerances.fitting_m
        line[here[close]], along_m[here[close]] = live[close], at_m[close]
    attached = Attached(line=line, nearest=nearest, along_m=along_m, offset_m=offset_m)
    _log_attached(lines, attached, log, ids=np.asarray(fittings["asset_id"], dtype=object), xy=xy)
    return attached


def place_at_nodes(
    lines: Lines, nodes: NodePlaces, *, line: Ints, along_m: Floats, join_m: float
) -> tuple[Ints, Ints, Floats]:
    """Nodes for places along mains: existing ones within reach, else new ones.

    Places nearer than `join_m` to each other, with no node between, share a new node.

    Returns
    -------
    node : numpy.ndarray of int, shape (p,)
        Existing node, or -1 - k for the new node k.
    new_line : numpy.ndarray of int, shape (k,)
        Main of each new node.
    new_along_m : numpy.ndarray of float, shape (k,)
        Where on it. [m]
    """
    axis = lines.base_m[line] + along_m
    right = np.clip(np.searchsorted(nodes.axis_m, axis), 1, max(len(nodes.axis_m) - 1, 1))
    sides = np.column_stack([right - 1, right])
    gap = np.abs(nodes.axis_m[sides] - axis[:, None])
    gap[(gap > nodes.reach_m[sides]) | (nodes.line[sides] != line[:, None])] = np.inf
    best = np.argmin(gap, axis=1)
    rows = np.arange(len(axis))
    found = np.isfinite(gap[rows, best])
    node = np.where(found, nodes.node[sides[rows, best]], -1)
    free = np.flatnonzero(~found)
    free = free[np.argsort(axis[free], kind="stable")]
    group, count = _groups(axis[free], right[free], max(join_m, SAME_PLACE_M))
    size = np.bincount(group, minlength=count)
    new_along_m = np.bincount(group, along_m[free], minlength=count) / np.maximum(size, 1)
    new_line = np.zeros(count, dtype=np.intp)
    new_line[group] = line[free]
    node[free] = -1 - group
    return node, new_line, new_along_m


def _groups(axis: Floats, interval: Ints, within_m: float) -> tuple[Ints, int]:
    """Chains of neighbours nearer than `within_m` in one interval, cut into pieces no longer than that."""
    if not len(axis):
        return np.zeros(0, dtype=np.intp), 0
    new = np.ones(len(axis), dtype=bool)
    new[1:] = (np.diff(axis) > within_m) | (np.diff(interval) != 0)
    chain = np.cumsum(new) - 1
    step = np.floor((axis - axis[new][chain]) / (within_m * (1 + 1e-9)))
    new[1:] |= np.diff(step) > 0
    return np.cumsum(new) - 1, int(new.sum())


def _points(layers: NetworkLayers) -> NDArray[np.float64]:
    shapes = layers.fittings.geometry.array
    kinds = shapely.get_type_id(shapes)
    wrong = np.flatnonzero((kinds != shapely.GeometryType.POINT) & (kinds >= 0))
    if len(wrong):
        raise NetworkError(
            f"{layers.source}, fitting {layers.fittings['asset_id'].iloc[wrong[0]]}",
            found=f"geometry {shapely.GeometryType(int(kinds[wrong[0]])).name}",
            remedy="give fittings as single points",
        )
    return np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)])


def _nearest_of_all(lines: Lines, boxes: Boxes, plane: Floats, fitting_m: float) -> tuple[Ints, Ints, Floats]:
    """Nearest main of all, the one to prefer (the nearest in service if it is hardly farther), and where."""
    near = near_points(lines, boxes, plane, fitting_m).nearest()
    far = np.flatnonzero(np.bincount(near.point, minlength=len(plane)) == 0)
    if len(far):
        near = near.with_more(*_nearest_far(lines, boxes, plane, far))
    first, least_m = _first_of_each(len(plane), near, np.arange(len(near.point)))
    served = np.flatnonzero(lines.in_service[near.line])
    live, live_m = _first_of_each(len(plane), near, served)
    live = np.where(live_m <= least_m + PREFERRED_M, live, first)
    return near.line[first], near.line[live], near.along_m[live]


def _nearest_far(lines: Lines, boxes: Boxes, plane: Floats, far: Ints) -> tuple[Near, Near]:
    """Nearest places of all to points with nothing near: most are in the next street, some anywhere."""
    near = near_points(lines, boxes, plane[far], STREET_M).nearest()
    least_m = np.full(len(far), np.inf)
    np.minimum.at(least_m, near.point, near.gap_m)
    near = near.take(near.gap_m == least_m[near.point])
    farther = far[np.isinf(least_m)]
    return near._replace(point=far[near.point]), _nearest_of_lines(lines, plane, farther)


def _nearest_of_lines(lines: Lines, plane: Floats, far: Ints) -> Near:
    if not len(far):
        return Near(far, far, far, np.zeros(0), np.zeros(0))
    tree = shapely.STRtree(lines.shapes(np.arange(len(lines))))
    asked, line = tree.query_nearest(shapely.points(plane[far]), all_matches=True)
    return to_lines(lines, plane[far[asked]], far[asked], line).nearest()


def _first_of_each(count: int, near: Near, which: Ints) -> tuple[Ints, Floats]:
    """Nearest row in `which` of each point and its gap, of equally near lines the first.

    Row 0 and an infinite gap where a point has none.
    """
    order = which[np.lexsort((near.line[which], np.round(near.gap_m[which], 6), near.point[which]))]
    new = np.ones(len(order), dtype=bool)
    new[1:] = near.point[order[1:]] != near.point[order[:-1]]
    row, least_m = np.zeros(count, dtype=np.intp), np.full(count, np.inf)
    row[near.point[order[new]]] = order[new]
    least_m[near.point[order[new]]] = near.gap_m[order[new]]
    return row, least_m


def _log_attached(
    lines: Lines, attached: Attached, log: ChangeLog, *, ids: NDArray[np.object_], xy: Floats
) -> None:
    line, offset_m = attached.line, attached.offset_m
    moved = np.flatnonzero((line >= 0) & (offset_m > SAME_PLACE_M / 10))
    text = [
        f"sits on main {pipe}, drawn {gap:.2f} m from it"
        for pipe, gap in zip(lines.ids[line[moved]], offset_m[moved].tolist(), strict=True)
    ]
    log.add("attached", ids[moved], xy=xy[moved], text=text, moved_m=offset_m[moved])
    over = np.flatnonzero((line >= 0) & (line != attached.nearest))
    text = [
        f"sits on main {b}, which is in service; main {a} is nearer but out of service"
        for a, b in zip(lines.ids[attached.nearest[over]], lines.ids[line[over]], strict=True)
    ]
    log.add("passed_over", ids[over], xy=xy[over], text=text)
    far = np.flatnonzero((line < 0) & np.isfinite(offset_m))
    text = [f"the nearest main is {gap:.1f} m away, too far to sit on" for gap in offset_m[far].tolist()]
    log.add("too_far", ids[far], xy=xy[far], text=text)
    lost = np.flatnonzero(np.isnan(offset_m))
    log.add("no_geometry", ids[lost], xy=xy[lost], text=["fitting without a place on the map"] * len(lost))
