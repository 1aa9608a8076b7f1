"""The map of one setup for a printed sheet: what it covers, where loggers go, and the way between."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from markupsafe import Markup

from netcorr.export.local_plane import LocalPlane
from netcorr.export.palette import look_of, width_of
from netcorr.export.report.svg import element, group, number, points
from netcorr.export.scale_bar import round_length
from netcorr.units import FOOT_M

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.planning.plan import Plan
    from netcorr.planning.problem import Flags
    from netcorr.planning.streets import Streets
    from netcorr.planning.timetable import SetupTimes, Stop
    from netcorr.units import UnitSystem

#: Width of the drawing, and its margin. [units of the drawing]
WIDTH, _MARGIN = 720.0, 30.0
#: Radius of a numbered mark, and how far apart the middles of two are kept. [units of the drawing]
_RADIUS, _APART = 10.0, 21.0


@dataclass(frozen=True, eq=False)
class _Frame:
    """From the map's CRS to the drawing: true north up, a metre a metre in every direction."""

    plane: LocalPlane
    x_m: float
    y_m: float
    per_m: float
    height: float

    def xy(self, shape: Any) -> NDArray[np.float64]:
        """Points of a shape in this plane, on the drawing."""
        at = shapely.get_coordinates(shape)
        x = WIDTH / 2 + (at[:, 0] - self.x_m) * self.per_m
        y = self.height / 2 - (at[:, 1] - self.y_m) * self.per_m
        return np.column_stack([x, y])

    def box_m(self) -> Any:
        """What the drawing shows, in the plane."""
        w, h = WIDTH / 2 / self.per_m, self.height / 2 / self.per_m
        return shapely.box(self.x_m - w, self.y_m - h, self.x_m + w, self.y_m + h)


def sheet_map(
    plan: Plan,
    one: SetupTimes,
    covered: Flags,
    *,
    streets: Streets,
    height: float,
    units: UnitSystem,
) -> Markup:
    """Draw the map of a setup.

    Parameters
    ----------
    plan : Plan
        The plan.
    one : SetupTimes
        The setup.
    covered : numpy.ndarray of bool, shape (n,)
        Stretches that it covers.
    streets : Streets
        Ways between fittings.
    height : float
        Height of the drawing, for a width of `WIDTH`.
    units : {'metric', 'us'}
        Units of the scale bar.

    Returns
    -------
    markupsafe.Markup
        An SVG element.
    """
    network = plan.mains.network
    table = network.fittings
    stops = [stop for stop in one.stops if stop.action != "pick up"]
    names = [str(plan.problem.sites.fitting[stop.site]) for stop in stops]
    places = table.geometry.loc[names].tolist()
    own = [plan.mains.edges[int(k)]["geometry"] for k in np.flatnonzero(covered)]
    frame = _frame([*places, *own], plan, height)
    ways = list(_ways(plan, stops, streets))
    parts = [
        element("rect", x=0, y=0, width=WIDTH, height=height, class_="ground"),
        group(_lines(frame, own, class_="covered"), class_="halos"),
        group(_mains(plan, frame), class_="mains"),
        group(_lines(frame, ways, class_="way"), class_="ways"),
        group(_other_fittings(plan, frame, set(names)), class_="others"),
        group(_marks(frame, places, stops), class_="marks"),
        _scale(frame, units),
        _north(),
    ]
    view = f"0 0 {number(WIDTH)} {number(height)}"
    title = element("title", f"Map of setup {one.number} with {len(stops)} loggers")
    return element("svg", title, *parts, viewBox=view, role="img", class_="map")


def _frame(shapes: Sequence[Any], plan: Plan, height: float) -> _Frame:
    plane = LocalPlane.about(shapes, plan.mains.network.crs)
    west, south, east, north = shapely.total_bounds(plane.from_map(shapes)).tolist()
    per_m = min(
        (WIDTH - 2 * _MARGIN) / max(east - west, 60.0), (height - 2 * _MARGIN) / max(north - south, 60.0)
    )
    return _Frame(plane, (west + east) / 2, (south + north) / 2, per_m, height)


def _lines(frame: _Frame, shapes: Sequence[Any], *, class_: str) -> Iterator[Markup]:
    for shape in frame.plane.from_map(shapes) if len(shapes) else ():
        yield element("polyline", points=points(frame.xy(shape).tolist()), class_=class_)


