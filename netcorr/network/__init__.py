"""Layers to a noded, cleaned network graph with its fittings and a log of every change."""

from netcorr.layers.alternatives import Alternative, CouldBe
from netcorr.network.build import build_network
from netcorr.network.graph import network_edges, open_graph
from netcorr.network.log import CHANGES
from netcorr.network.pipe_network import EDGE_ATTRIBUTES, FITTING_COLUMNS, LOG_COLUMNS, PipeNetwork
from netcorr.network.saved import is_saved_network, open_network
from netcorr.network.tolerances import Tolerances

__all__ = [
    "CHANGES",
    "EDGE_ATTRIBUTES",
    "FITTING_COLUMNS",
    "LOG_COLUMNS",
    "Alternative",
    "CouldBe",
    "PipeNetwork",
    "Tolerances",
    "build_network",
    "is_saved_network",
    "network_edges",
    "open_graph",
    "open_network",
]
