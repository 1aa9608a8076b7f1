"""Where leaks are put: at random along the mains near the sites, or at a place that was asked for."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from pyproj import Transformer

from netcorr.errors import PlanError
from netcorr.network.ground import ground_metric
from netcorr.simulation import Place, place_on_pipe

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from shapely import Point

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.rehearsal.sites import PlannedSite

#: A place that was asked for belongs to the nearest main within this distance. [m]
NEAREST_MAIN_M = 15.0


@dataclass(frozen=True, eq=False)
class LeakPlace:
    """A point on a main at which a leak is put.

    Attributes
    ----------
    place : Place
        On the network's graph.
    point : shapely.Point
        The same in the network's CRS.
    pipe_id : str
        The main.
    material : str or None
        Its material.
    diameter_mm : float
        Its diameter. [mm]
    """

    place: Place
    point: Point
    pipe_id: str
    material: str | None
    diameter_mm: float


def leak_place(network: PipeNetwork, place: Place) -> LeakPlace:
    """Say what lies at a place."""
    data = network.edge(*place.edge)
    point = data["geometry"].interpolate(_share(place.offset_m, data["length_m"]), normalized=True)
    return LeakPlace(place, point, str(data["pipe_id"]), data["material"], float(data["diameter_mm"]))


def random_places(
    network: PipeNetwork,
    sites: Sequence[PlannedSite],
    *,
    count: int,
    within_m: float,
    rng: np.random.Generator,
) -> tuple[LeakPlace, ...]:
    """Draw places evenly by metre along the open mains near the sites.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    sites : sequence of PlannedSite
        Where loggers stand.
    count : int
        How many.
    within_m : float
        Farthest from the nearest site, along the mains. [m]
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    tuple of LeakPlace
        As many as asked for.

    Raises
    ------
    PlanError
        If no open main lies so near.
    """
    parts = mains_within(network, {network.node_of(site.fitting) for site in sites}, within_m=within_m)
    lengths = np.array([high_m - low_m for _, low_m, high_m in parts])
    if not lengths.sum() > 0:
        raise PlanError(
            "leaks to rehearse",
            found=f"no open main within {within_m:g} m of a site",
            remedy="look larger around the sites, or check the fittings they stand on",
        )
    ends = np.cumsum(lengths)
    drawn = np.sort(rng.uniform(0, ends[-1], count))
    which = np.minimum(np.searchsorted(ends, drawn, side="right"), len(parts) - 1)
    return tuple(
        leak_place(network, Place(parts[k][0], float(parts[k][2] - (ends[k] - at))))
        for k, at in zip(which.tolist(), drawn.tolist(), strict=True)
    )


def mains_within(
    network: PipeNetwork, nodes: Iterable[int], *, within_m: float
) -> list[tuple[tuple[int, int, int], float, float]]:
    """Parts of the open mains within a distance of some nodes.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    nodes : iterable of int
        Nodes of its graph.
    within_m : float
        Distance along open mains. [m]

    Returns
    -------
    list of ((int, int, int), float, float)
        Edge, and from where to where on it, from its `from_node`. [m] An edge that is reached from both ends
        but not in its middle has two parts.
    """
    away = distances_m(network, dict.fromkeys(nodes, 0.0), cutoff_m=within_m)
    parts = []
    for u, v, key, data in network.graph.edges(away, keys=True, data=True):
        if not data["is_open"] or not data["length_m"] > 0:
            continue
        length_m = float(data["length_m"])
        from_start = max(within_m - away.get(data["from_node"], math.inf), 0.0)
        from_end = max(within_m - away.get(data["to_node"], math.inf), 0.0)
        if from_start + from_end >= length_m:
            parts.append(((u, v, key), 0.0, length_m))
            continue
        if from_start > 0:
            parts.append(((u, v, key), 0.0, from_start))
        if from_end > 0:
            parts.append(((u, v, key), length_m - from_end, length_m))
    return parts


def distances_m(
    network: PipeNetwork, starts: Mapping[int, float], *, cutoff_m: float = math.inf
) -> dict[int, float]:
    """Distance along open mains from some nodes, each with what lies before it. [m]"""
    queue = [(before_m, node) for node, before_m in starts.items() if before_m <= cutoff_m]
    heapq.heapify(queue)
    found: dict[int, float] = {}
    while queue:
        away_m, node = heapq.heappop(queue)
        if node in found:
            continue
        found[node] = away_m
        for _, other, data in network.graph.edges(node, data=True):
            next_m = away_m + float(data["length_m"])
            if data["is_open"] and other not in found and next_m <= cutoff_m:
                heapq.heappush(queue, (next_m, other))
    return found


def place_at(network: PipeNetwork, text: str) -> LeakPlace:
    """Read a place as a user types it.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    text : str
        ``PIPE:METRES``, a main and the distance from its first drawn point, or ``LON,LAT`` in WGS 84.
        [m, degree]

    Returns
    -------
    LeakPlace
        The place.

    Raises
    ------
    PlanError
        If it cannot be read, lies on no main, or on one that is closed.
    SimulationError
        If there is no such main, or it is shorter.
    """
    pipe_id, colon, metres = text.rpartition(":")
    item = f"leak at {text!r}"
    try:
        numbers = [float(part) for part in (metres if colon else text).split(",")]
    except ValueError:
        numbers = []
    if colon and len(numbers) == 1:
        found = leak_place(network, place_on_pipe(network, pipe_id.strip(), into_m=numbers[0]))
        if not network.edge(*found.place.edge)["is_open"]:
            raise PlanError(item, found="the main is closed there", remedy="put the leak on an open main")
        return found
    if not colon and len(numbers) == 2:
        to_map = Transformer.from_crs("EPSG:4326", network.crs, always_xy=True)
        x, y = to_map.transform(numbers[0], numbers[1])
        if math.isfinite(x) and math.isfinite(y):
            return nearest_place(network, shapely.Point(x, y), item=item)
    raise PlanError(
        item,
        found="not a place",
        remedy="give a main and metres from its first drawn point, as M-12:35, or longitude and latitude, as "
        "-17.05,47.01",
    )


def nearest_place(network: PipeNetwork, point: Point, *, item: str) -> LeakPlace:
    """Find the nearest place on an open main.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    point : shapely.Point
        In its CRS.
    item : str
        What messages call it.

    Returns
    -------
    LeakPlace
        The place.

    Raises
    ------
    PlanError
        If no open main is near.
    """
    best = _nearest_on(
        network, point, [e for e in network.graph.edges(keys=True, data=True) if e[3]["is_open"]]
    )
    if best is None or best[1] > NEAREST_MAIN_M:
        far = "no open main at all" if best is None else f"the nearest open main is {best[1]:.0f} m away"
        raise PlanError(
            item, found=far, remedy=f"put the leak on a main, or within {NEAREST_MAIN_M:g} m of it"
        )
    return leak_place(network, best[0])


def place_on(network: PipeNetwork, point: Point, pipe_id: str) -> Place | None:
    """Nearest place on one main to a point in the CRS of the map; None when there is no such main."""
    edges = [e for e in network.graph.edges(keys=True, data=True) if e[3]["pipe_id"] == pipe_id]
    best = _nearest_on(network, point, edges)
    return None if best is None else best[0]


def along_pipes_m(network: PipeNetwork, one: Place, other: Place) -> float:
    """Distance between two places along open mains; infinite where no open main joins them. [m]"""
    a, b = network.edge(*one.edge), network.edge(*other.edge)
    ways = []
    if a is b:
        ways.append(abs(one.offset_m - other.offset_m))
    away = distances_m(network, ends_m(network, one))
    ways += [away[node] + rest_m for node, rest_m in ends_m(network, other).items() if node in away]
    return min(ways, default=math.inf)


def ends_m(network: PipeNetwork, place: Place) -> dict[int, float]:
    """Distance from a place on a main to the nodes at the ends of its edge. [m]"""
    data = network.edge(*place.edge)
    rest_m = max(float(data["length_m"]) - place.offset_m, 0.0)
    if data["from_node"] == data["to_node"]:
        return {data["from_node"]: min(place.offset_m, rest_m)}
    return {data["from_node"]: place.offset_m, data["to_node"]: rest_m}


def _nearest_on(
    network: PipeNetwork, point: Point, edges: Sequence[tuple[int, int, int, Mapping[str, Any]]]
) -> tuple[Place, float] | None:
    """Nearest place on some edges, and how far it is on the ground. [m]"""
    if not edges:
        return None
    metric = ground_metric(point.x, point.y, network.crs)
    best: tuple[float, Place] | None = None
    distances = shapely.distance(np.array([data["geometry"] for *_, data in edges]), point)
    for k in np.argsort(distances)[:8].tolist():
        u, v, key, data = edges[k]
        line = data["geometry"]
        along = line.project(point)
        foot = line.interpolate(along)
        off_m = float(np.hypot(*(metric @ (foot.x - point.x, foot.y - point.y))))
        offset_m = along / line.length * data["length_m"] if line.length else 0.0
        if best is None or off_m < best[0]:
            best = (off_m, Place((u, v, key), float(np.clip(offset_m, 0.0, data["length_m"]))))
    return None if best is None else (best[1], best[0])


def _share(offset_m: float, length_m: float) -> float:
    return min(max(offset_m / length_m, 0.0), 1.0) if length_m else 0.0
