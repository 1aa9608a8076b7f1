"""The map of a survey as vectors, to be moved and enlarged in the page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyproj
import shapely
from markupsafe import Markup

from netcorr.export.local_plane import LocalPlane
from netcorr.export.palette import LOOKS, look_of, width_of
from netcorr.export.plain_text import plain_text
from netcorr.export.report.figure import DataTable
from netcorr.export.report.svg import element, group, number, points
from netcorr.export.result_tables import path_line
from netcorr.export.scale_bar import round_length
from netcorr.export.sentences import fitting_label, percent
from netcorr.units import FOOT_M, UnitSystem

if TYPE_CHECKING:
    from netcorr.export.read_result import StoredResult
    from netcorr.position.fix import Candidate

#: Size of the drawing in its own units.
WIDTH, HEIGHT = 960.0, 600.0
_MARGIN = 60.0
#: Share of the largest likelihood below which a main is drawn without a shade.
_FAINT = 0.02


@dataclass(frozen=True)
class SurveyMap:
    """The map and what explains it.

    Attributes
    ----------
    content : markupsafe.Markup
        What moves when the map is moved.
    scale_m : float
        Length of the scale bar as first drawn. [m]
    scale_units : float
        The same in units of the drawing.
    legend : tuple of (str, str)
        Class of the sample, and words.
    table : DataTable
        Sensors and candidates with their coordinates.
    """

    content: Markup
    scale_m: float
    scale_units: float
    legend: tuple[tuple[str, str], ...]
    table: DataTable


@dataclass(frozen=True, eq=False)
class _Drawing:
    """From the map's CRS to the drawing: metres about the survey, then units, downwards."""

    plane: LocalPlane
    x_m: float
    y_m: float
    per_m: float

    def lines(self, shapes: Iterable[Any]) -> list[list[tuple[float, float]]]:
        """Points of each shape."""
        return [self._points(shape) for shape in self.plane.from_map(list(shapes))]

    def _points(self, shape: Any) -> list[tuple[float, float]]:
        xy = shapely.get_coordinates(shape)
        x = WIDTH / 2 + (xy[:, 0] - self.x_m) * self.per_m
        y = HEIGHT / 2 - (xy[:, 1] - self.y_m) * self.per_m
        return list(zip(x.tolist(), y.tolist(), strict=True))


def survey_map(result: StoredResult, *, units: UnitSystem) -> SurveyMap:
    """Draw the map of a survey.

    Parameters
    ----------
    result : StoredResult
        The result.
    units : {'metric', 'us'}
        Units of the scale bar.

    Returns
    -------
    SurveyMap
        With true north up, a metre being a metre in every direction.

    Raises
    ------
    ExportError
        If the survey has no place on the earth.
    """
    fix = result.fix
    drawing = _drawing(result)
    looks: dict[str, None] = {}
    parts = [
        group(_halos(result, drawing), class_="paths"),
        group(_likelihood(result, drawing), class_="likelihood"),
        group(_areas(result, drawing), class_="areas"),
        group(_mains(result, drawing, looks), class_="mains"),
        group(_stretches(fix.candidates, drawing), class_="stretches"),
        group(_fittings(result, drawing), class_="fittings"),
        group(_sensors(result, drawing), class_="sensors"),
        group(_candidates(result, drawing), class_="candidates"),
    ]
    unit_m, _ = _unit(units)
    bar_m = round_length(0.2 * WIDTH / drawing.per_m / unit_m) * unit_m
    return SurveyMap(
        content=Markup("").join(parts),
        scale_m=bar_m,
        scale_units=bar_m * drawing.per_m,
        legend=_legend(result, looks),
        table=_table(result),
    )


def _unit(units: UnitSystem) -> tuple[float, str]:
    return (FOOT_M, "ft") if units == "us" else (1.0, "m")


def _drawing(result: StoredResult) -> _Drawing:
    lines = [path_line(pair.path) for pair in result.fix.pairs]
    plane = LocalPlane.about(lines, result.fix.network.crs)
    shown = [*lines, *(candidate.point for candidate in result.fix.candidates)]
    west, south, east, north = shapely.total_bounds(plane.from_map(shown)).tolist()
    per_m = min(
        (WIDTH - 2 * _MARGIN) / max(east - west, 20.0), (HEIGHT - 2 * _MARGIN) / max(north - south, 20.0)
    )
    return _Drawing(plane, (west + east) / 2, (south + north) / 2, 0.85 * per_m)


def _likelihood(result: StoredResult, drawing: _Drawing) -> Iterator[Markup]:
    """Shade mains by the likelihood of a leak, all loggers together."""
    table = result.likelihood
    if table is None or not len(table):
        return
    column = next(
        (name for name in ("probability_per_m", "likelihood", "probability") if name in table), None
    )
    if column is None:
        return
    values = table[column].to_numpy(dtype=float)
    top = float(np.nanmax(values)) if np.isfinite(values).any() else 0.0
    for line, value in zip(drawing.lines(table.geometry), values, strict=True):
        share = value / top if top > 0 else 0.0
        if share > _FAINT and len(line) > 1:
            yield element(
                "polyline", points=points(line), class_="likely", style=f"opacity:{number(share**0.5, 2)}"
            )


def _halos(result: StoredResult, drawing: _Drawing) -> Iterator[Markup]:
    for line in drawing.lines(path_line(pair.path) for pair in result.fix.pairs):
        yield element("polyline", points=points(line), class_="halo")


