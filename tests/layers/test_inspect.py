"""Inspection: complete, the same by both readers, and never the whole file in memory."""

from __future__ import annotations

import subprocess
import sys
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString

from netcorr.errors import CancelledError, LayerError
from netcorr.feedback import NoFeedback
from netcorr.layers import LayerSummary, SourceSummary, inspect, inspect_source, stream
from netcorr.layers.stream import stream_records

Writer = Callable[..., Path]


def values(summary: SourceSummary, layer: str, column: str) -> list[tuple[str, int, str]]:
    (found,) = [part for part in summary.layers if part.name == layer]
    (chosen,) = [part for part in found.columns if part.name == column]
    return sorted((value.value, value.count, value.taken_for) for value in chosen.values)


@pytest.fixture(params=["fiona", "pyogrio"])
def reader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "pyogrio":
        monkeypatch.setitem(sys.modules, "fiona", None)  # importing it fails then
        monkeypatch.setattr(stream, "CHUNK", 2)
    else:
        pytest.importorskip("fiona")
    return str(request.param)


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "geojson", "fgb"])
def test_everything_in_a_source(
    reader: str, town: Writer, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame, suffix: str
) -> None:
    odd = mains.assign(material=["AC", "Wood", None], status=["live", "ABANDONED", "?"])
    summary = inspect_source(town(suffix, mains=odd))
    by_name = {layer.name: layer for layer in summary.layers}
    assert {name: (layer.role, layer.count) for name, layer in by_name.items()} == {
        "mains": ("mains", 3),
        "fittings": ("fittings", 3),
    }
    assert by_name["mains"].geometry_counts == {"LineString": 3}
    assert by_name["fittings"].geometry_counts == {"Point": 3}
    assert values(summary, "mains", "material") == [
        ("", 1, "unknown"),
        ("AC", 1, "asbestos cement or steel?"),
        ("Wood", 1, "not understood"),
    ]
    assert values(summary, "mains", "status") == [
        ("?", 1, "in service, as nothing is known"),
        ("ABANDONED", 1, "out of service"),
        ("live", 1, "in service"),
    ]
    assert values(summary, "mains", "diameter_m" if suffix == "shp" else "diameter_mm") == [
        ("100", 1, "100 mm"),
        ("110", 1, "110 mm"),
        ("150", 1, "150 mm"),
    ]
    assert values(summary, "fittings", "kind") == [
        ("gate valve", 1, "valve"),
        ("hydrant", 1, "hydrant"),
        ("valve", 1, "valve"),
    ]
    assert values(summary, "fittings", "status")[0] == ("", 1, "open, as nothing is known")
    assert summary.mapping is not None
    assert summary.mapping.mains.layer == "mains"
    assert summary.problems == ()


def test_inspection_says_what_reading_does(town: Writer, mains: gpd.GeoDataFrame) -> None:
    inches = mains.assign(diameter_mm=[6.0, 8.0, 12.0]).rename(columns={"diameter_mm": "SIZE"})
    summary = inspect_source(town(mains=inches))
    assert values(summary, "mains", "SIZE") == [
        ("12", 1, "304.8 mm"),
        ("6", 1, "152.4 mm"),
        ("8", 1, "203.2 mm"),
    ]
    roles = {column.name: column.role for column in summary.layers[0].columns}
    assert (roles["SIZE"], roles["material"], roles["year"]) == ("diameter", "material", "year")


def test_mapping_file_is_followed(town: Writer, mains: gpd.GeoDataFrame) -> None:
    path = town(mains=mains.assign(material=["AC", "AC", "X"]))
    toml = path.with_name("map.toml")
    toml.write_text(
        'source = "town.gpkg"\n[mains]\nlayer = "mains"\n'
        'columns = { asset_id = "asset_id", material = "material", status = "status" }\n'
        'materials = { AC = "steel" }\nstatus = { abandoned = "in service" }\n'
        '[[fittings]]\nlayer = "fittings"\nkind = "valve"\ncolumns = { asset_id = "asset_id" }\n',
        encoding="utf-8",
    )
    summary = inspect_source(toml)
    assert summary.source == "map.toml"
    assert values(summary, "mains", "material") == [("AC", 2, "steel"), ("X", 1, "not understood")]
    assert ("abandoned", 1, "in service") in values(summary, "mains", "status")
    toml.write_text(toml.read_text(encoding="utf-8").replace('"material"', '"matter"'), encoding="utf-8")
    with pytest.raises(LayerError, match=r"no column 'matter', which the mapping names as material"):
        inspect_source(toml)


def test_no_network_is_a_problem_and_no_error(tmp_path: Path, mains: gpd.GeoDataFrame) -> None:
    mains.to_file(tmp_path / "mains.gpkg")
    summary = inspect_source(tmp_path / "mains.gpkg")
    assert summary.mapping is None
    assert summary.problems[0].startswith(
        "mains.gpkg: no fittings layer, but mains (line); give a source that"
    )
    assert ("PVC-U", 1, "PVC") in values(summary, "mains", "material")


