"""Travel times from every sensor to every place on the mains, with the parts of which they are made.

A wave takes the quickest way. From each sensor one search (Dijkstra) gives the time to every node, and at a
place on a piece of main the time is the smaller of those by its two ends. Beside the time itself the way is
remembered in parts: time in each group of pipes that shares an error of its speed, the variance that the
pipes' own errors add, its length, and the end by which it leaves. A way keeps its course while the speeds
change by a few per cent; only its time changes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy import sparse
from scipy.sparse import csgraph

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.position.network.pipes import ReachedPipes

    Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SensorTimes:
    """Ways from one sensor to all nodes.

    Attributes
    ----------
    node : int
        Row of the node at which it hears the mains.
    time_s : numpy.ndarray
        Shape (n,): travel time, lead included; infinite where no way leads. [s]
    by_group_s : numpy.ndarray
        Shape (n, g): the same by group of pipes. [s]
    length_m : numpy.ndarray
        Shape (n,): length of main. [m]
    before_s2 : numpy.ndarray
        Shape (n,): variance by the pipes' own errors, without that of the last main. [s2]
    last_s : numpy.ndarray
        Shape (n,): time in the last main of the way. [s]
    last_pipe : numpy.ndarray
        Shape (n,): number of that main, -1 at the sensor itself.
    last_share : numpy.ndarray
        Shape (n,): own standard deviation of its speed, as a share.
    """

    node: int
    time_s: Floats
    by_group_s: Floats
    length_m: Floats
    before_s2: Floats
    last_s: Floats
    last_pipe: NDArray[np.int64]
    last_share: Floats


@dataclass(frozen=True, eq=False)
class Places:
    """Places on the mains, each standing for a short stretch.

    Attributes
    ----------
    piece : numpy.ndarray
        Shape (k,): row of the pieces of `ReachedPipes`.
    from_m : numpy.ndarray
        Shape (k,): distance from the piece's first end. [m]
    width_m : numpy.ndarray
        Shape (k,): length of main that it stands for, half on either side. [m]
    """

    piece: NDArray[np.int64]
    from_m: Floats
    width_m: Floats

    def take(self, chosen: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Places:
        """Those chosen."""
        return Places(self.piece[chosen], self.from_m[chosen], self.width_m[chosen])

    def at(self, row: int) -> Places:
        """One of them."""
        return self.take(slice(row, row + 1))


def in_order(parts: Sequence[Places]) -> tuple[Places, NDArray[np.intp]]:
    """Places of several looks as one, along the pieces.

    Parameters
    ----------
    parts : sequence of Places
        Without a place in common.

    Returns
    -------
    places : Places
        In the order of the pieces.
    order : numpy.ndarray
        Shape (k,): that of the places among all parts, one part after the other.
    """
    piece, from_m, width_m = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("piece", "from_m", "width_m")
    )
    order = np.lexsort((from_m, piece))
    return Places(piece, from_m, width_m).take(order), order


def points_of(places: Places, pipes: ReachedPipes) -> NDArray[np.object_]:
    """Places on the map, shape (k,)."""
    lines = np.array([data["geometry"] for data in pipes.data])[places.piece]
    share = places.from_m / pipes.length_m[places.piece]
    points: NDArray[np.object_] = shapely.line_interpolate_point(lines, share, normalized=True)
    return points


@dataclass(frozen=True, eq=False)
class PlaceTimes:
    """Ways from one sensor to places.

    Attributes
    ----------
    time_s : numpy.ndarray
        Shape (k,): travel time. [s]
    by_group_s : numpy.ndarray
        Shape (k, g): the same by group. [s]
    length_m : numpy.ndarray
        Shape (k,): length of main. [m]
    by_first_end : numpy.ndarray
        Shape (k,): whether the way leaves the piece by its first end.
    before_s2, run_s : numpy.ndarray
        Shape (k,): variance by the own errors of other mains, and time in the main of the place. [s2], [s]
    other_end_s : numpy.ndarray
        Shape (k,): how much later what leaves by the other end of the piece arrives. [s]
    """

    time_s: Floats
    by_group_s: Floats
    length_m: Floats
    by_first_end: NDArray[np.bool_]
    before_s2: Floats
    run_s: Floats
    other_end_s: Floats

    def take(self, chosen: NDArray[np.intp]) -> PlaceTimes:
        """Those of some of the places."""
        return PlaceTimes(**{one.name: getattr(self, one.name)[chosen] for one in fields(self)})


def even_places(pipes: ReachedPipes, *, spacing_m: float) -> Places:
    """Places along all pieces, evenly spaced on each, none farther apart than asked for.

    Parameters
    ----------
    pipes : ReachedPipes
        The mains.
    spacing_m : float
        Longest distance from one to the next. [m]

    Returns
    -------
    Places
        In the middle of equal stretches, piece after piece.
    """
    piece, zero = np.arange(pipes.length_m.size), np.zeros(pipes.length_m.size)
    return _split(piece, zero, pipes.length_m, spacing_m)[0]


def finer_places(places: Places, *, spacing_m: float) -> tuple[Places, NDArray[np.int64]]:
    """Split each stretch into equal ones no longer than asked for.

    Parameters
    ----------
    places : Places
        Stretches.
    spacing_m : float
        Longest stretch. [m]

    Returns
    -------
    finer : Places
        Shape (l,).
    row : numpy.ndarray
        Shape (l,): which of `places` each is part of.
    """
    return _split(places.piece, places.from_m - places.width_m / 2, places.width_m, spacing_m)


def _split(
    piece: NDArray[np.int64], start_m: Floats, length_m: Floats, spacing_m: float
) -> tuple[Places, NDArray[np.int64]]:
    count = np.maximum(np.ceil(length_m / spacing_m - 1e-9).astype(np.int64), 1)
    row = np.repeat(np.arange(piece.size), count)
    number = np.arange(row.size) - np.repeat(np.cumsum(count) - count, count)
    width_m = (length_m / count)[row]
    return Places(piece[row], start_m[row] + (number + 0.5) * width_m, width_m), row


def sensor_times(
    pipes: ReachedPipes, nodes: Sequence[int], *, lead_m: Sequence[float]
) -> tuple[SensorTimes, ...]:
    """Quickest ways from each sensor to all nodes.

    Parameters
    ----------
    pipes : ReachedPipes
        The mains.
    nodes : sequence of int
        Node of the network's graph at which each sensor hears the mains.
    lead_m : sequence of float
        Lead of each sensor; its speed is that of the quickest main there. [m]

    Returns
    -------
    tuple of SensorTimes
        One for each sensor.
    """
    rows = [pipes.row_of(node) for node in nodes]
    matrix, piece_of = _quickest(pipes)
    time_s, before = csgraph.dijkstra(matrix, indices=rows, return_predecessors=True)
    return tuple(
        _along_tree(pipes, row, lead_m=lead, time_s=time_s[i], before=before[i], piece_of=piece_of)
        for i, (row, lead) in enumerate(zip(rows, lead_m, strict=True))
    )


def quickest_pieces(pipes: ReachedPipes) -> dict[tuple[int, int], int]:
    """The quickest of the pieces that join two nodes, in either direction.

    Parameters
    ----------
    pipes : ReachedPipes
        The mains.

    Returns
    -------
    dict of (int, int) to int
        Rows of two nodes to the row of the piece.
    """
    piece_of: dict[tuple[int, int], int] = {}
    for piece in np.argsort(-pipes.travel_s, kind="stable").tolist():  # the quickest last
        u, v = pipes.ends[piece].tolist()
        piece_of[u, v] = piece_of[v, u] = piece
    return piece_of


def _quickest(pipes: ReachedPipes) -> tuple[sparse.csr_array, dict[tuple[int, int], int]]:
    """Matrix of travel times between nodes, and the piece of the quickest way between each two."""
    piece_of, travel_s = quickest_pieces(pipes), pipes.travel_s
    keys = np.array(list(piece_of), dtype=np.int64)
    values = travel_s[list(piece_of.values())]
    n = pipes.nodes.size
    return sparse.csr_array((values, (keys[:, 0], keys[:, 1])), shape=(n, n)), piece_of


def _along_tree(
    pipes: ReachedPipes,
    node: int,
    *,
    lead_m: float,
    time_s: Floats,
    before: NDArray[np.int32],
    piece_of: dict[tuple[int, int], int],
) -> SensorTimes:
    """Add up the parts of the ways, nearest nodes first."""
    n = pipes.nodes.size
    travel_s, pipe, group = pipes.travel_s, pipes.pipe, pipes.group
    by_group = np.zeros((n, len(pipes.groups)))
    length_m, before_s2, last_s, last_share = (np.zeros(n) for _ in range(4))
    last_pipe = np.full(n, -1, dtype=np.int64)
    beside = np.flatnonzero((pipes.ends == node).any(axis=1))
    lead_s = lead_m / float(pipes.speed_m_s[beside].max())
    by_group[node, group[beside[np.argmax(pipes.speed_m_s[beside])]]] = lead_s
    reached = np.flatnonzero(np.isfinite(time_s))
    for at in reached[np.argsort(time_s[reached], kind="stable")].tolist():
        if at == node:
            continue
        origin = int(before[at])
        piece = piece_of[origin, at]
        by_group[at] = by_group[origin]
        by_group[at, group[piece]] += travel_s[piece]
        length_m[at] = length_m[origin] + pipes.length_m[piece]
        last_pipe[at], last_share[at] = pipe[piece], pipes.own_share[piece]
        if last_pipe[origin] == pipe[piece]:
            before_s2[at], last_s[at] = before_s2[origin], last_s[origin] + travel_s[piece]
        else:
            before_s2[at] = before_s2[origin] + (last_share[origin] * last_s[origin]) ** 2
            last_s[at] = travel_s[piece]
    return SensorTimes(node, time_s + lead_s, by_group, length_m, before_s2, last_s, last_pipe, last_share)


def times_at(pipes: ReachedPipes, sensor: SensorTimes, places: Places) -> PlaceTimes:
    """Ways from a sensor to places.

    Parameters
    ----------
    pipes : ReachedPipes
        The mains.
    sensor : SensorTimes
        Ways to the nodes.
    places : Places
        Where to.

    Returns
    -------
    PlaceTimes
        By the end of the piece that is reached first.
    """
    piece = places.piece
    u, v = pipes.ends[piece, 0], pipes.ends[piece, 1]
    into_u = places.from_m / pipes.speed_m_s[piece]
    into_v = (pipes.length_m[piece] - places.from_m) / pipes.speed_m_s[piece]
    by_u, by_v = sensor.time_s[u] + into_u, sensor.time_s[v] + into_v
    first = by_u <= by_v
    node, into_s = np.where(first, u, v), np.where(first, into_u, into_v)
    by_group = sensor.by_group_s[node].copy()
    by_group[np.arange(piece.size), pipes.group[piece]] += into_s
    goes_on = sensor.last_pipe[node] == pipes.pipe[piece]
    with np.errstate(invalid="ignore"):  # where no way leads
        other_end_s = np.abs(by_u - by_v)
    closed = (sensor.last_share[node] * sensor.last_s[node]) ** 2
    return PlaceTimes(
        time_s=np.where(first, by_u, by_v),
        by_group_s=by_group,
        length_m=sensor.length_m[node] + into_s * pipes.speed_m_s[piece],
        by_first_end=first,
        before_s2=sensor.before_s2[node] + np.where(goes_on, 0.0, closed),
        run_s=into_s + np.where(goes_on, sensor.last_s[node], 0.0),
        other_end_s=other_end_s,
    )
