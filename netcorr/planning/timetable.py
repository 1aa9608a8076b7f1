"""When which logger is put where: setups in the order of a round, with times that can be kept."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np

from netcorr.errors import PlanError
from netcorr.planning.short_round import short_round

if TYPE_CHECKING:
    from netcorr.planning.problem import CandidateSites, Ints
    from netcorr.planning.streets import Streets

#: Recordings start at whole multiples of this after midnight UTC. [s]
STEP_S = 300

Action = Literal["place", "stays", "pick up"]


@dataclass(frozen=True)
class Pace:
    """How a crew works.

    Attributes
    ----------
    night_start : datetime
        When the first night begins, with its zone; the others begin at the same time of day.
    night_s : float
        How long a night is, from the first logger placed to the last picked up. [s]
    speed_m_s : float
        Speed between fittings, on foot or by car. [m/s]
    handling_s : float
        Time to put a logger on a fitting, or to take it off. [s]
    margin_s : float
        Time kept free between the last logger placed and the first recording. [s]
    rounds : int
        Recordings of each setup.
    gap_s : float
        From the start of a recording to that of the next. [s]
    record_s : float
        Length of a recording. [s]
    most_setups : int or None
        Setups in a night at most; as many as there is time for when None.

    Raises
    ------
    PlanError
        If a number cannot be right, or the start has no zone.
    """

    night_start: datetime
    night_s: float = 6 * 3600.0
    speed_m_s: float = 4.5 / 3.6
    handling_s: float = 300.0
    margin_s: float = 600.0
    rounds: int = 2
    gap_s: float = 300.0
    record_s: float = 20.0
    most_setups: int | None = None

    def __post_init__(self) -> None:
        rules = {
            "a start without a zone": self.night_start.tzinfo is None,
            "a night without length": not self.night_s > 0,
            "a speed that is not above 0": not self.speed_m_s > 0,
            "a time below 0": min(self.handling_s, self.margin_s, self.record_s) < 0,
            "no recording": self.rounds < 1,
            "recordings that overlap": self.rounds > 1 and self.gap_s <= self.record_s,
            "no setup in a night": self.most_setups is not None and self.most_setups < 1,
        }
        fault = next((text for text, broken in rules.items() if broken), "")
        if fault:
            raise PlanError("timetable", found=fault, remedy="correct the settings of the sweep")

    def night(self, number: int) -> tuple[datetime, datetime]:
        """Begin and end of a night, counted from 1; by the clock on the wall, whatever the season."""
        start = (self.night_start + timedelta(days=number - 1)).astimezone(UTC)
        return start, start + timedelta(seconds=self.night_s)


@dataclass(frozen=True)
class Stop:
    """One fitting visited.

    Attributes
    ----------
    action : {'place', 'stays', 'pick up'}
        What is done; at a site where a logger stays from the setup before, nothing is.
    order : int
        Number within the setup's placing or picking up, from 1; 0 for one that stays.
    site : int
        Number of the site.
    logger : str
        The logger.
    from_site : int
        Site from which the crew comes; -1 at the beginning of a night.
    way_m : float
        Way from there. [m]
    arrive, done : datetime
        When (UTC).
    """

    action: Action
    order: int
    site: int
    logger: str
    from_site: int
    way_m: float
    arrive: datetime
    done: datetime


@dataclass(frozen=True)
class SetupTimes:
    """One setup.

    Attributes
    ----------
    number : int
        Place in the round, from 1.
    given : int
        Its number among the setups given.
    night : int
        Night, from 1.
    stops : tuple of Stop
        Loggers placed and those that stay, then those picked up afterwards.
    recordings : tuple of datetime
        When each recording starts (UTC).
    """

    number: int
    given: int
    night: int
    stops: tuple[Stop, ...]
    recordings: tuple[datetime, ...]

    @property
    def loggers(self) -> dict[str, int]:
        """Site of each logger while it records, in the order of placing."""
        return {stop.logger: stop.site for stop in self.stops if stop.action != "pick up"}

    def of(self, action: Action) -> tuple[Stop, ...]:
        """Stops at which one thing is done."""
        return tuple(stop for stop in self.stops if stop.action == action)


@dataclass(frozen=True)
class Timetable:
    """Setups in the order of a round.

    Attributes
    ----------
    setups : tuple of SetupTimes
        In order.
    pace : Pace
        How the crew works.
    """

    setups: tuple[SetupTimes, ...]
    pace: Pace

    @property
    def nights(self) -> int:
        """Nights it takes."""
        return max((one.night for one in self.setups), default=0)

    @property
    def way_m(self) -> float:
        """All ways together. [m]"""
        return sum(stop.way_m for one in self.setups for stop in one.stops)


@dataclass
class _Crew:
    """Where the crew and the loggers are."""

    clock: datetime
    at: int = -1
    standing: dict[int, str] = field(default_factory=dict)

    @property
    def sites(self) -> Ints:
        """Sites at which loggers stand."""
        return np.array(sorted(self.standing), dtype=np.intp)

    def copy(self) -> _Crew:
        """The same, to try something."""
        return _Crew(self.clock, self.at, dict(self.standing))


def make_timetable(
    streets: Streets,
    sites: CandidateSites,
    setups: Sequence[Ints],
    *,
    loggers: Sequence[str],
    pace: Pace,
) -> Timetable:
    """Order setups into a round, and give every step its time.

    Parameters
    ----------
    streets : Streets
        Ways between fittings.
    sites : CandidateSites
        Sites that `setups` number.
    setups : sequence of numpy.ndarray of int
        Sites of each setup.
    loggers : sequence of str
        Names of the loggers.
    pace : Pace
        How the crew works.

    Returns
    -------
    Timetable
        A logger stays where the next setup of the same night needs the site again. Recordings start when all
        loggers are placed and the margin is over, at the next five minutes of the clock.

    Raises
    ------
    PlanError
        If there are fewer loggers than a setup has sites, a name is given twice, or a setup takes longer than
        a night.
    """
    _check(setups, loggers)
    work = _Work(streets, sites, tuple(loggers), pace)
    found: list[SetupTimes] = []
    night, in_night, crew = 1, 0, _Crew(pace.night(1)[0])
    for number, given in enumerate(_order(streets, sites, setups), start=1):
        wanted = np.asarray(setups[given])
        more = in_night > 0 and (pace.most_setups is None or in_night < pace.most_setups)
        step = work.next_setup(crew, wanted) if more else None
        if step is None or step.home > pace.night(night)[1]:
            if in_night:
                found[-1] = _with(found[-1], work.pick_up(crew, crew.sites))
                night, in_night, crew = night + 1, 0, _Crew(pace.night(night + 1)[0])
            step = work.next_setup(crew, wanted)
        _check_night(number, wanted, step.home, night, pace)
        if in_night:
            found[-1] = _with(found[-1], step.picked)
        crew, in_night = step.crew, in_night + 1
        found.append(SetupTimes(number, given, night, step.placed, step.recordings))
    if found:
        found[-1] = _with(found[-1], work.pick_up(crew, crew.sites))
    return Timetable(tuple(found), pace)


def _with(setup: SetupTimes, stops: tuple[Stop, ...]) -> SetupTimes:
    return replace(setup, stops=setup.stops + stops)


def _check(setups: Sequence[Ints], loggers: Sequence[str]) -> None:
    most = max((len(one) for one in setups), default=0)
    if len(loggers) < most:
        raise PlanError(
            "timetable",
            found=f"{len(loggers)} loggers for a setup of {most} sites",
            remedy="give a name for every logger",
        )
    twice = sorted({name for name in loggers if list(loggers).count(name) > 1})
    if twice:
        raise PlanError(f"logger {twice[0]}", found="its name is given twice", remedy="name each once")


def _check_night(number: int, wanted: Ints, home: datetime, night: int, pace: Pace) -> None:
    start, stop = pace.night(night)
    if home > stop:
        hours = (home - start).total_seconds() / 3600
        raise PlanError(
            f"setup {number}, {len(wanted)} loggers",
            found=f"from the first logger placed to the last picked up it takes {hours:.1f} h, while a night "
            f"has {pace.night_s / 3600:g} h",
            remedy="give fewer loggers, a faster pace, less handling time or a longer night",
        )


def _order(streets: Streets, sites: CandidateSites, setups: Sequence[Ints]) -> list[int]:
    """Setups in the order of a short round; those that share sites are next to each other."""
    if len(setups) < 2:
        return list(range(len(setups)))
    near_m = np.zeros((len(setups), len(setups)))
    every = np.concatenate(setups)
    starts = np.cumsum([0, *(len(one) for one in setups)])[:-1]
    for k, one in enumerate(setups):
        way_m = streets.from_any_m(sites.node[one], sites.node[every])
        near_m[k] = np.add.reduceat(way_m, starts) / np.diff([*starts, len(every)])
    shared = np.array([[len(np.intersect1d(a, b)) for b in setups] for a in setups])
    apart_m = (near_m + near_m.T) / 2 / (1.0 + shared)
    np.fill_diagonal(apart_m, 0.0)
    return [int(k) for k in short_round(apart_m)]


@dataclass(frozen=True)
class _Step:
    """A setup tried: what is picked up before it and placed for it, and when all would be picked up after."""

    picked: tuple[Stop, ...]
    placed: tuple[Stop, ...]
    recordings: tuple[datetime, ...]
    crew: _Crew
    home: datetime


@dataclass(frozen=True)
class _Work:
    """Steps of the work."""

    streets: Streets
    sites: CandidateSites
    loggers: tuple[str, ...]
    pace: Pace

    def next_setup(self, crew: _Crew, wanted: Ints) -> _Step:
        """Pick up what the next setup does not need, place the rest of it, and record."""
        now = crew.copy()
        new = np.setdiff1d(wanted, now.sites)
        picked = self.pick_up(now, np.setdiff1d(now.sites, wanted), toward=new)
        placed = self._place(now, wanted, new)
        recordings = self._record(now)
        after = now.copy()
        self.pick_up(after, after.sites)
        return _Step(picked, placed, recordings, now, after.clock)

    def _place(self, crew: _Crew, wanted: Ints, new: Ints) -> tuple[Stop, ...]:
        free = [name for name in self.loggers if name not in set(crew.standing.values())]
        stops = [
            Stop("stays", 0, int(site), crew.standing[int(site)], crew.at, 0.0, crew.clock, crew.clock)
            for site in wanted
            if int(site) in crew.standing
        ]
        for order, site in enumerate(self._round(crew, new), start=1):
            stop = self._visit(crew, site, "place", free[order - 1], order)
            crew.standing[site] = stop.logger
            stops.append(stop)
        return tuple(stops)

    def pick_up(self, crew: _Crew, leaving: Ints, *, toward: Ints | None = None) -> tuple[Stop, ...]:
        """Pick up loggers, ending near to the sites that come next."""
        stops = []
        for order, site in enumerate(self._round(crew, leaving, toward=toward), start=1):
            stops.append(self._visit(crew, site, "pick up", crew.standing.pop(site), order))
        return tuple(stops)

    def _record(self, crew: _Crew) -> tuple[datetime, ...]:
        pace = self.pace
        ready_s = crew.clock.timestamp() + pace.margin_s
        first = datetime.fromtimestamp(math.ceil(ready_s / STEP_S) * STEP_S, UTC)
        starts = tuple(first + timedelta(seconds=k * pace.gap_s) for k in range(pace.rounds))
        crew.clock = starts[-1] + timedelta(seconds=pace.record_s)
        return starts

    def _round(self, crew: _Crew, visited: Ints, *, toward: Ints | None = None) -> list[int]:
        """Sites in the order of a short way from where the crew is."""
        if not len(visited):
            return []
        node = self.sites.node
        apart_m = self.streets.apart_m(node[visited], node[visited])
        first_m = None if crew.at < 0 else self.streets.apart_m(node[[crew.at]], node[visited])[0]
        last_m = (
            None
            if toward is None or not len(toward)
            else self.streets.from_any_m(node[toward], node[visited])
        )
        return [int(site) for site in visited[short_round(apart_m, first_m=first_m, last_m=last_m)]]

    def _visit(self, crew: _Crew, site: int, action: Action, logger: str, order: int) -> Stop:
        node = self.sites.node
        way_m = 0.0 if crew.at < 0 else float(self.streets.apart_m(node[[crew.at]], node[[site]])[0, 0])
        arrive = crew.clock + timedelta(seconds=way_m / self.pace.speed_m_s)
        done = arrive + timedelta(seconds=self.pace.handling_s)
        stop = Stop(action, order, site, logger, crew.at, way_m, arrive, done)
        crew.clock, crew.at = done, site
        return stop
