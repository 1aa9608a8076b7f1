"""The product of this folder: a noded network of pipes with its fittings and the log of every change."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from netcorr.errors import NetworkError
from netcorr.network.tolerances import Tolerances

if TYPE_CHECKING:
    import geopandas as gpd
    import networkx as nx
    import pyproj

#: Attributes of every edge of `PipeNetwork.graph`. An edge is one piece of one source main.
EDGE_ATTRIBUTES = (
    "pipe_id",  # str, asset id of the source main
    "material",  # key of the material vocabulary, or None
    "material_text",  # str as found in the source, or None
    "diameter_mm",  # [mm], NaN when unknown
    "wall_mm",  # [mm], NaN when unknown
    "year",  # NaN when unknown
    "wave_speed_m_s",  # measured [m/s], NaN when unknown
    "length_m",  # ground length, scaled to the measured length where one is given [m]
    "drawn_length_m",  # ground length as drawn [m]
    "geometry",  # LineString in the network's CRS, drawn from `from_node` to `to_node`
    "from_node",  # int, node at the first coordinate of `geometry`
    "to_node",  # int, node at the last coordinate
    "is_open",  # bool; False for mains out of service and for the link across a closed valve
    "assumed",  # str, what of the attributes is an assumption, in words; '' where nothing is
    "could_be",  # what else they could be: `netcorr.layers.alternatives.CouldBe`
)

#: Columns of `PipeNetwork.fittings`; the index is the fitting's asset id.
FITTING_COLUMNS = (
    "kind",  # 'valve', 'hydrant', 'meter', 'other'
    "is_open",  # bool
    "node",  # int node of the graph, -1 when too far from any main
    "pipe_id",  # str, main it was attached to, or None
    "offset_m",  # ground distance from the fitting as drawn to the main [m]
)

#: Columns of `PipeNetwork.log`, one row a change.
LOG_COLUMNS = (
    "source_id",  # str, asset id of the main or fitting
    "change",  # kind of change, a key of `netcorr.network.log.CHANGES`
    "moved_m",  # distance moved [m], 0 where nothing moved
    "text",  # one sentence
)


@dataclass(frozen=True, eq=False)
class PipeNetwork:
    """Pipes as edges, joints and fittings as nodes.

    Attributes
    ----------
    source : str
        Name of what was read, for messages.
    graph : networkx.MultiGraph
        Nodes are integers with `x`, `y` in the network's CRS; edges carry `EDGE_ATTRIBUTES`.
    fittings : geopandas.GeoDataFrame
        Fittings as drawn, indexed by asset id, columns `FITTING_COLUMNS` and geometry (Point).
    log : geopandas.GeoDataFrame
        Every change made to the source, columns `LOG_COLUMNS` and geometry (Point).
    crs : pyproj.CRS
        CRS of all geometries.
    notes : tuple of str
        What was inferred or assumed, one sentence each.
    tolerances : Tolerances
        How far things lay apart at most that were taken as one.
    """

    source: str
    graph: nx.MultiGraph
    fittings: gpd.GeoDataFrame
    log: gpd.GeoDataFrame
    crs: pyproj.CRS
    notes: tuple[str, ...] = ()
    tolerances: Tolerances = field(default_factory=Tolerances)

    def node_of(self, fitting: str) -> int:
        """Node at which a fitting sits.

        Parameters
        ----------
        fitting : str
            Asset id of the fitting.

        Returns
        -------
        int
            Node of `graph`.

        Raises
        ------
        NetworkError
            If there is no such fitting, or it is too far from any main.
        """
        if fitting not in self.fittings.index:
            raise NetworkError(
                f"{self.source}, fitting {fitting}",
                found="no fitting has this id",
                remedy="check the id against the fittings layer" + self._similar(fitting),
            )
        row = self.fittings.loc[fitting]
        if int(row["node"]) < 0:
            raise NetworkError(
                f"{self.source}, fitting {fitting}",
                found=f"the nearest main is {row['offset_m']:.1f} m away",
                remedy="correct its place on the map, draw the missing main, or raise the fitting tolerance",
            )
        return int(row["node"])

    def edge(self, u: int, v: int, key: int) -> dict[str, Any]:
        """Attributes of one edge, `EDGE_ATTRIBUTES`."""
        attributes: dict[str, Any] = self.graph.edges[u, v, key]
        return attributes

    def _similar(self, fitting: str) -> str:
        close = difflib.get_close_matches(fitting, [str(i) for i in self.fittings.index], n=3)
        return f" (similar: {', '.join(close)})" if close else ""
