"""Shapes on their way in."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, Point

from netcorr.errors import LayerError
from netcorr.layers.crs import geodesic_lengths_m
from netcorr.layers.shapes import LINES, POINTS, centres, check_types, explode, named, with_true_height


def frame(shapes: Sequence[object], **columns: list[object]) -> gpd.GeoDataFrame:
    ids = [f"M{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame({"asset_id": ids, **columns}, geometry=shapes, crs="EPSG:32633")


def parts_of(counts: list[int]) -> list[MultiLineString]:
    """One multipart line for each count, all parts apart and of different lengths."""
    return [
        MultiLineString(
            [[(500_000 + 50 * k, 5.5e6 + 90 * n), (500_010 + 51 * k, 5.5e6 + 90 * n)] for k in range(count)]
        )
        for n, count in enumerate(counts)
    ]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 4), min_size=1, max_size=6))
def test_exploding_loses_no_part_no_metre_and_no_id(counts: list[int]) -> None:
    whole = frame(parts_of(counts), length_m=[100.0 * count for count in counts])
    notes: list[str] = []
    out = explode(whole, "mains", notes)
    assert len(out) == sum(counts)
    assert out["asset_id"].is_unique
    assert [i for i in out["asset_id"] if "#" not in i] == whole["asset_id"].tolist()
    assert bool(notes) == (max(counts) > 1)
    drawn_m = geodesic_lengths_m(out.geometry.to_numpy(), out.crs)
    assert drawn_m.sum() == pytest.approx(geodesic_lengths_m(whole.geometry.to_numpy(), whole.crs).sum())
    assert out["length_m"].sum() == pytest.approx(whole["length_m"].sum())
    owner = out["asset_id"].str.split("#").str[0]
    ratios = (out["length_m"] / drawn_m).groupby(owner.to_numpy())
    np.testing.assert_allclose(ratios.max(), ratios.min(), rtol=1e-9)  # each pipe keeps its one ratio


def test_single_lines_pass_through() -> None:
    lines = [LineString([(0, 0), (1, 1)]), LineString([(2, 2), (2, 2)])]
    notes: list[str] = []
    out = explode(frame(lines), "mains", notes)
    assert list(out.geometry) == lines
    assert notes == []


def test_empty_parts_vanish() -> None:
    hollow = shapely.from_wkt("MULTILINESTRING (EMPTY, (0 0, 1 1))")
    out = explode(frame([hollow]), "mains", [])
    assert out["asset_id"].tolist() == ["M0"]


def test_only_lines_or_points() -> None:
    lines = frame([LineString([(0, 0), (1, 1)]), Point(0, 0)])
    with pytest.raises(
        LayerError, match="1 of 2 features are not lines: M1 is a point; give a layer of lines"
    ):
        check_types(lines, LINES, "mains")
    with pytest.raises(LayerError, match="1 of 2 features are not points: M0 is a linestring"):
        check_types(lines, POINTS, "fittings")
    check_types(lines.iloc[:1], LINES, "mains")


def test_height_of_a_layer_of_both_kinds() -> None:
    lines = [
        LineString([(0, 0, 5), (1, 1, 6)]),
        LineString([(0, 0), (1, 1)]),
        LineString([(0, 0, 0), (1, 1, 0)]),
        LineString([(0, 0, 7), (1, 1, float("nan"))]),
    ]
    notes: list[str] = []
    out = with_true_height(frame(lines), "mains", notes)
    assert shapely.has_z(out.geometry.to_numpy()).tolist() == [True, False, False, False]
    assert notes == [
        "mains: 1 with a height of 0 or none at some points only (M3); they are taken as level",
    ]


def test_centres_and_names() -> None:
    x, y = centres(frame([LineString([(0, 0), (2, 4)])]), "mains")
    assert (x.tolist(), y.tolist()) == ([1.0], [2.0])
    assert (
        named(frame([Point(0, 0)] * 7), np.ones(7, dtype=bool))
        == "7 features (M0, M1, M2, M3, M4 and 2 more)"
    )
