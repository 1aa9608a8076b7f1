"""Curves as short text for a table: what a straight line between two kept points shows is left out."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import shapely

from netcorr.errors import ExportError

if TYPE_CHECKING:
    from numpy.typing import NDArray


def pack_curve(
    x: NDArray[np.float64], y: NDArray[np.float64], *, tolerance: float, digits: int = 5
) -> tuple[str, str]:
    """Curve as two JSON arrays, with the points that a straight line does not show.

    Parameters
    ----------
    x : numpy.ndarray
        Shape (n,), ascending.
    y : numpy.ndarray
        Shape (n,).
    tolerance : float
        By how much y may be off between the kept points, about; same unit as y.
    digits : int
        Significant digits that are kept.

    Returns
    -------
    x, y : str
        JSON arrays of equal length, at most n.

    Examples
    --------
    >>> pack_curve(np.arange(5.0), np.array([0.0, 1.0, 2.0, 1.0, 0.0]), tolerance=0.01)
    ('[0,2,4]', '[0,2,0]')
    """
    if x.size < 3:
        return _json(x, digits), _json(y, digits)
    # half a step sideways counts as much as the tolerance upwards, so that peaks keep their place
    scaled = np.column_stack([np.arange(x.size) * 2 * tolerance, y])
    kept = shapely.get_coordinates(shapely.simplify(shapely.LineString(scaled), tolerance))
    which = np.rint(kept[:, 0] / (2 * tolerance)).astype(np.int64)
    return _json(x[which], digits + 2), _json(y[which], digits)


def unpack_curve(x: str, y: str, *, item: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of a curve that `pack_curve` wrote.

    Parameters
    ----------
    x, y : str
        JSON arrays.
    item : str
        What it is, for messages.

    Returns
    -------
    x, y : numpy.ndarray
        Equal in length.

    Raises
    ------
    ExportError
        If the texts are no such arrays.
    """
    try:
        one, other = (np.asarray(json.loads(text), dtype=np.float64) for text in (x, y))
    except (TypeError, ValueError):
        one, other = np.zeros(0), np.zeros(1)
    whole = one.ndim == other.ndim == 1 and one.size == other.size and one.size >= 2
    if not (whole and np.isfinite(one).all() and np.isfinite(other).all() and (np.diff(one) > 0).all()):
        raise ExportError(
            item,
            found="a curve in it is damaged",
            remedy="run netcorr locate again; evidence_curves is not meant to be edited",
        )
    return one, other


def _json(values: NDArray[np.float64], digits: int) -> str:
    return "[" + ",".join(f"{value:.{digits}g}" for value in (values + 0.0).tolist()) + "]"
