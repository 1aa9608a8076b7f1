"""What tees and fittings take, against the rule for a wave at a joint of pipes."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.layers import read_network_layers
from netcorr.network import build_network
from netcorr.planning import CandidateSites, MainsGraph, build_problem
from netcorr.planning.from_network import planning_map
from netcorr.planning.passing import FITTING_DB, passing_loss_db
from netcorr.planning.reach import ReachTable
from netcorr.speed.junction import transmission
from tests.planning.conftest import graphs

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"


def main(material: str | None = "ductile_iron", diameter_mm: float = 150.0) -> dict[str, Any]:
    return {"material": material, "diameter_mm": diameter_mm, "wave_speed_m_s": math.nan}


def star(*mains: dict[str, Any], fitted: bool = False) -> np.ndarray:
    """Mains that meet at node 0; their parts of the loss there."""
    count = len(mains)
    marks = np.zeros(count + 1, dtype=bool)
    marks[0] = fitted
    return passing_loss_db(mains, np.zeros(count, int), np.arange(1, count + 1), fitted=marks)[0]


def test_equal_pipes_lose_what_the_joint_rule_says() -> None:
    # Wylie and Streeter (1993): 2 A1 / sum A of the pressure goes on
    for count in (2, 3, 4):
        part = star(*[main()] * count)
        assert part[0] + part[1] == pytest.approx(-20 * math.log10(transmission(1.0, [1.0] * (count - 1))))


def test_a_small_branch_takes_little_from_the_main_and_much_from_what_turns_into_it() -> None:
    run_a, run_b, branch = star(main(), main(), main(diameter_mm=50.0))
    assert 0 < run_a + run_b < 1.0
    assert run_a + branch > 8.0


@given(
    st.lists(
        st.sampled_from([main(), main("pvc", 110.0), main("steel", 50.0), main(None), main("pe", 63.0)]),
        min_size=2,
        max_size=5,
    )
)
def test_no_way_through_a_joint_gains(mains: list[dict[str, Any]]) -> None:
    part = star(*mains)
    pairs = part[:, None] + part[None, :]
    assert pairs[~np.eye(len(mains), dtype=bool)].min() >= -1e-9


def test_a_fitting_takes_its_share() -> None:
    with_it, without = star(main(), main(), fitted=True), star(main(), main())
    np.testing.assert_allclose(with_it - without, FITTING_DB / 2)


@given(graphs(), st.floats(0.0, 0.3))
def test_what_nodes_take_makes_fewer_pairs(graph: MainsGraph, share: float) -> None:
    sites = CandidateSites.at_nodes(np.arange(graph.node_count))
    lossy = MainsGraph(
        graph.node_count,
        from_node=graph.from_node,
        to_node=graph.to_node,
        length_m=graph.length_m,
        reach_m=graph.reach_m,
        weight=graph.weight,
        from_share=np.full(len(graph), share / 2),
        to_share=np.full(len(graph), share / 2),
    )
    free = {tuple(pair) for pair in build_problem(graph, sites).pair_sites.tolist()}
    assert {tuple(pair) for pair in build_problem(lossy, sites).pair_sites.tolist()} <= free


@pytest.mark.parametrize(("reach_m", "pairs"), [(200.0, [[0, 1], [0, 2], [1, 2]]), (150.0, [[0, 1], [1, 2]])])
def test_a_path_pays_for_the_nodes_it_passes_and_not_for_its_ends(
    reach_m: float, pairs: list[list[int]]
) -> None:
    chain = MainsGraph(
        3,
        from_node=np.array([0, 2]),
        to_node=np.array([1, 1]),
        length_m=np.array([60.0, 60.0]),
        reach_m=np.full(2, reach_m),
        weight=np.ones(2),
        from_share=np.full(2, 5.0),
        to_share=np.array([0.1, 0.15]),
    )
    assert build_problem(chain, CandidateSites.at_nodes([0, 1, 2])).pair_sites.tolist() == pairs


def test_the_sample_town_pays_at_its_tees() -> None:
    network = build_network(read_network_layers(TOWN))
    graph = planning_map(network, reach=ReachTable()).graph
    from_share, to_share = graph.end_shares
    degree = np.bincount(np.concatenate([graph.from_node, graph.to_node]), minlength=graph.node_count)
    assert (from_share[degree[graph.from_node] == 1] < 0).all()  # a path never passes a dead end
    tees = degree[graph.to_node] >= 3
    assert tees.any()
    assert to_share[tees].max() > 0.02
