"""An invented city of any size, drawn as badly as real ones are: what the network benchmark repairs."""

from __future__ import annotations

from typing import Any, TypeAlias

import geopandas as gpd
import numpy as np
import shapely

#: Distance between neighbouring streets, from west to east and from south to north. [m]
BLOCK_M = (85.0, 62.0)
#: Mains for each crossing of streets; only sizes the grid.
MAINS_PER_CROSSING = 1.37
CRS = "EPSG:25833"
_CORNER = np.array([420_000.0, 5_400_000.0])


Array: TypeAlias = np.ndarray[Any, Any]


def city(mains: int, *, fittings: int, seed: int = 1) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Draw a city.

    Streets from west to east are broken at two in five of their tees and drawn straight through the rest;
    those from south to north are drawn from tee to tee, and one in twenty of these crosses a street without
    a joint. Every end is a few centimetres off. Some mains are stubs of 0.3 to 4 m, one in 200 is drawn
    twice, one in 50 is abandoned. Fittings lie 0.3 m off (median), one in 15 of them by more than 1 m, a few
    beyond any main; one valve in 50 is closed.

    Parameters
    ----------
    mains : int
        Number of mains.
    fittings : int
        Number of fittings, two valves for each hydrant.
    seed : int
        Another seed, another city.

    Returns
    -------
    mains, fittings : geopandas.GeoDataFrame
        As in a file that needs no mapping.
    """
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(mains / MAINS_PER_CROSSING)))
    middle, crossing = _streets(side, rng)
    lines = np.concatenate([_along(middle, crossing, rng), _across(crossing, rng)])
    stubs = _stubs(lines, mains // 40, rng)
    twice = lines[rng.integers(0, len(lines), mains // 200)]
    lines = np.concatenate([lines, stubs, twice])
    lines = lines[rng.permutation(len(lines))[:mains]]
    return _mains(lines, rng), _fittings(lines, fittings, rng)


def _streets(side: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Vertices halfway between crossings, shape (side, side + 1, 2), and crossings, (side, side, 2)."""
    east, north = BLOCK_M
    x = (np.arange(side + 1) - 0.5) * east + rng.uniform(-15, 15, (side, side + 1))
    y = np.arange(side)[:, None] * north + rng.normal(0, 2, (side, side + 1))
    middle = np.stack([x, y], axis=2)
    at_x = np.arange(side) * east + rng.uniform(-15, 15, (side, side))
    part = ((at_x - x[:, :-1]) / np.diff(x, axis=1))[:, :, None]
    part = np.clip(part, 0.05, 0.95)
    return middle, middle[:, :-1] + part * np.diff(middle, axis=1)


def _along(middle: Array, crossing: Array, rng: np.random.Generator) -> Array:
    """Mains from west to east: from one break to the next, through the tees between."""
    side = len(crossing)
    points = np.empty((side, 2 * side + 1, 2))
    points[:, 0::2], points[:, 1::2] = middle, crossing
    ends = np.zeros((side, 2 * side + 1), dtype=bool)
    ends[:, 1::2] = rng.random((side, side)) < 0.4
    ends[:, [0, -1]] = True
    keep = ends.copy()
    keep[:, 0::2] = True  # tees that are passed have no vertex
    copies = np.where(ends, 2, 1)[keep]
    row = np.repeat(np.nonzero(keep)[0], copies)
    xy = np.repeat(points[keep], copies, axis=0)
    starts = np.cumsum(copies) - 1
    new = np.zeros(len(xy), dtype=bool)
    new[starts[ends[keep]]] = True  # the second copy of an end starts the next main
    owner = np.cumsum(new)
    owner += row * len(xy)  # never from one street to the next
    _, index, count = np.unique(owner, return_inverse=True, return_counts=True)
    true = count[index] > 1
    _, index = np.unique(owner[true], return_inverse=True)
    xy = xy[true] + rng.normal(0, 0.02, (int(true.sum()), 2))
    return np.asarray(shapely.linestrings(xy + _CORNER, indices=index))


def _across(crossing: Array, rng: np.random.Generator) -> Array:
    """Mains from south to north, with two vertices between; some across a street without a joint."""
    side = len(crossing)
    long = rng.random((side - 2, side)) < 0.05
    short = rng.random((side - 1, side)) < 0.97
    short[:-1][long], short[1:][long] = False, False
    from_to = [(crossing[:-1][short], crossing[1:][short]), (crossing[:-2][long], crossing[2:][long])]
    start, end = (np.concatenate([pair[k] for pair in from_to]) for k in (0, 1))
    gap = np.clip(rng.normal(0, 0.05, (2, len(start), 2)), -0.1, 0.1)
    start, end = start + gap[0], end + gap[1]
    turn = rng.random(len(start)) < 0.3
    start[turn], end[turn] = end[turn], start[turn]
    parts = [start, *(start + k / 3 * (end - start) + rng.normal(0, 1, start.shape) for k in (1, 2)), end]
    return np.asarray(shapely.linestrings(np.stack(parts, axis=1) + _CORNER))


def _stubs(lines: Array, count: int, rng: np.random.Generator) -> Array:
    """Branches of 0.3 to 4 m."""
    foot = shapely.line_interpolate_point(lines[rng.integers(0, len(lines), count)], 0.37, normalized=True)
    start = np.column_stack([shapely.get_x(foot), shapely.get_y(foot)])
    angle, length = rng.uniform(0, 2 * np.pi, count), rng.uniform(0.3, 4, count)
    end = start + length[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return np.asarray(shapely.linestrings(np.stack([start, end], axis=1)))


def _mains(lines: Array, rng: np.random.Generator) -> gpd.GeoDataFrame:
    n = len(lines)
    columns = {
        "asset_id": [f"M{k:07d}" for k in range(n)],
        "material": rng.choice(
            ["Cast iron", "Ductile iron", "PVC", "PE", "Steel"], n, p=[0.4, 0.3, 0.1, 0.15, 0.05]
        ),
        "diameter_mm": rng.choice([80.0, 100.0, 150.0, 200.0, 300.0, 400.0], n),
        "year": rng.integers(1890, 2024, n),
        "status": rng.choice(["in service", "abandoned"], n, p=[0.98, 0.02]),
    }
    return gpd.GeoDataFrame(columns, geometry=lines, crs=CRS)


def _fittings(lines: Array, count: int, rng: np.random.Generator) -> gpd.GeoDataFrame:
    places = shapely.line_interpolate_point(
        lines[rng.integers(0, len(lines), count)], rng.random(count), normalized=True
    )
    off = 0.3 * rng.lognormal(0, 0.8, count)
    off[rng.random(count) < 0.002] = 40.0
    angle = rng.uniform(0, 2 * np.pi, count)
    x, y = shapely.get_x(places) + off * np.cos(angle), shapely.get_y(places) + off * np.sin(angle)
    kind = np.where(np.arange(count) % 3 == 2, "hydrant", "gate valve")
    columns = {
        "asset_id": [f"F{k:07d}" for k in range(count)],
        "kind": kind,
        "status": np.where((kind == "gate valve") & (rng.random(count) < 0.02), "closed", "open"),
    }
    return gpd.GeoDataFrame(columns, geometry=shapely.points(x, y), crs=CRS)
