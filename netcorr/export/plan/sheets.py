"""Printable sheets of a plan: one page for each setup, with map, times, loggers and cautions."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from markupsafe import Markup

from netcorr.errors import ExportError
from netcorr.export.cautions import CAUTIONS
from netcorr.export.fix_words import extent
from netcorr.export.plain_text import plain_text
from netcorr.export.plan.round_rows import covered_in, wall_clock
from netcorr.export.plan.sheet_map import sheet_map
from netcorr.export.safe_file import check_folder, replacing
from netcorr.planning.streets import Streets
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.planning.plan import Plan
    from netcorr.planning.problem import Flags
    from netcorr.planning.timetable import SetupTimes, Stop, Timetable

_TEMPLATES = Path(__file__).parent / "templates"
#: Marks a file of ours, so that no other file is replaced.
MARK = '<meta name="generator" content="netcorr plan sheets">'
#: Loggers that fit on a page in one table, and in two beside each other.
_ONE_TABLE, _TWO_TABLES = 36, 64
#: Loggers up to which the order of picking up names them; else it gives the numbers of the map.
_NAMED = 16
#: Height of the page, of what stands above and below map and table, and of the least map. [mm]
_PAGE_MM, _REST_MM, _LEAST_MAP_MM = 257.0, 103.0, 60.0


def check_sheets(target: Path) -> None:
    """Refuse a name at which sheets cannot be written without losing something.

    Raises
    ------
    ExportError
        If so.
    """
    check_folder(target)
    if target.exists() and MARK.encode() not in target.read_bytes()[:4096]:
        raise ExportError(
            str(target),
            found="it exists and holds no earlier sheets",
            remedy="choose another name, or move that file away first",
        )


def write_sheets(
    plan: Plan,
    timetable: Timetable,
    path: str | os.PathLike[str],
    *,
    addresses: Mapping[str, str],
    units: UnitSystem = "metric",
) -> None:
    """Write the sheets of a plan as one HTML file that needs nothing else; every setup is one printed page.

    Parameters
    ----------
    plan : Plan
        The plan.
    timetable : Timetable
        When its setups are made.
    path : str or path-like
        File to write, ending in ``.html``.
    addresses : mapping of str to str
        Address of each fitting, by its id.
    units : {'metric', 'us'}
        Units of lengths.

    Raises
    ------
    ExportError
        If it cannot be written, or would replace something else.
    """
    target = Path(path)
    check_sheets(target)
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    streets = Streets(plan.mains.network)
    pages = [
        _page(plan, timetable, one, covered, streets=streets, addresses=addresses, units=units)
        for one, covered in zip(timetable.setups, covered_in(plan, timetable), strict=True)
    ]
    text = environment.get_template("sheets.html").render(
        mark=Markup(MARK),
        style=Markup((_TEMPLATES / "sheets.css").read_text(encoding="utf-8")),
        source=plain_text(plan.mains.network.source),
        pages=pages,
        cautions=CAUTIONS,
    )
    with replacing(target) as draft:
        draft.write_text(text, encoding="utf-8")


def _page(
    plan: Plan,
    timetable: Timetable,
    one: SetupTimes,
    covered: Flags,
    *,
    streets: Streets,
    addresses: Mapping[str, str],
    units: UnitSystem,
) -> dict[str, Any]:
    """Everything that stands on one sheet, as text."""
    zone, pace = timetable.pace.night_start.tzinfo, timetable.pace
    here = [stop for stop in one.stops if stop.action != "pick up"]
    rows = [_row(plan, stop, addresses, zone, units) for stop in here]
    columns = 1 if len(rows) <= _ONE_TABLE else 2
    lines = -(-len(rows) // columns)
    row_mm = min(6.2, max((_PAGE_MM - _REST_MM - _LEAST_MAP_MM) / max(lines, 1), 2.9))
    map_mm = max(_PAGE_MM - _REST_MM - row_mm * (lines + 1), _LEAST_MAP_MM)
    picked = one.of("pick up")
    stay = {logger: site for logger, site in one.loggers.items() if logger not in {s.logger for s in picked}}
    last = one.recordings[-1] + timedelta(seconds=pace.record_s + 59)  # the next full minute
    begins = one.stops[0].arrive.astimezone(zone)
    order = {stop.site: stop.order for stop in here if stop.action == "place"}
    by_number = len(rows) > _NAMED and all(stop.site in order for stop in picked)
    return {
        "number": one.number,
        "of": len(timetable.setups),
        "night": one.night,
        "nights": timetable.nights,
        "date": begins.strftime("%Y-%m-%d"),
        "zone": begins.strftime("%Z") or "UTC",
        "begins": wall_clock(one.stops[0].arrive, zone),
        "placed": wall_clock(max(stop.done for stop in here), zone),
        "recordings": [wall_clock(moment, zone) for moment in one.recordings],
        "record_s": f"{pace.record_s:g}",
        "pick_up": wall_clock(last, zone) if picked else "",
        "ends": wall_clock(one.stops[-1].done, zone),
        "loggers": len(here),
        "covered": extent(plan.length_m(covered), units),
        "way": extent(sum(stop.way_m for stop in one.stops), units),
        "has_addresses": any(row["address"] for row in rows),
        "row_mm": f"{row_mm:.2f}",
        "font_pt": f"{min(9.5, max(2.35 * row_mm, 6.6)):.1f}",
        "two": columns == 2,
        "fits": len(rows) <= _TWO_TABLES,
        "tables": [rows[k * lines : (k + 1) * lines] for k in range(columns)],
        "by_number": by_number,
        "pick_ups": [
            str(order[stop.site]) if by_number else f"{plain_text(stop.logger)} at {_label(plan, stop.site)}"
            for stop in picked
        ],
        "stay": [f"{plain_text(logger)} at {_label(plan, site)}" for logger, site in stay.items()],
        "map": sheet_map(plan, one, covered, streets=streets, height=720.0 * map_mm / 186.0, units=units),
    }


def _label(plan: Plan, site: int) -> str:
    return plain_text(plan.problem.sites.fitting[site])


def _row(
    plan: Plan, stop: Stop, addresses: Mapping[str, str], zone: Any, units: UnitSystem
) -> dict[str, Any]:
    name = str(plan.problem.sites.fitting[stop.site])
    stays = stop.action == "stays"
    return {
        "order": "•" if stays else str(stop.order),
        "time": "stays" if stays else wall_clock(stop.arrive, zone),
        "logger": plain_text(stop.logger),
        "kind": plan.mains.network.fittings.at[name, "kind"],
        "fitting": plain_text(name),
        "address": plain_text(addresses.get(name, "")),
        "way": "" if stays or stop.from_site < 0 else extent(stop.way_m, units),
    }
