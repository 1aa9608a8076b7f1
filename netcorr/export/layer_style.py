"""How the layers of a result look on any map: plain marks, lines and fills, described once.

`netcorr.export.qml` and `netcorr.export.sld` write them down for desktop and phone maps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from netcorr.export.colours import FOUND, INK, LEAK, QUIET, SENSOR
from netcorr.export.history_schema import VERIFICATION_HISTORY
from netcorr.export.result_schema import (
    CORRELATION_PATHS,
    LEAK_CANDIDATES,
    LEAK_LIKELIHOOD,
    PAIR_ROUNDS,
    SENSORS,
    UNCERTAINTY_AREAS,
    ResultLayer,
)
from netcorr.export.stored_schema import FITTINGS_NEARBY, MAINS_NEARBY, PATH_PIPES
from netcorr.verification.visit import VERIFICATIONS

#: Marks that both ways of writing a style know.
Shape = Literal["circle", "square", "triangle", "cross", "x"]


@dataclass(frozen=True)
class Mark:
    """Symbol of a point; without a fill it is hollow."""

    shape: Shape
    size_mm: float
    outline: str
    outline_mm: float = 0.4
    fill: str | None = None


@dataclass(frozen=True)
class Stroke:
    """Symbol of a line."""

    colour: str
    width_mm: float
    dashed: bool = False


@dataclass(frozen=True)
class Fill:
    """Symbol of an area."""

    colour: str
    opacity: float
    outline: str
    dashed: bool = False


Symbol = Mark | Stroke | Fill


@dataclass(frozen=True)
class Condition:
    """Comparison of a column with a value."""

    column: str
    sign: Literal["=", ">=", "<"]
    value: str | float | bool


@dataclass(frozen=True)
class Rule:
    """What features that meet all conditions are drawn with; a feature may meet several rules."""

    title: str
    symbol: Symbol
    conditions: tuple[Condition, ...] = ()


@dataclass(frozen=True)
class LayerStyle:
    """Look of one layer.

    Attributes
    ----------
    layer : ResultLayer
        The layer.
    rules : tuple of Rule
        Drawn in this order, the last on top; empty for a table.
    label : str or None
        Column that is written beside each feature.
    label_colour : str
        Its colour.
    tip : tuple of str
        Columns that are shown for a feature under the pointer.
    """

    layer: ResultLayer
    rules: tuple[Rule, ...] = ()
    label: str | None = None
    label_colour: str = INK
    tip: tuple[str, ...] = ()


_IN = Condition("in_bracket", "=", True)
_STRONG, _FAIR = 0.9, 0.5

_CANDIDATES = LayerStyle(
    LEAK_CANDIDATES,
    (
        Rule(
            "Do not dig: noise from at or beyond a sensor",
            Mark("x", 4.5, QUIET, 0.9),
            (Condition("in_bracket", "=", False),),
        ),
        Rule(
            "Leak, strong evidence (0.9 and above)",
            Mark("circle", 5.0, "#ffffff", 0.5, LEAK),
            (_IN, Condition("probability", ">=", _STRONG)),
        ),
        Rule(
            "Possible leak (0.5 to 0.9): record again",
            Mark("circle", 4.4, LEAK, 1.0, "#ffffff"),
            (_IN, Condition("probability", ">=", _FAIR), Condition("probability", "<", _STRONG)),
        ),
        Rule(
            "Faint sign (below 0.5): record again",
            Mark("circle", 3.0, LEAK, 0.5, "#ffffff"),
            (_IN, Condition("probability", "<", _FAIR)),
        ),
        *(
            Rule(f"Visited: {words}", mark, (Condition("verification", "=", words),))
            for words, mark in zip(
                VERIFICATIONS[1:],
                (
                    Mark("circle", 8.0, SENSOR, 0.5),
                    Mark("circle", 8.0, SENSOR, 1.0),
                    Mark("square", 8.0, FOUND, 1.0),
                    Mark("x", 8.0, INK, 0.8),
                    Mark("triangle", 9.5, FOUND, 0.8),
                ),
                strict=True,
            )
        ),
    ),
    label="name",
    label_colour=LEAK,
    tip=("name", "directions", "coordinates", "caution"),
)

_AREAS = LayerStyle(
    UNCERTAINTY_AREAS,
    (
        Rule("Search along the main", Fill(LEAK, 0.3, LEAK), (Condition("part", "=", "main"),)),
        Rule(
            "Search this side branch too",
            Fill(LEAK, 0.12, LEAK, dashed=True),
            (Condition("part", "=", "side branch"),),
        ),
        Rule(
            "Beyond a sensor: not located, do not dig",
            Fill(QUIET, 0.15, QUIET, dashed=True),
            (Condition("part", "=", "beyond sensor"),),
        ),
    ),
)

#: Probability of a leak on each metre of main from which on it is drawn, thinnest first: above the last one a
#: leak is more likely than not within ten metres.
_PER_M = (("0.0005", 0.0005, 0.8), ("0.002", 0.002, 1.4), ("0.01", 0.01, 2.2), ("0.05", 0.05, 3.2))
_LIKELIHOOD = LayerStyle(
    LEAK_LIKELIHOOD,
    (
        Rule(
            "Next to no leak likely",
            Stroke("#d5d8dc", 0.3),
            (Condition("probability_per_m", "<", _PER_M[0][1]),),
        ),
        *(
            Rule(
                f"Leak: {words} and more for each metre",
                Stroke(LEAK, width_mm),
                (Condition("probability_per_m", ">=", least),),
            )
            for words, least, width_mm in _PER_M
        ),
    ),
    tip=("pipe_id", "probability", "probability_per_m"),
)

_BETWEEN = Condition("outcome", "=", "between")
_PATHS = LayerStyle(
    CORRELATION_PATHS,
    (
        Rule("Noise from between the sensors", Stroke("#c9851b", 1.1), (_BETWEEN,)),
        *(
            Rule(f"Noise from {outcome}", Stroke(QUIET, 0.9), (Condition("outcome", "=", outcome),))
            for outcome in ("at or beyond A", "at or beyond B")
        ),
        Rule(
            "No leak heard (which is not: no leak)",
            Stroke(QUIET, 0.7, dashed=True),
            (Condition("outcome", "=", "no leak heard"),),
        ),
        Rule(
            "Nothing learnt, neither way",
            Stroke(QUIET, 0.5, dashed=True),
            (Condition("outcome", "=", "nothing learnt"),),
        ),
    ),
    tip=("sensor_a", "sensor_b", "outcome", "materials"),
)

_SENSORS = LayerStyle(
    SENSORS,
    (Rule("Logger", Mark("square", 3.2, "#ffffff", 0.4, SENSOR)),),
    label="fitting",
    label_colour=SENSOR,
    tip=("logger", "fitting", "quality"),
)

#: Where crews found leaks; visits without a place are in the table of the layer.
HISTORY_STYLE = LayerStyle(
    VERIFICATION_HISTORY,
    (
        Rule(
            "Leak found here",
            Mark("square", 3.2, "#ffffff", 0.4, FOUND),
            (Condition("verification", "=", "dug and found"),),
        ),
        Rule(
            "Leak repaired here",
            Mark("triangle", 4.0, "#ffffff", 0.4, FOUND),
            (Condition("verification", "=", "repaired"),),
        ),
    ),
    tip=("verification", "crew", "field_note", "doubt"),
)

#: Look of every layer of a result.
RESULT_STYLES = (_CANDIDATES, _AREAS, _LIKELIHOOD, _PATHS, _SENSORS, LayerStyle(PAIR_ROUNDS))

_OPEN, _SHUT = (Condition("is_open", "=", value) for value in (True, False))
_MAINS = LayerStyle(
    MAINS_NEARBY,
    (
        Rule("Main", Stroke("#8fa0b0", 0.5), (_OPEN,)),
        Rule("Out of service, or shut", Stroke("#8fa0b0", 0.4, dashed=True), (_SHUT,)),
    ),
    tip=("pipe_id", "material", "diameter_mm"),
)
_FITTINGS = LayerStyle(
    FITTINGS_NEARBY,
    (
        Rule("Hydrant", Mark("square", 1.8, QUIET, 0.3, "#ffffff"), (Condition("kind", "=", "hydrant"),)),
        *(
            Rule(title, Mark("circle", 1.9, QUIET, 0.3, fill), (Condition("kind", "=", "valve"), state))
            for title, fill, state in (("Valve", "#ffffff", _OPEN), ("Valve, closed", QUIET, _SHUT))
        ),
        *(
            Rule(title, Mark("triangle", 1.8, QUIET, 0.3, "#ffffff"), (Condition("kind", "=", kind),))
            for title, kind in (("Meter", "meter"), ("Other fitting", "other"))
        ),
    ),
    tip=("asset_id", "kind"),
)
_PIPES = LayerStyle(
    PATH_PIPES,
    (Rule("Pipe of a path", Stroke(INK, 0.25)),),
    tip=("pipe_id", "material", "diameter_mm", "speed_m_s"),
)

#: Look of the map around a result, for layers that only the result in the map's own CRS has.
AROUND_STYLES = (_MAINS, _FITTINGS, _PIPES)
