"""All pairs of a survey weighed at every place on the mains: how probable a leak is there.

For a leak at a place and given speeds every pair has one delay. The logarithms of what the pairs say of their
delays are summed, each counted as far as it is not a repetition of the others, and the speeds are integrated
out. All is against one hypothesis: that nothing lasting is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.special import logsumexp

from netcorr.position.network.hearing import BlurredRatio, weight_of_pairs, wrong_share
from netcorr.position.network.speeds import fixed_grid, narrowed_grid, prior_grid
from netcorr.position.network.times import Places, even_places, finer_places, times_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.position.network.hearing import PairHearing
    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.network.speeds import SpeedGrid
    from netcorr.position.network.times import PlaceTimes, SensorTimes
    from netcorr.position.settings import LocateSettings

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Spacing of the first look, wider on long networks so that there are not many more places than this, and of
#: the second look where it matters. [m]
COARSE_M, COARSEST_M = 2.0, 8.0
MANY_PLACES = 12_000
FINE_M = 0.25
#: On networks with more places than this the first look goes to so many of them, the best by a look before it
#: that takes all that is uncertain of the speeds as blur.
HOPEFUL_PLACES = 3000
#: Of leaks as likely anywhere on the mains, half as many are heard for each so much longer way to the
#: nearest sensor: 100 m of iron, 35 m of polyethylene (judgement, from common practice: 100 to 150 m between
#: sensors on iron, a fraction of that on plastic). [s]
HALF_HEARD_S = 0.08
#: The second look goes where the first leaves more than this share of the probability of the best place.
LEAST_SHARE = 2e-3
#: Places on either side of these are looked at again as well.
BESIDE = 2


@dataclass(frozen=True, eq=False)
class NetworkEvidence:
    """What the weighing rests on.

    Attributes
    ----------
    pipes : ReachedPipes
        Mains within reach.
    sensors : tuple of SensorTimes
        Ways from each sensor.
    hearings : tuple of PairHearing
        Evidence of each pair.
    settings : LocateSettings
        Priors and standard deviations.
    """

    pipes: ReachedPipes
    sensors: tuple[SensorTimes, ...]
    hearings: tuple[PairHearing, ...]
    settings: LocateSettings


@dataclass(frozen=True, eq=False)
class Weighed:
    """Probability along the mains.

    Attributes
    ----------
    places : Places
        Places in the order of the pieces, near to each other where the evidence is sharp.
    probability : numpy.ndarray
        Shape (k,): that the leak lies in the stretch of each place, given that there is one; sums to 1.
    bracketed : numpy.ndarray
        Shape (k,): whether some pair hears a leak there from either side.
    leak : float
        Probability that there is a lasting source on these mains at all.
    log_evidence : float
        Log of how much more likely the recordings are with a leak than without, priors included.
    log_scattered : float
        The same if what the pairs show comes from no common place, as echoes of a known source do.
    slowness, slowness_sd : numpy.ndarray
        Shape (g,): slowness factors of the groups of pipes, and their standard deviations.
    weight : float
        How much each pair counted.
    """

    places: Places
    probability: Floats
    bracketed: Flags
    leak: float
    log_evidence: float
    log_scattered: float
    slowness: Floats
    slowness_sd: Floats
    weight: float


@dataclass(frozen=True, eq=False)
class _Look:
    """Places with the log of the likelihood ratio of each combination of speeds, prior of speeds included."""

    places: Places
    log_ratio: Floats
    bracketed: Flags
    nearest_s: Floats
    log_scattered: float


def weigh(evidence: NetworkEvidence, *, fine_m: float = FINE_M) -> Weighed:
    """Weigh all pairs at every place.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    fine_m : float
        Spacing of the places where the evidence is sharp. [m]

    Returns
    -------
    Weighed
        Probability along the mains.
    """
    weight = weight_of_pairs(evidence.hearings)
    grid = prior_grid(evidence.pipes)
    wide, far = _without_hopeless(
        evidence, even_places(evidence.pipes, spacing_m=_coarse_m(evidence)), weight=weight
    )
    coarse = wide.places.take(~far)
    first = _look(evidence, coarse, grid, weight=weight)
    every_prior = _log_prior(wide, evidence)
    log_prior = every_prior[~far]
    by_place = logsumexp(first.log_ratio, axis=0) + log_prior
    again = _worth_another_look(coarse, by_place)
    finer, row = finer_places(coarse.take(again), spacing_m=fine_m)
    narrow = narrowed_grid(grid, logsumexp(first.log_ratio + log_prior, axis=1), pipes=evidence.pipes)
    second = _look(evidence, finer, narrow, weight=weight)
    finer_prior = log_prior[np.flatnonzero(again)][row]
    finer_log = logsumexp(second.log_ratio, axis=0) + finer_prior
    rest = ~again
    hopeless = (logsumexp(wide.log_ratio, axis=0) + every_prior)[far]
    log_density = np.concatenate([hopeless, by_place[rest], finer_log])
    parts = (wide.places.take(far), coarse.take(rest), finer)
    piece, from_m, width_m = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("piece", "from_m", "width_m")
    )
    log_mass = log_density + np.log(width_m)
    log_evidence = float(logsumexp(log_mass))
    by_speed = logsumexp(second.log_ratio + finer_prior + np.log(finer.width_m), axis=1)
    slowness, slowness_sd = narrow.moments(by_speed)
    log_none = _log_none(evidence, log_evidence, gain=_gain(np.exp(log_mass - log_evidence), width_m))
    order = np.lexsort((from_m, piece))
    return Weighed(
        places=Places(piece[order], from_m[order], width_m[order]),
        probability=np.exp(log_mass - log_evidence)[order],
        bracketed=np.concatenate([wide.bracketed[far], first.bracketed[rest], second.bracketed])[order],
        leak=float(1 / (1 + np.exp(np.clip(log_none - log_evidence, -700, 700)))),
        log_evidence=log_evidence,
        log_scattered=first.log_scattered,
        slowness=slowness,
        slowness_sd=slowness_sd,
        weight=weight,
    )


def _without_hopeless(evidence: NetworkEvidence, places: Places, *, weight: float) -> tuple[_Look, Flags]:
    """Look at all places with all that is uncertain of the speeds as blur, and flag those far below the best.

    On a small network no place is flagged: only long ones are worth a look before the first.
    """
    if places.piece.size <= HOPEFUL_PLACES:
        wide = _look(evidence, places, fixed_grid(evidence.pipes), weight=weight, only_which=True)
        return wide, np.zeros(places.piece.size, dtype=bool)
    wide = _look(evidence, places, fixed_grid(evidence.pipes), weight=weight)
    log_density = logsumexp(wide.log_ratio, axis=0) + _log_prior(wide, evidence)
    least = np.partition(log_density, -HOPEFUL_PLACES)[-HOPEFUL_PLACES]
    return wide, log_density < least


def _coarse_m(evidence: NetworkEvidence) -> float:
    """Spacing of the first look. [m]"""
    total_m = float(evidence.pipes.length_m.sum())
    return float(np.clip(total_m / MANY_PLACES, COARSE_M, COARSEST_M))


def first_look_evidence(evidence: NetworkEvidence) -> float:
    """Log of how much more likely the recordings are with a leak somewhere, by a coarse look."""
    grid = prior_grid(evidence.pipes)
    coarse = even_places(evidence.pipes, spacing_m=2 * _coarse_m(evidence))
    look = _look(evidence, coarse, grid, weight=weight_of_pairs(evidence.hearings))
    log_density = logsumexp(look.log_ratio, axis=0) + _log_prior(look, evidence)
    return float(logsumexp(log_density + np.log(coarse.width_m)))


def _gain(probability: Floats, width_m: Floats) -> float:
    """How much is known of the place beside that it is on the mains. [nats]"""
    share = width_m / width_m.sum()
    known = probability > 0
    return float(np.sum(probability[known] * np.log(probability[known] / share[known])))


def _log_none(evidence: NetworkEvidence, log_evidence: float, *, gain: float) -> float:
    """Log-likelihood of no source that lasts: each round may hold a noise that passes, anywhere.

    Rounds with passing noises of their own agree on a place by chance only: they are less likely than one
    source in all of them by what is known of its place, once for each round after the first.
    """
    settings = evidence.settings
    prior = float(np.log(1 - settings.prior_between - settings.prior_beyond))
    if len(evidence.hearings) == 1 and evidence.hearings[0].log_alone is not None:
        return prior  # what passes is in the evidence already
    rounds = max(len(hearing.rows) for hearing in evidence.hearings)
    silent = rounds * np.log1p(-settings.passing_share)
    passing = rounds * np.log(settings.passing_share) + log_evidence - (rounds - 1) * gain
    return prior + float(np.logaddexp(silent, passing))


def _look(
    evidence: NetworkEvidence, places: Places, grid: SpeedGrid, *, weight: float, only_which: bool = False
) -> _Look:
    """Sum what the pairs say at places; one pair's blurred likelihood is in memory at a time.

    With `only_which` nothing is summed: which places some pair brackets is all that is asked.
    """
    ways = tuple(times_at(evidence.pipes, sensor, places) for sensor in evidence.sensors)
    log_ratio = np.repeat(grid.log_prior[:, None], places.piece.size, axis=1)
    bracketed = np.zeros(places.piece.size, dtype=bool)
    nearest_s = np.min([way.time_s for way in ways], axis=0)
    alone = len(evidence.hearings) == 1
    log_scattered = 0.0
    for hearing in evidence.hearings:
        a, b = ways[hearing.a], ways[hearing.b]
        heard = np.isfinite(a.time_s) & np.isfinite(b.time_s)
        bracketed |= heard & (a.by_first_end != b.by_first_end)
        if only_which:
            continue
        by_group_s, variance_s2 = pair_delays(evidence, hearing, places, ways=ways)
        by_group_s = by_group_s[heard]
        sd_s = np.sqrt(variance_s2[heard] + (by_group_s**2) @ grid.blur_share**2)
        delay_s = grid.factor @ by_group_s.T
        curve = _curve(hearing, alone=alone, largest_sd_s=float(sd_s.max(initial=0.0)))
        echoes = (1 - hearing.believed) * np.exp(min(curve.log_anywhere, 500.0))
        log_scattered += weight * float(np.log(echoes + hearing.believed))
        for row, delays in zip(log_ratio, delay_s, strict=True):
            row[heard] += weight * curve.log_at(delays, sd_s)
    return _Look(places, log_ratio, bracketed, nearest_s, log_scattered)


def _curve(hearing: PairHearing, *, alone: bool, largest_sd_s: float) -> BlurredRatio:
    """Blurred likelihood of a pair; where it stands alone there is nothing to overrule it."""
    return BlurredRatio(
        hearing.grid_s,
        hearing.log_alone if alone and hearing.log_alone is not None else hearing.log_weighed,
        wrong=0.0 if alone else wrong_share(hearing),
        largest_sd_s=largest_sd_s,
    )


def pair_delays(
    evidence: NetworkEvidence, hearing: PairHearing, places: Places, *, ways: Sequence[PlaceTimes]
) -> tuple[Floats, Floats]:
    """Delay of a leak at each place by group, and its variance without that of the groups.

    Parameters
    ----------
    evidence : NetworkEvidence
        For lengths, leads and the time between the two sensors.
    hearing : PairHearing
        The pair.
    places : Places
        Places.
    ways : sequence of PlaceTimes
        Ways from every sensor to the places.

    Returns
    -------
    by_group_s : numpy.ndarray
        Shape (k, g): arrival at B less arrival at A, time spent in each group. [s]
    variance_s2 : numpy.ndarray
        Shape (k,): of own errors of the pipes, lengths, leads, clocks, the model and the stretch. [s2]
    """
    a, b, settings = ways[hearing.a], ways[hearing.b], evidence.settings
    at_a, at_b = evidence.sensors[hearing.a], evidence.sensors[hearing.b]
    lead_a, lead_b = float(at_a.time_s[at_a.node]), float(at_b.time_s[at_b.node])
    time_a, time_b = a.time_s - lead_a, b.time_s - lead_b
    between_s = float(at_a.time_s[at_b.node]) - lead_a
    same = a.by_first_end == b.by_first_end
    # what both ways have in common next to the place cancels; where no way leads nothing is asked
    with np.errstate(invalid="ignore"):
        common_s = np.where(same, np.maximum((time_a + time_b - between_s) / 2, 0.0), 0.0)
        left_a = 1 - np.minimum(common_s / np.maximum(time_a, 1e-9), 1.0)
        left_b = 1 - np.minimum(common_s / np.maximum(time_b, 1e-9), 1.0)
    slowness = 1 / evidence.pipes.speed_m_s[places.piece]
    own_s = evidence.pipes.own_share[places.piece] * (b.run_s - a.run_s)
    way_m = left_a * a.length_m + left_b * b.length_m
    length_m = np.hypot(settings.length_sd_m, settings.length_sd_share * way_m)
    leads_s = settings.lead_sd_share * np.hypot(lead_a, lead_b)
    # a place stands for a stretch: over it a delay changes by twice its time, where the pair hears it change
    stretch_s = np.where(same, 0.0, 2 * slowness * places.width_m / np.sqrt(12))
    variance_s2 = np.asarray(
        left_a * a.before_s2
        + left_b * b.before_s2
        + own_s**2
        + (length_m**2 + (2 * settings.model_sd_m) ** 2) * slowness**2
        + leads_s**2
        + stretch_s**2
        + hearing.clock_sd_s**2,
        dtype=np.float64,
    )
    return b.by_group_s - a.by_group_s, variance_s2


def _log_prior(look: _Look, evidence: NetworkEvidence) -> Floats:
    """Log of the prior probability of a leak per metre, shape (k,).

    One pair has shares of its own for what lies between its sensors and what lies beyond. Of several loggers
    the map says what is between: a leak is as likely on any metre, and heard the less the farther from all.
    """
    settings, width_m, bracketed = evidence.settings, look.places.width_m, look.bracketed
    inside, outside = settings.prior_between, settings.prior_beyond
    if len(evidence.hearings) > 1:
        log_heard = -np.log(2) * look.nearest_s / HALF_HEARD_S
        heard_m = float(np.sum(width_m * np.exp(log_heard)))
        several: Floats = log_heard + np.log((inside + outside) / max(heard_m, 1e-9))
        return several
    inside_m, outside_m = float(width_m[bracketed].sum()), float(width_m[~bracketed].sum())
    if not (inside_m and outside_m):
        inside = outside = inside + outside
    per_m = np.array([outside / max(outside_m, 1e-9), inside / max(inside_m, 1e-9)])
    log_prior: Floats = np.log(per_m)[bracketed.astype(np.intp)]
    return log_prior


def _worth_another_look(places: Places, log_density: Floats) -> Flags:
    """Places that are not far below the best, and those beside them on the same piece."""
    worth: Flags = log_density > log_density.max() + np.log(LEAST_SHARE)
    ends = np.flatnonzero(np.diff(places.piece)) + 1
    grown = [
        ndimage.binary_dilation(part, iterations=BESIDE) if part.any() else part
        for part in np.split(worth, ends)
    ]
    return np.asarray(np.concatenate(grown), dtype=np.bool_)
