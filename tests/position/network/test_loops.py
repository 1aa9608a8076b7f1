"""Leaks on a loop: on the way round that no pair's shortest path takes."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations
from typing import Any

import networkx as nx
import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.locate import locate_on_network
from netcorr.position.sites import Site

Maker = Callable[..., Any]
SPEED = 1250.0
CORNER = (350_000.0, 5_205_000.0)

#: A ring of unequal sides: the shortest way from V1 to V2 is along A, the other one along B.
MAINS = {
    "A": [(0, 0), (120, 0)],
    "B1": [(0, 0), (0, 60)],
    "B2": [(0, 60), (120, 60)],
    "B3": [(120, 60), (120, 0)],
    "T": [(-50, 0), (0, 0)],
    "U": [(120, 0), (190, 0)],
}
FITTINGS = {"V1": (-50, 0), "V2": (190, 0), "V3": (60, 0)}


@pytest.fixture(scope="module")
def ring(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=SPEED)
    return made


def way_m(network: PipeNetwork, x_m: float, fitting: str) -> float:
    """From a place on B2, x from its western end, by whichever end is nearer."""
    node = {
        tuple(round(v - c) for v, c in zip((d["x"], d["y"]), CORNER, strict=True)): n
        for n, d in network.graph.nodes(data=True)
    }
    far = nx.single_source_dijkstra_path_length(network.graph, network.node_of(fitting), weight="length_m")
    return float(min(far[node[0, 60]] + x_m, far[node[120, 60]] + 120 - x_m))


def test_leak_on_the_long_way_round(ring: PipeNetwork, make_pairs: Maker) -> None:
    x_m = 45.0
    fittings = list(FITTINGS)
    delays = {
        (a, b): {(way_m(ring, x_m, b) - way_m(ring, x_m, a)) / SPEED: 600.0}
        for a, b in combinations(fittings, 2)
    }
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(fittings)]
    fix = locate_on_network(ring, sites, make_pairs(ring, fittings, delays), settings=LocateSettings())
    beside = [one for one in fix.candidates if one.pipe_id == "B2"]
    assert beside
    assert min(abs(one.point.x - CORNER[0] - x_m) for one in beside) < 1.5
    for one in beside:
        assert "go by the point on the map" in one.note
        assert one.point.y - CORNER[1] == pytest.approx(60.0, abs=0.1)


def test_on_the_path_the_distances_hold(ring: PipeNetwork, make_pairs: Maker) -> None:
    along = {"V1": 0.0, "V2": 240.0, "V3": 110.0}
    delays = {
        (a, b): {(abs(80.0 - along[b]) - abs(80.0 - along[a])) / SPEED: 600.0}
        for a, b in combinations(FITTINGS, 2)
    }
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(FITTINGS)]
    fix = locate_on_network(ring, sites, make_pairs(ring, list(FITTINGS), delays), settings=LocateSettings())
    best = fix.candidates[0]
    assert best.point.x - CORNER[0] == pytest.approx(30.0, abs=1.0)
    assert "go by the point on the map" not in best.note
    assert "3 of 3 pairs that hear something clearly hear it there" in best.note
