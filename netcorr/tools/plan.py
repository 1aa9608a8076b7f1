"""Where to put loggers: fewest sites for a coverage, or most coverage with the loggers there are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.errors import UsageError
from netcorr.feedback import Feedback, NoFeedback, PartOf
from netcorr.tools.candidate_rules import candidate_rules
from netcorr.tools.declare import OutputLayer, Tool
from netcorr.tools.open_map import open_map
from netcorr.tools.plan_inputs import plan_sites, read_addresses, read_reach, read_weights
from netcorr.tools.plan_parameters import PARAMETERS
from netcorr.tools.plan_round import read_names, read_pace, round_of
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.planning import Plan, PlanSettings
    from netcorr.planning.expected_map import ExpectedFix
    from netcorr.planning.reach import ReachTable
    from netcorr.planning.timetable import Timetable


@dataclass(frozen=True, eq=False)
class PlanResult:
    """A plan, and the files that hold it.

    Attributes
    ----------
    plan : Plan
        The plan.
    timetable : Timetable or None
        When its setups are made.
    expected : ExpectedFix or None
        How well leaks would be placed.
    files : tuple of pathlib.Path
        What was written.
    units : {'metric', 'us'}
        Units of the text.
    """

    plan: Plan
    timetable: Timetable | None = None
    expected: ExpectedFix | None = None
    files: tuple[Path, ...] = ()
    units: UnitSystem = "metric"

    @property
    def exit_code(self) -> int:
        """4 when less is covered than was asked for, else 0."""
        return 4 if self.verdict else 0

    @property
    def verdict(self) -> str:
        """Why the exit code is not 0."""
        from netcorr.export.plan.words import verdict

        return verdict(self.plan)

    def text(self) -> str:
        """Give the plan in words."""
        from netcorr.export.plan.words import plan_text

        return plan_text(self.plan, timetable=self.timetable, expected=self.expected, units=self.units)

    def as_dict(self) -> dict[str, Any]:
        """Give the plan for machines, in SI units."""
        from netcorr.export.plain_text import plain_values
        from netcorr.export.plan.expected import expected_dict
        from netcorr.export.plan.facts import plan_dict

        expected = None if self.expected is None else plain_values(expected_dict(self.expected))
        return {
            **plan_dict(self.plan, timetable=self.timetable),
            "expected": expected,
            "files": [str(path) for path in self.files],
        }


def plan(
    *,
    network: Path,
    output: Path,
    loggers: int | None = None,
    sweep: bool = False,
    cover: float | None = None,
    folds: int = 1,
    weight: str | None = None,
    margin_percent: float = 2.0,
    reach: str | None = None,
    reach_file: Path | None = None,
    source_db: float = 10.0,
    recording_s: float = 10.0,
    clock_sd_ms: float = 0.2,
    calibration: Path | None = None,
    loose_from_m: float = 10.0,
    fixed_in: Path | None = None,
    fixed_out: Path | None = None,
    kinds: str = "valve,hydrant",
    candidates: Path | None = None,
    where: str | None = None,
    exclude: str | None = None,
    district: Path | None = None,
    sheets: Path | None = None,
    deployments: Path | None = None,
    logger_names: str | None = None,
    first_night: str | None = None,
    night: str = "22:00-05:00",
    time_zone: str | None = None,
    travel_km_h: float = 4.5,
    handling_min: float = 5.0,
    spare_min: float = 10.0,
    rounds: int = 2,
    every_min: float = 5.0,
    setups_a_night: int | None = None,
    address: str | None = None,
    time_limit_s: float = 60.0,
    seed: int = 1,
    mapping: Path | None = None,
    crs: str | None = None,
    join_m: float = 0.2,
    cut_m: float = 0.2,
    fitting_m: float = 5.0,
    overshoot_m: float = 0.5,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> PlanResult:
    """Choose the fittings on which loggers cover the mains, and say what they leave out.

    Parameters
    ----------
    network : pathlib.Path
        Source of mains and fittings, or a saved network.
    output : pathlib.Path
        GeoPackage to write.
    loggers : int, optional
        Loggers there are.
    sweep : bool
        Cover the district in several setups of so many loggers.
    cover : float, optional
        How much to cover; all that can be covered unless given. [%]
    folds : int
        Pairs that must cover each stretch.
    weight : str, optional
        Column of the mains that says what a metre of each is worth.
    margin_percent : float
        How much longer the second way round a loop must be. [%]
    reach, reach_file, source_db, recording_s
        How far leaks are heard, as for `reach_table`; recordings are so long. [dB, s]
    clock_sd_ms, calibration, loose_from_m
        Error of a clock, speeds learned from finds, and from where a fix is loose: for how well leaks would
        be placed. [ms, m]
    fixed_in, fixed_out : pathlib.Path, optional
        Lists of fittings that are used in any case, and that are not.
    kinds, candidates, where, exclude, district
        Which fittings may be used, as for `candidate_rules`.
    sheets, deployments : pathlib.Path, optional
        Printable sheets (HTML), and tables for the recordings (CSV), to write as well.
    logger_names : str, optional
        Names of the loggers, parted by commas.
    first_night, night, time_zone : str, optional
        Day of the first night, its hours such as ``22:00-05:00``, and the zone of the clock.
    travel_km_h : float
        Speed of the crew. [km/h]
    handling_min, spare_min, every_min : float
        Time to handle a logger, time kept free before the first recording, time between recordings. [min]
    rounds : int
        Recordings of each setup.
    setups_a_night : int, optional
        Most setups in one night.
    address : str, optional
        Column of the fittings that holds the address.
    time_limit_s : float
        Time for the search. [s]
    seed : int
        Order among equals.
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
        Progress and log.

    Returns
    -------
    PlanResult
        The plan and the files written.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export.geopackage import check_target
    from netcorr.export.plan.deployments import write_deployments
    from netcorr.export.plan.schema import PLAN_LAYERS
    from netcorr.export.plan.sheets import check_sheets, write_sheets
    from netcorr.export.plan.tables import write_plan
    from netcorr.network import Tolerances
    from netcorr.planning import make_plan
    from netcorr.planning.from_network import edges_within, planning_map

    feedback = feedback or NoFeedback()
    settings = _settings(
        loggers=loggers,
        sweep=sweep,
        cover=cover,
        folds=folds,
        margin=margin_percent,
        time_limit_s=time_limit_s,
        seed=seed,
    )
    if loggers is None and (sheets or deployments):
        raise UsageError(
            "Loggers (--loggers)",
            found="nothing was given, while sheets or deployments are asked for",
            remedy="say how many loggers stand at the same time",
        )
    pace = read_pace(
        first_night=first_night,
        night=night,
        time_zone=time_zone,
        travel_km_h=travel_km_h,
        handling_min=handling_min,
        spare_min=spare_min,
        rounds=rounds,
        every_min=every_min,
        record_s=recording_s,
        setups_a_night=setups_a_night,
    )
    names = read_names(logger_names, loggers)
    check_target(output, layers=PLAN_LAYERS)
    if sheets:
        check_sheets(sheets)
    graph = open_map(
        network,
        mapping=mapping,
        crs=crs,
        tolerances=Tolerances(join_m=join_m, cut_m=cut_m, fitting_m=fitting_m, overshoot_m=overshoot_m),
        feedback=PartOf(feedback, start=0.0, stop=0.1),
    )
    rules = candidate_rules(
        graph,
        network,
        mapping=mapping,
        kinds=kinds,
        candidates=candidates,
        where=where,
        exclude=exclude,
        district=district,
    )
    for note in rules.notes:
        feedback.message(note)
    sites, always = plan_sites(graph, rules, fixed_in=fixed_in, fixed_out=fixed_out)
    table = read_reach(reach, reach_file=reach_file, source_db=source_db, recording_s=recording_s)
    mains = planning_map(
        graph,
        reach=table,
        weight_per_m=None
        if weight is None
        else read_weights(graph, network, weight, mapping=mapping, feedback=feedback),
    )
    wanted = None if rules.area is None else edges_within(mains, rules.area)
    made = make_plan(
        mains,
        sites,
        settings=settings,
        wanted=wanted,
        fixed_in=always,
        feedback=PartOf(feedback, start=0.1, stop=0.95),
    )
    addresses = read_addresses(network, address, mapping=mapping)
    timetable = round_of(made, pace, names) if sweep or sheets or deployments else None
    expected = _expected(
        made, table, clock_sd_ms=clock_sd_ms, calibration=calibration, loose_from_m=loose_from_m
    )
    write_plan(
        made,
        output,
        timetable=timetable,
        addresses=addresses,
        expected=expected,
        feedback=PartOf(feedback, start=0.95, stop=1.0),
    )
    files = [output]
    if timetable and sheets:
        write_sheets(made, timetable, sheets, addresses=addresses, units=units)
        files.append(sheets)
    if timetable and deployments:
        files += write_deployments(made, timetable, deployments, addresses=addresses)
    feedback.progress(1.0, "done")
    return PlanResult(made, timetable, expected, files=tuple(files), units=units)


