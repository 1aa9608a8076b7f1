"""The tables of deployments of a plan: everything filled in but the recordings."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from netcorr.errors import ExportError
from netcorr.export.deployment_draft import DEPLOYMENT_COLUMNS
from netcorr.export.plain_text import plain_text
from netcorr.export.plan.round_rows import wall_clock
from netcorr.export.safe_file import check_folder, replacing

if TYPE_CHECKING:
    from netcorr.planning.plan import Plan
    from netcorr.planning.timetable import SetupTimes, Timetable

#: Columns, those that `netcorr locate` reads first; `recording`, the clock and the lead are for the crew.
COLUMNS = (
    *DEPLOYMENT_COLUMNS,
    "lon",
    "lat",
    "setup",
    "night",
    "order",
    "place_at",
    "address",
)


def deployment_files(path: Path, count: int) -> tuple[Path, ...]:
    """Names of the tables: the given one, or one for each setup with its number before the ending.

    Examples
    --------
    >>> [file.name for file in deployment_files(Path("deployments.csv"), 2)]
    ['deployments_setup1.csv', 'deployments_setup2.csv']
    """
    if count < 2:
        return (path,)
    digits = len(str(count))
    return tuple(path.with_name(f"{path.stem}_setup{k:0{digits}}{path.suffix}") for k in range(1, count + 1))


def check_deployments(path: Path) -> None:
    """Refuse a table into which recordings were already filled, or that has no folder.

    Raises
    ------
    ExportError
        If so.
    """
    check_folder(path)
    if not path.exists():
        return
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            rows = list(csv.DictReader(stream))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ExportError(
            str(path), found="it exists and is no table of deployments", remedy="choose another name"
        ) from error
    if rows and "recording" not in rows[0]:
        raise ExportError(
            str(path), found="it exists and is no table of deployments", remedy="choose another name"
        )
    filled = sum(bool((row.get("recording") or "").strip()) for row in rows)
    if filled:
        raise ExportError(
            str(path),
            found=f"recordings are filled in already, in {filled} of {len(rows)} rows",
            remedy="choose another name, or move that table away first",
        )


def write_deployments(
    plan: Plan, timetable: Timetable, path: str | os.PathLike[str], *, addresses: Mapping[str, str]
) -> tuple[Path, ...]:
    """Write a table of deployments for every setup.

    Parameters
    ----------
    plan : Plan
        The plan.
    timetable : Timetable
        When its setups are made.
    path : str or path-like
        CSV file; with several setups each has a file of its own, since a logger stays where it is in a
        survey: see `deployment_files`.
    addresses : mapping of str to str
        Address of each fitting, by its id.

    Returns
    -------
    tuple of pathlib.Path
        Files written, in the order of the round.

    Raises
    ------
    ExportError
        If one cannot be written, or holds recordings already.
    """
    files = deployment_files(Path(path), len(timetable.setups))
    for file in files:
        check_deployments(file)
    for file, one in zip(files, timetable.setups, strict=True):
        with replacing(file) as draft, draft.open("w", newline="", encoding="utf-8") as stream:
            writer = csv.writer(stream)
            writer.writerow(COLUMNS)
            writer.writerows(_rows(plan, timetable, one, addresses))
    return files


def _rows(
    plan: Plan, timetable: Timetable, one: SetupTimes, addresses: Mapping[str, str]
) -> Iterator[list[str]]:
    table, zone = plan.mains.network.fittings, timetable.pace.night_start.tzinfo
    stops = [stop for stop in one.stops if stop.action != "pick up"]
    names = [str(plan.problem.sites.fitting[stop.site]) for stop in stops]
    places = table.geometry.loc[names].to_crs(4326)
    lon, lat = places.x.to_numpy(), places.y.to_numpy()
    for moment in one.recordings:
        start = moment.astimezone(zone).isoformat()
        for k, (stop, name) in enumerate(zip(stops, names, strict=True)):
            stays = stop.action == "stays"
            yield [
                plain_text(stop.logger),
                name,
                "",
                start,
                "",
                "",
                "",
                "stands there from the setup before" if stays else "",
                f"{lon[k]:.7f}",
                f"{lat[k]:.7f}",
                str(one.number),
                str(one.night),
                "" if stays else str(stop.order),
                "" if stays else wall_clock(stop.arrive, zone),
                plain_text(addresses.get(name, "")),
            ]
