"""Places on mains: drawn at random, asked for, and how far apart along the pipes."""

from __future__ import annotations

from collections.abc import Callable

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from netcorr.errors import NetcorrError, PlanError
from netcorr.network import PipeNetwork
from netcorr.rehearsal import PlannedSite, leak_place, place_at, random_places
from netcorr.rehearsal.places import along_pipes_m, distances_m, ends_m, mains_within, place_on
from netcorr.simulation import Place, place_on_pipe

Spot = Callable[..., tuple[float, float]]

SITES = (PlannedSite("H0", "L0"), PlannedSite("H1", "L1"))


def test_random_leaks_lie_within_the_distance(network: PipeNetwork) -> None:
    leaks = random_places(network, SITES, count=200, within_m=40.0, rng=np.random.default_rng(1))
    assert len(leaks) == 200
    starts = {network.node_of(site.fitting): 0.0 for site in SITES}
    away = distances_m(network, starts)
    for leak in leaks:
        nearest_m = min(away[node] + rest for node, rest in ends_m(network, leak.place).items())
        assert nearest_m <= 40.0 + 1e-6
    assert {leak.pipe_id for leak in leaks} == {"M1"}, "the side street begins 50 m from H1"


def test_random_leaks_are_even_by_metre(spot: Spot, network: PipeNetwork) -> None:
    leaks = random_places(network, SITES, count=4000, within_m=50.0, rng=np.random.default_rng(2))
    # -50 to 150 m of the main, all of it: a quarter of the leaks in each 50 m
    x_m = [(leak.point.x - spot(0)[0]) / 0.9996 for leak in leaks]
    counts, _ = np.histogram(x_m, bins=[-50, 0, 50, 100, 150])
    # four standard deviations of a binomial count of 4000 draws at 1/4
    assert counts == pytest.approx([1000] * 4, abs=4 * (4000 * 0.25 * 0.75) ** 0.5)


def test_the_same_seed_gives_the_same_leaks(network: PipeNetwork) -> None:
    one, other = (
        random_places(network, SITES, count=5, within_m=80.0, rng=np.random.default_rng(7)) for _ in range(2)
    )
    assert [leak.place for leak in one] == [leak.place for leak in other]


def test_mains_reached_from_both_ends_are_whole(network: PipeNetwork) -> None:
    nodes = {network.node_of(name) for name in ("H0", "H1")}
    metres = sum(high - low for _, low, high in mains_within(network, nodes, within_m=50.0))
    assert metres == pytest.approx(200.0, abs=0.1)
    parts = mains_within(network, nodes, within_m=30.0)
    assert sum(high - low for _, low, high in parts) == pytest.approx(120.0, abs=0.1)


def test_a_closed_valve_ends_the_way(network: PipeNetwork) -> None:
    parts = mains_within(network, {network.node_of("H3")}, within_m=1000.0)
    assert sum(high - low for _, low, high in parts) == pytest.approx(510.0, abs=0.5), (
        "the last 10 m are cut off"
    )


def test_nothing_near_is_an_error(network: PipeNetwork) -> None:
    with pytest.raises(PlanError, match="no open main within 0 m"):
        random_places(network, SITES, count=3, within_m=0.0, rng=np.random.default_rng(1))


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_distances_agree_with_networkx(network: PipeNetwork, data: st.DataObject) -> None:
    edges = [e for e in network.graph.edges(keys=True) if network.edge(*e)["is_open"]]
    places = []
    for _ in range(2):
        edge = data.draw(st.sampled_from(edges))
        share = data.draw(st.floats(0, 1))
        places.append(Place(edge, share * network.edge(*edge)["length_m"]))
    graph = nx.MultiGraph()
    for u, v, key, one in network.graph.edges(keys=True, data=True):
        stops = sorted(
            (p.offset_m, name)
            for name, p in zip("ab", places, strict=True)
            if set(p.edge) == {u, v, key} or p.edge == (u, v, key)
        )
        nodes = [one["from_node"], *(name for _, name in stops), one["to_node"]]
        offsets = [0.0, *(offset for offset, _ in stops), one["length_m"]]
        for k in range(len(nodes) - 1):
            if one["is_open"]:
                graph.add_edge(nodes[k], nodes[k + 1], length_m=offsets[k + 1] - offsets[k])
    wanted = (
        nx.shortest_path_length(graph, "a", "b", weight="length_m")
        if nx.has_path(graph, "a", "b")
        else np.inf
    )
    assert along_pipes_m(network, *places) == pytest.approx(wanted, abs=1e-6)
    assert along_pipes_m(network, *places[::-1]) == pytest.approx(wanted, abs=1e-6)


def test_a_place_by_main_and_metres(spot: Spot, network: PipeNetwork) -> None:
    leak = place_at(network, "M1:85")
    assert (leak.pipe_id, leak.material, leak.diameter_mm) == ("M1", "grey_iron", 150.0)
    assert (leak.point.x, leak.point.y) == pytest.approx(spot(35), abs=0.05)


def test_a_place_by_longitude_and_latitude(spot: Spot, network: PipeNetwork) -> None:
    to_degrees = Transformer.from_crs(network.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(*spot(35, 4))
    leak = place_at(network, f"{lon:.7f},{lat:.7f}")
    assert leak.pipe_id == "M1"
    assert (leak.point.x, leak.point.y) == pytest.approx(spot(35), abs=0.1)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("M1", "not a place"),
        ("M1:", "not a place"),
        ("M7:12", "no main has this id"),
        ("M1:900", "it is 400.0 m long"),
        ("M1:-3", "no point -3"),
        ("0,0", "the nearest open main is"),
        ("-15,47,3", "not a place"),
        ("500,500", "not a place|cannot|nearest open main"),
    ],
)
def test_a_place_that_is_none(network: PipeNetwork, text: str, words: str) -> None:
    with pytest.raises(NetcorrError, match=words):
        place_at(network, text)


def test_the_place_of_a_point_told(network: PipeNetwork) -> None:
    leak = leak_place(network, place_on_pipe(network, "M1", into_m=77.0))
    found = place_on(network, leak.point, "M1")
    assert found is not None
    assert along_pipes_m(network, found, leak.place) == pytest.approx(0.0, abs=0.01)
    assert place_on(network, leak.point, "M7") is None


def test_metres_go_on_beyond_a_closed_valve(spot: Spot, network: PipeNetwork) -> None:
    # V9 parts M1 390 m from its start, and what follows is still M1
    beyond = leak_place(network, place_on_pipe(network, "M1", into_m=396.0))
    assert (beyond.point.x, beyond.point.y) == pytest.approx(spot(346), abs=0.05)
    assert place_on_pipe(network, "M1", into_m=20.0) == place_at(network, "M1:20").place
    first = leak_place(network, place_on_pipe(network, "M1", into_m=1.0))
    assert (first.point.x, first.point.y) == pytest.approx(spot(-49), abs=0.05)
