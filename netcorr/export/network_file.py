"""A network to a GeoPackage from which it can be opened again without cleaning."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

import netcorr
from netcorr.export.geopackage import write_tables
from netcorr.export.network_schema import NETWORK_EDGES, NETWORK_LAYERS
from netcorr.layers.alternatives import to_json
from netcorr.network import network_edges
from netcorr.network.packed import packed
from netcorr.network.saved import ARRAYS, EDGES, FITTINGS, FORMAT, INFO, LOG, NODES

if TYPE_CHECKING:
    import os

    from netcorr.feedback import Feedback
    from netcorr.network import PipeNetwork


def save_network(
    network: PipeNetwork, path: str | os.PathLike[str], *, feedback: Feedback | None = None
) -> None:
    """Save a network so that `netcorr.network.open_network` gives it back.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    path : str or path-like
        File to write, ending in ``.gpkg``. An earlier saved network there is replaced when the new one is
        complete and has been checked.
    feedback : Feedback, optional
        Told how far the work is.

    Raises
    ------
    ExportError
        If the file is in use by another program, holds other layers, or cannot be written.
    CancelledError
        If the user stopped it; nothing is written then.
    """
    write_tables(network_tables(network), path, layers=NETWORK_LAYERS, feedback=feedback)


def network_tables(network: PipeNetwork) -> dict[str, pd.DataFrame]:
    """Tables of a saved network, by layer name.

    Parameters
    ----------
    network : PipeNetwork
        The network.

    Returns
    -------
    dict of str to pandas.DataFrame
        One table for each of `netcorr.export.network_schema.NETWORK_LAYERS`.
    """
    edges = network_edges(network)
    edges["could_be"] = edges["could_be"].map(to_json)
    return {
        EDGES: edges[[*(column.name for column in NETWORK_EDGES.columns), "geometry"]],
        NODES: _nodes(network),
        FITTINGS: network.fittings.reset_index(names="asset_id"),
        LOG: network.log,
        INFO: _info(network),
        ARRAYS: pd.DataFrame(packed(network).items(), columns=["name", "value"]),
    }


def _nodes(network: PipeNetwork) -> gpd.GeoDataFrame:
    graph = network.graph
    xy = np.array([(place["x"], place["y"]) for _, place in graph.nodes(data=True)]).reshape(-1, 2)
    columns: dict[str, Any] = {
        "node": np.array(list(graph.nodes), dtype=np.int32),
        "pipes": np.array([degree for _, degree in graph.degree()], dtype=np.int32),
    }
    return gpd.GeoDataFrame(columns, geometry=shapely.points(xy), crs=network.crs)


def _info(network: PipeNetwork) -> pd.DataFrame:
    rows = [
        ("format", FORMAT),
        ("netcorr_version", netcorr.__version__),
        ("source", network.source),
        ("crs", network.crs.to_wkt()),
        *(
            (field.name, repr(getattr(network.tolerances, field.name)))
            for field in fields(network.tolerances)
        ),
        *(("note", note) for note in network.notes),
    ]
    return pd.DataFrame(rows, columns=["name", "value"])
