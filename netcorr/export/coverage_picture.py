"""A coverage as a picture to print or to show: the map in its colours, with the metres of each."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D

from netcorr.export.colours import INK, QUIET, SENSOR
from netcorr.export.coverage_style import COVERAGE_STYLES
from netcorr.export.coverage_tables import coverage_tables
from netcorr.export.fix_words import extent
from netcorr.export.labels import HALO
from netcorr.export.layer_style import Stroke
from netcorr.export.local_plane import LocalPlane
from netcorr.export.map_panel import View, draw_north, draw_scale_bar, prepare_panel, ratio_of
from netcorr.export.picture import check_picture, drawing
from netcorr.export.plain_text import plain_text

if TYPE_CHECKING:
    import os

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from netcorr.export.layer_style import Rule
    from netcorr.planning.cover_answer import CoverAnswer
    from netcorr.units import UnitSystem

#: With more sensors their names would hide the map.
_NAMED = 12
#: Letters on a line of the legend.
_LEGEND_WIDTH = 34
_ENDINGS = (".png", ".svg")


def draw_coverage(
    answer: CoverAnswer,
    path: str | os.PathLike[str],
    *,
    width_px: int = 1600,
    height_px: int = 1000,
    units: UnitSystem = "metric",
) -> None:
    """Draw what sites cover, as a PNG or SVG picture.

    Up is true north and a metre is a metre in every direction, whatever the CRS of the network.

    Parameters
    ----------
    answer : CoverAnswer
        What sites cover.
    path : str or path-like
        Picture to write, ending in ``.png`` or ``.svg``.
    width_px, height_px : int
        Size of the picture, at least 800 by 500. [px]
    units : {'metric', 'us'}
        Units of lengths and of the scale bar.

    Raises
    ------
    ExportError
        If the picture cannot be written, or is too small.
    """
    target = Path(path)
    check_picture(target, width_px=width_px, height_px=height_px, endings=_ENDINGS)
    tables = coverage_tables(answer)
    with drawing(target, width_px=width_px, height_px=height_px) as figure:
        axes = figure.add_axes((0.015, 0.02, 0.68, 0.88))
        found = _draw_mains(axes, tables["coverage"], answer)
        _draw_sensors(axes, tables["coverage_sensors"], answer)
        _draw_words(figure, answer, units)
        _draw_legend(figure, answer, found, units)
        draw_scale_bar(axes, found.view, units=units)
        draw_north(axes, corner=(1.0, 1.0))


class _Drawn:
    """What was drawn: each rule of the style with the metres that it shows, and the view."""

    def __init__(self, view: View, rules: list[tuple[Rule, float]]) -> None:
        self.view, self.rules = view, rules


def _draw_mains(axes: Axes, table: pd.DataFrame, answer: CoverAnswer) -> _Drawn:
    shapes = table.geometry.to_numpy()
    lines = _plane(answer).from_map(shapes)
    view = View.of(lines, ratio=ratio_of(axes), margin=0.04, least_m=80.0)
    prepare_panel(axes, view)
    last = _last_rule(table)
    rules = []
    for number, rule in enumerate(COVERAGE_STYLES[0].rules):
        here = last == number
        if not here.any() or not isinstance(rule.symbol, Stroke):
            continue
        axes.add_collection(
            LineCollection(
                [shapely.get_coordinates(line) for line in lines[here]],
                colors=rule.symbol.colour,
                linewidths=rule.symbol.width_mm * 72 / 25.4 * 0.8,
                linestyles="dashed" if rule.symbol.dashed else "solid",
                zorder=4 + number,
                capstyle="projecting",
            ),
            autolim=False,
        )
        rules.append((rule, float(table["length_m"].to_numpy()[here].sum())))
    return _Drawn(view, rules)


def _last_rule(table: pd.DataFrame) -> NDArray[np.intp]:
    """Rule that lies on top for each stretch: the last whose conditions it meets."""
    last = np.full(len(table), -1)
    for number, rule in enumerate(COVERAGE_STYLES[0].rules):
        met = np.ones(len(table), dtype=bool)
        for one in rule.conditions:
            met &= (table[one.column] == one.value).to_numpy(dtype=bool, na_value=False)
        last[met] = number
    return last


def _plane(answer: CoverAnswer) -> LocalPlane:
    network = answer.cover.mains.network
    lines = [edge["geometry"] for edge in answer.cover.mains.edges]
    return LocalPlane.about(lines, network.crs)


def _draw_sensors(axes: Axes, table: pd.DataFrame, answer: CoverAnswer) -> None:
    places = shapely.get_coordinates(_plane(answer).from_map(table.geometry.to_numpy()))
    paired = (table["pairs"] >= 1).to_numpy(dtype=bool)
    size = 4.2 if len(table) <= _NAMED else 2.6
    for which, fill in ((paired, SENSOR), (~paired, "white")):
        axes.plot(
            *places[which].T,
            "s",
            color=SENSOR,
            markerfacecolor=fill,
            markersize=size,
            zorder=20,
            linestyle="",
        )
    if len(table) <= _NAMED:
        for name, (x, y) in zip(table["fitting"], places, strict=True):
            axes.annotate(
                plain_text(name),
                (x, y),
                xytext=(3.5, 3.5),
                textcoords="offset points",
                fontsize=5.5,
                color=SENSOR,
                path_effects=HALO,
                zorder=21,
                annotation_clip=True,
            )


def _draw_words(figure: Figure, answer: CoverAnswer, units: UnitSystem) -> None:
    total, count = answer.totals[0], len(answer.cover.problem.sites)
    title = f"{count} sensor{'' if count == 1 else 's'} cover{'s' if count == 1 else ''} "
    title += f"{total.covered_percent:.0f} % of the mains"
    source = plain_text(answer.cover.mains.network.source)
    below = f"{extent(total.covered_m, units)} of {extent(total.total_m, units)} in {source}"
    figure.text(0.02, 0.955, title, fontsize=12, color=INK, weight="bold", va="center")
    figure.text(0.02, 0.92, below, fontsize=8, color=QUIET, va="center")
    words = (
        "Computed from the map, and from a reach that is mostly common practice. "
        "No leak heard is not: no leak."
    )
    figure.text(0.71, 0.04, textwrap.fill(words, 42), fontsize=6.5, color=QUIET, va="bottom")


def _draw_legend(figure: Figure, answer: CoverAnswer, drawn: _Drawn, units: UnitSystem) -> None:
    handles: list[Any] = []
    for rule, length_m in reversed(drawn.rules):
        symbol = rule.symbol
        if isinstance(symbol, Stroke):
            label = textwrap.fill(f"{rule.title} ({extent(length_m, units)})", _LEGEND_WIDTH)
            dashes: Any = "--" if symbol.dashed else "-"
            handles.append(Line2D([], [], color=symbol.colour, linewidth=3, linestyle=dashes, label=label))
    pairs = answer.cover.problem.pair_sites
    marks = [(SENSOR, "sensor")]
    if len(np.unique(pairs)) < len(answer.given):
        marks.append(("white", "sensor that makes no pair"))
    handles += [
        Line2D(
            [],
            [],
            marker="s",
            color=SENSOR,
            markerfacecolor=fill,
            linestyle="",
            markersize=5,
            label=label,
        )
        for fill, label in marks
    ]
    figure.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=(0.7, 0.91),
        frameon=False,
        fontsize=7.0,
        labelcolor=INK,
        handlelength=2.4,
        labelspacing=0.9,
    )
