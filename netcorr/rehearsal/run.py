"""A whole rehearsal: leaks put on the map one after the other, each simulated, located and judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from netcorr.errors import CancelledError, NetcorrError, PlanError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.position import LocateSettings, locate_survey
from netcorr.rehearsal.hand_over import as_recordings
from netcorr.rehearsal.judge import Told, judge
from netcorr.rehearsal.night import NightSettings, simulate_night
from netcorr.rehearsal.places import distances_m, ends_m

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position import SurveyFix
    from netcorr.rehearsal.places import LeakPlace
    from netcorr.rehearsal.sites import PlannedSite
    from netcorr.simulation import SimulatedRound

    #: Gets the number of a leak and its recordings.
    Keep: TypeAlias = Callable[[int, Sequence[SimulatedRound]], object]


#: Two ways that differ by no more than this are one. [m]
_SAME_M = 0.01


@dataclass(frozen=True)
class RehearsalSettings:
    """How a rehearsal is run and judged.

    Attributes
    ----------
    night : NightSettings
        What the nights are like.
    locate : LocateSettings
        What the locator is told.
    within_m : float
        A point this near to the leak, along the pipes, is a find. [m]
    least_probability : float
        A candidate below this sends nobody out.
    reach_m : float
        Sites farther than this from the leak along the mains take no part. [m]
    most_sites : int
        So many of the nearest sites take part.
    seed : int
        Another seed gives other nights.

    Raises
    ------
    PlanError
        If a value makes no sense.
    """

    night: NightSettings = field(default_factory=NightSettings)
    locate: LocateSettings = field(default_factory=LocateSettings)
    within_m: float = 5.0
    least_probability: float = 0.5
    reach_m: float = 300.0
    most_sites: int = 6
    seed: int = 1

    def __post_init__(self) -> None:
        faults = [
            text
            for text, bad in (
                (f"a find within {self.within_m} m", not self.within_m > 0),
                (f"a probability of {self.least_probability}", not 0 <= self.least_probability <= 1),
                (f"a reach of {self.reach_m} m", not self.reach_m > 0),
                (f"{self.most_sites} sites for a leak", self.most_sites < 2),
                (f"seed {self.seed}", self.seed < 0),
            )
            if bad
        ]
        if faults:
            raise PlanError(
                "rehearsal",
                found=", ".join(faults),
                remedy="lengths are above 0 m, a probability is 0 to 1, and a leak takes two sites or more",
            )


@dataclass(frozen=True, eq=False)
class RehearsedLeak:
    """One leak that was put on the map, and what came of it.

    Attributes
    ----------
    number : int
        From 1.
    leak : LeakPlace
        Where it was put.
    sites : tuple of PlannedSite
        That recorded, the nearest first.
    nearest_m : tuple of float
        How far they are along the mains. [m]
    between_sites : bool
        Whether the leak lies on the shortest way between two of them.
    heard_db : float
        Leak noise over ambient noise at the second loudest of them; NaN when nothing was recorded. [dB]
    told : Told
        What the technician would have been told.
    fix : SurveyFix or None
        The answer itself, when there was one leak only.
    """

    number: int
    leak: LeakPlace
    sites: tuple[PlannedSite, ...]
    nearest_m: tuple[float, ...]
    between_sites: bool
    heard_db: float
    told: Told
    fix: SurveyFix | None = None


@dataclass(frozen=True, eq=False)
class Rehearsal:
    """What came of all leaks.

    Attributes
    ----------
    network : PipeNetwork
        The map.
    sites : tuple of PlannedSite
        Where loggers were planned.
    leaks : tuple of RehearsedLeak
        In the order in which they were put.
    settings : RehearsalSettings
        How it was run.
    notes : tuple of str
        What concerns the rehearsal as a whole.
    """

    network: PipeNetwork
    sites: tuple[PlannedSite, ...]
    leaks: tuple[RehearsedLeak, ...]
    settings: RehearsalSettings
    notes: tuple[str, ...] = ()


def rehearse(
    network: PipeNetwork,
    sites: Sequence[PlannedSite],
    leaks: Sequence[LeakPlace],
    *,
    settings: RehearsalSettings | None = None,
    keep: Keep | None = None,
    feedback: Feedback | None = None,
) -> Rehearsal:
    """Simulate, locate and judge leaks one after the other.

    Parameters
    ----------
    network : PipeNetwork
        The map, as the locator has it.
    sites : sequence of PlannedSite
        Where loggers are planned.
    leaks : sequence of LeakPlace
        Where leaks are put, one in each night.
    settings : RehearsalSettings, optional
        Defaults when not given.
    keep : callable, optional
        Gets the number of each leak and its recordings.
    feedback : Feedback, optional
        Progress and cancelling.

    Returns
    -------
    Rehearsal
        One outcome for each leak; a leak whose survey is refused has the outcome 'no answer'.

    Raises
    ------
    PlanError
        If there is no leak, or fewer than two sites can hear anything.
    CancelledError
        If the user stopped it.
    """
    settings = settings or RehearsalSettings()
    feedback = feedback or NoFeedback()
    usable, notes = _usable(network, sites)
    if not leaks:
        raise PlanError("leaks to rehearse", found="none", remedy="put at least one on the map")
    done: list[RehearsedLeak] = []
    for number, leak in enumerate(leaks, start=1):
        check_cancelled(feedback)
        feedback.progress((number - 1) / len(leaks), f"leak {number} of {len(leaks)}")
        near = sites_in_reach(network, usable, leak, settings=settings)
        one = _rehearse_one(network, near, leak, number=number, settings=settings, keep=keep)
        done.append(one if len(leaks) == 1 else _without_fix(one))
    feedback.progress(1.0, "rehearsed")
    return Rehearsal(network, tuple(usable), tuple(done), settings, notes)


def sites_in_reach(
    network: PipeNetwork, sites: Sequence[PlannedSite], leak: LeakPlace, *, settings: RehearsalSettings
) -> list[tuple[PlannedSite, float]]:
    """Sites of one setup that take part, the nearest first, with their distance. [m]

    Of several setups it is the one whose second site is nearest to the leak.
    """
    away = distances_m(network, ends_m(network, leak.place), cutoff_m=settings.reach_m)
    setups: dict[str, list[tuple[PlannedSite, float]]] = {}
    for site in sites:
        far_m = away.get(network.node_of(site.fitting), math.inf) + site.lead_m
        if far_m <= settings.reach_m:
            setups.setdefault(site.setup, []).append((site, far_m))
    ordered = [sorted(some, key=lambda pair: pair[1]) for some in setups.values()]
    best = min(ordered, key=lambda some: some[1][1] if len(some) > 1 else math.inf, default=[])
    return best[: settings.most_sites]


def _usable(network: PipeNetwork, sites: Sequence[PlannedSite]) -> tuple[list[PlannedSite], tuple[str, ...]]:
    """Sites at open mains, and a note about the others."""
    graph = network.graph
    usable: list[PlannedSite] = []
    deaf: list[PlannedSite] = []
    for site in sites:
        node = network.node_of(site.fitting)
        open_there = any(data["is_open"] for _, _, data in graph.edges(node, data=True))
        (usable if open_there else deaf).append(site)
    names = ", ".join(site.fitting for site in deaf)
    notes = (f"left out, no open main at them: {names}",) if deaf else ()
    if len({site.fitting for site in usable}) < 2:
        raise PlanError(
            "sites",
            found=f"{len(usable)} that can hear anything" + (f" ({notes[0]})" if notes else ""),
            remedy="plan two loggers or more, on open mains",
        )
    return usable, notes


def _rehearse_one(
    network: PipeNetwork,
    near: Sequence[tuple[PlannedSite, float]],
    leak: LeakPlace,
    *,
    number: int,
    settings: RehearsalSettings,
    keep: Keep | None,
) -> RehearsedLeak:
    sites = tuple(site for site, _ in near)
    nearest_m = tuple(far_m for _, far_m in near)
    if len(sites) < 2:
        words = f"{'one site' if sites else 'no site'} within {settings.reach_m:.0f} m along open mains"
        return RehearsedLeak(
            number, leak, sites, nearest_m, False, math.nan, Told("out of reach", words=words)
        )
    between = _between(network, near)
    rng = np.random.default_rng([settings.seed, number])
    heard_db, fix = math.nan, None
    try:
        rounds = simulate_night(network, sites, leak, settings=settings.night, rng=rng)
        heard_db = sorted(item.leak_snr_db for item in rounds[0].recordings)[-2]
        if keep is not None:
            keep(number, rounds)
        recordings = as_recordings(rounds, clock_sd_s=settings.night.clock_sd_s)
        fix = locate_survey(network, recordings, settings=settings.locate)
    except CancelledError:
        raise
    except NetcorrError as error:
        told = Told("no answer", words=str(error))
    else:
        told = judge(
            fix,
            leak,
            network=network,
            within_m=settings.within_m,
            least_probability=settings.least_probability,
        )
    return RehearsedLeak(number, leak, sites, nearest_m, between, heard_db, told, fix)


def _between(network: PipeNetwork, near: Sequence[tuple[PlannedSite, float]]) -> bool:
    """Whether a place lies on the shortest way between two sites, by their distances from it."""
    for k, (site, far_m) in enumerate(near):
        others = near[k + 1 :]
        limit_m = far_m + max((other_m for _, other_m in others), default=0.0)
        away = distances_m(network, {network.node_of(site.fitting): site.lead_m}, cutoff_m=limit_m)
        for other, other_m in others:
            apart_m = away.get(network.node_of(other.fitting), math.inf) + other.lead_m
            if far_m + other_m <= apart_m + _SAME_M:
                return True
    return False


def _without_fix(one: RehearsedLeak) -> RehearsedLeak:
    """The same without recordings and curves, which would fill the memory."""
    return replace(one, fix=None)
