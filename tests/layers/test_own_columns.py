"""Columns of the utility's own: read by the network's ids, filtered, and taken as reasons."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from netcorr.errors import LayerError
from netcorr.layers.own_columns import left_out, one_column, read_own_columns


@pytest.fixture
def town(tmp_path: Path) -> Path:
    file = tmp_path / "town.gpkg"
    mains = gpd.GeoDataFrame(
        {"asset_id": ["M1"], "material": ["pvc"], "diameter_mm": [100], "risk": [2.5]},
        geometry=[LineString([(500000, 5500000), (500100, 5500000)])],
        crs="EPSG:32633",
    )
    fittings = gpd.GeoDataFrame(
        {
            "asset_id": ["V1", "V2", "H1"],
            "kind": ["valve", "valve", "hydrant"],
            "access": ["open", "private", None],
            "buried": [False, False, True],
        },
        geometry=[Point(500000 + 50 * k, 5500000) for k in range(3)],
        crs="EPSG:32633",
    )
    mains.to_file(file, layer="mains")
    fittings.to_file(file, layer="fittings")
    return file


def test_columns_come_by_the_ids_of_the_network(town: Path) -> None:
    assert read_own_columns(town, "mains")["risk"].to_dict() == {"M1": 2.5}
    assert read_own_columns(town, "fittings").index.tolist() == ["V1", "V2", "H1"]


def test_a_condition_is_sql(town: Path) -> None:
    kept = read_own_columns(town, "fittings", where="access = 'open' OR kind = 'hydrant'")
    assert kept.index.tolist() == ["V1", "H1"]
    with pytest.raises(
        LayerError, match=r"cannot be understood; write it like .* with its columns: .*access"
    ):
        read_own_columns(town, "fittings", where="acess = 'open'")


def test_of_several_layers_one_may_lack_the_column_of_a_condition(town: Path) -> None:
    mapping = town.with_name("map.toml")
    hydrants = gpd.GeoDataFrame({"no": [7]}, geometry=[Point(500050, 5500000)], crs="EPSG:32633")
    hydrants.to_file(town, layer="hydrants")
    mapping.write_text(
        'source = "town.gpkg"\n[mains]\nlayer = "mains"\n'
        'columns = { asset_id = "asset_id", material = "material", diameter_mm = "diameter_mm" }\n'
        '[[fittings]]\nlayer = "fittings"\ncolumns = { asset_id = "asset_id", kind = "kind" }\n'
        '[[fittings]]\nlayer = "hydrants"\nkind = "hydrant"\nid_prefix = "H-"\n'
        'columns = { asset_id = "no" }\n'
    )
    assert read_own_columns(mapping, "fittings").index.tolist() == ["V1", "V2", "H1", "H-7"]
    assert read_own_columns(mapping, "fittings", where="access = 'open'").index.tolist() == ["V1"]


def test_reasons_are_read_from_columns_of_all_kinds(town: Path) -> None:
    frame = read_own_columns(town, "fittings")
    assert left_out(frame, "buried", "fittings") == ({"H1": "buried"}, [])
    assert left_out(frame, "access=Private", "fittings") == ({"V2": "Private"}, [])
    assert left_out(frame, "access", "fittings")[0] == {"V1": "open", "V2": "private"}
    with pytest.raises(LayerError, match=r"no column 'burried'.*similar: buried"):
        left_out(frame, "burried", "fittings")


def test_a_value_that_no_row_has_is_told(town: Path) -> None:
    found, notes = left_out(read_own_columns(town, "fittings"), "access=flooded", "fittings")
    assert not found
    assert notes == ["fittings: no row says access = 'flooded'; access holds open, private"]


@given(st.lists(st.sampled_from(["yes", "no", "", "1", "0", "false", "TRUE", "wet"]), min_size=1, max_size=9))
def test_only_a_yes_or_a_reason_leaves_out(words: list[str]) -> None:
    frame = pd.DataFrame({"bad": words}, index=[f"F{k}" for k in range(len(words))])
    found, _ = left_out(frame, "bad", "fittings")
    assert set(found) == {f"F{k}" for k, w in enumerate(words) if w in ("yes", "1", "TRUE", "wet")}
    assert all(
        found[f"F{k}"] == ("wet" if w == "wet" else "bad") for k, w in enumerate(words) if f"F{k}" in found
    )


def test_a_column_is_found_in_any_case() -> None:
    assert one_column(pd.DataFrame({"Risk": [1]}), "risk", "mains").tolist() == [1]
