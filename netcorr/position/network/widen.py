"""What all pairs have wrong together: errors of lengths and speeds of the pipes next to a leak.

Each pair's delay allows for such errors by itself, and the product of many pairs looks surer of the place
than any of them. But the pipes nearest to the leak are part of all the ways, and what is wrong of them moves
the whole answer. So the probability along each piece is blurred by what a single pair leaves open.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from netcorr.position.network.hearing import wrong_share
from netcorr.position.network.look import pair_delays
from netcorr.position.network.times import times_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.times import Places

    Floats = NDArray[np.float64]

#: The blur is this share of what the best pair leaves open.
SHARED = 0.8
#: Pieces with less probability than this stay as they are.
LEAST_MASS = 1e-4
#: Probability is blurred on steps of this. [m]
STEP_M = 0.1


def widened(evidence: NetworkEvidence, places: Places, probability: Floats, *, slowness_sd: Floats) -> Floats:
    """Blur the probability along each piece.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    places : Places
        Places in the order of the pieces.
    probability : numpy.ndarray
        Shape (k,): probability of the stretch of each.
    slowness_sd : numpy.ndarray
        Shape (g,): standard deviations of the slowness factors of the groups of pipes.

    Returns
    -------
    numpy.ndarray
        Shape (k,): the same sum on every piece.
    """
    mass = np.bincount(places.piece, probability, minlength=evidence.pipes.length_m.size)
    blurred = probability.copy()
    telling = replace(evidence, hearings=tuple(one for one in evidence.hearings if wrong_share(one) <= 0.5))
    for piece in np.flatnonzero(mass > LEAST_MASS).tolist():
        rows = np.flatnonzero(places.piece == piece)
        best = rows[int(np.argmax(probability[rows] / places.width_m[rows]))]
        sd_m = SHARED * _best_pair_m(telling, places, best, slowness_sd=slowness_sd)
        blurred[rows] = _blurred(probability[rows], places.width_m[rows], sd_m=sd_m)
    return blurred


def _best_pair_m(evidence: NetworkEvidence, places: Places, row: int, *, slowness_sd: Floats) -> float:
    """Standard deviation of a place by the best pair that has it between its sensors, 0 without one. [m]"""
    one = places.at(row)
    used = {sensor for hearing in evidence.hearings for sensor in (hearing.a, hearing.b)}
    ways = {number: times_at(evidence.pipes, evidence.sensors[number], one) for number in used}
    half_speed = float(evidence.pipes.speed_m_s[one.piece[0]]) / 2
    found = []
    for hearing in evidence.hearings:
        a, b = ways[hearing.a], ways[hearing.b]
        apart = bool(np.isfinite(a.time_s + b.time_s)[0] and a.by_first_end[0] != b.by_first_end[0])
        if not apart:
            continue
        by_group_s, variance_s2 = pair_delays(evidence, hearing, one, ways=ways)
        sd_s = float(np.sqrt(variance_s2[0] + (by_group_s[0] ** 2) @ slowness_sd**2))
        found.append(half_speed * sd_s)
    return min(found, default=0.0)


def _blurred(probability: Floats, width_m: Floats, *, sd_m: float) -> Floats:
    """Blur along one piece, whose ends throw back what would leave it."""
    if sd_m < STEP_M / 4:
        return probability
    edges = np.concatenate([[0.0], np.cumsum(width_m)])
    count = max(int(np.ceil(edges[-1] / STEP_M)), 2)
    steps = np.linspace(0.0, edges[-1], count + 1)
    total = np.concatenate([[0.0], np.cumsum(probability)])
    on_steps = np.diff(np.interp(steps, edges, total))
    smooth = ndimage.gaussian_filter1d(on_steps, sd_m / (steps[1] - steps[0]), mode="reflect")
    blurred: Floats = np.diff(np.interp(edges, steps, np.concatenate([[0.0], np.cumsum(smooth)])))
    return np.asarray(blurred * (probability.sum() / max(float(blurred.sum()), 1e-300)), dtype=np.float64)