def _mains(plan: Plan, frame: _Frame) -> Iterator[Markup]:
    """Mains in view, those that are closed pale."""
    near = shapely.box(*shapely.total_bounds(frame.plane.to_map([frame.box_m()])))
    edges = [data for _, _, data in plan.mains.network.graph.edges(data=True) if data["drawn_length_m"] > 0]
    shown = [edge for edge in edges if edge["geometry"].intersects(near)]
    shapes = frame.plane.from_map([edge["geometry"] for edge in shown]) if shown else ()
    for edge, shape in zip(shown, shapes, strict=True):
        look = look_of(edge["material"]) if edge["is_open"] else "closed"
        width = number(0.6 + 0.8 * width_of(edge["diameter_mm"]), 1)
        line = points(frame.xy(shape).tolist())
        yield element("polyline", points=line, class_=f"main {look}", style=f"stroke-width:{width}")


def _ways(plan: Plan, stops: Iterable[Stop], streets: Streets) -> Iterator[Any]:
    """Ways of the crew from one placing to the next."""
    node = plan.problem.sites.node
    placed = [stop for stop in stops if stop.action == "place"]
    for before, stop in pairwise(placed):
        line, _ = streets.way(int(node[before.site]), int(node[stop.site]), within_m=stop.way_m + 1.0)
        if line is not None:
            yield line


def _other_fittings(plan: Plan, frame: _Frame, taken: set[str]) -> Iterator[Markup]:
    table = plan.mains.network.fittings
    others = table[~table.index.isin(taken) & ~table.geometry.is_empty & table.geometry.notna()]
    near = shapely.box(*shapely.total_bounds(frame.plane.to_map([frame.box_m()])))
    shown = others[others.intersects(near)]
    for shape in frame.plane.from_map(shown.geometry) if len(shown) else ():
        x, y = frame.xy(shape)[0].tolist()
        yield element("circle", cx=number(x), cy=number(y), r=1.8, class_="other")


def _marks(frame: _Frame, places: Sequence[Any], stops: Sequence[Stop]) -> Iterator[Markup]:
    """Numbers in the order of placing; a mark that gives way to another is tied to its place."""
    at = np.array([frame.xy(shape)[0] for shape in frame.plane.from_map(places)])
    edge = _RADIUS + 1
    shown = spread_apart(at, apart=_APART, low=edge, high=(WIDTH - edge, frame.height - edge))
    for (x, y), (u, v) in zip(at.tolist(), shown.tolist(), strict=True):
        if np.hypot(u - x, v - y) > 2.0:
            yield element("line", x1=x, y1=y, x2=u, y2=v, class_="tie")
        yield element("circle", cx=number(x), cy=number(y), r=2.4, class_="place")
    for (u, v), stop in zip(shown.tolist(), stops, strict=True):
        stays = stop.action == "stays"
        label = "•" if stays else str(stop.order)
        yield element(
            "g",
            element("circle", r=_RADIUS),
            element("text", label, y=4.2, text_anchor="middle"),
            class_="mark stays" if stays else "mark",
            transform=f"translate({number(u)} {number(v)})",
        )


def spread_apart(
    at: NDArray[np.float64], *, apart: float, low: float, high: tuple[float, float]
) -> NDArray[np.float64]:
    """Move marks until no two overlap, each as little as it takes.

    Parameters
    ----------
    at : numpy.ndarray of float, shape (n, 2)
        Where they belong.
    apart : float
        Distance that two keep.
    low : float
        Least coordinate.
    high : (float, float)
        Largest coordinates.

    Returns
    -------
    numpy.ndarray of float, shape (n, 2)
        Where they go.
    """
    moved = at + 1e-3 * np.column_stack([np.cos(np.arange(len(at))), np.sin(np.arange(len(at)))])
    for _ in range(400):
        gap = moved[:, None] - moved[None, :]
        distance = np.maximum(np.hypot(gap[..., 0], gap[..., 1]), 1e-9)
        push = np.where(distance < apart, (apart - distance) / 2, 0.0)
        np.fill_diagonal(push, 0.0)
        if push.max(initial=0.0) < 0.05:
            break
        moved = moved + 0.6 * (gap / distance[..., None] * push[..., None]).sum(axis=1)
        moved = np.clip(moved, low, high)
    return np.asarray(moved)


def _scale(frame: _Frame, units: UnitSystem) -> Markup:
    unit_m, unit = (FOOT_M, "ft") if units == "us" else (1.0, "m")
    bar = round_length(0.22 * WIDTH / frame.per_m / unit_m)
    length, y = bar * unit_m * frame.per_m, frame.height - 14
    line = element(
        "polyline",
        points=points([(14, y - 5), (14, y), (14 + length, y), (14 + length, y - 5)]),
        class_="scale",
    )
    return element("g", line, element("text", f"{bar:g} {unit}", x=18 + length, y=y, class_="note"))


def _north() -> Markup:
    arrow = element("path", d="M0 -13L6 8L0 3L-6 8Z", class_="north")
    name = element("text", "N", y=-16, text_anchor="middle", class_="note")
    return element("g", arrow, name, transform="translate(700 34)")
