"""A result to a page that can be read, heard and printed: declared once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback
from netcorr.tools.declare import Tool
from netcorr.tools.parameter import Parameter
from netcorr.units import UnitSystem, format_count

if TYPE_CHECKING:
    from netcorr.export.report import ReportSummary


@dataclass(frozen=True)
class ReportResult:
    """The page that was written.

    Attributes
    ----------
    summary : ReportSummary
        What went into it.
    files : tuple of pathlib.Path
        The page.
    """

    summary: ReportSummary
    files: tuple[Path, ...]
    exit_code: int = 0
    verdict: str = ""

    def text(self) -> str:
        """Say what the page holds."""
        one = self.summary
        cards = format_count(one.candidates, "candidate")
        lines = [one.headline, f"Page of {one.bytes / 1e6:.1f} MB: {cards}, {one.sounds} recordings to hear."]
        if one.problems:
            lines += ["", "Not to be heard:", *(f"  - {text}" for text in one.problems)]
            lines.append("Say where the recordings are now with --recordings.")
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        """Give the same for machines."""
        one = self.summary
        return {
            "headline": one.headline,
            "candidates": one.candidates,
            "sounds": one.sounds,
            "problems": list(one.problems),
            "bytes": one.bytes,
            "files": [str(path) for path in self.files],
        }


def report(
    *,
    result: Path,
    output: Path,
    recordings: Path | None = None,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> ReportResult:
    """Write the report of a survey.

    Parameters
    ----------
    result : pathlib.Path
        GeoPackage that `locate` wrote.
    output : pathlib.Path
        Page to write.
    recordings : pathlib.Path, optional
        Folder of the recordings or table that names them, when they were moved.
    units : {'metric', 'us'}
        Units of words and axes.
    feedback : Feedback, optional
        Progress and log.

    Returns
    -------
    ReportResult
        What the page holds.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export.report import write_report

    summary = write_report(
        result, output, recordings=recordings, units=units, feedback=feedback or NoFeedback()
    )
    return ReportResult(summary, files=(output,))


TOOL = Tool(
    id="report",
    title="Write a report",
    purpose="Write a result as one page to read, hear and print, without a network.",
    description=(
        "The page holds a summary, a map, and for every candidate the pipe drawn to scale, what each round "
        "of recordings says, both recordings to listen to, what the uncertainty is made of, and the "
        "cautions. It is one file and loads nothing. Recordings are looked for where they were when the "
        "result was made, and used only when they are still the same files."
    ),
    function=report,
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
            "Report",
            "Page to write; an earlier report there is replaced.",
            ("-o", "--output"),
            required=True,
            suffixes=(".html", ".htm"),
        ),
        Parameter(
            "recordings",
            "file_in",
            "Recordings",
            "Folder of the recordings, or table of deployments that names them, when they were moved.",
            ("--recordings",),
        ),
        Parameter(
            "units",
            "choice",
            "Units",
            "Units of words and axes.",
            ("--units",),
            choices=("metric", "us"),
            default="metric",
        ),
    ),
    examples=(
        ("A page beside the result:", "result.gpkg -o report.html"),
        (
            "Feet and inches, recordings in another folder:",
            "result.gpkg -o report.html --units us --recordings night_2026-03-01",
        ),
    ),
)
