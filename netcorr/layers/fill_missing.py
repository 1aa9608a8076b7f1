"""Attributes that are missing, dealt with as the mapping says, and visible in every result."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from netcorr.errors import LayerError
from netcorr.layers.missing_answers import COLUMNS, Answer, answer_of
from netcorr.layers.missing_rules import FILLED_ROLES, MissingRule, MissingRules
from netcorr.layers.names import listed
from netcorr.layers.network_layers import ASSUMED, COULD_BE, MAINS_COLUMNS

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from netcorr.layers.alternatives import Alternative

#: Columns, beside the canonical ones, that say where nothing is written.
BLANK_COLUMNS = {role: f"blank_{role}" for role in FILLED_ROLES}


def fill_missing(
    mains: gpd.GeoDataFrame, rules: MissingRules, item: str, notes: list[str]
) -> gpd.GeoDataFrame:
    """Apply the rules for missing attributes.

    Parameters
    ----------
    mains : geopandas.GeoDataFrame
        Single lines with `MAINS_COLUMNS` and `BLANK_COLUMNS`.
    rules : MissingRules
        Rules by attribute; without one nothing is filled in.
    item : str
        What it is, for notes.
    notes : list of str
        Gets a sentence for each attribute that was filled in.

    Returns
    -------
    geopandas.GeoDataFrame
        The mains with two columns more. `assumed`: what of each rests on an assumption, in words, else
        empty; `could_be`: what else it could be, a tuple of `Alternative`.

    Raises
    ------
    LayerError
        If a rule refuses a main.

    Notes
    -----
    Only what is blank is filled in: a text that is written but not understood is asked about instead.
    Neighbours and years count as they were read, so that no assumption rests on another.
    """
    out = mains.drop(columns=list(BLANK_COLUMNS.values()))
    said: dict[int, list[str]] = {}
    others: dict[int, tuple[Alternative, ...]] = {}
    for role in FILLED_ROLES:
        if rules.of(role):
            for answer in _fill(mains, out, role=role, rules=rules.of(role), item=item, notes=notes):
                rows = zip(answer.mains.tolist(), answer.texts, answer.could_be, strict=True)
                for main, text, could_be in rows:
                    said.setdefault(main, []).append(text)
                    others[main] = (*others.get(main, ()), *could_be)
    assumed = np.full(len(mains), "", dtype=object)
    assumed[list(said)] = ["; ".join(texts) for texts in said.values()]
    out[ASSUMED] = pd.Series(assumed, index=out.index, dtype=object)
    out[COULD_BE] = pd.Series(
        [others.get(main, ()) for main in range(len(mains))], index=out.index, dtype=object
    )
    return out[[*MAINS_COLUMNS, ASSUMED, COULD_BE, "geometry"]]


def _fill(
    mains: gpd.GeoDataFrame,
    out: gpd.GeoDataFrame,
    *,
    role: str,
    rules: tuple[MissingRule, ...],
    item: str,
    notes: list[str],
) -> list[Answer]:
    """Fill one attribute in, and return what the rules answered."""
    column = COLUMNS[role]
    values = mains[column].to_numpy().copy()
    open_ = np.flatnonzero(mains[BLANK_COLUMNS[role]].to_numpy(dtype=bool))
    asked, told, answers = len(open_), [], []
    for rule in rules:
        if not len(open_) or rule.action == "leave":
            break
        if rule.action == "refuse":
            raise _refused(mains, open_, role, item)
        answer = answer_of(mains, open_, role, rule)
        values[answer.mains] = answer.values
        answers.append(answer)
        if len(answer.mains):
            told.append(f"{len(answer.mains)} {answer.summary}")
        open_ = np.setdiff1d(open_, answer.mains)
    out[column] = pd.Series(values, index=out.index, dtype=mains[column].dtype)  # None stays None
    if asked:
        rest = [f"{len(open_)} stay unknown"] if len(open_) else []
        notes.append(f"{item}: {role} missing for {asked}: {listed([*told, *rest])}")
    return answers


def _refused(mains: gpd.GeoDataFrame, which: NDArray[np.intp], role: str, item: str) -> LayerError:
    ids = mains["asset_id"].to_numpy()[which].tolist()
    return LayerError(
        item,
        found=f"{len(ids)} of {len(mains)} mains without a {role} ({listed(ids, most=5)}), which the mapping "
        "refuses",
        remedy=f"fill them in, or say under [missing] what to take for the {role}",
    )
