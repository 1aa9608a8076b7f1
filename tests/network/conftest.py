"""Layers made in code, and a network with true geometry from a published model."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pytest
import shapely
from shapely import LineString, Point

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import PipeNetwork, open_graph

XY = tuple[float, float]
LayersMaker = Callable[..., NetworkLayers]

#: Corner of the invented town, in UTM 33N.
CORNER = (500_300.0, 5_400_700.0)


def layers_from(
    mains: Mapping[str, Sequence[Sequence[float]]],
    fittings: Mapping[str, XY] | None = None,
    *,
    crs: Any = "EPSG:32633",
    corner: XY = CORNER,
    closed: Sequence[str] = (),
    out_of_service: Sequence[str] = (),
    columns: Mapping[str, Mapping[str, Any]] | None = None,
) -> NetworkLayers:
    """Layers with lines and points given from a corner in map units; a fitting's kind is its first letter."""
    kinds = {"V": "valve", "H": "hydrant", "W": "meter"}
    defaults = {
        "material": "grey_iron",
        "material_text": "CI",
        "diameter_mm": 150.0,
        "wall_mm": np.nan,
        "year": 1950.0,
        "wave_speed_m_s": np.nan,
        "length_m": np.nan,
    }
    main_rows = [
        {
            "asset_id": name,
            **defaults,
            "in_service": name not in out_of_service,
            **(columns or {}).get(name, {}),
        }
        for name in mains
    ]
    lines = [
        LineString([(c[0] + corner[0], c[1] + corner[1], *c[2:]) for c in coords])
        for coords in mains.values()
    ]
    rows = [
        {"asset_id": name, "kind": kinds.get(name[0], "other"), "is_open": name not in closed}
        for name in fittings or {}
    ]
    points = [Point(x + corner[0], y + corner[1]) for x, y in (fittings or {}).values()]
    return NetworkLayers(
        source="test.gpkg",
        mains=gpd.GeoDataFrame(main_rows, geometry=lines, crs=crs),
        fittings=gpd.GeoDataFrame(
            rows if rows else {"asset_id": [], "kind": [], "is_open": np.zeros(0, dtype=bool)},
            geometry=points,
            crs=crs,
        ),
    )


def path_length(network: PipeNetwork, one: str, other: str) -> float | None:
    """Length of the shortest open way between two fittings by networkx, None without one."""
    graph = open_graph(network)
    try:
        length: float = nx.dijkstra_path_length(
            graph, network.node_of(one), network.node_of(other), weight="length_m"
        )
    except nx.NetworkXNoPath:
        return None
    return length


def edges_of(network: PipeNetwork, pipe_id: str) -> list[dict[str, Any]]:
    """Edges that are pieces of one main, along it."""
    return [data for _, _, data in network.graph.edges(data=True) if data["pipe_id"] == pipe_id]


@pytest.fixture(scope="session")
def make_layers() -> LayersMaker:
    return layers_from


@pytest.fixture(scope="session")
def way_m() -> Callable[[PipeNetwork, str, str], float | None]:
    return path_length


@pytest.fixture(scope="session")
def pieces_of() -> Callable[[PipeNetwork, str], list[dict[str, Any]]]:
    return edges_of


@pytest.fixture(scope="session")
def ky4() -> dict[str, Any]:
    """Lines and ends of the pipes of ky4, as (name, start node, end node, coordinates) in EPSG:3089.

    M. D. Jolly, A. D. Lothes, L. S. Bryson and L. Ormsbee, Research database of water distribution system
    models, J. Water Resour. Plan. Manag. 140 (2014) 410-416; shipped with the wntr package.
    """
    with np.printoptions():  # it changes how numpy prints, for everybody
        import wntr

    model = wntr.network.WaterNetworkModel(str(Path(wntr.__file__).parent / "library/networks/ky4.inp"))
    pipes = []
    for name in model.pipe_name_list:
        pipe = model.get_link(name)
        ends = pipe.start_node, pipe.end_node
        coords = [ends[0].coordinates, *pipe.vertices, ends[1].coordinates]
        pipes.append((name, ends[0].name, ends[1].name, np.array(coords, dtype=float)))
    nodes = {name: np.array(model.get_node(name).coordinates) for name in model.node_name_list}
    return {"pipes": pipes, "nodes": nodes, "crs": "EPSG:3089"}


