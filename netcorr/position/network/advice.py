"""Where one more logger would settle most of what is still open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.position.network.times import sensor_times, times_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.weigh import Weighed

    Floats = NDArray[np.float64]

#: An area as short as this is dug, not surveyed again. [m]
SHORT_ENOUGH_M = 15.0
#: Places that matter hold this share of the probability.
SHARE = 0.95
#: So many fittings nearest to the most probable place are tried.
MOST_TRIED = 80
#: Delays that lie farther apart than this many standard deviations are told apart.
APART_SD = 4.0
#: Advice is given when the area shrinks to less than this share of what it is.
WORTH_IT = 0.7


@dataclass(frozen=True)
class Advice:
    """The fitting whose logger would shrink the area most.

    Attributes
    ----------
    fitting : str
        Its asset id.
    now_m, then_m : float
        Length of main that a leak may lie on now, and with one more logger there, on average. [m]
    """

    fitting: str
    now_m: float
    then_m: float

    def __str__(self) -> str:
        """One sentence."""
        return (
            f"a logger on {self.fitting} would settle most of what is open: some {self.then_m:.0f} m of main "
            f"would be left to search on average instead of {self.now_m:.0f} m (worked out from the map, for "
            "a leak as loud there as here)"
        )


def next_fitting(
    evidence: NetworkEvidence, weighed: Weighed, *, network: PipeNetwork, taken: Sequence[str]
) -> Advice | None:
    """Find the fitting at which one more logger tells most.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence.
    weighed : Weighed
        Probability along the mains.
    network : PipeNetwork
        For the fittings.
    taken : sequence of str
        Fittings that have a logger.

    Returns
    -------
    Advice or None
        None where the area is short already, or no fitting would make it much shorter.

    Notes
    -----
    For a leak at each likely place the new logger and each of the two nearest old ones have one delay. Places
    whose delays are told apart by their uncertainty are cells; the expected length is the sum over cells of
    their probability times their length.
    """
    chosen = _likely(weighed)
    places, mass = weighed.places.take(chosen), weighed.probability[chosen]
    mass = mass / mass.sum()
    now_m = float(places.width_m.sum())
    if now_m <= SHORT_ENOUGH_M:
        return None
    fittings, nodes = _fittings_near(evidence, network, places.piece[int(np.argmax(mass))], taken)
    if not fittings:
        return None
    old = [times_at(evidence.pipes, sensor, places) for sensor in evidence.sensors]
    order = np.argsort([float(mass @ np.where(np.isfinite(w.time_s), w.time_s, 1e3)) for w in old])[:2]
    found = []
    for fitting, sensor in zip(
        fittings, sensor_times(evidence.pipes, nodes, lead_m=[0.0] * len(nodes)), strict=True
    ):
        new_s = times_at(evidence.pipes, sensor, places).time_s
        heard = np.isfinite(new_s)
        cells = np.zeros((places.piece.size, 2), dtype=np.int64)
        for column, number in enumerate(order.tolist()):
            delay_s = np.where(heard, new_s - old[number].time_s, 0.0)
            width_s = APART_SD * np.hypot(0.0005, 0.01 * np.sqrt(np.abs(delay_s) * 0.08))
            cells[:, column] = np.floor(delay_s / float(np.median(width_s))).astype(np.int64)
        _, cell = np.unique(cells, axis=0, return_inverse=True)
        length_m = np.bincount(cell.ravel(), places.width_m)
        found.append(Advice(fitting, now_m, float(np.bincount(cell.ravel(), mass) @ length_m)))
    best = min(found, key=lambda one: one.then_m)
    return best if best.then_m < WORTH_IT * now_m else None


def _likely(weighed: Weighed) -> NDArray[np.bool_]:
    """Places that together hold most of the probability."""
    order = np.argsort(-weighed.probability / weighed.places.width_m)
    count = int(np.searchsorted(np.cumsum(weighed.probability[order]), SHARE)) + 1
    chosen = np.zeros(weighed.probability.size, dtype=bool)
    chosen[order[:count]] = True
    return chosen


def _fittings_near(
    evidence: NetworkEvidence, network: PipeNetwork, piece: int, taken: Sequence[str]
) -> tuple[list[str], list[int]]:
    """Fittings on the mains within reach without a logger, one for each node, nearest to a piece first."""
    pipes, known = evidence.pipes, set(evidence.pipes.nodes.tolist())
    used = {int(pipes.nodes[sensor.node]) for sensor in evidence.sensors}
    rows = network.fittings[network.fittings["node"].isin(known - used)]
    rows = rows[~rows.index.isin(list(taken)) & rows["is_open"].astype(bool)]
    if not len(rows):
        return [], []
    middle = pipes.data[piece]["geometry"].interpolate(0.5, normalized=True)
    rows = rows.assign(away=rows.geometry.distance(middle)).sort_values("away").drop_duplicates("node")
    rows = rows.head(MOST_TRIED)
    return [str(name) for name in rows.index], [int(node) for node in rows["node"]]
