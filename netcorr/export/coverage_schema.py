"""The layers of a coverage and their columns."""

from __future__ import annotations

from netcorr.export.result_schema import Column, ResultLayer

COVERAGE = ResultLayer(
    "coverage",
    "LineString",
    "Coverage of the mains",
    "Every metre of main: between which sensors it lies, how well a leak would be placed there, or why not.",
    (
        Column("pipe_id", "text", "Main that this is a stretch of"),
        Column("material", "text", "Material as understood; empty when unknown"),
        Column("diameter_mm", "real", "Nominal diameter [mm]"),
        Column("assumed", "text", "What of material, diameter and year is an assumption"),
        Column("zone", "text", "Zone it lies in; empty without zones"),
        Column("length_m", "real", "Ground length of the stretch [m]"),
        Column("state", "text", "covered, heard by one side only, or not covered"),
        Column("pairs", "integer", "Pairs of sensors that have it between them"),
        Column("sensor_a", "text", "Best pair of these: one sensor"),
        Column("sensor_b", "text", "Best pair of these: the other one"),
        Column("all_pairs", "text", "All pairs, the first few by name"),
        Column(
            "expected_m", "real", "Expected length of the 95 % stretch of a leak here, by the best pair [m]"
        ),
        Column("fix", "text", "tight or loose by the limit asked for; unknown where a speed is not known"),
        Column("why_not", "text", "Why no pair has it between them"),
        Column("add_sensors", "text", "Fittings at which more sensors would cover it"),
        Column("reach_m", "real", "Longest main between two loggers on such a main, without tees [m]"),
        Column("reach_from", "text", "Where the reach comes from: measured, given, or common practice"),
    ),
)

SENSOR_PAIRS = ResultLayer(
    "sensor_pairs",
    "MultiLineString",
    "Pairs of sensors",
    "Paths between two sensors that are within reach of each other.",
    (
        Column("sensor_a", "text", "One sensor"),
        Column("sensor_b", "text", "The other one"),
        Column("length_m", "real", "Main between them [m]"),
        Column("reach_used", "real", "What pipe, tees and fittings take of the reach, 0 to 1"),
        Column("covers_m", "real", "Main of it that counts as covered by this pair [m]"),
        Column("expected_best_m", "real", "Expected 95 % stretch of a leak at the best place [m]"),
        Column("expected_worst_m", "real", "Expected 95 % stretch of a leak at the worst place [m]"),
        Column("materials", "text", "Pipes on the way from A to B"),
    ),
)

COVERAGE_SENSORS = ResultLayer(
    "coverage_sensors",
    "Point",
    "Sensors",
    "Sites that were given.",
    (
        Column("fitting", "text", "Fitting that the sensor stands on"),
        Column("kind", "text", "valve, hydrant, meter or other"),
        Column("pairs", "integer", "Sensors within reach that it makes a pair with"),
        Column("covers_m", "real", "Main that lies between it and another one [m]"),
        Column("note", "text", "What is to be known of it"),
    ),
)

DEAD_ENDS = ResultLayer(
    "dead_ends",
    "MultiLineString",
    "Dead ends",
    "Mains that no pair of sensors can have between them: no fitting for a logger lies beyond them.",
    (
        Column("number", "integer", "1 is the longest"),
        Column("length_m", "real", "Main in it [m]"),
        Column("pipe_ids", "text", "Mains, the first few"),
        Column(
            "nearest_fitting", "text", "Nearest service or fitting beyond that cannot be used as things are"
        ),
        Column("nearest_kind", "text", "Its kind"),
        Column("why_not", "text", "Why it cannot be used"),
        Column("remedy", "text", "What would let a pair have it between them"),
        Column("end_x", "real", "Free end, x in the CRS of the layer"),
        Column("end_y", "real", "Free end, y in the CRS of the layer"),
    ),
)

COVERAGE_TOTALS = ResultLayer(
    "coverage_totals",
    None,
    "Totals",
    "Metres and percent in all, by material and by zone.",
    (
        Column("by", "text", "all, material or zone"),
        Column("name", "text", "Which one; empty for unknown or none"),
        Column("total_m", "real", "Main in service that counts [m]"),
        Column("covered_m", "real", "Main between two sensors [m]"),
        Column("covered_percent", "real", "Share of it [%]"),
        Column("twice_m", "real", "Main that two pairs or more have between them [m]"),
        Column("heard_m", "real", "Main heard by one side only [m]"),
        Column("not_covered_m", "real", "Main that no sensor hears [m]"),
        Column("expected_m", "real", "Median of the expected 95 % stretch over the metres covered [m]"),
        Column("loose_m", "real", "Covered main where it is longer than the limit asked for [m]"),
        Column("why_not", "text", "Metres that no pair covers, by reason"),
    ),
)

COVERAGE_SETTINGS = ResultLayer(
    "coverage_settings",
    None,
    "What it rests on",
    "Settings and assumptions behind the coverage.",
    (
        Column("name", "text", "What"),
        Column("value", "text", "Value, with its unit"),
        Column("source", "text", "Where it comes from"),
    ),
)

#: Every layer of a coverage, in the order in which they are written.
COVERAGE_LAYERS = (
    COVERAGE,
    DEAD_ENDS,
    SENSOR_PAIRS,
    COVERAGE_SENSORS,
    COVERAGE_TOTALS,
    COVERAGE_SETTINGS,
)
