"""Where the source of the common noise is: probability along the path, and of what lies outside it.

Four hypotheses compete: a leak somewhere between the sensors, a source at or beyond A, one at or beyond B,
and silence. A leak lasts: it is heard in every round, about as loud. Usage passes: it is heard in one round,
mostly from beyond a sensor, and may cover a leak while it lasts. So each round may hold a passing noise of
its own, under every hypothesis, and a source that was clear in one round and is missing in another counts as
unlikely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.special import rel_entr

from netcorr.errors import PositionError
from netcorr.position.blur import blurred_rows
from netcorr.position.passing import weigh_rounds
from netcorr.position.ways import SeenEvidence, likelihood_by_ways, log_pattern_fit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.position.echoes import PathEchoes
    from netcorr.position.settings import LocateSettings
    from netcorr.position.travel import PathTimes

#: Against the largest likelihood nothing is impossible: keeps a density where all evidence lies elsewhere.
LEAST_LIKELIHOOD = 1e-30

#: Share of passing noises that come from beyond a sensor, not from a branch between them (judgement).
PASSING_BEYOND = 0.7


@dataclass(frozen=True, eq=False)
class PairPosterior:
    """Posterior of one pair over all its rounds.

    Attributes
    ----------
    position_m : numpy.ndarray
        Shape (n,): distance from A. [m]
    density_per_m : numpy.ndarray
        Shape (n,): density of the position given a leak between the sensors; integrates to 1. [1/m]
    between, beyond_a, beyond_b, none : float
        Probabilities of the four hypotheses; they sum to 1.
    learnt_nats : float
        How far all this is from what was assumed before anything was heard (relative entropy). [nats]
    """

    position_m: NDArray[np.float64]
    density_per_m: NDArray[np.float64]
    between: float
    beyond_a: float
    beyond_b: float
    none: float
    learnt_nats: float = math.inf


def pair_posterior(
    times: PathTimes,
    evidence: Sequence[DelayEvidence],
    *,
    settings: LocateSettings,
    echoes: PathEchoes | None = None,
) -> PairPosterior:
    """Combine the rounds of a pair and weigh the four hypotheses.

    Parameters
    ----------
    times : PathTimes
        Delay of a leak at each point of the path.
    evidence : sequence of DelayEvidence
        One for each round.
    settings : LocateSettings
        Priors and clock.
    echoes : PathEchoes, optional
        Ways by which the map lets the sound come; the direct ones alone when not given.

    Returns
    -------
    PairPosterior
        Density along the path and the four probabilities.

    Raises
    ------
    PositionError
        If there is no evidence, or it does not reach the ends of the path.
    """
    grid = common_grid(times, evidence)
    log_likelihood, log_none = log_combined(evidence, grid, times=times, settings=settings)
    log_scale = float(log_likelihood.max())
    # nothing is impossible: a density stays defined where all evidence lies elsewhere
    likelihood = np.maximum(np.exp(log_likelihood - log_scale), LEAST_LIKELIHOOD)
    steady_clock_s = times.clock_sd_s * float(np.sqrt(1 - settings.clock_jitter_share**2))
    sd = times.sd_s(clock_sd_s=steady_clock_s)
    blurred = BlurredLikelihood(grid, likelihood, largest_sd_s=float(sd.max()))
    ends = _end_likelihoods(grid, likelihood, times=times, sd_a_s=float(sd[0]), sd_b_s=float(sd[-1]))
    if echoes is None or echoes.strength.shape[0] == 1:
        along = blurred.at(times.delay_s, sd)
    else:
        seen = SeenEvidence(grid, log_likelihood - log_none, sd_s=sd)
        along = likelihood_by_ways(blurred, echoes, seen=seen)
        log_fit = log_pattern_fit(echoes, seen=seen)
        along, ends = _fitted(along, ends, log_fit=log_fit)
    x = times.position_m
    inside = float(np.trapezoid(along, x) / (x[-1] - x[0]))
    prior = _priors(settings)
    weights = prior * [inside, *ends, np.exp(min(log_none - log_scale, 700.0))]
    probability = weights / weights.sum()
    density = along / (inside * (x[-1] - x[0]))
    of_place = rel_entr(density, 1 / (x[-1] - x[0]))
    learnt_nats = rel_entr(probability, prior).sum() + probability[0] * np.trapezoid(of_place, x)
    between, beyond_a, beyond_b, none = (float(p) for p in probability)
    return PairPosterior(x, density, between, beyond_a, beyond_b, none, learnt_nats=float(learnt_nats))


def _priors(settings: LocateSettings) -> NDArray[np.float64]:
    """Of a leak between, a source at or beyond A, one at or beyond B, and of silence, shape (4,)."""
    beyond = settings.prior_beyond / 2
    none = 1 - settings.prior_between - settings.prior_beyond
    return np.array([settings.prior_between, beyond, beyond, none])


def _fitted(
    along: NDArray[np.float64], ends: tuple[float, float], *, log_fit: NDArray[np.float64]
) -> tuple[NDArray[np.float64], tuple[float, float]]:
    """Likelihoods of the places and the ends, less where the pattern fits worse than at the best of them.

    What the best leaves unexplained speaks against none of the others, and a better fit for none.
    """
    whole = np.concatenate([ends[:1], along, ends[1:]])
    fit = np.concatenate([log_fit[:1], log_fit, log_fit[-1:]])
    best = int(np.argmax(np.log(np.maximum(whole, 1e-300)) + fit))
    fitted = whole * np.exp(np.minimum(fit - fit[best], 0.0))
    return fitted[1:-1], (float(fitted[0]), float(fitted[-1]))


def log_combined(
    evidence: Sequence[DelayEvidence],
    grid_s: NDArray[np.float64],
    *,
    times: PathTimes,
    settings: LocateSettings,
) -> tuple[NDArray[np.float64], float]:
    """Log-likelihood of one lasting source over delay, from all rounds.

    Parameters
    ----------
    evidence : sequence of DelayEvidence
        One for each round.
    grid_s : numpy.ndarray
        Shape (m,): evenly spaced delays. [s]
    times : PathTimes
        For the clock, and the delays of the ends.
    settings : LocateSettings
        For the jitter of the clock and the prior of passing noises.

    Returns
    -------
    log_likelihood : numpy.ndarray
        Shape (m,).
    log_none : float
        Log-likelihood of no lasting source.
    """
    step_s = float(grid_s[1] - grid_s[0])
    # never sharper than the grid that it is sampled on
    jitter = max(times.clock_sd_s * settings.clock_jitter_share / step_s, 0.5)

    def log_of_passing(log_l: NDArray[np.float64]) -> float:
        top = float(log_l.max())
        heard = ndimage.gaussian_filter1d(np.exp(log_l - top), jitter, mode="nearest")
        return top + float(np.log(_of_passing_noise(grid_s, heard, times=times)))

    terms = weigh_rounds(evidence, grid_s, jitter=jitter, settings=settings, log_of_passing=log_of_passing)
    total = np.sum([one.log_lasting for one in terms], axis=0)
    return np.asarray(total, dtype=np.float64), float(sum(one.log_none for one in terms))


def _of_passing_noise(
    grid_s: NDArray[np.float64], likelihood: NDArray[np.float64], *, times: PathTimes
) -> float:
    """Likelihood of one round if what it holds is a passing noise somewhere."""
    clock_s = times.clock_sd_s
    sd = times.sd_s(clock_sd_s=clock_s)
    ends = _end_likelihoods(grid_s, likelihood, times=times, sd_a_s=float(sd[0]), sd_b_s=float(sd[-1]))
    inside = (grid_s <= times.delay_s[0]) & (grid_s >= times.delay_s[-1])
    between = float(likelihood[inside].mean()) if inside.any() else 0.0
    return max(PASSING_BEYOND * (ends[0] + ends[1]) / 2 + (1 - PASSING_BEYOND) * between, 1e-300)


class BlurredLikelihood:
    """A likelihood over delay, convolved with a Gaussian of any width.

    Parameters
    ----------
    grid_s : numpy.ndarray
        Shape (m,): evenly spaced delays. [s]
    likelihood : numpy.ndarray
        Shape (m,).
    largest_sd_s : float
        Largest standard deviation that will be asked for. [s]
    """

    def __init__(
        self, grid_s: NDArray[np.float64], likelihood: NDArray[np.float64], *, largest_sd_s: float
    ) -> None:
        self._grid_s = grid_s
        step_s = float(grid_s[1] - grid_s[0])
        levels = 2 + max(int(np.ceil(3 * np.log2(max(largest_sd_s / (0.5 * step_s), 1.0)))), 0)
        self._sd_s = 0.5 * step_s * 2 ** (np.arange(levels) / 3)
        self._rows = blurred_rows(likelihood, self._sd_s / step_s)

    def at(self, delay_s: NDArray[np.float64], sd_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Blurred likelihood at given delays, each with its own standard deviation, shape of `delay_s`."""
        level = np.log2(np.maximum(sd_s, self._sd_s[0]) / self._sd_s[0]) * 3
        below = np.clip(level.astype(np.int64), 0, self._sd_s.size - 2)
        share = np.clip(level - below, 0.0, 1.0)
        place = (delay_s - self._grid_s[0]) / (self._grid_s[1] - self._grid_s[0])
        left = np.clip(place.astype(np.int64), 0, self._grid_s.size - 2)
        step = np.clip(place - left, 0.0, 1.0)
        lower = self._rows[below, left] * (1 - step) + self._rows[below, left + 1] * step
        upper = self._rows[below + 1, left] * (1 - step) + self._rows[below + 1, left + 1] * step
        blurred: NDArray[np.float64] = lower * (1 - share) + upper * share
        return blurred


