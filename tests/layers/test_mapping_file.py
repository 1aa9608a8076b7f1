"""The mapping as a file: complete, a round trip, a line for every question, and never over another file."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import LayerError
from netcorr.layers import inspect_source, mapping_text, read_mapping, read_network_layers, write_mapping
from netcorr.layers.mapping_file import _plain, _quoted, _write_new

Writer = Callable[..., Path]


def same_layers(one: Path, other: Path) -> None:
    a, b = read_network_layers(one), read_network_layers(other)
    pd.testing.assert_frame_equal(pd.DataFrame(a.mains), pd.DataFrame(b.mains))
    pd.testing.assert_frame_equal(pd.DataFrame(a.fittings), pd.DataFrame(b.fittings))
    assert a.mains.crs == b.mains.crs


def written(path: Path, name: str = "ours.toml") -> Path:
    folder = path if path.is_dir() else path.parent
    return write_mapping(inspect_source(path), folder / name)


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "geojson", "fgb"])
def test_reading_through_the_file_gives_the_same_layers(town: Writer, suffix: str) -> None:
    path = town(suffix)
    same_layers(path, written(path))


@pytest.fixture
def odd(town: Writer, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame) -> Path:
    """A town that needs everything a mapping can say."""
    path = town(
        mains=mains.assign(
            material=["AC", 'Wo"od\n', "7"], SIZE=["6", "8", "0"], status=["L", None, "abandoned"]
        )
        .drop(columns="diameter_mm")
        .rename(columns={"asset_id": "NR"}),
        fittings=fittings.assign(kind=["box", "Schieber", None], status=["?", "shut", "open"]),
    )
    pyogrio.write_dataframe(pd.DataFrame({"code": ["7"], "text": ["Grauguss"]}), path, layer="material")
    return path


def test_every_answer_and_every_question(odd: Path) -> None:
    text = written(odd).read_text(encoding="utf-8")
    for line in (
        'source = "town.gpkg"',
        'layer = "mains"  # 3 features, it is the only line layer',
        'asset_id = "NR"',
        "diameter = \"in\"  # diameters in 'SIZE' are read in inches: values from 6 to 8 are usual in inches",
        '# "AC" = ""  # 1: asbestos_cement or steel?',
        '# "Wo\\"od" = ""  # 1: which of them?',
        '"7" = "grey_iron"  # 1, which is \'Grauguss\' in its code table',
        '# "L" = ""  # 1: in service or out of service? Taken for in service',
        '# "" says nothing (1), taken for in service',
        '"abandoned" = "out of service"  # 1',
        '# "box" = ""  # 1: valve, hydrant, meter or other? Taken for other',
        '"Schieber" = "valve"  # 1',
        '"shut" = "closed"  # 1',
        '# material = "neighbours"  # 0 of 3 mains have none',
        '# diameter = "neighbours"  # 1 of 3 mains have none',
    ):
        assert line in text.splitlines(), line
    same_layers(odd, odd.with_name("ours.toml"))


def test_answers_filled_in_are_followed(odd: Path) -> None:
    toml = written(odd)
    text = toml.read_text(encoding="utf-8")
    for question, answer in (
        ('# "AC" = ""', '"AC" = "steel"'),
        ('# "Wo\\"od" = ""', '"Wo\\"od" = "unknown"'),
        ('# "box" = ""', '"box" = "meter"'),
        ('# "L" = ""', '"L" = "out of service"'),
        ('# material = "neighbours"', 'material = { assume = "pe" }'),
    ):
        assert question in text
        text = text.replace(question, answer)
    toml.write_text(text, encoding="utf-8")
    layers = read_network_layers(toml)
    assert layers.mains["material"].tolist() == ["steel", "pe", "grey_iron"]
    assert layers.mains["in_service"].tolist() == [False, True, False]
    assert layers.fittings["kind"].tolist() == ["meter", "valve", "other"]


def test_a_mapping_written_from_a_mapping_says_the_same(odd: Path) -> None:
    toml = written(odd)
    text = toml.read_text(encoding="utf-8")
    rules = (
        '[missing]\nmaterial = ["neighbours", { assume = "pvc", or = ["pe"] }]\n'
        "diameter = [{ until_year = { 1950 = 80, 2100 = 100 } }, { assume = 100, from = 80, to = 152.4 }]\n"
        'year = "leave"\n'
    )
    toml.write_text(
        text.replace("[missing]\n", rules).replace('# "AC" = ""', '"AC" = "steel"'), encoding="utf-8"
    )
    again = written(toml, "again.toml")
    one, other = read_mapping(toml), read_mapping(again)
    assert other.mains == one.mains
    assert other.fittings == one.fittings
    assert other.missing == one.missing
    same_layers(toml, again)


def test_files_named_by_a_mapping_are_named_again(tmp_path: Path, mains: gpd.GeoDataFrame) -> None:
    (tmp_path / "data").mkdir()
    mains.to_file(tmp_path / "data" / "rohr.fgb")
    valves = mains.assign(geometry=mains.geometry.interpolate(0.5, normalized=True))
    valves[["asset_id", "geometry"]].to_file(tmp_path / "data" / "armatur.gpkg", layer="armatur")
    toml = tmp_path / "ours.toml"
    toml.write_text(
        '[mains]\nsource = "data/rohr.fgb"\ncrs = "EPSG:32633"\ncolumns = { asset_id = "asset_id", '
        'material = "material", length_m = "length_m" }\nmaterials = { Holz = "unknown" }\n'
        '[[fittings]]\nsource = "data/armatur.gpkg"\nlayer = "armatur"\nkind = "valve"\nid_prefix = "V"\n'
        'columns = { asset_id = "asset_id" }\n',
        encoding="utf-8",
    )
    again = write_mapping(inspect_source(toml), tmp_path / "data" / "again.toml")
    text = again.read_text(encoding="utf-8")
    assert 'source = "rohr.fgb"' in text
    assert 'id_prefix = "V"' in text
    assert '"Holz" = "unknown"' in text
    same_layers(toml, again)


def test_what_cannot_be_told_is_asked(tmp_path: Path, mains: gpd.GeoDataFrame) -> None:
    path = tmp_path / "two.gpkg"
    mains.drop(columns="asset_id").to_file(path, layer="north")
    mains.drop(columns="asset_id").to_file(path, layer="south")
    toml = written(path)
    text = toml.read_text(encoding="utf-8")
    for line in (
        '# layer = ""  # the only one of the file; else which of north (3 features), south (3 features)?',
        '# asset_id = ""  # which column holds the ids?',
        'material = "material"',
        '"PVC-U" = "pvc"  # 1',
        "# [[fittings]]",
        '# layer = ""  # which layer holds the valves and hydrants?',
    ):
        assert line in text.splitlines(), line
    assert "# In the way: two.gpkg: 2 line layers that could be the mains: north, south" in text
    with pytest.raises(LayerError, match="no asset_id; name the column that holds the id"):
        read_mapping(toml)


def test_unit_that_cannot_be_told_is_asked(town: Writer, mains: gpd.GeoDataFrame) -> None:
    path = town(mains=mains.assign(diameter_mm=24.0).rename(columns={"diameter_mm": "diameter"}))
    summary = inspect_source(path)
    (problem,) = summary.problems
    assert problem == (
        "town.gpkg, layer mains: unit of the diameters in 'diameter' not known: the only value 24 is "
        'possible in inches and in millimetres; say it in a mapping file: [mains] units = { diameter = "mm" }'
    )
    toml = write_mapping(summary, path.parent / "ours.toml")
    text = toml.read_text(encoding="utf-8")
    assert '# diameter = ""  # mm or in?' in text
    toml.write_text(text.replace('# diameter = ""  # mm or in?', 'diameter = "in"'), encoding="utf-8")
    assert read_network_layers(toml).mains["diameter_mm"].tolist() == [609.6] * 3


def test_no_crs_is_asked(town: Writer, mains: gpd.GeoDataFrame) -> None:
    bare = gpd.GeoDataFrame(mains.drop(columns="geometry"), geometry=list(mains.geometry))
    with pytest.warns(UserWarning, match="crs"):
        path = town(mains=bare)
    question = '# crs = ""  # the file states none: which one was it drawn in, such as EPSG:25832?'
    toml = written(path)
    text = toml.read_text(encoding="utf-8")
    assert question in text.splitlines()
    toml.write_text(text.replace(question, 'crs = "EPSG:32633"'), encoding="utf-8")
    assert read_network_layers(toml).mains.crs == mains.crs


def test_a_file_that_is_there_is_never_replaced(town: Writer) -> None:
    path = town()
    toml = written(path)
    toml.write_text("mine", encoding="utf-8")
    with pytest.raises(LayerError, match=r"it exists already; choose another name, or move it away first"):
        written(path)
    assert toml.read_text(encoding="utf-8") == "mine"
    with pytest.raises(LayerError, match=r"cannot be written"):
        write_mapping(inspect_source(path), path.parent / "nowhere" / "ours.toml")


@settings(max_examples=50, deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_text_survives_as_key_and_comment(text: str) -> None:
    toml = f"# {_plain(text)}\n{_quoted(text)} = {_quoted(text)}\n"
    assert tomllib.loads(toml) == {text: text}


def test_text_is_what_is_written(town: Writer) -> None:
    path = town()
    toml = written(path)
    assert mapping_text(inspect_source(path), toml) == toml.read_text(encoding="utf-8")


@pytest.mark.parametrize("with_links", [True, False])
def test_a_disk_with_and_without_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, with_links: bool
) -> None:
    """A mapping is whole or not there, and never takes the place of a file that came in between."""

    def no_links(*_: object) -> None:
        raise OSError(1, "Operation not permitted")

    if not with_links:
        monkeypatch.setattr(os, "link", no_links)
    target = tmp_path / "new.toml"
    _write_new(target, "text = 1\n")
    assert target.read_text(encoding="utf-8") == "text = 1\n"
    with pytest.raises(FileExistsError):
        _write_new(target, "text = 2\n")
    assert target.read_text(encoding="utf-8") == "text = 1\n"
    assert not list(tmp_path.glob(".netcorr-*"))
