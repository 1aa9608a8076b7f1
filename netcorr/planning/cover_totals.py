"""Metres and percent of what is covered and what is not: in all, by material, by zone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.planning.cover_map import COVERED, HEARD, NOT_COVERED
from netcorr.planning.why_not_covered import REASONS

if TYPE_CHECKING:
    from netcorr.planning.cover_map import CoverMap
    from netcorr.planning.problem import Flags

#: What totals are made by.
ALL, MATERIAL, ZONE = "all", "material", "zone"


@dataclass(frozen=True)
class Total:
    """What is covered of some mains.

    Attributes
    ----------
    by : {'all', 'material', 'zone'}
        What the mains have in common.
    name : str
        Which material or zone; empty for one that is not known.
    total_m, covered_m, twice_m, heard_m, not_covered_m : float
        Main in all, covered by a pair, by two pairs at least, heard by one side only, and not heard. [m]
    why_m : tuple of (str, float)
        Main that no pair covers, by reason, the longest first. [m]
    expected_m : float
        Median of the expected 95 % stretch over the metres covered; NaN where none is known. [m]
    loose_m : float
        Covered main where the expected stretch is longer than the limit asked for. [m]
    """

    by: str
    name: str
    total_m: float
    covered_m: float
    twice_m: float
    heard_m: float
    not_covered_m: float
    why_m: tuple[tuple[str, float], ...]
    expected_m: float
    loose_m: float

    @property
    def covered_percent(self) -> float:
        """Share covered. [%]"""
        return 100 * self.covered_m / self.total_m if self.total_m > 0 else 0.0


def cover_totals(
    cover: CoverMap, *, zones: Sequence[str] | None = None, loose_from_m: float = 10.0
) -> tuple[Total, ...]:
    """Add up what is covered.

    Parameters
    ----------
    cover : CoverMap
        What sensors cover.
    zones : sequence of str, length m, optional
        Zone of each edge; empty where it is in none.
    loose_from_m : float
        A longer expected stretch is too loose to dig. [m]

    Returns
    -------
    tuple of Total
        In all, then by material and by zone, the longest first.
    """
    edges, of = cover.mains.edges, cover.pieces.edge
    material = np.array([edges[k]["material"] or "" for k in of.tolist()], dtype=object)
    found = [_total(cover, np.ones(len(of), dtype=bool), ALL, "", loose_from_m)]
    groups = [(MATERIAL, material)]
    if zones is not None:
        groups.append((ZONE, np.array(zones, dtype=object)[of]))
    for by, names in groups:
        parts = [_total(cover, names == name, by, str(name), loose_from_m) for name in np.unique(names)]
        found += sorted(parts, key=lambda part: (-part.total_m, part.name))
    return tuple(found)


def _total(cover: CoverMap, which: Flags, by: str, name: str, loose_from_m: float) -> Total:
    pieces = cover.pieces
    length_m, state = pieces.length_m[which], pieces.state[which]
    expected_m, covered = pieces.expected_m[which], state == COVERED
    reason = cover.reasons.reason[pieces.edge[which]]
    why = [(one, float(length_m[~covered & (reason == one)].sum())) for one in REASONS]
    return Total(
        by=by,
        name=name,
        total_m=float(length_m.sum()),
        covered_m=float(length_m[covered].sum()),
        twice_m=float(length_m[covered & (pieces.pairs[which] >= 2)].sum()),
        heard_m=float(length_m[state == HEARD].sum()),
        not_covered_m=float(length_m[state == NOT_COVERED].sum()),
        why_m=tuple(sorted(((one, m) for one, m in why if m > 0), key=lambda item: -item[1])),
        expected_m=weighted_median(expected_m, length_m),
        loose_m=float(length_m[covered & (expected_m > loose_from_m)].sum()),
    )


def weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    """Median of the known values by weight; NaN without any.

    Examples
    --------
    >>> weighted_median(np.array([1.0, 5.0, np.nan]), np.array([10.0, 30.0, 99.0]))
    5.0
    """
    known = np.isfinite(values) & (weight > 0)
    if not known.any():
        return float("nan")
    order = np.argsort(values[known], kind="stable")
    total = np.cumsum(weight[known][order])
    return float(values[known][order][np.searchsorted(total, total[-1] / 2)])