def _end_likelihoods(
    grid_s: NDArray[np.float64],
    likelihood: NDArray[np.float64],
    *,
    times: PathTimes,
    sd_a_s: float,
    sd_b_s: float,
) -> tuple[float, float]:
    """Likelihood of a source at or beyond either sensor, anywhere from the main to the end of its lead."""
    share = np.linspace(0.0, 1.0, 9)
    beyond_a = times.delay_s[0] + 2 * times.lead_a_s * share
    beyond_b = times.delay_s[-1] - 2 * times.lead_b_s * share
    # most sources lie on the main beyond; the lead itself takes a third
    weight = np.concatenate([[2 / 3], np.full(8, 1 / 24)])
    return (
        float(weight @ _blurred_at(beyond_a, grid_s, likelihood, sd_s=sd_a_s)),
        float(weight @ _blurred_at(beyond_b, grid_s, likelihood, sd_s=sd_b_s)),
    )


def _blurred_at(
    delay_s: NDArray[np.float64], grid_s: NDArray[np.float64], likelihood: NDArray[np.float64], *, sd_s: float
) -> NDArray[np.float64]:
    """Likelihood convolved with a Gaussian, at a few delays."""
    width_s = max(sd_s, 0.5 * float(grid_s[1] - grid_s[0]))
    weight = np.exp(-0.5 * ((grid_s - delay_s[:, None]) / width_s) ** 2)
    # by a matrix product threads of a library would wait for each other
    summed: NDArray[np.float64] = np.einsum("ij,j->i", weight, likelihood)
    return np.asarray(summed / np.maximum(weight.sum(axis=1), 1e-300), dtype=np.float64)


def common_grid(times: PathTimes, evidence: Sequence[DelayEvidence]) -> NDArray[np.float64]:
    """Delays that all rounds have, at the finest of their spacings.

    Parameters
    ----------
    times : PathTimes
        Delays along the path.
    evidence : sequence of DelayEvidence
        One for each round.

    Returns
    -------
    numpy.ndarray
        Shape (m,): evenly spaced. [s]

    Raises
    ------
    PositionError
        If there is no evidence, or it does not reach the ends of the path.
    """
    if not evidence:
        raise PositionError("pair", found="no round with evidence", remedy="record at least one round")
    first = max(one.delay_s[0] for one in evidence)
    last = min(one.delay_s[-1] for one in evidence)
    if first > times.delay_s.min() or last < times.delay_s.max():
        raise PositionError(
            f"pair {evidence[0].logger_a} - {evidence[0].logger_b}",
            found=f"delays from {first:.4f} to {last:.4f} s",
            remedy=f"search from {times.delay_s.min():.4f} to {times.delay_s.max():.4f} s at least",
        )
    step_s = min(one.step_s for one in evidence)
    points = int((last - first) / step_s + 1e-9) + 1
    return np.asarray(first + step_s * np.arange(points), dtype=np.float64)
