"""Probability along the mains by a single pair of loggers: side streets and what lies beyond them included.

The pair is weighed at every place on the mains as any number of loggers are. How probable it is that the
source lies between the two, and beyond either, is taken from the pair's own answer, which knows of echoes on
its path and of how often such answers were right. Like that answer it supposes that the noise took the
shortest way: a main of another way round between the two gets nothing (the result notes that there is one).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.network.area import sets_of_places
from netcorr.position.network.evidence import gather_evidence
from netcorr.position.network.layer import likely_stretches
from netcorr.position.network.times import times_at
from netcorr.position.network.weigh import weigh

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.fix import LikelyStretch, PairFix
    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.weigh import Weighed
    from netcorr.position.settings import LocateSettings
    from netcorr.position.sites import Site
    from netcorr.position.travel import PathTimes

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Times that differ by no more than this are equal. [s]
SAME_S = 1e-7


def likelihood_of_pair(
    network: PipeNetwork,
    sites: Sequence[Site],
    pair: tuple[PairFix, PathTimes],
    *,
    settings: LocateSettings,
) -> tuple[LikelyStretch, ...]:
    """Probability of a leak along all mains within reach of a pair.

    Parameters
    ----------
    network : PipeNetwork
        The map.
    sites : sequence of Site
        Where the loggers stood.
    pair : (PairFix, PathTimes)
        The pair with its answer, and the times along its path.
    settings : LocateSettings
        Priors and standard deviations.

    Returns
    -------
    tuple of LikelyStretch
        Their probabilities sum to that of a leak; none where the recordings told nothing.
    """
    fix, _ = pair
    leak = fix.probability_between + fix.probability_beyond_a + fix.probability_beyond_b
    if fix.outcome == "nothing learnt" or leak <= 0:
        return ()
    evidence = gather_evidence(network, sites, [pair], settings=settings)
    weighed = weigh(evidence)
    share = np.zeros(weighed.probability.size)
    for part, probability in zip(
        _parts(evidence, weighed),
        (fix.probability_between, fix.probability_beyond_a, fix.probability_beyond_b),
        strict=True,
    ):
        on_part = np.where(part, weighed.probability, 0.0)
        share += on_part * (probability / leak / max(float(on_part.sum()), 1e-300))
    total = float(share.sum())
    told = replace(weighed, probability=share / max(total, 1e-300), leak=leak * total)
    return likely_stretches([told], evidence.pipes)


def _parts(evidence: NetworkEvidence, weighed: Weighed) -> tuple[Flags, Flags, Flags]:
    """Places on the path or in side streets off it, beyond A, and beyond B."""
    [hearing] = evidence.hearings
    at_a, at_b = evidence.sensors[hearing.a], evidence.sensors[hearing.b]
    lead_a_s, lead_b_s = float(at_a.time_s[at_a.node]), float(at_b.time_s[at_b.node])
    a_s = times_at(evidence.pipes, at_a, weighed.places).time_s - lead_a_s
    b_s = times_at(evidence.pipes, at_b, weighed.places).time_s - lead_b_s
    apart_s = float(at_a.time_s[at_b.node]) - lead_a_s
    with np.errstate(invalid="ignore"):  # where no way leads is nothing of these
        beyond_a, beyond_b = b_s - a_s >= apart_s - SAME_S, a_s - b_s >= apart_s - SAME_S
    off_s = np.where(np.isfinite(a_s + b_s), (a_s + b_s - apart_s) / 2, np.inf)
    return _on_or_off(evidence, weighed, off_s) & ~(beyond_a | beyond_b), beyond_a, beyond_b


def _on_or_off(evidence: NetworkEvidence, weighed: Weighed, off_s: Floats) -> Flags:
    """Places on the path, and those of side streets that begin there; `off_s` is the way to the path."""
    places, bracketed = weighed.places, weighed.bracketed
    sets = sets_of_places(places, bracketed, evidence.pipes)
    begins_s = np.full(int(sets.max()) + 1, np.inf)
    np.minimum.at(begins_s, sets, off_s - places.width_m / evidence.pipes.speed_m_s[places.piece])
    return np.where(bracketed, off_s <= SAME_S, begins_s[sets] <= SAME_S)
