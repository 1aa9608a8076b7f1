"""The log of every change to the source: what, where, how far moved."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

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


class _Rows(NamedTuple):
    """Rows of one kind."""

    ids: NDArray[np.object_]
    moved_m: NDArray[np.float64]
    text: NDArray[np.object_]
    xy: NDArray[np.float64]

    @classmethod
    def join(cls, parts: Sequence[_Rows]) -> _Rows:
        return cls(
            np.concatenate([part.ids for part in parts]),
            np.concatenate([part.moved_m for part in parts]),
            np.concatenate([part.text for part in parts]),
            np.concatenate([part.xy for part in parts]),
        )

    def sorted(self) -> _Rows:
        """By source id, then by the distance."""
        ids, moved_m, order = self.ids, self.moved_m, np.arange(len(self.ids))
        if (ids[1:] < ids[:-1]).any():
            rank, asked = pd.factorize(ids, sort=True)[0], order
        else:  # as the mains are: only what was moved need be put in order, where an id has several rows
            rank = np.append(0, np.cumsum(ids[1:] != ids[:-1]))
            later = np.flatnonzero((rank[1:] == rank[:-1]) & (moved_m[1:] < moved_m[:-1])) + 1
            asked = np.flatnonzero(np.isin(rank, rank[later]))
        order[asked] = asked[np.lexsort((moved_m[asked], rank[asked]))]
        return _Rows(self.ids[order], moved_m[order], self.text[order], self.xy[order])


@dataclass
class ChangeLog:
    """Rows of the log while the network is being built."""

    crs: pyproj.CRS
    _parts: dict[str, list[_Rows]] = field(default_factory=lambda: {change: [] for change in CHANGES})

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
        moved = np.broadcast_to(np.asarray(moved_m, dtype=float), ids.shape)
        places = np.asarray(xy, dtype=float).reshape(-1, 2)
        self._parts[change].append(_Rows(ids, moved, np.asarray(text, dtype=object), places))

    def frame(self) -> gpd.GeoDataFrame:
        """The log as a layer of points, sorted by kind and source id."""
        kinds = {change: _Rows.join(parts).sorted() for change, parts in self._parts.items() if parts}
        if not kinds:
            empty: dict[str, Any] = {name: pd.Series(dtype=object) for name in LOG_COLUMNS}
            empty["moved_m"] = pd.Series(dtype=float)
            return gpd.GeoDataFrame(empty, geometry=[], crs=self.crs)
        rows = _Rows.join(list(kinds.values()))
        change = np.repeat(np.array(list(kinds), dtype=object), [len(kind.ids) for kind in kinds.values()])
        columns = {"source_id": rows.ids, "change": change, "moved_m": rows.moved_m, "text": rows.text}
        points = np.full(len(rows.ids), None, dtype=object)
        known = np.isfinite(rows.xy[:, 0]) & np.isfinite(rows.xy[:, 1])
        place, unique = pd.factorize(rows.xy[known, 0] + 1j * rows.xy[known, 1])
        shapes = np.asarray(shapely.points(unique.real, unique.imag))
        points[known] = shapes[place]  # many rows share their joint
        return gpd.GeoDataFrame({name: columns[name] for name in LOG_COLUMNS}, geometry=points, crs=self.crs)
