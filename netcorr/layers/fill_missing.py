"""Attributes that are missing, dealt with as the mapping says, and visible in every result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from netcorr.errors import LayerError
from netcorr.layers.missing_rules import FILLED_ROLES, MissingRule, MissingRules
from netcorr.layers.names import listed
from netcorr.layers.neighbours import middle, most_frequent, touching
from netcorr.layers.network_layers import ASSUMED, MAINS_COLUMNS
from netcorr.layers.vocabulary import MATERIALS

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Column of each attribute that a rule can fill.
_COLUMNS = {"material": "material", "diameter": "diameter_mm", "year": "year"}
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
        The mains with a column `assumed`: what of each rests on an assumption, in words, else empty.

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
    for role in FILLED_ROLES:
        if rules.of(role):
            _fill(mains, out, role=role, rules=rules.of(role), said=said, item=item, notes=notes)
    assumed = np.full(len(mains), "", dtype=object)
    assumed[list(said)] = ["; ".join(texts) for texts in said.values()]
    out[ASSUMED] = pd.Series(assumed, index=out.index, dtype=object)
    return out[[*MAINS_COLUMNS, ASSUMED, "geometry"]]


@dataclass(frozen=True, eq=False)
class _Answer:
    """Mains that a rule has a value for, the values, and a text for each."""

    mains: NDArray[np.intp]
    values: NDArray[Any]
    texts: list[str]
    summary: str


def _fill(
    mains: gpd.GeoDataFrame,
    out: gpd.GeoDataFrame,
    *,
    role: str,
    rules: tuple[MissingRule, ...],
    said: dict[int, list[str]],
    item: str,
    notes: list[str],
) -> None:
    column = _COLUMNS[role]
    values = mains[column].to_numpy().copy()
    open_ = np.flatnonzero(mains[BLANK_COLUMNS[role]].to_numpy(dtype=bool))
    asked, told = len(open_), []
    for rule in rules:
        if not len(open_) or rule.action == "leave":
            break
        if rule.action == "refuse":
            raise _refused(mains, open_, role, item)
        answer = _ANSWERS[rule.action](mains, open_, role, rule)
        values[answer.mains] = answer.values
        for main, text in zip(answer.mains.tolist(), answer.texts, strict=True):
            said.setdefault(main, []).append(text)
        if len(answer.mains):
            told.append(f"{len(answer.mains)} {answer.summary}")
        open_ = np.setdiff1d(open_, answer.mains)
    out[column] = pd.Series(values, index=out.index, dtype=mains[column].dtype)  # None stays None
    if asked:
        rest = [f"{len(open_)} stay unknown"] if len(open_) else []
        notes.append(f"{item}: {role} missing for {asked}: {listed([*told, *rest])}")


def _refused(mains: gpd.GeoDataFrame, which: NDArray[np.intp], role: str, item: str) -> LayerError:
    ids = mains["asset_id"].to_numpy()[which].tolist()
    return LayerError(
        item,
        found=f"{len(ids)} of {len(mains)} mains without a {role} ({listed(ids, most=5)}), which the mapping "
        "refuses",
        remedy=f"fill them in, or say under [missing] what to take for the {role}",
    )


def _from_neighbours(
    mains: gpd.GeoDataFrame, open_: NDArray[np.intp], role: str, _rule: MissingRule
) -> _Answer:
    column = mains[_COLUMNS[role]]
    lines = shapely.force_2d(mains.geometry.to_numpy())
    known = np.flatnonzero(column.notna().to_numpy())
    asking, other = touching(lines, open_, known, mains.crs)
    count = middle if role == "year" else most_frequent
    found = count(asking, column.to_numpy()[other])
    texts = [
        f"{role} {_in_words(role, value)} from neighbours "
        f"({f'{of}' if role == 'year' else f'{agree} of {of}'}{_range(role, low, high)})"
        for _, value, agree, of, low, high in found.itertuples(index=False)
    ]
    share = float((found["agree"] / found["of"]).mean()) if len(found) else 1.0
    agreement = "" if role == "year" else f", of which {share:.0%} agree on average"
    summary = f"taken from neighbours{agreement}"
    return _Answer(found["main"].to_numpy(), found["value"].to_numpy(), texts, summary)


def _assumed(_mains: gpd.GeoDataFrame, open_: NDArray[np.intp], role: str, rule: MissingRule) -> _Answer:
    text = f"{role} assumed {_in_words(role, rule.value)}"
    if rule.spread and role == "material":
        text += f" (or {' or '.join(MATERIALS[key] for key in rule.spread)})"
    elif rule.spread:
        text += f" ({_in_words(role, rule.spread[0])} to {_in_words(role, rule.spread[1])})"
    values = np.full(len(open_), rule.value, dtype=object if role == "material" else float)
    return _Answer(open_, values, [text] * len(open_), text.removeprefix(f"{role} "))


def _by_year(mains: gpd.GeoDataFrame, open_: NDArray[np.intp], role: str, rule: MissingRule) -> _Answer:
    last = np.array([year for year, _ in rule.table], dtype=float)
    years = mains["year"].to_numpy(dtype=float)[open_]
    place = np.searchsorted(last, years)
    has = np.isfinite(years) & (place < len(last))
    values = np.array([value for _, value in rule.table], dtype=object if role == "material" else float)
    said = [
        f"{role} assumed {_in_words(role, value)} for mains laid up to {year}" for year, value in rule.table
    ]
    chosen = place[has]
    return _Answer(open_[has], values[chosen], [said[k] for k in chosen.tolist()], "assumed by year laid")


_ANSWERS = {"neighbours": _from_neighbours, "assume": _assumed, "until_year": _by_year}


def _in_words(role: str, value: Any) -> str:
    if role == "material":
        return MATERIALS[value]
    return f"{value:g} mm" if role == "diameter" else f"{value:.0f}"


def _range(role: str, low: Any, high: Any) -> str:
    if role == "material" or low == high:
        return ""
    return f", {_in_words(role, low)} to {_in_words(role, high)}"
