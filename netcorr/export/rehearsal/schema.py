"""The layers of a rehearsal and their columns."""

from __future__ import annotations

from netcorr.export.colours import FOUND, INK, LEAK, QUIET, SENSOR
from netcorr.export.layer_style import Condition, LayerStyle, Mark, Rule, Stroke
from netcorr.export.result_schema import Column, ResultLayer

#: Said in every layer that shows a place: none of these leaks is there.
SIMULATED = "Simulated: no leak is known to be there."

REHEARSED_LEAKS = ResultLayer(
    "rehearsed_leaks",
    "Point",
    "Rehearsed leaks",
    f"Where leaks were put, and what the technician would have been told of each. {SIMULATED}",
    (
        Column("leak", "integer", "Number of the leak"),
        Column(
            "outcome",
            "text",
            "found (the point told is near), in the area (farther away, but inside the area told), beyond a "
            "sensor (told so, rightly), not heard, wrong place, no answer (the survey was refused), out "
            "of reach",
        ),
        Column("error_m", "real", "From the point told to the leak along the pipes [m]"),
        Column("probability", "real", "Stated for the best candidate, 0 to 1"),
        Column("in_area", "flag", "Whether the leak lies in the area told"),
        Column("area_m", "real", "Pipe to search that was told [m]"),
        Column("between_sites", "flag", "Whether the leak lies on the shortest way between two of the sites"),
        Column("told", "text", "What was said, in words"),
        Column("pipe_id", "text", "Main that the leak was put on"),
        Column("material", "text", "Its material"),
        Column("diameter_mm", "real", "Its diameter [mm]"),
        Column("from_start_m", "real", "Distance along the piece of main between joints, from its start [m]"),
        Column("sites", "integer", "Sites that took part"),
        Column("nearest_m", "real", "Distance along the mains to the nearest of them [m]"),
        Column("second_m", "real", "Distance to the second nearest [m]"),
        Column("heard_db", "real", "Leak noise over ambient noise at the second loudest site [dB]"),
        Column("sensor_a", "text", "Fitting of the pair that was told"),
        Column("sensor_b", "text", "The other one"),
        Column("recordings", "text", "Folder of its recordings, when they were kept"),
        Column("caution", "text", SIMULATED),
    ),
)

TOLD_POINTS = ResultLayer(
    "told_points",
    "LineString",
    "From leak to point told",
    f"A line from each leak to the point that was told, where there is any distance. {SIMULATED}",
    (
        Column("leak", "integer", "Number of the leak"),
        Column("outcome", "text", "As in rehearsed_leaks"),
        Column("error_m", "real", "Distance along the pipes [m]"),
    ),
)

REHEARSED_MAINS = ResultLayer(
    "rehearsed_mains",
    "LineString",
    "Mains with rehearsed leaks",
    "Pieces of main on which leaks were put: how many, and how many a crew would have come to.",
    (
        Column("pipe_id", "text", "Main"),
        Column("material", "text", "Material"),
        Column("diameter_mm", "real", "Diameter [mm]"),
        Column("length_m", "real", "Length of the piece [m]"),
        Column("leaks", "integer", "Leaks that were put on it"),
        Column("found", "integer", "Found near the point told, or inside an area that can be searched"),
        Column("fails", "flag", "True when none of them was"),
        Column("why", "text", "Outcomes of those that were not"),
    ),
)

REHEARSED_SITES = ResultLayer(
    "rehearsed_sites",
    "Point",
    "Sites",
    "Where loggers are planned.",
    (
        Column("fitting", "text", "Fitting"),
        Column("logger", "text", "Logger"),
        Column("setup", "text", "Loggers of one setup record at the same time"),
        Column("leaks", "integer", "Rehearsed leaks that it took part in"),
    ),
)

REHEARSAL_SHARES = ResultLayer(
    "rehearsal_shares",
    None,
    "Shares by material",
    "How often leaks would be found, in all and by material, each with its interval of 95 %.",
    (
        Column("material", "text", "Material, or all"),
        Column("leaks", "integer", "Leaks that were put on it"),
        Column("found", "integer", "Point told near the leak"),
        Column("found_low", "real", "Lower end of the interval of that share, 0 to 1"),
        Column("found_high", "real", "Upper end"),
        Column("in_area", "integer", "Farther away, but inside the area told"),
        Column("beyond_sensor", "integer", "Told to come from at or beyond a sensor, rightly"),
        Column("not_heard", "integer", "No candidate"),
        Column("wrong_place", "integer", "Told to be where it is not"),
        Column("no_answer", "integer", "The survey was refused"),
        Column("out_of_reach", "integer", "Fewer than two sites near"),
        Column("median_m", "real", "Median distance of the points told between sensors [m]"),
        Column("p90_m", "real", "Nine of ten are nearer than this [m]"),
        Column("area_m", "real", "Median of the pipe to search [m]"),
    ),
)

REHEARSAL_LAYERS = (REHEARSED_LEAKS, TOLD_POINTS, REHEARSED_MAINS, REHEARSED_SITES, REHEARSAL_SHARES)


def _is(words: str) -> tuple[Condition, ...]:
    return (Condition("outcome", "=", words),)


_LEAKS = LayerStyle(
    REHEARSED_LEAKS,
    (
        Rule(
            "Simulated leak: found near the point told",
            Mark("circle", 4.0, "#ffffff", 0.4, FOUND),
            _is("found"),
        ),
        Rule(
            "Simulated leak: in the area told", Mark("circle", 4.0, FOUND, 0.9, "#ffffff"), _is("in the area")
        ),
        Rule(
            "Simulated leak: told as beyond a sensor",
            Mark("triangle", 4.2, SENSOR, 0.7),
            _is("beyond a sensor"),
        ),
        Rule("Simulated leak: not heard", Mark("square", 3.6, QUIET, 0.7), _is("not heard")),
        Rule("Simulated leak: told to be elsewhere", Mark("x", 4.4, LEAK, 1.1), _is("wrong place")),
        Rule("Simulated leak: survey refused", Mark("cross", 4.0, INK, 0.7), _is("no answer")),
        Rule("Simulated leak: out of reach", Mark("cross", 3.6, QUIET, 0.5), _is("out of reach")),
    ),
    tip=("leak", "outcome", "told", "caution"),
)
_TOLD = LayerStyle(TOLD_POINTS, (Rule("From leak to point told", Stroke(LEAK, 0.4, dashed=True)),))
_MAINS = LayerStyle(
    REHEARSED_MAINS,
    (
        Rule("Leaks here were found", Stroke(FOUND, 0.9), (Condition("fails", "=", False),)),
        Rule("No leak here was found", Stroke(LEAK, 1.1), (Condition("fails", "=", True),)),
    ),
    tip=("pipe_id", "leaks", "found", "why"),
)
_SITES = LayerStyle(
    REHEARSED_SITES,
    (Rule("Planned logger", Mark("square", 3.2, "#ffffff", 0.4, SENSOR)),),
    label="fitting",
    label_colour=SENSOR,
    tip=("logger", "fitting", "leaks"),
)

#: Look of every layer of a rehearsal.
REHEARSAL_STYLES = (_LEAKS, _TOLD, _MAINS, _SITES, LayerStyle(REHEARSAL_SHARES))
