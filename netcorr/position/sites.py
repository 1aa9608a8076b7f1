"""Where each logger of a survey stood: its fitting on the network, its lead and its clock."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from pyproj import Transformer

from netcorr.errors import PositionError
from netcorr.network.ground import geodesic_distances_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.settings import LocateSettings
    from netcorr.recordings.recording import Deployment, Round

#: A place given by coordinates belongs to the nearest fitting within this distance. [m]
NEAREST_FITTING_M = 10.0


@dataclass(frozen=True)
class Site:
    """One logger at one fitting.

    Attributes
    ----------
    logger : str
        Name of the logger.
    fitting : str
        Asset id of the fitting.
    lead_m : float
        Pipe between the main and the point of contact. [m]
    clock_sd_s : float
        Standard deviation of its clock over a record, what remains of its drift included. [s]
    assumptions : tuple of str
        What was assumed, one sentence each.
    """

    logger: str
    fitting: str
    lead_m: float
    clock_sd_s: float
    assumptions: tuple[str, ...] = ()


def find_sites(
    network: PipeNetwork, rounds: Sequence[Round], *, settings: LocateSettings
) -> tuple[Site, ...]:
    """Sites of all loggers of a survey, in the order of first appearance.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    rounds : sequence of Round
        Recordings in rounds.
    settings : LocateSettings
        Clock where the table does not say.

    Returns
    -------
    tuple of Site
        One for each logger.

    Raises
    ------
    PositionError
        If a logger changed its place between rounds, two stand at one fitting, or a place is near none.
    NetworkError
        If a fitting is unknown or too far from any main.
    """
    rows: dict[str, Deployment] = {}
    sites: dict[str, Site] = {}
    for one in rounds:
        for recording in one.recordings:
            row = recording.deployment
            site = _site(network, row, duration_s=recording.duration_s, settings=settings)
            known = sites.setdefault(row.logger, site)
            rows.setdefault(row.logger, row)
            if (known.fitting, known.lead_m) != (site.fitting, site.lead_m):
                raise PositionError(
                    row.label,
                    found=f"at fitting {site.fitting} with a lead of {site.lead_m:g} m, but row "
                    f"{rows[row.logger].row} has it at {known.fitting} with {known.lead_m:g} m",
                    remedy="a logger stays where it is in a survey; make it two surveys or correct the row",
                )
            sites[row.logger] = _with_clock_of(known, site)
    _refuse_shared_fittings(sites, rows)
    return tuple(sites.values())


def _with_clock_of(known: Site, other: Site) -> Site:
    """One clock serves all rows of a logger: the worst that is said of it holds."""
    assumptions = tuple(dict.fromkeys((*known.assumptions, *other.assumptions)))
    return replace(known, clock_sd_s=max(known.clock_sd_s, other.clock_sd_s), assumptions=assumptions)


def _site(network: PipeNetwork, row: Deployment, *, duration_s: float, settings: LocateSettings) -> Site:
    """Where one row of the table puts its logger."""
    assumptions: list[str] = []
    if row.fitting is not None:
        fitting = row.fitting
    else:
        fitting, offset_m = _nearest_fitting(network, row)
        assumptions.append(f"{row.logger} was taken to be at {fitting}, {offset_m:.1f} m from its place")
    network.node_of(fitting)
    clock_sd_s = row.clock_sd_s
    if clock_sd_s is None:
        clock_sd_s = settings.clock_sd_s
        assumptions.append(
            f"clock_sd_ms is not in the table: {settings.clock_sd_s * 1000:g} ms assumed for each clock"
        )
    # what remains of the drift shifts the middle of the record by its share of half the length
    drift_sd_s = 1e-6 * (row.clock_drift_sd_ppm or 0.0) * duration_s / 2
    return Site(row.logger, fitting, row.lead_m, math.hypot(clock_sd_s, drift_sd_s), tuple(assumptions))


def _nearest_fitting(network: PipeNetwork, row: Deployment) -> tuple[str, float]:
    """Nearest fitting to the coordinates of a row, and its distance."""
    lon, lat = row.lon_lat or (np.nan, np.nan)
    x, y = Transformer.from_crs("EPSG:4326", network.crs, always_xy=True).transform(lon, lat)
    points = network.fittings.geometry
    known = points.notna() & ~points.is_empty
    if not known.any() or not (np.isfinite(x) and np.isfinite(y)):
        raise PositionError(
            row.label, found=f"place {lon}, {lat} cannot be set on the map", remedy="check lon and lat"
        )
    ids = network.fittings.index[known]
    px, py = points[known].x.to_numpy(), points[known].y.to_numpy()
    distance_m = geodesic_distances_m(np.full(px.size, x), np.full(px.size, y), px, py, network.crs)
    nearest = int(np.argmin(distance_m))
    if distance_m[nearest] > NEAREST_FITTING_M:
        raise PositionError(
            row.label,
            found=f"the nearest fitting, {ids[nearest]}, is {distance_m[nearest]:.0f} m from its place",
            remedy=f"name the fitting, or correct lon and lat to within {NEAREST_FITTING_M:g} m",
        )
    return str(ids[nearest]), float(distance_m[nearest])


def _refuse_shared_fittings(sites: dict[str, Site], rows: dict[str, Deployment]) -> None:
    """Two loggers at one fitting say nothing about a path."""
    at: dict[str, str] = {}
    for logger, site in sites.items():
        other = at.setdefault(site.fitting, logger)
        if other != logger:
            raise PositionError(
                rows[logger].label,
                found=f"at fitting {site.fitting}, where logger {other} stands too",
                remedy="correct the fitting of one of them",
            )
