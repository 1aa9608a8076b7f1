"""Which metres of main a set of sites covers, how well, and why not the rest: before the van leaves."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback, PartOf
from netcorr.tools.candidate_rules import candidate_rules
from netcorr.tools.declare import OutputLayer, Tool
from netcorr.tools.open_map import open_map
from netcorr.tools.parameter import Parameter
from netcorr.tools.reach_rules import reach_table
from netcorr.tools.shared_parameters import (
    CALIBRATION,
    CANDIDATE_OPTIONS,
    CLOCK_ERROR,
    LOOSE,
    MAP_OPTIONS,
    MARGIN,
    NETWORK,
    REACH_OPTIONS,
    ZONE_COLUMN,
    ZONES,
)
from netcorr.tools.zone_rules import zone_names
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.network import PipeNetwork
    from netcorr.planning.cover_answer import CoverAnswer
    from netcorr.planning.reach import ReachTable
    from netcorr.tools.candidate_rules import CandidateRules


@dataclass(frozen=True, eq=False)
class CoverageResult:
    """What sites cover.

    Attributes
    ----------
    answer : CoverAnswer
        The answer.
    files : tuple of pathlib.Path
        What was written.
    units : {'metric', 'us'}
        Units of the text.
    minimum_percent : float or None
        Threshold that was asked for. [%]
    """

    answer: CoverAnswer
    files: tuple[Path, ...] = ()
    units: UnitSystem = "metric"
    minimum_percent: float | None = None

    @property
    def exit_code(self) -> int:
        """4 when less is covered than was asked for, else 0."""
        return 4 if self.answer.totals[0].covered_percent < (self.minimum_percent or 0.0) else 0

    @property
    def verdict(self) -> str:
        """Why the exit code is not 0."""
        if not self.exit_code:
            return ""
        return (
            f"{self.answer.totals[0].covered_percent:.1f} % of the mains are covered, below the "
            f"{self.minimum_percent:g} % asked for"
        )

    def text(self) -> str:
        """Give the coverage in words."""
        from netcorr.export.coverage_words import coverage_text

        return coverage_text(self.answer, units=self.units)

    def as_dict(self) -> dict[str, Any]:
        """Give the coverage for machines, in SI units."""
        from netcorr.export.coverage_record import coverage_dict

        return {**coverage_dict(self.answer), "files": [str(path) for path in self.files]}


def coverage(
    *,
    network: Path,
    sites: Path,
    output: Path,
    map_picture: Path | None = None,
    kinds: str = "valve,hydrant",
    candidates: Path | None = None,
    where: str | None = None,
    exclude: str | None = None,
    district: Path | None = None,
    zones: Path | None = None,
    zone_column: str | None = None,
    reach: str | None = None,
    reach_file: Path | None = None,
    source_db: float = 10.0,
    recording_s: float = 10.0,
    margin_percent: float = 2.0,
    clock_sd_ms: float = 0.2,
    calibration: Path | None = None,
    loose_from_m: float = 10.0,
    minimum_percent: float | None = None,
    mapping: Path | None = None,
    crs: str | None = None,
    join_m: float = 0.2,
    cut_m: float = 0.2,
    fitting_m: float = 5.0,
    overshoot_m: float = 0.5,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> CoverageResult:
    """Say which metres of main given sites cover.

    Parameters
    ----------
    network : pathlib.Path
        Source of mains and fittings, or a saved network.
    sites : pathlib.Path
        Table of deployments, list of ids of fittings, or layer.
    output : pathlib.Path
        GeoPackage to write.
    map_picture : pathlib.Path, optional
        Picture (PNG or SVG) to write as well.
    kinds, candidates, where, exclude, district
        Which fittings may carry a logger, as for `candidate_rules`.
    zones, zone_column
        Zone of each main, as for `zone_names`.
    reach, reach_file, source_db, recording_s
        How far leaks are heard, as for `reach_table`.
    margin_percent : float
        By how much the second way round must be longer. [%]
    clock_sd_ms : float
        Standard deviation of a logger's clock. [ms]
    calibration : pathlib.Path, optional
        Wave speeds learned from leaks that were found.
    loose_from_m : float
        A longer expected stretch is called loose. [m]
    minimum_percent : float, optional
        Threshold for the exit code. [%]
    mapping : pathlib.Path, optional
        TOML file that says which of the source's layers and columns mean what.
    crs : str, optional
        CRS of a source that does not state one.
    join_m, cut_m, fitting_m, overshoot_m : float
        How near ends, tees and fittings must lie to be taken as connected, and how far an end may run
        past another main. [m]
    units : {'metric', 'us'}
        Units of the text.
    feedback : Feedback, optional
        Progress.

    Returns
    -------
    CoverageResult
        The answer and the file written.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export.coverage_schema import COVERAGE_LAYERS
    from netcorr.export.coverage_tables import write_coverage
    from netcorr.export.geopackage import check_target
    from netcorr.layers.site_list import read_site_list
    from netcorr.network import Tolerances
    from netcorr.planning.candidates import match_fittings
    from netcorr.planning.expected import FixSettings
    from netcorr.speed import read_calibration

    feedback = feedback or NoFeedback()
    check_target(output, layers=COVERAGE_LAYERS)  # better known before the work than after it
    table = reach_table(reach=reach, reach_file=reach_file, source_db=source_db, recording_s=recording_s)
    listed = read_site_list(sites)
    known = read_calibration(calibration) if calibration else None
    built = open_map(
        network,
        mapping=mapping,
        crs=crs,
        tolerances=Tolerances(join_m=join_m, cut_m=cut_m, fitting_m=fitting_m, overshoot_m=overshoot_m),
        feedback=PartOf(feedback, start=0.0, stop=0.4),
    )
    rules = candidate_rules(
        built,
        network,
        mapping=mapping,
        kinds=kinds,
        candidates=candidates,
        where=where,
        exclude=exclude,
        district=district,
    )
    answer = _answer(
        built,
        match_fittings(built, listed),
        rules,
        table,
        zones=lambda mains: zone_names(mains, network, mapping=mapping, zones=zones, zone_column=zone_column),
        cover={
            "settings": FixSettings(clock_sd_s=clock_sd_ms / 1000),
            "calibration": known,
            "margin": margin_percent / 100,
        },
        loose_from_m=loose_from_m,
        feedback=PartOf(feedback, start=0.4, stop=0.8),
    )
    write_coverage(answer, output, feedback=PartOf(feedback, start=0.8, stop=1.0))
    files = [output]
    if map_picture:
        from netcorr.export.coverage_picture import draw_coverage

        draw_coverage(answer, map_picture, units=units)
        files.append(map_picture)
    feedback.progress(1.0, "done")
    return CoverageResult(answer, files=tuple(files), units=units, minimum_percent=minimum_percent)


