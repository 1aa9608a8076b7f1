"""How clearly each pair should hear a leak at every place, against how clearly it does.

Pressure falls at every tee and along every main, so the map foretells which sensors hear a leak best. Noise
at the sensors and their mountings differ by several decibels, so this says little of where along a main a
leak is; but it says well on which side of a sensor, and how far beyond it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from netcorr.delay.band_tables import log_mean
from netcorr.delay.products import product

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.position.network.arrivals import NetworkArrivals
    from netcorr.position.network.hearing import PairHearing
    from netcorr.position.network.times import Places

    Floats = NDArray[np.float64]

#: Standard deviations of the logarithm of a pair's evidence: what each of its two sensors adds (noise, gain
#: and mounting: 4 dB, common practice), what all share, and what is left (echoes that add up or cancel).
#: Those of sensors and of the rest explain 30 + 9 + 8 simulated surveys best; the benchmark has others.
SENSOR_SD = 0.9
COMMON_SD = 0.5
PAIR_SD = 1.8
#: Evidence of a pair that hears nothing. [nats]
FLOOR_NATS = 5.0
#: Ratio of the power of the leak to that of the noise at a sensor where nothing is lost, gone through. [dB]
SOURCE_DB = np.arange(0.0, 45.0, 5.0)


def log_loudness(hearings: Sequence[PairHearing], arrivals: NetworkArrivals, places: Places) -> Floats:
    """Log of the likelihood of how clearly the pairs hear, for a leak at each place.

    Parameters
    ----------
    hearings : sequence of PairHearing
        All pairs; those that are believed less, for a logger that does not fit, say nothing of it.
    arrivals : NetworkArrivals
        Pressure that each sensor gets from every piece.
    places : Places
        Where.

    Returns
    -------
    numpy.ndarray
        Shape (k,): up to a constant.
    """
    return log_heard(hearings, arrivals.pressure_at(places))


def log_heard(hearings: Sequence[PairHearing], pressure: Floats) -> Floats:
    """Log of the likelihood of how clearly the pairs hear, for pressures that are known.

    Parameters
    ----------
    hearings : sequence of PairHearing
        As for `log_loudness`.
    pressure : numpy.ndarray
        Shape (sensors, k): share of the pressure that each sensor gets from each place.

    Returns
    -------
    numpy.ndarray
        Shape (k,): up to a constant.
    """
    return HeardLevels(hearings).log_of(pressure)


class HeardLevels:
    """How clearly the pairs of a survey hear, to be held against what a map foretells.

    Parameters
    ----------
    hearings : sequence of PairHearing
        All pairs; of those that are believed less nothing is asked.
    """

    def __init__(self, hearings: Sequence[PairHearing]) -> None:
        self._a, self._b = (np.array([getattr(one, name) for one in hearings]) for name in ("a", "b"))
        self._most = np.array([one.most_nats for one in hearings])
        self._asked = np.flatnonzero([one.believed == 1 for one in hearings])
        self._log_seen = np.log(FLOOR_NATS + np.array([one.heard for one in hearings])[self._asked])
        covariance = _covariance(self._a[self._asked], self._b[self._asked])
        self._whiten = np.linalg.inv(np.linalg.cholesky(covariance))

    def log_of(self, pressure: Floats) -> Floats:
        """Log of the likelihood of what the pairs hear of one source, however loud it is.

        Parameters
        ----------
        pressure : numpy.ndarray
            Shape (sensors, k): share of the pressure that each sensor gets from each place.

        Returns
        -------
        numpy.ndarray
            Shape (k,): up to a constant, 0 at most.
        """
        power = pressure**2
        by_source = []
        for source_db in SOURCE_DB:
            ratio = power * 10 ** (source_db / 10)
            by_source.append(self.log_likelihood(self.expected(ratio / (1 + ratio))))
        return log_mean(by_source)

    def expected(self, share: Floats) -> Floats:
        """Evidence of each pair, where a source has such a share of the power at each sensor.

        Parameters
        ----------
        share : numpy.ndarray
            Shape (..., sensors, k).

        Returns
        -------
        numpy.ndarray
            Shape (..., pairs, k). [nats]
        """
        nats: Floats = self._most[:, None] * share[..., self._a, :] * share[..., self._b, :]
        return nats

    def log_likelihood(self, expected: Floats) -> Floats:
        """Log of the likelihood of what the pairs hear where so much is expected.

        Parameters
        ----------
        expected : numpy.ndarray
            Shape (pairs, k). [nats]

        Returns
        -------
        numpy.ndarray
            Shape (k,): up to a constant.
        """
        off = self._log_seen[:, None] - np.log(FLOOR_NATS + expected[self._asked])
        log: Floats = -0.5 * (product(self._whiten, off) ** 2).sum(axis=0)
        return log


def _covariance(a: NDArray[np.int64], b: NDArray[np.int64]) -> Floats:
    """Covariance of the logarithms of what the pairs hear, shape (pairs, pairs)."""
    of_pair = np.zeros((a.size, int(max(a.max(initial=0), b.max(initial=0))) + 1))
    of_pair[np.arange(a.size), a] = of_pair[np.arange(a.size), b] = 1
    covariance: Floats = PAIR_SD**2 * np.eye(a.size) + SENSOR_SD**2 * of_pair @ of_pair.T + COMMON_SD**2
    return covariance
