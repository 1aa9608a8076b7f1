"""From the product over all pairs to a probability that holds: odds between places, and errors in common.

Each pair allows by itself for echoes, for peaks that are not the leak's and for errors of its pipes. What all
pairs agree on is mostly surer than their product says, since echoes of one pair are not those of another; but
some surveys mislead all pairs alike, so both are allowed for. Next to the leak it is less sure: pipes there
are part of all the ways, and what is wrong of their lengths and speeds moves the whole answer, so the
probability along each piece is blurred by what a single pair leaves open. All were set on simulated districts
so that areas hold what they say (DEVELOPERS, "Several loggers").
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

#: Odds between places go with this power of what the survey says of them,
SHARPER = 6.0
#: but with this probability they are no surer than that.
NO_SURER = 0.45
#: The blur is this share of what the best pair leaves open.
SHARED = 0.45
#: Pieces with less probability than this stay as they are.
LEAST_MASS = 1e-4
#: Probability is blurred on steps of this. [m]
STEP_M = 0.1


def widened(
    evidence: NetworkEvidence,
    places: Places,
    probability: Floats,
    *,
    log_prior: Floats,
    slowness_sd: Floats,
    heard: float = 1.0,
) -> Floats:
    """Sharpen the odds between places, and blur the probability along each piece.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    places : Places
        Places in the order of the pieces.
    probability : numpy.ndarray
        Shape (k,): probability of the stretch of each.
    log_prior : numpy.ndarray
        Shape (k,): log of the prior probability of a metre there, up to a constant.
    slowness_sd : numpy.ndarray
        Shape (g,): standard deviations of the slowness factors of the groups of pipes.
    heard : float
        How surely any pair hears something, 0 to 1: silence is never surer than it says.

    Returns
    -------
    numpy.ndarray
        Shape (k,): the same sum in all.
    """
    probability = sharpened(probability, places.width_m, log_prior=log_prior, heard=heard)
    mass = np.bincount(places.piece, probability, minlength=evidence.pipes.length_m.size)
    blurred = probability.copy()
    telling = replace(evidence, hearings=tuple(one for one in evidence.hearings if wrong_share(one) <= 0.5))
    for piece in np.flatnonzero(mass > LEAST_MASS).tolist():
        rows = np.flatnonzero(places.piece == piece)
        best = rows[int(np.argmax(probability[rows] / places.width_m[rows]))]
        sd_m = SHARED * _best_pair_m(telling, places, best, slowness_sd=slowness_sd)
        blurred[rows] = _blurred(probability[rows], places.width_m[rows], sd_m=sd_m)
    return blurred


def sharpened(probability: Floats, width_m: Floats, *, log_prior: Floats, heard: float = 1.0) -> Floats:
    """Raise what a survey says of places to a power, with doubt; what was known before stays as it is.

    Parameters
    ----------
    probability : numpy.ndarray
        Shape (k,): of stretches.
    width_m : numpy.ndarray
        Shape (k,): their lengths. [m]
    log_prior : numpy.ndarray
        Shape (k,): log of the prior probability of a metre, up to a constant.
    heard : float
        How surely any pair hears something, 0 to 1.

    Returns
    -------
    numpy.ndarray
        Shape (k,): the same sum.

    Examples
    --------
    >>> odds = sharpened(np.array([0.8, 0.2]), np.ones(2), log_prior=np.zeros(2))
    >>> bool(odds[0] / odds[1] > 4), round(float(odds.sum()), 6)
    (True, 1.0)
    """
    mass = np.zeros_like(probability)
    there = probability > 0
    prior = log_prior[there]
    log_mass = SHARPER * (np.log(probability[there] / width_m[there]) - prior) + prior
    mass[there] = np.exp(log_mass - log_mass.max()) * width_m[there]
    surer = heard * (1 - NO_SURER)
    mass *= surer * probability.sum() / mass.sum()
    return np.asarray((1 - surer) * probability + mass, dtype=np.float64)


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
