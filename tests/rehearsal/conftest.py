"""A street with a side street, drawn by hand: iron, fittings every 100 m, a closed valve at the far end."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import geopandas as gpd
import pytest
from shapely import LineString, Point

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import PipeNetwork, build_network

CRS = "EPSG:32628"
Spot = Callable[..., tuple[float, float]]
#: On the central meridian of its zone the scale of the map is 0.9996.
EAST, NORTH, SCALE = 500_000.0, 5_205_000.0, 0.9996


def spot(x_m: float, y_m: float = 0.0) -> tuple[float, float]:
    """Give the coordinates of a place by ground distances."""
    return EAST + x_m * SCALE, NORTH + y_m * SCALE


def street(**attributes: Any) -> PipeNetwork:
    """Main M1 along the x axis from -50 to 350 m, side street M2 north from 150 m, 120 m long."""
    pipe = {
        "material": "grey_iron",
        "material_text": "CI",
        "diameter_mm": 150.0,
        "wall_mm": math.nan,
        "year": 1930.0,
        "wave_speed_m_s": math.nan,
        "length_m": math.nan,
        "in_service": True,
    } | attributes
    lines = {
        "M1": LineString([spot(-50), spot(150), spot(350)]),
        "M2": LineString([spot(150), spot(150, 120)]),
    }
    mains = gpd.GeoDataFrame(
        [{"asset_id": name, **pipe, "geometry": line} for name, line in lines.items()], crs=CRS
    )
    places = {"H0": (0, 0), "H1": (100, 0), "H2": (200, 0), "H3": (300, 0), "H4": (150, 110), "V9": (340, 0)}
    fittings = gpd.GeoDataFrame(
        [
            {"asset_id": name, "kind": "hydrant", "is_open": name != "V9", "geometry": Point(spot(*xy))}
            for name, xy in places.items()
        ],
        crs=CRS,
    )
    return build_network(NetworkLayers("street", mains, fittings))


@pytest.fixture(scope="session", name="spot")
def spot_on_the_map() -> Spot:
    """Give the function that finds a place on the map."""
    return spot


@pytest.fixture(scope="session", name="street")
def street_with() -> Callable[..., PipeNetwork]:
    """Give the function that makes the street with other pipes."""
    return street


@pytest.fixture(scope="session")
def network() -> PipeNetwork:
    """Give the street."""
    return street()
