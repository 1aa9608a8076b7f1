"""What the ground said, back into the result: declared once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback
from netcorr.tools.declare import OutputLayer, Tool
from netcorr.tools.parameter import Parameter
from netcorr.units import UnitSystem, format_count

if TYPE_CHECKING:
    from netcorr.export.take_in import TakenIn


@dataclass(frozen=True, eq=False)
class VerifyResult:
    """What a file from the field changed.

    Attributes
    ----------
    taken : TakenIn
        What was new, and what does not fit.
    files : tuple of pathlib.Path
        The result, when it was changed.
    units : {'metric', 'us'}
        Units of the text.
    strict : bool
        Whether anything that does not fit is a failure.
    """

    taken: TakenIn
    files: tuple[Path, ...] = ()
    units: UnitSystem = "metric"
    strict: bool = False

    @property
    def exit_code(self) -> int:
        """4 when something does not fit and that was to be known, else 0."""
        return 4 if self.strict and self.taken.conflicts else 0

    @property
    def verdict(self) -> str:
        """Why the exit code is not 0."""
        count = len(self.taken.conflicts)
        return f"{format_count(count, 'thing')} in the file do not fit" if self.exit_code else ""

    def text(self) -> str:
        """Give it in words."""
        from netcorr.export.verify_words import verify_text

        return verify_text(self.taken, units=self.units)

    def as_dict(self) -> dict[str, Any]:
        """Give it for machines."""
        from netcorr.export.verify_words import verify_dict

        return {**verify_dict(self.taken), "files": [str(path) for path in self.files]}


def verify(
    *,
    result: Path,
    field: Path,
    strict: bool = False,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> VerifyResult:
    """Take what a crew recorded back into its result.

    Parameters
    ----------
    result : pathlib.Path
        GeoPackage that `locate` wrote; it is updated in one step.
    field : pathlib.Path
        What the crew sent back.
    strict : bool
        Whether anything that does not fit ends with exit code 4.
    units : {'metric', 'us'}
        Units of the text and of the crew's columns.
    feedback : Feedback, optional
        Progress.

    Returns
    -------
    VerifyResult
        What was new, and what does not fit.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export.take_in import take_in

    feedback = feedback or NoFeedback()
    feedback.progress(0.1, f"reading {field.name}")
    taken = take_in(result, field, units=units)
    feedback.progress(1.0, "done")
    return VerifyResult(taken, files=(result,) if taken.added else (), units=units, strict=strict)


def _outputs() -> tuple[OutputLayer, ...]:
    from netcorr.export.history_schema import VERIFICATION_HISTORY
    from netcorr.export.result_schema import LEAK_CANDIDATES

    return tuple(OutputLayer.of("result", layer) for layer in (LEAK_CANDIDATES, VERIFICATION_HISTORY))


TOOL = Tool(
    id="verify",
    title="Take back what the ground said",
    purpose="Take what a crew found at the candidates back into the result.",
    description=(
        "The crew's columns (verification, offset, depth, date, crew, photo, note) are read from the copy "
        "that came back: the edited GeoPackage, another layer of points, or CSV. Rows are matched by "
        "candidate_id, whatever their order. Every visit is added to the layer verification_history with the "
        "file that it came from and is never changed again; leak_candidates shows what is known now. The "
        "leak's place comes from offset_m or offset_ft (from the point along the main, + towards sensor B), "
        "or from the point where it was moved on the map. What does not fit is listed: unknown ids, locked "
        "columns that were changed, points moved to another pipe, crews that contradict each other. The same "
        "file again changes nothing."
    ),
    function=verify,
    outputs=_outputs,
    parameters=(
        Parameter(
            "result",
            "file_in",
            "Result",
            "GeoPackage that netcorr locate wrote; it is updated in one step, all else in it stays.",
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "field",
            "file_in",
            "File from the field",
            "The edited copy: GeoPackage, any other layer of points, or CSV with a column candidate_id.",
            required=True,
        ),
        Parameter(
            "strict",
            "flag",
            "Strict",
            "End with exit code 4 when anything does not fit.",
            ("--strict",),
            default=False,
        ),
        Parameter(
            "units",
            "choice",
            "Units",
            "Units of the text, and whether the next crew sees offset and depth in metres or in feet.",
            ("--units",),
            choices=("metric", "us"),
            default="metric",
        ),
    ),
    examples=(
        ("The phone's copy came back:", "result.gpkg phone.gpkg"),
        ("A table that a crew filled in, in feet:", "result.gpkg holes_of_march.csv --units us"),
    ),
)
