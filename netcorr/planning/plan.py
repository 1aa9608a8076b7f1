"""The product of this folder: sites for a network, what they cover, what they cannot, and how surely best."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import PlanError
from netcorr.feedback import Feedback, NoFeedback, PartOf
from netcorr.planning.choice import SiteChoice, choose_sites
from netcorr.planning.coverage import Coverage, covered_by
from netcorr.planning.dead_ends import DeadEnd, beyond_sites, find_dead_ends
from netcorr.planning.pairs import build_problem
from netcorr.planning.sweep import Sweep, plan_sweep

if TYPE_CHECKING:
    from netcorr.planning.from_network import PlanningMap
    from netcorr.planning.problem import CandidateSites, ChoiceProblem, Flags, Ints

#: Part of the time that a sweep's first choice of sites may take.
_CHOICE_PART = 0.4
_SILENT = NoFeedback()


@dataclass(frozen=True)
class PlanSettings:
    """What is asked of a plan.

    Attributes
    ----------
    loggers : int or None
        Loggers there are; None for as many as the coverage needs.
    sweep : bool
        Cover the district in several setups of so many loggers, in place of one setup that covers most.
    least_share : float or None
        Share of the weight to cover, 0 to 1; None for all that can be covered.
    folds : int
        Pairs that must cover a stretch.
    margin : float
        Share by which the second way round must be longer.
    time_limit_s : float
        Time for the search. [s]
    seed : int
        Order among equals.

    Raises
    ------
    PlanError
        If the settings contradict each other.
    """

    loggers: int | None = None
    sweep: bool = False
    least_share: float | None = None
    folds: int = 1
    margin: float = 0.0
    time_limit_s: float = 60.0
    seed: int = 1

    def __post_init__(self) -> None:
        if self.sweep and self.loggers is None:
            raise PlanError(
                "sweep", found="no number of loggers", remedy="say how many loggers stand at the same time"
            )
        if self.loggers is not None and not self.sweep and self.least_share is not None:
            raise PlanError(
                "plan",
                found="both a number of loggers and a coverage were asked for",
                remedy="give one of them, or ask for a sweep, which covers it in several setups",
            )


@dataclass(frozen=True, eq=False)
class Plan:
    """Sites, what they cover, and what no site would.

    Attributes
    ----------
    mains : PlanningMap
        Open mains; a stretch of the problem is an edge of it.
    problem : ChoiceProblem
        Candidate sites and what their pairs would cover.
    wanted : numpy.ndarray of bool, shape (n,)
        Stretches that count.
    settings : PlanSettings
        What was asked for.
    choice : SiteChoice
        Chosen sites; of a sweep those that would cover it in one setup.
    sweep : Sweep or None
        Its setups.
    sites : numpy.ndarray of int
        Sites that are used.
    fixed : numpy.ndarray of bool, shape (s,)
        Sites that were asked for in any case.
    coverage : Coverage
        What is covered; of a sweep by the pairs that stand in one setup.
    no_way_beyond : numpy.ndarray of bool, shape (n,)
        Stretches with no candidate beyond them.
    dead_ends : tuple of DeadEnd
        The same, by place.
    """

    mains: PlanningMap
    problem: ChoiceProblem
    wanted: Flags
    settings: PlanSettings
    choice: SiteChoice
    sweep: Sweep | None
    sites: Ints
    fixed: Flags
    coverage: Coverage
    no_way_beyond: Flags
    dead_ends: tuple[DeadEnd, ...]

    @property
    def covered(self) -> Flags:
        """Wanted stretches that the plan covers."""
        return self.wanted & self.coverage.covered(folds=self.settings.folds)

    @property
    def coverable(self) -> Flags:
        """Wanted stretches that all candidates together would cover."""
        return self.wanted & self.problem.coverable(folds=self.settings.folds)

    def weight(self, stretches: Flags) -> float:
        """What some stretches are worth."""
        return float(self.problem.stretches.weight[stretches].sum())

    def length_m(self, stretches: Flags) -> float:
        """How long some stretches are. [m]"""
        return float(self.problem.stretches.length_m[stretches].sum())

    @property
    def weighted(self) -> bool:
        """Whether something else than metres counts."""
        return not np.array_equal(self.problem.stretches.weight, self.problem.stretches.length_m)

    @property
    def share(self) -> float:
        """Share of the wanted weight that is covered."""
        return self.weight(self.covered) / max(self.weight(self.wanted), 1e-300)

    @property
    def setups(self) -> tuple[Ints, ...]:
        """Sites of each setup; one setup when loggers were counted and no sweep was asked for."""
        if self.sweep is not None:
            return self.sweep.setups
        return (self.sites,) if self.settings.loggers is not None and len(self.sites) else ()


def make_plan(
    mains: PlanningMap,
    sites: CandidateSites,
    *,
    settings: PlanSettings,
    wanted: Flags | None = None,
    fixed_in: Collection[str] = (),
    feedback: Feedback = _SILENT,
) -> Plan:
    """Choose sites for a network.

    Parameters
    ----------
    mains : PlanningMap
        Open mains.
    sites : CandidateSites
        Where loggers may stand.
    settings : PlanSettings
        What is asked for.
    wanted : numpy.ndarray of bool, shape (m,), optional
        Edges that count; all unless given.
    fixed_in : collection of str
        Fittings that are chosen in any case.
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    Plan
        Sites, coverage, bound and what cannot be covered.

    Raises
    ------
    PlanError
        If there is nothing to plan for: no main counts, no two candidates are within reach of each other, a
        fitting fixed in is no candidate, or there are more loggers than candidates.
    CancelledError
        If `feedback` says so.
    """
    counts = np.ones(len(mains.graph), dtype=bool) if wanted is None else wanted
    source = mains.network.source
    if not counts.any():
        raise PlanError(
            f"{source}, mains", found="none lies in the district", remedy="check the polygon and its CRS"
        )
    if settings.loggers is not None and settings.loggers > len(sites):
        raise PlanError(
            f"{source}, fittings",
            found=f"{settings.loggers} loggers for {len(sites)} candidate sites",
            remedy=f"give {len(sites)} loggers at most, allow more fittings, or ask for a coverage instead",
        )
    problem = build_problem(
        mains.graph, sites, margin=settings.margin, feedback=PartOf(feedback, start=0.0, stop=0.3)
    )
    _check_coverable(mains, problem, counts, settings)
    fixed = _numbers(problem, fixed_in, source)
    choice, sweep = _choose(problem, settings, counts, fixed, PartOf(feedback, start=0.3, stop=1.0))
    used = choice.sites if sweep is None else np.unique(np.concatenate([*sweep.setups, choice.sites[:0]]))
    return Plan(
        mains=mains,
        problem=problem,
        wanted=counts,
        settings=settings,
        choice=choice,
        sweep=sweep,
        sites=used,
        fixed=np.isin(np.arange(len(sites)), fixed),
        coverage=choice.coverage if sweep is None else _best_of(problem, sweep),
        no_way_beyond=counts & beyond_sites(mains.graph, sites),
        dead_ends=find_dead_ends(mains, sites, wanted=counts),
    )


def _choose(
    problem: ChoiceProblem, settings: PlanSettings, wanted: Flags, fixed: Ints, feedback: Feedback
) -> tuple[SiteChoice, Sweep | None]:
    limit_s = settings.time_limit_s
    part = _CHOICE_PART if settings.sweep else 1.0
    choice = choose_sites(
        problem,
        most_sites=None if settings.sweep else settings.loggers,
        least_share=settings.least_share,
        folds=settings.folds,
        fixed_in=fixed,
        wanted=wanted,
        time_limit_s=part * limit_s,
        seed=settings.seed,
        feedback=PartOf(feedback, start=0.0, stop=part),
    )
    if not settings.sweep or settings.loggers is None:
        return choice, None
    sweep = plan_sweep(
        problem,
        choice.sites,
        loggers=settings.loggers,
        folds=settings.folds,
        wanted=wanted,
        time_limit_s=limit_s - choice.seconds,
        feedback=PartOf(feedback, start=part, stop=1.0),
    )
    return choice, sweep


def _best_of(problem: ChoiceProblem, sweep: Sweep) -> Coverage:
    """What the setups cover: of each stretch the setup that covers it most often."""
    each = [covered_by(problem, sites) for sites in sweep.setups]
    count = len(problem.stretches)
    none = Coverage(problem.stretches, np.zeros(count, dtype=np.intp), np.zeros(count, dtype=bool))
    every = [none, *each]
    return Coverage(
        problem.stretches,
        pairs=np.max([one.pairs for one in every], axis=0),
        heard=np.any([one.heard for one in every], axis=0),
    )


def _numbers(problem: ChoiceProblem, fittings: Collection[str], source: str) -> Ints:
    """Sites that fittings are."""
    number = {name: k for k, name in enumerate(problem.sites.fitting.tolist())}
    strange = [name for name in fittings if name not in number]
    if strange:
        raise PlanError(
            f"{source}, fitting {strange[0]}",
            found="fixed in, but no candidate site",
            remedy="check its id, and that it sits on a main in service",
        )
    return np.array([number[name] for name in fittings], dtype=np.intp)


def _check_coverable(
    mains: PlanningMap, problem: ChoiceProblem, wanted: Flags, settings: PlanSettings
) -> None:
    """Refuse a district in which no pair of candidates covers anything that counts."""
    possible = wanted & problem.coverable(folds=settings.folds)
    if possible.any() and problem.stretches.weight[possible].sum() > 0:
        return
    source, reach_m = mains.network.source, mains.graph.reach_m[wanted]
    if possible.any():
        raise PlanError(
            f"{source}, mains",
            found="every main that can be covered has a weight of 0",
            remedy="give a column with numbers above 0, or leave the weight out",
        )
    pairs = len(problem.pair_sites)
    if not pairs:
        found = (
            f"no two of {len(problem.sites)} candidate sites are within reach of each other along the mains "
            f"(reach {reach_m.min():.0f} to {reach_m.max():.0f} m by material)"
        )
    else:
        found = (
            f"{pairs} pairs of {len(problem.sites)} candidate sites are within reach, and none of them "
            f"covers a main of the district {'as often as asked for' if settings.folds > 1 else 'clearly'}"
        )
    raise PlanError(
        f"{source}, candidate sites",
        found=found,
        remedy="allow more kinds of fittings, give the reach that you know of your mains, or check with "
        "netcorr check that the map is connected",
    )
