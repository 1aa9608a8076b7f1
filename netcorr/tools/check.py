"""Whether a map is fit for locating leaks, and what to put right first: layers to look at, and a verdict."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback, PartOf, Unsaid
from netcorr.tools.declare import OutputLayer, Tool
from netcorr.tools.open_map import open_map
from netcorr.tools.parameter import Parameter
from netcorr.tools.shared_parameters import MAP_OPTIONS, NETWORK
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.network.map_check import MapCheck


@dataclass(frozen=True, eq=False)
class CheckResult:
    """What was found on a map.

    Attributes
    ----------
    check : MapCheck
        What was found.
    files : tuple of pathlib.Path
        What was written.
    units : {'metric', 'us'}
        Units of the text.
    """

    check: MapCheck
    files: tuple[Path, ...] = ()
    units: UnitSystem = "metric"

    @property
    def exit_code(self) -> int:
        """4 when the map is not fit yet, else 0."""
        return 4 if self.check.level == "not yet" else 0

    @property
    def verdict(self) -> str:
        """Why the exit code is not 0: what to fix first."""
        if not self.exit_code:
            return ""
        from netcorr.export.fix_words import fix_text
        from netcorr.export.plain_text import plain_text

        texts = (fix_text(fix, self.check, self.units) for fix in self.check.fixes)
        first = plain_text(next(texts, "")).replace("\xa0", " ")
        return "not yet fit for locating leaks" + (f"; first, {first}" if first else "")

    def text(self) -> str:
        """Give the findings in words."""
        from netcorr.export.check_words import check_text

        return check_text(self.check, units=self.units)

    def as_dict(self) -> dict[str, Any]:
        """Give the findings for machines, in SI units."""
        from netcorr.export.check_record import check_dict

        return {**check_dict(self.check), "files": [str(path) for path in self.files]}


def check(
    *,
    network: Path,
    output: Path,
    save: Path | None = None,
    near_m: float = 15.0,
    mapping: Path | None = None,
    crs: str | None = None,
    join_m: float = 0.2,
    cut_m: float = 0.2,
    fitting_m: float = 5.0,
    overshoot_m: float = 0.5,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> CheckResult:
    """Build the network of a map and say whether it is fit for locating leaks.

    Parameters
    ----------
    network : pathlib.Path
        Source of mains and fittings, or a saved network.
    output : pathlib.Path
        GeoPackage of layers to look at.
    save : pathlib.Path, optional
        GeoPackage to save the cleaned network to, for the other commands.
    near_m : float
        An end this near to a main of another piece is listed. [m]
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
    CheckResult
        The findings and the files written.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export.check_schema import CHECK_LAYERS
    from netcorr.export.check_tables import write_check
    from netcorr.export.geopackage import check_target
    from netcorr.export.network_file import save_network
    from netcorr.export.network_schema import NETWORK_LAYERS
    from netcorr.network import Tolerances
    from netcorr.network.map_check import check_network

    feedback = feedback or NoFeedback()
    check_target(output, layers=CHECK_LAYERS)  # better known before the work than after it
    if save:
        check_target(save, layers=NETWORK_LAYERS)
    built = open_map(
        network,
        mapping=mapping,
        crs=crs,
        tolerances=Tolerances(join_m=join_m, cut_m=cut_m, fitting_m=fitting_m, overshoot_m=overshoot_m),
        feedback=Unsaid(feedback, start=0.0, stop=0.5),
    )
    found = check_network(built, near_m=near_m, feedback=PartOf(feedback, start=0.5, stop=0.7))
    write_check(found, output, feedback=PartOf(feedback, start=0.7, stop=0.9))
    if save:
        save_network(built, save, feedback=PartOf(feedback, start=0.9, stop=1.0))
    feedback.progress(1.0, "done")
    return CheckResult(found, files=(output, save) if save else (output,), units=units)


def _outputs() -> tuple[OutputLayer, ...]:
    from netcorr.export.check_schema import CHECK_LAYERS
    from netcorr.export.network_schema import NETWORK_LAYERS

    return tuple(
        OutputLayer.of(parameter, layer)
        for parameter, layers in (("output", CHECK_LAYERS), ("save", NETWORK_LAYERS))
        for layer in layers
    )


TOOL = Tool(
    id="check",
    title="Check a map",
    purpose="Build the network of a map and say whether it is fit for locating leaks.",
    description=(
        "Mains are cut where they touch, ends are joined, fittings are put on their mains, and every change "
        "is logged. The result is a GeoPackage to look at: the mains as connected, the fittings, the "
        "changes, gaps where the drawing nearly connects, crossings, the pieces that the network falls into, "
        "fittings too far from a main, and mains without material or diameter. The text gives a verdict by "
        "stated rules (fit, fit with these assumptions, or not yet, which ends with exit code 4) and what to "
        "put right first. The map itself is never changed."
    ),
    function=check,
    outputs=_outputs,
    parameters=(
        NETWORK,
        Parameter(
            "output",
            "file_out",
            "Layers to look at",
            "GeoPackage to write; an earlier check that is there is replaced.",
            ("-o", "--output"),
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "save",
            "file_out",
            "Cleaned network",
            "Also save the cleaned network, for other commands to open in place of the map, without cleaning "
            "it again.",
            ("--save",),
            suffixes=(".gpkg",),
        ),
        Parameter(
            "near_m",
            "number",
            "Near-miss distance",
            "Ends that come this near to a main of another piece are listed, and those that point at one.",
            ("--near-miss",),
            unit="m",
            minimum=0.1,
            maximum=100,
            default=15.0,
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
        ("The first look at a map:", "town.gpkg -o check.gpkg"),
        (
            "With the utility's own columns, and the cleaned network kept for later commands:",
            "export.gdb -o check.gpkg --mapping our_map.toml --save network.gpkg",
        ),
        (
            "Search wider for gaps, and join what is half a metre apart:",
            "town.gpkg -o check.gpkg --near-miss 30 --join-tolerance 0.5 --cut-tolerance 0.5",
        ),
    ),
)
