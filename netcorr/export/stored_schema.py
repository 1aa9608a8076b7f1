"""Layers of a result that keep what the answer rests on, so that it can be shown and explained later."""

from __future__ import annotations

from netcorr.export.network_schema import NETWORK_EDGES, NETWORK_FITTINGS
from netcorr.export.result_schema import Column, ResultLayer

MAINS_NEARBY = ResultLayer(
    "mains_nearby",
    "LineString",
    "Mains around the survey",
    "Pieces of the utility's mains near the paths, as netcorr connected them.",
    NETWORK_EDGES.columns,
)

FITTINGS_NEARBY = ResultLayer(
    "fittings_nearby",
    "Point",
    "Fittings around the survey",
    "Valves, hydrants and other fittings near the paths, as drawn.",
    NETWORK_FITTINGS.columns,
)

PATH_PIPES = ResultLayer(
    "path_pipes",
    "LineString",
    "Pipes of the paths",
    "Each path from sensor_a to sensor_b, pipe by pipe, with its wave speed and where that comes from.",
    (
        Column("sensor_a", "text", "Fitting at which the path starts"),
        Column("sensor_b", "text", "Fitting at which the path ends"),
        Column("part", "integer", "Number of the piece, 1 at sensor_a"),
        Column("from_a_m", "real", "Where the piece starts, from sensor_a along the main [m]"),
        Column("length_m", "real", "Its length [m]"),
        Column("pipe_id", "text", "Main that it is a piece of"),
        Column("material", "text", "Material as understood; empty when unknown"),
        Column("material_text", "text", "Material as found on the map"),
        Column("diameter_mm", "real", "Nominal diameter [mm]"),
        Column("wall_mm", "real", "Wall thickness [mm]"),
        Column("year", "real", "Year laid"),
        Column("wave_speed_m_s", "real", "Measured wave speed, where the map has one [m/s]"),
        Column("from_node", "integer", "Node of mains_nearby at which it starts"),
        Column("to_node", "integer", "Node at which it ends"),
        Column("assumed", "text", "What of these values is an assumption"),
        Column("could_be", "text", "What else they could be: JSON array of attribute, value and share"),
        Column("speed_m_s", "real", "Wave speed used [m/s]"),
        Column("speed_common_sd_m_s", "real", "Its deviation, part common to the material [m/s]"),
        Column("speed_pipe_sd_m_s", "real", "Its deviation, part of this pipe alone [m/s]"),
        Column("speed_group", "text", "Pipes that share the common part"),
        Column("speed_source", "text", "Where the speed comes from"),
        Column("speed_assumptions", "text", "What was assumed for it, as a JSON array"),
    ),
)

EVIDENCE_CURVES = ResultLayer(
    "evidence_curves",
    None,
    "Curves of the evidence",
    "What the recordings say, as points of curves; straight lines join the points.",
    (
        Column("logger_a", "text", "Logger at sensor_a"),
        Column("logger_b", "text", "Logger at sensor_b"),
        Column("sensor_a", "text", "Fitting at which the path starts"),
        Column("sensor_b", "text", "Fitting at which the path ends"),
        Column("round", "integer", "Round of the survey; empty for all rounds together"),
        Column("curve", "text", "position, delay, coherence or phase"),
        Column("x_name", "text", "from_a_m, delay_ms or frequency_hz"),
        Column("y_name", "text", "density_per_m, log_likelihood, coherence or phase_rad"),
        Column("points", "integer", "Points before those on a straight line were left out"),
        Column("polarity", "integer", "-1: one sensor's signal is reversed against the other's"),
        Column("x", "text", "JSON array, ascending"),
        Column("y", "text", "JSON array"),
    ),
)

CANDIDATE_STRETCHES = ResultLayer(
    "candidate_stretches",
    None,
    "Stretches of the candidates",
    "Stretches of main that a candidate may lie on, along the path between its sensors.",
    (
        Column("candidate_id", "text", "Candidate that it belongs to"),
        Column("low_m", "real", "Where it starts, from sensor_a along the main [m]"),
        Column("high_m", "real", "Where it ends [m]"),
    ),
)

SURVEY_NOTES = ResultLayer(
    "survey_notes",
    None,
    "Notes of the survey",
    "Assumptions and doubts, one a row; without loggers they concern the survey as a whole.",
    (
        Column("logger_a", "text", "Logger at sensor_a"),
        Column("logger_b", "text", "Logger at sensor_b"),
        Column("sensor_a", "text", "Fitting at which the path starts"),
        Column("sensor_b", "text", "Fitting at which the path ends"),
        Column("round", "integer", "Round that the note is about"),
        Column("note", "text", "What was noticed or assumed"),
    ),
)

MADE_FROM = ResultLayer(
    "made_from",
    None,
    "What the result was made from",
    "Files with their fingerprints, settings and version: enough to tell whether it can be made again.",
    (
        Column("role", "text", "program, setting, network, deployments, mapping, calibration or recording"),
        Column("name", "text", "Name of the setting or the file"),
        Column("value", "text", "Value of a setting; for a recording why it was not used"),
        Column("path", "text", "Path of the file, seen from the folder of this result"),
        Column("sha256", "text", "SHA-256 of the file"),
        Column("bytes", "integer", "Size of the file"),
        Column("logger", "text", "Logger that made the recording"),
        Column("fitting", "text", "Fitting that it stood on"),
        Column("round", "integer", "Round that it was used in"),
        Column("start", "text", "True time of its first sample (UTC, ISO 8601)"),
        Column("sample_rate_hz", "real", "Sample rate of the file [Hz]"),
        Column("table_name", "text", "Deployments table that names it"),
        Column("table_row", "integer", "Row of that table"),
    ),
)

#: What `netcorr.export.write_result` adds to the layers of the result.
STORED_LAYERS = (
    MAINS_NEARBY,
    FITTINGS_NEARBY,
    PATH_PIPES,
    CANDIDATE_STRETCHES,
    EVIDENCE_CURVES,
    SURVEY_NOTES,
    MADE_FROM,
)
