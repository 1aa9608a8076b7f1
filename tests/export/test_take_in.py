"""From the crew's file into the result and back out: by id, once, safely, and nothing lost."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pyproj
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from osgeo_utils.samples import validate_gpkg
from shapely import Point

from netcorr.errors import ExportError, VerificationError
from netcorr.export import verified_result, write_result, write_wgs84
from netcorr.export.history_layer import read_history
from netcorr.export.read_result import read_result
from netcorr.export.take_in import take_in
from netcorr.path.reference import point_at
from netcorr.position.fix import SurveyFix
from netcorr.units import FOOT_M
from netcorr.verification import VERIFICATIONS

MakeFix = Callable[..., SurveyFix]
FIRST, SECOND, BEYOND = "c-first", "c-second", "c-beyond"


@pytest.fixture
def fix(make_fix: MakeFix) -> SurveyFix:
    """Two candidates between the sensors and one beyond."""
    return three(make_fix())


def three(fix: SurveyFix) -> SurveyFix:
    [one] = fix.candidates
    path = fix.pairs[0].path
    places = {FIRST: (1, 41.2, "between"), SECOND: (2, 70.0, "between"), BEYOND: (3, 0.0, "at or beyond A")}
    candidates = tuple(
        replace(
            one,
            candidate_id=name,
            rank=rank,
            from_a_m=at_m,
            outcome=outcome,
            probability=0.97 / rank,
            point=point_at(path, at_m),
            stretch_m=((max(at_m - 1.5, 0.0), at_m + 1.5),),
        )
        for name, (rank, at_m, outcome) in places.items()
    )
    return replace(fix, candidates=candidates, pairs=(replace(fix.pairs[0], candidates=candidates),))


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    """The result as written once, since every test starts from the same."""
    return {}


@pytest.fixture
def result(fix: SurveyFix, made: dict[str, bytes], tmp_path: Path) -> Path:
    target = tmp_path / "result.gpkg"
    if not made:
        write_result(fix, target)
        made["result"] = target.read_bytes()
    target.write_bytes(made["result"])
    return target


def edited(source: Path, target: Path, edits: dict[str, dict[str, Any]]) -> Path:
    """Copy of the candidates with a crew's entries, as a map program on a phone writes it."""
    table = pyogrio.read_dataframe(source, layer="leak_candidates")
    table["visited"] = pd.to_datetime(table["visited"], utc=True)
    for candidate_id, values in edits.items():
        for column, value in values.items():
            table.loc[table.candidate_id == candidate_id, column] = value
    if target.suffix == ".csv":
        pd.DataFrame(table.drop(columns="geometry")).to_csv(target, index=False)
    else:
        table.to_file(target, layer="leak_candidates", driver="GPKG", engine="pyogrio")
    return target


def candidates_of(path: Path) -> pd.DataFrame:
    return pyogrio.read_dataframe(path, layer="leak_candidates").set_index("candidate_id")


def history_of(path: Path) -> pd.DataFrame:
    return pyogrio.read_dataframe(path, layer="verification_history")


FOUND = {
    "verification": "dug and found",
    "offset_m": -0.4,
    "depth_m": 1.1,
    "crew": "North",
    "visited": pd.Timestamp("2026-03-09T08:00:00Z"),
    "field_note": "joint",
    "photo": "p/1.jpg",
}


