"""Good choices of sites quickly: greedy by single sites and by pairs, swaps, repair and pruning.

What single sites or swaps gain is kept up to date as sites come and go, so that a step costs only its
neighbourhood. The gain counts partial progress towards several folds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from netcorr.planning.problem import Ragged

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netcorr.planning.cover_rows import Targets
    from netcorr.planning.problem import ChoiceProblem, Flags, Floats, Ints

#: A gain this small against the total weight is none.
_NOTHING = 1e-12


class ChosenSites:
    """Sites chosen so far, what they cover, and what each other site would add.

    Parameters
    ----------
    problem : ChoiceProblem
        The problem.
    targets : Targets
        What is to be covered.
    weight : numpy.ndarray of float, shape (t,)
        What each target is worth.
    folds : int
        Pairs that a target needs.
    """

    def __init__(self, problem: ChoiceProblem, targets: Targets, *, weight: Floats, folds: int = 1) -> None:
        n = len(problem.sites)
        target = targets.pairs.group
        both = np.concatenate([targets.site_a, targets.site_b])
        # a slot is a site that some pair uses for a target
        slot, of_entry = np.unique(np.tile(target, 2) * n + both, return_inverse=True)
        self._slot_site = slot % n
        self._slots = Ragged.grouped(slot // n, values=np.arange(len(slot)), count=len(targets))
        half = len(target)
        self._by_site = Ragged.grouped(both, values=np.arange(2 * half), count=n)
        self._own_slot = of_entry
        self._partner_slot = np.concatenate([of_entry[half:], of_entry[:half]])
        self._entry_target = np.tile(target, 2)
        self._pair_sites = problem.pair_sites
        self._targets, self._weight, self._folds = targets, weight, folds
        self._nothing = _NOTHING * float(weight.sum())
        self.chosen: Flags = np.zeros(n, dtype=bool)
        self.pairs = np.zeros(len(targets), dtype=np.intp)
        #: For a site not chosen what it would add, for a chosen one what would be lost without it.
        self.gain = np.zeros(n)
        self._partners = np.zeros(len(slot), dtype=np.intp)
        self._pair_gain = np.zeros(len(problem.pair_sites))
        np.add.at(self._pair_gain, targets.pairs.values, weight[target] / folds)

    @property
    def covered(self) -> Flags:
        """Targets that have all their folds."""
        return self.pairs >= self._folds

    @property
    def weight(self) -> float:
        """Weight of the covered targets."""
        return float(self._weight[self.covered].sum())

    @property
    def sites(self) -> Ints:
        """Numbers of the chosen sites."""
        return np.flatnonzero(self.chosen)

    def add(self, sites: Iterable[int]) -> None:
        """Choose more sites."""
        for site in sites:
            if not self.chosen[site]:
                self._change(int(site), 1)

    def remove(self, site: int) -> None:
        """Give up a chosen site."""
        self._change(site, -1)

    def _change(self, site: int, step: int) -> None:
        entries = self._by_site[site]
        slots, own = self._partner_slot[entries], self._own_slot[entries]
        target = np.unique(self._entry_target[entries])
        around = _concatenated(self._slots, target)
        self._count_gains(target, around, -1.0)
        self.chosen[site] = step > 0
        partner_chosen = self.chosen[self._slot_site[slots]]
        np.add.at(self.pairs, self._entry_target[entries[partner_chosen]], step)
        np.add.at(self._partners, slots, step)
        self._count_gains(target, around, 1.0)
        del own

    def _count_gains(self, target: Ints, around: Ints, sign: float) -> None:
        """Take the contributions of some targets out of the gains, or put them back."""
        if not len(around):
            return
        counts = self._slots.counts[target]
        share = np.repeat(self._weight[target] / self._folds, counts)
        now = np.repeat(self.pairs[target], counts)
        site = self._slot_site[around]
        partners = np.where(self.chosen[site], -self._partners[around], self._partners[around])
        moved = np.abs(np.minimum(now + partners, self._folds) - np.minimum(now, self._folds))
        np.add.at(self.gain, site, sign * share * moved)
        missing = np.maximum(self._folds - self.pairs[target], 0) > 0
        pairs = _concatenated(self._targets.pairs, target)
        worth = np.where(missing, self._weight[target], 0.0) / self._folds
        np.add.at(self._pair_gain, pairs, sign * np.repeat(worth, self._targets.pairs.counts[target]))

    def best_site(self, allowed: Flags) -> tuple[int, float]:
        """The site that adds most, and how much; -1 when none adds anything."""
        gain = np.where(allowed & ~self.chosen, self.gain, 0.0)
        site = int(np.argmax(gain)) if len(gain) else -1
        return (site, float(gain[site])) if site >= 0 and gain[site] > self._nothing else (-1, 0.0)

    def best_pair(self, allowed: Flags) -> tuple[Ints, float]:
        """Two sites that together add most, and about how much; none when no two do."""
        nobody = np.zeros(0, dtype=np.intp)
        if not len(self._pair_sites):
            return nobody, 0.0
        free = allowed & ~self.chosen
        a, b = self._pair_sites.T
        gain = np.where(free[a] & free[b], self._pair_gain + self.gain[a] + self.gain[b], 0.0)
        pair = int(np.argmax(gain))
        return (self._pair_sites[pair], float(gain[pair])) if gain[pair] > self._nothing else (nobody, 0.0)


def _concatenated(lists: Ragged, which: Ints) -> Ints:
    """Some of the lists, one after the other."""
    start, counts = lists.start[which], lists.counts[which]
    ends = np.cumsum(counts)
    total = int(ends[-1]) if len(ends) else 0
    return lists.values[np.repeat(start - ends + counts, counts) + np.arange(total)]


def fill_up(
    state: ChosenSites, *, allowed: Flags, most_sites: int | None, enough: float | None = None
) -> None:
    """Add sites, singly or by twos, whichever adds most for each, until nothing more can be gained.

    Parameters
    ----------
    state : ChosenSites
        Changed in place.
    allowed : numpy.ndarray of bool, shape (s,)
        Sites that may be chosen.
    most_sites : int, optional
        Sites there are.
    enough : float, optional
        Weight at which to stop.
    """
    count = len(state.sites)
    while (most_sites is None or count < most_sites) and (enough is None or state.weight < enough):
        site, gain = state.best_site(allowed)
        two, gain_of_two = state.best_pair(allowed)
        fits = most_sites is None or count + 2 <= most_sites
        if len(two) and fits and gain_of_two / 2 > gain:
            state.add(two)
            count += 2
        elif site >= 0:
            state.add([site])
            count += 1
        elif len(two) and fits:
            state.add(two)
            count += 2
        else:
            return


def swap(state: ChosenSites, *, allowed: Flags, fixed: Flags, rng: Any, passes: int = 8) -> None:
    """Exchange single sites while that covers more, sites that matter least first.

    Parameters
    ----------
    state : ChosenSites
        Changed in place.
    allowed, fixed : numpy.ndarray of bool, shape (s,)
        Sites that may be chosen, and chosen ones that must stay.
    rng : numpy.random.Generator
        Order among equals.
    passes : int
        Times that all sites are tried at most.
    """
    for _ in range(passes):
        better = False
        sites = rng.permutation(np.flatnonzero(state.chosen & ~fixed))
        for site in sites[np.argsort(state.gain[sites], kind="stable")].tolist():
            lost = float(state.gain[site])
            state.remove(site)
            other, gain = state.best_site(allowed)
            if other >= 0 and gain > lost * (1 + 1e-9) + state._nothing:
                state.add([other])
                better = True
            else:
                state.add([site])
        if not better:
            return


def prune(state: ChosenSites, *, fixed: Flags, enough: float | None = None) -> None:
    """Give up sites that nothing depends on, or that leave enough covered without them.

    Parameters
    ----------
    state : ChosenSites
        Changed in place.
    fixed : numpy.ndarray of bool, shape (s,)
        Sites that must stay.
    enough : float, optional
        Weight that must stay covered; what is covered now, unless given.
    """
    enough = state.weight if enough is None else enough
    tried = fixed.copy()
    while True:
        free = np.flatnonzero(state.chosen & ~tried)
        if not len(free):
            return
        site = int(free[np.argmin(state.gain[free])])
        tried[site] = True
        state.remove(site)
        if state.weight < enough * (1 - 1e-12):
            state.add([site])
