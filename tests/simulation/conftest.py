"""A small network by hand, so that the physics is tested without reading or cleaning a map."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import geopandas as gpd
import networkx as nx
import pyproj
import pytest
from shapely import LineString, Point

from netcorr.network.pipe_network import FITTING_COLUMNS, LOG_COLUMNS, PipeNetwork

#: (u, v, length_m) and anything that differs from the default pipe.
Pipe = tuple[int, int, float] | tuple[int, int, float, dict[str, Any]]
NetworkMaker = Callable[..., PipeNetwork]


def make_network(
    pipes: Sequence[Pipe], fittings: Mapping[str, int], *, material: str = "grey_iron"
) -> PipeNetwork:
    """Pipes drawn one below the other: the drawing says nothing here, the lengths are what counts."""
    graph = nx.MultiGraph()
    crs = pyproj.CRS("EPSG:32628")
    for i, (u, v, length_m, *extra) in enumerate(pipes):
        for node in (u, v):
            graph.add_node(node, x=500_000.0 + 10 * node, y=5_200_000.0)
        data: dict[str, Any] = {
            "pipe_id": f"P{i}",
            "material": material,
            "material_text": material,
            "diameter_mm": 150.0,
            "wall_mm": math.nan,
            "year": math.nan,
            "wave_speed_m_s": math.nan,
            "length_m": length_m,
            "drawn_length_m": length_m,
            "geometry": LineString([(500_000, 5_200_000 - i), (500_000 + length_m, 5_200_000 - i)]),
            "from_node": u,
            "to_node": v,
            "is_open": True,
        }
        graph.add_edge(u, v, **data | (extra[0] if extra else {}))
    table = gpd.GeoDataFrame(
        {
            "kind": "hydrant",
            "is_open": True,
            "node": list(fittings.values()),
            "pipe_id": "P0",
            "offset_m": 0.0,
        },
        index=list(fittings),
        geometry=[Point(graph.nodes[n]["x"], graph.nodes[n]["y"]) for n in fittings.values()],
        crs=crs,
    )
    log = gpd.GeoDataFrame({column: [] for column in LOG_COLUMNS}, geometry=[], crs=crs)
    assert set(FITTING_COLUMNS) < set(table.columns)
    return PipeNetwork("made by hand", graph, table, log, crs)


@pytest.fixture
def network_of() -> NetworkMaker:
    return make_network
