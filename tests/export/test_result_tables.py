"""What stands in the tables of a result."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
from shapely import LineString

from netcorr.export.pipe_words import materials_text
from netcorr.export.result_schema import RESULT_LAYERS
from netcorr.export.result_tables import path_line, result_tables
from netcorr.path.correlation_path import CorrelationPath
from netcorr.position.fix import Candidate, LeftOut, SurveyFix
from netcorr.recordings.recording import Deployment, Rejected

#: The columns that the result must at least have.
LEAST = {
    "leak_candidates": "candidate_id rank probability in_bracket sensor_a sensor_b from_a_m from_b_m low_m "
    "high_m sd_m delay_ms pipe_id material diameter_mm speed_m_s rounds_used note",
    "uncertainty_areas": "candidate_id level part area_m2 length_m",
    "leak_likelihood": "pipe_id from_m to_m length_m probability probability_per_m",
    "correlation_paths": "sensor_a sensor_b length_m travel_time_ms materials second_length_m outcome",
    "sensors": "logger fitting kind lead_m quality",
    "pair_rounds": "round delay_ms standard_error_ms coherence significance rejected reason",
}


def test_the_columns_agreed_on(make_fix: Callable[..., SurveyFix]) -> None:
    tables = result_tables(make_fix())
    assert list(tables) == list(LEAST)
    for name, columns in LEAST.items():
        assert set(columns.split()) <= set(tables[name].columns)


def test_types_do_not_depend_on_the_rows(make_fix: Callable[..., SurveyFix], silent: SurveyFix) -> None:
    full, empty = result_tables(make_fix()), result_tables(silent)
    for layer in RESULT_LAYERS:
        assert dict(full[layer.name].dtypes) == dict(empty[layer.name].dtypes)


def test_names_tell_units_and_are_lower_case() -> None:
    for layer in RESULT_LAYERS:
        names = [column.name for column in layer.columns]
        assert len(set(names)) == len(names)
        assert all(name == name.lower() and name.isidentifier() and len(name) < 30 for name in names)
        assert not {"fid", "geom", "geometry"} & set(names)
        for column in layer.columns:
            unit = column.meaning.rpartition("[")[2].rstrip("]") if column.meaning.endswith("]") else None
            if unit:
                assert column.name.endswith("_" + unit.replace("/", "_").lower()), column


class TestAreas:
    def test_main_and_side_branch(self, make_fix: Callable[..., SurveyFix]) -> None:
        areas = result_tables(make_fix())["uncertainty_areas"]
        assert list(areas.part) == ["main", "side branch"]
        assert list(areas.level) == [0.95, 0.95]
        assert areas.length_m[0] == pytest.approx(3.6)
        assert areas.length_m[1] == pytest.approx(25.0 / 0.9996, rel=1e-5)  # UTM scale on its meridian
        assert list(areas.pipe_ids) == ["M-1", "M-9"]
        assert (areas.widened_m == 0.5).all()

    def test_the_point_lies_in_the_main_area(self, make_fix: Callable[..., SurveyFix]) -> None:
        tables = result_tables(make_fix())
        areas, points = tables["uncertainty_areas"], tables["leak_candidates"]
        assert areas.geometry[0].contains(points.geometry[0])
        assert set(areas.candidate_id) == set(points.candidate_id)

    def test_beyond_a_sensor_there_is_no_main_part(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        found = make_candidate(outcome="at or beyond A", stretches=(), stretch_m=())
        tables = result_tables(make_fix(candidates=(found,)))
        assert list(tables["uncertainty_areas"].part) == ["beyond sensor"]
        [caution] = tables["leak_candidates"].caution
        assert caution.startswith("DO NOT DIG HERE")
        assert not tables["leak_candidates"].in_bracket[0]

    def test_every_candidate_has_an_area(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        bare = make_candidate(outcome="at or beyond B", stretches=(), stretch_m=(), branches=())
        areas = result_tables(make_fix(candidates=(bare,)))["uncertainty_areas"]
        assert list(areas.part) == ["beyond sensor"]
        assert areas.geometry[0].contains(bare.point)
        assert areas.length_m[0] == 0

    def test_several_stretches_are_one_row(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        [one] = make_candidate().stretches
        x, y = one.coords[0]
        two = LineString([(x + 15, y), (x + 17, y)])
        found = make_candidate(stretches=(one, two), stretch_m=((39.4, 43.0), (54.4, 56.4)), branches=())
        [polygon] = result_tables(make_fix(candidates=(found,)))["uncertainty_areas"].geometry
        assert len(polygon.geoms) == 2


class TestPaths:
    def test_row(self, make_fix: Callable[..., SurveyFix]) -> None:
        row = result_tables(make_fix())["correlation_paths"].iloc[0]
        assert row.materials == "88.3 m ductile iron 150 mm, 40.0 m polyethylene 110 mm"
        assert row.length_m == pytest.approx(128.3)
        assert row.travel_time_ms == pytest.approx(174.8)
        assert row.lead_a_m == 1.2
        probabilities = row[
            ["probability_between", "probability_beyond_a", "probability_beyond_b", "probability_none"]
        ]
        assert probabilities.sum() == pytest.approx(1)
        assert np.isnan(row.second_length_m)
        assert (row.sd_speed_m, row.sd_clock_m) == (0.6, 0.3)

    def test_neighbours_of_one_kind_are_one_run(self, make_path: Callable[..., CorrelationPath]) -> None:
        path = make_path()
        iron, plastic = path.segments
        more = replace(path, segments=(iron, replace(iron, pipe_id="M-1b", length_m=1.7), plastic))
        assert materials_text(more).startswith("90.0 m ductile iron 150 mm, ")

    def test_unknown_is_called_unknown(self, make_path: Callable[..., CorrelationPath]) -> None:
        path = make_path()
        bare = replace(path.segments[0], material=None, diameter_mm=float("nan"))
        assert materials_text(replace(path, segments=(bare,))) == "88.3 m unknown material of unknown size"

    def test_line_runs_from_a_to_b_without_doubled_points(
        self, make_path: Callable[..., CorrelationPath]
    ) -> None:
        path = make_path()
        line = path_line(path)
        assert len(line.coords) == 4
        assert line.coords[0] == path.segments[0].geometry.coords[0]
        assert line.length == pytest.approx(sum(s.geometry.length for s in path.segments))
        assert path_line(path.reversed()).equals_exact(line.reverse(), 0)


class TestSensors:
    def test_one_row_for_each_logger_and_place(self, make_fix: Callable[..., SurveyFix]) -> None:
        sensors = result_tables(make_fix())["sensors"]
        assert list(sensors.logger) == ["L1", "L2", "L3"]
        assert list(sensors.fitting) == ["H-12", "V-7", "V-7"]
        assert list(sensors.kind) == ["hydrant", "valve", "valve"]
        assert list(sensors.recordings_used) == [2, 2, 0]
        assert list(sensors.recordings_rejected) == [0, 0, 1]
        assert sensors.quality[0].startswith("round 1: level")
        assert "round 2: level" in sensors.quality[0]
        assert sensors.quality[2] == "no usable recording"
        assert sensors.lead_m[0] == 1.2

    def test_a_logger_that_moves_has_two_rows(self, make_fix: Callable[..., SurveyFix]) -> None:
        fix = make_fix()
        first, second = fix.rounds
        moved = replace(
            first.recordings[0], deployment=replace(first.recordings[0].deployment, fitting="V-7")
        )
        rounds = (replace(first, recordings=(moved,)), second)
        sensors = result_tables(replace(fix, rounds=rounds))["sensors"]
        assert list(zip(sensors.logger, sensors.fitting, strict=True))[:2] == [("L1", "V-7"), ("L1", "H-12")]

    def test_place_given_in_degrees(self, make_fix: Callable[..., SurveyFix]) -> None:
        row = Deployment("loggers.csv", 9, "L9", Path("x.wav"), lon_lat=(9.001, 49.65))
        sensors = result_tables(make_fix(rejected=(Rejected(row, "silent"),)))["sensors"]
        place = sensors.geometry.iloc[-1]
        assert pyproj.Proj("EPSG:25832")(9.001, 49.65) == pytest.approx((place.x, place.y), abs=1e-3)

    def test_unknown_fitting_has_a_row_without_a_place(self, make_fix: Callable[..., SurveyFix]) -> None:
        row = Deployment("loggers.csv", 9, "L9", Path("x.wav"), fitting="H-99")
        sensors = result_tables(make_fix(rejected=(Rejected(row, "no such fitting"),)))["sensors"]
        assert sensors.fitting.iloc[-1] == "H-99"
        assert sensors.geometry.iloc[-1] is None


class TestPairRounds:
    def test_rows(self, make_fix: Callable[..., SurveyFix]) -> None:
        rows = result_tables(make_fix())["pair_rounds"]
        assert list(rows.status) == ["used", "used", "rejected"]
        assert list(rows["round"].fillna(-1)) == [1, 2, -1]
        assert rows.delay_ms[1] == pytest.approx(16.4)
        assert rows.band_low_hz[0] == 320
        assert rows.rejected[2] == "L3_6.wav"
        assert rows.reason[2] == "the file ends after 2.1 of 10.0 s"
        assert rows.note[1] == "mains hum at 50 Hz was removed."

    def test_a_round_without_evidence_says_why(self, make_fix: Callable[..., SurveyFix]) -> None:
        fix = make_fix()
        [pair] = fix.pairs
        first, second = fix.rounds
        bad = Rejected(second.recordings[1].deployment, "clipped for 40 % of the time")
        rounds = (first, replace(second, recordings=second.recordings[:1], rejected=(bad,)))
        fix = replace(fix, rounds=rounds, pairs=(replace(pair, evidence=pair.evidence[:1]),), rejected=(bad,))
        rows = result_tables(fix)["pair_rounds"]
        assert list(rows.status) == ["used", "no evidence", "rejected"]
        assert rows.reason[1] == "L2: clipped for 40 % of the time"
        assert list(rows["round"]) == [1, 2, 2]

    def test_a_pair_left_out_is_named_with_the_reason(self, make_fix: Callable[..., SurveyFix]) -> None:
        left_out = (LeftOut("L1", "L3", "H-12", "V-9", "left out by screening"),)
        rows = result_tables(replace(make_fix(), left_out=left_out))["pair_rounds"]
        assert list(rows.status) == ["used", "used", "left out", "rejected"]
        assert (rows.logger_b[2], rows.sensor_b[2], rows.reason[2]) == ("L3", "V-9", "left out by screening")
        assert rows["round"].isna()[2]

    def test_a_recording_rejected_in_its_round_is_listed_once(
        self, make_fix: Callable[..., SurveyFix]
    ) -> None:
        fix = make_fix()
        rounds = (replace(fix.rounds[0], rejected=fix.rejected), fix.rounds[1])
        rows = result_tables(replace(fix, rounds=rounds))["pair_rounds"]
        assert list(rows.status).count("rejected") == 1
        assert rows[rows.status == "rejected"]["round"].item() == 1


def test_an_empty_survey(make_fix: Callable[..., SurveyFix]) -> None:
    nothing: dict[str, Any] = {"rounds": (), "pairs": (), "candidates": (), "rejected": ()}
    assert all(len(table) == 0 for table in result_tables(make_fix(**nothing)).values())
