"""Leaks that are not there, at the planned sites: would they be found? Declared once."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback, PartOf
from netcorr.tools.declare import OutputLayer, Tool
from netcorr.tools.open_map import open_map
from netcorr.tools.parameter import Parameter
from netcorr.tools.shared_parameters import MAP_OPTIONS, NETWORK
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.network import PipeNetwork
    from netcorr.rehearsal import LeakPlace, PlannedSite, Rehearsal
    from netcorr.simulation import SimulatedRound


@dataclass(frozen=True, eq=False)
class RehearseResult:
    """What would have been found.

    Attributes
    ----------
    rehearsal : Rehearsal
        What came of the leaks.
    files : tuple of pathlib.Path
        What was written.
    units : {'metric', 'us'}
        Units of the text.
    """

    rehearsal: Rehearsal
    files: tuple[Path, ...] = ()
    units: UnitSystem = "metric"
    exit_code: int = field(default=0, init=False)
    verdict: str = field(default="", init=False)

    def text(self) -> str:
        """Say what came of it in words."""
        from netcorr.export.rehearsal.words import rehearsal_text

        return rehearsal_text(self.rehearsal, units=self.units)

    def as_dict(self) -> dict[str, Any]:
        """Give the same for machines, in SI units."""
        from netcorr.export.rehearsal.words import rehearsal_dict

        return {**rehearsal_dict(self.rehearsal), "files": [str(path) for path in self.files]}


def rehearse(
    *,
    network: Path,
    sites: Path,
    output: Path,
    at: str | None = None,
    leaks: int = 30,
    around_m: float = 150.0,
    loudness_db: float = 10.0,
    rounds: int = 2,
    duration_s: float = 10.0,
    clock_sd_ms: float = 0.2,
    noise_spread_db: float = 4.0,
    reach_m: float = 300.0,
    most_sites: int = 6,
    within_m: float = 5.0,
    least_probability: float = 0.5,
    seed: int = 1,
    save_recordings: Path | None = None,
    mapping: Path | None = None,
    crs: str | None = None,
    join_m: float = 0.2,
    cut_m: float = 0.2,
    fitting_m: float = 5.0,
    overshoot_m: float = 0.5,
    units: UnitSystem = "metric",
    feedback: Feedback | None = None,
) -> RehearseResult:
    """Put leaks on the map, simulate what the planned loggers would record, and locate them.

    Parameters
    ----------
    network : pathlib.Path
        Source of mains and fittings, or a saved network.
    sites : pathlib.Path
        Where loggers are planned.
    output : pathlib.Path
        GeoPackage to write.
    at : str, optional
        Place of one leak; at random when not given.
    leaks : int
        How many random leaks.
    around_m : float
        Random leaks lie within this distance of a site along the mains. [m]
    loudness_db : float
        Leak noise at the leak itself over the usual ambient noise. [dB]
    rounds : int
        Rounds of recordings.
    duration_s : float
        Length of a recording. [s]
    clock_sd_ms, noise_spread_db : float
        Standard deviations of the clocks [ms] and of the ambient noise between sites [dB].
    reach_m : float
        Sites farther than this from the leak along the mains take no part. [m]
    most_sites : int
        So many of the nearest sites take part.
    within_m : float
        A point this near to the leak is a find. [m]
    least_probability : float
        A candidate below this sends nobody out.
    seed : int
        Another seed gives other leaks and nights.
    save_recordings : pathlib.Path, optional
        Folder to keep the recordings in.
    mapping, crs, join_m, cut_m, fitting_m, overshoot_m
        How the map is read and cleaned.
    units : {'metric', 'us'}
        Units of the text.
    feedback : Feedback, optional
        Progress and cancelling.

    Returns
    -------
    RehearseResult
        What came of the leaks, and the files written.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export.geopackage import check_target
    from netcorr.export.rehearsal.schema import REHEARSAL_LAYERS
    from netcorr.export.rehearsal.tables import write_rehearsal
    from netcorr.network import Tolerances
    from netcorr.rehearsal import NightSettings, RehearsalSettings, read_sites
    from netcorr.rehearsal import rehearse as rehearse_all

    feedback = feedback or NoFeedback()
    check_target(output, layers=REHEARSAL_LAYERS)  # better known before the work than after it
    graph = open_map(
        network,
        mapping=mapping,
        crs=crs,
        tolerances=Tolerances(join_m=join_m, cut_m=cut_m, fitting_m=fitting_m, overshoot_m=overshoot_m),
        feedback=PartOf(feedback, start=0.0, stop=0.1),
    )
    planned = read_sites(sites, graph)
    places = _places(graph, planned, at=at, leaks=leaks, around_m=around_m, seed=seed)
    kept = _Recordings(save_recordings, clock_sd_ms=clock_sd_ms) if save_recordings else None
    rehearsal = rehearse_all(
        graph,
        planned,
        places,
        settings=RehearsalSettings(
            night=NightSettings(
                loudness_db=loudness_db,
                noise_spread_db=noise_spread_db,
                clock_sd_s=clock_sd_ms / 1000,
                rounds=rounds,
                duration_s=duration_s,
            ),
            within_m=within_m,
            least_probability=least_probability,
            reach_m=reach_m,
            most_sites=most_sites,
            seed=seed,
        ),
        keep=kept,
        feedback=PartOf(feedback, start=0.1, stop=0.95),
    )
    folders = kept.finish(rehearsal) if kept else {}
    write_rehearsal(rehearsal, output, folders=folders, feedback=PartOf(feedback, start=0.95, stop=1.0))
    feedback.progress(1.0, "done")
    return RehearseResult(rehearsal, files=(output, *(kept.files if kept else ())), units=units)


