"""How the layers of a plan look on any map."""

from __future__ import annotations

from netcorr.export.colours import INK, PATH, QUIET, SENSOR
from netcorr.export.layer_style import Condition, LayerStyle, Mark, Rule, Stroke
from netcorr.export.plan.expected import EXPECTED_STYLE
from netcorr.export.plan.schema import (
    COVERED,
    DEAD_ENDS,
    HEARD,
    LEFT_OUT,
    NO_WAY_BEYOND,
    NOT_COVERABLE,
    OUTSIDE,
    PLAN_FACTS,
    PLANNED_MAINS,
    PLANNED_SITES,
    ROUTE,
    SETUPS,
    VISITS,
)

_STATES = (
    (OUTSIDE, "Outside the district", Stroke(QUIET, 0.3)),
    (NOT_COVERABLE, "No pair of fittings covers it", Stroke("#b0413e", 0.8, dashed=True)),
    (NO_WAY_BEYOND, "No fitting beyond it", Stroke("#8a5a9e", 0.8, dashed=True)),
    (LEFT_OUT, "Not covered, but other fittings would", Stroke("#c9851b", 0.7)),
    (HEARD, "Heard from one side only", Stroke("#c9851b", 0.9, dashed=True)),
    (COVERED, "Between two sensors", Stroke("#2f7d5b", 1.1)),
)

_MAINS = LayerStyle(
    PLANNED_MAINS,
    tuple(Rule(title, stroke, (Condition("state", "=", state),)) for state, title, stroke in _STATES),
    tip=("pipe_id", "state", "sensor_a", "sensor_b"),
)
_SITES = LayerStyle(
    PLANNED_SITES,
    (Rule("Logger", Mark("square", 3.2, "#ffffff", 0.4, SENSOR)),),
    label="fitting",
    label_colour=SENSOR,
    tip=("fitting", "kind", "address", "setups"),
)
_DEAD_ENDS = LayerStyle(
    DEAD_ENDS,
    (Rule("Dead end: listen to it on its own", Stroke("#8a5a9e", 1.6)),),
    tip=("advice",),
)

_SETUPS = LayerStyle(
    SETUPS,
    (
        Rule("Covered in the first night", Stroke(PATH, 2.4), (Condition("night", "<", 2.0),)),
        Rule("Covered in a later night", Stroke("#d9b8a0", 2.4), (Condition("night", ">=", 2.0),)),
    ),
    tip=("setup", "times", "fittings"),
)
_VISITS = LayerStyle(
    VISITS,
    (
        Rule(
            "Pick up a logger",
            Mark("circle", 2.6, QUIET, 0.4),
            (Condition("action", "=", "pick up"),),
        ),
        Rule(
            "A logger stays",
            Mark("square", 3.4, SENSOR, 0.6),
            (Condition("action", "=", "stays"),),
        ),
        Rule(
            "Place a logger",
            Mark("square", 3.4, "#ffffff", 0.4, SENSOR),
            (Condition("action", "=", "place"),),
        ),
    ),
    label="place_order",
    label_colour=SENSOR,
    tip=("setup", "action", "logger", "fitting", "at", "address"),
)
_ROUTE = LayerStyle(
    ROUTE,
    (
        Rule("Way to place", Stroke(INK, 0.5, dashed=True), (Condition("action", "=", "place"),)),
        Rule("Way to pick up", Stroke(QUIET, 0.4, dashed=True), (Condition("action", "=", "pick up"),)),
    ),
    tip=("step", "from_fitting", "to_fitting"),
)

#: Looks of `PLAN_LAYERS`.
PLAN_STYLES = (
    _SITES,
    _DEAD_ENDS,
    _MAINS,
    EXPECTED_STYLE,
    _SETUPS,
    _VISITS,
    _ROUTE,
    LayerStyle(PLAN_FACTS),
)
