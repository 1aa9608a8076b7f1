"""Who covers what, against counting all pairs."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.planning import CandidateSites, MainsGraph, build_problem, covered_by
from netcorr.planning.who_covers import who_covers
from tests.planning.conftest import graphs, pairs_covering


@settings(deadline=None, max_examples=40)
@given(graph=graphs(), data=st.data())
def test_pairs_of_one_setup_and_what_hangs_on_a_site(graph: MainsGraph, data: st.DataObject) -> None:
    nodes = st.integers(0, graph.node_count - 1)
    setups = data.draw(st.lists(st.lists(nodes, unique=True), min_size=1, max_size=3))
    folds = data.draw(st.sampled_from([1, 2]))
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    found = who_covers(problem, [np.array(one, dtype=np.intp) for one in setups], folds=folds)
    together = {pair for one in setups for pair in combinations(sorted(one), 2)}
    covering = [pairs & together for pairs in pairs_covering(graph, range(graph.node_count))]
    assert found.pairs.tolist() == [len(pairs) for pairs in covering]
    length = dict(zip(map(tuple, problem.pair_sites.tolist()), problem.pair_length_m.tolist(), strict=True))
    for k, pairs in enumerate(covering):
        best = min((length[pair] for pair in pairs), default=None)
        told = int(found.closest[k])
        assert (told < 0) == (best is None)
        assert best is None or problem.pair_length_m[told] == best
    for site in range(graph.node_count):
        lost = [
            k
            for k, pairs in enumerate(covering)
            if len(pairs) >= folds > len([pair for pair in pairs if site not in pair])
        ]
        np.testing.assert_allclose(found.only_by_m[site], graph.length_m[lost].sum(), atol=1e-9)
        used = {pair for pairs in covering for pair in pairs if site in pair}
        assert found.pairs_of_site[site] == len(used)


def test_one_setup_is_what_the_judge_counts(district: tuple[MainsGraph, CandidateSites]) -> None:
    problem = build_problem(*district)
    sites = np.arange(0, 60, 2)
    assert who_covers(problem, [sites]).pairs.tolist() == covered_by(problem, sites).pairs.tolist()
