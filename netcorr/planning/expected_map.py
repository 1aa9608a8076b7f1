"""How long the 95 % stretch of a leak would be at every place that a plan covers, setup by setup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.planning.best_pair import Cuts, best_pairs
from netcorr.planning.edge_speeds import edge_speeds
from netcorr.planning.expected import FixSettings
from netcorr.planning.pairs import build_problem
from netcorr.planning.problem import CandidateSites
from netcorr.planning.second_way import with_margin

if TYPE_CHECKING:
    from netcorr.planning.edge_speeds import EdgeSpeeds
    from netcorr.planning.from_network import PlanningMap
    from netcorr.planning.problem import Flags, Floats, Ints
    from netcorr.planning.reach import SoundBudget


@dataclass(frozen=True, eq=False)
class ExpectedFix:
    """Pieces of covered main, and how well a leak in the middle of each would be placed.

    Attributes
    ----------
    cuts : Cuts
        The pieces.
    expected_m : numpy.ndarray of float, shape (k,)
        Expected length of the 95 % stretch with the best pair of all setups; NaN where a speed is not known.
        [m]
    setup : numpy.ndarray of int, shape (k,)
        Setup that it stands in.
    site_a, site_b : numpy.ndarray of int, shape (k,)
        Numbers of its sites.
    loose_from_m : float
        A longer stretch is too loose to dig. [m]
    """

    cuts: Cuts
    expected_m: Floats
    setup: Ints
    site_a: Ints
    site_b: Ints
    loose_from_m: float = 10.0


def some_sites(sites: CandidateSites, numbers: Ints) -> CandidateSites:
    """Some of the sites, in the order of their numbers given, each once."""
    place = np.full(len(sites), -1)
    place[numbers] = np.arange(len(numbers))
    kept = place[sites.listens_site] >= 0
    return CandidateSites(
        fitting=sites.fitting[numbers],
        node=sites.node[numbers],
        listens=sites.listens[kept],
        listens_site=place[sites.listens_site[kept]],
    )


def expected_fix(
    mains: PlanningMap,
    sites: CandidateSites,
    setups: Sequence[Ints],
    *,
    budget: SoundBudget,
    settings: FixSettings | None = None,
    speeds: EdgeSpeeds | None = None,
    wanted: Flags | None = None,
    margin: float = 0.0,
    step_m: float = 20.0,
    loose_from_m: float = 10.0,
) -> ExpectedFix:
    """Work out how well leaks would be placed by the pairs of one or more setups.

    Parameters
    ----------
    mains : PlanningMap
        Open mains.
    sites : CandidateSites
        Sites of the plan.
    setups : sequence of numpy.ndarray of int
        Numbers of the sites that stand at the same time.
    budget : SoundBudget
        Loudness of the leak, and length of one recording; that of the reach table.
    settings : FixSettings, optional
        What makes a position uncertain.
    speeds : EdgeSpeeds, optional
        Speeds of the edges; by the tables unless given.
    wanted : numpy.ndarray of bool, shape (m,), optional
        Edges that count; all unless given.
    margin : float
        Share by which the second way round must be longer.
    step_m : float
        Longest piece. [m]
    loose_from_m : float
        A longer stretch is too loose to dig. [m]

    Returns
    -------
    ExpectedFix
        Only what some setup covers.

    Raises
    ------
    PlanError
        If a setting cannot be right.
    """
    graph = mains.graph
    settings, speeds = settings or FixSettings(), speeds or edge_speeds(mains.edges)
    counts = np.ones(len(graph), dtype=bool) if wanted is None else wanted
    cuts = Cuts.of(graph, counts, step_m=step_m)
    best = np.full(len(cuts.edge), np.nan)
    setup, pair = np.full(len(best), -1), np.full((len(best), 2), -1)
    for number, one in enumerate(setups):
        whole = build_problem(graph, some_sites(sites, one))
        problem = with_margin(whole, graph, margin=margin)
        found, stretch_m = best_pairs(
            cuts, problem, whole, graph, speeds=speeds, settings=settings, budget=budget
        )
        better = (found >= 0) & (
            (setup < 0) | (np.nan_to_num(stretch_m, nan=np.inf) < np.nan_to_num(best, nan=np.inf))
        )
        best[better], setup[better] = stretch_m[better], number
        pair[better] = one[problem.pair_sites[found[better]]]
    kept = setup >= 0
    return ExpectedFix(
        cuts=Cuts(cuts.edge[kept], cuts.from_share[kept], cuts.to_share[kept], cuts.length_m[kept]),
        expected_m=best[kept],
        setup=setup[kept],
        site_a=pair[kept, 0],
        site_b=pair[kept, 1],
        loose_from_m=loose_from_m,
    )
