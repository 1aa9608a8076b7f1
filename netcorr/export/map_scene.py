"""The picture of the map put together: surroundings, close-up, title and legend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from matplotlib.patches import ConnectionPatch, Rectangle
from matplotlib.transforms import Bbox

from netcorr.export.ground_area import widened_area
from netcorr.export.labels import Label, place_labels
from netcorr.export.local_plane import LocalPlane
from netcorr.export.map_legend import draw_legend, map_titles
from netcorr.export.map_panel import (
    DrawnMains,
    View,
    draw_area,
    draw_mains,
    draw_north,
    draw_path,
    draw_scale_bar,
    drawn_mains,
    emptiest_corners,
    points_along,
    prepare_panel,
    ratio_of,
)
from netcorr.export.palette import INK, LEAK, PATH, QUIET, SENSOR
from netcorr.export.plain_text import plain_text
from netcorr.export.result_tables import path_line
from netcorr.export.sentences import fitting_label, pipe_label
from netcorr.units import UnitSystem, format_length

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from netcorr.position.fix import Candidate, SurveyFix

#: The scale bar keeps the lower left corner. [share of the panel]
_SCALE_BOX = Bbox.from_extents(0.0, 0.0, 0.34, 0.11)
_LOCATOR = 0.25
#: A label over a mark is as bad as over so many points of a line.
_WEIGHT_OF_A_MARK = 6


@dataclass(frozen=True, eq=False)
class _Scene:
    """What is drawn, in one local plane."""

    fix: SurveyFix
    plane: LocalPlane
    mains: DrawnMains
    best: Candidate | None
    paths: tuple[shapely.LineString, ...]
    sensors: dict[str, shapely.Point]
    units: UnitSystem


def compose_map(figure: Figure, fix: SurveyFix, *, units: UnitSystem) -> None:
    """Draw the result of a survey on a figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Empty, with a canvas.
    fix : SurveyFix
        The answer, with at least one pair.
    units : {'metric', 'us'}
        Units of texts and scale bars.
    """
    scene = _scene(fix, units)
    map_titles(figure, fix, units=units)
    main = figure.add_axes((0.025, 0.075, 0.6, 0.79))
    side = figure.add_axes((0.645, 0.4, 0.33, 0.465))
    close_up = _close_up(side, scene)
    used = _draw_main(main, scene, close_up)
    if scene.best is None:
        used |= _draw_whole(side, scene)
    else:
        _draw_side(side, scene, close_up, scene.best)
        _tie(figure, main, side, close_up)
    draw_legend(figure, fix, used, units=units)


def _scene(fix: SurveyFix, units: UnitSystem) -> _Scene:
    lines = [path_line(pair.path) for pair in fix.pairs]
    plane = LocalPlane.about(lines, fix.network.crs)
    ends = dict.fromkeys(end for pair in fix.pairs for end in (pair.path.sensor_a, pair.path.sensor_b))
    known = [end for end in ends if end in fix.network.fittings.index]
    places = plane.from_map([fix.network.fittings.geometry.loc[end] for end in known])
    return _Scene(
        fix=fix,
        plane=plane,
        mains=drawn_mains(fix.network, plane),
        best=fix.candidates[0] if fix.candidates else None,
        paths=tuple(plane.from_map(lines)),
        sensors=dict(zip(known, places, strict=True)),
        units=units,
    )


def _close_up(side: Axes, scene: _Scene) -> View:
    """View of the candidate; of the paths when there is none."""
    if scene.best is None:
        return View.of(scene.paths, ratio=ratio_of(side), margin=0.1, least_m=24.0)
    shown = scene.plane.from_map([scene.best.point, *scene.best.stretches])
    return View.of(shown, ratio=ratio_of(side), margin=0.55, least_m=24.0)


def _draw_main(axes: Axes, scene: _Scene, close_up: View) -> set[str]:
    """Draw the surroundings of the paths; the looks of mains that occur."""
    shown = [*scene.paths, *scene.sensors.values()]
    view = View.of(shown, ratio=ratio_of(axes), margin=0.28, least_m=60.0)
    prepare_panel(axes, view)
    for line in scene.paths:
        draw_path(axes, line, width_pt=8.0)
    used = draw_mains(axes, scene.mains, view)
    marks = _draw_fittings(axes, scene, view)
    _draw_candidates(axes, scene, size=52)
    draw_scale_bar(axes, view, units=scene.units)
    around = [] if scene.best is None else [close_up.box.exterior]
    clear = np.vstack([points_along([*scene.paths, *around], step_m=view.half_width_m / 90), _xy(shown)])
    mains_in_view = points_along(scene.mains.inside(view), step_m=view.half_width_m / 45)
    quiet = np.vstack([mains_in_view, _ties(view, close_up)]) if around else mains_in_view
    corners = emptiest_corners(view, clear, quiet, size=_LOCATOR + 0.02)
    taken = [_SCALE_BOX, draw_north(axes, corner=corners[1])]
    if scene.best is not None and _is_part(view, scene):
        taken.append(_draw_locator(axes, scene, view, corner=corners[0]))
    place_labels(
        axes,
        _sensor_labels(scene),
        keep_clear=np.vstack([clear, mains_in_view, *[marks] * _WEIGHT_OF_A_MARK]),
        taken=[axes.transAxes.transform_bbox(box) for box in taken],
    )
    return used


def _xy(shapes: Iterable[Any]) -> NDArray[np.float64]:
    return shapely.get_coordinates(list(shapes))


def _draw_fittings(axes: Axes, scene: _Scene, view: View) -> NDArray[np.float64]:
    """Draw fittings as small dots, the sensors as squares; all their places."""
    places = scene.plane.from_map(scene.fix.network.fittings.geometry)
    near = places[shapely.intersects(places, view.box)]
    dots: dict[str, Any] = {
        "color": "white",
        "markeredgecolor": QUIET,
        "markersize": 2.4,
        "markeredgewidth": 0.6,
        "zorder": 6,
    }
    axes.plot(*_xy(near).T, "o", **dots)
    marks: dict[str, Any] = {
        "color": SENSOR,
        "markeredgecolor": "white",
        "markersize": 7,
        "markeredgewidth": 1.1,
        "zorder": 12,
    }
    axes.plot(*_xy(scene.sensors.values()).T, "s", **marks)
    return np.vstack([_xy(near), _xy(scene.sensors.values())])


def _sensor_labels(scene: _Scene) -> list[Label]:
    best = scene.best
    roles = {best.sensor_a: "A: ", best.sensor_b: "B: "} if best is not None else {}
    return [
        Label(
            place.x,
            place.y,
            roles.get(name, "") + fitting_label(name, scene.fix),
            colour=SENSOR,
            weight="bold" if name in roles or not roles else "normal",
        )
        for name, place in sorted(scene.sensors.items(), key=lambda item: item[0] not in roles)
    ]


def _draw_candidates(axes: Axes, scene: _Scene, *, size: float) -> None:
    """Draw stretch and point of each candidate; the best one full, others open."""
    for candidate in scene.fix.candidates:
        first = candidate is scene.best
        beyond = [] if candidate.in_bracket else [line for b in candidate.branches for line in b.lines]
        for line in scene.plane.from_map([*candidate.stretches, *beyond]):
            look: dict[str, Any] = {
                "linewidth": 3.6,
                "alpha": 0.9 if first else 0.4,
                "zorder": 9,
                "solid_capstyle": "butt",
            }
            axes.plot(*_xy([line]).T, color=LEAK, **look)
        [point] = scene.plane.from_map([candidate.point])
        axes.scatter(
            [point.x],
            [point.y],
            s=size if first else size * 0.5,
            marker="o" if candidate.in_bracket else "X",
            facecolor=LEAK if first else "white",
            edgecolor="white" if first else LEAK,
            linewidth=1.3,
            zorder=13 if first else 11,
        )


def _is_part(view: View, scene: _Scene) -> bool:
    """Whether the view shows so little of the network that a small map of the whole helps."""
    west, south, east, north = shapely.total_bounds(scene.mains.lines)
    return bool(max((east - west) / view.half_width_m, (north - south) / view.half_height_m) > 3.0)


def _draw_locator(axes: Axes, scene: _Scene, view: View, *, corner: tuple[float, float]) -> Bbox:
    """Draw the whole network small in a corner; the box used, as a share of the panel."""
    x, y = (0.985 - _LOCATOR if share else 0.015 for share in corner)
    small = axes.inset_axes((x, y, _LOCATOR, _LOCATOR), zorder=18)
    whole = View.of(scene.mains.lines, ratio=view.half_width_m / view.half_height_m, margin=0.06, least_m=1.0)
    prepare_panel(small, whole)
    small.set_facecolor("white")
    draw_mains(small, scene.mains, whole, scale=0.35)
    _outline(small, view, facecolor=PATH, alpha=0.5, zorder=3)
    return Bbox.from_bounds(x, y, _LOCATOR, _LOCATOR)


def _outline(axes: Axes, view: View, **look: Any) -> None:
    west, south, east, north = view.box.bounds
    axes.add_patch(Rectangle((west, south), east - west, north - south, edgecolor=INK, linewidth=0.8, **look))


def _draw_whole(axes: Axes, scene: _Scene) -> set[str]:
    """Draw the whole network, where there is no candidate to look at; the looks of mains that occur."""
    view = View.of(scene.mains.lines, ratio=ratio_of(axes), margin=0.06, least_m=60.0)
    prepare_panel(axes, view)
    for line in scene.paths:
        draw_path(axes, line, width_pt=4.0)
    used = draw_mains(axes, scene.mains, view, scale=0.5)
    draw_scale_bar(axes, view, units=scene.units)
    return used


def _draw_side(axes: Axes, scene: _Scene, view: View, best: Candidate) -> None:
    """Draw the candidate close up."""
    prepare_panel(axes, view)
    for line in scene.paths:
        draw_path(axes, line, width_pt=11.0)
    for shapes, alpha in _areas(best):
        area = widened_area(shapes, scene.fix.network.crs, widen_m=scene.fix.map_accuracy_m)
        draw_area(axes, scene.plane.from_map([area.polygon])[0], LEAK, alpha=alpha)
    draw_mains(axes, scene.mains, view, scale=1.5)
    marks = _draw_fittings(axes, scene, view)
    _draw_candidates(axes, scene, size=80)
    draw_scale_bar(axes, view, units=scene.units)
    labels = [*_distance_label(scene, best), *_names_in_view(scene, view), *_main_labels(scene, view)]
    lines = points_along(scene.mains.inside(view), step_m=view.half_width_m / 60)
    clear = np.vstack([lines, *[marks] * _WEIGHT_OF_A_MARK])
    place_labels(axes, labels, keep_clear=clear, taken=[axes.transAxes.transform_bbox(_SCALE_BOX)])


def _areas(best: Candidate) -> list[tuple[list[Any], float]]:
    main: list[tuple[list[Any], float]] = [(list(best.stretches), 0.28)] if best.stretches else []
    return main + [(list(branch.lines), 0.16) for branch in best.branches if branch.lines]


def _distance_label(scene: _Scene, best: Candidate) -> list[Label]:
    if not best.in_bracket:
        return []
    [point] = scene.plane.from_map([best.point])
    a, b = (format_length(m, scene.units) for m in (best.from_a_m, best.from_b_m))
    text = f"{a} from {plain_text(best.sensor_a)}\n{b} from {plain_text(best.sensor_b)}"
    return [Label(point.x, point.y, text, colour=LEAK, weight="bold")]


def _names_in_view(scene: _Scene, view: View) -> list[Label]:
    return [
        Label(place.x, place.y, plain_text(name), colour=SENSOR, weight="bold")
        for name, place in scene.sensors.items()
        if view.box.contains(place)
    ]


def _main_labels(scene: _Scene, view: View) -> list[Label]:
    """Names of the longest mains in the view."""
    pieces = sorted(scene.mains.named_inside(view), key=lambda piece: -piece[1].length)
    labels: dict[str, Label] = {}
    for index, line in pieces:
        name, place = scene.mains.pipe_ids[index], line.interpolate(0.25, normalized=True)
        pipe = pipe_label(scene.mains.materials[index], scene.mains.diameters_mm[index], scene.units)
        text = f"{plain_text(name)}\n{pipe}"
        labels.setdefault(name, Label(place.x, place.y, text, colour=QUIET, size=6.2))
    return list(labels.values())[:3]


def _ties(view: View, close_up: View) -> NDArray[np.float64]:
    """Points where the lines to the close-up will run, roughly: to the upper right."""
    corner = (view.x + view.half_width_m, view.y + view.half_height_m)
    tie = shapely.LineString([(close_up.x, close_up.y), corner])
    return points_along([tie], step_m=view.half_width_m / 90)


def _tie(figure: Figure, main: Axes, side: Axes, view: View) -> None:
    """Mark the close-up on the main panel and join the two."""
    _outline(main, view, fill=False, zorder=14)
    _, south, east, north = view.box.bounds
    for y, share in ((south, 0.0), (north, 1.0)):
        line = ConnectionPatch(
            (east, y), (0.0, share), coordsA=main.transData, coordsB=side.transAxes,
            color=INK, linewidth=0.5, alpha=0.35,
        )  # fmt: skip
        figure.add_artist(line)
