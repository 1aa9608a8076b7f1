"""Small networks made in code."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, Point

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import PipeNetwork, build_network

XY = tuple[float, float]
NetworkMaker = Callable[..., PipeNetwork]

#: Corner of the invented town, in UTM 33N.
CORNER = (500_300.0, 5_400_700.0)


def network_from(
    mains: Mapping[str, Sequence[XY]],
    fittings: Mapping[str, XY],
    *,
    crs: Any = "EPSG:32633",
    corner: XY = CORNER,
    closed: Sequence[str] = (),
    out_of_service: Sequence[str] = (),
    measured_m: Mapping[str, float] | None = None,
) -> PipeNetwork:
    """Network of lines and points given from a corner in UTM 33N, then carried to `crs`."""
    kinds = {"V": "valve", "H": "hydrant"}
    rows = [
        {
            "asset_id": name,
            "material": "grey_iron",
            "material_text": "CI",
            "diameter_mm": 150.0,
            "wall_mm": np.nan,
            "year": 1950.0,
            "wave_speed_m_s": np.nan,
            "length_m": (measured_m or {}).get(name, np.nan),
            "in_service": name not in out_of_service,
        }
        for name in mains
    ]
    lines = [LineString(np.asarray(coords) + corner) for coords in mains.values()]
    points = [Point(np.asarray(xy) + corner) for xy in fittings.values()]
    fitting_rows = [
        {"asset_id": name, "kind": kinds.get(name[0], "other"), "is_open": name not in closed}
        for name in fittings
    ]
    layers = NetworkLayers(
        source="town.gpkg",
        mains=gpd.GeoDataFrame(rows, geometry=lines, crs="EPSG:32633").to_crs(crs),
        fittings=gpd.GeoDataFrame(fitting_rows, geometry=points, crs="EPSG:32633").to_crs(crs),
    )
    return build_network(layers)


@pytest.fixture(scope="session")
def make_network() -> NetworkMaker:
    return network_from


def random_town(seed: int, *, size: int = 5, crs: Any = "EPSG:32633") -> PipeNetwork:
    """A mesh of bent streets with some blocks missing, and a hydrant at every crossing."""
    rng = np.random.default_rng(seed)
    corners = {
        (i, k): (90.0 * i + rng.normal(0, 8), 70.0 * k + rng.normal(0, 8))
        for i in range(size)
        for k in range(size)
    }
    mains: dict[str, list[XY]] = {}
    for (i, k), start in corners.items():
        for other in ((i + 1, k), (i, k + 1)):
            if other in corners and rng.random() > 0.25:
                middle = np.mean([start, corners[other]], axis=0) + rng.normal(0, 6, 2)
                mains[f"M{i}{k}{other[0] - i}"] = [
                    start,
                    (float(middle[0]), float(middle[1])),
                    corners[other],
                ]
    return network_from(mains, {f"H{i}{k}": xy for (i, k), xy in corners.items()}, crs=crs)


@pytest.fixture(scope="session")
def make_random_town() -> NetworkMaker:
    return random_town
