"""The strip of pipe: to scale, everything on it, and delays that agree with the locator's own."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from netcorr.export.report.along import along_figure
from netcorr.export.report.along_data import (
    delay_at,
    evidence_along,
    features_of,
    place_of,
    runs_of,
    something_heard,
)
from netcorr.export.report.spectra import rounds_figure, spectra_figure
from netcorr.position import LocateSettings
from netcorr.position.travel import path_times

if TYPE_CHECKING:
    from netcorr.export import StoredResult
    from netcorr.position.fix import PairFix

LEAK_M, LENGTH_M, TEE_M, VALVE_M = 45.0, 120.0, 60.0, 80.0


@pytest.fixture(scope="module")
def pair(stored: StoredResult) -> PairFix:
    return stored.fix.pairs[0]


class TestDelays:
    def test_agree_with_the_locator(self, pair: PairFix) -> None:
        # an independent sum: netcorr.position adds times pipe by pipe with its own code
        times = path_times(pair.path, pair.speeds, settings=LocateSettings(), clock_sd_s=0.0)
        assert delay_at(pair, times.position_m) == pytest.approx(times.delay_s, abs=1e-12)

    def test_leads_count(self, pair: PairFix) -> None:
        led = replace(pair, path=replace(pair.path, lead_a_m=3.0, lead_b_m=1.0))
        times = path_times(led.path, led.speeds, settings=LocateSettings(), clock_sd_s=0.0)
        assert delay_at(led, times.position_m) == pytest.approx(times.delay_s, abs=1e-12)

    def test_place_is_the_inverse(self, pair: PairFix) -> None:
        where = np.linspace(0.5, LENGTH_M - 0.5, 25)
        back = [place_of(pair, float(delay)) for delay in delay_at(pair, where)]
        assert back == pytest.approx(where.tolist(), abs=1e-6)
        assert place_of(pair, 1.0) == 0.0
        assert place_of(pair, -1.0) == pytest.approx(LENGTH_M, abs=0.01)

    def test_evidence_is_highest_at_the_leak(self, pair: PairFix) -> None:
        where = np.linspace(0, LENGTH_M, 2401)
        for one in pair.evidence:
            assert where[np.argmax(evidence_along(pair, one, where))] == pytest.approx(LEAK_M, abs=0.3)
        assert something_heard(pair)


class TestWhatLiesThere:
    def test_runs(self, pair: PairFix) -> None:
        first, second = runs_of(pair, "metric")
        assert (first.words, first.look) == ("ductile iron, 150 mm", "iron")
        assert (second.words, second.look) == ("steel, 110 mm", "steel")
        assert first.high_m == second.low_m == pytest.approx(TEE_M, abs=0.01)
        assert second.high_m == pytest.approx(LENGTH_M, abs=0.01)

    def test_tee_and_valve(self, stored: StoredResult, pair: PairFix) -> None:
        found = [(f.kind, round(f.from_a_m, 1)) for f in features_of(stored.fix.network, pair.path)]
        assert found == [("tee", TEE_M), ("valve", VALVE_M)]

    def test_a_map_that_does_not_hold_the_path(self, stored: StoredResult, pair: PairFix) -> None:
        empty = replace(stored.fix.network, graph=type(stored.fix.network.graph)())
        assert [f.kind for f in features_of(empty, pair.path)] == ["valve"]


def classed(svg: Any, name: str) -> list[ElementTree.Element]:
    return [e for e in ElementTree.fromstring(svg).iter() if name in (e.get("class") or "").split()]


class TestTheFigure:
    @pytest.mark.parametrize(("k", "left", "right"), [(0, 50.0, 886.0), (1, 50.0, 426.0)])
    def test_to_scale(self, stored: StoredResult, pair: PairFix, k: int, left: float, right: float) -> None:
        [candidate] = stored.fix.candidates
        figure = along_figure(pair, candidate, network=stored.fix.network, units="metric")
        svg = figure.pictures[k]

        def at(metres: float) -> float:
            return left + (right - left) * metres / pair.path.length_m

        pipes = classed(svg, "pipe")
        assert [float(p.get("x") or 0) for p in pipes] == pytest.approx([at(0), at(TEE_M)], abs=0.1)
        [tee], [valve], [point] = (classed(svg, name) for name in ("tee", "valve", "leak-point"))
        assert float(tee.get("x1") or 0) == pytest.approx(at(TEE_M), abs=0.1)
        assert float(valve.get("x1") or 0) == pytest.approx(at(VALVE_M), abs=0.1)
        assert float(point.get("cx") or 0) == pytest.approx(at(candidate.from_a_m), abs=0.1)
        [box] = classed(svg, "leak-box")
        assert float(box.get("x") or 0) == pytest.approx(at(candidate.low_m), abs=0.1)
        assert float(box.get("width") or 0) == pytest.approx(
            max(at(candidate.high_m) - at(candidate.low_m), 2), abs=0.2
        )

    def test_nothing_lies_outside(self, stored: StoredResult, pair: PairFix) -> None:
        figure = along_figure(pair, stored.fix.candidates[0], network=stored.fix.network, units="us")
        for svg in figure.pictures:
            root = ElementTree.fromstring(svg)
            _, _, width, height = map(float, (root.get("viewBox") or "").split())
            for line in root.iter("polyline"):
                xy = [tuple(map(float, p.split(","))) for p in (line.get("points") or "").split()]
                assert all(0 <= x <= width and 0 <= y <= height for x, y in xy)

    def test_names_above_the_pipe_keep_clear_of_each_other(self, stored: StoredResult, pair: PairFix) -> None:
        figure = along_figure(pair, None, network=stored.fix.network, units="metric")
        for svg in figure.pictures:
            strip = classed(svg, "strip")[0]
            boxes = []
            for text in strip.iter("text"):
                words, size = "".join(text.itertext()), 6.5  # a letter is about half as wide as it is high
                at, y = float(text.get("x") or 0), float(text.get("y") or 0)
                shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[text.get("text-anchor") or "start"]
                left = at - shift * size * len(words)
                boxes.append((left, y - 9, left + size * len(words), y + 2, words))
            sensors = [box for box in boxes if box[4] in (pair.path.sensor_a, pair.path.sensor_b)]
            [valve] = [box for box in boxes if box[4].startswith("{{")]
            assert len(sensors) == 2
            for a in sensors:
                assert valve[2] <= a[0] or valve[0] >= a[2] or valve[3] <= a[1] or valve[1] >= a[3]

    def test_table_holds_all_of_it(self, stored: StoredResult, pair: PairFix) -> None:
        figure = along_figure(pair, stored.fix.candidates[0], network=stored.fix.network, units="metric")
        kinds = [row[0] for row in figure.table.rows]
        assert sorted(kinds) == sorted(
            ["main", "main", "tee", "valve", "evidence", "evidence", "95 % stretch"]
        )
        assert "95 % stretch" in figure.words

    def test_without_curves_the_strip_remains(self, stored: StoredResult, pair: PairFix) -> None:
        bare = replace(pair, evidence=(), position_m=np.zeros(0), density_per_m=np.zeros(0))
        figure = along_figure(bare, None, network=stored.fix.network, units="metric")
        assert classed(figure.pictures[0], "pipe")
        assert not classed(figure.pictures[0], "curve")


class TestOtherFigures:
    def test_band_is_shaded_where_it_is(self, pair: PairFix) -> None:
        figure = spectra_figure(pair)
        bands = classed(figure.pictures[0], "band")
        assert len(bands) == 2 * len(pair.evidence)
        top_hz = float(re.findall(r"to (\d+) Hz", figure.table.rows[-1][0])[0])
        low, high = (46 + (426 - 46) * edge / top_hz for edge in pair.evidence[0].band_hz)
        assert float(bands[0].get("x") or 0) == pytest.approx(low, abs=1.5)
        assert float(bands[0].get("width") or 0) == pytest.approx(high - low, abs=2.5)

    def test_no_band_where_nothing_stood_out(self, pair: PairFix) -> None:
        quiet = replace(pair, evidence=tuple(replace(one, significance=0.4) for one in pair.evidence))
        for figure in (spectra_figure(quiet), rounds_figure(quiet, None, units="metric")):
            assert "No noise in common stood out" in figure.words
            assert not classed(figure.pictures[0], "band")

    def test_each_round_has_a_dot_at_its_place(self, stored: StoredResult, pair: PairFix) -> None:
        figure = rounds_figure(pair, stored.fix.candidates[0], units="metric")
        assert len(classed(figure.pictures[0], "dot")) == len(pair.evidence) == 2
        for row in figure.table.rows:
            assert float(row[3].split()[0].replace("\xa0", " ").split()[0]) == pytest.approx(LEAK_M, abs=0.3)
