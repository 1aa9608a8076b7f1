"""Where the drawing nearly connects: ends and joints that come near to a main beyond the tolerances."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from netcorr.network.crossings import Crossings, find_crossings
from netcorr.network.ground import geodesic_distances_m
from netcorr.network.plane_edges import PlaneEdges
from netcorr.network.tolerances import SAME_PLACE_M
from netcorr.network.way_round import shortest_ways_m

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.connected import Connected
    from netcorr.network.lines import Floats, Ints
    from netcorr.network.pipe_network import PipeNetwork

#: Within one piece closing a gap connects nothing that is apart, it closes a loop: there an end is listed up
#: to this share of the distance only, unless its main points at the other, as one drawn too short does.
SAME_PIECE_SHARE = 1 / 3
#: How far the gap may turn from the way the main runs, for the main to point at it. [degrees]
POINTS_AT_DEG = 30.0
#: The way that a main runs is that of this last bit of it. [m]
_LAST_BIT_M = 1.0
#: An end near a main of its own piece is a gap when the way round along the mains is at least this long, and
#: at least so many times the gap; else it is a short branch beside the main that it leaves. [m]
WAY_ROUND_M = 30.0
WAY_ROUND_FACTOR = 5.0

#: Kinds of near miss and what each means.
NEAR_MISS_KINDS = {
    "end to end": "the end of a main lies near to the end of another",
    "end to joint": "the end of a main lies near to a joint of others",
    "end to main": "the end of a main lies beside another main",
    "joint to main": "a joint lies near to a main of another piece, and no end does",
    "end past main": "a main crosses another without a joint, shortly before its own end",
    "crossing": "mains of two pieces cross without a joint",
}


@dataclass(frozen=True, eq=False)
class NearMisses:
    """Gaps in the drawing, and crossings where a joint may be missing.

    Attributes
    ----------
    kind : numpy.ndarray of str, shape (g,)
        Key of `NEAR_MISS_KINDS`.
    edge, other : numpy.ndarray of int, shape (g,)
        Edges (rows of `Connected.columns`) that do not meet; of `edge` it is an end or a joint.
    node : numpy.ndarray of int, shape (g,)
        That end or joint; -1 for a crossing.
    at_node : numpy.ndarray of int, shape (g,)
        Node of `other` at which the nearest place is; -1 between its nodes.
    gap_m : numpy.ndarray of float, shape (g,)
        Ground distance; for a crossing 0. [m]
    past_m : numpy.ndarray of float, shape (g,)
        Main beyond the crossing, for 'end past main'; NaN else. [m]
    from_xy, to_xy : numpy.ndarray of float, shape (g, 2)
        The end and the nearest place on the other main (for crossings both are the crossing), on the map.
    piece, other_piece : numpy.ndarray of int, shape (g,)
        Pieces on either side.
    connects_m : numpy.ndarray of float, shape (g,)
        Metres that closing this gap alone would connect: the shorter of two pieces, 0 within one. [m]
    """

    kind: NDArray[np.object_]
    edge: Ints
    other: Ints
    node: Ints
    at_node: Ints
    gap_m: Floats
    past_m: Floats
    from_xy: Floats
    to_xy: Floats
    piece: Ints
    other_piece: Ints
    connects_m: Floats

    def __len__(self) -> int:
        return len(self.edge)

    @property
    def is_crossing(self) -> NDArray[np.bool_]:
        """Whether each is a crossing, with or without an end behind it; the others are gaps. Shape (g,)."""
        return np.isin(self.kind, ("crossing", "end past main"))

    def take(self, which: Any) -> NearMisses:
        """Some of them, in the order asked for."""
        return NearMisses(**{field.name: getattr(self, field.name)[which] for field in fields(self)})


def find_near_misses(network: PipeNetwork, parts: Connected, *, near_m: float) -> NearMisses:
    """Find the gaps of a network, and the crossings where a joint may be missing.

    Parameters
    ----------
    network : PipeNetwork
        The network; what its tolerances closed is closed.
    parts : Connected
        Its edges and pieces.
    near_m : float
        How near an end must come to a main of another piece to be listed. [m]

    Returns
    -------
    NearMisses
        What connects most comes first; among equals the smaller gap. A larger `near_m` only adds to them.

    Notes
    -----
    An end is listed with the nearest main of another piece, and with one of its own piece if that is nearer
    and lies within a third of the distance or straight ahead (of two, the one straight ahead unless the other
    is at a third of its distance). Two ends that face each other are one gap.
    """
    edges = PlaneEdges.of(parts, network.crs)
    crossings = find_crossings(parts, edges, near_m=near_m, same_piece_m=near_m * SAME_PIECE_SHARE)
    ends = _of_ends(network, parts, edges, near_m=near_m)
    past = _pair_number(crossings.node, crossings.other)
    ends = ends[~np.isin(_pair_number(ends["node"], ends["other"]), past)]
    table = pd.concat([ends, _of_joints(parts, edges, ends=ends, crossings=crossings, near_m=near_m)])
    return _sorted(parts, _joined(network, parts, edges, table, crossings))


def _candidates(parts: Connected, edges: PlaneEdges, nodes: Ints, near_m: float, which: Ints) -> pd.DataFrame:
    """Pairs of a node and an edge of `which` that is near to it but does not end there."""
    tree = shapely.STRtree(edges.lines[which])
    row, found = tree.query(edges.points[nodes], predicate="dwithin", distance=near_m)
    node, other = nodes[row], which[found]
    foreign = (edges.start[other] != node) & (edges.stop[other] != node)
    node, other = node[foreign], other[foreign]
    gap = shapely.distance(edges.points[node], edges.lines[other])
    return pd.DataFrame(
        {
            "node": node,
            "other": other,
            "gap": gap,
            "apart": parts.node_piece[node] != parts.edge_piece[edges.row[other]],
        }
    )


def _of_ends(network: PipeNetwork, parts: Connected, edges: PlaneEdges, *, near_m: float) -> pd.DataFrame:
    """Ends of mains at which nothing else is, and what they come near to.

    What is kept of each is what the smallest distance would list, so that a larger one only adds.
    """
    at = np.bincount(np.concatenate([edges.start, edges.stop]), minlength=len(parts.node_xy))
    ends = np.flatnonzero((parts.degree == 1) & (at == 1))
    table = _candidates(parts, edges, ends, near_m, np.arange(len(edges)))
    table["edge"] = edges.edge_at(table["node"].to_numpy())
    plain = table["apart"] | _points_at(edges, table)
    table["need"] = table["gap"].where(plain, table["gap"] / SAME_PIECE_SHARE)
    table = table[table["need"] <= near_m]
    table = table[table["apart"] | _is_far_round(network, parts, edges, table)]
    best = _nearest(edges, table, ["node", "apart"], first="need")
    other_gap = best["node"].map(best[best["apart"]].set_index("node")["gap"]).fillna(np.inf)
    best = best[best["apart"] | (best["gap"] < other_gap - SAME_PLACE_M / 10)]
    return _once(edges, best).drop(columns="need")


def _nearest(edges: PlaneEdges, table: pd.DataFrame, by: list[str], *, first: str = "gap") -> pd.DataFrame:
    """The nearest of each group; of equally near ones that with the first id."""
    order = np.lexsort((edges.id_rank[table["other"]], np.round(table[first].to_numpy(), 4)))
    return table.iloc[order].drop_duplicates(by)


def _points_at(edges: PlaneEdges, table: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether the main runs towards the nearest place on the other."""
    node, own, other = (table[name].to_numpy(dtype=np.intp) for name in ("node", "edge", "other"))
    end, line = edges.points[node], edges.lines[own]
    at_start = edges.start[own] == node
    inside = shapely.line_interpolate_point(line, np.where(at_start, _LAST_BIT_M, -_LAST_BIT_M))
    along = shapely.line_locate_point(edges.lines[other], end)
    goal = shapely.line_interpolate_point(edges.lines[other], along)
    here, before, there = (shapely.get_coordinates(spots).reshape(-1, 2) for spots in (end, inside, goal))
    run, gap = here - before, there - here
    towards = np.einsum("ij,ij->i", run, gap)
    least = np.cos(np.radians(POINTS_AT_DEG)) * np.hypot(*run.T) * np.hypot(*gap.T)
    return np.asarray(towards >= least, dtype=np.bool_)


