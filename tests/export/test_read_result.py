"""A result read back is the answer that was written, and anything else is refused with a reason."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
from shapely.affinity import translate

from netcorr.errors import ExportError
from netcorr.export import Inputs, read_result, survey_text, write_result
from netcorr.export.made_from import fingerprint, path_from
from netcorr.export.stored_tables import telling_pairs
from netcorr.position.fix import Branch, LeftOut, SurveyFix

MakeFix = Callable[..., SurveyFix]


@pytest.fixture
def written(make_fix: MakeFix, tmp_path: Path) -> Path:
    target = tmp_path / "result.gpkg"
    write_result(make_fix(), target)
    return target


def same(one: Any, other: Any, *, but: set[str]) -> None:
    """Compare two of a kind field by field, numbers to the digits that a file keeps."""
    for name in (field.name for field in fields(one) if field.name not in but):
        a, b = getattr(one, name), getattr(other, name)
        if isinstance(a, float | tuple) and not isinstance(a, str) and _numeric(a):
            assert b == pytest.approx(a, rel=1e-6, nan_ok=True), name
        else:
            assert a == b, name


def _numeric(value: Any) -> bool:
    parts = value if isinstance(value, tuple) else (value,)
    return bool(parts) and all(isinstance(part, float) for part in parts)


class TestTheSameAnswer:
    @pytest.mark.parametrize("epsg", [25832, 4326, 3089])
    def test_candidates_and_pairs(self, make_fix: MakeFix, tmp_path: Path, epsg: int) -> None:
        fix = make_fix(pyproj.CRS.from_epsg(epsg))
        write_result(fix, tmp_path / "r.gpkg")
        found = read_result(tmp_path / "r.gpkg").fix
        [ours], [theirs] = fix.candidates, found.candidates
        same(ours, theirs, but={"stretches", "branches", "point", "stretch_m"})
        assert theirs.stretch_m == ours.stretch_m
        assert theirs.point.equals(ours.point)
        assert theirs.branches[0].pipe_ids == ours.branches[0].pipe_ids
        assert theirs.stretches[0].length == pytest.approx(ours.stretches[0].length, rel=2e-3)
        [pair], [back] = fix.pairs, found.pairs
        parts = {"path", "candidates", "evidence", "position_m", "density_per_m"}
        same(pair, back, but=parts)
        assert back.candidates == (theirs,)
        same(pair.path, back.path, but={"segments", "crs"})
        for one, other in zip(pair.path.segments, back.path.segments, strict=True):
            same(one, other, but={"geometry"})
            assert other.geometry.equals(one.geometry)

    def test_evidence(self, make_fix: MakeFix, written: Path) -> None:
        [pair], [back] = make_fix().pairs, read_result(written).fix.pairs
        curves = {"delay_s", "log_likelihood", "frequency_hz", "coherence_spectrum", "phase_rad"}
        for one, other in zip(pair.evidence, back.evidence, strict=True):
            same(one, other, but=curves)
            assert other.delay_s == pytest.approx(one.delay_s, abs=1e-7)
            # half a step sideways is allowed: where the curve climbs most, 15 a step
            assert other.log_likelihood == pytest.approx(one.log_likelihood, abs=7.5)
            assert np.argmax(other.log_likelihood) == np.argmax(one.log_likelihood)
            assert other.coherence_spectrum == pytest.approx(one.coherence_spectrum, abs=0.01)
            assert other.phase_rad == pytest.approx(one.phase_rad, abs=0.1)
        assert back.density_per_m == pytest.approx(pair.density_per_m, abs=0.03 * pair.density_per_m.max())

    def test_network_round_the_survey(self, make_fix: MakeFix, written: Path) -> None:
        ours, theirs = make_fix().network, read_result(written).fix.network
        assert set(theirs.graph.nodes) == set(ours.graph.nodes)
        for u, v, data in ours.graph.edges(data=True):
            [back] = theirs.graph.get_edge_data(u, v).values()
            assert back["pipe_id"] == data["pipe_id"]
            assert back["geometry"].equals(data["geometry"])
            assert back["length_m"] == data["length_m"]
        assert list(theirs.fittings.index) == list(ours.fittings.index)
        assert list(theirs.fittings["kind"]) == list(ours.fittings["kind"])
        assert theirs.node_of("V-7") == 3

    @pytest.mark.parametrize("units", ["metric", "us"])
    def test_told_in_the_same_words(self, make_fix: MakeFix, written: Path, units: Any) -> None:
        ours, theirs = (
            survey_text(make_fix(), units=units),
            survey_text(read_result(written).fix, units=units),
        )
        # all but the headline, which counts rounds of recordings, and files named by their path
        assert theirs.splitlines()[1:] == ours.splitlines()[1:]

    def test_pairs_left_out(self, make_fix: MakeFix, tmp_path: Path) -> None:
        left_out = (LeftOut("L1", "L3", "H-12", "V-9", "left out by screening"),)
        write_result(replace(make_fix(), left_out=left_out), tmp_path / "r.gpkg")
        assert read_result(tmp_path / "r.gpkg").fix.left_out == left_out

    def test_silence(self, silent: SurveyFix, tmp_path: Path) -> None:
        write_result(silent, tmp_path / "r.gpkg")
        found = read_result(tmp_path / "r.gpkg")
        assert found.fix.candidates == ()
        assert found.fix.pairs[0].outcome == "no leak heard"
        assert found.fix.pairs[0].budget is None

    def test_a_logger_that_was_moved_between_rounds(self, make_fix: MakeFix, tmp_path: Path) -> None:
        fix = make_fix()
        [pair] = fix.pairs
        [one, two] = pair.evidence
        turned = replace(pair.path.reversed(), sensor_a="V-7", sensor_b="H-12")
        moved = replace(
            pair, path=turned, speeds=pair.speeds[::-1], evidence=(two,), candidates=(), notes=("moved",)
        )
        first = replace(pair, evidence=(one,))
        write_result(replace(fix, pairs=(first, moved)), tmp_path / "r.gpkg")
        back = read_result(tmp_path / "r.gpkg").fix.pairs
        assert [pair.path.sensor_a for pair in back] == ["H-12", "V-7"]
        assert [[e.peak_delay_s for e in pair.evidence] for pair in back] == [
            [pytest.approx(one.peak_delay_s)],
            [pytest.approx(two.peak_delay_s)],
        ]
        assert back[1].notes == ("moved",)
        assert back[0].notes == pair.notes

    def test_notes_stay_apart(self, make_fix: MakeFix, tmp_path: Path) -> None:
        notes = ("M-1: water at 10 deg C", "a second way; of 80 m. It is open")
        write_result(make_fix(notes=("Survey.",), pair_changes={"notes": notes}), tmp_path / "r.gpkg")
        found = read_result(tmp_path / "r.gpkg").fix
        assert found.notes == ("Survey.",)
        assert found.pairs[0].notes == notes


class TestMadeFrom:
    def test_files_with_their_fingerprints(self, make_fix: MakeFix, tmp_path: Path) -> None:
        network = tmp_path / "maps" / "town.gpkg"
        network.parent.mkdir()
        network.write_bytes(b"a map")
        (tmp_path / "results").mkdir()
        target = tmp_path / "results" / "r.gpkg"
        inputs = Inputs(files={"network": network, "mapping": None}, settings={"temperature_c": 12.5})
        write_result(make_fix(), target, inputs=inputs)
        rows = read_result(target).made_from
        [row] = [row for row in rows if row["role"] == "network"]
        assert row["path"] == "../maps/town.gpkg"
        assert row["sha256"] == hashlib.sha256(b"a map").hexdigest()
        assert row["bytes"] == 5
        settings = {row["name"]: row["value"] for row in rows if row["role"] == "setting"}
        assert settings == {"map_accuracy_m": "0.5", "temperature_c": "12.5"}
        assert not [row for row in rows if row["role"] == "mapping"]

    def test_recordings_used_and_rejected(self, written: Path) -> None:
        found = read_result(written)
        assert [(r.logger, r.fitting, r.round_number) for r in found.recordings] == [
            ("L1", "H-12", 1),
            ("L2", "V-7", 1),
            ("L1", "H-12", 2),
            ("L2", "V-7", 2),
        ]
        [rejected] = found.fix.rejected
        assert rejected.reason == "the file ends after 2.1 of 10.0 s"
        assert (rejected.deployment.logger, rejected.deployment.row) == ("L3", 6)

    def test_fingerprint_of_what_is_no_file(self, tmp_path: Path) -> None:
        assert fingerprint(tmp_path) is None
        assert fingerprint(tmp_path / "nothing") is None

    def test_path_is_seen_from_the_folder(self, tmp_path: Path) -> None:
        assert path_from(tmp_path / "a", tmp_path / "b" / "c.wav") == "../b/c.wav"


def test_mains_far_from_the_survey_are_left_out_unless_a_candidate_names_them(
    make_fix: MakeFix, make_candidate: Callable[..., Any], tmp_path: Path
) -> None:
    fix = make_fix()
    far = translate(fix.network.graph.edges[4, 5, 0]["geometry"], 4000.0, 0.0)
    fix.network.graph.add_edge(
        8, 9, **{**fix.network.graph.edges[4, 5, 0], "geometry": far, "pipe_id": "M-far"}
    )
    named = make_candidate(branches=(Branch(40.0, ("M-far",), (far,)),))
    for candidates, there in ((fix.candidates, False), ((named,), True)):
        write_result(replace(fix, candidates=candidates), tmp_path / "r.gpkg")
        kept = read_result(tmp_path / "r.gpkg").fix.network.graph.edges(data="pipe_id")
        assert ("M-far" in [pipe for _, _, pipe in kept]) == there


def test_only_the_telling_pairs_keep_their_curves(make_fix: MakeFix) -> None:
    fix = make_fix()
    pairs = tuple(replace(fix.pairs[0], probability_none=p) for p in (0.9, 0.1, 0.5))
    chosen = telling_pairs(replace(fix, pairs=pairs), most=2)
    assert [pair.probability_none for pair in chosen] == [0.1, 0.5]


def test_a_result_stays_small(written: Path) -> None:
    # one pair, two rounds: the layers alone take most of it
    assert written.stat().st_size < 470_000


class TestRefused:
    def test_no_file(self, tmp_path: Path) -> None:
        with pytest.raises(ExportError, match="no such file"):
            read_result(tmp_path / "r.gpkg")

    def test_no_geopackage(self, tmp_path: Path) -> None:
        (tmp_path / "r.gpkg").write_text("text")
        with pytest.raises(ExportError, match="cannot be read"):
            read_result(tmp_path / "r.gpkg")

    def test_another_geopackage(self, make_fix: MakeFix, tmp_path: Path) -> None:
        table = gpd.GeoDataFrame({"a": [1]}, geometry=[make_fix().candidates[0].point], crs=25832)
        table.to_file(tmp_path / "other.gpkg", layer="points")
        with pytest.raises(ExportError, match="no result"):
            read_result(tmp_path / "other.gpkg")

    @pytest.mark.parametrize(
        ("statement", "words"),
        [
            ("UPDATE path_pipes SET sensor_a = 'X'", "contradict"),
            ("DELETE FROM made_from", "contradict"),
            ("UPDATE evidence_curves SET x = '[1]'", "damaged"),
            ("UPDATE leak_candidates SET sensor_b = 'nobody'", "contradict"),
        ],
    )
    def test_edited(self, written: Path, statement: str, words: str) -> None:
        with closing(sqlite3.connect(written)) as connection, connection:
            for name in ("IsEmpty", "MinX", "MaxX", "MinY", "MaxY"):
                connection.create_function(f"ST_{name}", 1, lambda _: 0)
            connection.execute(statement)
        with pytest.raises(ExportError, match=words):
            read_result(written)
