"""Two fittings to the correlation path between them, and positions along it to the map and back."""

from netcorr.path.branches import SideBranch, branch_lines, side_branches
from netcorr.path.correlation_path import CorrelationPath, PathSegment
from netcorr.path.find import correlation_path, fittings_within
from netcorr.path.landmarks import Landmark, landmarks
from netcorr.path.reference import (
    Placement,
    bearing_at,
    direction_words,
    distance_along,
    drawn_length_m,
    point_at,
    points_at,
    segment_at,
    segment_ends_m,
    stretch,
)

__all__ = [
    "CorrelationPath",
    "Landmark",
    "PathSegment",
    "Placement",
    "SideBranch",
    "bearing_at",
    "branch_lines",
    "correlation_path",
    "direction_words",
    "distance_along",
    "drawn_length_m",
    "fittings_within",
    "landmarks",
    "point_at",
    "points_at",
    "segment_at",
    "segment_ends_m",
    "side_branches",
    "stretch",
]
