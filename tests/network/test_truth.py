"""A published network with true geometry: found as it is, and found again after it was redrawn badly.

ky4: M. D. Jolly et al., J. Water Resour. Plan. Manag. 140 (2014) 410-416, as shipped with wntr.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from itertools import combinations
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pyproj
import pytest
import shapely
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import PipeNetwork, Tolerances, build_network, open_graph

Maker = Callable[..., NetworkLayers]
US_FOOT_M = 1200 / 3937


def geod_length_m(coords: np.ndarray[Any, Any]) -> float:
    """Length on the ellipsoid of NAD83 by pyproj.Geod."""
    to = pyproj.Transformer.from_crs("EPSG:3089", "EPSG:4269", always_xy=True)
    return float(pyproj.Geod(ellps="GRS80").line_length(*to.transform(*coords.T)))


def true_lengths_m(ky4: dict[str, Any], names: list[str]) -> np.ndarray[Any, Any]:
    """Shortest ways between junctions by scipy, on the model's own connectivity."""
    places: dict[tuple[float, float], int] = {}  # two nodes of the model at one place are one on a map
    number = {name: places.setdefault(tuple(xy), len(places)) for name, xy in ky4["nodes"].items()}
    best: dict[tuple[int, int], float] = {}
    for _, a, b, coords in ky4["pipes"]:
        pair = number[a], number[b]
        best[pair] = min(best.get(pair, np.inf), geod_length_m(coords))
    rows, columns = np.array(list(best)).T
    matrix = coo_array((list(best.values()), (rows, columns)), shape=(len(number),) * 2).tocsr()
    which = [number[name] for name in names]
    return np.asarray(dijkstra(matrix, directed=False, indices=which)[:, which])


def built_lengths_m(network: PipeNetwork, names: list[str]) -> np.ndarray[Any, Any]:
    graph = open_graph(network)
    lengths = np.full((len(names), len(names)), np.inf)
    nodes = [network.node_of(name) for name in names]
    for i, node in enumerate(nodes):
        found = nx.single_source_dijkstra_path_length(graph, node, weight="length_m")
        lengths[i] = [found.get(other, np.inf) for other in nodes]
    return lengths


def some_junctions(ky4: dict[str, Any], count: int) -> list[str]:
    on_pipes = sorted({end for _, a, b, _ in ky4["pipes"] for end in (a, b)})
    return [str(n) for n in np.random.default_rng(1).choice(on_pipes, count, replace=False)]


def test_shortest_ways_are_those_of_scipy(ky4: dict[str, Any], make_layers: Maker) -> None:
    names = some_junctions(ky4, 40)
    layers = make_layers(
        {name: coords for name, _, _, coords in ky4["pipes"]},
        {name: tuple(ky4["nodes"][name]) for name in names},
        crs=ky4["crs"],
        corner=(0, 0),
    )
    network = build_network(layers, tolerances=Tolerances(join_m=0.0, cut_m=0.0, overshoot_m=0.0))
    assert not set(network.log["change"]) & {"cut", "joined", "kept_apart"}
    assert network.graph.number_of_edges() == len(ky4["pipes"])
    np.testing.assert_allclose(built_lengths_m(network, names), true_lengths_m(ky4, names), rtol=1e-9)


def drawn_badly(ky4: dict[str, Any], seed: int) -> dict[str, np.ndarray[Any, Any]]:
    """Pipes drawn straight through their tees as one line, some turned round, ends up to 0.1 m off."""
    rng = np.random.default_rng(seed)
    graph = nx.MultiGraph()
    for name, a, b, coords in ky4["pipes"]:
        graph.add_edge(a, b, key=name, start=a, coords=coords)
    runs: dict[str, np.ndarray[Any, Any]] = {}
    left = set(graph.edges(keys=True))
    passed: set[str] = set()  # two lines straight through one node would be a crossing, no joint
    while left:
        a, b, name = sorted(left, key=lambda e: e[2])[0]
        run, end = [(a, b, name)], b
        left.discard((a, b, name))
        for _ in range(int(rng.integers(0, 6))):
            further = [e for e in left if end in e[:2]]
            if not further or graph.degree(end) < 3 or end in passed:
                break
            passed.add(end)
            edge = sorted(further, key=lambda e: e[2])[0]
            left.discard(edge)
            run.append(edge)
            end = edge[1] if edge[0] == end else edge[0]
        runs["+".join(e[2] for e in run)] = _line(graph, run, rng)
    return runs


