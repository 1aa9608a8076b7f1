"""Reading networks: every format gives the same layers; bad input gives one clear message."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, MultiLineString, MultiPoint, Point

from netcorr.errors import CancelledError, LayerError
from netcorr.feedback import NoFeedback
from netcorr.layers import (
    FITTINGS_COLUMNS,
    MAINS_COLUMNS,
    NetworkLayers,
    geodesic_lengths_m,
    read_network_layers,
)

X0, Y0 = 500_000.0, 5_540_000.0
Writer = Callable[..., Path]


def with_notes(layers: NetworkLayers, part: str) -> list[str]:
    return [note for note in layers.notes if part in note]


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "geojson", "fgb"])
def test_every_format_gives_the_same_layers(town: Writer, suffix: str) -> None:
    layers = read_network_layers(town(suffix))
    mains, fittings = layers.mains, layers.fittings
    order = np.argsort(mains["asset_id"])  # FlatGeobuf sorts by place
    mains, fittings = mains.iloc[order], fittings.sort_values("asset_id")
    assert list(mains.columns) == [*MAINS_COLUMNS, "assumed", "could_be", "geometry"]
    assert list(fittings.columns) == [*FITTINGS_COLUMNS, "geometry"]
    assert mains["asset_id"].tolist() == ["M1", "M2", "M3"]
    assert mains["material"].tolist() == ["ductile_iron", "pvc", "grey_iron"]
    assert mains["material_text"].tolist() == ["Ductile Iron", "PVC-U", "Grauguß"]
    for column, expected in (
        ("diameter_mm", [150.0, 110.0, 100.0]),
        ("wall_mm", [6.0, np.nan, np.nan]),
        ("year", [1988.0, 2004.0, 1931.0]),
        ("wave_speed_m_s", [np.nan, 395.5, np.nan]),
        ("length_m", [np.nan, np.nan, 76.0]),
    ):
        assert mains[column].dtype == float
        np.testing.assert_allclose(mains[column], expected)
    assert mains["in_service"].tolist() == [True, True, False]
    assert fittings["kind"].tolist() == ["hydrant", "valve", "valve"]
    assert fittings["is_open"].tolist() == [True, True, False]
    lengths_m = geodesic_lengths_m(mains.geometry.to_numpy(), mains.crs)
    np.testing.assert_allclose(lengths_m, np.array([100, 130, 75]) / 0.9996, rtol=1e-6)  # scale of the zone
    assert fittings.crs == mains.crs


LOCAL_FEET = "+proj=tmerc +lat_0=50 +lon_0=15 +x_0=300 +y_0=0 +ellps=WGS84 +towgs84=0,0,0 +units=us-ft"
LOCAL_AXES = "+proj=omerc +lat_0=50 +lonc=15 +alpha=30 +gamma=0 +k=1.001 +datum=WGS84"


@pytest.mark.parametrize(
    "crs", ["EPSG:4326", "EPSG:3857", "EPSG:25833", "EPSG:32634", LOCAL_FEET, LOCAL_AXES, "EPSG:4326+5773"]
)
def test_any_crs_gives_the_same_ground_lengths(
    town: Writer, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame, crs: str
) -> None:
    layers = read_network_layers(town(mains=mains.to_crs(crs), fittings=fittings.to_crs(crs)))
    lengths_m = geodesic_lengths_m(layers.mains.geometry.to_numpy(), layers.mains.crs)
    np.testing.assert_allclose(lengths_m, np.array([100, 130, 75]) / 0.9996, rtol=1e-6)


def test_fittings_are_brought_to_the_crs_of_the_mains(town: Writer, fittings: gpd.GeoDataFrame) -> None:
    layers = read_network_layers(town(fittings=fittings.to_crs("EPSG:4326")))
    assert layers.fittings.crs == layers.mains.crs
    moved = shapely.distance(layers.fittings.geometry.to_numpy(), fittings.geometry.to_numpy())
    assert moved.max() < 1e-6
    assert with_notes(layers, "fittings: brought from WGS 84 to WGS 84 / UTM zone 33N, the CRS of the mains")


def test_plain_names_leave_only_the_choice_of_layers_to_say(town: Writer) -> None:
    assert read_network_layers(town()).notes == (
        "layer 'mains' is taken for the mains: it is the only line layer",
        "layer 'fittings' is taken for fittings: its name says so",
    )


def test_integer_and_real_ids_are_written_plainly(
    town: Writer, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame
) -> None:
    path = town(mains=mains.assign(asset_id=[7, 8, 9]), fittings=fittings.assign(asset_id=[1.0, 2.0, 3.0]))
    layers = read_network_layers(path)
    assert layers.mains["asset_id"].tolist() == ["7", "8", "9"]
    assert layers.fittings["asset_id"].tolist() == ["1", "2", "3"]


def test_parts_are_told_apart_and_share_the_measured_length(town: Writer, mains: gpd.GeoDataFrame) -> None:
    parts = MultiLineString(
        [[(X0, Y0), (X0 + 30, Y0)], [(X0 + 900, Y0), (X0 + 960, Y0)], [(X0, Y0 + 9), (X0 + 10, Y0 + 9)]]
    )
    shapes = [parts, *mains.geometry.iloc[1:]]
    layers = read_network_layers(town(mains=mains.set_geometry(shapes, crs=mains.crs).assign(length_m=110.0)))
    assert layers.mains["asset_id"].tolist() == ["M1", "M1#2", "M1#3", "M2", "M3"]
    assert set(layers.mains.geom_type) == {"LineString"}
    np.testing.assert_allclose(layers.mains["length_m"], [33, 66, 11, 110, 110], rtol=1e-6)
    assert with_notes(layers, "mains: 1 of several parts (M1); their further parts are called M1#2 and so on")


def test_multipoints_of_one_point_are_points(town: Writer, fittings: gpd.GeoDataFrame) -> None:
    shapes = [MultiPoint([p]) for p in fittings.geometry]
    layers = read_network_layers(town(fittings=fittings.set_geometry(shapes, crs=fittings.crs)))
    assert layers.fittings["asset_id"].tolist() == ["V1", "H1", "V2"]
    assert set(layers.fittings.geom_type) == {"Point"}


def test_missing_shapes_are_left_out_and_said(town: Writer, mains: gpd.GeoDataFrame) -> None:
    shapes = [mains.geometry.iloc[0], None, LineString()]
    layers = read_network_layers(town(mains=mains.set_geometry(shapes, crs=mains.crs)))
    assert layers.mains["asset_id"].tolist() == ["M1"]
    assert with_notes(layers, "mains: 2 without a usable geometry left out (M2, M3)")


def test_a_line_of_one_point_is_no_line(town: Writer) -> None:
    folder = town("geojson")
    text = (folder / "mains.geojson").read_text(encoding="utf-8")
    features = json.loads(text)
    features["features"][1]["geometry"]["coordinates"] = [[15.0, 50.0]]
    (folder / "mains.geojson").write_text(json.dumps(features), encoding="utf-8")
    layers = read_network_layers(folder)
    assert layers.mains["asset_id"].tolist() == ["M1", "M3"]
    assert with_notes(layers, "mains: 1 without a usable geometry left out (M2)")


def lifted(mains: gpd.GeoDataFrame, heights: list[list[float]]) -> gpd.GeoDataFrame:
    shapes = [
        LineString([(*xy[:2], z) for xy, z in zip(line.coords, zs, strict=True)])
        for line, zs in zip(mains.geometry, heights, strict=True)
    ]
    return mains.set_geometry(shapes, crs=mains.crs)


def test_true_heights_are_kept(town: Writer, mains: gpd.GeoDataFrame) -> None:
    layers = read_network_layers(town(mains=lifted(mains, [[210, 240], [240, 240, 240], [240, 239]])))
    assert shapely.has_z(layers.mains.geometry.to_numpy()).all()
    lengths_m = geodesic_lengths_m(layers.mains.geometry.to_numpy(), layers.mains.crs)
    assert lengths_m[0] == pytest.approx(np.hypot(100 / 0.9996, 30), rel=1e-6)


def test_heights_all_zero_are_no_heights(town: Writer, mains: gpd.GeoDataFrame) -> None:
    layers = read_network_layers(town(mains=lifted(mains, [[0, 0], [0, 0, 0], [0, 0]])))
    assert not shapely.has_z(layers.mains.geometry.to_numpy()).any()
    assert with_notes(layers, "mains: all heights (Z) are 0 and are left out")


def test_heights_with_gaps_are_level(town: Writer, mains: gpd.GeoDataFrame) -> None:
    layers = read_network_layers(town(mains=lifted(mains, [[210, 0], [240, 241, 242], [240, 239]])))
    assert shapely.has_z(layers.mains.geometry.to_numpy()).tolist() == [False, True, True]
    assert with_notes(layers, "mains: 1 with a height of 0 or none at some points only (M1)")


def test_what_is_not_known_is_kept_open_and_counted(town: Writer, mains: gpd.GeoDataFrame) -> None:
    odd = mains.assign(material=["AC", "Wood", None], diameter_mm=[0.0, None, 100.0], year=[0, 1988, 3])
    layers = read_network_layers(town(mains=odd))
    assert layers.mains["material"].tolist() == [None, None, None]
    assert layers.mains["material_text"].tolist() == ["AC", "Wood", None]
    assert np.isnan(layers.mains["diameter_mm"]).tolist() == [True, True, False]
    assert np.isnan(layers.mains["year"]).tolist() == [True, False, True]
    for part in (
        "1 of 3 without a material",
        "material 'AC' of 1 may be asbestos cement or steel; say what it is in a mapping file: "
        '[mains] materials = { "AC" = "..." }',
        "material 'Wood' of 1 is not understood",
        "2 of 3 without a known diameter",
        "in 'year' these are no years: 3",
    ):
        assert with_notes(layers, part), part


def test_no_optional_columns(town: Writer, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame) -> None:
    layers = read_network_layers(
        town(mains=mains[["asset_id", "geometry"]], fittings=fittings[["asset_id", "kind", "geometry"]])
    )
    assert layers.mains["in_service"].all()
    assert layers.mains["material"].isna().all()
    assert layers.fittings["is_open"].all()
    for part in (
        "mains: 3 of 3 without a material",
        "mains: no column for the diameter",
        "mains: no column says what is in service; all are taken as in service",
        "fittings: no column says which valves are closed; all 2 are taken as open",
    ):
        assert with_notes(layers, part), part


def test_texts_as_numbers_and_dates(town: Writer, mains: gpd.GeoDataFrame) -> None:
    odd = mains.assign(
        diameter_mm=['6"', "DN100", "160/146"],
        wall_mm=["6,5", "x", "0"],
        year=pd.to_datetime(["1988-05-01", "2004-01-01", "NaT"]),
    )
    layers = read_network_layers(town(mains=odd))
    np.testing.assert_allclose(layers.mains["diameter_mm"], [152.4, 100, 160])
    np.testing.assert_allclose(layers.mains["wall_mm"], [6.5, np.nan, np.nan])
    np.testing.assert_allclose(layers.mains["year"], [1988, 2004, np.nan])
    assert with_notes(layers, "in 'wall_mm' these are no positive numbers: x")


def test_diameters_in_inches_by_name_and_by_value(town: Writer, mains: gpd.GeoDataFrame) -> None:
    inches = mains.assign(diameter_mm=[6.0, 8.0, 12.0])
    by_name = read_network_layers(town(mains=inches.rename(columns={"diameter_mm": "diameter_in"})))
    np.testing.assert_allclose(by_name.mains["diameter_mm"], [152.4, 203.2, 304.8])
    by_value = read_network_layers(town(mains=inches.rename(columns={"diameter_mm": "DIAM"})))
    np.testing.assert_allclose(by_value.mains["diameter_mm"], [152.4, 203.2, 304.8])
    assert with_notes(by_value, "diameters in 'DIAM' are read in inches: values from 6 to 12 are usual")


def test_shapefile_that_cut_its_names(town: Writer, mains: gpd.GeoDataFrame) -> None:
    metric = read_network_layers(town("shp"))  # diameter_mm became diameter_m, which is not metres
    assert with_notes(metric, "diameters in 'diameter_m' are read in millimetres: values")
    inches = mains.assign(diameter_mm=[6.0, 8.0, 12.0]).rename(columns={"diameter_mm": "diameter_in"})
    np.testing.assert_allclose(read_network_layers(town("shp", mains=inches)).mains["diameter_mm"][0], 152.4)


def test_unit_that_cannot_be_told_or_true(town: Writer, mains: gpd.GeoDataFrame) -> None:
    unclear = mains.assign(diameter_mm=24.0).rename(columns={"diameter_mm": "diameter"})
    with pytest.raises(LayerError) as caught:
        read_network_layers(town(mains=unclear))
    assert str(caught.value) == (
        "town.gpkg, layer mains, column diameter: unit not known: the only value 24 is possible in inches "
        "and in millimetres; name the column diameter_mm or diameter_in, or set it in a mapping file: "
        '[mains] units = { diameter = "mm" }'
    )
    with pytest.raises(
        LayerError, match="diameters from 6 to 12 mm, with a median of 8 mm, which mains do not"
    ):
        read_network_layers(town(mains=mains.assign(diameter_mm=[6.0, 8.0, 12.0])))


# --- bad input --------------------------------------------------------------------------------------------


def test_duplicate_ids_name_ids_and_features(town: Writer, mains: gpd.GeoDataFrame) -> None:
    with pytest.raises(LayerError) as caught:
        read_network_layers(town(mains=mains.assign(asset_id=["A", "B", "A"])))
    assert str(caught.value) == (
        "town.gpkg, layer mains: 1 id is used more than once: A (features 1, 3); give every feature an id "
        "of its own, or name another id column in a mapping file"
    )
    assert caught.value.exit_code == 3


def test_missing_ids(town: Writer, fittings: gpd.GeoDataFrame) -> None:
    with pytest.raises(
        LayerError, match="fittings: 2 features without an id in 'asset_id': number 1, 3; give"
    ):
        read_network_layers(town(fittings=fittings.assign(asset_id=[None, "H1", "  "])))


def test_no_id_column(town: Writer, mains: gpd.GeoDataFrame) -> None:
    with pytest.raises(LayerError) as caught:
        read_network_layers(town(mains=mains[["material", "year", "geometry"]]))
    assert str(caught.value) == (
        "layer mains: no asset_id column (its columns: material, year); name the column with the ids "
        "asset_id, or say which it is in a mapping file"
    )


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "fgb"])
def test_no_crs(town: Writer, mains: gpd.GeoDataFrame, suffix: str) -> None:
    bare = gpd.GeoDataFrame(mains.drop(columns="geometry"), geometry=list(mains.geometry))
    with pytest.warns(UserWarning, match="crs"):
        path = town(suffix, mains=bare)
    with pytest.raises(
        LayerError, match="mains: no CRS; give the CRS it was drawn in with --crs, for example"
    ):
        read_network_layers(path)
    assert read_network_layers(path, crs="EPSG:32633").mains.crs == mains.crs


def test_only_mains(tmp_path: Path, mains: gpd.GeoDataFrame) -> None:
    mains.to_file(tmp_path / "mains.gpkg")
    with pytest.raises(
        LayerError, match=r"mains.gpkg: no fittings layer, but mains \(line\); give a source that"
    ):
        read_network_layers(tmp_path / "mains.gpkg")


def test_only_fittings(tmp_path: Path, fittings: gpd.GeoDataFrame) -> None:
    fittings.to_file(tmp_path / "fittings.gpkg")
    with pytest.raises(
        LayerError, match=r"fittings.gpkg: no line layer, but fittings \(point\); give a source"
    ):
        read_network_layers(tmp_path / "fittings.gpkg")


def test_wrong_type_of_geometry(town: Writer, fittings: gpd.GeoDataFrame) -> None:
    path = town()
    toml = path.with_name("town.toml")
    wrong = '[mains]\nlayer = "fittings"\ncolumns = { asset_id = "asset_id" }\n'
    right = '[[fittings]]\nlayer = "fittings"\ncolumns = { asset_id = "asset_id" }\n'
    toml.write_text(f'source = "town.gpkg"\n{wrong}{right}', encoding="utf-8")
    with pytest.raises(LayerError) as caught:
        read_network_layers(toml)
    assert str(caught.value) == (
        "town.gpkg, layer fittings: 3 of 3 features are not lines: V1 is a point; give a layer of lines, "
        "or split the others off"
    )


def test_degrees_under_a_metric_header(town: Writer, mains: gpd.GeoDataFrame) -> None:
    wrong = mains.to_crs("EPSG:4326").set_crs("EPSG:32633", allow_override=True)
    path = town(mains=wrong)
    with pytest.raises(LayerError) as caught:
        read_network_layers(path)
    assert "look like degrees, but its CRS is WGS 84 / UTM zone 33N (EPSG:32633); give the CRS in" in str(
        caught.value
    )
    right = '[mains]\nlayer = "mains"\ncrs = "EPSG:4326"\ncolumns = { asset_id = "asset_id" }\n'
    fitting = '[[fittings]]\nlayer = "fittings"\ncolumns = { asset_id = "asset_id" }\n'
    path.with_suffix(".toml").write_text(f'source = "{path.name}"\n{right}{fitting}', encoding="utf-8")
    layers = read_network_layers(path.with_suffix(".toml"))
    assert with_notes(
        layers, "mains: read as WGS 84, as given, in place of WGS 84 / UTM zone 33N in the file"
    )
    assert layers.fittings.geometry.iloc[0].x == pytest.approx(15.0)


def test_metres_under_a_header_of_degrees(town: Writer, mains: gpd.GeoDataFrame) -> None:
    with pytest.raises(LayerError) as caught:
        read_network_layers(town(mains=mains.set_crs("EPSG:4326", allow_override=True)))
    assert "coordinates such as (500050, 5.54e+06) cannot be degrees of WGS 84 (EPSG:4326)" in str(
        caught.value
    )


def test_feet_under_a_metric_header(
    town: Writer, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame
) -> None:
    """Kentucky in US feet (EPSG:3089) under the header of the same grid in metres (EPSG:3088)."""
    feet = [LineString([(4_900_000, 3_800_000), (4_900_300, 3_800_000)])] * 3
    points = [Point(4_900_000, 3_800_000)] * 3
    path = town(
        mains=mains.set_geometry(feet, crs="EPSG:3088"),
        fittings=fittings.set_geometry(points, crs="EPSG:3088"),
    )
    with pytest.raises(LayerError, match="degrees outside the area of NAD83 / Kentucky Single Zone"):
        read_network_layers(path)
    layers = read_network_layers(path, crs="EPSG:3089")
    lengths_m = geodesic_lengths_m(layers.mains.geometry.to_numpy(), layers.mains.crs)
    np.testing.assert_allclose(
        lengths_m, 300 * 1200 / 3937, rtol=1e-3
    )  # grid and ground differ by 1e-4 there


def test_one_main_far_away_is_said_and_many_are_refused(town: Writer, mains: gpd.GeoDataFrame) -> None:
    stray = LineString([(X0 + 2_000_000, Y0), (X0 + 2_000_100, Y0)])
    layers = read_network_layers(town(mains=mains.set_geometry([stray, *mains.geometry[1:]], crs=mains.crs)))
    assert with_notes(layers, "far outside the area of WGS 84 / UTM zone 33N (EPSG:32633): 1 feature (M1)")
    with pytest.raises(LayerError, match="degrees outside the area of WGS 84 / UTM zone 33N"):
        read_network_layers(town(mains=mains.set_geometry([stray, stray, stray], crs=mains.crs)))


def test_fittings_in_another_town(town: Writer, fittings: gpd.GeoDataFrame) -> None:
    with pytest.raises(
        LayerError, match=r"town.gpkg: the fittings lie 200 km from the mains; one of the two"
    ):
        read_network_layers(town(fittings=fittings.set_geometry(fittings.translate(200_000, 0))))


def test_coordinates_that_are_no_numbers(town: Writer, mains: gpd.GeoDataFrame) -> None:
    shapes = [LineString([(X0, Y0), (np.inf, Y0)]), *mains.geometry[1:]]
    with pytest.raises(LayerError, match=r"1 feature \(M1\) with coordinates that are no numbers; correct"):
        read_network_layers(town("fgb", mains=mains.set_geometry(shapes, crs=mains.crs)))


def test_unknown_crs_from_the_user(town: Writer) -> None:
    with pytest.raises(LayerError, match="CRS 'EPSG:1' is not known; give a code such as EPSG:32633"):
        read_network_layers(town(), crs="EPSG:1")


def test_several_line_layers_that_could_be_mains(town: Writer, mains: gpd.GeoDataFrame) -> None:
    path = town()
    mains.to_file(path.with_name("a.gpkg"), layer="north")
    mains.to_file(path.with_name("a.gpkg"), layer="south")
    with pytest.raises(
        LayerError, match="2 line layers that could be the mains: north, south; name one of them"
    ):
        read_network_layers(path.with_name("a.gpkg"))


@pytest.mark.parametrize(
    ("name", "message"),
    [
        (
            "mains.fgb",
            "mains.fgb, layer mains: cannot be read (Fatal error parsing feature); check that the file",
        ),
        ("mains.shp", "mains.shp: the file is cut off: 240 of 380 bytes are there; copy it again"),
        ("mains.dbf", "mains.dbf: the file is cut off: "),
        (
            "mains.geojson",
            "no line layer, but fittings (point) (not readable: mains.geojson: cannot be read (",
        ),
    ],
)
def test_file_that_lost_its_end(town: Writer, name: str, message: str) -> None:
    folder = town({"dbf": "shp"}.get(name[6:], name[6:]))
    whole = (folder / name).read_bytes()
    (folder / name).write_bytes(whole[:-140])
    with pytest.raises(LayerError) as caught:
        read_network_layers(folder)
    assert message in str(caught.value)


def test_wrong_encoding(town: Writer) -> None:
    folder = town("shp")
    (folder / "mains.dbf").write_bytes((folder / "mains.dbf").read_bytes().replace(b"PVC-U", b"Bl\xe9i\xdf"))
    with pytest.raises(
        LayerError, match="text that is not UTF-8, as the file declares; state the true encoding"
    ):
        read_network_layers(folder)
    (folder / "mains.cpg").write_text("ISO-8859-1")
    assert read_network_layers(folder).mains["material_text"].tolist()[1] == "Bl\u00e9i\u00df"


class Told(NoFeedback):
    """Remembers what it was told."""

    def __init__(self) -> None:
        self.fractions: list[float] = []

    def progress(self, fraction: float, message: str = "") -> None:
        self.fractions.append(fraction)


def test_progress_rises_to_the_end(town: Writer) -> None:
    told = Told()
    read_network_layers(town(), feedback=told)
    assert told.fractions == sorted(told.fractions)
    assert told.fractions[-1] == 1


def test_can_be_stopped(town: Writer) -> None:
    class Stop(NoFeedback):
        cancelled = True

    with pytest.raises(CancelledError):
        read_network_layers(town(), feedback=Stop())
