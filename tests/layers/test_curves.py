"""Curves on the map: GDAL cuts them into short straight pieces; nothing is lost and inspection agrees."""

from __future__ import annotations

import math
import sqlite3
import struct
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from pyogrio.raw import write

from netcorr.layers import geodesic_lengths_m, inspect_source, read_network_layers

X0, Y0 = 500_000.0, 5_540_000.0
Points = list[tuple[float, float]]
#: A half circle of 50 m radius, its middle point on the arc.
ARC: Points = [(X0, Y0), (X0 + 50, Y0 + 50), (X0 + 100, Y0)]
Writer = Callable[..., Path]


def wkb(kind: int, points: Points) -> bytes:
    """Well-known binary of a simple curve (ISO 13249-3: 2 line, 8 circular string)."""
    return struct.pack("<BII", 1, kind, len(points)) + b"".join(struct.pack("<dd", *p) for p in points)


def collection(kind: int, *parts: bytes) -> bytes:
    return struct.pack("<BII", 1, kind, len(parts)) + b"".join(parts)


CIRCULAR = wkb(8, ARC)
COMPOUND = collection(9, wkb(2, [(X0 - 10, Y0), ARC[0]]), wkb(8, ARC))
MULTI = collection(11, wkb(2, [(X0 - 10, Y0), (X0 - 20, Y0)]), CIRCULAR)


@pytest.fixture(params=["fiona", "pyogrio"])
def curved(
    request: pytest.FixtureRequest, town: Writer, monkeypatch: pytest.MonkeyPatch
) -> Callable[[bytes, str], Path]:
    if request.param == "pyogrio":
        monkeypatch.setitem(sys.modules, "fiona", None)
    path = town()

    def add(geometry: bytes, declared: str) -> Path:
        target = path.with_name("curves.gpkg")
        write(
            target,
            geometry=np.array([geometry], dtype=object),
            field_data=[np.array(["M1"], dtype=object), np.array(["PVC"], dtype=object)],
            fields=["asset_id", "material"],
            geometry_type="Unknown",
            crs="EPSG:32633",
            layer="mains",
            driver="GPKG",
        )
        with closing(sqlite3.connect(target)) as connection, connection:
            connection.execute("UPDATE gpkg_geometry_columns SET geometry_type_name = ?", [declared])
        gpd.read_file(path, layer="fittings").to_file(target, layer="fittings")
        return target

    return add


@pytest.mark.parametrize(
    ("geometry", "declared", "parts", "length_m"),
    [
        (CIRCULAR, "CIRCULARSTRING", 1, 50 * math.pi),
        (CIRCULAR, "GEOMETRY", 1, 50 * math.pi),
        (COMPOUND, "COMPOUNDCURVE", 1, 10 + 50 * math.pi),
        (MULTI, "MULTICURVE", 2, 10 + 50 * math.pi),
        (COMPOUND, "CURVE", 1, 10 + 50 * math.pi),
    ],
    ids=["circular", "undeclared", "compound", "multi", "curve"],
)
def test_curves_are_read_as_lines(
    curved: Callable[[bytes, str], Path], geometry: bytes, declared: str, parts: int, length_m: float
) -> None:
    path = curved(geometry, declared)
    mains = read_network_layers(path).mains
    assert set(mains.geom_type) == {"LineString"}
    assert len(mains) == parts
    lengths_m = geodesic_lengths_m(mains.geometry.to_numpy(), mains.crs)
    # steps of 4 degrees (GDAL's) shorten an arc by (0.0698 / 2)^2 / 6 = 0.02 %; scale of the zone 0.9996
    assert lengths_m.sum() == pytest.approx(length_m / 0.9996, rel=3e-4)
    summary = inspect_source(path)
    assert summary.problems == ()
    assert summary.mapping is not None
    assert summary.mapping.mains.layer == "mains"
