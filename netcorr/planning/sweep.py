"""A district in several setups of a few loggers: which sites stand together, so that every pair does."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import PlanError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.planning.choice import choose_sites
from netcorr.planning.coverage import covered_by
from netcorr.planning.problem import ChoiceProblem, Ragged
from netcorr.planning.setup_search import SetupSearch

if TYPE_CHECKING:
    from netcorr.planning.problem import Flags, Floats, Ints

#: Time for one setup, and worth of a stretch that other setups cover already: enough to let a setup with room
#: take over from its neighbours, too little to trade a new stretch for. [s], of a new stretch
_SETUP_S, _SHARED_WORTH = 3.0, 0.02
#: Part of all the time that the first choice of the setups may take.
_START_PART = 0.3
_SILENT = NoFeedback()


@dataclass(frozen=True, eq=False)
class Sweep:
    """Setups that together cover what a choice of sites covers.

    Attributes
    ----------
    setups : tuple of numpy.ndarray of int
        Sites of each setup.
    covered : numpy.ndarray of bool, shape (n,)
        Stretches that some setup covers.
    least_setups : int
        No sweep has fewer, if as many sites are needed as were given.
    """

    setups: tuple[Ints, ...]
    covered: Flags
    least_setups: int

    @property
    def placements(self) -> int:
        """Loggers put down in all setups together."""
        return sum(len(sites) for sites in self.setups)


def plan_sweep(
    problem: ChoiceProblem,
    sites: Ints,
    *,
    loggers: int,
    folds: int = 1,
    allowed: Flags | None = None,
    wanted: Flags | None = None,
    time_limit_s: float = 60.0,
    feedback: Feedback = _SILENT,
) -> Sweep:
    """Cover what the sites cover, with so many loggers at a time.

    Parameters
    ----------
    problem : ChoiceProblem
        The problem.
    sites : numpy.ndarray of int
        A choice of sites, as few as possible, that covers what is wanted if all have loggers.
    loggers : int
        Loggers there are.
    folds : int
        Pairs of one setup that must cover a stretch.
    allowed : numpy.ndarray of bool, shape (s,), optional
        Sites that may be used; all unless given.
    wanted : numpy.ndarray of bool, shape (n,), optional
        Stretches that count; all unless given.
    time_limit_s : float
        Time to make do with fewer setups. [s]
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    Sweep
        Setups overlap where a stretch needs it. A stretch that no setup of so few loggers can cover as
        often as wanted is left out.

    Raises
    ------
    PlanError
        If there are fewer than two loggers.
    CancelledError
        If `feedback` says so.

    Notes
    -----
    The district is halved along its mains until every part has its share of the sites, and a setup is
    chosen for each, exactly. What is left uncovered then pushes its way in, site by site, and what it pushes
    out goes on to the next setup (`netcorr.planning.setup_search`); where that does not end in half of the
    time that is left, there is one setup more. With several folds, in place of this, one setup after the
    other is chosen anew for what the others leave uncovered.
    """
    if loggers < 2:
        raise PlanError(
            "sweep", found=f"{loggers} loggers", remedy="give 2 or more: a leak is placed between two"
        )
    goal = covered_by(problem, sites).covered(folds=folds)
    goal &= np.ones(len(goal), dtype=bool) if wanted is None else wanted
    least = max(math.ceil(len(sites) / loggers), 1)
    if len(sites) <= loggers:
        return Sweep((np.asarray(sites),) if len(sites) else (), goal, least if len(sites) else 0)
    stop_s = time.perf_counter() + time_limit_s
    seconds = min(_SETUP_S, _START_PART * time_limit_s / least)
    work = _Setups(problem, goal, loggers=loggers, folds=folds, allowed=allowed, seconds=seconds)
    work.start(_parts(problem, np.asarray(sites), goal, count=least))
    if folds == 1 and not work.done:
        work.search(stop_s, feedback)
    while not work.done:
        check_cancelled(feedback)
        feedback.progress(work.share, f"{len(work.setups)} setups cover {100 * work.share:.1f} %")
        if not (time.perf_counter() < stop_s and work.improve()) and not work.add():
            break
    setups = [one for one in work.pruned() if len(one)]
    return Sweep(tuple(setups), work.covered, least)


class _Setups:
    """Setups under way."""

    def __init__(
        self,
        problem: ChoiceProblem,
        goal: Flags,
        *,
        loggers: int,
        folds: int,
        allowed: Flags | None,
        seconds: float,
    ) -> None:
        self._problem, self._goal, self._loggers, self._folds = problem, goal, loggers, folds
        every = np.ones(len(problem.sites), dtype=bool)
        self._allowed = every if allowed is None else allowed
        self._out = np.flatnonzero(~self._allowed)
        self._seconds = seconds
        self.setups: list[Ints] = []
        self._covers: list[Flags] = []

    @property
    def covered(self) -> Flags:
        """Wanted stretches that some setup covers."""
        return np.asarray(self._goal & np.any(self._covers or [np.zeros_like(self._goal)], axis=0))

    @property
    def share(self) -> float:
        """Of the wanted stretches."""
        return float(self.covered.sum() / max(self._goal.sum(), 1))

    @property
    def done(self) -> bool:
        """Whether every wanted stretch is covered."""
        return bool((self.covered == self._goal).all())

    def start(self, parts: list[Flags]) -> None:
        """One setup for each part."""
        for part in parts:
            self._append(self._choose(np.where(part, 1.0, 0.0)))

    def search(self, stop_s: float, feedback: Feedback) -> None:
        """Let what is uncovered push its way in; with more setups, where that does not end."""
        search = SetupSearch(
            self._problem, self._goal, self.setups, loggers=self._loggers, allowed=self._allowed
        )
        while True:
            left_s = stop_s - time.perf_counter()
            if search.run(time_limit_s=left_s / 2, feedback=feedback) or left_s < 1.0:
                break
            search.add_setup()
        self.setups = search.setups()
        self._covers = [self._judge(sites) for sites in self.setups]

    def add(self) -> bool:
        """One more setup for what is left; False when it covers nothing."""
        before = int(self.covered.sum())
        left = self._goal & ~self.covered
        if not left.any():
            return False
        self._append(self._choose(np.where(left, 1.0, 0.0)))
        return int(self.covered.sum()) > before

    def improve(self) -> bool:
        """Choose every setup anew; whether more is covered now."""
        before = int(self.covered.sum())
        for k in range(len(self.setups)):
            others = np.sum([self._covers[j] for j in range(len(self.setups)) if j != k], axis=0)
            near = self._near(self.setups[k], self._goal & (others == 0))
            worth = np.where(others == 0, 1.0, np.where((others == 1) & near, _SHARED_WORTH, 0.0))
            sites = self._choose(np.where(self._goal, worth, 0.0))
            covers = self._judge(sites)
            if worth[covers & self._goal].sum() >= worth[self._covers[k] & self._goal].sum():
                self.setups[k], self._covers[k] = sites, covers
            if self.done:
                return True
        return int(self.covered.sum()) > before

    def pruned(self) -> list[Ints]:
        """Setups without sites that they do not need."""
        kept = []
        for k, sites in enumerate(self.setups):
            need = self._covers[k] & self._goal
            for j in range(k):
                need = need & ~self._covers[j]
            part = choose_sites(
                self._problem, folds=self._folds, fixed_out=self._out, wanted=need, time_limit_s=self._seconds
            )
            small = part.sites if need.any() and len(part.sites) <= len(sites) else sites
            kept.append(small if need.any() else sites[:0])
        return kept

    def _near(self, sites: Ints, uncovered: Flags) -> Flags:
        """Stretches with which a setup, or what is left uncovered, shares a pair."""
        problem = self._problem
        mine = np.zeros(len(problem.sites), dtype=bool)
        mine[sites] = True
        touched = np.repeat(uncovered, problem.covering.counts)
        mine[problem.covering_from[touched]] = True
        touches = mine[problem.covering_from] | mine[problem.covering_to]
        return np.bincount(problem.covering.group[touches], minlength=len(uncovered)) > 0

    def _choose(self, worth: Floats) -> Ints:
        stretches = replace(self._problem.stretches, weight=worth)
        choice = choose_sites(
            replace(self._problem, stretches=stretches),
            most_sites=self._loggers,
            folds=self._folds,
            fixed_out=self._out,
            wanted=worth > 0,
            time_limit_s=self._seconds,
        )
        return choice.sites

    def _judge(self, sites: Ints) -> Flags:
        return covered_by(self._problem, sites).covered(folds=self._folds)

    def _append(self, sites: Ints) -> None:
        self.setups.append(sites)
        self._covers.append(self._judge(sites))


def _parts(problem: ChoiceProblem, sites: Ints, goal: Flags, *, count: int) -> list[Flags]:
    """Split the wanted stretches into connected parts that need about as many sites each."""
    chosen = np.zeros(len(problem.sites), dtype=bool)
    chosen[sites] = True
    held = chosen[problem.covering_from] & chosen[problem.covering_to]
    held &= goal[problem.covering.group]
    stretch = np.tile(problem.covering.group[held], 2)
    site = np.concatenate([problem.covering_from[held], problem.covering_to[held]])
    near = _Neighbours(
        Ragged.distinct(stretch, values=site, count=len(goal)),
        Ragged.distinct(site, values=stretch, count=len(chosen)),
    )
    load = near.load()
    parts = [(np.flatnonzero(goal), count)]
    done: list[Flags] = []
    while parts:
        members, pieces = parts.pop()
        if pieces == 1:
            flags = np.zeros(len(goal), dtype=bool)
            flags[members] = True
            done.append(flags)
            continue
        order = members[np.argsort(near.steps_across(members), kind="stable")]
        filled = np.cumsum(load[order])
        cut = int(np.searchsorted(filled, filled[-1] * (pieces // 2) / pieces)) if len(order) else 0
        parts += [(order[:cut], pieces // 2), (order[cut:], pieces - pieces // 2)]
    return done


@dataclass(frozen=True, eq=False)
class _Neighbours:
    """Stretches and the chosen sites that cover them, both ways."""

    sites: Ragged
    stretches: Ragged

    def load(self) -> Floats:
        """Share of the sites that each stretch takes up."""
        shared = 1.0 / np.maximum(self.stretches.counts, 1)
        return np.asarray(
            np.bincount(self.sites.group, shared[self.sites.values], minlength=len(self.sites)), dtype=float
        )

    def steps_across(self, members: Ints) -> Floats:
        """How much nearer each stretch is to one end of the part than to the other, in steps."""
        if not len(members):
            return np.zeros(0)
        one = members[int(np.argmax(self._steps(members, int(members[0]))))]
        from_one = self._steps(members, int(one))
        other = members[int(np.argmax(from_one))]
        return from_one - self._steps(members, int(other))

    def _steps(self, members: Ints, start: int) -> Floats:
        """Steps from a stretch to the others of the part; what is not connected comes after all that is."""
        inside = np.zeros(len(self.sites), dtype=bool)
        inside[members] = True
        steps = np.full(len(self.sites), -1)
        front, level = np.array([start]), 0
        while len(front):
            steps[front] = level
            sites = np.unique(np.concatenate([self.sites[int(k)] for k in front]))
            reached = np.unique(np.concatenate([self.stretches[int(s)] for s in sites]))
            front, level = reached[inside[reached] & (steps[reached] < 0)], level + 1
            if not len(front):
                left = members[steps[members] < 0]
                front = left[:1]
        return steps[members].astype(float)
