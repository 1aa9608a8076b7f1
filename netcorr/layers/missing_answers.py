"""What each rule of a mapping has to say about mains without an attribute, and how surely."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from netcorr.layers.alternatives import Alternative, shared_out
from netcorr.layers.neighbours import middle, most_frequent, touching
from netcorr.layers.vocabulary import MATERIALS

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd
    from numpy.typing import NDArray

    from netcorr.layers.missing_rules import MissingRule

    Ints = NDArray[np.intp]

#: Column of each attribute that a rule can fill.
COLUMNS = {"material": "material", "diameter": "diameter_mm", "year": "year"}
#: Utilities changed from one material to the next over some years: a main laid as the change came is as
#: likely of either, one laid this long before or after it of its own era alone (judgement). [years]
CHANGE_YEARS = 10.0


@dataclass(frozen=True, eq=False)
class Answer:
    """Mains that a rule has a value for.

    Attributes
    ----------
    mains : numpy.ndarray of int, shape (k,)
        Their numbers.
    values : numpy.ndarray, shape (k,)
        What is assumed for each.
    texts : list of str
        The same in words, with what else it could be.
    could_be : list of tuple of Alternative
        What else each could be.
    summary : str
        Words for all of them, after their number.
    """

    mains: Ints
    values: NDArray[Any]
    texts: list[str]
    could_be: list[tuple[Alternative, ...]]
    summary: str


def answer_of(mains: gpd.GeoDataFrame, asking: Ints, role: str, rule: MissingRule) -> Answer:
    """Ask one rule.

    Parameters
    ----------
    mains : geopandas.GeoDataFrame
        All mains as they were read.
    asking : numpy.ndarray of int
        Numbers of the mains without the attribute.
    role : {'material', 'diameter', 'year'}
        The attribute.
    rule : MissingRule
        One that fills in: 'neighbours', 'assume' or 'until_year'.

    Returns
    -------
    Answer
        For the mains about which the rule says something.

    Notes
    -----
    Of n neighbours of which c have another value, that value has the share c / (n + 2), one that none of them
    has 1 / (n + 2), and the assumed one the rest: the rule of succession, so that eight who agree are surer
    than one alone. An assumed value has the share that the rule calls sure, and what else it names, or the
    ends of its range, share the rest evenly. Near the end of an era what was laid in the next one counts.
    """
    return _ANSWERS[rule.action](mains, asking, role, rule)


def _from_neighbours(mains: gpd.GeoDataFrame, asking: Ints, role: str, _rule: MissingRule) -> Answer:
    column = mains[COLUMNS[role]]
    lines = shapely.force_2d(mains.geometry.to_numpy())
    known = np.flatnonzero(column.notna().to_numpy())
    near, other = touching(lines, asking, known, mains.crs)
    if role == "year":
        return _middle_year(near, column.to_numpy()[other])
    found = most_frequent(near, column.to_numpy()[other])
    texts, could_be = [], []
    for _, value, agree, of, others in found.itertuples(index=False):
        seen = tuple(Alternative(role, other, count / (of + 2)) for other, count in others)
        could_be.append((*seen, Alternative(role, None, 1 / (of + 2))))
        head = f"{role} {_in_words(role, value)} from neighbours"
        texts.append(f"{head} ({agree} of {of}; or {_others_in_words(could_be[-1])})")
    share = float((found["agree"] / found["of"]).mean()) if len(found) else 1.0
    summary = f"taken from neighbours, of which {share:.0%} agree on average"
    return Answer(found["main"].to_numpy(), found["value"].to_numpy(), texts, could_be, summary)


def _middle_year(near: Ints, years: NDArray[np.float64]) -> Answer:
    found = middle(near, years)
    texts, could_be = [], []
    for _, value, of, low, high in found.itertuples(index=False):
        others = tuple(Alternative("year", year, 1 / 6) for year in (low, high) if year != value)
        could_be.append((*others, Alternative("year", None, 1 / (of + 2))))
        reach = f", {low:.0f} to {high:.0f}" if low != high else ""
        texts.append(f"year {value:.0f} from neighbours ({of}{reach})")
    return Answer(
        found["main"].to_numpy(), found["value"].to_numpy(), texts, could_be, "taken from neighbours"
    )


def _assumed(_mains: gpd.GeoDataFrame, asking: Ints, role: str, rule: MissingRule) -> Answer:
    others = shared_out(role, tuple(dict.fromkeys(rule.spread)), sure=rule.sure)
    others = tuple(one for one in others if one.value != rule.value)  # a range that begins or ends with it
    text = _with_others(f"assumed {_in_words(role, rule.value)}", others)
    values = np.full(len(asking), rule.value, dtype=object if role == "material" else float)
    n = len(asking)
    return Answer(asking, values, [f"{role} {text}"] * n, [others] * n, text)


def _by_year(mains: gpd.GeoDataFrame, asking: Ints, role: str, rule: MissingRule) -> Answer:
    last = np.array([year for year, _ in rule.table], dtype=float)
    years = mains["year"].to_numpy(dtype=float)[asking]
    place = np.searchsorted(last, years)
    has = np.isfinite(years) & (place < len(last))
    meant = [value for _, value in rule.table]
    values = np.array(meant, dtype=object if role == "material" else float)
    could_be = [
        _near_eras(role, rule, era, year)
        for era, year in zip(place[has].tolist(), years[has].tolist(), strict=True)
    ]
    texts = [
        _with_others(
            f"{role} assumed {_in_words(role, meant[era])} for mains laid up to {last[era]:.0f}", one
        )
        for era, one in zip(place[has].tolist(), could_be, strict=True)
    ]
    return Answer(asking[has], values[place[has]], texts, could_be, "assumed by year laid")


def _near_eras(role: str, rule: MissingRule, era: int, year: float) -> tuple[Alternative, ...]:
    """What was laid in the eras before and after, by how near the change is, and what nobody named."""
    found = []
    for other, change in ((era - 1, era - 1), (era + 1, era)):
        if not 0 <= other < len(rule.table) or rule.table[other][1] == rule.table[era][1]:
            continue
        away = abs(rule.table[change][0] + 0.5 - year)
        if away < CHANGE_YEARS:
            found.append(Alternative(role, rule.table[other][1], (1 - away / CHANGE_YEARS) / 2))
    left = 1 - sum(one.share for one in found)
    return (*found, *(one._replace(share=left * one.share) for one in shared_out(role, (), sure=rule.sure)))


_ANSWERS: dict[str, Callable[[gpd.GeoDataFrame, Ints, str, MissingRule], Answer]] = {
    "neighbours": _from_neighbours,
    "assume": _assumed,
    "until_year": _by_year,
}


def _with_others(text: str, others: tuple[Alternative, ...]) -> str:
    return f"{text} (or {_others_in_words(others)})" if others else text


def _others_in_words(others: tuple[Alternative, ...]) -> str:
    return ", ".join(
        f"{'another' if one.value is None else _in_words(one.attribute, one.value)} {100 * one.share:.0f} %"
        for one in others
    )


def _in_words(role: str, value: Any) -> str:
    if role == "material":
        return MATERIALS[value]
    return f"{value:g} mm" if role == "diameter" else f"{value:.0f}"
