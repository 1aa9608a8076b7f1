"""How the layers of a coverage look on a map."""

from __future__ import annotations

from netcorr.export.colours import QUIET, SENSOR
from netcorr.export.coverage_schema import (
    COVERAGE,
    COVERAGE_SENSORS,
    COVERAGE_SETTINGS,
    COVERAGE_TOTALS,
    DEAD_ENDS,
    SENSOR_PAIRS,
)
from netcorr.export.layer_style import Condition, LayerStyle, Mark, Rule, Stroke

#: Lightness tells these apart as well as hue: the better a leak would be placed, the darker.
TIGHT, LOOSE, UNKNOWN, _HEARD, _NONE = "#135d66", "#d08700", "#5b8fa8", "#b9a3c9", "#c4c9ce"
_FAR = "#e2a8a0"

_COVERED = Condition("state", "=", "covered")
_NOT = Condition("state", "=", "not covered")

_MAINS = LayerStyle(
    COVERAGE,
    (
        Rule("Not covered", Stroke(_NONE, 0.7), (_NOT,)),
        Rule(
            "Not covered: too far for the material",
            Stroke(_FAR, 0.8, dashed=True),
            (_NOT, Condition("why_not", "=", "too far for the material")),
        ),
        Rule(
            "Heard by one side only: noticed, not located",
            Stroke(_HEARD, 1.1),
            (Condition("state", "=", "heard by one side only"),),
        ),
        Rule(
            "Covered, speed not known: a leak is heard, not placed",
            Stroke(UNKNOWN, 1.5, dashed=True),
            (_COVERED, Condition("fix", "=", "unknown")),
        ),
        Rule(
            "Covered, but a fix would be too loose to dig",
            Stroke(LOOSE, 1.6),
            (_COVERED, Condition("fix", "=", "loose")),
        ),
        Rule("Covered, tight fix", Stroke(TIGHT, 1.6), (_COVERED, Condition("fix", "=", "tight"))),
    ),
    tip=("state", "expected_m", "all_pairs", "why_not", "add_sensors"),
)

_DEAD_ENDS = LayerStyle(
    DEAD_ENDS,
    (Rule("Dead end that no pair can have between it", Stroke("#7a3b2e", 0.9, dashed=True)),),
    tip=("length_m", "remedy"),
)

_PAIRS = LayerStyle(
    SENSOR_PAIRS,
    (Rule("Path between two sensors", Stroke(QUIET, 0.3)),),
    tip=("sensor_a", "sensor_b", "length_m", "expected_worst_m"),
)

_SENSORS = LayerStyle(
    COVERAGE_SENSORS,
    (
        Rule("Sensor", Mark("square", 3.2, "#ffffff", 0.4, SENSOR), (Condition("pairs", ">=", 1.0),)),
        Rule(
            "Sensor without another one within reach",
            Mark("square", 3.2, SENSOR, 0.6),
            (Condition("pairs", "<", 1.0),),
        ),
    ),
    label="fitting",
    label_colour=SENSOR,
    tip=("fitting", "pairs", "covers_m", "note"),
)

#: Look of every layer of a coverage.
COVERAGE_STYLES = (
    _MAINS,
    _DEAD_ENDS,
    _PAIRS,
    _SENSORS,
    LayerStyle(COVERAGE_TOTALS),
    LayerStyle(COVERAGE_SETTINGS),
)