def _answer(
    network: PipeNetwork,
    given: list[str],
    rules: CandidateRules,
    table: ReachTable,
    *,
    zones: Any,
    cover: dict[str, Any],
    loose_from_m: float,
    feedback: Feedback,
) -> CoverAnswer:
    """Judge the sites, once everything is read."""
    import numpy as np

    from netcorr.planning.candidates import counted, why_not
    from netcorr.planning.cover_answer import CoverAnswer, candidates_with, given_sites
    from netcorr.planning.cover_map import cover_map
    from netcorr.planning.cover_totals import cover_totals
    from netcorr.planning.dead_ends import find_dead_ends
    from netcorr.planning.from_network import edges_within, planning_map

    mains = planning_map(network, reach=table)
    sensors, unused = given_sites(network, given)
    reason = why_not(network, kinds=rules.kinds, only=rules.only, excluded=rules.excluded, area=rules.area)
    counts = np.ones(len(mains.graph), bool) if rules.area is None else edges_within(mains, rules.area)
    might = candidates_with(network, reason, sensors)
    found = cover_map(mains, sensors, might, reach=table, counted=counts, feedback=feedback, **cover)
    names = zones(mains)
    notes = list(rules.notes)
    if not (reason == "").any():
        notes.append(f"no fitting of the map may carry a logger by the rules given: {counted(reason)}")
    return CoverAnswer(
        cover=found,
        totals=cover_totals(found, zones=names, loose_from_m=loose_from_m),
        dead_ends=find_dead_ends(mains, might, wanted=counts),
        why_not={str(name): why for name, why in zip(network.fittings.index, reason, strict=True) if why},
        zones=names,
        loose_from_m=loose_from_m,
        given=tuple(given),
        unused=unused,
        notes=tuple(notes),
    )


def _outputs() -> tuple[OutputLayer, ...]:
    from netcorr.export.coverage_schema import COVERAGE_LAYERS

    return tuple(OutputLayer.of("output", layer) for layer in COVERAGE_LAYERS)


TOOL = Tool(
    id="coverage",
    title="Coverage of sensor sites",
    purpose="Say which metres of main given sites cover, how well, and why not the rest.",
    description=(
        "A metre of main is covered when two sensors have it on the path between them, within the reach of "
        "what lies on that path, and by a margin over the second way round. The rest is heard by one side "
        "only, or not covered, with the reason: no sensor or no fitting beyond, too far for the material, a "
        "closed valve, a broken map, or another way round. For covered main the expected length of the 95 % "
        "stretch of a leak is worked out from wave speeds, lengths, clocks and loudness, so that a planner "
        "sees where a fix would be too loose to dig. Reach is common practice unless it is given or was "
        "measured: loggers some 120 to 150 m apart on iron, a fraction of that on plastic, less in large "
        "mains, and less past every tee."
    ),
    function=coverage,
    outputs=_outputs,
    parameters=(
        NETWORK,
        Parameter(
            "sites",
            "source",
            "Sites",
            "Where sensors stand or would stand: a table of deployments, a plan, a list of ids of fittings "
            "(one a line), or a layer with ids or points.",
            required=True,
            geometry=("Point",),
        ),
        Parameter(
            "output",
            "file_out",
            "Coverage",
            "GeoPackage to write; an earlier coverage that is there is replaced.",
            ("-o", "--output"),
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "map_picture",
            "file_out",
            "Picture of the map",
            "Also draw the coverage on the map, as a PNG or SVG picture.",
            ("--map-picture",),
            suffixes=(".png", ".svg"),
        ),
        *CANDIDATE_OPTIONS,
        ZONES,
        ZONE_COLUMN,
        *REACH_OPTIONS,
        MARGIN,
        CLOCK_ERROR,
        CALIBRATION,
        LOOSE,
        Parameter(
            "minimum_percent",
            "number",
            "Coverage wanted",
            "Exit with code 4 when less of the main is covered.",
            ("--minimum-coverage",),
            unit="%",
            minimum=0,
            maximum=100,
        ),
        *MAP_OPTIONS,
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
        ("What the loggers of last night covered:", "town.gpkg deployments.csv -o coverage.gpkg"),
        (
            "One district, by zone, without fittings that nobody can reach:",
            "town.gpkg sites.txt -o coverage.gpkg --district north.gpkg --zones dma.gpkg "
            "--exclude access=buried,private,flooded",
        ),
        (
            "With the reach that earlier surveys found, and longer recordings:",
            "town.gpkg sites.gpkg -o coverage.gpkg --reach-file reach.toml --recording-length 60",
        ),
    ),
)
