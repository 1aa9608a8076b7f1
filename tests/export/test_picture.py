"""Pictures of a result: right size, right places, readable labels, nothing half-written."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pyproj
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from numpy.typing import NDArray

from netcorr.errors import ExportError
from netcorr.export.evidence_panels import compose_evidence
from netcorr.export.map_legend import title_words
from netcorr.export.map_scene import compose_map
from netcorr.export.palette import LEAK, PATH, SENSOR
from netcorr.export.picture import draw_evidence, draw_map
from netcorr.position.fix import Candidate, SurveyFix


def pixels_of(picture: NDArray[Any], colour: str) -> NDArray[np.intp]:
    """Rows and columns of the pixels of a colour."""
    return np.argwhere(np.abs(picture[..., :3] - to_rgb(colour)).max(axis=-1) < 0.02)


def texts_of(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.findobj(lambda item: hasattr(item, "get_text"))]


@pytest.fixture
def empty_figure() -> Figure:
    figure = Figure(figsize=(8, 5), dpi=100)
    FigureCanvasAgg(figure)
    return figure


class TestMap:
    @pytest.mark.parametrize("size", [(1600, 1000), (800, 500), (1001, 777)])
    def test_size(self, make_fix: Callable[..., SurveyFix], tmp_path: Path, size: tuple[int, int]) -> None:
        draw_map(make_fix(), tmp_path / "map.png", width_px=size[0], height_px=size[1])
        picture = matplotlib.image.imread(tmp_path / "map.png")
        assert picture.shape[:2] == (size[1], size[0])

    def test_candidate_is_drawn_where_it_is(
        self, make_fix: Callable[..., SurveyFix], empty_figure: Figure
    ) -> None:
        compose_map(empty_figure, make_fix(), units="metric")
        for axes in empty_figure.axes[:2]:
            [marks] = [line for line in axes.lines if line.get_marker() == "s"]
            [mark] = [
                item for item in axes.collections if len(item.get_offsets()) and item.get_zorder() == 13
            ]
            sensor_a = np.asarray(marks.get_xydata())[0]
            [point] = np.asarray(mark.get_offsets())
            # a straight main of 41.2 m on the grid; the scale of UTM on its meridian is 0.9996
            assert np.hypot(*(point - sensor_a)) == pytest.approx(41.2 / 0.9996, abs=0.001)

    def test_colours_are_there(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        draw_map(make_fix(), tmp_path / "map.png")
        picture = matplotlib.image.imread(tmp_path / "map.png")
        for colour in (LEAK, SENSOR, PATH):
            assert len(pixels_of(picture[:, :1000], colour)) > 100
        assert len(pixels_of(picture[:600, 1035:], LEAK)) > 200

    def test_nothing_is_marked_when_nothing_was_heard(self, silent: SurveyFix, tmp_path: Path) -> None:
        draw_map(silent, tmp_path / "map.png")
        picture = matplotlib.image.imread(tmp_path / "map.png")
        assert len(pixels_of(picture, LEAK)) == 0
        assert len(pixels_of(picture, SENSOR)) > 100

    @pytest.mark.parametrize("code", [4326, 3089])
    def test_looks_the_same_in_any_crs(
        self, make_fix: Callable[..., SurveyFix], tmp_path: Path, code: int
    ) -> None:
        pictures = []
        for epsg in (25832, code):
            draw_map(
                make_fix(pyproj.CRS.from_epsg(epsg)), tmp_path / f"{epsg}.png", width_px=800, height_px=500
            )
            pictures.append(matplotlib.image.imread(tmp_path / f"{epsg}.png")[..., :3])
        different = np.abs(pictures[0] - pictures[1]).max(axis=-1) > 0.3
        assert different.mean() < 0.01

    def test_up_is_true_north(self, make_fix: Callable[..., SurveyFix], empty_figure: Figure) -> None:
        # V-7 lies north-east of H-12 on the ground, however far the grid of the map is turned
        compose_map(empty_figure, make_fix(pyproj.CRS.from_epsg(3089)), units="metric")
        [marks] = [line for line in empty_figure.axes[0].lines if line.get_marker() == "s"]
        (x, y) = np.asarray(marks.get_data(), dtype=float)
        east, north = x[1] - x[0], y[1] - y[0]
        geod = pyproj.Geod(ellps="WGS84")
        utm = pyproj.Transformer.from_crs(25832, 4326, always_xy=True)
        azimuth, _, distance = geod.inv(*utm.transform(500000, 5500000), *utm.transform(500080, 5500060))
        assert np.hypot(east, north) == pytest.approx(distance, rel=1e-4)
        assert np.degrees(np.arctan2(east, north)) == pytest.approx(azimuth, abs=0.05)

    def test_says_what_a_crew_needs(self, make_fix: Callable[..., SurveyFix], empty_figure: Figure) -> None:
        compose_map(empty_figure, make_fix(), units="metric")
        texts = " | ".join(texts_of(empty_figure))
        wanted = (
            "Leak candidate between hydrant H-12 and valve V-7",
            "Probability 97 %",
            "A: hydrant H-12",
            "B: valve V-7",
            "41.2 m from H-12",
            "87.1 m from V-7",
            "no permission to dig",
            "N",
        )
        assert [part for part in wanted if part not in texts.replace("\xa0", " ")] == []

    def test_us_units(self, make_fix: Callable[..., SurveyFix], empty_figure: Figure) -> None:
        compose_map(empty_figure, make_fix(), units="us")
        texts = texts_of(empty_figure)
        assert any("135' 2\" from H-12" in text for text in texts)
        assert any(text.endswith(" ft") for text in texts)
        assert not any(text.endswith(" m") for text in texts)

    def test_text_from_files_is_only_text(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        fix = make_fix()
        hostile = "$\\frac{1}{0}$ 漏水 \x1b[31m \u202e <b>"
        draw_map(
            replace(fix, candidates=(replace(fix.candidates[0], pipe_id=hostile),)), tmp_path / "map.png"
        )
        assert (tmp_path / "map.png").stat().st_size > 10_000

    def test_dots_of_unknown_size_and_material(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate], tmp_path: Path
    ) -> None:
        found = make_candidate(material=None, diameter_mm=float("nan"))
        draw_map(make_fix(candidates=(found,)), tmp_path / "map.png")
        assert (tmp_path / "map.png").exists()


class TestTitles:
    @pytest.mark.parametrize(
        ("outcome", "near"), [("at or beyond A", "hydrant H-12"), ("at or beyond B", "valve V-7")]
    )
    def test_beyond(
        self,
        make_fix: Callable[..., SurveyFix],
        make_candidate: Callable[..., Candidate],
        outcome: str,
        near: str,
    ) -> None:
        found = make_candidate(outcome=outcome, stretches=(), stretch_m=())
        title, subtitle = title_words(make_fix(candidates=(found,)), units="metric")
        assert title == f"Noise at or beyond {near}"
        assert "Do not dig" in subtitle

    def test_silence(self, silent: SurveyFix) -> None:
        assert title_words(silent, units="metric") == (
            "No leak heard",
            "Between hydrant H-12 and valve V-7. Silence is not proof.",
        )
        twice = replace(silent, pairs=silent.pairs * 3)
        assert "and 2 more pairs" in title_words(twice, units="metric")[1]


class TestEvidence:
    def test_is_drawn(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        fix = make_fix()
        draw_evidence(fix.pairs[0], tmp_path / "evidence.png", network=fix.network)
        picture = matplotlib.image.imread(tmp_path / "evidence.png")
        assert picture.shape[:2] == (1000, 1600)
        assert len(pixels_of(picture, LEAK)) > 50

    def test_curve_holds_the_probability(
        self, make_fix: Callable[..., SurveyFix], empty_figure: Figure
    ) -> None:
        pair = make_fix().pairs[0]
        for units in ("metric", "us"):
            compose_evidence(empty_figure, pair, network=None, units=units)
            x, y = np.asarray(empty_figure.axes[0].lines[0].get_data(), dtype=float)
            assert np.trapezoid(y, x) == pytest.approx(97.0, rel=1e-3)  # percent, whatever the unit
            empty_figure.clear()

    def test_panels_say_what_they_show(
        self, make_fix: Callable[..., SurveyFix], empty_figure: Figure
    ) -> None:
        fix = make_fix()
        compose_evidence(empty_figure, fix.pairs[0], network=fix.network, units="metric")
        texts = " | ".join(texts_of(empty_figure))
        for part in ("A: H-12", "B: V-7", "41.2 m from A", "ductile iron, 150", "polyethylene, 110",
                     "round 2: 16.40 ms", "round 1: 320 to 930 Hz", "no leak heard under 1 %"):  # fmt: skip
            assert part in texts.replace("\xa0", " ")

    def test_tees_come_from_the_network(
        self, make_fix: Callable[..., SurveyFix], empty_figure: Figure
    ) -> None:
        fix = make_fix()
        fix.network.graph.add_edge(2, 9, pipe_id="M-8")  # a main that joins between the two segments
        compose_evidence(empty_figure, fix.pairs[0], network=fix.network, units="metric")
        [tee] = [line for line in empty_figure.axes[1].lines if line.get_marker() == "v"]
        assert np.asarray(tee.get_xdata()).tolist() == pytest.approx([88.3])

    def test_nothing_heard(self, silent: SurveyFix, tmp_path: Path) -> None:
        draw_evidence(silent.pairs[0], tmp_path / "evidence.png", units="us")
        assert (tmp_path / "evidence.png").stat().st_size > 10_000

    def test_without_evidence(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        with pytest.raises(ExportError, match="L1 - L2 has no evidence"):
            draw_evidence(replace(make_fix().pairs[0], evidence=()), tmp_path / "evidence.png")


class TestRefusals:
    @pytest.mark.parametrize(
        ("name", "size", "message"),
        [
            ("map.jpg", (1600, 1000), "png"),
            ("map.png", (200, 1000), "at least 800"),
            ("no/folder/map.png", (1600, 1000), "no folder"),
        ],
    )
    def test_impossible_pictures(
        self,
        make_fix: Callable[..., SurveyFix],
        tmp_path: Path,
        name: str,
        size: tuple[int, int],
        message: str,
    ) -> None:
        with pytest.raises(ExportError, match=message):
            draw_map(make_fix(), tmp_path / name, width_px=size[0], height_px=size[1])
        assert not list(tmp_path.iterdir())

    def test_no_pair(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        with pytest.raises(ExportError, match="no pair of sensors"):
            draw_map(make_fix(pairs=(), candidates=()), tmp_path / "map.png")

    def test_full_disk_leaves_the_old_picture(
        self, make_fix: Callable[..., SurveyFix], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        target = tmp_path / "map.png"
        target.write_bytes(b"old")

        def fail(*_: object, **__: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(Figure, "savefig", fail)
        with pytest.raises(ExportError, match=r"map\.png.*disk has room"):
            draw_map(make_fix(), target)
        assert target.read_bytes() == b"old"
        assert [entry.name for entry in tmp_path.iterdir()] == ["map.png"]


def test_writing_a_result_does_not_load_what_draws() -> None:
    code = "import sys, netcorr.export as e; assert 'matplotlib' not in sys.modules; assert e.draw_map"
    subprocess.run([sys.executable, "-c", code], check=True)