def _line(
    graph: nx.MultiGraph, run: list[tuple[str, str, str]], rng: np.random.Generator
) -> np.ndarray[Any, Any]:
    at = run[0][0]
    parts = []
    for a, b, key in run:
        data = graph.edges[a, b, key]
        parts.append(data["coords"] if data["start"] == at else data["coords"][::-1])
        at = b if at == a else a
    coords = np.vstack(parts)
    coords = coords[np.r_[True, (np.diff(coords, axis=0) != 0).any(axis=1)]]
    for end in (0, -1):  # along the pipe, so that its true length stays known to 0.1 m
        beside = coords[1 if end == 0 else -2]
        away = (beside - coords[end]) / max(float(np.hypot(*(beside - coords[end]))), 1e-9)
        coords[end] += away * rng.uniform(0, 0.1) / US_FOOT_M
    return coords[::-1] if rng.random() < 0.5 else coords


@pytest.mark.parametrize("seed", [1, 2])
def test_badly_drawn_network_is_found_again(ky4: dict[str, Any], make_layers: Maker, seed: int) -> None:
    names = some_junctions(ky4, 40)
    fittings = {name: tuple(ky4["nodes"][name]) for name in names}

    def build(lines: dict[str, Any], **tolerances: float) -> PipeNetwork:
        layers = make_layers(lines, fittings, crs=ky4["crs"], corner=(0, 0))
        return build_network(layers, tolerances=Tolerances(**tolerances))

    # three ends of the model lie on other pipes without being joined there: on a map these are joints
    good = build({name: coords for name, _, _, coords in ky4["pipes"]})
    lines = drawn_badly(ky4, seed)
    assert len(lines) < 0.75 * len(ky4["pipes"])
    bad = build(lines)
    assert nx.number_connected_components(bad.graph) == nx.number_connected_components(good.graph)
    loops = [network.graph.number_of_edges() - network.graph.number_of_nodes() for network in (bad, good)]
    assert loops[0] == loops[1]
    # each end is up to 0.1 m off; ways have some tens of joints, most of which hide the error again
    np.testing.assert_allclose(built_lengths_m(bad, names), built_lengths_m(good, names), rtol=2e-4, atol=0.5)
    # for comparison, ends joined to ends and no cuts: the map lies in pieces
    alone = built_lengths_m(build(lines, cut_m=0.0), names)
    assert np.isfinite(alone).mean() < 0.5


def test_two_networks_drawn_over_each_other_stay_two(make_layers: Maker) -> None:
    """Crossings are no joints: a grid of lines without ends on each other stays as many pieces as lines."""
    mains: dict[str, Any] = {f"E{k}": [(-5, 10 * k), (105, 10 * k)] for k in range(10)}
    mains |= {f"N{k}": [(10 * k, -5), (10 * k, 105)] for k in range(10)}
    network = build_network(make_layers(mains))
    assert nx.number_connected_components(network.graph) == 20
    assert network.graph.number_of_edges() == 20


def test_lines_of_the_model_keep_their_ground_length(ky4: dict[str, Any], make_layers: Maker) -> None:
    lines = {name: coords for name, _, _, coords in ky4["pipes"][:60]}
    network = build_network(
        make_layers(lines, crs=ky4["crs"], corner=(0, 0)),
        tolerances=Tolerances(join_m=0.0, cut_m=0.0, overshoot_m=0.0),
    )
    edges = gpd.pd.DataFrame([data for *_, data in network.graph.edges(data=True)])
    drawn = edges.groupby("pipe_id")["drawn_length_m"].sum()
    for name, coords in lines.items():
        assert drawn[name] == pytest.approx(geod_length_m(coords), rel=1e-9)


Pairs = set[frozenset[str]]
Lines = dict[str, np.ndarray[Any, Any]]
TOLERANCE_M = 12.0


def meeting(at: Mapping[Any, set[str]]) -> Pairs:
    """Pairs of names that are at one place."""
    return {frozenset(pair) for names in at.values() for pair in combinations(sorted(names), 2)}


def broken(ky4: dict[str, Any], rng: np.random.Generator) -> tuple[Lines, Pairs, dict[str, Any]]:
    """One tee in ten drawn straight through, one end in ten shifted by up to 12 m, valves beside their pipes.

    Returns the lines, the pairs that meet in the model (three ends of it lie on other pipes without a node:
    on a map these are joints), and valves with the name of their line and their place.
    """
    at: dict[str, list[int]] = defaultdict(list)
    for k, (_, a, b, _) in enumerate(ky4["pipes"]):
        at[a].append(k)
        at[b].append(k)
    lines: Lines = {}
    ends: dict[str, set[str]] = {}
    used: set[int] = set()
    for node in sorted(n for n, pipes in at.items() if len(pipes) > 2):
        free = [k for k in at[node] if k not in used]
        if rng.random() >= 0.1 or len(free) < 2:
            continue
        one, other = (ky4["pipes"][k] for k in straightest(ky4, node, free))
        used |= {k for k in free if ky4["pipes"][k][0] in (one[0], other[0])}
        into = one[3] if one[2] == node else one[3][::-1]
        out = other[3] if other[1] == node else other[3][::-1]
        lines[f"{one[0]}+{other[0]}"] = np.vstack([into, out[1:]])
        ends[f"{one[0]}+{other[0]}"] = {one[1], one[2], other[1], other[2]}
    for k, (name, a, b, coords) in enumerate(ky4["pipes"]):
        if k not in used:
            lines[name], ends[name] = coords.copy(), {a, b}
    by_node: dict[str, set[str]] = defaultdict(set)
    for name, nodes in ends.items():
        for node in nodes:
            by_node[node].add(name)
    true = meeting(by_node) | touching(lines)
    return lines, true, shifted(lines, rng)


