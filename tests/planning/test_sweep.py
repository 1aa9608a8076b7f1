"""Setups against the judge: what they cover together, and how many loggers they take."""

from __future__ import annotations

import numpy as np
import pytest

from netcorr.errors import PlanError
from netcorr.planning import CandidateSites, build_problem, choose_sites, covered_by
from netcorr.planning.sweep import plan_sweep
from tests.planning.conftest import random_graph


def test_setups_cover_together_what_all_sites_cover() -> None:
    problem = build_problem(
        random_graph(7, nodes=60, reach_m=220.0, extra=20), CandidateSites.at_nodes(np.arange(60))
    )
    choice = choose_sites(problem)
    sweep = plan_sweep(problem, choice.sites, loggers=12, time_limit_s=3)
    together = np.any([covered_by(problem, sites).covered() for sites in sweep.setups], axis=0)
    assert max(len(sites) for sites in sweep.setups) <= 12
    assert (together & problem.coverable() == problem.coverable()).all()
    assert (sweep.covered == problem.coverable()).all()
    assert len(sweep.setups) >= sweep.least_setups == -(-len(choice.sites) // 12)


def test_one_setup_when_there_are_loggers_for_all() -> None:
    problem = build_problem(random_graph(2, nodes=8, reach_m=220.0), CandidateSites.at_nodes(np.arange(8)))
    choice = choose_sites(problem)
    sweep = plan_sweep(problem, choice.sites, loggers=50)
    assert len(sweep.setups) == 1
    assert sweep.placements == len(choice.sites)
    with pytest.raises(PlanError, match="2 or more"):
        plan_sweep(problem, choice.sites, loggers=1)