def _areas(result: StoredResult, drawing: _Drawing) -> Iterator[Markup]:
    """Outline of every area to search, its holes left open."""
    for part, shape in zip(result.areas["part"], result.areas.geometry, strict=True):
        rings = [
            ring for polygon in shapely.get_parts(shape) for ring in (polygon.exterior, *polygon.interiors)
        ]
        path = Markup("").join(Markup("M{}Z").format(points(line)) for line in drawing.lines(rings))
        yield element("path", d=path, fill_rule="evenodd", class_="area" if part == "main" else "area side")


def _mains(result: StoredResult, drawing: _Drawing, looks: dict[str, None]) -> Iterator[Markup]:
    edges = [data for _, _, data in result.fix.network.graph.edges(data=True)]
    for edge, line in zip(edges, drawing.lines(edge["geometry"] for edge in edges), strict=True):
        look = look_of(edge["material"]) if edge["is_open"] else "closed"
        looks[look] = None
        width = number(1.1 + width_of(edge["diameter_mm"]), 1)
        title = element("title", f"main {edge['pipe_id']}")
        yield element(
            "polyline", title, points=points(line), class_=f"main {look}", style=f"stroke-width:{width}"
        )


def _stretches(candidates: Iterable[Candidate], drawing: _Drawing) -> Iterator[Markup]:
    for candidate in candidates:
        for line in drawing.lines(candidate.stretches):
            yield element("polyline", points=points(line), class_="leak-line")


def _pin(at: tuple[float, float], *parts: Markup, class_: str) -> Markup:
    """Mark that keeps its size when the map is enlarged."""
    x, y = (number(value, 1) for value in at)
    return element("g", *parts, class_=f"pin {class_}", data_x=x, data_y=y, transform=f"translate({x} {y})")


def _fittings(result: StoredResult, drawing: _Drawing) -> Iterator[Markup]:
    fittings = result.fix.network.fittings
    ends = _sensor_names(result)
    for name, row, line in zip(
        fittings.index, fittings["kind"], drawing.lines(fittings.geometry), strict=True
    ):
        if name in ends or not line:
            continue
        words = [element("title", f"{row} {name}"), element("circle", r=3.2)]
        label = element("text", str(name), x=7, y=4, class_="fine")
        yield _pin(line[0], *words, label, class_="fitting")


def _sensor_names(result: StoredResult) -> dict[str, str]:
    """Fittings of the sensors with their loggers."""
    found: dict[str, str] = {}
    for pair in result.fix.pairs:
        found.setdefault(pair.path.sensor_a, pair.logger_a)
        found.setdefault(pair.path.sensor_b, pair.logger_b)
    return found


def _sensors(result: StoredResult, drawing: _Drawing) -> Iterator[Markup]:
    fittings = result.fix.network.fittings
    for name in _sensor_names(result):
        if name not in fittings.index:
            continue
        [line] = drawing.lines([fittings.geometry.loc[name]])
        mark = element("rect", x=-6, y=-6, width=12, height=12)
        yield _pin(line[0], mark, element("text", str(name), x=11, y=-8), class_="sensor")


def _candidates(result: StoredResult, drawing: _Drawing) -> Iterator[Markup]:
    for candidate in reversed(result.fix.candidates):
        [line] = drawing.lines([candidate.point])
        diamond = {"d": "M-8 0L0 -8L8 0L0 8Z"}
        mark = element("circle", r=5.5) if candidate.in_bracket else element("path", **diamond)
        text = element("text", f"{candidate.rank}", x=0, y=-12, text_anchor="middle")
        kind = "candidate" if candidate.in_bracket else "candidate beyond"
        title = element("title", f"candidate {candidate.rank}, {percent(candidate.probability)}")
        yield _pin(line[0], title, mark, text, class_=kind)


def _legend(result: StoredResult, looks: dict[str, None]) -> tuple[tuple[str, str], ...]:
    candidates = result.fix.candidates
    lines: list[tuple[str, str]] = []
    if any(c.in_bracket for c in candidates):
        lines.append(("k-candidate", "leak candidate, numbered by rank"))
        lines.append(("k-stretch", "95 % stretch of main, with the area to search"))
    if any(not c.in_bracket for c in candidates):
        lines.append(("k-beyond", "noise from at or beyond this sensor: do not dig here"))
    if len(result.areas) and (result.areas["part"] != "main").any():
        lines.append(("k-side", "pipes that cannot be told apart from it"))
    lines += [("k-sensor", "sensor"), ("k-path", "pipe between two sensors"), ("k-fitting", "other fitting")]
    if result.likelihood is not None and len(result.likelihood):
        lines.append(("k-likely", "likelihood of a leak, all loggers together"))
    lines += [(f"k-main {key}", f"main, {LOOKS[key].label}") for key in LOOKS if key in looks]
    if "closed" in looks:
        lines.append(("k-main closed", "main or valve that is closed"))
    return tuple(lines)


def _table(result: StoredResult) -> DataTable:
    crs = result.fix.network.crs
    to_degrees = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)

    def cells(point: shapely.Point) -> tuple[str, str]:
        lon, lat = to_degrees.transform(point.x, point.y)
        return f"{lat:.6f}, {lon:.6f}", f"{point.x:.2f}, {point.y:.2f}"

    fittings = result.fix.network.fittings
    rows = [
        (f"candidate {c.rank}", f"{c.outcome}, {percent(c.probability)}", *cells(c.point))
        for c in result.fix.candidates
    ]
    rows += [
        (
            fitting_label(name, result.fix),
            f"sensor, logger {plain_text(logger)}",
            *cells(fittings.geometry.loc[name]),
        )
        for name, logger in _sensor_names(result).items()
        if name in fittings.index
    ]
    local = plain_text(f"X, Y ({crs.name})")
    return DataTable(("What", "Says", "Latitude, longitude (WGS 84)", local), tuple(rows))
