"""The problem of choosing sites: which pairs of sites would cover which stretches of main."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from netcorr.errors import PlanError

if TYPE_CHECKING:
    from numpy.typing import NDArray

Ints: TypeAlias = "NDArray[np.intp]"
Floats: TypeAlias = "NDArray[np.float64]"
Flags: TypeAlias = "NDArray[np.bool_]"


@dataclass(frozen=True, eq=False)
class Ragged:
    """Lists of whole numbers of different lengths, one after the other.

    Attributes
    ----------
    start : numpy.ndarray of int, shape (n + 1,)
        Where each list starts in `values`; the last entry is their number.
    values : numpy.ndarray of int
        All lists.

    Examples
    --------
    >>> lists = Ragged.grouped(np.array([2, 0, 2]), values=np.array([7, 5, 6]), count=3)
    >>> [one.tolist() for one in lists]
    [[5], [], [7, 6]]
    """

    start: Ints
    values: Ints

    @classmethod
    def grouped(cls, group: Ints, *, values: Ints, count: int) -> Ragged:
        """Gather values by group 0 to `count` - 1, within a group in the order given."""
        order = np.argsort(group, kind="stable")
        start = np.zeros(count + 1, dtype=np.intp)
        np.cumsum(np.bincount(group, minlength=count), out=start[1:])
        return cls(start, np.asarray(values[order], dtype=np.intp))

    @classmethod
    def distinct(cls, group: Ints, *, values: Ints, count: int) -> Ragged:
        """Gather values by group, each once and in rising order."""
        width = int(values.max(initial=0)) + 1
        keys = np.unique(group.astype(np.int64) * width + values)
        return cls.grouped(keys // width, values=keys % width, count=count)

    def __len__(self) -> int:
        return len(self.start) - 1

    def __getitem__(self, k: int) -> Ints:
        if not 0 <= k < len(self):
            raise IndexError(k)
        return self.values[self.start[k] : self.start[k + 1]]

    @cached_property
    def counts(self) -> Ints:
        """Length of each list."""
        return np.diff(self.start)

    @cached_property
    def group(self) -> Ints:
        """Which list each of `values` belongs to."""
        return np.repeat(np.arange(len(self)), self.counts)


@dataclass(frozen=True, eq=False)
class MainsGraph:
    """Open mains as a weighted graph: what the search for paths needs, and nothing else.

    Attributes
    ----------
    node_count : int
        Nodes are 0 to `node_count` - 1.
    from_node, to_node : numpy.ndarray of int, shape (m,)
        Ends of each edge.
    length_m : numpy.ndarray of float, shape (m,)
        Ground length; the path between two sites is the shortest by it. [m]
    reach_m : numpy.ndarray of float, shape (m,)
        Longest path between two sites, if all of it were like this edge. A path is within reach when the
        shares `length_m / reach_m` of its edges add up to 1 at most. [m]
    weight : numpy.ndarray of float, shape (m,)
        What covering the edge is worth; its length, unless something else counts.
    from_share, to_share : numpy.ndarray of float, shape (m,), optional
        What a path that passes the node at either end of the edge loses there, on this edge's side, as a
        share of what it may lose in all: tees and fittings. The two sides of a node add up to 0 or more. A
        path loses nothing at the nodes where it starts and ends. Nothing unless given.

    Raises
    ------
    PlanError
        If the arrays differ in length, or a number cannot be right.
    """

    node_count: int
    from_node: Ints
    to_node: Ints
    length_m: Floats
    reach_m: Floats
    weight: Floats
    from_share: Floats | None = None
    to_share: Floats | None = None

    def __post_init__(self) -> None:
        fault = self._fault()
        if fault:
            raise PlanError("graph of mains", found=fault, remedy="correct the map or the settings")

    def _fault(self) -> str:
        ends = np.concatenate([self.from_node, self.to_node])
        arrays = (self.to_node, self.length_m, self.reach_m, self.weight, *self.end_shares)
        rules = {
            "arrays of different lengths": any(len(one) != len(self.from_node) for one in arrays),
            "an end that is no node": bool(len(ends)) and not 0 <= ends.min() <= ends.max() < self.node_count,
            "a length that is negative or no number": not (
                np.isfinite(self.length_m).all() and (self.length_m >= 0).all()
            ),
            "a reach that is not above 0 m": not (self.reach_m > 0).all(),
            "a weight that is negative or no number": not (
                np.isfinite(self.weight).all() and (self.weight >= 0).all()
            ),
            "a loss at a node that is no number": not all(np.isfinite(one).all() for one in self.end_shares),
        }
        return next((text for text, broken in rules.items() if broken), "")

    @property
    def end_shares(self) -> tuple[Floats, Floats]:
        """What passing the nodes at `from_node` and `to_node` costs, zero where nothing was given."""
        none = np.zeros(len(self.from_node))
        return (
            none if self.from_share is None else self.from_share,
            none if self.to_share is None else self.to_share,
        )

    def __len__(self) -> int:
        return len(self.from_node)


@dataclass(frozen=True, eq=False)
class Stretches:
    """Stretches of main that are covered as a whole or not at all.

    Attributes
    ----------
    edge : numpy.ndarray of int, shape (n,)
        Edge of the `MainsGraph` that it lies on.
    from_m, to_m : numpy.ndarray of float, shape (n,)
        Its ends, from the edge's `from_node`. [m]
    length_m : numpy.ndarray of float, shape (n,)
        Its length. [m]
    weight : numpy.ndarray of float, shape (n,)
        What covering it is worth.
    """

    edge: Ints
    from_m: Floats
    to_m: Floats
    length_m: Floats
    weight: Floats

    def __len__(self) -> int:
        return len(self.edge)


@dataclass(frozen=True, eq=False)
class CandidateSites:
    """Places at which a logger may stand, one for each place.

    Attributes
    ----------
    fitting : numpy.ndarray of str, shape (s,)
        Asset id of the fitting.
    node : numpy.ndarray of int, shape (s,)
        Its node.
    listens : numpy.ndarray of int, shape (q,)
        Nodes at which a site hears the mains: its own, and for a closed valve those of all its sides.
    listens_site : numpy.ndarray of int, shape (q,)
        Site that each of `listens` belongs to.
    """

    fitting: NDArray[np.object_]
    node: Ints
    listens: Ints
    listens_site: Ints

    @classmethod
    def at_nodes(cls, node: Any, *, fitting: Any = None) -> CandidateSites:
        """Sites that hear the mains at their own node only; named by the node unless names are given.

        Raises
        ------
        PlanError
            If a node is given twice.
        """
        nodes = np.asarray(node, dtype=np.intp)
        if len(np.unique(nodes)) < len(nodes):
            raise PlanError("candidate sites", found="a node given twice", remedy="give each place once")
        names = [str(n) for n in nodes.tolist()] if fitting is None else list(fitting)
        return cls(np.array(names, dtype=object), nodes, nodes, np.arange(len(nodes)))

    def __len__(self) -> int:
        return len(self.node)


@dataclass(frozen=True, eq=False)
class ChoiceProblem:
    """Everything that the choice of sites needs to know.

    A pair of sites covers a stretch when the stretch lies on the shortest path between them and that path is
    within reach. Of the two sites of such a pair one lies on either side of the stretch.

    Attributes
    ----------
    stretches : Stretches
        What may be covered, numbered 0 to n - 1.
    sites : CandidateSites
        Where loggers may stand, numbered 0 to s - 1.
    pair_sites : numpy.ndarray of int, shape (p, 2)
        Pairs of sites within reach, the lower number first.
    pair_length_m : numpy.ndarray of float, shape (p,)
        Length of their path. [m]
    covering : Ragged
        Pairs that cover each stretch.
    covering_from : numpy.ndarray of int
        Beside `covering.values`: the site of that pair at the stretch's `from_node` side ...
    covering_to : numpy.ndarray of int
        ... and the one at its `to_node` side.
    """

    stretches: Stretches
    sites: CandidateSites
    pair_sites: Ints
    pair_length_m: Floats
    covering: Ragged
    covering_from: Ints
    covering_to: Ints

    @cached_property
    def side_from(self) -> Ragged:
        """Sites on the `from_node` side of each stretch that some pair uses to cover it."""
        return Ragged.distinct(self.covering.group, values=self.covering_from, count=len(self.stretches))

    @cached_property
    def side_to(self) -> Ragged:
        """Sites on its `to_node` side."""
        return Ragged.distinct(self.covering.group, values=self.covering_to, count=len(self.stretches))

    def coverable(self, *, folds: int = 1) -> Flags:
        """Whether all sites together would cover each stretch by `folds` pairs at least."""
        return self.covering.counts >= folds


def without_sites(problem: ChoiceProblem, sites: Flags) -> ChoiceProblem:
    """The same problem when some sites cannot be chosen: the numbers of sites, pairs and stretches stay.

    Parameters
    ----------
    problem : ChoiceProblem
        The problem.
    sites : numpy.ndarray of bool, shape (s,)
        Sites to leave out.

    Returns
    -------
    ChoiceProblem
        Without the pairs of these sites among those that cover something.
    """
    return keep_coverings(problem, ~(sites[problem.covering_from] | sites[problem.covering_to]))


def keep_coverings(problem: ChoiceProblem, kept: Flags) -> ChoiceProblem:
    """The same problem with some coverings only: the numbers of sites, pairs and stretches stay.

    Parameters
    ----------
    problem : ChoiceProblem
        The problem.
    kept : numpy.ndarray of bool
        Which of `problem.covering.values` to keep.

    Returns
    -------
    ChoiceProblem
        With these alone.
    """
    return replace(
        problem,
        covering=Ragged.grouped(
            problem.covering.group[kept],
            values=problem.covering.values[kept],
            count=len(problem.stretches),
        ),
        covering_from=problem.covering_from[kept],
        covering_to=problem.covering_to[kept],
    )
