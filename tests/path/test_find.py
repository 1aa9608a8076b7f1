"""The shortest way, the next shortest, and why there is none."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from netcorr.errors import NetworkError, NoPathError, PathError
from netcorr.network import PipeNetwork, open_graph
from netcorr.path import CorrelationPath, correlation_path, fittings_within

Maker = Callable[..., PipeNetwork]
MAINS = {"M1": [(0, 0), (100, 0)], "M2": [(40, 0), (40, 60)]}
FITTINGS = {"V1": (0, 0), "V2": (100, 0), "H1": (40, 60)}
SETTINGS = settings(max_examples=25, deadline=None, phases=[Phase.explicit, Phase.generate])


def test_path_through_a_tee(make_network: Maker) -> None:
    path = correlation_path(make_network(MAINS, FITTINGS), "V1", fitting_b="H1", lead_a_m=0.8, lead_b_m=1.5)
    assert [s.pipe_id for s in path.segments] == ["M1", "M2"]
    assert path.length_m == pytest.approx(100, rel=1e-3)
    assert (path.lead_a_m, path.lead_b_m) == (0.8, 1.5)
    assert path.second_length_m is None
    assert path.segments[0].geometry.coords[0] == (500300, 5400700)
    assert path.segments[1].geometry.coords[-1] == (500340, 5400760)


def test_segments_follow_each_other_on_the_map_and_in_the_graph(make_random_town: Maker) -> None:
    network = make_random_town(3)
    path = correlation_path(network, "H00", fitting_b="H43")
    assert path.segments[0].from_node == network.node_of("H00")
    assert path.segments[-1].to_node == network.node_of("H43")
    for one, other in pairwise(path.segments):
        assert one.to_node == other.from_node
        assert one.geometry.coords[-1] == other.geometry.coords[0]


@SETTINGS
@given(seed=st.integers(0, 10_000))
def test_length_is_that_of_scipy(make_random_town: Maker, seed: int) -> None:
    network = make_random_town(seed)
    edges = [(d["from_node"], d["to_node"], d["length_m"]) for *_, d in open_graph(network).edges(data=True)]
    rows, columns, lengths = zip(*edges, strict=True)
    matrix = coo_array((lengths, (rows, columns)), shape=(len(network.graph),) * 2).tocsr()
    if network.fittings.at["H00", "node"] < 0:  # a crossing whose streets are all missing
        return
    true_m = dijkstra(matrix, directed=False, indices=network.node_of("H00"))
    for goal in ("H04", "H22", "H44"):
        if network.fittings.at[goal, "node"] < 0:
            continue
        expected = true_m[network.node_of(goal)]
        if np.isinf(expected):
            with pytest.raises(NoPathError):
                correlation_path(network, "H00", fitting_b=goal)
        else:
            assert correlation_path(network, "H00", fitting_b=goal).length_m == pytest.approx(
                expected, rel=1e-12
            )


def second_by_removal(network: PipeNetwork, path: CorrelationPath) -> float:
    """The plain way: take out each edge of the path in turn, and search again."""
    best = np.inf
    for segment in path.segments:
        graph = open_graph(network)
        key = next(
            k
            for k, d in graph[segment.from_node][segment.to_node].items()
            if d["length_m"] == segment.length_m and d["pipe_id"] == segment.pipe_id
        )
        graph.remove_edge(segment.from_node, segment.to_node, key)
        ends = path.segments[0].from_node, path.segments[-1].to_node
        if nx.has_path(graph, *ends):
            best = min(best, nx.dijkstra_path_length(graph, *ends, weight="length_m"))
    return float(best)


@SETTINGS
@given(seed=st.integers(0, 10_000))
def test_second_length_is_that_found_by_removing_each_edge(make_random_town: Maker, seed: int) -> None:
    network = make_random_town(seed)
    for goal in ("H11", "H22", "H31"):
        try:
            path = correlation_path(network, "H00", fitting_b=goal)
        except (NoPathError, NetworkError):  # a crossing whose streets are all missing
            continue
        expected = second_by_removal(network, path)
        near_m = path.length_m + max(10.0, 0.1 * path.length_m)
        if expected > near_m:
            assert path.second_length_m is None
        else:
            assert path.second_length_m == pytest.approx(expected, rel=1e-12)


@SETTINGS
@given(seed=st.integers(0, 10_000))
def test_path_from_b_to_a_is_the_reversed_path(make_random_town: Maker, seed: int) -> None:
    network = make_random_town(seed)
    try:
        there = correlation_path(network, "H01", fitting_b="H33", lead_a_m=1.0)
    except (NoPathError, NetworkError):
        return
    back = correlation_path(network, "H33", fitting_b="H01", lead_b_m=1.0).reversed()
    assert [s.pipe_id for s in there.segments] == [s.pipe_id for s in back.segments]
    assert [s.geometry for s in there.segments] == [s.geometry for s in back.segments]
    assert there.length_m == back.length_m
    assert there.second_length_m == (
        None if back.second_length_m is None else pytest.approx(back.second_length_m)
    )
    assert (there.lead_a_m, there.lead_b_m) == (back.lead_a_m, back.lead_b_m)


def test_of_parallel_pipes_the_shorter_is_taken_and_the_other_is_second(make_network: Maker) -> None:
    mains = {"M1": [(0, 0), (100, 0)], "LONG": [(100, 0), (150, 15), (200, 0)], "SHORT": [(100, 0), (200, 0)]}
    path = correlation_path(make_network(mains, {"V1": (0, 0), "V2": (200, 0)}), "V1", fitting_b="V2")
    assert [s.pipe_id for s in path.segments] == ["M1", "SHORT"]
    detour_m = 100 + 2 * np.hypot(50, 15)
    assert path.second_length_m == pytest.approx(detour_m, rel=1e-3)


@pytest.mark.parametrize(("detour", "near"), [(4.0, True), (11.0, False)])
def test_second_way_is_told_within_10_m_or_10_percent(make_network: Maker, detour: float, near: bool) -> None:
    mains = {"M1": [(0, 0), (40, 0)], "M2": [(0, 0), (0, detour / 2), (40, detour / 2), (40, 0)]}
    path = correlation_path(make_network(mains, {"V1": (0, 0), "V2": (40, 0)}), "V1", fitting_b="V2")
    assert path.length_m == pytest.approx(40, rel=1e-3)
    assert (path.second_length_m is not None) is near


def test_dead_end_beside_the_path_is_no_second_way(make_network: Maker) -> None:
    mains = {"M1": [(0, 0), (100, 0)], "M2": [(50, 0), (50, 2)]}
    path = correlation_path(make_network(mains, {"V1": (0, 0), "V2": (100, 0)}), "V1", fitting_b="V2")
    assert path.second_length_m is None


def test_same_place_is_refused(make_network: Maker) -> None:
    network = make_network(MAINS, {**FITTINGS, "H2": (0, 0.1)})
    with pytest.raises(
        PathError, match="path V1 to H2: both fittings sit at the same place on the main; choose"
    ):
        correlation_path(network, "V1", fitting_b="H2")


def test_unknown_and_unattached_fittings_are_named(make_network: Maker) -> None:
    network = make_network(MAINS, {**FITTINGS, "V9": (60, 40)})
    with pytest.raises(NetworkError, match=r"fitting V11: no fitting has this id; check .* \(similar: V1"):
        correlation_path(network, "V11", fitting_b="V1")
    with pytest.raises(NetworkError, match=r"fitting V9: the nearest main is 20\.0 m away"):
        correlation_path(network, "V1", fitting_b="V9")


def test_closed_valve_between_is_named(make_network: Maker) -> None:
    network = make_network(MAINS, {**FITTINGS, "V3": (20, 0.3)}, closed=["V3"])
    expected = (
        r"V1 to V2: the fittings are 100 m apart .* between them lies closed valve V3; correct the map if"
    )
    with pytest.raises(NoPathError, match=expected) as caught:
        correlation_path(network, "V1", fitting_b="V2")
    assert caught.value.exit_code == 3
    assert correlation_path(network, "V2", fitting_b="H1").length_m == pytest.approx(120, rel=1e-3)


def test_way_round_a_closed_valve_is_found(make_network: Maker) -> None:
    ring = {"R": [(0, 0), (50, 0), (50, 50), (0, 50), (0, 0)]}
    network = make_network(ring, {"H1": (10, 0), "H2": (40, 0), "V1": (25, 0)}, closed=["V1"])
    path = correlation_path(network, "H1", fitting_b="H2")
    assert path.length_m == pytest.approx(170, rel=1e-3)
    assert path.second_length_m is None


@pytest.mark.parametrize("other", ["H1", "H2"])
def test_closed_valve_as_a_sensor_hears_both_sides(make_network: Maker, other: str) -> None:
    fittings = {"H1": (0, 0), "H2": (100, 0), "V1": (40, 0.2)}
    network = make_network({"M1": [(0, 0), (100, 0)]}, fittings, closed=["V1"])
    path = correlation_path(network, "V1", fitting_b=other)
    assert path.length_m == pytest.approx(40 if other == "H1" else 60, rel=1e-3)
    assert correlation_path(network, other, fitting_b="V1").length_m == path.length_m
    with pytest.raises(NoPathError, match="closed valve V1"):
        correlation_path(network, "H1", fitting_b="H2")


def test_main_out_of_service_between_is_named(make_network: Maker) -> None:
    mains = {"M1": [(0, 0), (50, 0)], "M2": [(50, 0), (100, 0)], "M3": [(100, 0), (150, 0)]}
    network = make_network(mains, {"V1": (0, 0), "V2": (150, 0)}, out_of_service=["M2"])
    with pytest.raises(
        NoPathError, match="between them lies main M2, which is out of service; correct the map"
    ):
        correlation_path(network, "V1", fitting_b="V2")


def test_map_in_pieces_is_told_with_the_gap_and_where(make_network: Maker) -> None:
    mains = {"M1": [(0, 0), (50, 0)], "M2": [(50.45, 0), (100, 0)], "M3": [(100, 0), (150, 0)]}
    network = make_network(mains, {"V1": (0, 0), "V2": (150, 0)})
    expected = (
        r"the fittings are 150 m apart in a straight line, and no main connects their parts of the map: "
        r"1 main \(0\.05 km\) around the first, 2 mains \(0\.10 km\) around the second; "
        r"they come nearest, 0\.45 m, at mains M1 and M2 \(x 5003[0-9.]+, y 5400700"
    )
    with pytest.raises(NoPathError, match=expected):
        correlation_path(network, "V1", fitting_b="V2")


def test_limit_is_kept(make_network: Maker) -> None:
    network = make_network(MAINS, FITTINGS)
    assert correlation_path(network, "V1", fitting_b="H1", limit_m=101).length_m < 101
    with pytest.raises(NoPathError, match="no way through open pipes of at most 90 m"):
        correlation_path(network, "V1", fitting_b="H1", limit_m=90)


def test_negative_lead_is_refused(make_network: Maker) -> None:
    with pytest.raises(PathError, match="lead of -1 m"):
        correlation_path(make_network(MAINS, FITTINGS), "V1", fitting_b="H1", lead_a_m=-1)


def test_measured_length_decides(make_network: Maker) -> None:
    mains = {"A": [(0, 0), (100, 0)], "B": [(0, 0), (50, 30), (100, 0)]}
    fittings = {"V1": (0, 0), "V2": (100, 0)}
    drawn = correlation_path(make_network(mains, fittings), "V1", fitting_b="V2")
    measured = correlation_path(make_network(mains, fittings, measured_m={"A": 140.0}), "V1", fitting_b="V2")
    assert [drawn.segments[0].pipe_id, measured.segments[0].pipe_id] == ["A", "B"]


@SETTINGS
@given(seed=st.integers(0, 10_000), limit_m=st.floats(50.0, 600.0))
def test_fittings_within_a_length_are_those_whose_path_is_no_longer(
    make_random_town: Maker, seed: int, limit_m: float
) -> None:
    network = make_random_town(seed)
    names = [str(name) for name in network.fittings.index if network.fittings.at[name, "node"] >= 0]
    if "H22" not in names:  # a crossing whose streets are all missing
        return
    found = fittings_within(network, "H22", others=names, limit_m=limit_m)
    for name in names:
        try:
            within = correlation_path(network, "H22", fitting_b=name).length_m <= limit_m
        except NoPathError:
            within = False
        except PathError:  # the same place
            within = True
        assert (name in found) == within, name
