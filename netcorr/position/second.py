"""A second leak between the sensors, beside the one that is heard best.

With two sources at once the posterior of one source follows the stronger, and the weaker one is lost in it.
Every round says what is left of it when what arrives near its strongest delay is taken out
(`netcorr.delay.BesideEvidence`). Where the rounds agree on the first source, what is left is weighed as the
rounds themselves are: a second leak lasts, usage passes.

Echoes of the first are left too. Those that the map explains (`netcorr.position.echoes`) are passed over;
that others are about is known, so what is left must be about as loud as the first to count as a leak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.special import expit

from netcorr.position.posterior import pair_posterior
from netcorr.position.reliability import reliable_density

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.evidence import BesideEvidence, DelayEvidence
    from netcorr.position.echoes import PathEchoes
    from netcorr.position.posterior import PairPosterior
    from netcorr.position.settings import LocateSettings
    from netcorr.position.travel import PathTimes

#: A second leak is looked for where a first lies between the sensors with this probability at least.
LEAST_FIRST = 0.5
#: Prior probability of a second leak beside a first (judgement: they are rare, and not independent).
PRIOR_SECOND = 0.1
#: Strength against the first at which what is left is as often an echo that the map does not show as a leak,
#: and the width of the change (from simulated streets with one leak and with two).
EVEN_STRENGTH = 0.3
STRENGTH_WIDTH = 0.05
#: Where the map shows echoes there are more that it does not show: of the strongest so much is added.
ECHOES_ABOUT = 0.5
#: A source in a narrower band is not taken out cleanly, being smoothed over about as much:
#: what is left may be itself, a cycle off. [Hz]
NARROWEST_HZ = 60.0
#: What arrives so near to the first is part of it. [s]
NEAR_FIRST_S = 0.006
#: The first source has the same delay in every round, within so many standard deviations of the clock that
#: are new in each round, and this. [s]
SAME_SDS = 3.0
SAME_S = 5e-4
#: An echo arrives within this of what the map says, this share of its detour, and the width of its peak. [s]
ECHO_S = 1e-3
ECHO_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class SecondSource:
    """One more leak between the sensors, as far as the rounds tell.

    Attributes
    ----------
    probability : float
        That there is one.
    density_per_m : numpy.ndarray
        Shape (n,): its density on the points of the path; integrates to 1. [1/m]
    """

    probability: float
    density_per_m: NDArray[np.float64]


def second_source(
    first: PairPosterior,
    times: PathTimes,
    evidence: Sequence[DelayEvidence],
    *,
    echoes: PathEchoes,
    settings: LocateSettings,
) -> SecondSource | None:
    """Look for a second leak, given the first.

    Parameters
    ----------
    first : PairPosterior
        Of one source.
    times : PathTimes
        Delays along the path.
    evidence : sequence of DelayEvidence
        One for each round.
    echoes : PathEchoes
        Ways by which the map lets the sound of the first come.
    settings : LocateSettings
        Priors and clock.

    Returns
    -------
    SecondSource or None
        None where there is no first, where one round alone would have to tell (usage cannot be told from a
        leak then), or where the rounds do not agree on the first.
    """
    if first.between < LEAST_FIRST:
        return None
    at = int(np.argmax(first.density_per_m))
    known = _rounds_of_the_first(float(times.delay_s[at]), float(_sd_s(times)[at]), times, evidence)
    if len(known) < 2:
        return None
    known_s = float(np.mean([beside.known_s for _, beside in known]))
    shown = np.flatnonzero(echoes.strength[1:, at]) + 1
    detours_s = (echoes.delay_s[shown, at] - echoes.delay_s[0, at]).tolist()
    even = EVEN_STRENGTH + ECHOES_ABOUT * float(echoes.strength[shown, at].max(initial=0.0))
    left = [_left(one, beside, detours_s) for one, beside in known]
    second = pair_posterior(
        times,
        left,
        settings=replace(settings, prior_between=PRIOR_SECOND),
    )
    x = second.position_m
    strength = np.mean(
        [np.interp(times.delay_s, one.delay_s, _highest(one, beside)) for one, beside in known], axis=0
    )
    loud = expit((strength - even) / STRENGTH_WIDTH)
    loud[np.abs(times.delay_s - known_s) < NEAR_FIRST_S] = 0.0
    share = second.density_per_m * loud
    of_leaks = float(np.trapezoid(share, x))
    if not of_leaks > 0:
        return None
    return SecondSource(second.between * min(of_leaks, 1.0), reliable_density(x, share / of_leaks))


def _sd_s(times: PathTimes) -> NDArray[np.float64]:
    return times.sd_s(clock_sd_s=times.clock_sd_s)


def _rounds_of_the_first(
    delay_s: float, sd_s: float, times: PathTimes, evidence: Sequence[DelayEvidence]
) -> list[tuple[DelayEvidence, BesideEvidence]]:
    """Rounds whose strongest delay is that of the first source."""
    near = [
        (one, one.beside)
        for one in evidence
        if one.beside is not None
        and one.band_hz[1] - one.band_hz[0] > NARROWEST_HZ
        and abs(one.beside.known_s - delay_s) <= SAME_SDS * sd_s + SAME_S
    ]
    if not near:
        return []
    middle_s = float(np.median([beside.known_s for _, beside in near]))
    allowed_s = SAME_SDS * times.clock_sd_s + SAME_S
    return [pair for pair in near if abs(pair[1].known_s - middle_s) <= allowed_s]


def _left(one: DelayEvidence, beside: BesideEvidence, detours_s: Sequence[float]) -> DelayEvidence:
    """A round without the first source and without the echoes of it that the map explains."""
    explained = np.abs(one.delay_s - beside.known_s) < NEAR_FIRST_S
    for detour_s in detours_s:
        allowed_s = ECHO_S + ECHO_SHARE * abs(detour_s) + 1 / max(one.band_hz[1] - one.band_hz[0], 50.0)
        explained |= np.abs(one.delay_s - beside.known_s - detour_s) < allowed_s
    log_likelihood = np.where(explained, np.minimum(beside.log_likelihood, 0.0), beside.log_likelihood)
    return replace(one, log_likelihood=log_likelihood, splits=(), beside=None)


def _highest(one: DelayEvidence, beside: BesideEvidence) -> NDArray[np.float64]:
    """Strength of the highest peak near each delay: a correlogram swings, its peaks are what counts."""
    lowest_hz = max(one.band_hz[0], 20.0)
    size = 2 * math.ceil(0.5 / lowest_hz / one.step_s) + 1
    highest: NDArray[np.float64] = ndimage.maximum_filter1d(beside.strength, size, mode="nearest")
    return highest
