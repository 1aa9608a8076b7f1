"""The product of a coverage: the map of it, totals, dead ends, and what became of every given site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import csgraph

from netcorr.errors import PlanError
from netcorr.planning.candidates import sites_of
from netcorr.planning.mains_matrix import MainsMatrix

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.planning.cover_map import CoverMap
    from netcorr.planning.cover_totals import Total
    from netcorr.planning.dead_ends import DeadEnd
    from netcorr.planning.problem import CandidateSites


@dataclass(frozen=True, eq=False)
class CoverAnswer:
    """What given sites cover.

    Attributes
    ----------
    cover : CoverMap
        The map of it.
    totals : tuple of Total
        In all, by material, by zone.
    dead_ends : tuple of DeadEnd
        Mains that no pair can ever have between it.
    why_not : mapping of str to str
        Why each fitting of the network cannot carry a logger; only those that cannot.
    zones : sequence of str or None
        Zone of each edge.
    loose_from_m : float
        A longer expected stretch is too loose to dig. [m]
    given : tuple of str
        Fittings that were given.
    unused : mapping of str to str
        Those that count for nothing, and why.
    notes : tuple of str
        What else a user should know, one sentence each.
    """

    cover: CoverMap
    totals: tuple[Total, ...]
    dead_ends: tuple[DeadEnd, ...]
    why_not: Mapping[str, str]
    zones: Sequence[str] | None
    loose_from_m: float
    given: tuple[str, ...]
    unused: Mapping[str, str]
    notes: tuple[str, ...] = ()

    def remedy(self, dead_end: DeadEnd) -> str:
        """What would let a pair of sensors have a dead end between it."""
        if dead_end.fitting is None:
            return "needs a new point of contact at its end: a service, a hydrant or a fitting not on the map"
        why = self.why_not.get(dead_end.fitting)
        return f"make {dead_end.kind} {dead_end.fitting} usable" + (f" ({why})" if why else "")


def given_sites(network: PipeNetwork, given: Sequence[str]) -> tuple[CandidateSites, dict[str, str]]:
    """Sensors at given fittings.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    given : sequence of str
        Asset ids of fittings of the network.

    Returns
    -------
    CandidateSites
        One for each place.
    dict of str to str
        Fittings that are not among them, and why.

    Raises
    ------
    PlanError
        If none of them sits on a main.
    """
    table = network.fittings
    wanted = table.index.isin(list(given))
    on_main = (table["node"] >= 0).to_numpy()
    if not (wanted & on_main).any():
        raise PlanError(
            f"{network.source}, sites",
            found=f"none of the {len(given)} sites sits on a main",
            remedy="raise the fitting tolerance, or correct their places on the map",
        )
    sites = sites_of(network, wanted & on_main)
    taken = {int(node): str(name) for node, name in zip(sites.node, sites.fitting, strict=True)}
    unused = {}
    for name, row in zip(table.index[wanted], table[wanted].to_dict("records"), strict=True):
        if row["node"] < 0:
            unused[str(name)] = f"sits on no main: the nearest is {row['offset_m']:.1f} m away"
        elif taken[int(row["node"])] != name:
            unused[str(name)] = f"stands at the place of {taken[int(row['node'])]}"
    return sites, unused


def candidates_with(
    network: PipeNetwork, why_not: NDArray[np.object_], sensors: CandidateSites
) -> CandidateSites:
    """Fittings that may carry a logger, and those that carry one already.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    why_not : numpy.ndarray of str, shape (f,)
        Why each fitting cannot be used, as `netcorr.planning.candidates.why_not` gives it.
    sensors : CandidateSites
        Where sensors stand.

    Returns
    -------
    CandidateSites
        Both together.
    """
    free = np.asarray(why_not == "") | network.fittings.index.isin(sensors.fitting.tolist())
    return sites_of(network, free & (network.fittings["node"] >= 0).to_numpy())


def lonely_sensors(cover: CoverMap) -> dict[str, tuple[str, float] | None]:
    """Sensors without another one within reach, and how far the nearest is.

    Parameters
    ----------
    cover : CoverMap
        What sensors cover.

    Returns
    -------
    dict of str to (str, float) or None
        By fitting: the nearest other sensor and the main to it [m]; None where no open main leads to one.
    """
    problem = cover.problem
    pairs = np.bincount(problem.pair_sites.ravel(), minlength=len(problem.sites))
    lonely = np.flatnonzero(pairs == 0)
    found: dict[str, tuple[str, float] | None] = {}
    if not len(lonely):
        return found
    matrix = MainsMatrix.of(cover.mains.graph).length_m
    for site in lonely.tolist():
        own = problem.sites.listens_site == site
        away_m = csgraph.dijkstra(matrix, indices=problem.sites.listens[own], min_only=True)
        there = np.where(own, np.inf, away_m[problem.sites.listens])
        nearest = int(np.argmin(there))
        name = str(problem.sites.fitting[problem.sites.listens_site[nearest]])
        is_near = np.isfinite(there[nearest])
        found[str(problem.sites.fitting[site])] = (name, float(there[nearest])) if is_near else None
    return found
