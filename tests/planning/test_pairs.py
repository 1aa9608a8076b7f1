"""Pairs within reach and what they cover, against networkx trying every pair."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.sparse import csgraph

from netcorr.errors import CancelledError, PlanError
from netcorr.planning import CandidateSites, ChoiceProblem, MainsGraph, build_problem
from tests.planning.conftest import graphs, pairs_covering, random_graph


def covering_nodes(problem: ChoiceProblem) -> list[set[tuple[int, int]]]:
    node = problem.sites.node
    ends = np.sort(node[problem.pair_sites], axis=1).tolist()
    return [{(ends[p][0], ends[p][1]) for p in pairs.tolist()} for pairs in problem.covering]


@settings(deadline=None, max_examples=30)
@given(graph=graphs(), which=st.data())
def test_pairs_are_those_of_trying_them_all(graph: MainsGraph, which: st.DataObject) -> None:
    nodes = which.draw(st.lists(st.integers(0, graph.node_count - 1), min_size=1, unique=True))
    problem = build_problem(graph, CandidateSites.at_nodes(nodes))
    assert covering_nodes(problem) == pairs_covering(graph, nodes)


def test_lengths_of_pairs_are_those_of_csgraph(district: tuple[MainsGraph, CandidateSites]) -> None:
    graph, sites = district
    dense = np.full((60, 60), np.inf)
    for a, b, length_m in zip(graph.from_node, graph.to_node, graph.length_m, strict=True):
        dense[a, b] = dense[b, a] = min(dense[a, b], length_m)
    apart_m = csgraph.shortest_path(sparse.csr_array(np.where(np.isfinite(dense), dense, 0)), directed=False)
    problem = build_problem(graph, sites)
    a, b = problem.pair_sites.T
    assert len(a) > 100
    np.testing.assert_allclose(problem.pair_length_m, apart_m[a, b], rtol=1e-12)


def test_batches_change_nothing(
    district: tuple[MainsGraph, CandidateSites], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = build_problem(*district)
    monkeypatch.setattr("netcorr.planning.pairs.BATCH", 3)
    parts = build_problem(*district)
    np.testing.assert_array_equal(whole.pair_sites, parts.pair_sites)
    np.testing.assert_array_equal(whole.covering.values, parts.covering.values)
    np.testing.assert_array_equal(whole.covering_from, parts.covering_from)


def test_sites_of_a_pair_lie_on_either_side(district: tuple[MainsGraph, CandidateSites]) -> None:
    graph, sites = district
    problem = build_problem(graph, sites)
    edges = sparse.lil_array((60, 60))
    for a, b, length_m in zip(graph.from_node, graph.to_node, graph.length_m, strict=True):
        edges[a, b] = edges[b, a] = length_m
    apart_m = csgraph.shortest_path(edges.tocsr(), directed=False)
    stretch = problem.covering.group
    u, v = graph.from_node[stretch], graph.to_node[stretch]
    one, other = problem.covering_from, problem.covering_to
    assert (apart_m[one, u] < apart_m[one, v]).all()
    assert (apart_m[other, v] < apart_m[other, u]).all()


def test_pairs_of_a_stretch_are_exactly_its_two_sides(district: tuple[MainsGraph, CandidateSites]) -> None:
    problem = build_problem(*district)
    for k, pairs in enumerate(problem.covering):
        both = {*problem.side_from[k].tolist(), *problem.side_to[k].tolist()}
        assert both == set(problem.pair_sites[pairs].ravel().tolist())


def chain(lengths_m: list[float], reach_m: float) -> MainsGraph:
    n = len(lengths_m)
    length = np.array(lengths_m)
    return MainsGraph(n + 1, np.arange(n), np.arange(1, n + 1), length, np.full(n, reach_m), length)


def test_a_path_as_long_as_the_reach_is_within_it() -> None:
    problem = build_problem(chain([0.1] * 3, 0.3), CandidateSites.at_nodes([0, 3]))
    assert len(problem.pair_sites) == 1


def test_of_parallel_mains_only_the_shorter_is_covered() -> None:
    ring = MainsGraph(
        2, np.array([0, 1]), np.array([1, 0]), np.array([50.0, 40.0]), np.full(2, 99.0), np.ones(2)
    )
    problem = build_problem(ring, CandidateSites.at_nodes([0, 1]))
    assert problem.coverable().tolist() == [False, True]
    assert problem.covering_from.tolist() == [1]


def test_a_link_without_length_connects() -> None:
    problem = build_problem(chain([50.0, 0.0, 50.0], 100.0), CandidateSites.at_nodes([0, 3]))
    assert problem.coverable().all()
    assert problem.pair_length_m[0] == pytest.approx(100.0, abs=1e-3)


def test_a_site_that_listens_on_both_sides_of_a_closed_valve() -> None:
    # 0 - 1   2 - 3: a closed valve between 1 and 2, its own node is 4
    parts = MainsGraph(
        5, np.array([0, 2]), np.array([1, 3]), np.array([30.0, 40.0]), np.full(2, 99.0), np.ones(2)
    )
    sites = CandidateSites(
        fitting=np.array(["A", "V", "B"], dtype=object),
        node=np.array([0, 4, 3]),
        listens=np.array([0, 4, 1, 2, 3]),
        listens_site=np.array([0, 1, 1, 1, 2]),
    )
    problem = build_problem(parts, sites)
    assert problem.pair_sites.tolist() == [[0, 1], [1, 2]]
    assert problem.coverable().all()


def test_sites_out_of_reach_make_no_pair_and_no_error() -> None:
    problem = build_problem(chain([50.0], 20.0), CandidateSites.at_nodes([0, 1]))
    assert problem.pair_sites.shape == (0, 2)
    assert not problem.coverable().any()
    assert len(problem.side_from[0]) == 0


def test_no_site_is_refused_with_words() -> None:
    with pytest.raises(PlanError, match="there is none"):
        build_problem(chain([50.0], 100.0), CandidateSites.at_nodes([]))


def test_a_site_off_the_graph_is_refused() -> None:
    with pytest.raises(PlanError, match="no node"):
        build_problem(chain([50.0], 100.0), CandidateSites.at_nodes([7]))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"length_m": np.array([np.nan])}, "length"),
        ({"reach_m": np.array([0.0])}, "reach"),
        ({"weight": np.array([-1.0])}, "weight"),
        ({"to_node": np.array([2])}, "no node"),
        ({"weight": np.ones(2)}, "different lengths"),
    ],
)
def test_a_graph_that_cannot_be_is_refused(change: dict[str, np.ndarray], words: str) -> None:
    good = {
        "from_node": np.array([0]),
        "to_node": np.array([1]),
        "length_m": np.array([5.0]),
        "reach_m": np.array([9.0]),
        "weight": np.array([1.0]),
    }
    with pytest.raises(PlanError, match=words):
        MainsGraph(2, **{**good, **change})


class Impatient:
    cancelled = True

    def progress(self, fraction: float, message: str = "") -> None: ...

    def message(self, text: str) -> None: ...


def test_it_stops_when_asked() -> None:
    with pytest.raises(CancelledError):
        build_problem(
            random_graph(1, nodes=5, reach_m=100.0), CandidateSites.at_nodes([0, 1]), feedback=Impatient()
        )
