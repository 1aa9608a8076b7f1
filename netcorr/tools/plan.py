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
from netcorr.tools.parameter import Parameter
from netcorr.tools.plan_inputs import plan_sites, read_addresses, read_reach, read_weights
from netcorr.tools.shared_parameters import CANDIDATE_OPTIONS, MAP_OPTIONS, NETWORK
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.planning import Plan, PlanSettings


@dataclass(frozen=True, eq=False)
class PlanResult:
    """A plan, and the files that hold it.

    Attributes
    ----------
    plan : Plan
        The plan.
    files : tuple of pathlib.Path
        What was written.
    units : {'metric', 'us'}
        Units of the text.
    """

    plan: Plan
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

        return plan_text(self.plan, units=self.units)

    def as_dict(self) -> dict[str, Any]:
        """Give the plan for machines, in SI units."""
        from netcorr.export.plan.facts import plan_dict

        return {**plan_dict(self.plan), "files": [str(path) for path in self.files]}


def plan(
    *,
    network: Path,
    output: Path,
    loggers: int | None = None,
    sweep: bool = False,
    cover: float | None = None,
    folds: int = 1,
    weight: str | None = None,
    margin: float = 2.0,
    reach: str | None = None,
    fixed_in: Path | None = None,
    fixed_out: Path | None = None,
    kinds: str = "valve,hydrant",
    candidates: Path | None = None,
    where: str | None = None,
    exclude: str | None = None,
    district: Path | None = None,
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
    margin : float
        How much longer the second way round a loop must be. [%]
    reach : str, optional
        Longest main between two loggers, in metres: one number, or by material.
    fixed_in, fixed_out : pathlib.Path, optional
        Lists of fittings that are used in any case, and that are not.
    kinds, candidates, where, exclude, district
        Which fittings may be used, as for `candidate_rules`.
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
    from netcorr.export.plan.schema import PLAN_LAYERS
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
        margin=margin,
        time_limit_s=time_limit_s,
        seed=seed,
    )
    check_target(output, layers=PLAN_LAYERS)
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
    mains = planning_map(
        graph,
        reach=read_reach(reach),
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
    write_plan(made, output, addresses=addresses, feedback=PartOf(feedback, start=0.95, stop=1.0))
    feedback.progress(1.0, "done")
    return PlanResult(made, files=(output,), units=units)


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

    return tuple(
        OutputLayer(
            "output",
            layer.name,
            layer.geometry or "none",
            layer.title,
            tuple((column.name, column.kind, column.meaning) for column in layer.columns),
        )
        for layer in PLAN_LAYERS
    )


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
    parameters=(
        NETWORK,
        Parameter(
            "output",
            "file_out",
            "Plan",
            "GeoPackage to write; an earlier plan that is there is replaced.",
            ("-o", "--output"),
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "loggers",
            "integer",
            "Loggers",
            "Loggers there are: cover as much as so many can.",
            ("-n", "--loggers"),
            unit="",
            minimum=2,
            maximum=100_000,
        ),
        Parameter(
            "sweep",
            "flag",
            "Sweep",
            "Cover the district in several setups of the loggers there are.",
            ("--sweep",),
            default=False,
        ),
        Parameter(
            "cover",
            "number",
            "Coverage",
            "How much of the mains to cover, by metres or by their weight; all that can be covered unless "
            "given. Exit code 4 when it is not reached.",
            ("--cover",),
            unit="%",
            minimum=0,
            maximum=100,
        ),
        Parameter(
            "folds",
            "integer",
            "Pairs for each stretch",
            "Pairs of loggers that must cover each stretch: with 2, one logger may fail at most places.",
            ("--folds",),
            unit="",
            minimum=1,
            maximum=10,
            default=1,
        ),
        Parameter(
            "weight",
            "text",
            "Weight",
            "Column of the mains with what a metre of each is worth, such as leaks a year and metre; a "
            "metre is a metre unless given.",
            ("--weight",),
        ),
        Parameter(
            "margin",
            "number",
            "Margin over the second way",
            "In a loop the other way round must be longer by this much for a pair to cover a stretch.",
            ("--margin",),
            unit="%",
            minimum=0,
            maximum=1000,
            default=2.0,
        ),
        Parameter(
            "reach",
            "text",
            "Reach",
            "Longest main between two loggers in metres, such as 150, or by material: grey_iron=140,pvc=60. "
            "Common practice by material unless given: 135 on iron and steel, 40 to 60 on plastic.",
            ("--reach",),
        ),
        Parameter(
            "fixed_in",
            "source",
            "Sites fixed in",
            "Layer, table or list of ids of fittings that are used in any case.",
            ("--fixed-in",),
        ),
        Parameter(
            "fixed_out",
            "source",
            "Sites fixed out",
            "Layer, table or list of ids of fittings that are not used.",
            ("--fixed-out",),
        ),
        *CANDIDATE_OPTIONS,
        Parameter(
            "address",
            "text",
            "Address",
            "Column of the fittings that holds the address; one called address is found by itself.",
            ("--address",),
        ),
        Parameter(
            "time_limit_s",
            "number",
            "Time limit",
            "Time for the search; the best plan by then is given with its bound and gap.",
            ("--time-limit",),
            unit="s",
            minimum=1,
            maximum=86400,
            default=60.0,
        ),
        Parameter(
            "seed",
            "integer",
            "Seed",
            "Order among equals: another number may give another plan that is as good.",
            ("--seed",),
            unit="",
            minimum=0,
            maximum=2**31 - 1,
            default=1,
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
