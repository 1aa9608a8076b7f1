"""Plots of a pair: written whole, in the units asked for, with names that cannot break them."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import netcorr.export as export
from netcorr.errors import ExportError
from netcorr.position.fix import SurveyFix

MakeFix = Callable[..., SurveyFix]


def svg_texts(path: Path) -> list[str]:
    """Words in an SVG picture, as an XML reader sees them."""
    return ["".join(node.itertext()) for node in ElementTree.parse(path).iter() if node.tag.endswith("}text")]


@pytest.fixture
def pair(make_fix: MakeFix) -> Any:
    return make_fix().pairs[0]


class TestPng:
    def test_size_and_colours(self, make_fix: MakeFix, pair: Any, tmp_path: Path) -> None:
        export.plot_along(
            pair, tmp_path / "along.png", network=make_fix().network, width_px=900, height_px=600
        )
        export.plot_spectra(pair, tmp_path / "spectra.png", width_px=900, height_px=600)
        for name in ("along.png", "spectra.png"):
            with Image.open(tmp_path / name) as image:
                assert image.size == (900, 600)
                assert len(image.convert("RGB").getcolors(2**18) or []) > 20
        assert sorted(p.name for p in tmp_path.iterdir()) == ["along.png", "spectra.png"]


class TestSvg:
    def test_words_and_units(self, pair: Any, tmp_path: Path) -> None:
        export.plot_along(pair, tmp_path / "m.svg")
        export.plot_along(pair, tmp_path / "ft.svg", units="us")
        metres, feet = " ".join(svg_texts(tmp_path / "m.svg")), " ".join(svg_texts(tmp_path / "ft.svg"))
        assert "H-12 (A) to V-7 (B)" in metres
        assert "[m]" in metres
        assert "[ft]" in feet

    def test_hostile_names_stay_text(self, pair: Any, tmp_path: Path) -> None:
        name = "<script>alert(1)</script> $x^2$ & \"'"
        path = replace(pair.path, sensor_a=name)
        export.plot_spectra(replace(pair, path=path), tmp_path / "s.svg")
        assert any(name in text for text in svg_texts(tmp_path / "s.svg"))

    def test_the_same_each_time(self, pair: Any, tmp_path: Path) -> None:
        for name in ("one.svg", "two.svg"):
            export.plot_spectra(pair, tmp_path / name)
        assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()

    def test_map(self, make_fix: MakeFix, tmp_path: Path) -> None:
        export.draw_map(make_fix(), tmp_path / "map.svg")
        assert any("Leak candidate" in text for text in svg_texts(tmp_path / "map.svg"))


class TestRefused:
    def test_other_kinds(self, pair: Any, tmp_path: Path) -> None:
        with pytest.raises(ExportError, match=r"\.png or \.svg"):
            export.plot_along(pair, tmp_path / "a.pdf")

    def test_too_small(self, pair: Any, tmp_path: Path) -> None:
        with pytest.raises(ExportError, match="800 by 500"):
            export.plot_spectra(pair, tmp_path / "a.png", width_px=300)

    def test_nothing_to_plot(self, pair: Any, tmp_path: Path) -> None:
        empty = replace(pair, evidence=(), position_m=np.zeros(0), density_per_m=np.zeros(0))
        for plot in (export.plot_along, export.plot_spectra):
            with pytest.raises(ExportError, match="no evidence"):
                plot(empty, tmp_path / "a.png")
        assert not list(tmp_path.iterdir())