def _expected(
    made: Plan, table: ReachTable, *, clock_sd_ms: float, calibration: Path | None, loose_from_m: float
) -> ExpectedFix:
    """How well leaks would be placed by the loggers that stand at the same time."""
    from netcorr.planning.edge_speeds import edge_speeds
    from netcorr.planning.expected import FixSettings
    from netcorr.planning.expected_map import expected_fix
    from netcorr.speed import read_calibration

    known = read_calibration(calibration) if calibration else None
    return expected_fix(
        made.mains,
        made.problem.sites,
        [made.sites] if made.sweep is None else made.sweep.setups,
        budget=table.budget,
        settings=FixSettings(clock_sd_s=clock_sd_ms / 1000),
        speeds=edge_speeds(made.mains.edges, calibration=known),
        wanted=made.wanted,
        margin=made.settings.margin,
        loose_from_m=loose_from_m,
    )


def _settings(**given: Any) -> PlanSettings:
    """Settings of the plan; what contradicts itself is a fault of the command."""
    from netcorr.errors import PlanError
    from netcorr.planning import PlanSettings

    cover, margin = given.pop("cover"), given.pop("margin")
    try:
        return PlanSettings(least_share=None if cover is None else cover / 100, margin=margin / 100, **given)
    except PlanError as error:
        raise UsageError(error.item, found=error.found, remedy=error.remedy) from error


