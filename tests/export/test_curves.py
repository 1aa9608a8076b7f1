"""Curves as short text: close to what they were, and refused when damaged."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import ExportError
from netcorr.export.curves import pack_curve, unpack_curve


@given(
    st.lists(st.floats(-100, 100), min_size=2, max_size=80),
    st.floats(0.01, 5),
    st.floats(0.01, 10),
)
@settings(max_examples=30, deadline=None)
def test_a_kept_point_is_never_farther_than_the_tolerance(
    values: list[float], tolerance: float, step: float
) -> None:
    y = np.array(values)
    x = 3.0 + step * np.arange(y.size)
    one, other = unpack_curve(*pack_curve(x, y, tolerance=tolerance, digits=9), item="curve")
    assert one[0] == pytest.approx(x[0])
    assert one[-1] == pytest.approx(x[-1])
    assert one.size <= x.size
    # Douglas and Peucker: every point lies within the tolerance of the simplified line, in the scaled plane
    scaled = np.column_stack([(x - x[0]) / step * 2 * tolerance, y])
    kept = np.column_stack([(one - x[0]) / step * 2 * tolerance, other])
    for point in scaled:
        a, b = kept[:-1], kept[1:]
        along = np.clip(((point - a) * (b - a)).sum(1) / np.maximum(((b - a) ** 2).sum(1), 1e-30), 0, 1)
        apart = np.hypot(*(a + along[:, None] * (b - a) - point).T).min()
        assert apart <= tolerance * 1.001 + 1e-6


def test_a_narrow_peak_keeps_its_place_and_height() -> None:
    x = np.linspace(-160, 160, 4801)
    y = 2000 * np.exp(-0.5 * ((x - 38.66) / 0.2) ** 2)
    one, other = unpack_curve(*pack_curve(x, y, tolerance=6.0), item="curve")
    assert one.size < 60
    assert one[np.argmax(other)] == pytest.approx(x[np.argmax(y)], abs=1e-3)
    assert other.max() == pytest.approx(y.max(), rel=1e-3)


def test_texts_are_json() -> None:
    x, y = pack_curve(np.arange(4.0), np.array([0.0, 5.0, -1.0, 0.25]), tolerance=0.01)
    assert json.loads(x) == [0, 1, 2, 3]
    assert json.loads(y) == [0, 5, -1, 0.25]


@pytest.mark.parametrize(
    ("x", "y"),
    [
        ("[0,1,2]", "[0,1]"),
        ("[0,2,1]", "[0,1,2]"),
        ("[0,NaN]", "[0,1]"),
        ("[0]", "[0]"),
        ("no json", "[0,1]"),
        ('["a","b"]', "[0,1]"),
        ("[[0,1],[2,3]]", "[[0,1],[2,3]]"),
    ],
)
def test_damaged_curves_are_refused(x: str, y: str) -> None:
    with pytest.raises(ExportError, match="damaged"):
        unpack_curve(x, y, item="result.gpkg, evidence_curves")
