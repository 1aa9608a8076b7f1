"""The programme given to HiGHS: bounds, and silence."""

from __future__ import annotations

import numpy as np
import pytest

from netcorr.planning import CandidateSites, MainsGraph, build_problem
from netcorr.planning.cover_rows import CoverRows, Targets
from netcorr.planning.program import Goal, Program
from tests.planning.conftest import random_graph


def program_of(graph: MainsGraph, **goal: object) -> Program:
    problem = build_problem(graph, CandidateSites.at_nodes(np.arange(graph.node_count)))
    targets = Targets.of(problem)
    count = len(problem.sites)
    program = Program(targets, Goal(np.zeros(count), np.ones(count), **goal))  # type: ignore[arg-type]
    program.add(CoverRows(targets, site_count=count).sides())
    return program


def test_nothing_is_printed(capfd: pytest.CaptureFixture[str]) -> None:
    program_of(random_graph(1, nodes=12, reach_m=200.0)).solve(time_limit_s=5, bound=-np.inf)
    captured = capfd.readouterr()
    assert captured.out == ""
    assert captured.err == ""


def test_fractions_bound_whole_numbers() -> None:
    for goal in ({}, {"most_sites": 6}, {"least_weight": 20.0}):
        program = program_of(random_graph(4, nodes=30, reach_m=220.0, extra=12), **goal)
        relaxed = program.relaxed().solve(time_limit_s=5)
        whole = program.solve(time_limit_s=5, bound=np.inf)
        sign = -1 if "most_sites" in goal else 1
        assert sign * relaxed.bound <= sign * whole.bound + 1e-6


def test_rows_are_added_once() -> None:
    program = program_of(random_graph(1, nodes=12, reach_m=200.0))
    rows = list(program.rows.values())
    assert program.add(rows) == []