def _is_far_round(
    network: PipeNetwork, parts: Connected, edges: PlaneEdges, table: pd.DataFrame
) -> NDArray[np.bool_]:
    """Whether the way along the mains from the end to the other main is long beside the gap."""
    far = np.ones(len(table), dtype=bool)
    ask = np.flatnonzero(~table["apart"].to_numpy())
    if not len(ask):
        return far
    rows = table.iloc[ask]
    node, other = rows["node"].to_numpy(), rows["other"].to_numpy()
    along = shapely.line_locate_point(edges.lines[other], edges.points[node])
    limit = np.maximum(WAY_ROUND_M, WAY_ROUND_FACTOR * rows["gap"].to_numpy())
    way = shortest_ways_m(network, parts, edges, node=node, other=other, along_m=along, limit_m=limit)
    far[ask] = way >= limit
    return far


def _once(edges: PlaneEdges, table: pd.DataFrame) -> pd.DataFrame:
    """Two ends of two mains that name each other are one gap; the nearer one says how wide."""
    order = np.lexsort((edges.id_rank[table["edge"]], np.round(table["need"].to_numpy(), 4)))
    table = table.iloc[order]
    one, other = table["edge"], table["other"]
    pair = [np.minimum(one, other), np.maximum(one, other)]
    return table[one == one.groupby(pair).transform("first")]


