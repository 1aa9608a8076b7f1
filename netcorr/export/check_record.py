"""A checked map as plain values for machines: SI units, with the unit in every name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

import netcorr
from netcorr.export.check_words import VERDICTS
from netcorr.export.plain_text import plain_values

if TYPE_CHECKING:
    from netcorr.network.map_check import MapCheck


def check_dict(check: MapCheck) -> dict[str, Any]:
    """Result of a check as values that JSON can hold.

    Parameters
    ----------
    check : MapCheck
        What was found.

    Returns
    -------
    dict
        Keys `verdict`, `rules`, `fixes`, `read`, `repairs`, `pieces`, `pieces_at_tolerance`, `near_misses`,
        `far_fittings`, `missing_attributes`, `notes`, `network`, `crs` and `netcorr_version`. What is not
        known is None.
    """
    network, parts = check.network, check.parts
    far = network.fittings[network.fittings["node"] < 0]
    lacking = check.lacking[["pipe_id", "missing", "assumed", "stops", "length_m"]].astype(object)
    answer = {
        "netcorr_version": netcorr.__version__,
        "network": network.source,
        "crs": network.crs.to_string(),
        "verdict": VERDICTS[check.level],
        "rules": [
            {"rule": one.rule, "value": one.value, "fit": one.fit, "usable": one.usable, "level": one.level}
            for one in check.judged
        ],
        "fixes": [_fix(check, k) for k in range(len(check.fixes))],
        "read": {
            "mains": len(np.unique(parts.columns["pipe_id"][~parts.is_link])),
            "in_service_m": parts.total_m,
            "out_of_service_m": float(parts.columns["length_m"][~parts.in_service].sum()),
            "fittings": len(network.fittings),
            "fittings_on_mains": int((network.fittings["node"] >= 0).sum()),
        },
        "repairs": _repairs(check),
        "pieces": {"count": len(parts.length_m), "length_m": parts.length_m.tolist(), "zones": parts.zones},
        "pieces_at_tolerance": [{"tolerance_m": width, "pieces": left} for width, left in check.remaining],
        "near_misses": _gaps(check),
        "far_fittings": [
            {"asset_id": name, "offset_m": offset}
            for name, offset in zip(far.index, far["offset_m"].astype(float), strict=True)
        ],
        "missing_attributes": lacking.to_dict("records"),
        "notes": list(network.notes),
    }
    plain: dict[str, Any] = plain_values(answer)
    return plain


def _fix(check: MapCheck, k: int) -> dict[str, Any]:
    fix = check.fixes[k]
    about: dict[str, Any] = {"kind": fix.kind, "subject": fix.subject, "share": fix.share}
    if fix.kind in ("fittings", "loops"):
        return {**about, "count": int(fix.amount)}
    about["length_m"] = fix.amount
    if fix.kind in ("gap", "crossing"):
        about |= {"other": fix.other, "gap_m": fix.gap_m, "alone_m": fix.alone_m}
    return about


def _repairs(check: MapCheck) -> dict[str, Any]:
    changes = check.network.log.groupby("change", sort=False)["moved_m"]
    return {
        str(change): {"count": int(count), "largest_m": float(largest)}
        for change, count, largest in zip(changes.size().index, changes.size(), changes.max(), strict=True)
    }


def _gaps(check: MapCheck) -> list[dict[str, Any]]:
    gaps, ids = check.gaps, check.parts.columns["pipe_id"]
    return [
        {
            "kind": gaps.kind[k],
            "pipe_id": ids[gaps.edge[k]],
            "other_id": ids[gaps.other[k]],
            "gap_m": gaps.gap_m[k],
            "past_m": gaps.past_m[k],
            "connects_m": gaps.connects_m[k],
            "opens_m": check.effects.opens_m[k],
            "order_to_fix": check.effects.order[k] or None,
            "piece": gaps.piece[k] + 1,
            "other_piece": gaps.other_piece[k] + 1,
            "x": gaps.from_xy[k, 0],
            "y": gaps.from_xy[k, 1],
        }
        for k in range(len(gaps))
    ]
