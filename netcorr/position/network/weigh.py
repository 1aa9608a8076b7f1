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
from scipy.special import expit, logsumexp

from netcorr.position.network.hearing import LEAST_PEAK, weight_of_pairs
from netcorr.position.network.look import look_at
from netcorr.position.network.loudness import log_loudness
from netcorr.position.network.speeds import fixed_grid, narrowed_grid, prior_grid
from netcorr.position.network.times import even_places, finer_places, in_order
from netcorr.position.network.widen import widened

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.look import Look
    from netcorr.position.network.times import Places

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
#: Of leaks on the mains within reach so many are heard by no pair (judgement).
UNHEARD = 0.05
#: The second look goes where the first leaves more than this share of the probability of the best place.
LEAST_SHARE = 2e-3
#: and no more finer places are looked at than about this.
MOST_FINE = 40_000
#: Places on either side of these are looked at again as well.
BESIDE = 2


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
    slowness: Floats
    slowness_sd: Floats
    weight: float

    @property
    def best(self) -> int:
        """Row of the most probable place, metre for metre."""
        return int(np.argmax(self.probability / self.places.width_m))


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
        evidence, even_places(evidence.pipes, spacing_m=coarse_m(evidence)), weight=weight
    )
    coarse = wide.places.take(~far)
    first = look_at(evidence, coarse, grid, weight=weight)
    every_prior = _log_prior(wide, evidence)
    log_prior = every_prior[~far]
    by_place = logsumexp(first.log_ratio, axis=0) + log_prior
    again = worth_another_look(coarse, by_place, fine_m=fine_m)
    finer, row = finer_places(coarse.take(again), spacing_m=fine_m)
    narrow = narrowed_grid(grid, logsumexp(first.log_ratio + log_prior, axis=1), pipes=evidence.pipes)
    second = look_at(evidence, finer, narrow, weight=weight)
    finer_prior = log_prior[np.flatnonzero(again)][row]
    finer_log = logsumexp(second.log_ratio, axis=0) + finer_prior
    rest = ~again
    hopeless = (logsumexp(wide.log_ratio, axis=0) + every_prior)[far]
    log_density = np.concatenate([hopeless, by_place[rest], finer_log])
    places, order = in_order((wide.places.take(far), coarse.take(rest), finer))
    log_mass = log_density[order] + np.log(places.width_m)
    log_evidence = float(logsumexp(log_mass))
    probability = np.exp(log_mass - log_evidence)
    by_speed = logsumexp(second.log_ratio + finer_prior + np.log(finer.width_m), axis=1)
    slowness, slowness_sd = narrow.moments(by_speed)
    log_none = _log_none(evidence, log_evidence, gain=_gain(probability, places.width_m))
    if len(evidence.hearings) > 1:
        nearest_s = np.concatenate([wide.nearest_s[far], first.nearest_s[rest], second.nearest_s])[order]
        probability = widened(
            evidence,
            places,
            probability,
            log_prior=log_near(nearest_s),
            slowness_sd=slowness_sd,
            heard=_heard(evidence),
        )
    return Weighed(
        places=places,
        probability=probability,
        bracketed=np.concatenate([wide.bracketed[far], first.bracketed[rest], second.bracketed])[order],
        leak=float(1 / (1 + np.exp(np.clip(log_none - log_evidence - _log_silence(evidence), -700, 700)))),
        log_evidence=log_evidence,
        slowness=slowness,
        slowness_sd=slowness_sd,
        weight=weight,
    )


def _without_hopeless(evidence: NetworkEvidence, places: Places, *, weight: float) -> tuple[Look, Flags]:
    """Look at all places with all that is uncertain of the speeds as blur, and flag those far below the best.

    On a small network no place is flagged: only long ones are worth a look before the first.
    """
    if places.piece.size <= HOPEFUL_PLACES:
        wide = look_at(evidence, places, fixed_grid(evidence.pipes), weight=weight, only_which=True)
        return wide, np.zeros(places.piece.size, dtype=bool)
    wide = look_at(evidence, places, fixed_grid(evidence.pipes), weight=weight)
    log_density = logsumexp(wide.log_ratio, axis=0) + _log_prior(wide, evidence)
    least = np.partition(log_density, -HOPEFUL_PLACES)[-HOPEFUL_PLACES]
    return wide, log_density < least


def coarse_m(evidence: NetworkEvidence) -> float:
    """Spacing of the first look. [m]"""
    total_m = float(evidence.pipes.length_m.sum())
    return float(np.clip(total_m / MANY_PLACES, COARSE_M, COARSEST_M))


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


def _log_silence(evidence: NetworkEvidence) -> float:
    """Log of how probable a leak is that leaves all pairs as silent as they are; 0 where one hears clearly.

    A silent pair says next to nothing against any one place, which may be too far from it. But a leak is
    mostly heard by some pair.
    """
    if len(evidence.hearings) == 1:
        return 0.0  # a pair alone weighs its silence itself
    return float(np.log(UNHEARD + (1 - UNHEARD) * _heard(evidence)))


def _heard(evidence: NetworkEvidence) -> float:
    """How surely any pair hears something that lasts, 0 to 1."""
    clearest = max(hearing.heard for hearing in evidence.hearings)
    # of more pairs that hear nothing one is as high as this by chance
    return float(expit(clearest - LEAST_PEAK - np.log(len(evidence.hearings))))


def _log_prior(look: Look, evidence: NetworkEvidence) -> Floats:
    """Log of the prior probability of a leak per metre, shape (k,).

    One pair has shares of its own for what lies between its sensors and what lies beyond. Of several loggers
    the map says what is between: a leak is as likely on any metre, and heard the less the farther from all.
    """
    settings, width_m, bracketed = evidence.settings, look.places.width_m, look.bracketed
    inside, outside = settings.prior_between, settings.prior_beyond
    if len(evidence.hearings) > 1:
        log_heard = log_near(look.nearest_s)
        if evidence.arrivals is not None:
            log_heard = log_heard + log_loudness(evidence.hearings, evidence.arrivals, look.places)
        log_m = float(logsumexp(log_heard, b=width_m))
        several: Floats = log_heard + np.log(inside + outside) - log_m
        return several
    inside_m, outside_m = float(width_m[bracketed].sum()), float(width_m[~bracketed].sum())
    if not (inside_m and outside_m):
        inside = outside = inside + outside
    per_m = np.array([outside / max(outside_m, 1e-9), inside / max(inside_m, 1e-9)])
    log_prior: Floats = np.log(per_m)[bracketed.astype(np.intp)]
    return log_prior


def log_near(nearest_s: Floats) -> Floats:
    """Log of how probable it is that a leak so far from the nearest sensor is heard, shape (k,)."""
    log: Floats = -np.log(2) * nearest_s / HALF_HEARD_S
    return log


def worth_another_look(places: Places, log_density: Floats, *, fine_m: float) -> Flags:
    """Places that are not far below the best, and those beside them on the same piece.

    Where so many are that nothing is sharp, only the best are, up to `MOST_FINE` finer places.
    """
    worth: Flags = log_density > log_density.max() + np.log(LEAST_SHARE)
    order = np.argsort(-log_density, kind="stable")
    worth[order[np.cumsum(places.width_m[order]) > MOST_FINE * fine_m]] = False
    worth[order[0]] = True
    ends = np.flatnonzero(np.diff(places.piece)) + 1
    grown = [
        ndimage.binary_dilation(part, iterations=BESIDE) if part.any() else part
        for part in np.split(worth, ends)
    ]
    return np.asarray(np.concatenate(grown), dtype=np.bool_)