class TestTakenIn:
    @pytest.mark.parametrize("name", ["field.gpkg", "field.csv"])
    def test_a_find_is_in_history_and_candidates(self, result: Path, tmp_path: Path, name: str) -> None:
        taken = take_in(result, edited(result, tmp_path / name, {FIRST: FOUND}))
        assert (len(taken.added), taken.conflicts, taken.field.rows) == (1, (), 3)
        row = candidates_of(result).loc[FIRST]
        for column, value in FOUND.items():
            assert row[column] == value, column
        [past] = history_of(result).to_dict("records")
        assert past["found_from_a_m"] == pytest.approx(40.8)
        assert past["error_m"] == pytest.approx(-0.4)
        assert (past["candidate_id"], past["source_file"], len(past["source_sha256"])) == (FIRST, name, 64)
        path = read_result(result).fix.pairs[0].path
        assert past["geometry"].equals_exact(point_at(path, 40.8), 1e-6)
        assert taken.candidates[0].error_m == pytest.approx(-0.4)
        assert [one.visit for one in taken.candidates[1:]] == [None, None]

    def test_everything_else_in_the_file_stays(self, result: Path, tmp_path: Path) -> None:
        with closing(sqlite3.connect(result)) as connection:  # somebody keeps a list of their own in it
            connection.executescript(
                "CREATE TABLE ours (fid INTEGER PRIMARY KEY, said TEXT);"
                "INSERT INTO ours VALUES (1, 'keep me');"
                "INSERT INTO gpkg_contents (table_name, data_type) VALUES ('ours', 'attributes');"
            )
        layers = [str(name) for name, _ in pyogrio.list_layers(result) if name != "leak_candidates"]
        before = {name: pyogrio.read_dataframe(result, layer=name) for name in layers}
        take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: FOUND}))
        for name, table in before.items():
            after = pyogrio.read_dataframe(result, layer=name)
            if name == "layer_styles":
                assert len(after) >= len(table)
            else:
                pd.testing.assert_frame_equal(pd.DataFrame(after), pd.DataFrame(table))

    def test_is_still_a_valid_geopackage(self, result: Path, tmp_path: Path) -> None:
        # checked by validate_gpkg.py of GDAL, which knows the requirements of OGC 12-128
        take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: FOUND}))
        take_in(result, edited(result, tmp_path / "g.gpkg", {SECOND: {"verification": "dug and dry"}}))
        checker = validate_gpkg.GPKGChecker(str(result), abort_at_first_error=False, warning_msg=False)
        checker.check()
        assert checker.errors == []

    def test_the_history_has_a_look_of_its_own_once(self, result: Path, tmp_path: Path) -> None:
        before = pyogrio.read_dataframe(result, layer="layer_styles")
        take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: FOUND}))
        take_in(result, edited(result, tmp_path / "g.gpkg", {SECOND: {"verification": "dug and dry"}}))
        after = pyogrio.read_dataframe(result, layer="layer_styles")
        assert after.f_table_name.tolist() == [*before.f_table_name, "verification_history"]
        assert "Leak repaired here" in after.styleQML.iloc[-1]
        pd.testing.assert_frame_equal(after.iloc[:-1], before)

    def test_the_same_file_again_changes_not_a_byte(self, result: Path, tmp_path: Path) -> None:
        field = edited(result, tmp_path / "f.gpkg", {FIRST: FOUND, SECOND: {"verification": "dug and dry"}})
        assert len(take_in(result, field).added) == 2
        before = result.read_bytes()
        assert take_in(result, field).added == ()
        copy = shutil.copy(result, tmp_path / "copy.gpkg")  # nor does a fresh copy of the result
        assert take_in(result, copy).added == ()
        assert take_in(result, result).added == ()
        assert result.read_bytes() == before

    def test_an_untouched_copy_undoes_nothing(self, result: Path, tmp_path: Path) -> None:
        untouched = edited(result, tmp_path / "untouched.gpkg", {})
        take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: FOUND}))
        taken = take_in(result, untouched)
        assert (taken.added, taken.conflicts) == ((), ())
        assert candidates_of(result).loc[FIRST, "verification"] == "dug and found"

    @settings(deadline=None, max_examples=4, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(data=st.data())
    def test_the_order_of_rows_never_matters(self, result: Path, tmp_path: Path, data: st.DataObject) -> None:
        visits = st.fixed_dictionaries(
            {
                "candidate_id": st.sampled_from([FIRST, SECOND, "other"]),
                "verification": st.sampled_from(VERIFICATIONS),
                "offset_m": st.sampled_from(["", "0.5", "-2"]),
                "crew": st.sampled_from(["", "North", "South"]),
                "visited": st.sampled_from(["", "2026-03-02", "2026-03-05"]),
            }
        )
        # a file of which no row belongs to the result is refused as a whole
        ours = st.lists(visits, min_size=1, max_size=5).filter(
            lambda some: any(row["candidate_id"] != "other" for row in some)
        )
        rows = data.draw(ours)
        tables = []
        for number, order in enumerate((rows, data.draw(st.permutations(rows)))):
            target = Path(shutil.copy(result, tmp_path / f"r{number}.gpkg"))
            table = tmp_path / f"t{number}.csv"
            pd.DataFrame(order).to_csv(table, index=False)
            take_in(target, table)
            assert take_in(target, table).added == ()
            kept = candidates_of(target).drop(columns="geometry")
            tables.append((kept, sorted(str(record.visit) for record in read_history(target))))
        pd.testing.assert_frame_equal(tables[0][0], tables[1][0])
        assert tables[0][1] == tables[1][1]

    def test_feet_are_kept_for_a_crew_with_a_tape_in_feet(self, result: Path, tmp_path: Path) -> None:
        field = tmp_path / "f.csv"
        field.write_text(
            f"candidate_id;verification;offset_ft;depth_ft\n{FIRST};repaired;-1,5;4\n", encoding="utf-8-sig"
        )
        taken = take_in(result, field, units="us")
        row = candidates_of(result).loc[FIRST]
        assert (row.offset_ft, row.depth_ft) == (-1.5, 4.0)
        assert row[["offset_m", "depth_m"]].isna().all()
        assert history_of(result).offset_m[0] == pytest.approx(-1.5 * FOOT_M)
        assert taken.candidates[0].error_m == pytest.approx(-1.5 * FOOT_M)
        assert take_in(result, shutil.copy(result, tmp_path / "c.gpkg"), units="us").added == ()

    def test_a_table_with_titles_in_place_of_names(self, result: Path, tmp_path: Path) -> None:
        field = tmp_path / "f.csv"
        field.write_text(
            f"Candidate ID,Verification,Offset [m],Depth [m],From A [m]\n{FIRST},repaired,0.3,1.2,41.2\n"
        )
        taken = take_in(result, field)
        assert taken.conflicts == ()
        assert (taken.added[0].visit.offset_m, taken.added[0].visit.depth_m) == (0.3, 1.2)

    def test_values_add_up_over_visits(self, result: Path, tmp_path: Path) -> None:
        take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: FOUND}))
        field = tmp_path / "later.csv"
        field.write_text(f"candidate_id,verification,visited\n{FIRST},repaired,2026-03-11\n")
        take_in(result, field)
        row = candidates_of(result).loc[FIRST]
        assert (row.verification, row.offset_m, row.crew) == ("repaired", -0.4, "North")
        assert len(history_of(result)) == 2


