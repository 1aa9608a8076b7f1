"""Network and recordings to leak candidates: the main job, declared once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback, PartOf
from netcorr.tools.declare import OutputLayer, Tool
from netcorr.tools.open_map import open_map
from netcorr.tools.parameter import Parameter
from netcorr.tools.shared_parameters import CRS, CUT, FITTING, JOIN, MAPPING, NETWORK, OVERSHOOT
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.export import Inputs
    from netcorr.position import SurveyFix
    from netcorr.speed import Calibration


@dataclass(frozen=True, eq=False)
class LocateResult:
    """Where the leak is, and the files that say so.

    Attributes
    ----------
    fix : SurveyFix
        The answer.
    files : tuple of pathlib.Path
        What was written.
    units : {'metric', 'us'}
        Units of the text.
    minimum_probability : float or None
        Threshold that was asked for, 0 to 1.
    """

    fix: SurveyFix
    files: tuple[Path, ...] = ()
    units: UnitSystem = "metric"
    minimum_probability: float | None = None

    @property
    def best_probability(self) -> float:
        """Probability of the best candidate between two sensors; 0 without one."""
        return max((c.probability for c in self.fix.candidates if c.in_bracket), default=0.0)

    @property
    def exit_code(self) -> int:
        """4 when the best candidate is below the threshold, else 0."""
        return 4 if self.best_probability < (self.minimum_probability or 0.0) else 0

    @property
    def verdict(self) -> str:
        """Why the exit code is not 0."""
        if not self.exit_code:
            return ""
        best = self.best_probability
        found = f"the best candidate has a probability of {best:.2f}" if best else "there is no candidate"
        return f"{found}, below the {self.minimum_probability:g} asked for"

    def text(self) -> str:
        """Give the answer in words that a crew can act on."""
        from netcorr.export import survey_text

        return survey_text(self.fix, units=self.units)

    def as_dict(self) -> dict[str, Any]:
        """Give the answer for machines, in SI units."""
        from netcorr.export import survey_dict

        return {**survey_dict(self.fix), "files": [str(path) for path in self.files]}


def locate(
    *,
    network: Path,
    deployments: Path,
    output: Path,
    wgs84: Path | None = None,
    points: Path | None = None,
    map_picture: Path | None = None,
    mapping: Path | None = None,
    crs: str | None = None,
    calibration: Path | None = None,
    keep_speeds: Path | None = None,
    temperature_c: float = 10.0,
    temperature_sd_c: float = 3.0,
    band_hz: tuple[float, float] | None = None,
    reach_m: float = 600.0,
    leaks: int = 0,
    map_accuracy_m: float = 0.5,
    join_m: float = 0.2,
    cut_m: float = 0.2,
    fitting_m: float = 5.0,
    overshoot_m: float = 0.5,
    time_zone: str | None = None,
    minimum_probability: float | None = None,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> LocateResult:
    """Find leaks on a network from simultaneous recordings and write them as a GeoPackage.

    Parameters
    ----------
    network : pathlib.Path
        Source of mains and fittings, or a saved network.
    deployments : pathlib.Path
        Table of recordings.
    output : pathlib.Path
        GeoPackage to write.
    wgs84, points, map_picture : pathlib.Path, optional
        Copy in longitude and latitude, its points alone (GeoJSON, KML or GPX), and picture (PNG), to write
        as well.
    mapping : pathlib.Path, optional
        TOML file that says which of the source's layers and columns mean what.
    crs : str, optional
        CRS of a source that does not state one.
    calibration : pathlib.Path, optional
        Speeds learned from confirmed finds, as `accuracy` writes them.
    keep_speeds : pathlib.Path, optional
        Calibration to write: `calibration` with the speeds that several loggers of this survey agree on, or
        that a known noise taught.
    temperature_c, temperature_sd_c : float
        Water temperature and its standard deviation. [degree C]
    band_hz : (float, float), optional
        Band to use; chosen from the recordings when not given. [Hz]
    reach_m : float
        Sensors farther apart than this along the main are not compared. [m]
    leaks : int
        So many leaks are known to be there: the most probable place of each is listed, however improbable.
        0 when that is not known. Of three loggers or more.
    map_accuracy_m : float
        How far a main may lie from where it is drawn. [m]
    join_m, cut_m, fitting_m, overshoot_m : float
        How near ends, tees and fittings must lie to be taken as connected, and how far an end may run
        past another main. [m]
    time_zone : str, optional
        Zone of the loggers' clocks, for starts from sound files or their names that state none.
    minimum_probability : float, optional
        Threshold for the exit code of the result, 0 to 1.
    units : {'metric', 'us'}
        Units of the text and the picture.
    feedback : Feedback, optional
        Progress and log.

    Returns
    -------
    LocateResult
        The answer and the files written.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export import Inputs
    from netcorr.export.geopackage import check_target
    from netcorr.export.points import check_points_target
    from netcorr.network import Tolerances
    from netcorr.position import LocateSettings, locate_survey
    from netcorr.recordings import read_deployments, read_rounds
    from netcorr.speed import read_calibration

    feedback = feedback or NoFeedback()
    known = read_calibration(calibration) if calibration else None
    for path in (output, wgs84):  # an output that is in use is better known before the work than after it
        if path and path.suffix == ".gpkg":
            check_target(path)
    if points:
        check_points_target(points)
    graph = open_map(
        network,
        mapping=mapping,
        crs=crs,
        tolerances=Tolerances(join_m=join_m, cut_m=cut_m, fitting_m=fitting_m, overshoot_m=overshoot_m),
        feedback=PartOf(feedback, start=0.0, stop=0.2),
    )
    recordings = read_rounds(
        read_deployments(deployments, feedback=feedback),
        time_zone=time_zone,
        feedback=PartOf(feedback, start=0.2, stop=0.4),
    )
    fix = locate_survey(
        graph,
        recordings,
        settings=LocateSettings(
            temperature_c=temperature_c,
            temperature_sd_c=temperature_sd_c,
            band_hz=band_hz,
            reach_m=reach_m,
            leaks=leaks,
            map_accuracy_m=map_accuracy_m,
            calibration=known,
        ),
        feedback=PartOf(feedback, start=0.4, stop=0.9),
    )
    files = _write(
        fix,
        inputs=Inputs(
            files={
                "network": network,
                "mapping": mapping,
                "deployments": deployments,
                "calibration": calibration,
            },
            settings={
                "crs": crs,
                "temperature_c": temperature_c,
                "temperature_sd_c": temperature_sd_c,
                "band_hz": band_hz,
                "reach_m": reach_m,
                "leaks": leaks,
                "map_accuracy_m": map_accuracy_m,
                "join_m": join_m,
                "cut_m": cut_m,
                "fitting_m": fitting_m,
                "time_zone": time_zone,
            },
        ),
        output=output,
        wgs84=wgs84,
        points=points,
        map_picture=map_picture,
        units=units,
        feedback=PartOf(feedback, start=0.9, stop=1.0),
    )
    if keep_speeds:
        files += (_keep_speeds(fix, known, keep_speeds),)
    feedback.progress(1.0, "done")
    return LocateResult(fix, files=files, units=units, minimum_probability=minimum_probability)


