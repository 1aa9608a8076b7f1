"""Does a stated 0.9 mean 9 in 10? A picture of what was stated and what came true."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.export.palette import INK, LEAK, QUIET
from netcorr.export.picture import check_picture, drawing
from netcorr.units import format_count
from netcorr.verification.accuracy import BANDS
from netcorr.verification.intervals import FEW

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from netcorr.verification import Accuracy, Band


def plot_reliability(
    accuracy: Accuracy, path: str | os.PathLike[str], *, width_px: int = 1200, height_px: int = 1200
) -> None:
    """Plot what came true over what was stated, with 95 % intervals.

    Parameters
    ----------
    accuracy : Accuracy
        How good the fixes were.
    path : str or path-like
        Picture to write, ending in ``.png`` or ``.svg``.
    width_px, height_px : int
        Size of the picture, at least 800 by 500. [px]

    Raises
    ------
    ExportError
        If the picture cannot be written or is too small.

    Notes
    -----
    A band of probability that nothing was dug in is not drawn; the numbers are in the layer `reliability`.
    """
    target = Path(path)
    check_picture(target, width_px=width_px, height_px=height_px, endings=(".png", ".svg"))
    with drawing(target, width_px=width_px, height_px=height_px) as figure:
        axes = figure.add_axes((0.12, 0.12, 0.83, 0.72))
        figure.text(
            0.12, 0.935, "Does a stated probability come true?", fontsize=13, fontweight="bold", color=INK
        )
        figure.text(0.12, 0.89, _subtitle(accuracy), fontsize=9, color=INK)
        _frame(axes)
        bands = [band for band in accuracy.bands if band.came_true.count]
        for band in bands:
            _draw(axes, band)
        if not bands:
            axes.text(50, 50, "nothing dug yet", ha="center", fontsize=12, color=INK)


def _subtitle(accuracy: Accuracy) -> str:
    counted = sum(band.came_true.count for band in accuracy.bands)
    few = any(0 < band.came_true.count < FEW for band in accuracy.bands)
    return f"{format_count(counted, 'dug candidate')}; bars: 95 % intervals" + (
        "; hollow: few data" if few else ""
    )


def _frame(axes: Axes) -> None:
    """Axes, the line on which stated and true are the same, and the bands."""
    axes.plot([0, 100], [0, 100], color=QUIET, linewidth=1.2, dashes=(5, 3))
    words: dict[str, Any] = {"fontsize": 8.5, "color": INK}
    axes.text(
        10, 11.5, "as stated", rotation=45, rotation_mode="anchor", transform_rotates_text=True, **words
    )
    axes.text(3, 96, "more often than stated: too careful", **words)
    axes.text(97, 1, "less often than stated: too sure", ha="right", **words)
    for low, _ in BANDS[1:]:
        axes.axvline(100 * low, color=QUIET, linewidth=0.6, alpha=0.35)
    axes.set_xlim(0, 101)
    axes.set_ylim(-3, 103)
    axes.set_xlabel("stated probability: mean of the band [%]", color=INK)
    axes.set_ylabel("leak was in the stated area [%]", color=INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _draw(axes: Axes, band: Band) -> None:
    """Draw one band: hollow where it rests on few data, a square where stated and true differ."""
    x, y = 100 * band.stated, 100 * band.came_true.value
    low, high = 100 * band.came_true.low, 100 * band.came_true.high
    differs, few = band.agreement != "agrees", band.came_true.is_few
    colour = LEAK if differs and not few else INK
    axes.plot([x, x], [low, high], color=colour, linewidth=2.0, solid_capstyle="butt")
    axes.plot(
        [x],
        [y],
        "s" if differs else "o",
        color=colour,
        markerfacecolor="white" if few else colour,
        markeredgewidth=2.0,
        markersize=8,
    )
    right = round(band.came_true.value * band.came_true.count)
    # below the bar, so that the labels of neighbouring bands do not meet
    below = low > 8
    label = axes.text(
        x,
        low - 1.5 if below else high + 1.5,
        f"{right} of {band.came_true.count}",
        fontsize=9,
        color=INK,
        ha="center",
        va="top" if below else "bottom",
    )
    label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.6})
