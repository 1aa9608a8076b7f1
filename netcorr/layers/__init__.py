"""GIS files to checked layers: reading, column mapping, CRS."""

from netcorr.layers.crs import geodesic_distances_m, geodesic_lengths_m, parse_crs
from netcorr.layers.network_layers import FITTINGS_COLUMNS, MAINS_COLUMNS, NetworkLayers

__all__ = [
    "FITTINGS_COLUMNS",
    "MAINS_COLUMNS",
    "NetworkLayers",
    "geodesic_distances_m",
    "geodesic_lengths_m",
    "parse_crs",
]
