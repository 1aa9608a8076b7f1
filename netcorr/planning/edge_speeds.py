"""Wave speeds of all mains of a planning map, each kind of pipe asked for once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from netcorr.errors import SpeedError
from netcorr.speed.materials import PIPE_MATERIALS
from netcorr.speed.pipe import MEASURED, pipe_wave_speed

if TYPE_CHECKING:
    from netcorr.layers.alternatives import CouldBe
    from netcorr.planning.problem import Flags, Floats, Ints
    from netcorr.speed.calibration import Calibration
    from netcorr.speed.wave_speed import WaveSpeed

#: As in `netcorr.position.assumed`, which is downstream of both; a test holds them together.
_ASSUMED_SHARE = 0.08
_ANOTHER_SHARE = {"material": math.sqrt(3) * _ASSUMED_SHARE, "diameter": 0.06, "year": 0.02}
_ALTERNATIVE = {"material": "material", "diameter": "diameter_mm", "year": "year"}

_FIELDS = ("material", "diameter_mm", "wall_mm", "year", "wave_speed_m_s")


@dataclass(frozen=True, eq=False)
class EdgeSpeeds:
    """Speeds of edges, and who shares an error with whom.

    Attributes
    ----------
    speed_m_s, common_sd_m_s, pipe_sd_m_s : numpy.ndarray of float, shape (m,)
        Speed and both parts of its error; NaN where no speed can be told. [m/s]
    group, pipe : numpy.ndarray of int, shape (m,)
        Number of the group that shares the common error, and of the main on the map.
    plastic : numpy.ndarray of bool, shape (m,)
        Whether the edge is of plastic, or of unknown material.
    """

    speed_m_s: Floats
    common_sd_m_s: Floats
    pipe_sd_m_s: Floats
    group: Ints
    pipe: Ints
    plastic: Flags


def edge_speeds(
    edges: Sequence[Mapping[str, Any]],
    *,
    temperature_c: float = 10.0,
    temperature_sd_c: float = 3.0,
    calibration: Calibration | None = None,
) -> EdgeSpeeds:
    """Speeds of all edges.

    Parameters
    ----------
    edges : sequence of mapping, length m
        Attributes of open mains.
    temperature_c, temperature_sd_c : float
        Temperature of the water and its standard deviation. [degree C]
    calibration : Calibration, optional
        What confirmed finds taught about the utility's own pipes.

    Returns
    -------
    EdgeSpeeds
        In the order of the edges.

    Raises
    ------
    SpeedError
        If the temperature cannot be right.
    """
    pipe_wave_speed("steel", 150, temperature_c=temperature_c, temperature_sd_c=temperature_sd_c)
    kinds = pd.DataFrame({name: [edge[name] for edge in edges] for name in _FIELDS})
    kinds["doubt"] = [(edge["assumed"] != "", edge.get("could_be")) for edge in edges]
    number = kinds.groupby(list(kinds), dropna=False, sort=False).ngroup().to_numpy()
    first = np.unique(number, return_index=True)[1]
    groups: dict[str, int] = {}
    rows, group = np.full((len(first), 3), np.nan), np.zeros(len(first), dtype=np.intp)
    for k, edge in enumerate(first.tolist()):
        key = tuple(_plain(edges[edge][name]) for name in _FIELDS)
        speed = _speed(key, temperature_c, temperature_sd_c, calibration)
        if speed is not None:
            doubt_m_s = 0.0
            if edges[edge]["assumed"] and speed.group != MEASURED:
                others = edges[edge].get("could_be")
                doubt_m_s = _doubt_m_s(key, speed.speed_m_s, others, temperature_c=temperature_c)
            own_m_s = math.hypot(speed.pipe_sd_m_s, doubt_m_s)
            rows[k] = speed.speed_m_s, speed.common_sd_m_s, own_m_s
            group[k] = groups.setdefault(speed.group, len(groups))
    rows, group = rows[number], group[number]
    pipe = np.asarray(pd.factorize(np.array([edge["pipe_id"] for edge in edges], dtype=object))[0])
    plastic = [edge["material"] is None or PIPE_MATERIALS[edge["material"]].is_plastic for edge in edges]
    return EdgeSpeeds(rows[:, 0], rows[:, 1], rows[:, 2], group, pipe, np.array(plastic, dtype=bool))


def _doubt_m_s(key: tuple[Any, ...], speed_m_s: float, others: CouldBe, *, temperature_c: float) -> float:
    """Spread that assumed attributes add, as locating does it: by what else they could be, and its share."""
    if others is None:
        return _ASSUMED_SHARE * speed_m_s
    variance = 0.0
    for other in others:
        at = _FIELDS.index(_ALTERNATIVE[other.attribute])
        changed = (*key[:at], other.value, *key[at + 1 :])
        speed = None if other.value is None else _speed(changed, temperature_c, 0.0, None)
        missing = _ANOTHER_SHARE[other.attribute] * speed_m_s
        variance += other.share * (missing if speed is None else speed.speed_m_s - speed_m_s) ** 2
    return math.sqrt(variance)


def _plain(value: Any) -> Any:
    """Missing numbers as None, so that they are equal to each other."""
    return None if isinstance(value, float) and math.isnan(value) else value


def _speed(
    key: tuple[Any, ...], temperature_c: float, temperature_sd_c: float, calibration: Calibration | None
) -> WaveSpeed | None:
    material, diameter_mm, wall_mm, year, wave_speed_m_s = key
    try:
        speed = pipe_wave_speed(
            material,
            diameter_mm,
            wall_mm=wall_mm,
            year=year,
            temperature_c=temperature_c,
            temperature_sd_c=temperature_sd_c,
            wave_speed_m_s=wave_speed_m_s,
        )
        if calibration is not None:
            speed = calibration.apply(speed, material=material, diameter_mm=diameter_mm, year=year)
    except SpeedError:
        return None
    return speed
