"""Which sites cover which metres of main, and the sweep that visits them."""

from netcorr.planning.choice import SiteChoice, choose_sites
from netcorr.planning.coverage import Coverage, covered_by
from netcorr.planning.pairs import build_problem
from netcorr.planning.plan import Plan, PlanSettings, make_plan
from netcorr.planning.problem import CandidateSites, ChoiceProblem, MainsGraph, Ragged, Stretches
from netcorr.planning.sweep import Sweep, plan_sweep

__all__ = [
    "CandidateSites",
    "ChoiceProblem",
    "Coverage",
    "MainsGraph",
    "Plan",
    "PlanSettings",
    "Ragged",
    "SiteChoice",
    "Stretches",
    "Sweep",
    "build_problem",
    "choose_sites",
    "covered_by",
    "make_plan",
    "plan_sweep",
]
