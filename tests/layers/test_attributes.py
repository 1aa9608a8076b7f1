"""Columns to canonical ones, row by row."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, Point

from netcorr.layers.attributes import fittings_attributes, mains_attributes
from netcorr.layers.mapping import FittingsMapping, MainsMapping

ITEM = "x.gpkg, layer mains"


def frame(n: int, **roles: list[object]) -> gpd.GeoDataFrame:
    shapes = [LineString([(k, 0), (k, 1)]) for k in range(n)]
    return gpd.GeoDataFrame(
        {"asset_id": [f"M{k}" for k in range(n)], **roles}, geometry=shapes, crs="EPSG:4326"
    )


def mapped(*roles: str, **options: Any) -> MainsMapping:
    return MainsMapping("mains", {role: role.upper() for role in ("asset_id", *roles)}, **options)


def test_units_of_every_numeric_column() -> None:
    notes: list[str] = []
    mapping = mapped(
        *("diameter", "wall", "length", "wave_speed"),
        units={"diameter": "in", "wall": "in", "length": "ft", "wave_speed": "ft/s"},
    )
    raw = frame(1, diameter=[6], wall=[0.25], length=["100"], wave_speed=[4000])
    out = mains_attributes(raw, mapping, ITEM, notes).iloc[0]
    # 1 in = 25.4 mm, 1 ft = 0.3048 m, exact by definition
    assert [out["diameter_mm"], out["wall_mm"], out["length_m"], out["wave_speed_m_s"]] == pytest.approx(
        [152.4, 6.35, 30.48, 1219.2]
    )


def test_zero_blank_and_negative_are_unknown() -> None:
    notes: list[str] = []
    raw = frame(4, wall=[0, None, -3, 6.5], length=["", "0", " 12,5 ", "x"], diameter=["0", None, " ", "110"])
    out = mains_attributes(raw, mapped("wall", "length", "diameter"), ITEM, notes)
    np.testing.assert_allclose(out["wall_mm"], [np.nan, np.nan, np.nan, 6.5])
    np.testing.assert_allclose(out["length_m"], [np.nan, np.nan, 12.5, np.nan])
    np.testing.assert_allclose(out["diameter_mm"], [np.nan, np.nan, np.nan, 110])
    assert f"{ITEM}: in 'WALL' these are no positive numbers: -3.0" in notes
    assert f"{ITEM}: in 'LENGTH' these are no positive numbers: x" in notes


def test_codes_of_the_mapping_come_before_words() -> None:
    notes: list[str] = []
    mapping = mapped("material", "status", materials={"PVC": "steel", "3": "lead"}, status={"open": False})
    out = mains_attributes(frame(3, material=["PVC", 3.0, "PE"], status=["open"] * 3), mapping, ITEM, notes)
    assert out["material"].tolist() == ["steel", "lead", "pe"]
    assert out["in_service"].tolist() == [False] * 3


def test_many_unknown_materials_do_not_flood_the_notes() -> None:
    notes: list[str] = []
    mains_attributes(frame(30, material=[f"stuff {k}" for k in range(30)]), mapped("material"), ITEM, notes)
    assert sum("is not understood; say what it is" in note for note in notes) == 10
    assert f"{ITEM}: 20 more material texts of 20 are not understood" in notes


def test_years() -> None:
    notes: list[str] = []
    raw = frame(5, year=["1956", "laid in 1931", "12/05/1988", "0", "56"])
    out = mains_attributes(raw, mapped("year"), ITEM, notes)
    np.testing.assert_allclose(out["year"], [1956, 1931, 1988, np.nan, np.nan])
    assert f"{ITEM}: in 'YEAR' these are no years: 56" in notes


def test_years_as_numbers() -> None:
    notes: list[str] = []
    out = mains_attributes(frame(4, year=[1956.0, 0, None, 12.0]), mapped("year"), ITEM, notes)
    np.testing.assert_allclose(out["year"], [1956, np.nan, np.nan, np.nan])
    assert f"{ITEM}: in 'YEAR' these are no years: 12.0" in notes


def fittings(
    column: str, mapping_options: dict[str, Any], **roles: list[object]
) -> tuple[gpd.GeoDataFrame, list[str]]:
    notes: list[str] = []
    n = len(next(iter(roles.values())))
    raw = gpd.GeoDataFrame(
        {"asset_id": [f"F{k}" for k in range(n)], **roles},
        geometry=[Point(k, 0) for k in range(n)],
        crs="EPSG:4326",
    )
    columns = {role: column if role == "status" else role for role in ("asset_id", *roles)}
    mapping = FittingsMapping("f", columns, **mapping_options)
    return fittings_attributes(raw, mapping, "x, layer f", notes), notes


def test_only_valves_are_closed() -> None:
    kinds = ["valve", "hydrant", "box", "air valve"]
    out, notes = fittings("POS", {}, kind=kinds, status=["shut", "closed", "closed", "closed"])
    assert out["is_open"].tolist() == [False, True, True, True], "a closed air valve does not part the main"
    assert out["kind"].tolist() == ["valve", "hydrant", "other", "other"]
    assert notes == ["x, layer f: kind not understood, taken as of kind 'other': 'box' (1)"]


def test_yes_in_a_column_called_closed() -> None:
    out, notes = fittings("CLOSED", {"kind": "valve"}, status=["Y", "N", None, "maybe"])
    assert out["is_open"].tolist() == [False, True, True, True]
    assert notes == ["x, layer f: status of valves not understood, taken as open: blank (1), 'maybe' (1)"]


def test_state_codes_without_meaning_are_said() -> None:
    out, notes = fittings("status", {"kind": "valve"}, status=[0, 1, 1])
    assert out["is_open"].all()
    assert notes == ["x, layer f: status of valves not understood, taken as open: '1' (2), '0' (1)"]
    out, notes = fittings("status", {"kind": "valve", "status": {"1": False, "0": True}}, status=[0, 1, 1])
    assert out["is_open"].tolist() == [True, False, False]
    assert notes == []
