"""Setups of a sweep improved together: what is left uncovered pushes its way in.

A local search with memory. It takes a stretch that no setup covers, puts a site into the setup where that
pays most, and takes out the site that matters least there. What stays uncovered grows in weight, so that in
the end something else is uncovered in its place, next to it, and so on until a setup with room is reached.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.planning.cover_rows import Targets
from netcorr.planning.problem import Ragged

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.planning.problem import ChoiceProblem, Flags, Floats, Ints

#: A site that was moved stays where it is for so many moves, and a random number of moves more.
_REST, _REST_MORE = 6, 8
#: Setups looked at for a stretch of which none holds a side, when all are full.
_SOME_SETUPS = 12
#: Moves between two words on the progress.
_TOLD_EVERY = 50
_SILENT = NoFeedback()


class SetupSearch:
    """Setups under way; each target needs one pair that stands in one setup.

    Parameters
    ----------
    problem : ChoiceProblem
        The problem.
    goal : numpy.ndarray of bool, shape (n,)
        Stretches to cover.
    setups : sequence of numpy.ndarray of int
        Where to start.
    loggers : int
        Sites that a setup may have.
    allowed : numpy.ndarray of bool, shape (s,)
        Sites that may be used.
    seed : int
        Order among equals.
    """

    def __init__(
        self,
        problem: ChoiceProblem,
        goal: Flags,
        setups: Sequence[Ints],
        *,
        loggers: int,
        allowed: Flags,
        seed: int = 1,
    ) -> None:
        targets = Targets.of(problem, wanted=goal)
        usable = allowed[targets.site_a] & allowed[targets.site_b]
        self._entry_target = targets.pairs.group[usable]
        self._a, self._b = targets.site_a[usable], targets.site_b[usable]
        n, count = len(problem.sites), len(targets)
        every = np.arange(len(self._a))
        self._of_target: list[Ints] = _lists(self._entry_target, every, count)
        both = np.concatenate([self._a, self._b])
        self._of_site: list[Ints] = _lists(both, np.tile(every, 2), n)
        self._loggers, self._rng = loggers, np.random.default_rng(seed)
        self._sizes = (n, count)
        self._place(setups)

    def _place(self, setups: Sequence[Ints]) -> None:
        n, count = self._sizes
        self._weight = np.ones(count)
        self._member = np.zeros((len(setups), n), dtype=bool)
        self._pairs = np.zeros((len(setups), count), dtype=np.int32)
        self._cover = np.zeros(count, dtype=np.int32)
        self._rests = np.zeros((len(setups), n), dtype=np.int64)
        self._move = 0
        for k, sites in enumerate(setups):
            for site in np.asarray(sites).tolist():
                self._add(k, site)
        self._best, self._best_left = self._member.copy(), self.left

    @property
    def left(self) -> int:
        """Targets that no setup covers."""
        return int((self._cover == 0).sum())

    def run(self, *, time_limit_s: float, most_moves: int = 200_000, feedback: Feedback = _SILENT) -> bool:
        """Search until all is covered; False when the time or the moves are over before.

        Parameters
        ----------
        time_limit_s : float
            Time there is. [s]
        most_moves : int
            Moves at most.
        feedback : Feedback
            Told of the progress.

        Returns
        -------
        bool
            Whether the setups cover everything.

        Raises
        ------
        CancelledError
            If `feedback` says so.
        """
        stop_s, last = time.perf_counter() + time_limit_s, self._move + most_moves
        while self._best_left and self._move < last and time.perf_counter() < stop_s:
            check_cancelled(feedback)
            if self._move % _TOLD_EVERY == 0:
                part = 1 - self._best_left / max(self._sizes[1], 1)
                feedback.progress(part, f"{len(self._member)} setups cover {100 * part:.1f} %")
            self._step()
            left = self.left
            if left < self._best_left:
                self._best, self._best_left = self._member.copy(), left
        return not self._best_left

    def add_setup(self) -> None:
        """One more setup, with room for everything, beside the best found; memory starts anew."""
        best = [np.flatnonzero(row) for row in self._best]
        empty = np.zeros(0, dtype=np.intp)
        self._place([*best, empty])

    def setups(self) -> list[Ints]:
        """Sites of each setup, as good as found."""
        return [np.flatnonzero(row) for row in self._best]

    def _step(self) -> None:
        self._move += 1
        uncovered = np.flatnonzero(self._cover == 0)
        weight = self._weight[uncovered]
        target = int(self._rng.choice(uncovered, p=weight / weight.sum()))
        setup, sites = self._best_entry(target)
        for site in sites:
            self._add(setup, site)
            self._rest(setup, site)
        while self._member[setup].sum() > self._loggers:
            site = self._least(setup)
            self._remove(setup, site)
            self._rest(setup, site)
        self._weight[self._cover == 0] += 1.0

    def _rest(self, setup: int, site: int) -> None:
        self._rests[setup, site] = self._move + _REST + int(self._rng.integers(_REST_MORE))

    def _best_entry(self, target: int) -> tuple[int, list[int]]:
        """The setup, and one or two sites, that cover a target and cost least."""
        own = self._of_target[target]
        a, b = self._a[own], self._b[own]
        in_a, in_b = self._member[:, a], self._member[:, b]
        setups = np.flatnonzero((in_a | in_b).any(axis=1))
        best, found = -np.inf, (-1, [0])
        for k in setups.tolist():
            new = np.unique(np.concatenate([b[in_a[k] & ~in_b[k]], a[in_b[k] & ~in_a[k]]]))
            new = new[self._rests[k, new] <= self._move]
            if not len(new):
                continue
            full = self._member[k].sum() >= self._loggers
            cost = float(self._losses(k).min(initial=np.inf)) if full else 0.0
            score = np.array([self._gain(k, int(site)) for site in new]) - cost
            score += 1e-3 * self._rng.random(len(new))
            pick = int(np.argmax(score))
            if score[pick] > best:
                best, found = float(score[pick]), (k, [int(new[pick])])
        return found if found[0] >= 0 else self._new_pair(a, b)

    def _gain(self, k: int, site: int) -> float:
        """Weight that a site more would newly cover."""
        entries = self._of_site[site]
        row = self._member[k]
        target = self._entry_target[entries[row[self._a[entries]] | row[self._b[entries]]]]
        return float(self._weight[np.unique(target[self._cover[target] == 0])].sum())

    def _new_pair(self, a: Ints, b: Ints) -> tuple[int, list[int]]:
        """Both sites of a pair, into the setup in which the two that make room matter least."""
        sizes = self._member.sum(axis=1)
        setups = np.flatnonzero(sizes <= self._loggers - 2)
        if not len(setups):
            some = min(len(sizes), _SOME_SETUPS)
            setups = self._rng.choice(len(sizes), some, replace=False)
        cost = np.array([self._room_for_two(int(k)) for k in setups])
        chosen = int(setups[int(np.argmin(cost + 1e-3 * self._rng.random(len(cost))))])
        pick = int(self._rng.integers(len(a)))
        return chosen, [s for s in (int(a[pick]), int(b[pick])) if not self._member[chosen, s]]

    def _room_for_two(self, k: int) -> float:
        """Weight that is lost when two members make room, as far as there is none."""
        needed = max(2 - self._loggers + int(self._member[k].sum()), 0)
        losses = np.sort(self._losses(k))
        return float(losses[:needed].sum()) if len(losses) >= needed else np.inf

    def _losses(self, k: int) -> Floats:
        """Weight that only a member covers, for each of a setup that may be taken out."""
        loss, sites = self._loss_of(k)
        free = self._rests[k, sites] <= self._move
        return loss[free] if free.any() else loss

    def _least(self, k: int) -> int:
        """The member that matters least, of those that may be taken out."""
        loss, sites = self._loss_of(k)
        free = self._rests[k, sites] <= self._move
        if not free.any():
            free = np.ones(len(sites), dtype=bool)
        loss = loss + 1e-3 * self._rng.random(len(loss))
        return int(sites[free][int(np.argmin(loss[free]))])

    def _loss_of(self, k: int) -> tuple[Floats, Ints]:
        sites = np.flatnonzero(self._member[k])
        lists = [self._of_site[int(s)] for s in sites]
        entries = np.concatenate(lists) if lists else np.zeros(0, dtype=np.intp)
        owner = np.repeat(np.arange(len(sites)), [len(one) for one in lists])
        stands = self._member[k, self._a[entries]] & self._member[k, self._b[entries]]
        target = self._entry_target[entries[stands]]
        count = len(self._cover)
        key, own = np.unique(owner[stands].astype(np.int64) * count + target, return_counts=True)
        who, what = key // count, key % count
        only = (self._cover[what] == 1) & (self._pairs[k, what] == own)
        loss = np.bincount(who[only], self._weight[what[only]], minlength=len(sites)).astype(float)
        return loss, sites

    def _add(self, k: int, site: int) -> None:
        self._member[k, site] = True
        target = self._partners(k, site)
        before = self._pairs[k] > 0
        np.add.at(self._pairs[k], target, 1)
        self._cover += (self._pairs[k] > 0) & ~before

    def _remove(self, k: int, site: int) -> None:
        target = self._partners(k, site)
        before = self._pairs[k] > 0
        np.subtract.at(self._pairs[k], target, 1)
        self._cover -= before & (self._pairs[k] == 0)
        self._member[k, site] = False

    def _partners(self, k: int, site: int) -> Ints:
        """Targets that a member covers with others, once for each pair."""
        entries = self._of_site[site]
        row: NDArray[np.bool_] = self._member[k]
        return self._entry_target[entries[row[self._a[entries]] & row[self._b[entries]]]]


def _lists(group: Ints, values: Ints, count: int) -> list[Ints]:
    """Values by group, as arrays that are at hand at once."""
    lists = Ragged.grouped(group, values=values, count=count)
    return [lists[k] for k in range(count)]
