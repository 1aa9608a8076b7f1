"""What a crew passes when it follows a path: tees, fittings, bends, and where the pipe changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from shapely.ops import substring

from netcorr.network.ground import bearings_deg, ground_metric
from netcorr.path.branches import side_branches
from netcorr.path.reference import bearing_at, points_at, segment_ends_m

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely import LineString

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.branches import SideBranch
    from netcorr.path.correlation_path import CorrelationPath

    Floats = NDArray[np.float64]

Kind = Literal["tee", "fitting", "bend", "change"]
Side = Literal["left", "right", "both sides"]

#: A main that turns by more than this is said to bend. [degrees]
BEND_DEG = 30.0
#: Directions are taken over this length on either side, as a crew sees them. [m]
_SIGHT_M = 5.0
#: Turns below this are rounding. [degrees]
_STRAIGHT_DEG = 1e-6


@dataclass(frozen=True)
class Landmark:
    """One thing on the way from A to B.

    Attributes
    ----------
    from_a_m : float
        Distance from A along the path. [m]
    kind : {'tee', 'fitting', 'bend', 'change'}
        What it is.
    names : tuple of str
        Mains that leave at a tee; the fitting; empty for bends and changes.
    fitting_kind : str
        'valve', 'hydrant', 'meter' or 'other' for a fitting; '' otherwise.
    side : {'left', 'right', 'both sides'} or None
        Side to which a tee leaves or a bend turns, for one who walks from A to B.
    turn_deg : float
        By how much a bend turns, clockwise positive; 0 otherwise. [degrees]
    bearing_deg : float
        Direction of the path behind it, clockwise from true north. [degrees]
    material, diameter_mm : str or None, float
        Of the pipe behind a change; None and NaN otherwise.
    """

    from_a_m: float
    kind: Kind
    names: tuple[str, ...] = ()
    fitting_kind: str = ""
    side: Side | None = None
    turn_deg: float = 0.0
    bearing_deg: float = 0.0
    material: str | None = None
    diameter_mm: float = float("nan")


def landmarks(network: PipeNetwork, path: CorrelationPath) -> tuple[Landmark, ...]:
    """All that is passed on the way from A to B, the two ends left out.

    Parameters
    ----------
    network : PipeNetwork
        The network in which the path was found.
    path : CorrelationPath
        The path.

    Returns
    -------
    tuple of Landmark
        In the order in which they are met. Of the reversed path they are the same from the other end, with
        sides and turns mirrored.

    Raises
    ------
    PathError
        If the path is not one of this network.
    """
    found = [
        *(_tee(network, path, branch) for branch in side_branches(network, path)),
        *_fittings(network, path),
        *_bends(path),
        *_changes(path),
    ]
    return tuple(sorted(found, key=lambda mark: (mark.from_a_m, mark.kind, mark.names)))


def _tee(network: PipeNetwork, path: CorrelationPath, branch: SideBranch) -> Landmark:
    """Where open pipes leave the path, with the side on which they do."""
    heading = heading_deg(path, branch.from_a_m - _SIGHT_M, branch.from_a_m + _SIGHT_M)
    sides = set()
    for edge in branch.edges:
        data = network.edge(*edge)
        line = data["geometry"] if data["from_node"] == branch.node else data["geometry"].reverse()
        away = _first_bearing_deg(line, network, float(data["drawn_length_m"]))
        sides.add("right" if 0 < (away - heading) % 360 < 180 else "left")
    side: Side = "both sides" if len(sides) > 1 else "right" if sides == {"right"} else "left"
    return Landmark(
        branch.from_a_m,
        "tee",
        names=branch.pipe_ids,
        side=side,
        bearing_deg=bearing_at(path, branch.from_a_m),
    )


def _first_bearing_deg(line: LineString, network: PipeNetwork, length_m: float) -> float:
    """Direction in which a side pipe sets off."""
    near = substring(line, 0.0, min(_SIGHT_M / length_m, 1.0), normalized=True) if length_m > 0 else line
    (x1, y1), (x2, y2) = near.coords[0][:2], near.coords[-1][:2]
    return float(bearings_deg(x1, y1, x2, y2, network.crs)[0])


def _fittings(network: PipeNetwork, path: CorrelationPath) -> list[Landmark]:
    """Fittings that sit on the path between its ends."""
    places = {
        segment.to_node: float(at)
        for segment, at in zip(path.segments[:-1], segment_ends_m(path)[1:-1], strict=True)
    }
    ends = {path.sensor_a, path.sensor_b}
    held = network.fittings[network.fittings["node"].isin(list(places))]
    return [
        Landmark(
            places[int(row["node"])],
            "fitting",
            names=(str(name),),
            fitting_kind=str(row["kind"]),
            bearing_deg=bearing_at(path, places[int(row["node"])]),
        )
        for name, row in held.iterrows()
        if name not in ends
    ]


def _bends(path: CorrelationPath) -> list[Landmark]:
    """Turns of more than `BEND_DEG`; vertices close together that turn the same way are one bend."""
    at_m, corner_deg = _corners(path)
    turn_deg = np.array([_turn_deg(path, at) for at in at_m])
    sharp = np.flatnonzero(np.abs(turn_deg) > BEND_DEG)
    groups: list[list[int]] = []
    for k in sharp.tolist():
        last = groups[-1][-1] if groups else None
        near = last is not None and at_m[k] - at_m[last] <= _SIGHT_M
        if near and last is not None and turn_deg[k] * turn_deg[last] > 0:
            groups[-1].append(k)
        else:
            groups.append([k])
    bends = []
    for group in groups:
        from_a_m = float(np.average(at_m[group], weights=np.abs(corner_deg[group])))
        before = heading_deg(path, at_m[group[0]] - _SIGHT_M, at_m[group[0]])
        after = heading_deg(path, at_m[group[-1]], at_m[group[-1]] + _SIGHT_M)
        turn = _signed_deg(after - before)
        side: Side = "right" if turn_deg[group[0]] > 0 else "left"
        bends.append(Landmark(from_a_m, "bend", side=side, turn_deg=turn, bearing_deg=after))
    return bends


def _corners(path: CorrelationPath) -> tuple[Floats, Floats]:
    """Vertices between the ends at which the drawn line turns at all: distance from A, and by how much."""
    ends = segment_ends_m(path)
    corner_m, metres = [], []
    last = np.zeros(2)
    for segment, start, stop in zip(path.segments, ends[:-1], ends[1:], strict=True):
        xy = shapely.get_coordinates(segment.geometry)
        local = (xy - xy[0]) @ ground_metric(xy[0, 0], xy[0, 1], path.crs).T
        step = np.r_[0.0, np.hypot(*np.diff(local, axis=0).T)]
        corner_m.append(start + np.cumsum(step) / max(step.sum(), 1e-12) * (stop - start))
        metres.append(local + last)
        last = metres[-1][-1]
    at_m, places = np.concatenate(corner_m), np.vstack(metres)
    moved = np.r_[True, np.hypot(*np.diff(places, axis=0).T) > 0]
    east, north = np.diff(places[moved], axis=0).T
    turn_deg = (np.diff(np.degrees(np.arctan2(east, north))) + 180) % 360 - 180
    real = np.abs(turn_deg) > _STRAIGHT_DEG
    return at_m[moved][1:-1][real], turn_deg[real]


def _changes(path: CorrelationPath) -> list[Landmark]:
    """Where the next pipe has another material or another size."""
    ends = segment_ends_m(path)
    found = []
    for one, following, at in zip(path.segments[:-1], path.segments[1:], ends[1:-1], strict=True):
        sizes = {size for size in (one.diameter_mm, following.diameter_mm) if np.isfinite(size)}
        if one.material != following.material or len(sizes) > 1:
            mark = Landmark(
                float(at),
                "change",
                bearing_deg=bearing_at(path, float(at)),
                material=following.material,
                diameter_mm=following.diameter_mm,
            )
            found.append(mark)
    return found


def _turn_deg(path: CorrelationPath, at_m: float) -> float:
    """By how much the path heads elsewhere behind a place than before it, as a crew sees it."""
    before = heading_deg(path, at_m - _SIGHT_M, at_m)
    return _signed_deg(heading_deg(path, at_m, at_m + _SIGHT_M) - before)


def heading_deg(path: CorrelationPath, from_m: float, to_m: float) -> float:
    """Direction from one place on the path to another; where they coincide, of the main there.

    Parameters
    ----------
    path : CorrelationPath
        The path.
    from_m, to_m : float
        Distances from A; what lies beyond an end counts as the end. [m]

    Returns
    -------
    float
        Clockwise from true north. [degrees]
    """
    places = points_at(path, np.clip([from_m, to_m], 0.0, path.length_m))
    (x1, y1), (x2, y2) = shapely.get_coordinates(places).tolist()
    if (x1, y1) == (x2, y2):
        return bearing_at(path, min(max(from_m, 0.0), path.length_m))
    return float(bearings_deg(x1, y1, x2, y2, path.crs)[0])


def _signed_deg(angle_deg: float) -> float:
    return (angle_deg + 180) % 360 - 180
