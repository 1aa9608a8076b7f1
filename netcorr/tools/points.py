"""The points of a stored result for apps that read no GeoPackage: declared once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from netcorr.feedback import Feedback, NoFeedback
from netcorr.tools.declare import Tool
from netcorr.tools.parameter import Parameter
from netcorr.units import format_count


@dataclass(frozen=True)
class PointsResult:
    """The file that was written.

    Attributes
    ----------
    count : int
        Points in it.
    files : tuple of pathlib.Path
        The file.
    """

    count: int
    files: tuple[Path, ...]
    exit_code: int = 0
    verdict: str = ""

    def text(self) -> str:
        """Say what it holds, with the cautions."""
        from netcorr.export.cautions import CAUTIONS

        points = format_count(self.count, "point")
        return "\n".join([f"{points}: candidates and sensors, in longitude and latitude.", *CAUTIONS])

    def as_dict(self) -> dict[str, Any]:
        """Give the same for machines."""
        return {"points": self.count, "files": [str(path) for path in self.files]}


def points(*, result: Path, output: Path, feedback: Feedback | None = None) -> PointsResult:
    """Write the points of a result.

    Parameters
    ----------
    result : pathlib.Path
        GeoPackage that `locate` wrote.
    output : pathlib.Path
        File to write; its ending says whether as GeoJSON, KML or GPX.
    feedback : Feedback, optional
        Told when the shift of the datum is coarse.

    Returns
    -------
    PointsResult
        How many points the file holds.

    Raises
    ------
    ExportError
        If the result cannot be read or the file not be written.
    """
    from netcorr.export import write_points

    feedback = feedback or NoFeedback()
    count = write_points(result, output, feedback=feedback)
    feedback.progress(1.0, "done")
    return PointsResult(count, (output,))


TOOL = Tool(
    id="points",
    title="Points for other apps",
    purpose="Write the points of a result as GeoJSON, KML or GPX, for apps that read no GeoPackage.",
    description=(
        "Each candidate and each sensor becomes a point in longitude and latitude (WGS 84) with a name and a "
        "description: the cautions, the way to it from either fitting, and where to search. A place where "
        "nobody should dig says so in its name."
    ),
    function=points,
    parameters=(
        Parameter(
            "result",
            "file_in",
            "Result",
            "GeoPackage that netcorr locate wrote.",
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "output",
            "file_out",
            "Points",
            "File to write: GeoJSON, KML or GPX by the ending of its name; earlier points are replaced.",
            ("-o", "--output"),
            required=True,
            suffixes=(".geojson", ".kml", ".gpx"),
        ),
    ),
    examples=(
        ("Waypoints for a navigation device:", "result.gpkg -o points.gpx"),
        ("For a map in the browser:", "result.gpkg -o points.geojson"),
    ),
)
