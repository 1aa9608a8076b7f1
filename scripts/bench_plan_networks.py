"""Networks of the planning benchmark: published EPANET examples, and invented districts of any size."""

from __future__ import annotations

from pathlib import Path

import networkx as nx
import numpy as np

from netcorr.planning import CandidateSites, ChoiceProblem, MainsGraph, build_problem

#: Reach in the invented districts. [m]
DISTRICT_REACH_M = 250.0
#: Side of a block, part of blocks without a main, parts of mains with a hydrant halfway and with a branch.
_BLOCK_M, _NO_MAIN, _HYDRANTS, _BRANCHES = 81.0, 0.30, 0.33, 0.20


def published(name: str, *, reach_m: float) -> ChoiceProblem:
    """Network that comes with wntr (EPANET example or Kentucky data set), every node a candidate.

    Pumps and valves are links without length.
    """
    with np.printoptions():  # it changes how numpy prints, for everybody
        import wntr

    path = Path(wntr.__file__).parent / "library" / "networks" / f"{name}.inp"
    model = wntr.network.WaterNetworkModel(str(path))
    number = {node: k for k, node in enumerate(model.node_name_list)}
    links = [link for _, link in model.links()]
    length_m = np.array([getattr(link, "length", 0.0) for link in links])
    graph = MainsGraph(
        len(number),
        from_node=np.array([number[link.start_node_name] for link in links]),
        to_node=np.array([number[link.end_node_name] for link in links]),
        length_m=length_m,
        reach_m=np.full(len(links), reach_m),
        weight=length_m,
    )
    return build_problem(graph, CandidateSites.at_nodes(np.arange(len(number))))


def district_graph(
    side: int, *, seed: int = 1, reach_m: float = DISTRICT_REACH_M
) -> tuple[MainsGraph, np.ndarray]:
    """Perturbed mesh of crossings with dead ends and hydrants in mid-block; and its places."""
    rng = np.random.default_rng(seed)
    crossings = nx.grid_2d_graph(side, side)
    place = {node: _BLOCK_M * (np.array(node) + rng.uniform(-0.2, 0.2, 2)) for node in sorted(crossings)}
    mesh = [edge for edge in sorted(crossings.edges) if rng.random() >= _NO_MAIN]
    kept = max(nx.connected_components(nx.Graph(mesh)), key=len)
    number = {node: k for k, node in enumerate(sorted(kept))}
    xy = [place[node] for node in sorted(kept)]
    edges: list[tuple[int, int]] = []
    for a, b in ((number[a], number[b]) for a, b in mesh if a in number):
        if rng.random() < _HYDRANTS:
            xy.append(xy[a] + rng.uniform(0.3, 0.7) * (xy[b] - xy[a]))
            edges += [(a, len(xy) - 1), (len(xy) - 1, b)]
        else:
            edges.append((a, b))
        if rng.random() < _BRANCHES:
            xy.append(xy[a] + rng.uniform(-45, 45, 2))
            edges.append((a, len(xy) - 1))
    ends, places = np.array(edges), np.array(xy)
    length_m = np.hypot(*(places[ends[:, 0]] - places[ends[:, 1]]).T)
    graph = MainsGraph(
        len(xy), ends[:, 0], ends[:, 1], length_m, np.full(len(edges), reach_m), weight=length_m
    )
    return graph, places


def district(side: int, *, seed: int = 1) -> ChoiceProblem:
    """Invented district with every node a candidate."""
    graph, _ = district_graph(side, seed=seed)
    return build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
