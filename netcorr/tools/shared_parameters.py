"""Parameters that several tools share, so that they are the same everywhere."""

from __future__ import annotations

from netcorr.tools.parameter import Parameter

MAPPING = Parameter(
    "mapping",
    "file_in",
    "Mapping",
    "TOML file that says which layers, columns, codes and units of the source mean what.",
    ("--mapping",),
    suffixes=(".toml",),
)
CRS = Parameter(
    "crs",
    "text",
    "Coordinate reference system",
    "CRS of a source that does not state one, such as EPSG:25832.",
    ("--crs",),
)
NETWORK = Parameter(
    "network",
    "source",
    "Network",
    "The utility's map: any file that GDAL reads, with a line layer of mains and a point layer of fittings.",
    required=True,
    geometry=("LineString", "Point"),
)
