"""What leak noise loses where it passes a tee, a change of pipe or a fitting."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from netcorr.errors import SpeedError
from netcorr.speed.junction import relative_admittance
from netcorr.speed.pipe import pipe_wall, pipe_wave_speed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.planning.problem import Flags, Floats, Ints

#: Loss at an open valve or hydrant tee on the main, for what it hides of its own. ASSUMPTION. [dB]
FITTING_DB = 0.5
#: What a pipe of unknown size or material is taken for, where it meets others.
_UNKNOWN = math.nan


def passing_loss_db(
    edges: Sequence[Mapping[str, Any]], from_node: Ints, to_node: Ints, *, fitted: Flags
) -> NDArray[np.float64]:
    """Loss of passing the nodes at both ends of each edge, the part of it that counts for this edge.

    Parameters
    ----------
    edges : sequence of mapping, length m
        Attributes of open mains.
    from_node, to_node : numpy.ndarray of int, shape (m,)
        Their ends.
    fitted : numpy.ndarray of bool, shape (n,)
        Whether a fitting sits at each node.

    Returns
    -------
    numpy.ndarray of float, shape (2, m)
        At `from_node` and at `to_node`; negative where the edge takes more than half of the admittance of all
        pipes at the node, as its neighbour on the path then counts for more. [dB]

    Notes
    -----
    A wave that comes in pipe i leaves in every pipe of the joint with ``2 A_i / sum A`` of its pressure
    (`netcorr.speed.junction`). From i to j and back the mean loss in decibels is that of
    ``2 sqrt(A_i A_j) / sum A``, which falls into one part for i and one for j: 0 dB for a joint of two equal
    pipes, 3.5 dB for a tee of three.

    References
    ----------
    Wylie, E. B. and Streeter, V. L. (1993). Fluid Transients in Systems. Prentice Hall.
    """
    admittance = np.array([_admittance(edge) for edge in edges])
    known = np.isfinite(admittance)
    usual = float(np.median(admittance[known])) if known.any() else 1.0
    admittance = np.where(known, admittance, usual)
    count = len(fitted)
    total = np.bincount(from_node, admittance, minlength=count) + np.bincount(
        to_node, admittance, minlength=count
    )
    ends = np.stack([from_node, to_node])
    loss: Floats = -10 * np.log10(2 * admittance / total[ends]) + np.where(fitted[ends], FITTING_DB / 2, 0.0)
    return loss


def _admittance(edge: Mapping[str, Any]) -> float:
    material, size, speed = edge["material"], edge["diameter_mm"], edge["wave_speed_m_s"]
    if material is None or size is None or math.isnan(size):
        return _UNKNOWN
    return _of_kind(material, float(size), None if math.isnan(speed) else float(speed))


@lru_cache(maxsize=4096)
def _of_kind(material: str, diameter_mm: float, wave_speed_m_s: float | None) -> float:
    try:
        speed = pipe_wave_speed(material, diameter_mm, wave_speed_m_s=wave_speed_m_s).speed_m_s
        return relative_admittance(bore_m=pipe_wall(material, diameter_mm).inside_diameter_m, speed_m_s=speed)
    except SpeedError:
        return _UNKNOWN
