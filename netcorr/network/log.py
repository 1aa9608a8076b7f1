"""The log of every change to the source: what, where, how far moved."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from netcorr.network.pipe_network import LOG_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyproj
    from numpy.typing import ArrayLike, NDArray

#: Kinds of change and what each means.
CHANGES = {
    "no_geometry": "a main or fitting without a usable geometry was left out",
    "zero_length": "a main without length was left out",
    "duplicate": "a main, or a part of one, drawn twice was left out once",
    "spur": "some decimetres of a main that ran past a joint and back to it were left out",
    "overshoot": "the end of a main ran past another main, and was cut back to it",
    "cut": "a main was cut where the end of another touches it",
    "joined": "the end of a main was moved to a joint",
    "kept_apart": "ends within the tolerance were not joined, because that would swallow a short main",
    "attached": "a fitting was taken as sitting on the nearest main",
    "passed_over": "a fitting was attached to a main in service, though one out of service is nearer",
    "too_far": "a fitting is too far from any main, and was not attached",
    "closed": "a closed valve parts its main",
    "closed_joint": "a closed valve sits where several mains meet, and parts them all",
    "closed_end": "a closed valve sits at a dead end, and parts nothing",
    "measured": "the measured length of a main differs much from the drawn one; the measured one is used",
}


@dataclass
class ChangeLog:
    """Rows of the log while the network is being built."""

    crs: pyproj.CRS
    _parts: list[pd.DataFrame] = field(default_factory=list)
    _places: list[NDArray[np.float64]] = field(default_factory=list)

    def add(
        self,
        change: str,
        source_ids: ArrayLike,
        *,
        xy: ArrayLike,
        text: Sequence[str],
        moved_m: ArrayLike = 0.0,
    ) -> None:
        """Append rows of one kind.

        Parameters
        ----------
        change : str
            Key of `CHANGES`.
        source_ids : array_like of str, shape (n,)
            Asset ids.
        xy : array_like of float, shape (n, 2)
            Places in the CRS of the map; NaN where there is none.
        text : sequence of str, length n
            One sentence each.
        moved_m : array_like of float, shape (n,) or scalar
            Distances moved. [m]
        """
        if change not in CHANGES:
            raise KeyError(change)
        ids = np.asarray(source_ids, dtype=object)
        if not len(ids):
            return
        columns: dict[str, Any] = {
            "source_id": ids,
            "change": change,
            "moved_m": np.broadcast_to(np.asarray(moved_m, dtype=float), ids.shape),
            "text": list(text),
        }
        self._parts.append(pd.DataFrame(columns))
        self._places.append(np.asarray(xy, dtype=float).reshape(-1, 2))

    def frame(self) -> gpd.GeoDataFrame:
        """The log as a layer of points, sorted by kind and source id."""
        if not self._parts:
            empty: dict[str, Any] = {name: pd.Series(dtype=object) for name in LOG_COLUMNS}
            empty["moved_m"] = pd.Series(dtype=float)
            return gpd.GeoDataFrame(empty, geometry=[], crs=self.crs)
        rows = pd.concat(self._parts, ignore_index=True)
        rank = rows["change"].map({change: k for k, change in enumerate(CHANGES)})
        order = np.lexsort((rows["moved_m"], rows["source_id"].factorize(sort=True)[0], rank))
        rows, xy = rows.iloc[order].reset_index(drop=True), np.vstack(self._places)[order]
        points = np.full(len(rows), None, dtype=object)
        known = np.isfinite(xy).all(axis=1)
        place, unique = pd.factorize(xy[known, 0] + 1j * xy[known, 1])
        points[known] = np.asarray(shapely.points(unique.real, unique.imag))[
            place
        ]  # many rows share their joint
        return gpd.GeoDataFrame(rows[list(LOG_COLUMNS)], geometry=points, crs=self.crs)
