"""How the layers of a checked map look: pieces told apart, and what to put right standing out."""

from __future__ import annotations

from netcorr.export.check_schema import (
    CHECKED_FITTINGS,
    CHECKED_PIPES,
    CROSSINGS,
    FAR_FITTINGS,
    MAP_CHANGES,
    MISSING_ATTRIBUTES,
    NEAR_MISSES,
    NETWORK_PIECES,
)
from netcorr.export.colours import LEAK, QUIET, SENSOR
from netcorr.export.layer_style import Condition, LayerStyle, Mark, Rule, Stroke

_WARN = "#c9851b"
#: Colours of the longest pieces; told apart also by lightness.
_PIECES = ("#3f5f80", "#2f7d5b", "#8a5a9e", "#b4540a")
_SERVES, _SHUT = (Condition("in_service", "=", value) for value in (True, False))


def _of_piece(*more: Condition) -> tuple[Rule, ...]:
    """A rule for each of the longest pieces, and one for all that are shorter."""
    rules = [
        Rule(f"Piece {number}", Stroke(colour, 0.7), (*more, Condition("piece", "=", float(number))))
        for number, colour in enumerate(_PIECES, start=1)
    ]
    rest = Condition("piece", ">=", float(len(_PIECES) + 1))
    return (*rules, Rule("Shorter pieces", Stroke(LEAK, 0.9), (*more, rest)))


def _closes(title: str, symbol: Mark | Stroke, faint: Mark | Stroke) -> tuple[Rule, Rule]:
    """What connects more when it is closed stands out; the rest is there to be seen."""
    return (
        Rule(f"{title}, connects nothing more", faint, (Condition("connects_m", "<", 0.5),)),
        Rule(f"{title}, would connect more", symbol, (Condition("connects_m", ">=", 0.5),)),
    )


#: What a change is called, and how much it weighs: usual, of note, or worth a look.
_CHANGES = {
    "attached": ("Fitting taken as on its main", "usual"),
    "passed_over": ("Fitting on a main in service, past one that is not", "note"),
    "too_far": ("Fitting on no main", "look"),
    "cut": ("Main cut at a tee", "note"),
    "joined": ("End moved to a joint", "note"),
    "overshoot": ("End cut back to another main", "note"),
    "spur": ("Decimetres past a joint left out", "note"),
    "closed": ("Closed valve parts its main", "note"),
    "closed_joint": ("Closed valve parts a joint", "note"),
    "closed_end": ("Closed valve at a dead end", "note"),
    "kept_apart": ("Ends near each other not joined", "look"),
    "duplicate": ("Drawn twice, counted once", "look"),
    "zero_length": ("Main without length left out", "look"),
    "no_geometry": ("Without a usable geometry", "look"),
    "measured": ("Measured length differs much", "look"),
}
_LOOK = {
    "usual": Mark("circle", 0.9, QUIET, 0.2, QUIET),
    "note": Mark("cross", 2.4, SENSOR, 0.6),
    "look": Mark("x", 3.0, _WARN, 0.7),
}

#: Look of every layer of a checked map.
CHECK_STYLES = (
    LayerStyle(
        CHECKED_PIPES,
        (Rule("Out of service", Stroke(QUIET, 0.4, dashed=True), (_SHUT,)), *_of_piece(_SERVES)),
        tip=("pipe_id", "material", "diameter_mm", "assumed"),
    ),
    LayerStyle(
        CHECKED_FITTINGS,
        (
            Rule("Open", Mark("circle", 1.7, QUIET, 0.3, "#ffffff"), (Condition("is_open", "=", True),)),
            Rule("Closed valve", Mark("circle", 2.2, QUIET, 0.3, QUIET), (Condition("is_open", "=", False),)),
        ),
        tip=("asset_id", "kind", "pipe_id"),
    ),
    LayerStyle(
        MAP_CHANGES,
        tuple(
            Rule(title, _LOOK[weight], (Condition("change", "=", change),))
            for change, (title, weight) in _CHANGES.items()
        ),
        tip=("source_id", "change", "text"),
    ),
    LayerStyle(
        NEAR_MISSES,
        _closes("Gap", Stroke(LEAK, 1.6), Stroke(_WARN, 0.8)),
        label="order_to_fix",
        label_colour=LEAK,
        tip=("pipe_id", "other_id", "gap_m", "connects_m"),
    ),
    LayerStyle(
        CROSSINGS,
        _closes("Crossing", Mark("x", 3.4, LEAK, 0.8), Mark("x", 2.4, _WARN, 0.5)),
        label="order_to_fix",
        label_colour=LEAK,
        tip=("pipe_id", "other_id", "connects_m"),
    ),
    LayerStyle(NETWORK_PIECES, _of_piece(), tip=("piece", "length_m", "note")),
    LayerStyle(
        FAR_FITTINGS,
        (Rule("On no main", Mark("triangle", 3.0, LEAK, 0.6)),),
        label="asset_id",
        label_colour=LEAK,
        tip=("asset_id", "nearest_id", "offset_m"),
    ),
    LayerStyle(
        MISSING_ATTRIBUTES,
        (
            Rule("Assumed", Stroke(_WARN, 1.0), (Condition("stops", "=", False),)),
            Rule(
                "Missing: no leak can be located over it", Stroke(LEAK, 1.2), (Condition("stops", "=", True),)
            ),
        ),
        tip=("pipe_id", "missing", "assumed"),
    ),
)
