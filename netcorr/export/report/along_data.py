"""What lies along a path, and what each round says of every place on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import PathError
from netcorr.export.palette import look_of
from netcorr.export.plain_text import plain_text
from netcorr.export.sentences import pipe_label
from netcorr.path import side_branches
from netcorr.path.reference import segment_ends_m
from netcorr.units import FOOT_M, UnitSystem

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.path.correlation_path import CorrelationPath
    from netcorr.position.fix import PairFix


@dataclass(frozen=True)
class Run:
    """Stretch of a path of one material and size.

    Attributes
    ----------
    low_m, high_m : float
        From A. [m]
    words : str
        Material and size.
    look : str
        Key of `netcorr.export.palette.LOOKS`.
    pipe_ids : tuple of str
        Its mains.
    speeds_m_s : tuple of float
        Least and largest wave speed in it. [m/s]
    """

    low_m: float
    high_m: float
    words: str
    look: str
    pipe_ids: tuple[str, ...]
    speeds_m_s: tuple[float, float]


@dataclass(frozen=True)
class Feature:
    """Something on the path that a crew can see or finds on the map.

    Attributes
    ----------
    from_a_m : float
        From A. [m]
    kind : str
        tee, valve, hydrant, meter or other.
    name : str
        Its id; of a tee the mains that leave there.
    """

    from_a_m: float
    kind: str
    name: str


#: Chance of noise alone below which a round is said to have heard something.
STOOD_OUT = 0.01


def something_heard(pair: PairFix) -> bool:
    """Whether noise in common stood out in any round."""
    return any(one.significance < STOOD_OUT for one in pair.evidence)


def length_unit(units: UnitSystem) -> tuple[float, str]:
    """Length of the unit on axes, and its name. [m]"""
    return (FOOT_M, "ft") if units == "us" else (1.0, "m")


def runs_of(pair: PairFix, units: UnitSystem) -> list[Run]:
    """Stretches of one material and size, from A to B."""
    ends = segment_ends_m(pair.path).tolist()
    found: list[Run] = []
    for segment, speed, start, high in zip(pair.path.segments, pair.speeds, ends[:-1], ends[1:], strict=True):
        low = start
        words = pipe_label(segment.material, segment.diameter_mm, units)
        mine: tuple[str, ...] = (plain_text(segment.pipe_id),)
        value = speed.speed_m_s
        if found and found[-1].words == words:
            last = found.pop()
            low, mine = last.low_m, tuple(dict.fromkeys((*last.pipe_ids, *mine)))
            spread = (min(last.speeds_m_s[0], value), max(last.speeds_m_s[1], value))
        else:
            spread = (value, value)
        found.append(Run(low, high, words, look_of(segment.material), mine, spread))
    return found


def features_of(network: PipeNetwork, path: CorrelationPath) -> list[Feature]:
    """Tees and fittings between the ends of a path, from A to B."""
    ends = segment_ends_m(path)[1:-1].tolist()
    at_node = {s.to_node: at for s, at in zip(path.segments[:-1], ends, strict=True)}
    try:
        tees = [
            Feature(tee.from_a_m, "tee", ", ".join(map(plain_text, tee.pipe_ids)))
            for tee in side_branches(network, path)
        ]
    except PathError:  # the map in the result holds other pieces than the path
        tees = []
    fittings = [
        Feature(at_node[int(row["node"])], str(row["kind"]), plain_text(name))
        for name, row in network.fittings.iterrows()
        if int(row["node"]) in at_node
    ]
    return sorted([*tees, *fittings], key=lambda feature: feature.from_a_m)


def delay_at(pair: PairFix, from_a_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Delay that a leak at each place would give, shape of `from_a_m`. [s]"""
    ends_m = segment_ends_m(pair.path)
    slowness = np.array([1 / speed.speed_m_s for speed in pair.speeds])
    arrival_s = np.concatenate([[0.0], np.cumsum(np.diff(ends_m) * slowness)])
    leads_s = pair.path.lead_b_m * slowness[-1] - pair.path.lead_a_m * slowness[0]
    delay: NDArray[np.float64] = arrival_s[-1] + leads_s - 2 * np.interp(from_a_m, ends_m, arrival_s)
    return delay


def place_of(pair: PairFix, delay_s: float) -> float:
    """Place that a delay alone points to; an end for what lies beyond it. [m]"""
    ends_m = segment_ends_m(pair.path)
    return float(np.interp(-delay_s, -delay_at(pair, ends_m), ends_m))


def evidence_along(
    pair: PairFix, evidence: DelayEvidence, from_a_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Log-likelihood of a source at each place, in one round."""
    return np.interp(delay_at(pair, from_a_m), evidence.delay_s, evidence.log_likelihood)


def curves_along(pair: PairFix) -> tuple[NDArray[np.float64], list[NDArray[np.float64]]]:
    """Evenly spaced places from A [m], and the log-likelihood of a source at each of them in every round."""
    from_a_m = np.linspace(0.0, pair.path.length_m, max(pair.position_m.size, 400))
    return from_a_m, [evidence_along(pair, one, from_a_m) for one in pair.evidence]
