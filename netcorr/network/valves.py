"""Closed valves part the network: their node becomes one node for each pipe, linked by closed edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.network.lines import Floats, Ints
    from netcorr.network.log import ChangeLog
    from netcorr.network.pieces import Pieces


@dataclass(frozen=True, eq=False)
class Parted:
    """The network with its closed valves open no more.

    Attributes
    ----------
    from_node, to_node : numpy.ndarray of int, shape (p,)
        Nodes of the pieces, some of them now twins.
    node_xy : numpy.ndarray of float, shape (m, 2)
        Places of the nodes, twins last.
    link_valve : tuple of str
        Valve of each link across it.
    link_nodes : numpy.ndarray of int, shape (k, 2)
        The node of the valve, and the twin.
    """

    from_node: Ints
    to_node: Ints
    node_xy: Floats
    link_valve: tuple[str, ...]
    link_nodes: Ints


def part_at_valves(
    pieces: Pieces, node_xy: Floats, *, valves: NDArray[np.object_], nodes: Ints, log: ChangeLog
) -> Parted:
    """Give every pipe at a closed valve a node of its own.

    Parameters
    ----------
    pieces : Pieces
        Pieces of mains.
    node_xy : numpy.ndarray of float, shape (m, 2)
        Places of the nodes.
    valves : numpy.ndarray of str, shape (c,)
        Ids of the closed valves, sorted.
    nodes : numpy.ndarray of int, shape (c,)
        Their nodes.
    log : ChangeLog
        Gets a row for each.

    Notes
    -----
    The map does not say which pipe a closed valve shuts where three or more meet. All are then parted from
    each other: a path that should exist is refused, with the valve named, rather than one found that
    is not there.
    """
    ends = np.column_stack([pieces.from_node, pieces.to_node]).ravel()
    at_valve = np.flatnonzero(np.isin(ends, nodes))
    by_node: dict[int, list[int]] = {}
    for end in at_valve.tolist():
        by_node.setdefault(int(ends[end]), []).append(end)
    link_valve: list[str] = []
    links: list[tuple[int, int]] = []
    parted: dict[int, str] = {}
    rows: list[tuple[str, str]] = []
    for valve, node in zip(valves.tolist(), nodes.tolist(), strict=True):
        here = by_node.get(node, [])
        rows.append(_change(pipes=len(here), shared=parted.get(node)))
        if node in parted:
            continue
        parted[node] = valve
        for end in here[1:]:
            ends[end] = len(node_xy) + len(links)
            links.append((node, int(ends[end])))
            link_valve.append(valve)
    for change in sorted({change for change, _ in rows}):
        which = [k for k, row in enumerate(rows) if row[0] == change]
        log.add(change, valves[which], xy=node_xy[nodes[which]], text=[rows[k][1] for k in which])
    link_nodes = np.array(links, dtype=np.intp).reshape(-1, 2)
    return Parted(
        from_node=ends[0::2],
        to_node=ends[1::2],
        node_xy=np.vstack([node_xy, node_xy[link_nodes[:, 0]]]),
        link_valve=tuple(link_valve),
        link_nodes=link_nodes,
    )


def _change(*, pipes: int, shared: str | None) -> tuple[str, str]:
    """Kind of change at a closed valve, and the words for it."""
    if shared is not None:
        return "closed", f"closed valve at the place of closed valve {shared}"
    if pipes < 2:
        return "closed_end", "closed valve at a dead end; nothing to part"
    if pipes == 2:
        return "closed", "closed valve; the pipes on either side do not connect"
    return "closed_joint", (
        f"closed valve where {pipes} pipes meet; all are taken as shut off from each other: "
        "move the valve onto the pipe that it shuts"
    )