def _of_joints(
    parts: Connected, edges: PlaneEdges, *, ends: pd.DataFrame, crossings: Crossings, near_m: float
) -> pd.DataFrame:
    """Nearest joint between each two pieces that no nearer end, and no crossing, brings together."""
    if len(parts.length_m) < 2:
        return ends.iloc[:0]
    piece = parts.edge_piece[edges.row]
    joints = np.flatnonzero((parts.degree > 1) & (parts.node_piece >= 0))
    main = parts.node_piece[joints] == 0
    small, large = np.flatnonzero(piece > 0), np.arange(len(edges))
    table = pd.concat(
        [
            _candidates(parts, edges, joints[~main], near_m, large),
            _candidates(parts, edges, joints[main], near_m, small),
        ]
    )
    table = table[table["apart"]].copy()
    table["edge"] = edges.edge_at(table["node"].to_numpy())
    ours = _pair(piece, table)
    table["pair"] = ours
    table = _nearest(edges, table, ["pair"])
    by_end = pd.Series(ends["gap"].to_numpy(), index=_pair(piece, ends)).groupby(level=0).min()
    nearer = table["pair"].map(by_end).fillna(np.inf) <= table["gap"]
    met = np.isin(table["pair"], _piece_pairs(piece[crossings.edge], piece[crossings.other]))
    return table[~(nearer.to_numpy(dtype=bool) | met)].drop(columns="pair")


def _pair(piece: Ints, table: pd.DataFrame) -> Ints:
    return _piece_pairs(piece[table["edge"]], piece[table["other"]])


def _piece_pairs(one: Ints, other: Ints) -> Ints:
    """One number for two pieces, in either order."""
    return _pair_number(np.minimum(one, other), np.maximum(one, other))


def _pair_number(one: Any, other: Any) -> Ints:
    """One number for two numbers."""
    return np.asarray(np.asarray(one, dtype=np.int64) * 2**31 + np.asarray(other, dtype=np.int64))


def _joined(
    network: PipeNetwork, parts: Connected, edges: PlaneEdges, table: pd.DataFrame, crossings: Crossings
) -> NearMisses:
    """Gaps and crossings in one table, measured on the ground."""
    node, edge, other = (table[name].to_numpy(dtype=np.intp) for name in ("node", "edge", "other"))
    along_m = shapely.line_locate_point(edges.lines[other], edges.points[node])
    to_xy, at_node = edges.place(other, np.asarray(along_m, dtype=float))
    from_xy = parts.node_xy[node]
    gap_m = geodesic_distances_m(from_xy[:, 0], from_xy[:, 1], to_xy[:, 0], to_xy[:, 1], network.crs)
    n = len(crossings)
    at_end = np.where(at_node >= 0, np.where(parts.degree[at_node] == 1, "end to end", "end to joint"), "")
    kind = np.where(at_end == "", "end to main", at_end)
    kind = np.where(parts.degree[node] > 1, "joint to main", kind)
    past = np.where(np.isnan(crossings.past_m), "crossing", "end past main")
    return NearMisses(
        kind=np.concatenate([kind, past]).astype(object),
        edge=edges.row[np.concatenate([edge, crossings.edge])],
        other=edges.row[np.concatenate([other, crossings.other])],
        node=np.concatenate([node, crossings.node]),
        at_node=np.concatenate([at_node, np.full(n, -1)]),
        gap_m=np.concatenate([gap_m, np.zeros(n)]),
        past_m=np.concatenate([np.full(len(node), np.nan), crossings.past_m]),
        from_xy=np.vstack([from_xy, crossings.xy]),
        to_xy=np.vstack([to_xy, crossings.xy]),
        piece=parts.edge_piece[edges.row[np.concatenate([edge, crossings.edge])]],
        other_piece=parts.edge_piece[edges.row[np.concatenate([other, crossings.other])]],
        connects_m=np.zeros(len(node) + n),
    )


def _sorted(parts: Connected, found: NearMisses) -> NearMisses:
    shorter = np.minimum(parts.length_m[found.piece], parts.length_m[found.other_piece])
    connects_m = np.where(found.piece == found.other_piece, 0.0, shorter)
    ids = parts.columns["pipe_id"]
    order = np.lexsort(
        (
            pd.factorize(ids[found.other], sort=True)[0],
            pd.factorize(ids[found.edge], sort=True)[0],
            np.round(found.gap_m, 4),
            found.kind == "crossing",
            -np.round(connects_m, 3),
        )
    )
    columns = {field.name: getattr(found, field.name) for field in fields(found)}
    return NearMisses(**columns | {"connects_m": connects_m}).take(order)
