"""The ground under the map: metres for tolerances, ellipsoidal lengths and directions in any CRS."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyproj
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion

from netcorr.layers.crs import (
    bearings_deg,
    geodesic_distances_m,
    geodesic_lengths_m,
    geodesic_steps_m,
    horizontal_crs,
    lon_lat_rad,
    rises_m,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "GroundPlane",
    "bearings_deg",
    "geodesic_distances_m",
    "geodesic_lengths_m",
    "geodesic_steps_m",
    "ground_metric",
    "rises_m",
]

#: A map's own plane serves for tolerances when its scale differs by no more than this over the network,
#: and between directions by no more than `DIRECTION_SPREAD`.
SCALE_SPREAD = 1e-3
DIRECTION_SPREAD = 1e-5


@dataclass(frozen=True, eq=False)
class GroundPlane:
    """A plane in which distances between neighbours are ground metres.

    The map's own plane is only moved and scaled where it keeps angles (most projected CRSs). Degrees,
    Web Mercator, equal-area maps and networks too wide for one scale get a transverse Mercator plane
    about their middle.

    Attributes
    ----------
    origin : numpy.ndarray of float, shape (2,)
        Subtracted from the coordinates, in the unit of the map (or of `projection`'s plane).
    scale : float
        Ground metres per unit.
    projection : pyproj.Transformer or None
        From the map to the plane, where the map's own will not do.
    """

    origin: NDArray[np.float64]
    scale: float = 1.0
    projection: pyproj.Transformer | None = None

    @classmethod
    def about(cls, xy: NDArray[np.float64], crs: pyproj.CRS) -> GroundPlane:
        """Choose the plane for points on a map.

        Parameters
        ----------
        xy : numpy.ndarray of float, shape (n, 2)
            Coordinates in `crs`, at least one.
        crs : pyproj.CRS
            CRS of the map.

        Returns
        -------
        GroundPlane

        Raises
        ------
        LayerError
            If a coordinate cannot lie in `crs`.

        Examples
        --------
        >>> degrees = np.array([[9.0, 48.0], [9.0, 48.001]])
        >>> plane = GroundPlane.about(degrees, pyproj.CRS(4326))
        >>> round(float(np.hypot(*np.diff(plane.metres(degrees), axis=0)[0])), 2)
        111.19
        """
        middle = np.array([np.median(xy[:, k]) for k in (0, 1)])  # column by column: several times quicker
        scales = _scales(xy, middle, crs)
        scale = float(np.median(scales))
        even = np.ptp(scales) <= SCALE_SPREAD * scale
        if even and bool((np.ptp(scales, axis=1) <= DIRECTION_SPREAD * scale).all()):
            return cls(origin=middle, scale=scale)
        flat, lon_lat = horizontal_crs(crs), lon_lat_rad(middle[:1], middle[1:], crs)
        lon, lat = (float(np.degrees(angle[0])) for angle in lon_lat)
        about = TransverseMercatorConversion(lat, lon)
        local = ProjectedCRS(about, geodetic_crs=_geodetic(flat))
        return cls(np.zeros(2), projection=pyproj.Transformer.from_crs(flat, local, always_xy=True))

    def metres(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Coordinates on the map to coordinates in the plane, shape (n, 2). [m]"""
        if self.projection is not None:
            xy = np.column_stack(self.projection.transform(xy[:, 0], xy[:, 1]))
        return np.asarray((xy - self.origin) * self.scale, dtype=float)


def ground_metric(x: float, y: float, crs: pyproj.CRS) -> NDArray[np.float64]:
    """Matrix that turns small steps on the map at a place into ground metres.

    Parameters
    ----------
    x, y : float
        Place, in `crs`.
    crs : pyproj.CRS
        CRS of the map.

    Returns
    -------
    numpy.ndarray of float, shape (2, 2)
        `m` such that ``norm(m @ (dx, dy))`` is the ground length of a small step. [m per unit of `crs`]

    Raises
    ------
    LayerError
        If the place cannot lie in `crs`.
    """
    h = _step(crs)
    dx, dy = np.array([h, 0.0, h]), np.array([0.0, h, h])
    east, north, both = (geodesic_distances_m(x - dx, y - dy, x + dx, y + dy, crs) / (2 * h)) ** 2
    mixed = (both - east - north) / 2
    return np.asarray(np.linalg.cholesky(np.array([[east, mixed], [mixed, north]])).T)


def _scales(xy: NDArray[np.float64], middle: NDArray[np.float64], crs: pyproj.CRS) -> NDArray[np.float64]:
    """Ground metres per map unit at the middle and the corners, in four directions: shape (5, 4)."""
    west, east, south, north = xy[:, 0].min(), xy[:, 0].max(), xy[:, 1].min(), xy[:, 1].max()
    x = np.array([middle[0], west, west, east, east])[:, None]
    y = np.array([middle[1], south, north, south, north])[:, None]
    h, s = _step(crs), np.sqrt(0.5)
    dx, dy = h * np.array([1, s, 0, -s]), h * np.array([0, s, 1, s])
    return geodesic_distances_m(x - dx, y - dy, x + dx, y + dy, crs) / (2 * h)


def _step(crs: pyproj.CRS) -> float:
    """Small step on the map: some 5 m."""
    return 5e-5 if horizontal_crs(crs).is_geographic else 5.0


def _geodetic(flat: pyproj.CRS) -> pyproj.CRS:
    return flat if flat.is_geographic or flat.geodetic_crs is None else flat.geodetic_crs
