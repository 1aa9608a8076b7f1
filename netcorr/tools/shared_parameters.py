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
    "The utility's map: any file that GDAL reads, with a line layer of mains and a point layer of fittings; "
    "or a network saved after cleaning, which is then opened as it is.",
    required=True,
    geometry=("LineString", "Point"),
)

JOIN = Parameter(
    "join_m",
    "number",
    "Joint tolerance",
    "Ends of mains that lie this near to each other are one joint.",
    ("--join-tolerance",),
    unit="m",
    minimum=0,
    maximum=5,
    default=0.2,
)
CUT = Parameter(
    "cut_m",
    "number",
    "Tee tolerance",
    "A main is cut where the end of another lies this near to it.",
    ("--cut-tolerance",),
    unit="m",
    minimum=0,
    maximum=5,
    default=0.2,
)
FITTING = Parameter(
    "fitting_m",
    "number",
    "Fitting tolerance",
    "A fitting that lies this near to a main sits on it.",
    ("--fitting-tolerance",),
    unit="m",
    minimum=0,
    maximum=100,
    default=5.0,
)
OVERSHOOT = Parameter(
    "overshoot_m",
    "number",
    "Overshoot tolerance",
    "A free end of a main that runs past another by no more than this is cut back to it.",
    ("--overshoot-tolerance",),
    unit="m",
    minimum=0,
    maximum=5,
    default=0.5,
)
#: How a map is read and cleaned, for every tool that opens one with `open_map`.
MAP_OPTIONS = (MAPPING, CRS, JOIN, CUT, FITTING, OVERSHOOT)
