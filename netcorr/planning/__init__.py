"""Which sites cover which metres of main, and the sweep that visits them."""

from netcorr.planning.coverage import Coverage, covered_by
from netcorr.planning.pairs import build_problem
from netcorr.planning.problem import CandidateSites, ChoiceProblem, MainsGraph, Ragged, Stretches

__all__ = [
    "CandidateSites",
    "ChoiceProblem",
    "Coverage",
    "MainsGraph",
    "Ragged",
    "Stretches",
    "build_problem",
    "covered_by",
]
