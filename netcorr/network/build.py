"""Layers to a network: mains cut where they touch, joined where they meet, with their fittings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from netcorr.errors import NetworkError
from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.layers.collection import without_collection
from netcorr.network.attach import Attached, NodePlaces, nearest_mains, place_at_nodes
from netcorr.network.clean import usable_mains, without_duplicates, without_zero_length
from netcorr.network.doubles import without_doubles
from netcorr.network.graph import graph_from_pieces, measured_ratio
from netcorr.network.joints import find_joints, joint_places
from netcorr.network.lines import Lines
from netcorr.network.log import ChangeLog
from netcorr.network.near import Boxes
from netcorr.network.overshoots import without_overshoots
from netcorr.network.pieces import Cuts, cut_lines
from netcorr.network.pipe_network import FITTING_COLUMNS, PipeNetwork
from netcorr.network.tolerances import SAME_PLACE_M, Tolerances
from netcorr.network.valves import part_at_valves

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.layers.network_layers import NetworkLayers
    from netcorr.network.joints import Joints
    from netcorr.network.lines import Floats, Ints

_DEFAULT = Tolerances()
_SILENT = NoFeedback()


@without_collection(lasting=True)
def build_network(
    layers: NetworkLayers, *, tolerances: Tolerances = _DEFAULT, feedback: Feedback = _SILENT
) -> PipeNetwork:
    r"""Build the network that the layers depict.

    Mains are cut where the end of another touches them, ends near to each other are joined, and fittings
    sit at nodes of the nearest main. Crossings without an end do not connect. A closed valve
    gives every pipe at it a node of its own; these are linked by edges that are not open, of length 0, with
    the valve's id as `pipe_id`. A main out of service keeps its edges, not open.

    Parameters
    ----------
    layers : NetworkLayers
        Mains and fittings.
    tolerances : Tolerances
        How far things may lie apart and still be one. [m]
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    PipeNetwork
        The numbers of nodes and edges do not depend on the order of features.

    Raises
    ------
    NetworkError
        If there is no usable main, a geometry is of another kind, or two fittings share an id.
    CancelledError
        If `feedback` says so.

    Notes
    -----
    The two ends of a main are never joined to each other unless it is drawn as a ring, so short mains
    survive any tolerance. The drawn length of an edge is measured on the ellipsoid after its ends were
    moved to their nodes; a measured length of a main is shared out among its pieces in proportion to it.

    Examples
    --------
    >>> import geopandas as gpd, numpy as np
    >>> from shapely import LineString, Point
    >>> from netcorr.layers.network_layers import FITTINGS_COLUMNS, MAINS_COLUMNS, NetworkLayers
    >>> main = dict.fromkeys(MAINS_COLUMNS, np.nan) | {"material": None, "in_service": True}
    >>> mains = gpd.GeoDataFrame(
    ...     [main | {"asset_id": "M1"}, main | {"asset_id": "M2"}],
    ...     geometry=[LineString([(5e5, 0), (500090, 0)]), LineString([(500030, 0.1), (500030, 50)])],
    ...     crs="EPSG:32633",
    ... )
    >>> hydrant = {"asset_id": "H1", "kind": "hydrant", "is_open": True}
    >>> fittings = gpd.GeoDataFrame([hydrant], geometry=[Point(500060, 2)], crs="EPSG:32633")
    >>> network = build_network(NetworkLayers("example", mains=mains, fittings=fittings))
    >>> sorted(d["pipe_id"] for _, _, d in network.graph.edges(data=True))
    ['M1', 'M1', 'M1', 'M2']
    >>> print(*network.log["text"], sep="\n")
    cut 30.0 m from its start, where the end of main M2 touches it
    start moved 0.10 m to a joint
    sits on main M1, drawn 2.00 m from it
    """
    _check(layers)
    log = ChangeLog(layers.mains.crs)
    feedback.progress(0.0, "cleaning mains")
    lines = _clean_lines(layers, log)
    feedback.progress(0.2, "joining mains")
    check_cancelled(feedback)
    lines, boxes, near = without_overshoots(lines, Boxes.about(lines), tolerances=tolerances, log=log)
    joints = find_joints(lines, near, tolerances=tolerances)
    feedback.progress(0.5, "attaching fittings")
    check_cancelled(feedback)
    attached = nearest_mains(layers, lines, boxes, tolerances=tolerances, log=log)
    cuts, node_xy, fitting_node = _nodes(
        layers, lines, joints, attached=attached, tolerances=tolerances, log=log
    )
    feedback.progress(0.6, "cutting mains")
    check_cancelled(feedback)
    pieces = cut_lines(lines, cuts, end_node=joints.end_joint, node_xy=node_xy, crs=layers.mains.crs)
    ratio = measured_ratio(lines, pieces, log)
    pieces = without_doubles(lines, pieces, node_xy=node_xy, tolerances=tolerances, log=log)
    valves, nodes = _closed_valves(layers, fitting_node)
    parted = part_at_valves(pieces, node_xy, valves=valves, nodes=nodes, log=log)
    feedback.progress(0.8, "building the graph")
    check_cancelled(feedback)
    graph, number = graph_from_pieces(lines, pieces, parted, ratio=ratio, crs=layers.mains.crs)
    node = np.where(fitting_node >= 0, number[fitting_node], -1)
    feedback.progress(1.0)
    return PipeNetwork(
        source=layers.source,
        graph=graph,
        fittings=_fittings(layers, lines, attached=attached, node=node),
        log=log.frame(),
        crs=layers.mains.crs,
        notes=layers.notes,
        tolerances=tolerances,
    )


def _check(layers: NetworkLayers) -> None:
    fittings = layers.fittings
    if fittings.crs != layers.mains.crs:
        raise NetworkError(
            f"{layers.source}, fittings",
            found=f"CRS {fittings.crs.name}, while the mains have {layers.mains.crs.name}",
            remedy="bring both to one CRS; read_network_layers does",
        )
    twice = fittings["asset_id"][fittings["asset_id"].duplicated()]
    if len(twice):
        raise NetworkError(
            f"{layers.source}, fitting {twice.iloc[0]}",
            found=f"{int((fittings['asset_id'] == twice.iloc[0]).sum())} fittings have this id",
            remedy="give every fitting an id of its own",
        )


def _clean_lines(layers: NetworkLayers, log: ChangeLog) -> Lines:
    mains = usable_mains(layers, log)
    lines = Lines.from_frame(mains, layers.mains.crs)
    keep = without_duplicates(lines, without_zero_length(lines, log), log)
    if not keep.any():
        raise NetworkError(
            f"{layers.source}, mains", found="no main has a length", remedy="give a layer of lines"
        )
    return lines if keep.all() else lines.take(keep)


def _nodes(
    layers: NetworkLayers,
    lines: Lines,
    joints: Joints,
    *,
    attached: Attached,
    tolerances: Tolerances,
    log: ChangeLog,
) -> tuple[Cuts, Floats, Ints]:
    """All cuts, places of all nodes (joints first), and the node of each fitting (-1: none)."""
    cut_xyz = lines.at(joints.cut_line, joints.cut_along_m)
    node_xy, node_plane = joint_places(lines, joints, cut_xyz)
    _log_joints(lines, joints, node_xy=node_xy, node_plane=node_plane, log=log)
    cuts = Cuts.sorted_from(joints.cut_line, along_m=joints.cut_along_m, node=joints.cut_joint)
    fitting_node = np.full(len(attached.line), -1)
    closed = ~layers.fittings["is_open"].to_numpy(dtype=bool)
    # a closed valve gets its own cut, so that it shuts the pipe it is drawn on; then the other fittings
    for which, join_m in ((closed, SAME_PLACE_M), (~closed, tolerances.join_m)):
        asked = np.flatnonzero(which & (attached.line >= 0))
        narrow = fitting_node[closed]
        places = NodePlaces.of(lines, joints.end_joint, cuts=cuts, reach_m=join_m, narrow=narrow)
        found, new_line, new_along_m = place_at_nodes(
            lines, places, line=attached.line[asked], along_m=attached.along_m[asked], join_m=join_m
        )
        new_node = _moved_ends(lines, joints, node_plane, line=new_line, along_m=new_along_m)
        fresh = new_node < 0
        new_node[fresh] = len(node_xy) + np.arange(np.count_nonzero(fresh))
        fitting_node[asked] = np.where(found >= 0, found, np.append(new_node, -1)[np.maximum(-1 - found, 0)])
        new_line, new_along_m, new_node = new_line[fresh], new_along_m[fresh], new_node[fresh]
        cuts = cuts.with_more(new_line, along_m=new_along_m, node=new_node)
        node_xy = np.vstack([node_xy, lines.at(new_line, new_along_m)[:, :2]])
    return cuts, node_xy, fitting_node


def _moved_ends(lines: Lines, joints: Joints, node_plane: Floats, *, line: Ints, along_m: Floats) -> Ints:
    """Joint to which an end of the same main was moved, where that is the very place asked for; else -1.

    A cut there would leave a piece of main without a length.
    """
    places = lines.at_plane(line, along_m)
    found = np.full(len(line), -1)
    for side in (1, 0):
        joint = joints.end_joint[2 * line + side]
        here = np.hypot(*(places - node_plane[joint]).T) <= SAME_PLACE_M
        found[here] = joint[here]
    return found


def _closed_valves(layers: NetworkLayers, fitting_node: Ints) -> tuple[NDArray[np.object_], Ints]:
    """Ids and nodes of the closed valves that sit on a main, sorted by id."""
    ids = layers.fittings["asset_id"].to_numpy(dtype=object)
    closed = np.flatnonzero(~layers.fittings["is_open"].to_numpy(dtype=bool) & (fitting_node >= 0))
    closed = closed[np.argsort(ids[closed].astype(str), kind="stable")]
    return ids[closed], fitting_node[closed]


def _log_joints(lines: Lines, joints: Joints, *, node_xy: Floats, node_plane: Floats, log: ChangeLog) -> None:
    ids = lines.ids
    moved_m = np.hypot(*(lines.ends - node_plane[joints.end_joint]).T)
    moved = np.flatnonzero(moved_m > SAME_PLACE_M / 10)
    centimetres = np.rint(moved_m[moved] * 100).astype(int)
    code, unique = pd.factorize(2 * centimetres + moved % 2)  # one text for all that read the same
    words = [f"{'end' if k % 2 else 'start'} moved {k // 2 / 100:.2f} m to a joint" for k in unique.tolist()]
    text = np.array(words, dtype=object)[code].tolist()
    places = node_xy[joints.end_joint[moved]]
    log.add("joined", ids[moved // 2], xy=places, text=text, moved_m=moved_m[moved])
    text = [
        f"cut {along:.1f} m from its start, where the end of main {other} touches it"
        for along, other in zip(joints.cut_along_m.tolist(), ids[joints.touch_end // 2], strict=True)
    ]
    log.add("cut", ids[joints.cut_line], xy=node_xy[joints.cut_joint], text=text)
    short = joints.kept_apart
    text = [
        f"its ends stay apart: the main is {length:.2f} m long" for length in lines.length_m[short].tolist()
    ]
    log.add("kept_apart", ids[short], xy=lines.xyz[lines.first[short], :2], text=text)


def _fittings(layers: NetworkLayers, lines: Lines, *, attached: Attached, node: Ints) -> gpd.GeoDataFrame:
    source = layers.fittings
    pipe_id = np.full(len(source), None, dtype=object)
    on = attached.line >= 0
    pipe_id[on] = lines.ids[attached.line[on]]
    columns: dict[str, Any] = {
        "kind": source["kind"].to_numpy(dtype=object),
        "is_open": source["is_open"].to_numpy(dtype=bool),
        "node": node,
        "pipe_id": pd.Series(pipe_id, dtype=object),  # None stays None
        "offset_m": attached.offset_m,
    }
    frame = gpd.GeoDataFrame(columns, geometry=source.geometry.to_numpy(), crs=source.crs)
    frame.index = source["asset_id"].to_numpy(dtype=object)
    frame.index.name = "asset_id"
    return frame[[*FITTING_COLUMNS, "geometry"]]
