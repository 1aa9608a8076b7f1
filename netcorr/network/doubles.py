"""Pieces of mains drawn over each other: one is kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from netcorr.network.tolerances import SAME_PLACE_M

if TYPE_CHECKING:
    from netcorr.network.lines import Floats, Ints, Lines
    from netcorr.network.log import ChangeLog
    from netcorr.network.pieces import Pieces
    from netcorr.network.tolerances import Tolerances


def without_doubles(
    lines: Lines, pieces: Pieces, *, node_xy: Floats, tolerances: Tolerances, log: ChangeLog
) -> Pieces:
    """Leave out pieces that run between the same nodes and along the same line as another.

    A main drawn over a part of another gives such pieces once both are cut, and so does an end that runs a
    decimetre past a joint. Left in, each would look like a second way of the same length. Of two pieces
    the one in service is kept, then the one that is a whole main. An end that runs past a joint and back
    to it is left out too.
    """
    low = np.minimum(pieces.from_node, pieces.to_node)
    high = np.maximum(pieces.from_node, pieces.to_node)
    table = pd.DataFrame({"low": low, "high": high})
    whole = np.bincount(pieces.line, minlength=len(lines))[pieces.line] == 1
    reach_m = 2 * (tolerances.cut_m + tolerances.end_m)
    spur = (low == high) & ~whole & (pieces.drawn_m <= reach_m)  # past a joint and back to it
    _log_spurs(lines, pieces, np.flatnonzero(spur), node_xy=node_xy, log=log)
    suspects = np.flatnonzero(table.duplicated(keep=False).to_numpy() & ~spur)
    if not len(suspects):
        return pieces.take(~spur)
    rank = np.lexsort((suspects, ~whole[suspects], ~lines.in_service[pieces.line[suspects]]))
    kept_at: dict[tuple[int, int], list[int]] = {}
    gone: list[tuple[int, int]] = []
    for k in suspects[rank].tolist():
        others = kept_at.setdefault((int(low[k]), int(high[k])), [])
        twin = next((o for o in others if _same(pieces, k, o, reach_m=0.0 if whole[k] else reach_m)), None)
        if twin is None:
            others.append(k)
        else:
            gone.append((k, twin))
    _log(lines, pieces, np.array(sorted(gone), dtype=np.intp).reshape(-1, 2), node_xy=node_xy, log=log)
    keep = ~spur
    keep[[k for k, _ in gone]] = False
    return pieces.take(keep)


def _log_spurs(lines: Lines, pieces: Pieces, spurs: Ints, *, node_xy: Floats, log: ChangeLog) -> None:
    text = [
        f"{length:.2f} m of it, past a joint and back to it, is left out" for length in pieces.drawn_m[spurs]
    ]
    log.add("spur", lines.ids[pieces.line[spurs]], xy=node_xy[pieces.from_node[spurs]], text=text)


def _same(pieces: Pieces, one: int, other: int, *, reach_m: float) -> bool:
    """Whether two pieces between the same nodes are one: both within reach of the joint, or on one line."""
    long_m = max(pieces.drawn_m[one], pieces.drawn_m[other])
    if long_m <= reach_m:
        return True
    if abs(pieces.drawn_m[one] - pieces.drawn_m[other]) > SAME_PLACE_M:
        return False
    a, b = pieces.geometry[one], pieces.geometry[other]
    metres_per_unit = pieces.drawn_m[one] / a.length if a.length else 1.0
    return bool(shapely.hausdorff_distance(a, b) * metres_per_unit <= SAME_PLACE_M)


def _log(lines: Lines, pieces: Pieces, gone: Ints, *, node_xy: Floats, log: ChangeLog) -> None:
    ids = lines.ids
    text = [
        f"{pieces.drawn_m[k]:.2f} m of it is drawn over main {ids[pieces.line[twin]]}, which is kept"
        for k, twin in gone.tolist()
    ]
    log.add("duplicate", ids[pieces.line[gone[:, 0]]], xy=node_xy[pieces.from_node[gone[:, 0]]], text=text)
