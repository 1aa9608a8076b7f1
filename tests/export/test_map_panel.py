"""Parts of a map: view, scale bar, corners, labels."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from shapely import LineString, Point

from netcorr.export.labels import Label, place_labels
from netcorr.export.map_panel import (
    View,
    draw_scale_bar,
    emptiest_corners,
    points_along,
    prepare_panel,
    ratio_of,
    round_length,
)
from netcorr.export.palette import LOOKS, look_of, width_of
from netcorr.layers.vocabulary import MATERIALS
from netcorr.units import FOOT_M


def panel(view: View | None = None) -> Axes:
    figure = Figure(figsize=(8, 5), dpi=100)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.05, 0.05, 0.9, 0.9))
    prepare_panel(axes, view or View(0, 0, 80, 50))
    return axes


@given(st.floats(1e-3, 1e6))
def test_round_length(about: float) -> None:
    length = round_length(about)
    assert length <= about * 1.0000001
    assert about < 2.5000001 * length
    assert f"{length:e}"[0] in "125"


@settings(max_examples=40, deadline=None)
@given(
    points=st.lists(st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)), min_size=1, max_size=6),
    ratio=st.floats(0.4, 3),
    margin=st.floats(0, 1),
)
def test_a_view_holds_its_shapes(points: list[tuple[float, float]], ratio: float, margin: float) -> None:
    view = View.of([Point(*xy) for xy in points], ratio=ratio, margin=margin, least_m=20.0)
    assert view.half_width_m / view.half_height_m == pytest.approx(ratio)
    assert 2 * view.half_width_m >= 20.0 * 0.999999
    assert all(view.box.buffer(1e-6 * 1e4).covers(Point(*xy)) for xy in points)


@pytest.mark.parametrize(("units", "unit_m", "name"), [("metric", 1.0, " m"), ("us", FOOT_M, " ft")])
@pytest.mark.parametrize("half_width_m", [6.0, 37.0, 1200.0])
def test_scale_bar_is_as_long_as_it_says(units: str, unit_m: float, name: str, half_width_m: float) -> None:
    view = View(10, -4, half_width_m, half_width_m * 0.625)
    axes = panel(view)
    draw_scale_bar(axes, view, units="us" if units == "us" else "metric")
    bars = [patch for patch in axes.patches if isinstance(patch, Rectangle)]
    drawn_m = sum(bar.get_width() for bar in bars) * 2 * half_width_m
    [said] = [text.get_text() for text in axes.texts if text.get_text().endswith(name)]
    assert drawn_m == pytest.approx(float(said.removesuffix(name)) * unit_m)


def test_ratio_of_a_panel() -> None:
    assert ratio_of(panel()) == pytest.approx(8 / 5)


def test_the_emptiest_corner_comes_first() -> None:
    view = View(0, 0, 80, 50)
    nothing = np.zeros((0, 2))
    upper_right, lower_right = np.array([[75.0, 45.0]]), np.array([[75.0, -45.0]])
    assert emptiest_corners(view, upper_right, lower_right, size=0.25) == [(0, 1), (1, 0), (1, 1)]
    assert emptiest_corners(view, lower_right, nothing, size=0.25)[-1] == (1, 0)
    assert (0.0, 0.0) not in emptiest_corners(view, nothing, nothing, size=0.25)


def test_points_along() -> None:
    points = points_along([LineString([(0, 0), (10, 0)])], step_m=1.0)
    assert len(points) == 11
    assert points_along([], step_m=1.0).shape == (0, 2)


@settings(max_examples=10, deadline=None)
@given(st.lists(st.tuples(st.floats(-60, 60), st.floats(-35, 35)), min_size=2, max_size=5))
def test_labels_do_not_overlap(places: list[tuple[float, float]]) -> None:
    axes = panel()
    labels = [Label(x, y, f"hydrant H-{k}") for k, (x, y) in enumerate(places)]
    boxes = place_labels(axes, labels, keep_clear=np.array(places))
    frame = axes.get_window_extent()
    for k, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[:k])
        assert frame.x0 <= box.x0
        assert box.x1 <= frame.x1


def test_a_label_keeps_off_a_line() -> None:
    axes = panel()
    line = points_along([LineString([(-70, 0), (70, 0)]), LineString([(0, 0), (70, 40)])], step_m=0.5)
    [box] = place_labels(axes, [Label(0, 0, "valve V-7")], keep_clear=line)
    pixels = axes.transData.transform(line)
    assert not ((pixels > box.min) & (pixels < box.max)).all(axis=1).any()


def test_every_material_has_a_look() -> None:
    assert {look_of(material) for material in MATERIALS} <= set(LOOKS) - {"unknown"}
    assert look_of(None) == "unknown"


def test_looks_differ_in_colour_and_lightness() -> None:
    from matplotlib.colors import to_rgb

    # relative luminance of WCAG 2 (linear light is not needed to tell greys apart)
    lightness = sorted(
        float(np.dot(to_rgb(look.colour), (0.2126, 0.7152, 0.0722))) for look in LOOKS.values()
    )
    pairs = {(look.colour, str(look.dashes)) for look in LOOKS.values()}
    assert len(pairs) == len(LOOKS)
    assert lightness[-1] - lightness[0] > 0.25


@given(st.floats(10, 3000), st.floats(10, 3000))
def test_larger_mains_are_not_thinner(one: float, two: float) -> None:
    low, high = sorted((one, two))
    assert width_of(low) <= width_of(high)
    assert width_of(float("nan")) > 0


def test_view_box() -> None:
    assert View(1, 2, 3, 4).box.equals(shapely.box(-2, -2, 4, 6))
