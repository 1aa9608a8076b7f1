"""What the mains that touch a main say about it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from netcorr.layers.crs import geodesic_distances_m

if TYPE_CHECKING:
    import pyproj
    from numpy.typing import NDArray

    Ints = NDArray[np.intp]

#: Mains of which one has an end this near to the other are neighbours. [m]
NEIGHBOUR_M = 0.5


def touching(lines: NDArray[Any], asking: Ints, others: Ints, crs: pyproj.CRS) -> tuple[Ints, Ints]:
    """Pairs of mains of which one has an end on the other.

    Parameters
    ----------
    lines : numpy.ndarray of shapely.LineString, shape (n,)
        All mains.
    asking, others : numpy.ndarray of int
        Numbers of the mains that ask, and of those that may answer.
    crs : pyproj.CRS
        CRS of the lines.

    Returns
    -------
    tuple of two numpy.ndarray of int, shape (p,)
        Number of the main that asks, and of one that answers; each pair once.

    Notes
    -----
    Mains that only cross are no neighbours. The tolerance, `NEIGHBOUR_M`, is turned into units of the map
    at the middle of the map, so that it is near enough in any CRS.
    """
    if not (len(asking) and len(others)):
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    reach = NEIGHBOUR_M * _units_per_metre(lines[asking], crs)
    mine, far = _ends_on(lines, asking, others, reach)
    far_too, mine_too = _ends_on(lines, others, asking, reach)
    pairs = np.column_stack([np.concatenate([mine, mine_too]), np.concatenate([far, far_too])])
    pairs = np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0)
    return pairs[:, 0], pairs[:, 1]


def most_frequent(asking: Ints, values: NDArray[Any]) -> pd.DataFrame:
    """Value that most neighbours have.

    Parameters
    ----------
    asking : numpy.ndarray of int, shape (p,)
        Main that asks, one entry for each of its neighbours.
    values : numpy.ndarray, shape (p,)
        What that neighbour has.

    Returns
    -------
    pandas.DataFrame
        One row for each main without a tie: `main`, `value`, `agree` (neighbours that have it), `of`
        (neighbours), and `others`: a tuple of the other values, each with how many have it.

    Examples
    --------
    >>> most_frequent(np.array([4, 4, 4, 7, 7]), np.array([100, 150, 100, 80, 100]))
       main  value  agree  of       others
    0     4    100      2   3  ((150, 1),)
    """
    number, distinct = pd.factorize(values, sort=True)  # numbers are much faster than texts to group by
    pairs = pd.DataFrame({"main": asking, "value": number})
    sizes = pairs.groupby(["main", "value"], as_index=False).size()
    ranked = sizes.sort_values(["main", "size"], ascending=[True, False], kind="stable")
    best = ranked.drop_duplicates("main")
    next_best = ranked[ranked.duplicated("main")].drop_duplicates("main").set_index("main")["size"]
    best = best[best["main"].map(next_best).to_numpy() != best["size"].to_numpy()]
    found = best.rename(columns={"size": "agree"}).reset_index(drop=True)
    found["of"] = found["main"].map(pairs.groupby("main").size())
    others: dict[int, list[tuple[Any, int]]] = {}
    for main, value, count in ranked[ranked.duplicated("main")].itertuples(index=False):
        others.setdefault(main, []).append((distinct[value], count))
    found["others"] = pd.Series([tuple(others.get(main, ())) for main in found["main"]], dtype=object)
    found["value"] = pd.Series(distinct[found["value"].to_numpy(dtype=np.intp)], dtype=distinct.dtype)
    return pd.DataFrame(found)


def middle(asking: Ints, values: NDArray[Any]) -> pd.DataFrame:
    """Middle value (median) of the neighbours, for what seldom repeats, such as years.

    Parameters
    ----------
    asking : numpy.ndarray of int, shape (p,)
        Main that asks, one entry for each of its neighbours.
    values : numpy.ndarray of float, shape (p,)
        What that neighbour has.

    Returns
    -------
    pandas.DataFrame
        One row for each main: `main`, `value`, `of` (neighbours), `low` and `high` (the extremes among them).

    Examples
    --------
    >>> middle(np.array([4, 4, 4]), np.array([1950.0, 1980.0, 1956.0]))
       main   value  of     low    high
    0     4  1956.0   3  1950.0  1980.0
    """
    groups = pd.DataFrame({"main": asking, "value": values}).groupby("main")["value"]
    found = groups.agg(value="median", of="size", low="min", high="max")
    return pd.DataFrame(found.reset_index())


def _ends_on(lines: NDArray[Any], ending: Ints, on: Ints, reach: float) -> tuple[Ints, Ints]:
    """Pairs of a line of `ending`, and a line of `on` that one of its ends lies near to."""
    ends = np.concatenate([shapely.get_point(lines[ending], 0), shapely.get_point(lines[ending], -1)])
    end, line = shapely.STRtree(lines[on]).query(ends, predicate="dwithin", distance=reach)
    return ending[end % len(ending)], on[line]


def _units_per_metre(lines: NDArray[Any], crs: pyproj.CRS) -> float:
    """Units of the map in a metre, along the axis on which a metre takes more of them."""
    west, south, east, north = shapely.total_bounds(lines)
    x, y = (west + east) / 2, (south + north) / 2
    step = 1e-5 if crs.is_geographic else 1.0
    metres = geodesic_distances_m([x, x], [y, y], [x + step, x], [y, y + step], crs)
    return float(step / metres.min())