def _outputs() -> tuple[OutputLayer, ...]:
    from netcorr.export.plan.schema import PLAN_LAYERS

    return tuple(OutputLayer.of("output", layer) for layer in PLAN_LAYERS)


TOOL = Tool(
    id="plan",
    title="Plan logger sites",
    purpose="Choose the fittings at which loggers cover the mains, and say what they leave out.",
    description=(
        "A stretch of main is covered when it lies on the path between two loggers that both hear a leak on "
        "it: only then can a leak there be placed. Without --loggers the fewest sites are sought for the "
        "coverage asked for; with --loggers the most coverage that so many give; with --sweep as well, "
        "several setups of so many loggers that together cover it. The answer is exact for a district; where "
        "the time is too short, a bound and a gap say how much better any other choice could be. Dead ends "
        "beyond the last fitting are told apart, with the fitting that would help."
    ),
    function=plan,
    outputs=_outputs,
    parameters=PARAMETERS,
    examples=(
        ("Fewest sites that cover all that can be covered:", "town.gpkg -o plan.gpkg"),
        (
            "Most coverage with 12 loggers, by a column of the mains:",
            "town.gpkg -o plan.gpkg -n 12 --weight risk",
        ),
        (
            "90 % of a district in setups of 16 loggers, at valves only:",
            "town.gpkg -o plan.gpkg -n 16 --sweep --cover 90 --district north.geojson --kinds valve",
        ),
    ),
)
