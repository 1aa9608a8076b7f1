"""Pipes beside a path."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from netcorr.errors import NetworkError, NoPathError, PathError
from netcorr.network import PipeNetwork
from netcorr.network.ground import geodesic_lengths_m
from netcorr.path import branch_lines, correlation_path, side_branches

Maker = Callable[..., PipeNetwork]

#: A street with two tees, a dead end beyond A and a loop beyond B.
MAINS = {
    "W": [(-50, 0), (0, 0)],
    "M": [(0, 0), (100, 0)],
    "N1": [(30, 0), (30, 80)],
    "S1": [(30, 0), (30, -20)],
    "N2": [(70, 0), (70, 40)],
    "E": [(100, 0), (160, 0)],
    "R": [(160, 0), (200, 30), (200, -30), (160, 0)],
}
FITTINGS = {"V1": (0, 0), "V2": (100, 0)}


def total_m(network: PipeNetwork, lines: tuple[object, ...]) -> float:
    return float(geodesic_lengths_m(list(lines), network.crs).sum())


def test_branches_stand_where_they_leave_the_path(make_network: Maker) -> None:
    network = make_network(MAINS, FITTINGS)
    found = side_branches(network, correlation_path(network, "V1", fitting_b="V2"))
    assert [b.from_a_m for b in found] == pytest.approx([30, 70], rel=1e-3)
    assert [set(b.pipe_ids) for b in found] == [{"N1", "S1"}, {"N2"}]
    for branch in found:
        for u, v, key in branch.edges:
            assert u == branch.node
            assert network.edge(u, v, key)["pipe_id"] in branch.pipe_ids


def test_closed_branches_do_not_count(make_network: Maker) -> None:
    network = make_network(MAINS, {**FITTINGS, "V3": (70, 0.05)}, closed=["V3"], out_of_service=["N1", "S1"])
    path = correlation_path(network, "V1", fitting_b="V2")
    (stub,) = side_branches(network, path)  # the 5 cm between the tee and the valve
    assert stub.pipe_ids == ("N2",)
    assert total_m(network, branch_lines(network, path, stub.node, reach_m=100.0)[1]) == pytest.approx(
        0.05, rel=1e-3
    )


def test_pipes_beyond_an_end_up_to_the_reach(make_network: Maker) -> None:
    network = make_network(MAINS, FITTINGS)
    path = correlation_path(network, "V1", fitting_b="V2")
    end = path.segments[-1].to_node
    ids, lines = branch_lines(network, path, end, reach_m=25.0)
    assert ids == ("E",)
    assert total_m(network, lines) == pytest.approx(25.0, rel=1e-3)
    assert lines[0].coords[0] == (500400, 5400700)
    ids, lines = branch_lines(network, path, end, reach_m=90.0)
    assert ids == ("E", "R")
    assert total_m(network, lines) == pytest.approx(60 + 2 * 30, rel=1e-3)
    ids, lines = branch_lines(network, path, end, reach_m=1000.0)
    assert total_m(network, lines) == pytest.approx(60 + 50 + 60 + 50, rel=1e-3)
    assert branch_lines(network, path, path.segments[0].from_node, reach_m=1000.0)[0] == ("W",)


def test_branch_at_a_tee(make_network: Maker) -> None:
    network = make_network(MAINS, FITTINGS)
    path = correlation_path(network, "V1", fitting_b="V2")
    tee = side_branches(network, path)[0].node
    ids, lines = branch_lines(network, path, tee, reach_m=50.0)
    assert set(ids) == {"N1", "S1"}
    assert total_m(network, lines) == pytest.approx(50 + 20, rel=1e-3)
    assert branch_lines(network, path, tee, reach_m=0.0) == ((), ())


def test_loop_from_the_path_back_to_the_path_is_followed_to_there(make_network: Maker) -> None:
    mains = {"M": [(0, 0), (100, 0)], "L": [(20, 0), (20, 50), (80, 50), (80, 0)], "X": [(80, 0), (80, -30)]}
    network = make_network(mains, FITTINGS)
    path = correlation_path(network, "V1", fitting_b="V2")
    first = side_branches(network, path)[0].node
    ids, lines = branch_lines(network, path, first, reach_m=1000.0)
    assert ids == ("L",)
    assert total_m(network, lines) == pytest.approx(160, rel=1e-3)


def test_pipe_reached_from_both_ends_in_part(make_network: Maker) -> None:
    """A ring beyond B: the reach runs both ways round and leaves a gap at the far side."""
    mains = {"M": [(0, 0), (100, 0)], "R": [(100, 0), (140, 30), (140, -30), (100, 0)]}
    network = make_network(mains, FITTINGS)
    path = correlation_path(network, "V1", fitting_b="V2")
    _, lines = branch_lines(network, path, path.segments[-1].to_node, reach_m=70.0)
    assert len(lines) == 2
    assert total_m(network, lines) == pytest.approx(140, rel=1e-3)


def test_wrong_node_reach_or_network_are_refused(make_network: Maker) -> None:
    network = make_network(MAINS, FITTINGS)
    path = correlation_path(network, "V1", fitting_b="V2")
    beside = next(v for _, v, _ in side_branches(network, path)[0].edges)
    with pytest.raises(PathError, match="the node is not on the path V1 to V2"):
        branch_lines(network, path, beside, reach_m=10.0)
    with pytest.raises(PathError, match="reach of -1"):
        branch_lines(network, path, path.segments[0].from_node, reach_m=-1)
    other = make_network({"Z": [(0, 0), (10, 0)]}, {"V1": (0, 0), "V2": (10, 0)})
    with pytest.raises(PathError, match=r"path along main M: no such pipe in town\.gpkg"):
        side_branches(other, path)


@settings(max_examples=20, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(seed=st.integers(0, 10_000), reach=st.floats(5, 300))
def test_longer_reach_never_loses_pipe_and_none_lies_on_the_path(
    make_random_town: Maker, seed: int, reach: float
) -> None:
    network = make_random_town(seed)
    try:
        path = correlation_path(network, "H11", fitting_b="H33")
    except (NoPathError, NetworkError):
        return
    node = path.segments[0].from_node
    near, far = (branch_lines(network, path, node, reach_m=r) for r in (reach, reach + 40))
    assert set(near[0]) <= set(far[0])
    assert total_m(network, near[1]) <= total_m(network, far[1]) + 1e-6
    assert not set(far[0]) & {s.pipe_id for s in path.segments}
