"""The layers of a checked map and their columns."""

from __future__ import annotations

from netcorr.export.result_schema import Column, ResultLayer

CHECKED_PIPES = ResultLayer(
    "checked_pipes",
    "LineString",
    "Mains as connected",
    "Pieces of mains between joints and fittings, as netcorr connects them; colour them by piece.",
    (
        Column("pipe_id", "text", "Main that this is a piece of"),
        Column("number", "integer", "Number of this piece along its main, from 1"),
        Column("length_m", "real", "Ground length, scaled to the measured one where the map has it [m]"),
        Column("drawn_length_m", "real", "Ground length as drawn [m]"),
        Column("material", "text", "Material as understood; empty when unknown"),
        Column("material_text", "text", "Material as found on the map"),
        Column("diameter_mm", "real", "Nominal diameter [mm]"),
        Column("assumed", "text", "What of these values is an assumption, and by which rule"),
        Column("in_service", "flag", "False: out of service, connects nothing"),
        Column("piece", "integer", "Piece of the network, 1 the longest; empty when out of service"),
    ),
)

CHECKED_FITTINGS = ResultLayer(
    "checked_fittings",
    "Point",
    "Fittings as drawn",
    "Fittings as drawn, and the main that each sits on.",
    (
        Column("asset_id", "text", "Fitting"),
        Column("kind", "text", "valve, hydrant, meter or other"),
        Column("is_open", "flag", "False for a closed valve"),
        Column("pipe_id", "text", "Main that it sits on; empty when it is too far from any"),
        Column("offset_m", "real", "Distance to that main, or to the nearest of all [m]"),
        Column("piece", "integer", "Piece of the network that it sits on"),
    ),
)

MAP_CHANGES = ResultLayer(
    "map_changes",
    "Point",
    "Changes to the map",
    "Every change that was made to connect the map, with the distance moved.",
    (
        Column("source_id", "text", "Main or fitting that was changed"),
        Column("change", "text", "Kind of change"),
        Column("moved_m", "real", "Distance moved [m]"),
        Column("text", "text", "What was done"),
        Column("meaning", "text", "What this kind of change means"),
    ),
)

_GAP = (
    Column("order_to_fix", "integer", "1 connects most; empty when closing it connects nothing more"),
    Column("pipe_id", "text", "Main whose end or joint it is"),
    Column("other_id", "text", "Main that it comes near to"),
    Column("kind", "text", "What is near to what"),
)
_CONNECTS = (
    Column("connects_m", "real", "Metres of main that closing this one alone would connect [m]"),
    Column("opens_m", "real", "Metres behind it, those over further gaps included [m]"),
    Column("piece", "integer", "Piece of pipe_id"),
    Column("other_piece", "integer", "Piece of other_id; where it is the same, a loop is open"),
)

NEAR_MISSES = ResultLayer(
    "near_misses",
    "LineString",
    "Near misses",
    "Gaps in the drawing: an end or joint, the nearest main that it does not meet, and the line between.",
    (*_GAP, Column("gap_m", "real", "Width of the gap on the ground [m]"), *_CONNECTS),
)

CROSSINGS = ResultLayer(
    "crossings",
    "Point",
    "Crossings worth a look",
    "Mains that cross without a joint: those of two pieces, and those with a free end shortly behind.",
    (
        *_GAP,
        Column("past_m", "real", "From the crossing to the free end of pipe_id; empty without one [m]"),
        *_CONNECTS,
    ),
)

NETWORK_PIECES = ResultLayer(
    "network_pieces",
    "MultiLineString",
    "Pieces of the network",
    "What hangs together, the longest first; closed valves do not part it here.",
    (
        Column("piece", "integer", "Number of the piece, 1 the longest"),
        Column("length_m", "real", "Main in service [m]"),
        Column("share", "real", "Share of all main in service, 0 to 1"),
        Column("mains", "integer", "Mains in it"),
        Column("fittings", "integer", "Fittings on it"),
        Column("width_m", "real", "Extent from west to east [m]"),
        Column("height_m", "real", "Extent from south to north [m]"),
        Column("gap_m", "real", "Width of the gap that leads to it from a longer piece [m]"),
        Column("note", "text", "How it hangs together with the rest"),
    ),
)

FAR_FITTINGS = ResultLayer(
    "far_fittings",
    "Point",
    "Fittings too far from a main",
    "Fittings that sit on no main, since none is within the tolerance.",
    (
        Column("asset_id", "text", "Fitting"),
        Column("kind", "text", "valve, hydrant, meter or other"),
        Column("nearest_id", "text", "Nearest main in service"),
        Column("offset_m", "real", "Distance to the nearest main [m]"),
    ),
)

MISSING_ATTRIBUTES = ResultLayer(
    "missing_attributes",
    "MultiLineString",
    "Missing attributes",
    "Mains in service without material or diameter, and those for which one was assumed.",
    (
        Column("pipe_id", "text", "Main"),
        Column("missing", "text", "What is missing still: material, diameter or both"),
        Column("assumed", "text", "What was filled in, and by which rule of the mapping"),
        Column("material_text", "text", "Material as found on the map, where it was not understood"),
        Column("stops", "flag", "True: no leak can be located on a path over this main"),
        Column("length_m", "real", "Length of the main [m]"),
    ),
)

#: Every layer of a checked map, in the order in which they are written.
CHECK_LAYERS = (
    CHECKED_PIPES,
    CHECKED_FITTINGS,
    MAP_CHANGES,
    NEAR_MISSES,
    CROSSINGS,
    NETWORK_PIECES,
    FAR_FITTINGS,
    MISSING_ATTRIBUTES,
)