def _write(
    fix: SurveyFix,
    *,
    inputs: Inputs,
    output: Path,
    wgs84: Path | None,
    points: Path | None,
    map_picture: Path | None,
    units: UnitSystem,
    feedback: Feedback,
) -> tuple[Path, ...]:
    from netcorr.export import write_points, write_result, write_wgs84

    write_result(fix, output, units=units, inputs=inputs, feedback=PartOf(feedback, start=0.0, stop=0.4))
    if wgs84:
        write_wgs84(fix, wgs84, units=units, feedback=PartOf(feedback, start=0.4, stop=0.8))
    if points:
        write_points(fix, points, units=units, feedback=feedback)
    if map_picture:
        from netcorr.export import draw_map

        draw_map(fix, map_picture, units=units)
    return tuple(path for path in (output, wgs84, points, map_picture) if path)


def _keep_speeds(fix: SurveyFix, known: Calibration | None, target: Path) -> Path:
    """Write what is known of the speeds after this survey, that of whole materials in place of what was."""
    from netcorr.export.calibration_file import write_calibration
    from netcorr.speed import Calibration

    labels = {scale.label for scale in fix.speeds}
    before = [scale for scale in (known.scales if known else ()) if scale.label not in labels]
    write_calibration(Calibration((*before, *fix.speeds), source=target.name), target)
    return target


def _outputs() -> tuple[OutputLayer, ...]:
    from netcorr.export import RESULT_LAYERS

    return tuple(OutputLayer.of("output", layer) for layer in RESULT_LAYERS)


