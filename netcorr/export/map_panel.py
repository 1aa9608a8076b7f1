"""One panel of a map: mains by material, a scale bar, an arrow to the north."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from matplotlib.collections import LineCollection
from matplotlib.patches import PathPatch, Polygon, Rectangle
from matplotlib.path import Path as OutlinePath
from matplotlib.transforms import Bbox

from netcorr.export.labels import HALO
from netcorr.export.palette import CLOSED, FRAME, INK, LOOKS, PAPER, PATH, look_of, width_of
from netcorr.export.scale_bar import round_length
from netcorr.units import FOOT_M, UnitSystem

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matplotlib.axes import Axes
    from numpy.typing import NDArray
    from shapely import LineString

    from netcorr.export.local_plane import LocalPlane
    from netcorr.network.pipe_network import PipeNetwork


@dataclass(frozen=True, eq=False)
class DrawnMains:
    """Mains in a local plane, ready to draw.

    Attributes
    ----------
    lines : numpy.ndarray of shapely.LineString, shape (n,)
        In the plane. [m]
    pipe_ids : tuple of str
        Asset id of each.
    materials : tuple of (str or None)
        Key of the material vocabulary.
    diameters_mm : tuple of float
        NaN when unknown. [mm]
    open : tuple of bool
        Whether water runs in it.
    """

    lines: NDArray[np.object_]
    pipe_ids: tuple[str, ...]
    materials: tuple[str | None, ...]
    diameters_mm: tuple[float, ...]
    open: tuple[bool, ...]

    def named_inside(self, view: View) -> list[tuple[int, LineString]]:
        """Pieces of mains that a view holds, each with the index of its main."""
        seen = np.flatnonzero(shapely.intersects(self.lines, view.box))
        parts, owner = shapely.get_parts(shapely.intersection(self.lines[seen], view.box), return_index=True)
        lines = shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING
        return [(int(seen[i]), part) for i, part in zip(owner[lines], parts[lines], strict=True)]

    def inside(self, view: View) -> list[LineString]:
        """Pieces of mains that a view holds."""
        return [line for _, line in self.named_inside(view)]


@dataclass(frozen=True)
class View:
    """Part of the plane that a panel shows. [m]"""

    x: float
    y: float
    half_width_m: float
    half_height_m: float

    @classmethod
    def of(cls, shapes: Iterable[shapely.Geometry], *, ratio: float, margin: float, least_m: float) -> View:
        """View of shapes with a margin, widened to a ratio of width to height.

        Parameters
        ----------
        shapes : iterable of shapely.Geometry
            In the plane.
        ratio : float
            Width over height.
        margin : float
            Added on each side, as a share of the size.
        least_m : float
            Least width. [m]
        """
        west, south, east, north = shapely.total_bounds(list(shapes))
        width = max((east - west) * (1 + 2 * margin), least_m)
        height = max((north - south) * (1 + 2 * margin), least_m / ratio)
        width, height = max(width, height * ratio), max(height, width / ratio)
        return cls((west + east) / 2, (south + north) / 2, width / 2, height / 2)

    @property
    def box(self) -> shapely.Polygon:
        """Outline of the view."""
        return shapely.box(
            self.x - self.half_width_m,
            self.y - self.half_height_m,
            self.x + self.half_width_m,
            self.y + self.half_height_m,
        )


def drawn_mains(network: PipeNetwork, plane: LocalPlane) -> DrawnMains:
    """All mains of a network in a local plane."""
    edges = [data for _, _, data in network.graph.edges(data=True)]
    return DrawnMains(
        lines=plane.from_map([edge["geometry"] for edge in edges]),
        pipe_ids=tuple(str(edge["pipe_id"]) for edge in edges),
        materials=tuple(edge["material"] for edge in edges),
        diameters_mm=tuple(float(edge["diameter_mm"]) for edge in edges),
        open=tuple(bool(edge["is_open"]) for edge in edges),
    )


def ratio_of(axes: Axes) -> float:
    """Width over height of a panel."""
    box = axes.get_window_extent()
    return float(box.width / box.height)


def prepare_panel(axes: Axes, view: View) -> None:
    """Set limits and frame of a panel."""
    axes.set_xlim(view.x - view.half_width_m, view.x + view.half_width_m)
    axes.set_ylim(view.y - view.half_height_m, view.y + view.half_height_m)
    axes.set_aspect("equal", adjustable="box")
    axes.set_facecolor(PAPER)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(FRAME)
        spine.set_linewidth(0.8)


def draw_mains(axes: Axes, mains: DrawnMains, view: View, *, scale: float = 1.0) -> set[str]:
    """Draw the mains that a view holds; the keys of `LOOKS` that occur, and `CLOSED`."""
    seen = np.flatnonzero(shapely.intersects(mains.lines, view.box))
    looks = {int(i): look_of(mains.materials[i]) for i in seen}
    for key in dict.fromkeys(looks.values()):
        chosen = [i for i, look in looks.items() if look == key]
        axes.add_collection(
            LineCollection(
                [shapely.get_coordinates(mains.lines[i]) for i in chosen],
                colors=LOOKS[key].colour,
                linestyles=[LOOKS[key].dashes],
                linewidths=[width_of(mains.diameters_mm[i]) * scale for i in chosen],
                alpha=[1.0 if mains.open[i] else 0.35 for i in chosen],
                zorder=4,
                capstyle="butt",
            ),
            autolim=False,
        )
    closed = {CLOSED} if any(not mains.open[i] for i in seen) else set()
    return set(looks.values()) | closed


def draw_path(axes: Axes, line: LineString, *, width_pt: float) -> None:
    """Draw the path between two sensors as a halo under the mains."""
    xy = shapely.get_coordinates(line)
    axes.plot(
        *xy.T, color=PATH, linewidth=width_pt, zorder=3, solid_capstyle="round", solid_joinstyle="round"
    )


def draw_area(axes: Axes, area: shapely.Geometry, colour: str, *, alpha: float) -> None:
    """Draw a polygon with its holes."""
    for part in shapely.get_parts(area):
        outlines = [part.exterior, *part.interiors]
        shape = OutlinePath.make_compound_path(
            *(OutlinePath(shapely.get_coordinates(o), closed=True) for o in outlines)
        )
        axes.add_patch(
            PathPatch(shape, facecolor=colour, edgecolor=colour, alpha=alpha, linewidth=0.8, zorder=5)
        )


def draw_scale_bar(axes: Axes, view: View, *, units: UnitSystem) -> None:
    """Draw a bar of a round length in the lower left corner."""
    unit_m, name = (FOOT_M, "ft") if units == "us" else (1.0, "m")
    length = round_length(0.5 * view.half_width_m / unit_m)
    width, left, low = length * unit_m / (2 * view.half_width_m), 0.045, 0.035
    height = 0.008 * view.half_width_m / view.half_height_m
    style: dict[str, Any] = {"transform": axes.transAxes, "zorder": 15}
    for k, colour in enumerate((INK, "white")):
        corner = (left + k * width / 2, low)
        axes.add_patch(
            Rectangle(corner, width / 2, height, facecolor=colour, edgecolor=INK, linewidth=0.6, **style)
        )
    for share, text in ((0.0, "0"), (0.5, f"{length / 2:g}"), (1.0, f"{length:g} {name}")):
        place = (left + share * width, low + 1.6 * height)
        axes.text(*place, text, ha="center", va="bottom", fontsize=6.5, color=INK, path_effects=HALO, **style)


def draw_north(axes: Axes, *, corner: tuple[float, float]) -> Bbox:
    """Draw an arrow to true north in a corner; the box used, as a share of the panel.

    Up is north in the local plane.
    """
    x, y = (0.955 if corner[0] else 0.045), (0.9 if corner[1] else 0.06)
    tall = 0.05
    wide = tall * 0.28 / ratio_of(axes)
    for sign, colour in ((-1, INK), (1, "white")):
        corners = [(x, y + tall), (x + sign * wide, y), (x, y + tall * 0.22)]
        axes.add_patch(
            Polygon(
                corners, transform=axes.transAxes, facecolor=colour, edgecolor=INK, linewidth=0.6, zorder=15
            )
        )
    style: dict[str, Any] = {"ha": "center", "va": "top", "fontsize": 7, "color": INK, "zorder": 15}
    axes.text(x, y - 0.008, "N", transform=axes.transAxes, path_effects=HALO, **style)
    return Bbox.from_extents(x - 0.04, y - 0.05, x + 0.04, y + tall + 0.02)


def emptiest_corners(
    view: View, important: NDArray[np.float64], other: NDArray[np.float64], *, size: float
) -> list[tuple[float, float]]:
    """Corners of a view, the emptiest first; the lower left one belongs to the scale bar.

    Parameters
    ----------
    view : View
        What the panel shows.
    important, other : numpy.ndarray of float, shape (n, 2)
        Points that must not, or should rather not, be covered. [m]
    size : float
        Size of a corner, as a share of the panel.

    Returns
    -------
    list of (float, float)
        0 is left or low, 1 is right or high.
    """
    half = np.array([view.half_width_m, view.half_height_m])

    def covered(corner: tuple[float, float]) -> float:
        sign = 2 * np.array(corner) - 1
        inside = [
            (sign * (points - (view.x, view.y)) / half > 1 - 2 * size).all(axis=1).sum()
            for points in (important, other)
        ]
        return float(1000 * inside[0] + inside[1])

    return sorted([(1.0, 0.0), (1.0, 1.0), (0.0, 1.0)], key=covered)


def points_along(lines: Sequence[LineString], *, step_m: float) -> NDArray[np.float64]:
    """Points along lines, no farther apart than a step, for labels to keep clear of."""
    if not len(lines):
        return np.zeros((0, 2))
    return shapely.get_coordinates(shapely.segmentize(np.asarray(lines, dtype=object), step_m))