class TestMovedPoints:
    @pytest.mark.parametrize("epsg", [25832, 4326, 3089])
    def test_a_point_moved_on_a_phone(self, make_fix: MakeFix, tmp_path: Path, epsg: int) -> None:
        """In metres, in degrees and in US survey feet, through the copy in longitude and latitude."""
        fix = three(make_fix(pyproj.CRS.from_epsg(epsg)))
        write_result(fix, tmp_path / "r.gpkg")
        write_wgs84(fix, tmp_path / "phone.gpkg")
        there = gpd.GeoSeries([point_at(fix.pairs[0].path, 45.0)], crs=epsg).to_crs(4326)[0]
        field = edited(
            tmp_path / "phone.gpkg",
            tmp_path / "back.gpkg",
            {FIRST: {"verification": "repaired", "geometry": there}},
        )
        taken = take_in(tmp_path / "r.gpkg", field)
        assert taken.conflicts == ()
        assert (
            len(taken.added) == 1
        )  # the others were carried to degrees and back, and count as left where they were
        assert taken.candidates[0].found_from_a_m == pytest.approx(45.0, abs=0.02)
        assert history_of(tmp_path / "r.gpkg").known_by[0] == "point moved on the map"
        assert candidates_of(tmp_path / "r.gpkg").geometry[FIRST].equals(fix.candidates[0].point)
        assert take_in(tmp_path / "r.gpkg", field).added == ()

    def test_lon_and_lat_of_a_table(self, result: Path, tmp_path: Path, fix: SurveyFix) -> None:
        there = gpd.GeoSeries([point_at(fix.pairs[0].path, 44.0)], crs=25832).to_crs(4326)[0]
        field = tmp_path / "f.csv"
        field.write_text(
            f"candidate_id,verification,lon,lat\n{FIRST},dug and found,{there.x:.7f},{there.y:.7f}\n"
        )
        assert take_in(result, field).candidates[0].found_from_a_m == pytest.approx(44.0, abs=0.03)

    def test_the_result_itself_was_edited(self, result: Path, fix: SurveyFix) -> None:
        there = point_at(fix.pairs[0].path, 43.0)
        table = pyogrio.read_dataframe(result, layer="leak_candidates")
        with closing(verified_result._with_functions(result)) as connection:
            verified_result._put_back(connection, FIRST, there)
            connection.execute(
                "UPDATE leak_candidates SET verification = 'repaired' WHERE candidate_id = ?", (FIRST,)
            )
        assert candidates_of(result).geometry[FIRST].equals(there)
        taken = take_in(result, result)
        assert taken.candidates[0].found_from_a_m == pytest.approx(43.0, abs=0.001)
        assert candidates_of(result).geometry[FIRST].equals_exact(table.geometry[0], 1e-6)
        assert take_in(result, result).added == ()

    def test_a_candidate_off_the_path_of_its_pair_is_left_where_it_is(
        self, fix: SurveyFix, tmp_path: Path
    ) -> None:
        """Several loggers together may place a leak on a pipe beside the path that tells most of it."""
        first = fix.candidates[0]
        beside = replace(first, point=Point(first.point.x, first.point.y - 12))
        candidates = (beside, *fix.candidates[1:])
        target = tmp_path / "r.gpkg"
        write_result(
            replace(fix, candidates=candidates, pairs=(replace(fix.pairs[0], candidates=candidates),)), target
        )
        field = edited(target, tmp_path / "f.gpkg", {SECOND: {"verification": "dug and dry"}})
        taken = take_in(target, field)
        assert (len(taken.added), taken.conflicts) == (1, ())
        assert candidates_of(target).geometry[FIRST].equals(beside.point)
        with closing(verified_result._with_functions(target)) as connection:  # then it is moved in the result
            verified_result._put_back(connection, FIRST, first.point)
        take_in(target, target)
        assert candidates_of(target).geometry[FIRST].distance(beside.point) < 0.15

    def test_a_point_on_another_pipe_is_doubted(self, result: Path, tmp_path: Path, fix: SurveyFix) -> None:
        place = fix.candidates[0].point
        away = {"verification": "dug and found", "geometry": Point(place.x, place.y - 15)}
        taken = take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: away}))
        assert [one.kind for one in taken.conflicts] == ["doubtful place"]
        assert taken.candidates[0].found_from_a_m is None
        assert history_of(result).across_m[0] == pytest.approx(15.0, abs=0.05)
        assert candidates_of(result).loc[FIRST, "verification"] == "dug and found"

    def test_a_point_that_slipped_under_a_finger(self, result: Path, tmp_path: Path, fix: SurveyFix) -> None:
        place = fix.candidates[0].point
        taken = take_in(
            result, edited(result, tmp_path / "f.gpkg", {FIRST: {"geometry": Point(place.x + 4, place.y)}})
        )
        assert [one.kind for one in taken.conflicts] == ["point moved, nothing found"]
        assert candidates_of(result).loc[FIRST, "verification"] == "not visited"
        assert candidates_of(result).geometry[FIRST].equals(place)


