"""A choice of sites for a city, improved district by district; the districts overlap.

What lies round a district is kept as it is, so that whatever is chosen anew inside fits to it. What was cut
by the edge of one district lies inside another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.planning.problem import CandidateSites, ChoiceProblem, Ragged, Stretches

if TYPE_CHECKING:
    from typing import Any

    from netcorr.planning.problem import Flags, Ints

#: Stretches of a district: exact choices of so many take seconds.
SIZE = 500


@dataclass(frozen=True, eq=False)
class Window:
    """A district cut out of a problem, with what it touches.

    Attributes
    ----------
    problem : ChoiceProblem
        The part: stretches that its sites can cover; its sites, and chosen ones round it.
    stretches : numpy.ndarray of int
        Number of each stretch in the whole problem.
    sites : numpy.ndarray of int
        Number of each site in the whole problem.
    free : numpy.ndarray of bool
        Sites of the district; the others are chosen ones round it.
    """

    problem: ChoiceProblem
    stretches: Ints
    sites: Ints
    free: Flags


class Windows:
    """Districts of a problem.

    Parameters
    ----------
    problem : ChoiceProblem
        The whole.
    wanted : numpy.ndarray of bool, shape (n,)
        Stretches that count.
    """

    def __init__(self, problem: ChoiceProblem, wanted: Flags) -> None:
        self._problem, self._wanted = problem, wanted
        stretch = problem.covering.group
        self._both = np.concatenate([problem.covering_from, problem.covering_to])
        n, count = len(problem.sites), len(problem.stretches)
        twice = np.tile(stretch, 2)
        self._stretches_of = Ragged.distinct(self._both, values=twice, count=n)
        self._sites_of = Ragged.distinct(twice, values=self._both, count=count)

    def once_over(self, rng: Any, *, size: int = SIZE) -> Iterator[Ints]:
        """Districts that together hold every stretch that counts, grown from places drawn at random.

        Parameters
        ----------
        rng : numpy.random.Generator
            Where they begin.
        size : int
            Stretches of each.

        Yields
        ------
        numpy.ndarray of int
            Stretches of a district, neighbours of each other.
        """
        seen = ~self._wanted.copy()
        seen |= self._problem.covering.counts == 0
        for start in rng.permutation(np.flatnonzero(~seen)).tolist():
            if not seen[start]:
                district = self._grown(start, size)
                seen[district] = True
                yield district

    def _grown(self, start: int, size: int) -> Ints:
        """A stretch and its neighbours, those next to it first."""
        inside = np.zeros(len(self._problem.stretches), dtype=bool)
        front, held = np.array([start]), [np.array([start])]
        inside[start] = True
        count = 1
        while len(front) and count < size:
            sites = np.unique(np.concatenate([self._sites_of[int(k)] for k in front]))
            near = np.unique(np.concatenate([self._stretches_of[int(s)] for s in sites]))
            front = near[~inside[near] & self._wanted[near]][: size - count]
            inside[front] = True
            held.append(front)
            count += len(front)
        return np.concatenate(held)

    def window(self, district: Ints, *, chosen: Flags, allowed: Flags) -> Window:
        """Cut a district out.

        Parameters
        ----------
        district : numpy.ndarray of int
            Stretches.
        chosen, allowed : numpy.ndarray of bool, shape (s,)
            Sites chosen now, and those that may be.

        Returns
        -------
        Window
            Its stretches are all that its sites can cover.
        """
        problem = self._problem
        free = np.zeros(len(problem.sites), dtype=bool)
        free[np.concatenate([self._sites_of[int(k)] for k in district])] = True
        free &= allowed
        touched = np.unique(np.concatenate([self._stretches_of[int(s)] for s in np.flatnonzero(free)]))
        touched = touched[self._wanted[touched]]
        counts = problem.covering.counts[touched]
        ends = np.cumsum(counts)
        entry = np.repeat(problem.covering.start[touched] - ends + counts, counts) + np.arange(ends[-1])
        usable = free | chosen
        kept = usable[problem.covering_from[entry]] & usable[problem.covering_to[entry]]
        entry, stretch = entry[kept], np.repeat(np.arange(len(touched)), counts)[kept]
        pair, own_pair = np.unique(problem.covering.values[entry], return_inverse=True)
        sites = np.unique(problem.pair_sites[pair])
        number = np.full(len(problem.sites), -1)
        number[sites] = np.arange(len(sites))
        part = ChoiceProblem(
            stretches=_some(problem.stretches, touched),
            sites=CandidateSites(
                fitting=problem.sites.fitting[sites],
                node=problem.sites.node[sites],
                listens=problem.sites.node[sites],
                listens_site=np.arange(len(sites)),
            ),
            pair_sites=number[problem.pair_sites[pair]],
            pair_length_m=problem.pair_length_m[pair],
            covering=Ragged.grouped(stretch, values=own_pair, count=len(touched)),
            covering_from=number[problem.covering_from[entry]],
            covering_to=number[problem.covering_to[entry]],
        )
        return Window(part, touched, sites, free[sites])


def _some(stretches: Stretches, which: Ints) -> Stretches:
    return replace(
        stretches,
        edge=stretches.edge[which],
        from_m=stretches.from_m[which],
        to_m=stretches.to_m[which],
        length_m=stretches.length_m[which],
        weight=stretches.weight[which],
    )