def _places(
    network: PipeNetwork,
    sites: Sequence[PlannedSite],
    *,
    at: str | None,
    leaks: int,
    around_m: float,
    seed: int,
) -> tuple[LeakPlace, ...]:
    import numpy as np

    from netcorr.rehearsal import place_at, random_places

    if at is not None:
        return (place_at(network, at),)
    rng = np.random.default_rng([seed, 0])
    return random_places(network, sites, count=leaks, within_m=around_m, rng=rng)


class _Recordings:
    """Recordings of each leak in a folder of its own, and a table of where the leaks were."""

    def __init__(self, folder: Path, *, clock_sd_ms: float) -> None:
        self._folder, self._clock_sd_ms = folder, clock_sd_ms
        self._kept: dict[int, str] = {}
        self.files: tuple[Path, ...] = ()

    def __call__(self, number: int, rounds: Sequence[SimulatedRound]) -> None:
        from netcorr.simulation import LoggerRecord, write_survey

        record = LoggerRecord(clock_sd_ms=self._clock_sd_ms, note="simulated")
        names = {item.sensor.logger: record for item in rounds[0].recordings}
        folder = self._folder / f"leak_{number:03d}"
        write_survey(rounds, folder, records=names)
        self._kept[number] = folder.name

    def finish(self, rehearsal: Rehearsal) -> dict[int, str]:
        """Write where the leaks were, and give the folder of each."""
        import csv

        from netcorr.export.plain_text import plain_text
        from netcorr.export.safe_file import replacing

        self._folder.mkdir(exist_ok=True)
        table = self._folder / "leaks.csv"
        with replacing(table) as draft, draft.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(("folder", "pipe_id", "material", "diameter_mm", "x", "y", "crs", "simulated"))
            crs = rehearsal.network.crs.to_string()
            for one in rehearsal.leaks:
                if one.number in self._kept:
                    leak = one.leak
                    place = (f"{leak.point.x:.9g}", f"{leak.point.y:.9g}", crs, "yes")
                    pipe = (plain_text(leak.pipe_id), leak.material or "", f"{leak.diameter_mm:g}")
                    writer.writerow((self._kept[one.number], *pipe, *place))
        self.files = (table,)
        return dict(self._kept)


def _outputs() -> tuple[OutputLayer, ...]:
    from netcorr.export.rehearsal.schema import REHEARSAL_LAYERS

    return tuple(OutputLayer.of("output", layer) for layer in REHEARSAL_LAYERS)


def _number(name: str, title: str, text: str, option: str, **more: Any) -> Parameter:
    return Parameter(name, more.pop("kind", "number"), title, text, (option,), **more)