class TestWhatDoesNotFit:
    def test_unknown_and_missing_ids_are_kept_and_told(self, result: Path, tmp_path: Path) -> None:
        field = tmp_path / "f.csv"
        field.write_text(
            f"candidate_id,verification,crew\n{FIRST},,\nno-such,repaired,North\n,dug and found,South\n,,\n"
        )
        taken = take_in(result, field)
        assert sorted(one.kind for one in taken.conflicts) == ["no candidate id", "unknown candidate"]
        assert sorted(history_of(result).crew) == ["North", "South"]
        assert set(candidates_of(result).verification) == {"not visited"}
        assert take_in(result, field).added == ()

    def test_locked_columns(self, result: Path, tmp_path: Path) -> None:
        edits = {FIRST: {"from_a_m": 99.0, "note": "better here", **FOUND}}
        taken = take_in(result, edited(result, tmp_path / "f.gpkg", edits))
        [conflict] = taken.conflicts
        assert (conflict.kind, conflict.candidate_id) == ("locked column changed", FIRST)
        assert "from_a_m: 99 there, 41.2 in the result" in conflict.text
        assert candidates_of(result).loc[FIRST, "from_a_m"] == 41.2
        assert taken.candidates[0].error_m == pytest.approx(-0.4)  # from the result's own place

    def test_values_that_cannot_be(self, result: Path, tmp_path: Path) -> None:
        field = tmp_path / "f.csv"
        field.write_text(
            f"candidate_id,verification,offset_m\n{FIRST},found it,\n{SECOND},repaired,half a metre\n"
            f"{SECOND},repaired,0.2\n"
        )
        taken = take_in(result, field)
        assert [(one.kind, one.row) for one in taken.conflicts] == [
            ("value that cannot be", "row 2"),
            ("value that cannot be", "row 3"),
        ]
        assert [one.visit.offset_m for one in taken.added] == [0.2]  # one bad row never stops the others

    def test_crews_that_contradict_each_other(self, result: Path, tmp_path: Path) -> None:
        take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: FOUND}))
        field = tmp_path / "south.csv"
        field.write_text(f"candidate_id,verification,crew,visited\n{FIRST},dug and dry,South,2026-03-10\n")
        taken = take_in(result, field)
        [conflict] = taken.conflicts
        assert conflict.kind == "crews disagree"
        assert "crew North (2026-03-09) dug and found a leak, crew South" in conflict.text
        assert take_in(result, field).conflicts == taken.conflicts  # told until one of them corrects it

    def test_a_candidate_beyond_a_sensor_has_no_error(self, result: Path, tmp_path: Path) -> None:
        taken = take_in(result, edited(result, tmp_path / "f.gpkg", {BEYOND: FOUND}))
        assert taken.candidates[2].error_m is None
        assert history_of(result).found_from_a_m.isna().all()

    @pytest.mark.parametrize(
        ("content", "why"),
        [
            ("name,verification\nx,repaired\n", "no column candidate_id among name"),
            ("", "cannot be read"),
            ("candidate_id,verification\nx,repaired\n", "not one of its 1 candidate ids is in the result"),
        ],
    )
    def test_files_that_cannot_be_matched(self, result: Path, tmp_path: Path, content: str, why: str) -> None:
        field = tmp_path / "f.csv"
        field.write_text(content)
        with pytest.raises(VerificationError, match=why):
            take_in(result, field)
        with pytest.raises(VerificationError, match="no such file"):
            take_in(result, tmp_path / "nothing.csv")