TOOL = Tool(
    id="locate",
    title="Locate leaks",
    purpose="Find leaks on a network from recordings made at the same time.",
    description=(
        "Loggers on two or more fittings recorded at the same moments. The pipe between them, its "
        "material and its diameter come from the map; the difference in arrival time of the leak's "
        "noise comes from the recordings. The result is a GeoPackage with ranked candidates, the area "
        "that each may lie in, the paths, the sensors and one row for each pair and round."
    ),
    function=locate,
    outputs=_outputs,
    parameters=(
        NETWORK,
        Parameter(
            "deployments",
            "file_in",
            "Table of recordings",
            "A table with one row for each recording: logger, fitting (or lon and lat), recording (its "
            "path, relative to the table) and start (with time zone); known_noise is the fitting where a tap "
            "was run meanwhile, from which the wave speeds are learned.",
            required=True,
        ),
        Parameter(
            "output",
            "file_out",
            "Result",
            "GeoPackage to write; one that is there is replaced.",
            ("-o", "--output"),
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "wgs84",
            "file_out",
            "Copy for phones",
            "Also write the result in longitude and latitude for phone maps: all layers, or as .geojson the "
            "candidates only.",
            ("--wgs84",),
            suffixes=(".gpkg", ".geojson"),
        ),
        Parameter(
            "points",
            "file_out",
            "Points",
            "Also write candidates and sensors as points in longitude and latitude, for apps that read no "
            "GeoPackage: GeoJSON, KML or GPX by the ending of the name.",
            ("--points",),
            suffixes=(".geojson", ".kml", ".gpx"),
        ),
        Parameter(
            "map_picture",
            "file_out",
            "Picture of the map",
            "Also draw the result on the map, as a PNG picture.",
            ("--map-picture",),
            suffixes=(".png",),
        ),
        MAPPING,
        CRS,
        Parameter(
            "calibration",
            "file_in",
            "Calibration",
            "Wave speeds learned from leaks that were found, as netcorr accuracy writes them, in place of "
            "the tables for the pipes that it holds.",
            ("--calibration",),
            suffixes=(".toml",),
        ),
        Parameter(
            "keep_speeds",
            "file_out",
            "Speeds to keep",
            "Also write a calibration for the next survey: the one given, with the wave speeds that several "
            "loggers of this survey agree on or a known noise taught.",
            ("--keep-speeds",),
            suffixes=(".toml",),
        ),
        Parameter(
            "temperature_c",
            "number",
            "Water temperature",
            "Temperature of the water in the mains; cold water carries the noise more slowly.",
            ("--temperature",),
            unit="degrees C",
            minimum=0,
            maximum=40,
            default=10.0,
        ),
        Parameter(
            "temperature_sd_c",
            "number",
            "Doubt about the temperature",
            "Standard deviation of the water temperature; give a small one when it was measured.",
            ("--temperature-sd",),
            unit="degrees C",
            minimum=0,
            maximum=15,
            default=3.0,
        ),
        Parameter(
            "band_hz",
            "range",
            "Frequency band",
            "Use this band only, instead of the one that the recordings themselves speak for.",
            ("--band",),
            unit="Hz",
            minimum=1,
            maximum=20000,
        ),
        Parameter(
            "reach_m",
            "number",
            "Reach",
            "Sensors farther apart than this along the main are not compared.",
            ("--reach",),
            unit="m",
            minimum=1,
            maximum=5000,
            default=600.0,
        ),
        Parameter(
            "leaks",
            "integer",
            "Leaks known to be there",
            "So many leaks are known to be there, from the inflow at night, say: with three loggers or more "
            "the most probable place of each is listed first, however improbable. 0: not known.",
            ("--leaks",),
            unit="",
            minimum=0,
            maximum=4,
            default=0,
        ),
        Parameter(
            "map_accuracy_m",
            "number",
            "Accuracy of the map",
            "How far a main may lie from where it is drawn; search areas are widened by it.",
            ("--map-accuracy",),
            unit="m",
            minimum=0.01,
            maximum=100,
            default=0.5,
        ),
        JOIN,
        CUT,
        FITTING,
        OVERSHOOT,
        Parameter(
            "time_zone",
            "text",
            "Time zone",
            "Zone of the loggers' clocks, such as Europe/Lisbon or UTC, for start times that come from sound "
            "files or their names and state none.",
            ("--time-zone",),
        ),
        Parameter(
            "minimum_probability",
            "number",
            "Least probability",
            "End with exit code 4 when no candidate between two sensors reaches it.",
            ("--minimum-probability",),
            unit="",
            minimum=0,
            maximum=1,
        ),
        Parameter(
            "units",
            "choice",
            "Units",
            "Units of text, picture and directions; numbers in layers and JSON are always SI.",
            ("--units",),
            choices=("metric", "us"),
            default="metric",
        ),
    ),
    examples=(
        ("Two loggers, two rounds, one command:", "town.gpkg deployments.csv -o result.gpkg"),
        (
            "Warm water, feet and inches, a copy for the phone:",
            "town.gpkg deployments.csv -o result.gpkg --temperature 18 --units us --wgs84 phone.gpkg",
        ),
        (
            "A map with the utility's own layers and column names:",
            "export.gdb deployments.csv -o result.gpkg --mapping our_map.toml",
        ),
        (
            "Speeds that earlier finds taught:",
            "town.gpkg deployments.csv -o result.gpkg --calibration speeds.toml",
        ),
    ),
)