def test_wrong_crs_wrong_types_and_no_crs(town: Writer, mains: gpd.GeoDataFrame) -> None:
    wrong = mains.to_crs("EPSG:4326").set_crs("EPSG:32633", allow_override=True)
    (problem,) = inspect_source(town(mains=wrong)).problems
    assert "cannot be true in its CRS, WGS 84 / UTM zone 33N; give the CRS in which" in problem
    bare = gpd.GeoDataFrame(mains.drop(columns="geometry"), geometry=list(mains.geometry))
    with pytest.warns(UserWarning, match="crs"):
        path = town(mains=bare)
    (problem,) = inspect_source(path).problems
    assert problem == (
        "town.gpkg, layer mains: no CRS; give the CRS it was drawn in with --crs, "
        "for example --crs EPSG:32633"
    )


def test_missing_file() -> None:
    with pytest.raises(LayerError, match="no such file or folder"):
        inspect_source("nowhere.gpkg")


def test_many_distinct_values_are_cut_and_counted(
    monkeypatch: pytest.MonkeyPatch, town: Writer, mains: gpd.GeoDataFrame
) -> None:
    monkeypatch.setattr(inspect, "MOST_VALUES", 2)
    summary = inspect_source(town())
    (column,) = [part for part in summary.layers[0].columns if part.name == "material"]
    assert (len(column.values), column.uncounted) == (2, 1)


def many(folder: Path, n: int) -> Path:
    rng = np.random.default_rng(5)
    start = np.c_[rng.uniform(4e5, 6e5, n), rng.uniform(5.4e6, 5.6e6, n)]
    frame = gpd.GeoDataFrame(
        {
            "asset_id": [f"main-{k:09d}" for k in range(n)],
            "material": rng.choice(["DI", "PVC", "AC"], n),
            "diameter_mm": rng.choice([100.0, 150.0], n),
        },
        geometry=shapely.linestrings(np.stack([start, start + 5, start + 9], axis=1)),
        crs="EPSG:32633",
    )
    path = folder / "mains.fgb"
    frame.to_file(path)
    return path


def peak_bytes(path: Path) -> int:
    tracemalloc.start()
    try:
        inspect_source(path)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """15,000 mains need no more Python memory than 1,000: less than 20 bytes for each further one.

    Keeping as little as one tuple of each feature would take over 100.
    """
    pytest.importorskip("fiona")
    small, large = tmp_path / "small", tmp_path / "large"
    small.mkdir()
    large.mkdir()
    few, lots = many(small, 1_000), many(large, 15_000)
    peak_bytes(few)  # imports and caches
    assert peak_bytes(lots) - peak_bytes(few) < 20 * 14_000


def test_features_come_one_by_one(reader: str, tmp_path: Path) -> None:
    path = many(tmp_path, 100)
    (layer,) = inspect_source(path).layers
    records = stream_records(layer, ["material"])
    kind, (material,) = next(records)
    assert kind == "LineString"
    assert material in ("DI", "PVC", "AC")
    assert sum(1 for _ in records) == 99


def test_streams_through_fiona_where_it_is(monkeypatch: pytest.MonkeyPatch, town: Writer) -> None:
    fiona = pytest.importorskip("fiona")
    opened: list[str] = []
    truly = fiona.open

    def spy(path: Path, *, layer: str) -> object:
        opened.append(layer)
        return truly(path, layer=layer)

    monkeypatch.setattr(fiona, "open", spy)
    inspect_source(town())
    assert opened == ["mains", "fittings"]


def test_fiona_is_loaded_only_where_it_reads() -> None:
    """It takes a tenth of a second, which every other command would pay."""
    code = "import sys, netcorr.layers; sys.exit('fiona' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_features_without_a_shape_are_counted(reader: str, town: Writer, mains: gpd.GeoDataFrame) -> None:
    shapes = [mains.geometry.iloc[0], None, LineString([(0, 0), (1, 1)])]
    summary = inspect_source(town(mains=mains.set_geometry(shapes, crs=mains.crs)))
    assert summary.layers[0].geometry_counts == {"LineString": 2, "none": 1}


def test_progress_and_stop(town: Writer) -> None:
    fractions: list[float] = []

    class Told(NoFeedback):
        def progress(self, fraction: float, message: str = "") -> None:
            fractions.append(fraction)

    class Stop(NoFeedback):
        cancelled = True

    inspect_source(town(), feedback=Told())
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1
    with pytest.raises(CancelledError):
        inspect_source(town(), feedback=Stop())


def test_a_summary_knows_its_column_names(town: Writer) -> None:
    layer: LayerSummary = inspect_source(town()).layers[1]
    assert layer.column_names == ("asset_id", "kind", "status")