class TestSafely:
    @pytest.mark.parametrize("ending", ["-wal", "-journal"])
    @pytest.mark.parametrize("which", ["result", "field"])
    def test_refused_while_another_program_writes(
        self, result: Path, tmp_path: Path, ending: str, which: str
    ) -> None:
        field = edited(result, tmp_path / "f.gpkg", {FIRST: FOUND})
        held = result if which == "result" else field
        beside = held.with_name(held.name + ending)
        beside.write_bytes(b"")
        before = result.read_bytes()
        with pytest.raises(ExportError, match=f"{beside.name} lies beside it"):
            take_in(result, field)
        beside.unlink(missing_ok=True)
        assert result.read_bytes() == before

    def test_files_that_a_map_program_left_in_its_own_mode(self, result: Path, tmp_path: Path) -> None:
        # desktop GIS switches a GeoPackage to a write-ahead log, which its header then keeps
        field = edited(result, tmp_path / "f.gpkg", {FIRST: FOUND})
        for file in (result, field):
            with closing(sqlite3.connect(file)) as connection:
                assert connection.execute("PRAGMA journal_mode = WAL").fetchone() == ("wal",)
        assert len(take_in(result, field).added) == 1
        assert take_in(result, field).added == ()
        assert {entry.name for entry in tmp_path.iterdir()} == {"result.gpkg", "f.gpkg"}

    def test_refused_while_it_is_locked(self, result: Path, tmp_path: Path) -> None:
        field = edited(result, tmp_path / "f.gpkg", {FIRST: FOUND})
        with closing(sqlite3.connect(result)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(ExportError, match="another program has it open"):
                take_in(result, field)
        assert len(take_in(result, field).added) == 1

    def test_refused_when_it_changes_meanwhile(
        self, result: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        field = edited(result, tmp_path / "f.gpkg", {FIRST: FOUND})

        def meanwhile(*_: Any, **__: Any) -> None:
            with closing(sqlite3.connect(result)) as other, other:
                other.execute("CREATE TABLE theirs (x)")

        monkeypatch.setattr(verified_result, "_check", meanwhile)
        with pytest.raises(ExportError, match="another program changed it meanwhile"):
            take_in(result, field)
        with closing(sqlite3.connect(result)) as other:
            assert other.execute("SELECT count(*) FROM theirs").fetchone() == (0,)

    def test_a_loss_is_noticed_before_the_file_is_replaced(
        self, result: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        field = edited(result, tmp_path / "f.gpkg", {FIRST: FOUND})
        before = result.read_bytes()

        def lossy(history: Any, draft: Path) -> None:
            del history
            with closing(sqlite3.connect(draft)) as connection, connection:
                connection.execute("DELETE FROM survey_notes")
                connection.execute("CREATE TABLE verification_history (fid INTEGER PRIMARY KEY)")
                connection.execute(
                    "INSERT INTO gpkg_contents (table_name, data_type)"
                    " VALUES ('verification_history', 'attributes')"
                )

        monkeypatch.setattr(verified_result, "_append", lossy)
        with pytest.raises(ExportError, match="fails its check"):
            take_in(result, field)
        assert result.read_bytes() == before
        assert {entry.name for entry in tmp_path.iterdir()} == {"result.gpkg", "f.gpkg"}

    def test_the_history_cannot_be_rewritten(self, result: Path, tmp_path: Path) -> None:
        take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: FOUND}))
        with closing(verified_result._with_functions(result)) as connection:
            for words in ("UPDATE verification_history SET crew = 'x'", "DELETE FROM verification_history"):
                with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
                    connection.execute(words)

    def test_a_result_with_a_history_is_not_written_over(
        self, result: Path, tmp_path: Path, fix: SurveyFix
    ) -> None:
        take_in(result, edited(result, tmp_path / "f.gpkg", {FIRST: FOUND}))
        with pytest.raises(ExportError, match="would be lost"):
            write_result(fix, result)

    def test_nor_is_one_that_a_crew_has_filled_in(self, result: Path, fix: SurveyFix) -> None:
        with closing(verified_result._with_functions(result)) as connection:
            connection.execute("UPDATE leak_candidates SET verification = 'dug and dry' WHERE rank = 1")
        with pytest.raises(ExportError, match="a crew recorded something at 1 of its candidates"):
            write_result(fix, result)
