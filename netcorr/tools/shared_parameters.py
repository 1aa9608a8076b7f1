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

KINDS = Parameter(
    "kinds",
    "text",
    "Kinds of fittings",
    "Kinds of fittings on which a logger may stand, parted by commas: valve, hydrant, meter, other.",
    ("--kinds",),
    default="valve,hydrant",
)
CANDIDATES = Parameter(
    "candidates",
    "source",
    "Candidate fittings",
    "Layer, table or list of ids of the fittings that alone may carry a logger: with a column fitting or "
    "asset_id, or points on the fittings.",
    ("--candidates",),
    geometry=("Point",),
)
WHERE = Parameter(
    "where",
    "text",
    "Condition for fittings",
    "Condition on the columns of the candidate fittings (without them, of the network's fittings), such as "
    "\"access = 'open' AND year > 1990\".",
    ("--where",),
)
EXCLUDE = Parameter(
    "exclude",
    "text",
    "Unusable fittings",
    "Columns of the network's fittings that say which cannot be used: a yes/no column such as buried, or "
    "some values of one, such as access=buried,private,flooded; several parted by semicolons.",
    ("--exclude",),
)
DISTRICT = Parameter(
    "district",
    "source",
    "District",
    "Layer of polygons: only mains inside count, and only fittings inside are candidates.",
    ("--district",),
    geometry=("MultiPolygon",),
)
#: Which fittings may carry a logger, for every tool that asks `candidate_rules`.
CANDIDATE_OPTIONS = (KINDS, CANDIDATES, WHERE, EXCLUDE, DISTRICT)

REACH = Parameter(
    "reach",
    "text",
    "Reach",
    "Longest main between two loggers in metres, one for all (150) or by material (grey_iron=140,pvc=60); "
    "common practice where nothing is given.",
    ("--reach",),
)
REACH_FILE = Parameter(
    "reach_file",
    "file_in",
    "Measured reach",
    "TOML file with the reach that earlier surveys found: tables [[reach]] with material, reach_m and, where "
    "it matters, diameter_mm = [90, 160].",
    ("--reach-file",),
    suffixes=(".toml",),
)
SOURCE_LEVEL = Parameter(
    "source_db",
    "number",
    "Loudness of the leak",
    "Leak noise at the leak itself over the background: 0 is a quiet leak, 10 a usual one, 20 a loud one, by "
    "judgement; quieter leaks have a shorter reach.",
    ("--loudness",),
    unit="dB",
    minimum=-40,
    maximum=80,
    default=10.0,
)
RECORDING_LENGTH = Parameter(
    "recording_s",
    "number",
    "Length of recordings",
    "Length of each recording; longer ones reach farther.",
    ("--recording-length",),
    unit="s",
    minimum=0.1,
    maximum=86400,
    default=10.0,
)
#: How far leaks are heard, for every tool that asks `reach_table`.
REACH_OPTIONS = (REACH, REACH_FILE, SOURCE_LEVEL, RECORDING_LENGTH)

CALIBRATION = Parameter(
    "calibration",
    "file_in",
    "Calibration",
    "Wave speeds learned from leaks that were found, in place of the tables for the pipes that it holds.",
    ("--calibration",),
    suffixes=(".toml",),
)
MARGIN = Parameter(
    "margin_percent",
    "number",
    "Margin over the second way",
    "Where mains form a loop, the second way between two sensors must be longer by this; else the pair does "
    "not count for what the loop holds.",
    ("--margin",),
    unit="%",
    minimum=0,
    maximum=100,
    default=2.0,
)
CLOCK_ERROR = Parameter(
    "clock_sd_ms",
    "number",
    "Error of a clock",
    "Standard deviation of a logger's clock, for how well a leak would be placed.",
    ("--clock-error",),
    unit="ms",
    minimum=0,
    maximum=1000,
    default=0.2,
)
LOOSE = Parameter(
    "loose_from_m",
    "number",
    "Too loose to dig",
    "A longer expected 95 % stretch is called loose.",
    ("--loose-from",),
    unit="m",
    minimum=0.1,
    maximum=1000,
    default=10.0,
)
ZONES = Parameter(
    "zones",
    "source",
    "Zones",
    "Layer of polygons with a name each: totals are also given for each zone.",
    ("--zones",),
    geometry=("MultiPolygon",),
)
ZONE_COLUMN = Parameter(
    "zone_column",
    "text",
    "Column of zones",
    "Column that names the zone: of the polygons if there are any, else of the network's mains.",
    ("--zone-column",),
)
