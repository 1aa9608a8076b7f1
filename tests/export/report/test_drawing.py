"""Scales, ticks and pieces of SVG: numbers go where they belong, and text stays text."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import Markup

from netcorr.export.report.axes import Panel, Scale, round_ticks, tick_text
from netcorr.export.report.figure import picture
from netcorr.export.report.svg import element, group, number, points

finite = st.floats(-1e6, 1e6)


class TestTicks:
    @given(low=st.floats(-1e4, 1e4), span=st.floats(0.1, 1e6), most=st.integers(2, 12))
    @settings(max_examples=30, deadline=None)
    def test_round_evenly_spaced_and_inside(self, low: float, span: float, most: int) -> None:
        ticks = round_ticks(low, low + span, most=most)
        assert len(ticks) <= most + 1
        assert all(low - 1e-6 * span <= tick <= low + span + 1e-6 * span for tick in ticks)
        if len(ticks) > 2:
            steps = np.diff(ticks)
            assert steps == pytest.approx(steps[0], rel=1e-6)
            mantissa = steps[0] / 10 ** np.floor(np.log10(steps[0]) + 1e-9)
            assert mantissa == pytest.approx(min((1, 2, 5, 10), key=lambda m: abs(m - mantissa)), rel=1e-5)

    def test_no_span(self) -> None:
        assert round_ticks(3.0, 3.0, most=5) == [3.0]
        assert round_ticks(0.0, float("nan"), most=5) == [0.0]

    @pytest.mark.parametrize(
        ("value", "text"), [(0.0, "0"), (0.05, "0.05"), (1500.0, "1500"), (2e6, "2e+06")]
    )
    def test_words(self, value: float, text: str) -> None:
        assert tick_text(value) == text


class TestScale:
    @given(low=finite, span=st.floats(1e-3, 1e6), share=st.floats(-0.5, 1.5))
    @settings(max_examples=30, deadline=None)
    def test_linear_and_kept_inside(self, low: float, span: float, share: float) -> None:
        scale = Scale(low, low + span, 50.0, 450.0)
        place = scale.at(low + share * span)
        assert place == pytest.approx(
            50 + 400 * min(max(share, 0), 1), abs=0.01 + 1e-7 * abs(low) / span * 400
        )
        assert scale.places(np.array([low + share * span]))[0] == pytest.approx(place)

    def test_upwards(self) -> None:
        scale = Scale(0.0, 10.0, 100.0, 20.0)  # zero is at the bottom
        assert (scale.at(0), scale.at(10), scale.at(5)) == (100, 20, 60)


class TestPanel:
    panel = Panel(Scale(0, 100, 0, 400), Scale(0, 1, 100, 0))

    def test_a_peak_survives_thinning(self) -> None:
        x = np.linspace(0, 100, 20001)
        y = np.zeros(x.size)
        y[7777] = 1.0
        line = self.panel.line(x, y, class_="curve")
        xy = [tuple(map(float, pair.split(","))) for pair in re.findall(r"[\d.]+,[\d.]+", str(line))]
        assert len(xy) < 4000
        assert min(py for _, py in xy) == 0
        [(at, _)] = [(px, py) for px, py in xy if py == 0]
        assert at == pytest.approx(x[7777] * 4, abs=0.06)

    def test_curve_is_cut_to_the_panel(self) -> None:
        line = self.panel.line(np.array([-50.0, -10.0, 50.0, 110.0, 150.0]), np.full(5, 0.5), class_="c")
        assert len(re.findall(r"[\d.]+,[\d.]+", str(line))) == 3

    def test_band_is_never_invisible(self) -> None:
        band = ElementTree.fromstring(self.panel.band(50, 50.01, class_="band"))
        assert float(band.get("width") or 0) == 1.5

    def test_frame_says_what_is_drawn(self) -> None:
        words = [t.text for t in ElementTree.fromstring(self.panel.frame(x_words="time, s")).iter("text")]
        assert words[-1] == "time, s"
        assert {"0", "0.5", "1", "20"} <= set(words)


class TestSvg:
    @given(st.text(max_size=40), st.text(max_size=40))
    @settings(max_examples=30, deadline=None)
    def test_any_text_is_text(self, inside: str, name: str) -> None:
        made = element("text", inside or "-", class_=name)
        parsed = ElementTree.fromstring(made)
        assert list(parsed) == []
        assert parsed.get("class") is not None

    def test_markup_is_kept_and_none_left_out(self) -> None:
        made = element("g", Markup("<line/>"), "a<b", id=None, text_anchor="end")
        assert str(made) == '<g text-anchor="end"><line/>a&lt;b</g>'

    def test_numbers(self) -> None:
        assert element("circle", r=3.14159) == '<circle r="3.14"/>'
        assert (number(2.50), number(-0.04), number(7.0, 0)) == ("2.5", "0", "7")
        assert points([(1, 2), (3.25, 4)]) == "1.0,2.0 3.2,4.0"

    def test_picture_has_a_name(self) -> None:
        made = picture([group([])], width=10, height=5, name="A & B", words="Say.")
        parsed = ElementTree.fromstring(made)
        assert parsed.get("aria-label") == "A & B. Say."
        assert parsed.get("role") == "img"
        assert parsed.get("viewBox") == "0 0 10 5"
