"""How to get to a place on a main: from either fitting along the pipe, and from what is near it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from netcorr.export.pipe_words import material_text
from netcorr.export.plain_text import plain_text
from netcorr.network.ground import bearings_deg, geodesic_distances_m
from netcorr.path.landmarks import Landmark, heading_deg, landmarks
from netcorr.path.reference import direction_words, point_at
from netcorr.units import UnitSystem, format_diameter
from netcorr.units import format_length as plain_length

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import Candidate

#: A crew sees this far along a street when it sets off. [m]
_SIGHT_M = 10.0

#: A fitting farther away than this is no help to find a place. [m]
_NEAR_M = 50.0
#: A place nearer than this to something on the main is at it. [m]
AT_M = 0.1
#: So many fittings are named for a tape in a straight line: two circles meet at the place.
_TAPES = 2


def measure_out(
    candidate: Candidate, path: CorrelationPath, network: PipeNetwork, *, units: UnitSystem
) -> Iterator[str]:
    """Say how to get to a candidate: along the main from both fittings, then from what is near it.

    Parameters
    ----------
    candidate : Candidate
        A place on the path.
    path : CorrelationPath
        From the candidate's sensor A to its sensor B.
    network : PipeNetwork
        The map.
    units : {'metric', 'us'}
        Metres and millimetres, or feet and inches.

    Yields
    ------
    str
        One sentence or two for each way.

    Raises
    ------
    PathError
        If the path is not one of this network, or the place is not on it.
    """
    path = path if path.sensor_a == candidate.sensor_a else path.reversed()
    low_m, high_m = max(candidate.low_m, 0.0), min(candidate.high_m, path.length_m)
    yield way_along(path, network, candidate.from_a_m, search_m=(low_m, high_m), units=units)
    turned = (path.length_m - high_m, path.length_m - low_m)
    yield way_along(
        path.reversed(), network, path.length_m - candidate.from_a_m, search_m=turned, units=units
    )
    yield from check_marks(path, network, candidate.from_a_m, units=units)
    yield from tapes(path, network, candidate.from_a_m, units=units)


def way_along(
    path: CorrelationPath,
    network: PipeNetwork,
    distance_m: float,
    *,
    units: UnitSystem,
    search_m: tuple[float, float] | None = None,
) -> str:
    """Say how to walk along the main from A to a place, and what is passed.

    Parameters
    ----------
    path : CorrelationPath
        Path from A to B.
    network : PipeNetwork
        The map.
    distance_m : float
        Place, from A along the main. [m]
    units : {'metric', 'us'}
        Metres and millimetres, or feet and inches.
    search_m : (float, float), optional
        Stretch to search, from A. [m]

    Returns
    -------
    str
        From which fitting, in which direction, along which main, past what, how far.

    Raises
    ------
    PathError
        If the path is not one of this network, or the place is not on it.
    """
    first = path.segments[0]
    pipe = f"{_size(first.diameter_mm, units)}{plain_text(material_text(first.material))} main"
    if material_text(None) in pipe:
        pipe = f"main {plain_text(first.pipe_id)}"
    words = [
        f"From {fitting_words(network, path.sensor_a)} follow the {pipe} {start_direction(path)}, towards "
        f"{fitting_words(network, path.sensor_b)}"
    ]
    passed = [mark for mark in landmarks(network, path) if mark.from_a_m <= distance_m]
    words += _passing(passed, units)
    words.append(f"the leak is at {_length(distance_m, units)}")
    if search_m is not None:
        words[-1] += f", search {_length(search_m[0], units)} to {_length(search_m[1], units)}"
    lead = f" {_lead(path, network, units)}" if path.lead_a_m else ""
    return "; ".join(words) + "." + lead


def check_marks(
    path: CorrelationPath, network: PipeNetwork, distance_m: float, *, units: UnitSystem
) -> Iterator[str]:
    """Say how far the nearest things on the main are before and behind a place, to check a tape by.

    Parameters
    ----------
    path : CorrelationPath
        Path from A to B.
    network : PipeNetwork
        The map.
    distance_m : float
        Place, from A along the main. [m]
    units : {'metric', 'us'}
        Metres and millimetres, or feet and inches.

    Yields
    ------
    str
        At most one sentence.

    Raises
    ------
    PathError
        If the path is not one of this network.
    """
    marks = landmarks(network, path)
    before = [mark for mark in marks if mark.from_a_m <= distance_m][-1:]
    behind = [mark for mark in marks if mark.from_a_m > distance_m][:1]
    for mark in (*before, *behind):
        if abs(distance_m - mark.from_a_m) < AT_M:
            yield f"Check: the point is at {_called(mark, units)}."
            return
    found = [
        f"{_length(abs(distance_m - mark.from_a_m), units)} along the main from {_called(mark, units)}"
        for mark in (*before, *behind)
    ]
    if found:
        yield f"Check: the point is {' and '.join(found)}."


def tapes(
    path: CorrelationPath, network: PipeNetwork, distance_m: float, *, units: UnitSystem
) -> Iterator[str]:
    """Say how far a place is from the nearest fittings in a straight line.

    Parameters
    ----------
    path : CorrelationPath
        Path from A to B.
    network : PipeNetwork
        The map.
    distance_m : float
        Place, from A along the main. [m]
    units : {'metric', 'us'}
        Metres and millimetres, or feet and inches.

    Yields
    ------
    str
        At most one sentence, with the two nearest fittings within 50 m.

    Raises
    ------
    PathError
        If the place is not on the path.
    """
    place = point_at(path, distance_m)
    shapes = network.fittings.geometry
    if shapes.empty:
        return
    x, y = shapes.x.to_numpy(), shapes.y.to_numpy()
    here_x, here_y = np.full_like(x, place.x), np.full_like(y, place.y)
    away_m = geodesic_distances_m(x, y, here_x, here_y, path.crs)
    bearing = bearings_deg(x, y, here_x, here_y, path.crs)
    nearest = [k for k in np.argsort(away_m, kind="stable")[:_TAPES] if 0 < away_m[k] <= _NEAR_M]
    if nearest:
        found = [
            f"{_length(float(away_m[k]), units)} {direction_words(float(bearing[k]))} of "
            f"{fitting_words(network, str(shapes.index[k]))}"
            for k in nearest
        ]
        yield f"In a straight line it is {' and '.join(found)}."


def legs_m(marks: Sequence[Landmark], distance_m: float) -> tuple[float, ...]:
    """Lengths between what is passed on the way to a place; they sum to its distance.

    Parameters
    ----------
    marks : sequence of Landmark
        From A to B.
    distance_m : float
        Place, from A along the main. [m]

    Returns
    -------
    tuple of float
        One more than there are things passed. [m]
    """
    stops = [0.0, *(mark.from_a_m for mark in marks if mark.from_a_m <= distance_m), distance_m]
    return tuple(float(leg) for leg in np.diff(stops))


def fitting_words(network: PipeNetwork, fitting: str) -> str:
    """Fitting with its kind, such as ``hydrant H-12``."""
    kind = network.fittings["kind"].get(fitting) if fitting in network.fittings.index else None
    name = plain_text(fitting)
    return f"{kind} {name}" if kind in {"hydrant", "valve", "meter"} else f"fitting {name}"


def _passing(marks: Sequence[Landmark], units: UnitSystem) -> list[str]:
    """What is passed, with each distance said once."""
    there = groupby(marks, key=lambda mark: _length(mark.from_a_m, units))
    return [
        f"at {where} {' and '.join(_step(mark, units) for mark in here)}".rstrip(",") for where, here in there
    ]


def _step(mark: Landmark, units: UnitSystem) -> str:
    if mark.kind == "bend":
        return f"bend {mark.side}, {direction_words(mark.bearing_deg)},"
    if mark.kind == "change":
        return f"the pipe becomes {_size(mark.diameter_mm, units)}{_material(mark)}"
    return f"pass {_called(mark, units)}"


def _called(mark: Landmark, units: UnitSystem) -> str:
    names = ", ".join(plain_text(name) for name in mark.names)
    if mark.kind == "tee":
        side = "on both sides" if mark.side == "both sides" else f"on the {mark.side}"
        return f"the tee of {names} {side}"
    if mark.kind == "fitting":
        kind = mark.fitting_kind if mark.fitting_kind in {"hydrant", "valve", "meter"} else "fitting"
        return f"{kind} {names}"
    if mark.kind == "bend":
        return f"the bend to the {mark.side}"
    return f"the change to {_size(mark.diameter_mm, units)}{_material(mark)}"


def _material(mark: Landmark) -> str:
    return plain_text(material_text(mark.material))


def _size(diameter_mm: float, units: UnitSystem) -> str:
    return f"{format_diameter(diameter_mm, units)} " if math.isfinite(diameter_mm) else ""


def _length(length_m: float, units: UnitSystem) -> str:
    return plain_length(length_m, units).replace(" ", "\xa0")


def _lead(path: CorrelationPath, network: PipeNetwork, units: UnitSystem) -> str:
    return (
        f"The sensor on {fitting_words(network, path.sensor_a)} sits on {_length(path.lead_a_m, units)} of "
        "pipe off the main; that is allowed for, so start measuring where it meets the main."
    )


def start_direction(path: CorrelationPath) -> str:
    """Direction in which the main leaves A's fitting, over the first ten metres.

    Parameters
    ----------
    path : CorrelationPath
        Path from A to B.

    Returns
    -------
    str
        Compass direction in words.
    """
    return direction_words(heading_deg(path, 0.0, _SIGHT_M))
