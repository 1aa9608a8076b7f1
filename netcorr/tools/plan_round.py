"""The options about the crew's nights, read, and the timetable made of them."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING

from netcorr.errors import PlanError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netcorr.planning import Plan
    from netcorr.planning.timetable import Pace, Timetable


def read_pace(
    *,
    first_night: str | None,
    night: str,
    time_zone: str | None,
    travel_km_h: float,
    handling_min: float,
    spare_min: float,
    rounds: int,
    every_min: float,
    record_s: float,
    setups_a_night: int | None,
) -> Pace:
    """How a crew works, from the options as typed.

    Raises
    ------
    UsageError
        If one cannot be understood.
    """
    from netcorr.planning.timetable import Pace

    begin, end = _hours(night)
    day = _day(first_night)
    zone = _zone(time_zone)
    start = datetime(day.year, day.month, day.day, *begin)
    start = start.astimezone() if zone is None else start.replace(tzinfo=zone)
    minutes = (end[0] * 60 + end[1]) - (begin[0] * 60 + begin[1])
    try:
        return Pace(
            night_start=start,
            night_s=60.0 * (minutes if minutes > 0 else minutes + 24 * 60),
            speed_m_s=travel_km_h / 3.6,
            handling_s=60 * handling_min,
            margin_s=60 * spare_min,
            rounds=rounds,
            gap_s=60 * every_min,
            record_s=record_s,
            most_setups=setups_a_night,
        )
    except PlanError as error:
        raise UsageError(error.item, found=error.found, remedy=error.remedy) from error


def _hours(text: str) -> tuple[tuple[int, int], tuple[int, int]]:
    found = re.fullmatch(r"\s*(\d{1,2}):(\d\d)\s*-\s*(\d{1,2}):(\d\d)\s*", text)
    numbers = [int(part) for part in found.groups()] if found else []
    if not numbers or max(numbers[0], numbers[2]) > 23 or max(numbers[1], numbers[3]) > 59:
        raise UsageError("Night (--night)", found=text, remedy="give two times of day, such as 22:00-05:00")
    return (numbers[0], numbers[1]), (numbers[2], numbers[3])


def _day(text: str | None) -> date:
    if text is None:
        return (datetime.now().astimezone() + timedelta(days=1)).date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(
            "First night (--first-night)", found=text, remedy="give a day, such as 2026-03-01"
        ) from None


def _zone(text: str | None) -> tzinfo | None:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    if text is None:
        return None
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(
            "Time zone (--time-zone)", found=text, remedy="give a zone such as Europe/Lisbon, or UTC"
        ) from None


def read_names(text: str | None, count: int | None) -> tuple[str, ...]:
    """Names of the loggers: as typed, else numbers.

    Parameters
    ----------
    text : str, optional
        Names parted by commas.
    count : int, optional
        Loggers there are.

    Returns
    -------
    tuple of str
        A name for each.

    Raises
    ------
    UsageError
        If there are fewer than loggers, or one is given twice.

    Examples
    --------
    >>> read_names(None, 3), read_names("ash, elm, oak", 2)
    (('L01', 'L02', 'L03'), ('ash', 'elm'))
    """
    if count is None:
        return ()
    if text is None:
        digits = max(2, len(str(count)))
        return tuple(f"L{k:0{digits}}" for k in range(1, count + 1))
    names = tuple(part.strip() for part in text.split(",") if part.strip())
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UsageError(
            "Names of the loggers (--logger-names)", found=f"{twice[0]} twice", remedy="name each once"
        )
    if len(names) < count:
        raise UsageError(
            "Names of the loggers (--logger-names)",
            found=f"{len(names)} names for {count} loggers",
            remedy="name them all, or leave the names out",
        )
    return names[:count]


def round_of(plan: Plan, pace: Pace, names: Sequence[str]) -> Timetable:
    """Timetable of a plan's setups.

    Raises
    ------
    PlanError
        If a setup takes longer than a night.
    """
    from netcorr.planning.streets import Streets
    from netcorr.planning.timetable import make_timetable

    streets = Streets(plan.mains.network)
    return make_timetable(streets, plan.problem.sites, plan.setups, loggers=names, pace=pace)
