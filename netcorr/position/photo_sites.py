"""Which fitting each photo shows, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from pyproj import Transformer

from netcorr.errors import PositionError
from netcorr.network.ground import geodesic_distances_m

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.recordings.photos import Photo


@dataclass(frozen=True)
class NearFitting:
    """A fitting near a photo.

    Attributes
    ----------
    fitting, kind : str
        Asset id and kind.
    distance_m : float
        From the place of the photo. [m]
    """

    fitting: str
    kind: str
    distance_m: float


@dataclass(frozen=True)
class PhotoSite:
    """A site of a logger as photos show it.

    Attributes
    ----------
    photos : tuple of Photo
        Those of it, the first taken first; one only where it is not known which fitting it shows.
    near : tuple of NearFitting
        Nearest fitting, and the second nearest; empty when the photo has no place.
    is_sure : bool
        Whether the nearest fitting can be taken for the one in the photo.
    doubts : tuple of str
        Why not, and what else is missing, one phrase each.
    """

    photos: tuple[Photo, ...]
    near: tuple[NearFitting, ...]
    is_sure: bool
    doubts: tuple[str, ...] = ()

    @property
    def fitting(self) -> str | None:
        """The fitting, when it is sure which."""
        return self.near[0].fitting if self.is_sure else None


def find_photo_sites(
    photos: Sequence[Photo],
    network: PipeNetwork,
    *,
    kinds: Sequence[str],
    accuracy_m: float = 5.0,
    far_m: float = 10.0,
) -> tuple[PhotoSite, ...]:
    """Find the fitting that each photo shows.

    Parameters
    ----------
    photos : sequence of Photo
        As read.
    network : PipeNetwork
        The map.
    kinds : sequence of str
        Kinds of fittings on which a logger may stand.
    accuracy_m : float, default 5
        Standard deviation of a photo's place where it states none. [m]
    far_m : float, default 10
        A fitting farther away is not taken for the one in the photo; as far as `locate` itself goes. [m]

    Returns
    -------
    tuple of PhotoSite
        Sure ones first, one for each fitting, with all photos of it; then one for each photo that leaves
        a doubt which fitting it shows.

    Raises
    ------
    PositionError
        If the map has no fitting of these kinds on a main.

    Notes
    -----
    The place of a photo is off by some metres. When the second nearest fitting is farther by less than twice
    that, either may be the one: an error of e moves the difference of two distances by up to 2 e.
    """
    table = network.fittings
    usable = table[(table["node"] >= 0) & table["kind"].isin(kinds) & table.geometry.notna()]
    usable = usable[~usable.geometry.is_empty]
    if usable.empty:
        raise PositionError(
            network.source,
            found=f"no fitting of kind {' or '.join(kinds)} on a main",
            remedy="name other kinds, or look at the map with netcorr check",
        )
    move = Transformer.from_crs("EPSG:4326", network.crs, always_xy=True)
    xy = np.column_stack([usable.geometry.x, usable.geometry.y])
    ids, kind_of = [str(one) for one in usable.index], usable["kind"].astype(str).tolist()
    sites = []
    for photo in photos:
        near: tuple[NearFitting, ...] = ()
        if photo.lon_lat is not None:
            distance_m = _distances_m(move.transform(*photo.lon_lat), xy, network)
            first = np.argsort(distance_m, kind="stable")[:2]
            near = tuple(
                NearFitting(ids[k], kind_of[k], float(distance_m[k]))
                for k in first
                if np.isfinite(distance_m[k])
            )
        sites.append(_site(photo, near, accuracy_m=photo.accuracy_m or accuracy_m, far_m=far_m))
    return _merged(sites)


def _distances_m(
    place: tuple[float, float], xy: NDArray[np.float64], network: PipeNetwork
) -> NDArray[np.float64]:
    """Ground distance from a place to every fitting; infinite when the map's CRS does not reach there."""
    if not np.isfinite(place).all():
        return np.full(len(xy), np.inf)
    x, y = (np.full(len(xy), value) for value in place)
    return geodesic_distances_m(x, y, xy[:, 0], xy[:, 1], network.crs)


def _site(photo: Photo, near: tuple[NearFitting, ...], *, accuracy_m: float, far_m: float) -> PhotoSite:
    doubts = list(photo.problems)
    sure = bool(near)
    if photo.lon_lat is not None and not near:
        doubts.append("its place lies outside of the map")
    if near and near[0].distance_m > far_m:
        sure = False
        doubts.append(f"the nearest fitting, {near[0].fitting}, is {near[0].distance_m:.0f} m away")
    elif len(near) > 1 and near[1].distance_m - near[0].distance_m < 2 * accuracy_m:
        sure = False
        first, second = near
        doubts.append(
            f"{first.fitting} ({first.distance_m:.1f} m) or {second.fitting} ({second.distance_m:.1f} m): "
            f"its place is good to {accuracy_m:.0f} m"
        )
    return PhotoSite((photo,), near, sure, tuple(doubts))


def _merged(sites: Sequence[PhotoSite]) -> tuple[PhotoSite, ...]:
    """One site for each sure fitting, with all its photos and the nearest of their distances."""
    by_fitting: dict[str, list[PhotoSite]] = {}
    unsure = [site for site in sites if not site.is_sure]
    for site in sites:
        if site.fitting is not None:
            by_fitting.setdefault(site.fitting, []).append(site)
    sure = []
    for group in by_fitting.values():
        photos = sorted((photo for site in group for photo in site.photos), key=_order)
        best = min(group, key=lambda site: site.near[0].distance_m)
        doubts = tuple(dict.fromkeys(text for site in group for text in site.doubts))
        sure.append(PhotoSite(tuple(photos), best.near, True, doubts))
    return (*sure, *unsure)


def _order(photo: Photo) -> tuple[bool, str, str]:
    """By time where it is known, then by name; times without a zone among themselves as they stand."""
    return photo.taken is None, "" if photo.taken is None else photo.taken.isoformat(), str(photo.path)
