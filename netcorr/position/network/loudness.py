"""How clearly each pair should hear a leak at every place, against how clearly it does.

Pressure falls at every tee and along every main, so the map foretells which sensors hear a leak best. Noise
at the sensors and their mountings differ by several decibels, so this says little of where along a main a
leak is; but it says well on which side of a sensor, and how far beyond it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import logsumexp

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
        All pairs; those that mostly show echoes of a known source say nothing of how loud another is.
    arrivals : NetworkArrivals
        Pressure that each sensor gets from every piece.
    places : Places
        Where.

    Returns
    -------
    numpy.ndarray
        Shape (k,): up to a constant.
    """
    hearings = [one for one in hearings if one.believed == 1]
    if not hearings:
        return np.zeros(places.piece.size)
    a, b = (np.array([getattr(one, name) for one in hearings]) for name in ("a", "b"))
    seen = np.log(FLOOR_NATS + np.array([max(one.heard, 0.0) for one in hearings]))
    most = np.array([one.most_nats for one in hearings])
    precision = np.linalg.inv(_covariance(a, b))
    power = arrivals.pressure_at(places) ** 2
    by_source = []
    for source_db in SOURCE_DB:
        ratio = power * 10 ** (source_db / 10)
        share = ratio / (1 + ratio)
        off = seen[:, None] - np.log(FLOOR_NATS + most[:, None] * share[a] * share[b])
        by_source.append(-0.5 * np.einsum("ik,ij,jk->k", off, precision, off, optimize=True))
    total: Floats = logsumexp(by_source, axis=0) - np.log(len(by_source))
    return total


def _covariance(a: NDArray[np.int64], b: NDArray[np.int64]) -> Floats:
    """Covariance of the logarithms of what the pairs hear, shape (pairs, pairs)."""
    of_pair = np.zeros((a.size, int(max(a.max(), b.max())) + 1))
    of_pair[np.arange(a.size), a] = of_pair[np.arange(a.size), b] = 1
    covariance: Floats = PAIR_SD**2 * np.eye(a.size) + SENSOR_SD**2 * of_pair @ of_pair.T + COMMON_SD**2
    return covariance
