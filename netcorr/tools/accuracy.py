"""How good earlier results were, and what they teach about wave speeds: declared once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback, PartOf
from netcorr.tools.declare import OutputLayer, Tool
from netcorr.tools.parameter import Parameter
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.verification import Accuracy, SpeedLesson


@dataclass(frozen=True, eq=False)
class AccuracyResult:
    """How good the fixes were.

    Attributes
    ----------
    accuracy : Accuracy
        Errors, hit rates and whether probabilities came true.
    lesson : SpeedLesson
        Wave speeds learned.
    results : int
        Results that were read.
    notes : tuple of str
        What was left out.
    files : tuple of pathlib.Path
        What was written.
    units : {'metric', 'us'}
        Units of the text.
    """

    accuracy: Accuracy
    lesson: SpeedLesson
    results: int
    notes: tuple[str, ...] = ()
    files: tuple[Path, ...] = ()
    units: UnitSystem = "metric"
    exit_code: int = 0
    verdict: str = ""

    def text(self) -> str:
        """Give it in words."""
        from netcorr.export.accuracy_words import accuracy_text

        return accuracy_text(
            self.accuracy, self.lesson, results=self.results, notes=self.notes, units=self.units
        )

    def as_dict(self) -> dict[str, Any]:
        """Give it for machines."""
        from netcorr.export.accuracy_words import accuracy_dict

        found = accuracy_dict(self.accuracy, self.lesson, results=self.results, notes=self.notes)
        return {**found, "files": [str(path) for path in self.files]}


def accuracy(
    *,
    results: tuple[Path, ...],
    output: Path,
    calibration: Path | None = None,
    plot: Path | None = None,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> AccuracyResult:
    """Say how good earlier results were, and learn wave speeds from them.

    Parameters
    ----------
    results : tuple of pathlib.Path
        GeoPackages that `locate` wrote and `verify` brought up to date.
    output : pathlib.Path
        GeoPackage of tables to write.
    calibration : pathlib.Path, optional
        Calibration file to write.
    plot : pathlib.Path, optional
        Picture of what was stated and what came true.
    units : {'metric', 'us'}
        Units of the text.
    feedback : Feedback, optional
        Progress.

    Returns
    -------
    AccuracyResult
        Errors, hit rates, reliability and speeds.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export.accuracy_tables import ACCURACY_LAYERS, write_accuracy
    from netcorr.export.calibration_file import write_calibration
    from netcorr.export.geopackage import check_target
    from netcorr.export.verified_finds import read_finds
    from netcorr.verification import accuracy_of, learn_speeds

    feedback = feedback or NoFeedback()
    check_target(output, layers=ACCURACY_LAYERS)  # better known before the work than after it
    found = read_finds(results, feedback=PartOf(feedback, start=0.0, stop=0.7))
    judged, lesson = accuracy_of(found.finds), learn_speeds(found.evidence)
    write_accuracy(judged, lesson, output, crs=found.crs, feedback=PartOf(feedback, start=0.7, stop=0.9))
    if calibration:
        write_calibration(lesson.calibration(calibration.name), calibration)
    if plot:
        from netcorr.export.reliability_plot import plot_reliability

        plot_reliability(judged, plot)
    feedback.progress(1.0, "done")
    files = tuple(path for path in (output, calibration, plot) if path)
    return AccuracyResult(judged, lesson, found.results, notes=found.notes, files=files, units=units)


def _outputs() -> tuple[OutputLayer, ...]:
    from netcorr.export.accuracy_tables import ACCURACY_LAYERS

    return tuple(OutputLayer.of("output", layer) for layer in ACCURACY_LAYERS)


TOOL = Tool(
    id="accuracy",
    title="How good earlier results were",
    purpose="Say how good earlier results were, and learn wave speeds from what was found.",
    description=(
        "Reads any number of results after netcorr verify took the crews' files back: errors along the main, "
        "the share within 0.9 m (3 ft), hit rate and dry holes, by material, crew and stated probability; "
        "whether a stated 0.9 means 9 in 10; and what the finds say of the wave speeds of these pipes, as a "
        "calibration file that the next survey starts from (netcorr locate --calibration). Every share "
        "carries its interval, and few data are called so. Give all results, old and new: speeds are always "
        "learned from the tables anew."
    ),
    function=accuracy,
    outputs=_outputs,
    parameters=(
        Parameter(
            "results",
            "files_in",
            "Results",
            "GeoPackages that netcorr locate wrote, one or several.",
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "output",
            "file_out",
            "Tables",
            "GeoPackage to write: finds, groups, reliability and speeds; an earlier one is replaced.",
            ("-o", "--output"),
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "calibration",
            "file_out",
            "Calibration",
            "Also write the speeds that were learned, for netcorr locate --calibration.",
            ("--calibration",),
            suffixes=(".toml",),
        ),
        Parameter(
            "plot",
            "file_out",
            "Reliability plot",
            "Also draw what was stated and what came true.",
            ("--plot",),
            suffixes=(".png", ".svg"),
        ),
        Parameter(
            "units",
            "choice",
            "Units",
            "Units of the text; layers and JSON always hold SI units.",
            ("--units",),
            choices=("metric", "us"),
            default="metric",
        ),
    ),
    examples=(
        ("All surveys of the year:", "results/*.gpkg -o accuracy.gpkg --plot reliability.png"),
        ("Speeds for the next survey:", "results/*.gpkg -o accuracy.gpkg --calibration speeds.toml"),
    ),
)