def straightest(ky4: dict[str, Any], node: str, pipes: list[int]) -> tuple[int, int]:
    def away(k: int) -> np.ndarray[Any, Any]:
        _, start, _, coords = ky4["pipes"][k]
        way = coords[1] - coords[0] if start == node else coords[-2] - coords[-1]
        return np.asarray(way / np.hypot(*way))

    return min(combinations(pipes, 2), key=lambda pair: float(away(pair[0]) @ away(pair[1])))


def touching(lines: Lines) -> Pairs:
    """Lines on which the end of another lies, within 0.3 m."""
    names = list(lines)
    ends = shapely.points([lines[name][e] for name in names for e in (0, -1)])
    tree = shapely.STRtree([shapely.LineString(lines[name]) for name in names])
    end, line = tree.query(ends, predicate="dwithin", distance=0.3 / US_FOOT_M)
    return {frozenset((names[e // 2], names[k])) for e, k in zip(end, line, strict=True) if e // 2 != k}


def shifted(lines: Lines, rng: np.random.Generator) -> dict[str, Any]:
    """Shift ends in place, after putting a valve 0.3 m (median) off the middle of each long line."""
    valves = {}
    for name, coords in lines.items():
        line = shapely.LineString(coords)
        if line.length * US_FOOT_M > 60:
            off = rng.normal(0, 0.32, 2) / US_FOOT_M
            valves[f"V-{name}"] = tuple(np.array(line.interpolate(0.5, normalized=True).coords[0]) + off)
        for end in (0, -1):
            if rng.random() < 0.1:
                angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(0, TOLERANCE_M) / US_FOOT_M
                coords[end] += far * np.array([np.cos(angle), np.sin(angle)])
    return valves


def by_clustering_ends(lines: Lines) -> Pairs:
    """What joining ends alone finds: Ward's clusters of all ends, as wntr.gis.connect_lines makes them."""
    ends = np.array([coords[end] for coords in lines.values() for end in (0, -1)])
    label = fcluster(linkage(ends, "ward"), TOLERANCE_M / US_FOOT_M, "distance").tolist()
    at: dict[int, set[str]] = defaultdict(set)
    for k, name in enumerate(lines):
        at[label[2 * k]].add(name)
        at[label[2 * k + 1]].add(name)
    return meeting(at)


def in_network(network: PipeNetwork) -> Pairs:
    at: dict[int, set[str]] = defaultdict(set)
    for u, v, pipe in network.graph.edges(data="pipe_id"):
        at[u].add(pipe)
        at[v].add(pipe)
    return meeting(at)


def precision_and_recall(found: Pairs, true: Pairs) -> tuple[float, float]:
    hits = len(found & true)
    return hits / len(found), hits / len(true)


def test_broken_network_is_repaired_better_than_by_clustering_ends(
    ky4: dict[str, Any], make_layers: Maker
) -> None:
    ours, plain, attached = [], [], []
    for seed in range(1, 9):
        lines, true, valves = broken(ky4, np.random.default_rng(seed))
        network = build_network(
            make_layers(lines, valves, crs=ky4["crs"], corner=(0, 0)),
            tolerances=Tolerances(join_m=TOLERANCE_M, cut_m=TOLERANCE_M / 2),
        )
        ours.append(precision_and_recall(in_network(network), true))
        plain.append(precision_and_recall(by_clustering_ends(lines), true))
        attached.append((network.fittings["pipe_id"] == network.fittings.index.str[2:]).mean())
    precision, recall = np.mean(ours, axis=0)
    assert precision >= 0.99
    assert recall >= 0.98
    # the same break and tolerance defeat joining ends to ends (measured: 0.975 and 0.94)
    assert np.mean(plain, axis=0) == pytest.approx([0.975, 0.935], abs=0.015)
    assert np.mean(attached) > 0.99
