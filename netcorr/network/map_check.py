"""A network looked over as a whole: what hangs together, what nearly does, what is missing, the verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from netcorr.feedback import Feedback, NoFeedback, check_cancelled
from netcorr.layers.names import is_blank
from netcorr.network.connected import Connected, connected
from netcorr.network.fitness import STRAY_M, Findings, Fix, Judged, Level, in_order_of_effect, judge, verdict
from netcorr.network.gap_effects import GapEffects, gap_effects, pieces_at
from netcorr.network.near_misses import NearMisses, find_near_misses
from netcorr.network.pipe_attributes import MATERIAL, lacking_attributes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netcorr.network.pipe_network import PipeNetwork

#: An end nearer than this to a main of another piece is listed unless something else is asked for. [m]
NEAR_M = 15.0
#: Widths at which the pieces that would remain are counted, as far as they are within the search. [m]
TOLERANCES_M = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)

_SILENT = NoFeedback()


@dataclass(frozen=True, eq=False)
class MapCheck:
    """What was found on a network.

    Attributes
    ----------
    network : PipeNetwork
        The network.
    parts : Connected
        Its edges and pieces.
    gaps : NearMisses
        Near misses, and crossings where a joint may be missing.
    effects : GapEffects
        What closing them would do.
    lacking : pandas.DataFrame
        Mains without material or diameter, or with assumed ones, as `lacking_attributes` gives them.
    near_m : float
        How near an end had to come to a main to be listed. [m]
    remaining : tuple of (float, int)
        Width [m], and the pieces that would remain with all gaps up to it closed.
    judged : tuple of Judged
        Every rule of the verdict.
    fixes : tuple of Fix
        What to put right, by effect.
    """

    network: PipeNetwork
    parts: Connected
    gaps: NearMisses
    effects: GapEffects
    lacking: pd.DataFrame
    near_m: float
    remaining: tuple[tuple[float, int], ...]
    judged: tuple[Judged, ...]
    fixes: tuple[Fix, ...]

    @property
    def level(self) -> Level:
        """Verdict over all rules."""
        return verdict(self.judged)


def check_network(network: PipeNetwork, *, near_m: float = NEAR_M, feedback: Feedback = _SILENT) -> MapCheck:
    """Look over a network and judge whether it is fit for locating leaks.

    Parameters
    ----------
    network : PipeNetwork
        Built or opened.
    near_m : float
        An end this near to a main of another piece is listed. [m]
    feedback : Feedback
        Told of the progress.

    Returns
    -------
    MapCheck

    Raises
    ------
    CancelledError
        If `feedback` says so.
    """
    feedback.progress(0.0, "looking for pieces")
    parts = connected(network)
    check_cancelled(feedback)
    feedback.progress(0.3, "looking for near misses")
    gaps = find_near_misses(network, parts, near_m=near_m)
    check_cancelled(feedback)
    feedback.progress(0.9, "judging")
    effects = gap_effects(parts, gaps)
    lacking = lacking_attributes(parts)
    widths = [width for width in TOLERANCES_M if width < near_m] + [near_m]
    result = MapCheck(
        network=network,
        parts=parts,
        gaps=gaps,
        effects=effects,
        lacking=lacking,
        near_m=near_m,
        remaining=tuple(zip(widths, pieces_at(parts, gaps, widths), strict=True)),
        judged=judge(_findings(network, parts, effects, lacking)),
        fixes=in_order_of_effect(_fixes(network, parts, gaps, effects, lacking)),
    )
    feedback.progress(1.0)
    return result


def _findings(network: PipeNetwork, parts: Connected, effects: GapEffects, lacking: pd.DataFrame) -> Findings:
    moved = network.log["moved_m"][network.log["change"].isin(("joined", "overshoot"))]
    return Findings(
        total_m=parts.total_m,
        apart_m=effects.apart_m + _stray_m(parts, effects),
        unknown_m=float(lacking["length_m"][lacking["stops"].astype(bool)].sum()),
        assumed_m=float(lacking["length_m"][lacking["assumed"] != ""].sum()),
        fittings=len(network.fittings),
        on_main=int((network.fittings["node"] >= 0).sum()),
        moved_m=float(moved.max()) if len(moved) else 0.0,
    )


def _stray_m(parts: Connected, effects: GapEffects) -> float:
    """Metres in short pieces that nothing comes near to; the longest piece of all is never one."""
    system_m = np.bincount(effects.system, parts.length_m)
    stray = system_m < STRAY_M
    if len(effects.system):
        stray[effects.system[0]] = False
    longest = np.full(len(system_m), 0.0)
    np.maximum.at(longest, effects.system, parts.length_m)
    return float(longest[stray].sum())


def _fixes(
    network: PipeNetwork, parts: Connected, gaps: NearMisses, effects: GapEffects, lacking: pd.DataFrame
) -> Iterator[Fix]:
    ids, total_m = parts.columns["pipe_id"], max(parts.total_m, 1e-9)
    used, is_crossing = np.flatnonzero(effects.order > 0), gaps.is_crossing
    for k in used[np.argsort(effects.order[used])].tolist():
        yield Fix(
            "crossing" if is_crossing[k] else "gap",
            str(ids[gaps.edge[k]]),
            share=float(effects.opens_m[k] / total_m),
            amount=float(effects.opens_m[k]),
            other=str(ids[gaps.other[k]]),
            gap_m=float(gaps.gap_m[k]),
            alone_m=float(gaps.connects_m[k]),
        )
    stops = lacking[lacking["stops"].astype(bool)]
    says_nothing = stops["material_text"].map(is_blank).astype(bool)
    unread = stops["missing"].str.startswith(MATERIAL) & ~says_nothing
    for text, metres in stops[unread].groupby("material_text")["length_m"].sum().items():
        yield Fix("material", str(text), share=float(metres / total_m), amount=float(metres))
    for text, mains in stops[~unread].groupby("missing"):
        metres = float(mains["length_m"].sum())
        only = str(mains["pipe_id"].iloc[0]) if len(mains) == 1 else ""
        yield Fix("attribute", str(text), share=metres / total_m, amount=metres, other=only)
    off = int((network.fittings["node"] < 0).sum())
    if off:
        yield Fix("fittings", "", share=off / len(network.fittings), amount=off)
    loops = int((gaps.piece == gaps.other_piece).sum())
    if loops:
        yield Fix("loops", "", share=0.0, amount=loops)
