"""Another source beside known ones: which of them each pair hears, and how much more that explains.

With two leaks in a survey most pairs hear one of them far louder than the other: the one to which their
sensors are nearer. What a pair shows is then that of the one or of the other, by odds that the map foretells
from how loud each source is. A second source is believed for the pairs that the first one does not explain,
never for what is left beside the first in pairs that it does: that is mostly echoes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.special import logsumexp

from netcorr.delay.band_tables import log_mean
from netcorr.position.network.hearing import pairs_asked, weight_of_pairs
from netcorr.position.network.look import shares_at
from netcorr.position.network.loudness import PAIR_SD, HeardLevels
from netcorr.position.network.times import even_places, finer_places, in_order, points_of
from netcorr.position.network.weigh import (
    FINE_M,
    HOPEFUL_PLACES,
    Weighed,
    coarse_m,
    log_near,
    worth_another_look,
)
from netcorr.position.network.widen import widened

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from shapely import Point

    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.look import KnownSpeeds, Shares
    from netcorr.position.network.times import Places

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Prior odds that a survey which hears one source hears one more (judgement). In 42 simulated surveys with
#: one leak (iron, 30 at +6 and 12 at -6 dB) all that a second would explain stayed below 0.7 nats.
ANOTHER = 0.2
#: Two leaks nearer than this to each other are one: what the first leaves open shows beside it. [m]
ANOTHER_M = 20.0
#: Powers of the sources against the noise at a sensor where nothing is lost, gone through. [dB]
POWERS_DB = np.arange(0.0, 45.0, 10.0)
#: How clearly the pairs hear counts with this power of its likelihood: it is that of one source, and is taken
#: for what the louder of two leaves.
LOUDNESS_POWER = 0.5
#: Evidence below this does not make a pair hear one rather than the other. [nats]
LEAST_NATS = 0.1
#: Odds with which a place of a long network is looked at first.
ROUGH_SHARE = 0.3


@dataclass(frozen=True, eq=False)
class KnownSource:
    """A source that was found already.

    Attributes
    ----------
    point : shapely.Point
        Where it is.
    share : numpy.ndarray
        Shape (asked,): the ratio that each pair asked shows at its delays, as a share of its highest.
    pressure : numpy.ndarray
        Shape (sensors,): share of its pressure that each sensor gets.
    """

    point: Point
    share: Floats
    pressure: Floats


def known_source(evidence: NetworkEvidence, weighed: Weighed) -> KnownSource:
    """Take the most probable place of a source as known.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence of several pairs.
    weighed : Weighed
        Probability of the source.

    Returns
    -------
    KnownSource
        Beside which another can be weighed.
    """
    one = weighed.places.at(weighed.best)
    share = shares_at(evidence, one, weighed, asked=pairs_asked(evidence.hearings)).share
    return KnownSource(points_of(one, evidence.pipes)[0], share[:, 0], _pressure(evidence, one)[:, 0])


@dataclass(frozen=True, eq=False)
class FirstLook:
    """All mains seen by all pairs: the same whichever sources are known.

    Attributes
    ----------
    places : Places
        Evenly along the mains.
    seen : Shares
        What the pairs asked show of a source there.
    """

    places: Places
    seen: Shares


def first_look(evidence: NetworkEvidence, speeds: KnownSpeeds) -> FirstLook:
    """Ask the pairs what they show along all mains.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence of several pairs.
    speeds : KnownSpeeds
        As the clearest source has them.

    Returns
    -------
    FirstLook
        For `weigh_another`.
    """
    places = even_places(evidence.pipes, spacing_m=coarse_m(evidence))
    return FirstLook(places, shares_at(evidence, places, speeds, asked=pairs_asked(evidence.hearings)))


def weigh_another(
    evidence: NetworkEvidence,
    known: Sequence[KnownSource],
    *,
    speeds: KnownSpeeds,
    prior_odds: float = ANOTHER,
    fine_m: float = FINE_M,
    first: FirstLook | None = None,
) -> Weighed:
    """Weigh one more source at every place.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence of several pairs.
    known : sequence of KnownSource
        At least one.
    speeds : KnownSpeeds
        As the clearest source has them.
    prior_odds : float
        Odds that there is one more, before the recordings are looked at.
    fine_m : float
        Spacing of the places where the evidence is sharp. [m]
    first : FirstLook, optional
        With the same evidence and speeds; taken anew when not given.

    Returns
    -------
    Weighed
        Probability along the mains; `leak` is that of one more source, and `log_evidence` is against what the
        known ones explain.
    """
    beside = _Beside(evidence, known)
    first = first or first_look(evidence, speeds)
    coarse, bracketed = first.places, first.seen.bracketed
    gain, log_prior = beside.look(coarse, first.seen)
    log_metres = float(logsumexp(log_prior, b=coarse.width_m))
    again = worth_another_look(coarse, gain + log_prior, fine_m=fine_m)
    finer, _ = finer_places(coarse.take(again), spacing_m=fine_m)
    seen = shares_at(evidence, finer, speeds, asked=pairs_asked(evidence.hearings))
    finer_gain, finer_prior = beside.look(finer, seen)
    places, order = in_order((coarse.take(~again), finer))
    log_prior = np.concatenate([log_prior[~again], finer_prior])[order] - log_metres
    log_mass = np.concatenate([gain[~again], finer_gain])[order] + log_prior + np.log(places.width_m)
    log_evidence = float(logsumexp(log_mass))
    probability = np.exp(log_mass - log_evidence)
    log_odds = np.log(prior_odds) + log_evidence
    return Weighed(
        places=places,
        probability=widened(
            evidence, places, probability, log_prior=log_prior, slowness_sd=speeds.slowness_sd
        ),
        bracketed=np.concatenate([bracketed[~again], seen.bracketed])[order],
        leak=float(1 / (1 + np.exp(-np.clip(log_odds, -700, 700)))),
        log_evidence=log_evidence,
        slowness=speeds.slowness,
        slowness_sd=speeds.slowness_sd,
        weight=beside.weight,
    )


class _Beside:
    """What one more source explains beside those that are known.

    The known ones are as loud against each other as the map foretells of sources alike; how loud they all
    are, and how loud the other one is, is gone through.
    """

    def __init__(self, evidence: NetworkEvidence, known: Sequence[KnownSource]) -> None:
        self.weight = weight_of_pairs(evidence.hearings)
        self._evidence = evidence
        asked = pairs_asked(evidence.hearings)
        self._levels = HeardLevels([evidence.hearings[number] for number in asked])
        self._points = [one.point for one in known]
        self._share = np.stack([one.share for one in known])[:, :, None]
        power = (np.stack([one.pressure for one in known]) ** 2)[:, :, None]
        self._powers = [10 ** (db / 10) * power for db in POWERS_DB]
        self._log_alone = log_mean([self._explained(one, self._share) for one in self._powers])

    def look(self, places: Places, seen: Shares) -> tuple[Floats, Floats]:
        """What another source explains at places, and log of the prior of a metre there."""
        log_prior = np.where(self._too_near(places), -np.inf, log_near(seen.nearest_s))
        return self._gain(places, seen.share), log_prior

    def _gain(self, places: Places, share: Floats) -> Floats:
        """Log of how much more is explained with another source at each place, shape (k,)."""
        if places.piece.size <= HOPEFUL_PLACES:
            return self._gain_of(places, share)
        # all places of a long network are looked at with the same odds for all pairs
        known = self._share.mean(axis=0)
        gain = self.weight * np.log1p(ROUGH_SHARE * (share / known - 1)).sum(axis=0)
        hopeful = gain >= np.partition(gain, -HOPEFUL_PLACES)[-HOPEFUL_PLACES]
        gain[hopeful] = self._gain_of(places.take(hopeful), share[:, hopeful])
        return np.asarray(gain)

    def _gain_of(self, places: Places, share: Floats) -> Floats:
        """The same with the odds that the map foretells."""
        k = places.piece.size
        pressure = _pressure(self._evidence, places)[None] ** 2
        shares = np.concatenate([np.repeat(self._share, k, axis=2), share[None]])
        explained = [
            self._explained(np.concatenate([np.repeat(one, k, axis=2), 10 ** (db / 10) * pressure]), shares)
            for one in self._powers
            for db in POWERS_DB
        ]
        return log_mean(explained) - self._log_alone

    def _explained(self, power: Floats, share: Floats) -> Floats:
        """Log of what sources explain whose power is so many times that of the noise.

        Powers of shape (sources, sensors, k), shares of (sources, pairs, k); the answer has shape (k,).
        """
        nats = self._levels.expected(power / (1 + power.sum(axis=0)))
        odds = (nats + LEAST_NATS) ** (1 / PAIR_SD)
        heard = (odds * share).sum(axis=0) / odds.sum(axis=0)
        levels = self._levels.log_likelihood(nats.max(axis=0))
        explained: Floats = self.weight * np.log(heard).sum(axis=0) + LOUDNESS_POWER * levels
        return explained

    def _too_near(self, places: Places) -> Flags:
        """Places so near to a known source that they are no places of another."""
        points = points_of(places, self._evidence.pipes)
        near: Flags = np.any([shapely.dwithin(points, one, ANOTHER_M) for one in self._points], axis=0)
        return near


def _pressure(evidence: NetworkEvidence, places: Places) -> Floats:
    """Pressure that each sensor gets from each place, shape (sensors, k)."""
    if evidence.arrivals is None:
        raise ValueError("a single pair tells a second source by itself")
    return evidence.arrivals.pressure_at(places)
