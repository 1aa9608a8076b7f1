"""What cannot be a pipe is left out: mains without geometry or length, and mains drawn twice."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from netcorr.errors import NetworkError
from netcorr.network.tolerances import SAME_PLACE_M

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from netcorr.layers.network_layers import NetworkLayers
    from netcorr.network.lines import Lines
    from netcorr.network.log import ChangeLog

#: Attributes on which two drawings of one main may differ.
_COMPARED = ("material", "diameter_mm", "wall_mm", "year", "wave_speed_m_s", "length_m", "in_service")


def usable_mains(layers: NetworkLayers, log: ChangeLog) -> gpd.GeoDataFrame:
    """Mains with a geometry, in the order of their ids so that the order of features plays no part.

    Raises
    ------
    NetworkError
        If there is none, or one is not a single LineString.
    """
    mains = layers.mains
    shapes = mains.geometry.array
    kinds = shapely.get_type_id(shapes)
    wrong = np.flatnonzero((kinds != shapely.GeometryType.LINESTRING) & (kinds >= 0))
    if len(wrong):
        raise NetworkError(
            f"{layers.source}, main {mains['asset_id'].iloc[wrong[0]]}",
            found=f"geometry {shapely.GeometryType(int(kinds[wrong[0]])).name}",
            remedy="split multipart lines into single ones; read_network_layers does",
        )
    keep = (kinds >= 0) & ~shapely.is_empty(shapes) & _finite(shapes)
    lost = mains["asset_id"].to_numpy(dtype=object)[~keep]
    log.add(
        "no_geometry", lost, xy=np.full((len(lost), 2), np.nan), text=["main without a geometry"] * len(lost)
    )
    if not keep.any():
        raise NetworkError(
            f"{layers.source}, mains", found="no main has a geometry", remedy="give a layer of lines"
        )
    if not keep.all():
        mains = mains[keep]
    order = _by_id(mains)
    if (np.diff(order) != 1).any():
        mains = mains.iloc[order]
    return mains.reset_index(drop=True)


def _by_id(mains: gpd.GeoDataFrame) -> NDArray[np.intp]:
    """Order of mains by id; those that share one by their bounds."""
    ids = [str(asset) for asset in mains["asset_id"]]
    order = np.array(sorted(range(len(ids)), key=ids.__getitem__), dtype=np.intp)
    ordered = np.array(ids, dtype=object)[order]
    new = np.append(True, ordered[1:] != ordered[:-1])
    if not new.all():
        rank = np.empty(len(ids), dtype=np.intp)
        rank[order] = np.cumsum(new)
        order = np.lexsort((*shapely.bounds(mains.geometry.array).T[::-1], rank))
    return order


def without_zero_length(lines: Lines, log: ChangeLog) -> NDArray[np.bool_]:
    """Which lines have a length, the rest being logged."""
    keep = lines.length_m > SAME_PLACE_M / 10
    _log_lines("zero_length", lines, np.flatnonzero(~keep), log, ["main without length"] * int((~keep).sum()))
    return keep


def without_duplicates(lines: Lines, keep: NDArray[np.bool_], log: ChangeLog) -> NDArray[np.bool_]:
    """Which of the lines in `keep` to keep when those drawn twice, in either direction, count once.

    The drawing that is in service and has a material stays.
    """
    suspects = _suspects(lines, keep)
    if not len(suspects):
        return keep
    shapes = lines.frame.geometry.array
    same = pd.Series(shapely.to_wkb(shapely.normalize(shapely.force_2d(shapes[suspects]))))
    frame = lines.frame.iloc[suspects]
    rank = np.lexsort((np.arange(len(suspects)), frame["material"].isna(), ~lines.in_service[suspects]))
    first = same.iloc[rank].duplicated().sort_index().to_numpy()
    stays = pd.Series(suspects[~first], index=same[~first])
    gone = suspects[first]
    kept = stays.loc[same[first]].to_numpy()
    _log_lines("duplicate", lines, gone, log, _duplicate_texts(lines, gone, kept))
    result = keep.copy()
    result[gone] = False
    return result


def _suspects(lines: Lines, keep: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Lines that share their bounds and number of vertices with another: few, and quick to find."""
    bounds = shapely.bounds(lines.frame.geometry.array).T
    # one number for each, which differs for nearly all that differ at all
    sums = bounds[0] + 0.618 * bounds[1] + 0.377 * bounds[2] + 0.213 * bounds[3]
    rows = np.flatnonzero(keep)
    rows = rows[np.flatnonzero(pd.Series(sums[rows]).duplicated(keep=False))]
    table = pd.DataFrame(
        {**{f"b{k}": side[rows] for k, side in enumerate(bounds)}, "n": np.diff(lines.first)[rows]}
    )
    return rows[np.flatnonzero(table.duplicated(keep=False))]


def _duplicate_texts(lines: Lines, gone: NDArray[np.intp], kept: NDArray[np.intp]) -> list[str]:
    one, other = (lines.frame[[*_COMPARED]].iloc[rows].reset_index(drop=True) for rows in (gone, kept))
    differ = ((one != other) & ~(one.isna() & other.isna())).to_numpy()
    texts = [f"drawn exactly like main {asset}, which is kept" for asset in lines.ids[kept]]
    for k in np.flatnonzero(differ.any(axis=1)).tolist():
        texts[k] += f"; they differ in {', '.join(np.array(_COMPARED)[differ[k]])}"
    return texts


def _log_lines(change: str, lines: Lines, which: NDArray[np.intp], log: ChangeLog, text: list[str]) -> None:
    log.add(change, lines.ids[which], xy=lines.xyz[lines.first[which], :2], text=text)


def _finite(shapes: Any) -> NDArray[np.bool_]:
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    result = np.ones(len(shapes), dtype=bool)
    if not np.isfinite(xy).all():  # asked of all at once first, which is quicker
        result[owner[~np.isfinite(xy).all(axis=1)]] = False
    return result
