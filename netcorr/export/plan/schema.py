"""The layers of a plan and their columns."""

from __future__ import annotations

from netcorr.export.plan.expected import EXPECTED_FIX
from netcorr.export.result_schema import Column, ResultLayer

PLANNED_SITES = ResultLayer(
    "planned_sites",
    "Point",
    "Planned sites",
    "Fittings on which the plan puts a logger.",
    (
        Column("fitting", "text", "Asset id of the fitting"),
        Column("kind", "text", "valve, hydrant, meter or other"),
        Column("address", "text", "Address, where the map has a column for it"),
        Column("pipe_id", "text", "Main that it sits on"),
        Column("fixed", "flag", "True where it was asked for, whatever it covers"),
        Column("pairs", "integer", "Pairs of the plan that it is one end of"),
        Column("covers_m", "real", "Main that nothing would cover if it were left out [m]"),
        Column("setups", "text", "Setups that use it; empty for a plan without"),
    ),
)

#: What a stretch can be, in the order of the legend.
COVERED, HEARD, LEFT_OUT, NO_WAY_BEYOND, NOT_COVERABLE, OUTSIDE = (
    "covered",
    "one side only",
    "left out",
    "nothing beyond",
    "no pair covers it",
    "outside",
)

PLANNED_MAINS = ResultLayer(
    "planned_mains",
    "LineString",
    "Planned coverage",
    "Every open main: whether a leak on it would lie between two sensors of the plan.",
    (
        Column("pipe_id", "text", "Main that this is a piece of"),
        Column("material", "text", "Material as understood; empty when unknown"),
        Column("diameter_mm", "real", "Nominal diameter [mm]"),
        Column("assumed", "text", "What of material, diameter and year is an assumption"),
        Column("length_m", "real", "Ground length [m]"),
        Column("weight", "real", "What covering it is worth; its length unless a column was given"),
        Column("reach_m", "real", "Longest path between two loggers, if all of it were like this main [m]"),
        Column(
            "state",
            "text",
            "covered; one side only: a planned sensor hears it, but there is none beyond; left out: other "
            "candidates would cover it; nothing beyond: no candidate stands beyond it; no pair covers it: "
            "all candidates are too far, or the second way round is too near; outside: does not count",
            (COVERED, HEARD, LEFT_OUT, NO_WAY_BEYOND, NOT_COVERABLE, OUTSIDE),
        ),
        Column("pairs", "integer", "Pairs of the plan that cover it"),
        Column("sensor_a", "text", "Of the closest pair that covers it: fitting at one end ..."),
        Column("sensor_b", "text", "... and the other"),
        Column("pair_length_m", "real", "Main between these two [m]"),
    ),
)

DEAD_ENDS = ResultLayer(
    "dead_ends",
    "MultiLineString",
    "Dead ends beyond the last fitting",
    "Mains that no two candidates have between them: to be listened to on their own.",
    (
        Column("dead_end", "integer", "Number, 1 the longest"),
        Column("length_m", "real", "Length [m]"),
        Column("pipes", "text", "Mains that it consists of"),
        Column("fitting", "text", "Fitting that would bracket most of it, if a logger could stand there"),
        Column("kind", "text", "Kind of that fitting"),
        Column("bracketed_m", "real", "Main from the beginning to that fitting [m]"),
        Column("advice", "text", "What would help, in words"),
    ),
)

PLAN_FACTS = ResultLayer(
    "plan_facts",
    None,
    "The plan in figures",
    "What was asked for, what the plan reaches, and how much better any other could be.",
    (
        Column("name", "text", "What it is"),
        Column("value", "text", "Its value"),
        Column("meaning", "text", "What it means"),
    ),
)

SETUPS = ResultLayer(
    "setups",
    "MultiLineString",
    "Setups",
    "What each setup covers, with its night and its times; empty for a plan without a timetable.",
    (
        Column("setup", "integer", "Place in the round, from 1"),
        Column("night", "integer", "Night, from 1"),
        Column("loggers", "integer", "Loggers that record"),
        Column("fittings", "text", "Where they stand, in the order of placing"),
        Column("covered_m", "real", "Main between two of them [m]"),
        Column("new_m", "real", "Of it, what no earlier setup covers [m]"),
        Column("begins", "time", "First logger placed (UTC)"),
        Column("records", "time", "First recording (UTC)"),
        Column("ends", "time", "Last logger picked up (UTC)"),
        Column("times", "text", "The same in words, by the clock on the wall"),
        Column("way_m", "real", "Way of the crew [m]"),
    ),
)

VISITS = ResultLayer(
    "visits",
    "Point",
    "Visits in order",
    "Every fitting that the crew visits, in order; a logger that stays for the next setup is not touched.",
    (
        Column("step", "integer", "Number in the whole round, from 1; empty where a logger stays"),
        Column("setup", "integer", "Setup"),
        Column("night", "integer", "Night"),
        Column("action", "text", "What is done", ("place", "stays", "pick up")),
        Column("order", "integer", "Number within the setup; empty where a logger stays"),
        Column("place_order", "integer", "The same where a logger is placed: the number on the sheet"),
        Column("logger", "text", "Logger"),
        Column("fitting", "text", "Fitting"),
        Column("kind", "text", "valve, hydrant, meter or other"),
        Column("address", "text", "Address, where the map has a column for it"),
        Column("arrive", "time", "Arrival (UTC)"),
        Column("done", "time", "Done (UTC)"),
        Column("at", "text", "Arrival by the clock on the wall"),
        Column("way_m", "real", "Way from the visit before [m]"),
    ),
)

ROUTE = ResultLayer(
    "route",
    "LineString",
    "Route",
    "Ways from visit to visit along the mains, which lie in streets; straight where no main leads there.",
    (
        Column("step", "integer", "Visit that it leads to"),
        Column("setup", "integer", "Setup"),
        Column("night", "integer", "Night"),
        Column("action", "text", "What is done there", ("place", "pick up")),
        Column("from_fitting", "text", "Where it begins"),
        Column("to_fitting", "text", "Where it ends"),
        Column("way_m", "real", "Length that was reckoned with [m]"),
        Column("along_mains", "flag", "False where it is drawn straight"),
    ),
)

#: Every layer of a plan, in this order.
PLAN_LAYERS = (PLANNED_SITES, PLANNED_MAINS, EXPECTED_FIX, DEAD_ENDS, SETUPS, VISITS, ROUTE, PLAN_FACTS)
