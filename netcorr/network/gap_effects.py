"""What closing the gaps of a network would do: which to close, in which order, and what that connects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree

if TYPE_CHECKING:
    from netcorr.network.connected import Connected
    from netcorr.network.lines import Floats, Ints
    from netcorr.network.near_misses import NearMisses

#: Mains that cross pass over each other more often than not: a gap at an end, however wide, is the likelier
#: place of a missing joint. Added to the cost of a crossing.
_CROSSING_COST = 1e6


@dataclass(frozen=True, eq=False)
class GapEffects:
    """Effect of closing gaps.

    Attributes
    ----------
    order : numpy.ndarray of int, shape (g,)
        In which order to close it, from 1; 0 for gaps that need not be closed to connect what can be.
    opens_m : numpy.ndarray of float, shape (g,)
        Metres that lie behind it, seen from the longest piece, those over further gaps included; 0 where
        `order` is. [m]
    leads_to : numpy.ndarray of int, shape (g,)
        Piece behind it, seen from the longest; -1 where `order` is 0.
    system : numpy.ndarray of int, shape (p,)
        System of each piece: pieces that gaps and crossings could connect are one system.
    apart_m : float
        Metres in pieces that are not the longest of their system. [m]
    """

    order: Ints
    opens_m: Floats
    leads_to: Ints
    system: Ints
    apart_m: float


def gap_effects(parts: Connected, gaps: NearMisses) -> GapEffects:
    """Choose the gaps that connect what can be connected, the narrowest, and what each leads to.

    Parameters
    ----------
    parts : Connected
        Pieces.
    gaps : NearMisses
        Gaps and crossings.

    Returns
    -------
    GapEffects
        The order is that of the metres behind each, so every gap is named before those that lie behind it.
    """
    count = len(parts.length_m)
    order, opens_m = np.zeros(len(gaps), dtype=np.intp), np.zeros(len(gaps))
    tree, system = _narrowest(gaps, count)
    largest = np.full(system.max(initial=-1) + 1, count, dtype=np.intp)
    np.minimum.at(largest, system, np.arange(count))  # pieces are numbered from the longest
    behind_m, over = _behind(parts.length_m, gaps, tree, roots=largest)
    chosen = np.flatnonzero(over >= 0)
    opens_m[over[chosen]] = behind_m[chosen]
    leads_to = np.full(len(gaps), -1)
    leads_to[over[chosen]] = chosen
    used = over[chosen]
    rank = np.lexsort((used, -np.round(opens_m[used], 3)))
    order[used[rank]] = np.arange(1, len(used) + 1)
    apart_m = float(parts.length_m.sum() - parts.length_m[largest].sum())
    return GapEffects(order=order, opens_m=opens_m, leads_to=leads_to, system=system, apart_m=apart_m)


def pieces_at(parts: Connected, gaps: NearMisses, tolerances_m: list[float]) -> list[int]:
    """Pieces that would remain if all gaps up to a width were closed.

    Parameters
    ----------
    parts : Connected
        Pieces.
    gaps : NearMisses
        Gaps; crossings are left as they are, since no tolerance joins them.
    tolerances_m : list of float
        Widths. [m]

    Returns
    -------
    list of int
        Number of pieces at each.
    """
    count = len(parts.length_m)
    result = []
    for width_m in tolerances_m:
        which = (gaps.gap_m <= width_m) & ~gaps.is_crossing
        result.append(_components(gaps.piece[which], gaps.other_piece[which], count)[0])
    return result


def _components(one: Ints, other: Ints, count: int) -> tuple[int, Ints]:
    links = coo_array((np.ones(len(one)), (one, other)), shape=(count, count))
    number, label = connected_components(links, directed=False)
    return int(number), np.asarray(label, dtype=np.intp)


def _narrowest(gaps: NearMisses, count: int) -> tuple[Ints, Ints]:
    """Gaps that connect all that can be connected at the least total width; and the systems."""
    apart = np.flatnonzero(gaps.piece != gaps.other_piece)
    _, system = _components(gaps.piece[apart], gaps.other_piece[apart], count)
    if not len(apart):
        return apart, system
    cost = gaps.gap_m[apart] + _CROSSING_COST * (gaps.kind[apart] == "crossing")
    rank = apart[np.lexsort((apart, cost))]
    pair = np.sort(np.column_stack([gaps.piece[rank], gaps.other_piece[rank]]), axis=1)
    _, first = np.unique(pair, axis=0, return_index=True)
    first = np.sort(first)  # the cheapest gap of each pair, cheapest first: their ranks are their costs
    low, high = pair[first].T
    costs = coo_array((np.arange(1.0, len(first) + 1), (low, high)), shape=(count, count))
    return rank[first[minimum_spanning_tree(costs.tocsr()).data.astype(np.intp) - 1]], system


def _behind(length_m: Floats, gaps: NearMisses, tree: Ints, *, roots: Ints) -> tuple[Floats, Ints]:
    """Metres in and behind each piece, seen from the longest of its system; and the gap that leads to it."""
    count = len(length_m)
    over, behind_m = np.full(count, -1), length_m.astype(float).copy()
    if not len(tree):
        return behind_m, over
    one, other = gaps.piece[tree], gaps.other_piece[tree]
    links = coo_array((np.ones(len(tree)), (one, other)), shape=(count, count)).tocsr()
    gap_of = {
        frozenset(pair): k
        for pair, k in zip(zip(one.tolist(), other.tolist(), strict=True), tree.tolist(), strict=True)
    }
    for root in roots[np.isin(roots, np.concatenate([one, other]))].tolist():
        visited, before = breadth_first_order(links, root, directed=False)
        for piece in visited[:0:-1].tolist():
            over[piece] = gap_of[frozenset((piece, int(before[piece])))]
            behind_m[before[piece]] += behind_m[piece]
    return behind_m, over
