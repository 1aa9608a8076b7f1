"""The layers of a saved network and their columns."""

from __future__ import annotations

from netcorr.export.result_schema import Column, ResultLayer
from netcorr.network.saved import ARRAYS, EDGES, FITTINGS, INFO, LOG, NODES

NETWORK_EDGES = ResultLayer(
    EDGES,
    "LineString",
    "Pipes of the network",
    "Pieces of mains between joints and fittings, as netcorr connects them.",
    (
        Column("pipe_id", "text", "Main that this is a piece of; for a link across a closed valve the valve"),
        Column("material", "text", "Material as understood; empty when unknown"),
        Column("material_text", "text", "Material as found on the map"),
        Column("diameter_mm", "real", "Nominal diameter [mm]"),
        Column("wall_mm", "real", "Wall thickness [mm]"),
        Column("year", "real", "Year laid"),
        Column("wave_speed_m_s", "real", "Measured wave speed [m/s]"),
        Column("length_m", "real", "Ground length, scaled to the measured one where the map has it [m]"),
        Column("drawn_length_m", "real", "Ground length as drawn [m]"),
        Column("from_node", "integer", "Node at its first point"),
        Column("to_node", "integer", "Node at its last point"),
        Column("is_open", "flag", "False for a main out of service and across a closed valve"),
        Column("assumed", "text", "What of these values is an assumption"),
        Column("could_be", "text", "What else they could be: JSON array of attribute, value and share"),
    ),
)

NETWORK_NODES = ResultLayer(
    NODES,
    "Point",
    "Nodes of the network",
    "Joints of mains, ends, and places of fittings on mains.",
    (
        Column("node", "integer", "Number of the node"),
        Column("pipes", "integer", "Pieces of mains that meet there"),
    ),
)

NETWORK_FITTINGS = ResultLayer(
    FITTINGS,
    "Point",
    "Fittings of the network",
    "Fittings as drawn, and where they sit on the network.",
    (
        Column("asset_id", "text", "Fitting"),
        Column("kind", "text", "valve, hydrant, meter or other"),
        Column("is_open", "flag", "False for a closed valve"),
        Column("node", "integer", "Node of the network; -1 when too far from any main"),
        Column("pipe_id", "text", "Main that it sits on"),
        Column("offset_m", "real", "Distance from the fitting as drawn to the main [m]"),
    ),
)

NETWORK_LOG = ResultLayer(
    LOG,
    "Point",
    "Changes to the map",
    "Every change that was made to connect the map, with the distance moved.",
    (
        Column("source_id", "text", "Main or fitting that was changed"),
        Column("change", "text", "Kind of change"),
        Column("moved_m", "real", "Distance moved [m]"),
        Column("text", "text", "What was done"),
    ),
)

NETWORK_INFO = ResultLayer(
    INFO,
    None,
    "About the network",
    "What it was read from, and what was inferred or assumed.",
    (
        Column("name", "text", "format, netcorr_version, source, crs, a tolerance [m] or note"),
        Column("value", "text", "What it is"),
    ),
)

NETWORK_ARRAYS = ResultLayer(
    ARRAYS,
    None,
    "Network for netcorr",
    "The same network in the form from which netcorr opens it; not meant to be edited.",
    (
        Column("name", "text", "What it is"),
        Column("value", "bytes", "Values, in NumPy's file format or JSON"),
    ),
)

#: Every layer of a saved network, in the order in which they are written.
NETWORK_LAYERS = (
    NETWORK_EDGES,
    NETWORK_NODES,
    NETWORK_FITTINGS,
    NETWORK_LOG,
    NETWORK_INFO,
    NETWORK_ARRAYS,
)
