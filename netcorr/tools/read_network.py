"""A map to the network on it, for work in Python."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.tools.frames import as_file
from netcorr.tools.open_map import open_map

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd

    from netcorr.feedback import Feedback
    from netcorr.network import PipeNetwork, Tolerances


def read_network(
    source: str | Path | Mapping[str, gpd.GeoDataFrame],
    *,
    mapping: str | Path | None = None,
    crs: str | None = None,
    tolerances: Tolerances | None = None,
    feedback: Feedback | None = None,
) -> PipeNetwork:
    """Read and clean a map, or open a network that was saved.

    Parameters
    ----------
    source : path, or dict of GeoDataFrame by layer
        Any source that GDAL reads, a saved network, or frames of mains and fittings.
    mapping : path, optional
        TOML file that says which of the source's layers, columns, codes and units mean what.
    crs : str, optional
        CRS of a source that does not state one.
    tolerances : Tolerances, optional
        How far things may lie apart and still be one; the defaults unless given.
    feedback : Feedback, optional
        Told of progress and of every note about the map.

    Returns
    -------
    PipeNetwork
        The noded graph, the fittings on it, and a log of every change.

    Raises
    ------
    LayerError, NetworkError
        If the source is at fault; the message says where and why.
    """
    with tempfile.TemporaryDirectory(prefix="netcorr-") as folder:
        file: Any = as_file(source, Path(folder, "network"), item="network")
        return open_map(
            Path(file),
            mapping=None if mapping is None else Path(mapping),
            crs=crs,
            tolerances=tolerances,
            feedback=feedback,
        )
