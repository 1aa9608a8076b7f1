"""Fittings on which a logger may stand: by kind, by a list, by a column that says no, by a district."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from netcorr.errors import PlanError
from netcorr.layers.crs import geodesic_distances_m
from netcorr.layers.names import listed, similar
from netcorr.planning.problem import CandidateSites

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.layers.site_list import SiteList
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.planning.problem import Flags

#: Kinds of fittings on which a logger can be put, the handier first: of several at one place the first is
#: taken. Common practice: a hydrant is easy to reach, a valve spindle touches the main itself.
KINDS = ("valve", "hydrant", "meter", "other")


def parse_kinds(text: str) -> tuple[str, ...]:
    """Kinds of fittings as a user types them.

    Parameters
    ----------
    text : str
        Such as ``valve,hydrant``.

    Returns
    -------
    tuple of str
        Some of `KINDS`.

    Raises
    ------
    PlanError
        If one is not known.

    Examples
    --------
    >>> parse_kinds("valve, hydrant")
    ('valve', 'hydrant')
    """
    kinds = tuple(part.strip().casefold() for part in text.split(",") if part.strip())
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown or not kinds:
        raise PlanError(
            "kinds of fittings", found=", ".join(unknown) or "none", remedy=f"give some of {', '.join(KINDS)}"
        )
    return kinds


def why_not(
    network: PipeNetwork,
    *,
    kinds: Collection[str] = ("valve", "hydrant"),
    only: Collection[str] | None = None,
    excluded: Mapping[str, str] | None = None,
    area: shapely.Geometry | None = None,
) -> NDArray[np.object_]:
    """Why each fitting cannot carry a logger.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    kinds : collection of str
        Kinds of fittings that may be used, of `KINDS`.
    only : collection of str, optional
        Asset ids that alone may be used.
    excluded : mapping of str to str, optional
        Asset ids that may not, and the reason: buried, private, flooded ...
    area : shapely.Geometry, optional
        Area in the CRS of the network in which they must lie.

    Returns
    -------
    numpy.ndarray of str, shape (f,)
        The first reason for each row of `network.fittings`; empty for one that may be used.
    """
    table = network.fittings
    reason = np.full(len(table), "", dtype=object)
    ids = table.index.to_numpy(dtype=object)
    steps = [
        ("on no main", (table["node"] < 0).to_numpy()),
        (f"not {' or '.join(kinds)}", ~table["kind"].isin(kinds).to_numpy()),
    ]
    if only is not None:
        steps.append(("not among those chosen", ~table.index.isin(list(only))))
    if area is not None:
        shapely.prepare(area)
        steps.append(("outside the district", ~shapely.intersects(area, table.geometry.to_numpy())))
    for words, fell in steps:
        reason[fell & (reason == "")] = words
    named = np.array([(excluded or {}).get(asset, "") for asset in ids], dtype=object)
    free = reason == ""
    reason[free] = named[free]
    return reason


def candidate_sites(
    network: PipeNetwork,
    *,
    kinds: Collection[str] = ("valve", "hydrant"),
    only: Collection[str] | None = None,
    excluded: Mapping[str, str] | None = None,
    area: shapely.Geometry | None = None,
) -> CandidateSites:
    """Fittings on which a logger may stand, one for each place on the mains.

    Parameters
    ----------
    network, kinds, only, excluded, area
        As for `why_not`.

    Returns
    -------
    CandidateSites
        Sorted by node. Of several fittings at one place the valve is taken before the hydrant, and then the
        first by name. A closed valve hears the mains on all its sides.

    Raises
    ------
    PlanError
        If none is left; the message says how many fell to which condition.
    """
    reason = why_not(network, kinds=kinds, only=only, excluded=excluded, area=area)
    keep = reason == ""
    if not keep.any():
        raise PlanError(
            f"{network.source}, fittings",
            found=f"no candidate for a logger among {len(reason)} fittings: {counted(reason) or 'none'}",
            remedy="allow more kinds or a larger district, or check the fittings layer",
        )
    return sites_of(network, keep)


def counted(reason: NDArray[np.object_]) -> str:
    """How many fittings fell to which reason, the most first.

    Examples
    --------
    >>> counted(np.array(["buried", "", "private", "buried"], dtype=object))
    '2 buried, 1 private'
    """
    counts = Counter(text for text in reason.tolist() if text)
    return ", ".join(f"{count} {text}" for text, count in counts.most_common())


def sites_of(network: PipeNetwork, keep: Flags) -> CandidateSites:
    """Some fittings as sites, one for each node.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    keep : numpy.ndarray of bool, shape (f,)
        Rows of `network.fittings`; they must sit on a main.

    Returns
    -------
    CandidateSites
        Sorted by node.
    """
    table = network.fittings[keep]
    rank = table["kind"].map({kind: k for k, kind in enumerate(KINDS)}).fillna(len(KINDS)).to_numpy()
    names = table.index.to_numpy(dtype=object)
    node = table["node"].to_numpy(dtype=np.intp)
    order = np.lexsort((names.astype(str), rank, node))
    _, first = np.unique(node[order], return_index=True)
    chosen = order[first]
    is_open = table["is_open"].to_numpy(dtype=bool)
    listens, listens_site = [], []
    for site, k in enumerate(chosen.tolist()):
        nodes = {int(node[k])} if is_open[k] else _sides(network, int(node[k]))
        listens += sorted(nodes)
        listens_site += [site] * len(nodes)
    return CandidateSites(
        fitting=names[chosen],
        node=node[chosen],
        listens=np.array(listens, dtype=np.intp),
        listens_site=np.array(listens_site, dtype=np.intp),
    )


def match_fittings(network: PipeNetwork, sites: SiteList, *, within_m: float = 5.0) -> list[str]:
    """Fittings that a list of sites means: by id where a row has one, else the nearest one.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    sites : SiteList
        As listed.
    within_m : float
        A place must lie this near to a fitting. [m]

    Returns
    -------
    list of str
        Asset ids, each once, in the order of the list.

    Raises
    ------
    PlanError
        If rows name no fitting of the map, or lie at none; all are counted and the first few named.
    """
    known = set(network.fittings.index)
    wrong: list[str] = []
    found: list[str] = []
    by_place = [k for k, name in enumerate(sites.fitting) if not name]
    nearest = dict(zip(by_place, _nearest(network, sites, by_place), strict=True))
    for k, (row, name) in enumerate(zip(sites.row, sites.fitting, strict=True)):
        if name and name not in known:
            wrong.append(f"row {row}: {name}{similar(name, network.fittings.index)}")
        elif not name and nearest[k][1] > within_m:
            wrong.append(f"row {row}: the nearest fitting is {nearest[k][1]:.1f} m away")
        else:
            found.append(name or nearest[k][0])
    if wrong:
        raise PlanError(
            sites.item,
            found=f"{len(wrong)} of {len(sites.row)} sites are no fitting of {network.source}: "
            f"{listed(wrong, most=3)}",
            remedy="give ids of the fittings layer, or points on its fittings",
        )
    return list(dict.fromkeys(found))


def _nearest(network: PipeNetwork, sites: SiteList, rows: list[int]) -> list[tuple[str, float]]:
    if not rows:
        return []
    points = gpd.GeoSeries([sites.place[k] for k in rows], crs=sites.crs).to_crs(network.crs)
    table = network.fittings[~(network.fittings.geometry.isna() | network.fittings.geometry.is_empty)]
    if not len(table):
        return [("", float("inf"))] * len(rows)
    shapes = table.geometry.to_numpy()
    _, hit = shapely.STRtree(shapes).query_nearest(points.to_numpy(), all_matches=False)
    gap_m = geodesic_distances_m(
        points.x.to_numpy(),
        points.y.to_numpy(),
        shapely.get_x(shapes[hit]),
        shapely.get_y(shapes[hit]),
        network.crs,
    )
    return list(zip(table.index[hit].tolist(), np.asarray(gap_m).tolist(), strict=True))


def _sides(network: PipeNetwork, node: int) -> set[int]:
    """Nodes of the mains on all sides of a closed valve."""
    found = {node}
    for _ in range(2):
        for one in list(found):
            links = network.graph.edges(one, data=True)
            found |= {v for _, v, data in links if not data["is_open"] and data["drawn_length_m"] == 0}
    return found
