"""Setups improved together: never too large, never worse, and as few as trying them all finds."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import CancelledError
from netcorr.feedback import NoFeedback
from netcorr.planning import CandidateSites, ChoiceProblem, MainsGraph, build_problem, covered_by
from netcorr.planning.setup_search import SetupSearch
from tests.planning.conftest import graphs, random_graph


def all_sites(graph: MainsGraph) -> ChoiceProblem:
    return build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))


def covered(problem: ChoiceProblem, setups: list[np.ndarray]) -> np.ndarray:
    none = np.zeros(len(problem.stretches), dtype=bool)
    return np.any([none, *(covered_by(problem, one).covered() for one in setups)], axis=0)


def everyone(problem: ChoiceProblem) -> np.ndarray:
    return np.ones(len(problem.sites), dtype=bool)


@settings(deadline=None, max_examples=25)
@given(graph=graphs(most_nodes=12), count=st.integers(1, 4), loggers=st.integers(2, 4), data=st.data())
def test_setups_hold_and_are_never_worse(
    graph: MainsGraph, count: int, loggers: int, data: st.DataObject
) -> None:
    problem = all_sites(graph)
    nodes = st.lists(st.integers(0, graph.node_count - 1), unique=True, max_size=loggers)
    start = [np.array(data.draw(nodes), dtype=np.intp) for _ in range(count)]
    goal = problem.coverable()
    search = SetupSearch(problem, goal, start, loggers=loggers, allowed=everyone(problem))
    ended = search.run(time_limit_s=5.0, most_moves=60)
    found = search.setups()
    assert len(found) == count
    assert all(len(one) <= loggers for one in found)
    now = covered(problem, found)
    assert ended == bool((now | ~goal).all())
    # stretches that exactly the same pairs cover count once, as they do for the search
    kinds = {problem.covering[k].tobytes(): k for k in np.flatnonzero(goal).tolist()}
    one_each = np.array(sorted(kinds.values()), dtype=np.intp)
    assert now[one_each].sum() >= covered(problem, start)[one_each].sum()


def least_setups(problem: ChoiceProblem, goal: np.ndarray, *, loggers: int) -> int:
    """Fewest setups that cover the goal, trying every choice."""
    every = [
        frozenset(np.flatnonzero(goal & covered_by(problem, one).covered()).tolist())
        for one in combinations(range(len(problem.sites)), loggers)
    ]
    wanted = frozenset(np.flatnonzero(goal).tolist())
    best = list({one for one in every if not any(one < other for other in every)})
    for count in range(1, 8):
        for some in combinations(best, count):
            if frozenset().union(*some) >= wanted:
                return count
    raise AssertionError("not even eight setups cover it")


@pytest.mark.parametrize("seed", range(4))
def test_it_ends_with_as_few_setups_as_trying_them_all(seed: int) -> None:
    problem = all_sites(random_graph(seed, nodes=9, reach_m=180.0, extra=2))
    goal = problem.coverable()
    few = least_setups(problem, goal, loggers=4)
    empty = [np.zeros(0, dtype=np.intp)] * few
    search = SetupSearch(problem, goal, empty, loggers=4, allowed=everyone(problem), seed=1)
    assert search.run(time_limit_s=20.0, most_moves=3000)
    assert (covered(problem, search.setups()) | ~goal).all()


def test_one_setup_more_ends_it(district: tuple[MainsGraph, CandidateSites]) -> None:
    problem = build_problem(*district)
    goal = problem.coverable()
    empty = [np.zeros(0, dtype=np.intp)] * 2
    search = SetupSearch(problem, goal, empty, loggers=8, allowed=everyone(problem))
    assert not search.run(time_limit_s=5.0, most_moves=50), "16 sites cannot do"
    before = 2
    while not search.run(time_limit_s=5.0, most_moves=400):
        search.add_setup()
        before += 1
        assert before < 30
    assert len(search.setups()) == before
    assert (covered(problem, search.setups()) | ~goal).all()


def test_sites_that_are_not_allowed_are_not_used(district: tuple[MainsGraph, CandidateSites]) -> None:
    problem = build_problem(*district)
    allowed = np.arange(len(problem.sites)) % 5 != 0
    usable = allowed[problem.covering_from] & allowed[problem.covering_to]
    goal = np.bincount(problem.covering.group[usable], minlength=len(problem.stretches)) > 0
    search = SetupSearch(problem, goal, [np.zeros(0, dtype=np.intp)] * 8, loggers=8, allowed=allowed)
    search.run(time_limit_s=5.0, most_moves=300)
    assert allowed[np.concatenate(search.setups())].all()


def test_it_can_be_stopped(district: tuple[MainsGraph, CandidateSites]) -> None:
    class Stop(NoFeedback):
        cancelled = True

    problem = build_problem(*district)
    start = [np.zeros(0, dtype=np.intp)]
    search = SetupSearch(problem, problem.coverable(), start, loggers=4, allowed=everyone(problem))
    with pytest.raises(CancelledError):
        search.run(time_limit_s=5.0, feedback=Stop())