TOOL = Tool(
    id="rehearse",
    title="Rehearse a survey",
    purpose="Put leaks on the map and see whether the planned loggers would find them.",
    description=(
        "Before the van leaves: recordings of leaks that are not there are simulated at the planned "
        "sites by wave physics on the map's own pipes, with speeds, mountings, noise, clocks and map "
        "errors that the locator is not told, and located by the same code as real ones. Of one leak it "
        "says what the technician would have been told; of many, how often they are found, how close, "
        "and where it fails. The result is a GeoPackage of the leaks with what came of each, the mains "
        "on which they fail, and shares by material with the intervals that so few leaks allow. It "
        "compares plans; it does not promise what a real night brings."
    ),
    function=rehearse,
    outputs=_outputs,
    parameters=(
        NETWORK,
        Parameter(
            "sites",
            "file_in",
            "Sites",
            "Where loggers are planned: a table of deployments (recordings are not needed), a plan or a "
            "layer of points, with the fitting (or asset_id, or lon and lat), and where there are several "
            "nights a column setup, setups or start.",
            required=True,
        ),
        Parameter(
            "output",
            "file_out",
            "Rehearsal",
            "GeoPackage to write; an earlier rehearsal that is there is replaced.",
            ("-o", "--output"),
            required=True,
            suffixes=(".gpkg",),
        ),
        Parameter(
            "at",
            "text",
            "Place of the leak",
            "Put one leak here: main and metres from its first drawn point, as M-12:35, or longitude and"
            " latitude, as -17.05,47.01.",
            ("--at",),
        ),
        _number(
            "leaks",
            "Random leaks",
            "So many leaks are put on the mains, evenly by metre, each in a night of its own.",
            "--leaks",
            kind="integer",
            unit="",
            minimum=1,
            maximum=10000,
            default=30,
        ),
        _number(
            "around_m",
            "Around the sites",
            "Random leaks lie within this distance of a site, along the mains.",
            "--around",
            unit="m",
            minimum=1,
            maximum=2000,
            default=150.0,
        ),
        _number(
            "loudness_db",
            "Loudness",
            "Leak noise at the leak itself, over the usual ambient noise: 0 is a quiet leak, 10 a usual "
            "one, 20 a loud one, by judgement.",
            "--loudness",
            unit="dB",
            minimum=-30,
            maximum=60,
            default=10.0,
        ),
        _number(
            "rounds",
            "Rounds",
            "Rounds of recordings in a night.",
            "--rounds",
            kind="integer",
            unit="",
            minimum=1,
            maximum=10,
            default=2,
        ),
        _number(
            "duration_s",
            "Length of a recording",
            "How long the loggers record in each round.",
            "--duration",
            unit="s",
            minimum=2,
            maximum=120,
            default=10.0,
        ),
        _number(
            "clock_sd_ms",
            "Clocks",
            "Standard deviation of the loggers' clocks, which the locator is told.",
            "--clock-sd",
            unit="ms",
            minimum=0,
            maximum=100,
            default=0.2,
        ),
        _number(
            "noise_spread_db",
            "Spread of the noise",
            "Standard deviation of the ambient noise from site to site.",
            "--noise-spread",
            unit="dB",
            minimum=0,
            maximum=20,
            default=4.0,
        ),
        _number(
            "reach_m",
            "Reach",
            "Sites farther than this from the leak, along the mains, take no part.",
            "--reach",
            unit="m",
            minimum=1,
            maximum=2000,
            default=300.0,
        ),
        _number(
            "most_sites",
            "Sites for a leak",
            "So many of the nearest sites take part; more take longer.",
            "--most-sites",
            kind="integer",
            unit="",
            minimum=2,
            maximum=60,
            default=6,
        ),
        _number(
            "within_m",
            "Counts as found",
            "A point told this near to the leak, along the pipes, is a find.",
            "--within",
            unit="m",
            minimum=0.1,
            maximum=100,
            default=5.0,
        ),
        _number(
            "least_probability",
            "Least probability",
            "A candidate below this sends nobody out.",
            "--minimum-probability",
            unit="",
            minimum=0,
            maximum=1,
            default=0.5,
        ),
        _number(
            "seed",
            "Seed",
            "The same seed gives the same leaks and nights again.",
            "--seed",
            kind="integer",
            unit="",
            minimum=0,
            maximum=2**31,
            default=1,
        ),
        Parameter(
            "save_recordings",
            "folder_out",
            "Recordings",
            "New folder to keep the recordings in, for training: one survey for each leak, and leaks.csv"
            " with where it was.",
            ("--save-recordings",),
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
        ("Thirty leaks near the sites of a plan:", "town.gpkg deployments.csv -o rehearsal.gpkg"),
        (
            "One quiet leak, 35 m into main M12, and what the technician would be told:",
            "town.gpkg deployments.csv -o rehearsal.gpkg --at M12:35 --loudness 0",
        ),
        (
            "Recordings with a known answer, to practise on:",
            "town.gpkg sites.gpkg -o rehearsal.gpkg --leaks 5 --save-recordings practice",
        ),
    ),
)
