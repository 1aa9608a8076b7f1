"""Probability along the mains as stretches that an analyst can colour."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from shapely import LineString
from shapely.ops import substring

from netcorr.position.fix import LikelyStretch

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.position.network.pipes import ReachedPipes
    from netcorr.position.network.times import Places
    from netcorr.position.network.weigh import Weighed

    Floats = NDArray[np.float64]

#: Places are one stretch while the probability of a metre stays within this factor, or is next to nothing.
ALIKE = 1.6
NEXT_TO_NOTHING_PER_M = 1e-6


def likely_stretches(sources: Sequence[Weighed], pipes: ReachedPipes) -> tuple[LikelyStretch, ...]:
    """Probability along the mains, few stretches where it hardly changes and short ones where it does.

    Parameters
    ----------
    sources : sequence of Weighed
        Probability of places for each source, in the order of the pieces.
    pipes : ReachedPipes
        The mains.

    Returns
    -------
    tuple of LikelyStretch
        All mains within reach; for a single source their probabilities sum to that of a leak.
    """
    weighed = max(sources, key=lambda one: one.probability.size)
    places = weighed.places
    none = np.ones(places.piece.size)
    for source in sources:
        none *= 1 - np.clip(_mass_on(places, source) * source.leak, 0.0, 1.0)
    mass = 1 - none
    per_m = np.maximum(mass / places.width_m, NEXT_TO_NOTHING_PER_M)
    new = _new_stretch(np.log(per_m), places.piece, weighed.bracketed)
    firsts = np.flatnonzero(new)
    lasts = np.r_[firsts[1:], new.size] - 1
    sums = np.add.reduceat(mass, firsts)
    found = []
    for i, j, probability in zip(firsts.tolist(), lasts.tolist(), sums.tolist(), strict=True):
        piece = int(places.piece[i])
        low_m = max(float(places.from_m[i] - places.width_m[i] / 2), 0.0)
        high_m = min(float(places.from_m[j] + places.width_m[j] / 2), float(pipes.length_m[piece]))
        length_m = float(pipes.length_m[piece])
        line = substring(pipes.data[piece]["geometry"], low_m / length_m, high_m / length_m, normalized=True)
        if isinstance(line, LineString):
            found.append(
                LikelyStretch(
                    pipe_id=str(pipes.data[piece]["pipe_id"]),
                    from_m=low_m,
                    to_m=high_m,
                    probability=probability,
                    told_apart=bool(weighed.bracketed[i]),
                    line=line,
                )
            )
    return tuple(found)


def _mass_on(places: Places, source: Weighed) -> Floats:
    """Probability of a source on the stretch of each place, shape (k,), whatever places it was weighed at."""
    if source.places is places:
        return source.probability
    own = source.places
    # one axis for all pieces, far apart
    far = 1 + float(max(own.from_m.max(), places.from_m.max())) * 2
    end_m = own.piece * far + own.from_m + own.width_m / 2
    total = np.concatenate([[0.0], np.cumsum(source.probability)])
    edges = np.concatenate([[end_m[0] - own.width_m[0]], end_m])
    middle_m = places.piece * far + places.from_m
    low, high = (
        np.interp(middle_m + half, edges, total) for half in (-places.width_m / 2, places.width_m / 2)
    )
    mass: Floats = high - low
    return mass


def _new_stretch(
    log_per_m: Floats, piece: NDArray[np.int64], bracketed: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Whether a new stretch begins at each place."""
    new: NDArray[np.bool_] = np.r_[True, (piece[1:] != piece[:-1]) | (bracketed[1:] != bracketed[:-1])]
    start = 0.0
    limit = float(np.log(ALIKE))
    for row, value in enumerate(log_per_m.tolist()):
        if new[row] or abs(value - start) > limit:
            new[row], start = True, value
    return new
