"""Choosing sites: fewest for a coverage, or most coverage with so many; always with a bound."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from netcorr.errors import PlanError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.planning.cover_rows import CoverRows, Targets
from netcorr.planning.coverage import Coverage, covered_by
from netcorr.planning.local_search import ChosenSites, fill_up, prune, swap
from netcorr.planning.problem import without_sites
from netcorr.planning.program import Goal, Program, Solution
from netcorr.planning.windows import Windows

if TYPE_CHECKING:
    from netcorr.planning.problem import ChoiceProblem, Flags, Floats, Ints

#: Rounds of rows in the relaxation, and the part of the time that they may take.
_RELAXED_ROUNDS, _RELAXED_PART = 40, 0.4
#: Rows broken by less are not added in the relaxation: they move the bound little and cost time.
_RELAXED_TOLERANCE = 0.02
#: More stretches than this are a city, chosen district by district; time for one district. [s]
CITY, _DISTRICT_S = 6000, 6.0
#: Bounds carry rounding errors of this size.
_ROUNDING = 1e-6

_SILENT = NoFeedback()


@dataclass(frozen=True, eq=False)
class SiteChoice:
    """Sites, what they cover, and how much better any choice could be.

    Attributes
    ----------
    sites : numpy.ndarray of int
        Numbers of the chosen sites, rising.
    coverage : Coverage
        What they cover, as the judge counts it.
    folds : int
        Pairs that a stretch needs to count as covered.
    most_sites : int or None
        Sites there were; None when the fewest were sought.
    least_weight : float or None
        Weight that was to be covered; None for all that can be.
    bound : float
        With the fewest sites: no choice needs fewer. With `most_sites`: none covers more weight.
    seconds : float
        Time it took. [s]
    """

    sites: Ints
    coverage: Coverage
    folds: int
    most_sites: int | None
    least_weight: float | None
    bound: float
    seconds: float

    @property
    def value(self) -> float:
        """Number of sites, or with `most_sites` the weight covered: what `bound` is a bound for."""
        return float(len(self.sites)) if self.most_sites is None else self.coverage.weight(folds=self.folds)

    @property
    def gap(self) -> float:
        """Share by which a choice could be better at most; 0 when this one is proven best."""
        if self.bound == self.value:
            return 0.0
        return abs(self.value - self.bound) / max(self.value, 1e-300)

    @property
    def proven(self) -> bool:
        """Whether no choice is better."""
        return self.gap <= _ROUNDING


def choose_sites(
    problem: ChoiceProblem,
    *,
    most_sites: int | None = None,
    least_share: float | None = None,
    folds: int = 1,
    fixed_in: Any = (),
    fixed_out: Any = (),
    wanted: Flags | None = None,
    time_limit_s: float = 60.0,
    seed: int = 1,
    feedback: Feedback = _SILENT,
) -> SiteChoice:
    """Choose the fewest sites that cover enough, or sites that cover as much as possible.

    Parameters
    ----------
    problem : ChoiceProblem
        Stretches, sites and pairs.
    most_sites : int, optional
        Cover as much weight as so many sites can, those fixed in counted; without it, the fewest are sought.
    least_share : float, optional
        With the fewest sites: share of the wanted weight to cover, 0 to 1. All that can be covered unless
        given, or when it is less.
    folds : int
        Pairs that must cover a stretch.
    fixed_in, fixed_out : array-like of int
        Sites that are chosen in any case, and sites that are not.
    wanted : numpy.ndarray of bool, shape (n,), optional
        Stretches that count; all unless given.
    time_limit_s : float
        Time for the search; the best choice by then is returned with its gap. [s]
    seed : int
        Order among equals.
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    SiteChoice
        Sites, coverage, bound and gap.

    Raises
    ------
    PlanError
        If a number cannot be right, a site is fixed both in and out, or more are fixed in than there may be.
    CancelledError
        If `feedback` says so.

    Notes
    -----
    Sites are bracketing: a stretch needs a chosen site on either side, and such that the two form a pair. The
    integer programme starts from the two sides of each stretch; what a solution claims falsely is answered by
    the vertex cover of the stretch's pairs that it breaks most, in fractions as in whole numbers, and by pair
    variables (`netcorr.planning.cover_rows`, `program`). Every round gives a valid bound, every solution is
    repaired, pruned and improved by swaps. A city (more than `CITY` stretches) is chosen in overlapping
    districts, again and again (`netcorr.planning.windows`), and the bound is that of the relaxation.

    Examples
    --------
    >>> from netcorr.planning import CandidateSites, MainsGraph, build_problem
    >>> street = MainsGraph(
    ...     4,
    ...     from_node=np.array([0, 1, 2]),
    ...     to_node=np.array([1, 2, 3]),
    ...     length_m=np.array([60.0, 50.0, 40.0]),
    ...     reach_m=np.full(3, 120.0),
    ...     weight=np.array([60.0, 50.0, 40.0]),
    ... )
    >>> problem = build_problem(street, CandidateSites.at_nodes([0, 1, 2, 3]))
    >>> choice = choose_sites(problem)
    >>> len(choice.sites), choice.proven, choice.coverage.length_m()
    (3, True, 150.0)
    >>> choose_sites(problem, most_sites=2).coverage.length_m()
    110.0
    """
    _check(problem, most_sites=most_sites, least_share=least_share, folds=folds)
    allowed, fixed = _fixed(problem, fixed_in=fixed_in, fixed_out=fixed_out, most_sites=most_sites)
    part = problem if allowed.all() else without_sites(problem, ~allowed)
    every = np.ones(len(problem.stretches), dtype=bool) if wanted is None else wanted
    targets = Targets.of(part, folds=folds, wanted=every)
    least_weight = _least_weight(problem, targets, every, share=least_share)
    goal = Goal(
        lower=fixed.astype(float),
        upper=allowed.astype(float),
        most_sites=most_sites,
        least_weight=least_weight if most_sites is None else None,
        folds=folds,
    )
    search = _Search(
        part, targets, goal, wanted=every, time_limit_s=time_limit_s, seed=seed, feedback=feedback
    )
    search.run()
    return SiteChoice(
        sites=search.best,
        coverage=covered_by(problem, search.best),
        folds=folds,
        most_sites=most_sites,
        least_weight=least_weight,
        bound=search.bound,
        seconds=search.elapsed_s,
    )


def _check(problem: ChoiceProblem, *, most_sites: int | None, least_share: float | None, folds: int) -> None:
    item = "choice of sites"
    if folds < 1:
        raise PlanError(item, found=f"{folds} folds", remedy="give 1 or more")
    if least_share is not None and not 0 <= least_share <= 1:
        raise PlanError(item, found=f"a coverage of {least_share:g}", remedy="give a share from 0 to 1")
    if most_sites is not None and most_sites < 2:
        raise PlanError(
            item, found=f"{most_sites} loggers", remedy="give 2 or more: a leak is placed between two"
        )
    if not len(problem.sites):
        raise PlanError(item, found="no candidate site", remedy="allow more fittings")


def _fixed(
    problem: ChoiceProblem, *, fixed_in: Any, fixed_out: Any, most_sites: int | None
) -> tuple[Flags, Flags]:
    """Sites that may be chosen, and those that must."""
    count = len(problem.sites)
    allowed, fixed = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    allowed[np.asarray(fixed_out, dtype=np.intp)] = False
    fixed[np.asarray(fixed_in, dtype=np.intp)] = True
    both = problem.sites.fitting[fixed & ~allowed]
    if len(both):
        raise PlanError(f"site {both[0]}", found="fixed in and out", remedy="take it off one of the lists")
    if most_sites is not None and fixed.sum() > most_sites:
        raise PlanError(
            "choice of sites",
            found=f"{fixed.sum()} sites are fixed in and there are {most_sites} loggers",
            remedy="fix fewer sites, or give more loggers",
        )
    return allowed, fixed


def _least_weight(
    problem: ChoiceProblem, targets: Targets, wanted: Flags, *, share: float | None
) -> float | None:
    """Weight to cover; None for all that can be."""
    if share is None:
        return None
    asked = share * float(problem.stretches.weight[wanted].sum())
    possible = float(targets.weight.sum())
    return None if asked > possible * (1 - 1e-9) else asked


class _Search:
    """The best choice and the best bound so far."""

    def __init__(
        self,
        problem: ChoiceProblem,
        targets: Targets,
        goal: Goal,
        *,
        wanted: Flags,
        time_limit_s: float,
        seed: int,
        feedback: Feedback,
    ) -> None:
        self._problem, self._targets, self._goal = problem, targets, goal
        self._wanted = wanted & problem.coverable(folds=goal.folds)
        self._relaxed = np.zeros(len(problem.sites))
        self._start_s, self._limit_s = time.perf_counter(), time_limit_s
        self._feedback = feedback
        self._rng = np.random.default_rng(seed)
        self._allowed, self._fixed = goal.upper > 0, goal.lower > 0
        self._weight = np.ones(len(targets)) if goal.all_targets else targets.weight
        self.best = np.flatnonzero(self._fixed)
        self._best_value = -math.inf if goal.most_sites is not None else math.inf
        self.bound = -self._best_value

    @property
    def elapsed_s(self) -> float:
        """Time since the start. [s]"""
        return time.perf_counter() - self._start_s

    def run(self) -> None:
        """Search until the best is proven or the time is over."""
        is_city = len(self._targets) > CITY
        if not is_city or self._goal.most_sites is not None:
            self._improve(np.zeros(0, dtype=np.intp))
        if self._trivial() or self._closed():
            return
        program = Program(self._targets, self._goal)
        rows = CoverRows(self._targets, site_count=len(self._problem.sites))
        program.add(rows.sides())
        self._relax(program, rows)
        if is_city:
            self._district_by_district()
            return
        while not self._closed() and self.elapsed_s < self._limit_s:
            self._tell()
            solution = program.solve(time_limit_s=self._limit_s - self.elapsed_s, bound=self.bound)
            self._take_bound(solution)
            if solution.chosen is None or solution.covered is None:
                break
            if not self._settle(program, rows, np.rint(solution.chosen), solution.covered > 0.5):
                break

    def _trivial(self) -> bool:
        """With nothing to cover the sites fixed in are the answer, and with all covered nothing is better."""
        if not len(self._targets):
            self.bound = self._best_value
            return True
        return False

    def _relax(self, program: Program, rows: CoverRows) -> None:
        """Add rows to the relaxation until it obeys them."""
        relaxed = program.relaxed()
        for _ in range(_RELAXED_ROUNDS):
            self._tell()
            left_s = _RELAXED_PART * self._limit_s - self.elapsed_s
            solution = relaxed.solve(time_limit_s=left_s)
            self._take_bound(solution)
            if solution.chosen is None or solution.covered is None or left_s <= 0:
                return
            self._relaxed = solution.chosen
            new = program.add(rows.broken(solution.chosen, solution.covered, tolerance=_RELAXED_TOLERANCE))
            if not new:
                return
            relaxed.add(new)

    def _district_by_district(self) -> None:
        """Improve the best choice in overlapping districts until the time is over; the bound stays."""
        problem, goal = self._problem, self._goal
        if goal.most_sites is None:
            self._improve(np.flatnonzero(self._relaxed > 0.5))
        windows = Windows(problem, self._wanted)
        fruitless = 0
        while not self._closed() and fruitless < 2:
            before = self._best_value
            for district in windows.once_over(self._rng):
                left_s = self._limit_s - self.elapsed_s
                if left_s <= 0 or self._closed():
                    return
                self._tell()
                self._choose_anew(windows, district, seconds=min(_DISTRICT_S, left_s))
            fruitless = fruitless + 1 if self._best_value == before else 0

    def _choose_anew(self, windows: Windows, district: Ints, *, seconds: float) -> None:
        """Choose the sites of a district anew, what lies round it kept; take it when it is better."""
        goal, chosen = self._goal, np.zeros(len(self._problem.sites), dtype=bool)
        chosen[self.best] = True
        part = windows.window(district, chosen=chosen, allowed=self._allowed)
        here = chosen[part.sites]
        must = ~part.free | self._fixed[part.sites]
        judged = covered_by(part.problem, np.flatnonzero(here))
        covered = judged.covered(folds=goal.folds)
        most = None if goal.most_sites is None else int(here.sum()) + goal.most_sites - len(self.best)
        if most is not None and most < 2:
            return
        found = choose_sites(
            part.problem,
            most_sites=most,
            folds=goal.folds,
            fixed_in=np.flatnonzero(must),
            wanted=covered if most is None else None,
            time_limit_s=seconds,
            seed=int(self._rng.integers(2**31)),
        )
        if most is None:
            better = len(found.sites) <= here.sum()
        else:
            better = found.coverage.weight(folds=goal.folds) > judged.weight(folds=goal.folds) + _ROUNDING
        if better and (covered.any() or most is not None):
            chosen[part.sites] = False
            chosen[part.sites[found.sites]] = True
            self._keep(self._state(np.flatnonzero(chosen)), even=True)

    def _settle(self, program: Program, rows: CoverRows, chosen: Floats, claimed: Flags) -> bool:
        """Make a true choice of a solution, and rows of what it claims falsely; False when all is true."""
        self._improve(np.flatnonzero(chosen > 0))
        state = self._state(np.flatnonzero(chosen > 0))
        false = np.flatnonzero(claimed & ~state.covered)
        new = program.add(rows.broken(chosen, claimed.astype(float)))
        settled = set(false.tolist()) - program.with_pairs
        program.with_pairs |= settled
        return bool(new or settled)

    def _state(self, sites: Ints) -> ChosenSites:
        state = ChosenSites(self._problem, self._targets, weight=self._weight, folds=self._goal.folds)
        state.add(sites.tolist())
        return state

    def _improve(self, sites: Ints) -> None:
        """Repair a choice, prune or swap, and keep it when it is the best so far."""
        state = self._state(np.union1d(sites, np.flatnonzero(self._fixed)))
        goal = self._goal
        if goal.most_sites is not None:
            fill_up(state, allowed=self._allowed, most_sites=goal.most_sites)
            self._keep(state)  # swaps count half a cover as a gain, so that they may lose whole ones
            swap(state, allowed=self._allowed, fixed=self._fixed, rng=self._rng)
        else:
            enough = float(self._weight.sum()) if goal.least_weight is None else goal.least_weight
            fill_up(state, allowed=self._allowed, most_sites=None, enough=enough * (1 - 1e-12))
            prune(state, fixed=self._fixed, enough=enough)
        self._keep(state)

    def _keep(self, state: ChosenSites, *, even: bool = False) -> None:
        """Remember a choice that is better than the best, or as good and different."""
        if self._goal.most_sites is not None:
            value, better = state.weight, state.weight > self._best_value
        else:
            value, better = float(len(state.sites)), len(state.sites) < self._best_value
        if better or (even and value == self._best_value):
            self.best, self._best_value = state.sites, value

    def _take_bound(self, solution: Solution) -> None:
        """Keep the better bound; a number of sites is whole."""
        if self._goal.most_sites is not None:
            possible = min(self.bound, solution.bound, float(self._targets.weight.sum()))
            self.bound = max(possible, self._best_value)
        elif math.isfinite(solution.bound):
            self.bound = min(max(self.bound, math.ceil(solution.bound - _ROUNDING)), self._best_value)

    def _closed(self) -> bool:
        """Whether the best is as good as the bound."""
        gap = abs(self._best_value - self.bound)
        return math.isfinite(gap) and gap <= _ROUNDING * max(abs(self.bound), 1.0)

    def _tell(self) -> None:
        check_cancelled(self._feedback)
        best, bound = self._best_value, self.bound
        if not math.isfinite(best):
            words = f"at least {max(bound, 0):.0f} sites are needed"
        elif self._goal.most_sites is None:
            words = f"{best:.0f} sites, at least {max(bound, 0):.0f} are needed"
        else:
            total = max(float(self._targets.weight.sum()), 1e-300)
            words = f"{100 * best / total:.1f} % of what can be covered, at most {100 * bound / total:.1f} %"
        self._feedback.progress(min(self.elapsed_s / self._limit_s, 1.0), words)