def invariants(network: PipeNetwork) -> tuple[list[tuple[str, str | None]], np.ndarray[Any, Any]]:
    """Attachment of every fitting, and the matrix of path lengths between the open ones, sorted by id.

    A closed valve has a node on each side, of which `node` is either.
    """
    names = sorted(network.fittings.index[network.fittings["is_open"]])
    graph = open_graph(network)
    lengths = np.full((len(names), len(names)), np.inf)
    for i, name in enumerate(names):
        node = int(network.fittings.at[name, "node"])
        if node < 0:
            continue
        found = nx.single_source_dijkstra_path_length(graph, node, weight="length_m")
        for k, other in enumerate(names):
            lengths[i, k] = found.get(int(network.fittings.at[other, "node"]), np.inf)
    return list(network.fittings["pipe_id"].sort_index().items()), lengths


@pytest.fixture(scope="session")
def invariants_of() -> Callable[[PipeNetwork], tuple[list[tuple[str, str | None]], np.ndarray[Any, Any]]]:
    return invariants


def messy_town(seed: int, *, blocks: int = 4) -> NetworkLayers:
    """Streets drawn straight through their tees, with gaps, short pipes, bends, dead ends and fittings."""
    rng = np.random.default_rng(seed)
    mains: dict[str, Any] = {}
    size = 90.0
    for k in range(blocks + 1):
        bend = rng.normal(0, 2, size=(2, 2))
        mains[f"E{k}"] = [(0, k * size), (35 + bend[0, 0], k * size), (blocks * size, k * size)]
        if rng.random() < 0.3:
            mains[f"E{k}"] = mains[f"E{k}"][::-1]
    for i in range(blocks + 1):
        for k in range(blocks):
            if rng.random() < 0.2:
                continue
            gap = rng.uniform(-0.12, 0.12, size=(2, 2))
            x = 11 + i * (blocks * size - 20) / blocks
            start, end = (x + gap[0, 0], k * size + gap[0, 1]), (x + gap[1, 0], (k + 1) * size + gap[1, 1])
            middle = (x + rng.normal(0, 3), (k + 0.5) * size)
            mains[f"N{i}{k}"] = [start, middle, end]
    for k in range(3):  # short links in a row: gate valves drawn as lines of a few decimetres
        x = 40.0 + 60 * k
        link = float(rng.uniform(0.1, 0.5))
        mains[f"S{k}"] = [(x, k * size), (x, k * size + link)]
        mains[f"T{k}"] = [(x, k * size + link), (x + rng.normal(0, 2), k * size + 40)]
    fittings = {
        f"H{k}": (rng.uniform(-5, blocks * size + 5), rng.uniform(-5, blocks * size + 5)) for k in range(6)
    }
    for k, name in enumerate(sorted(mains)):
        line = LineString(mains[name])
        spot = line.interpolate(rng.random(), normalized=True)
        fittings[f"V{k}"] = (spot.x + rng.normal(0, 0.5), spot.y + rng.normal(0, 0.5))
    closed = [name for name in fittings if name[0] == "V" and rng.random() < 0.1]
    out = [name for name in mains if rng.random() < 0.05]
    return layers_from(mains, fittings, closed=closed, out_of_service=out)


@pytest.fixture(scope="session")
def make_messy_town() -> LayersMaker:
    return messy_town


def redrawn(layers: NetworkLayers, change: Callable[[Any], Any], *, crs: Any = None) -> NetworkLayers:
    """The same layers with every coordinate array changed, in the same or another CRS."""
    frames = [
        frame.set_geometry(
            gpd.GeoSeries(
                shapely.transform(frame.geometry.to_numpy(), change), index=frame.index, crs=crs or frame.crs
            )
        )
        for frame in (layers.mains, layers.fittings)
    ]
    return NetworkLayers(layers.source, mains=frames[0], fittings=frames[1])


@pytest.fixture(scope="session")
def redraw() -> LayersMaker:
    return redrawn
