"""Labels on a picture that keep clear of each other and of the lines."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib import patheffects

from netcorr.export.palette import INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.text import Annotation
    from matplotlib.transforms import Bbox
    from numpy.typing import NDArray

_ANGLES_DEG = (20, -20, 160, -160, 70, -70, 110, -110, 0, 180, 90, -90)
_DISTANCES_PT = (9.0, 16.0, 26.0, 40.0)
#: Around text on lines.
HALO = [patheffects.withStroke(linewidth=2.4, foreground="white", alpha=0.9)]


@dataclass(frozen=True)
class Label:
    """Text that belongs to a place; `weight` 'bold' stands out."""

    x: float
    y: float
    text: str
    colour: str = INK
    size: float = 7.5
    weight: str = "normal"


def place_labels(
    axes: Axes, labels: Sequence[Label], *, keep_clear: NDArray[np.float64], taken: Iterable[Bbox] = ()
) -> list[Bbox]:
    """Draw labels, each where it covers least.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Where to draw; its limits must be final.
    labels : sequence of Label
        The first has the first choice.
    keep_clear : numpy.ndarray of float, shape (n, 2)
        Points along lines and marks that should stay visible, in data coordinates.
    taken : iterable of matplotlib.transforms.Bbox
        Boxes that are already used, in pixels.

    Returns
    -------
    list of matplotlib.transforms.Bbox
        All boxes used, in pixels.
    """
    boxes = list(taken)
    pixels = axes.transData.transform(keep_clear) if len(keep_clear) else np.zeros((0, 2))
    frame = axes.get_window_extent()
    for label in labels:
        note = _annotation(axes, label)
        ways = [
            (math.cos(math.radians(a)) * d, math.sin(math.radians(a)) * d)
            for d in _DISTANCES_PT
            for a in _ANGLES_DEG
        ]
        costs = [_cost(_move(note, *way), boxes, pixels, frame) + 0.05 * math.hypot(*way) for way in ways]
        best = ways[int(np.argmin(costs))]
        boxes.append(_move(note, *best))
    return boxes


def _annotation(axes: Axes, label: Label) -> Annotation:
    return axes.annotate(
        label.text,
        (label.x, label.y),
        xytext=(0, 0),
        textcoords="offset points",
        color=label.colour,
        fontsize=label.size,
        fontweight=label.weight,
        zorder=20,
        parse_math=False,
        path_effects=HALO,
    )


def _move(note: Annotation, dx_pt: float, dy_pt: float) -> Bbox:
    """Put a label to one side of its place; its box in pixels."""
    note.set_position((dx_pt, dy_pt))
    note.set_horizontalalignment("left" if dx_pt > 1 else "right" if dx_pt < -1 else "center")
    note.set_verticalalignment("bottom" if dy_pt > 4 else "top" if dy_pt < -4 else "center")
    box: Bbox = note.get_window_extent()
    return box.padded(2)


def _cost(box: Bbox, boxes: Sequence[Bbox], pixels: NDArray[np.float64], frame: Bbox) -> float:
    """What a label would cover: other labels are worse than lines, and outside is worst."""
    inside = (pixels > box.min).all(axis=1) & (pixels < box.max).all(axis=1)
    off = not (frame.x0 <= box.x0 and box.x1 <= frame.x1 and frame.y0 <= box.y0 and box.y1 <= frame.y1)
    return 1000.0 * off + 300.0 * sum(box.overlaps(other) for other in boxes) + float(inside.sum())
