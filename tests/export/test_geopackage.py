"""The result GeoPackage: complete and checked, or not there at all."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
from osgeo_utils.samples import validate_gpkg
from shapely import LineString

from netcorr.errors import CancelledError, ExportError
from netcorr.export import geopackage
from netcorr.export.geopackage import write_result
from netcorr.feedback import NoFeedback
from netcorr.position.fix import SurveyFix

type_of = {"text": "TEXT", "real": "REAL", "integer": "MEDIUMINT", "flag": "BOOLEAN", "time": "DATETIME"}


def columns_of(path: Path, table: str) -> dict[str, tuple[str, bool]]:
    """Declared type of each column, and whether it is the primary key."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute(f'PRAGMA table_info("{table}")').fetchall()
    return {name: (declared, bool(key)) for _, name, declared, _, _, key in rows}


def leftovers(folder: Path, *expected: str) -> set[str]:
    return {entry.name for entry in folder.iterdir()} - set(expected)


@pytest.fixture
def written(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> Path:
    target = tmp_path / "result.gpkg"
    write_result(make_fix(), target)
    return target


class TestContents:
    def test_is_a_valid_geopackage(self, written: Path) -> None:
        # checked by validate_gpkg.py of GDAL, which knows the requirements of OGC 12-128
        checker = validate_gpkg.GPKGChecker(str(written), abort_at_first_error=False, warning_msg=False)
        checker.check()
        assert checker.errors == []
        assert [w for w in checker.warnings if "gdal" not in w.lower()] == []

    def test_empty_result_is_a_valid_geopackage(self, silent: SurveyFix, tmp_path: Path) -> None:
        target = tmp_path / "silent.gpkg"
        write_result(silent, target)
        checker = validate_gpkg.GPKGChecker(str(target), abort_at_first_error=False, warning_msg=False)
        checker.check()
        assert checker.errors == []

    def test_version_is_1_3(self, written: Path) -> None:
        # application_id and user_version: OGC 12-128r17, requirement 2
        with closing(sqlite3.connect(written)) as connection:
            assert connection.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
            assert connection.execute("PRAGMA user_version").fetchone() == (10300,)

    def test_columns_are_typed(self, written: Path) -> None:
        for layer in geopackage.WRITTEN_LAYERS:
            found = columns_of(written, layer.name)
            assert found.pop("fid") == ("INTEGER", True)
            if layer.geometry:
                assert found.pop("geom") == (layer.geometry.upper(), False)
            assert found == {column.name: (type_of[column.kind], False) for column in layer.columns}

    def test_empty_layers_have_the_same_columns(
        self, silent: SurveyFix, written: Path, tmp_path: Path
    ) -> None:
        target = tmp_path / "silent.gpkg"
        write_result(silent, target)
        for layer in geopackage.WRITTEN_LAYERS:
            assert columns_of(target, layer.name) == columns_of(written, layer.name)

    def test_no_leak_heard_leaves_the_candidates_empty(self, silent: SurveyFix, tmp_path: Path) -> None:
        target = tmp_path / "silent.gpkg"
        write_result(silent, target)
        assert len(pyogrio.read_dataframe(target, layer="leak_candidates")) == 0
        assert len(pyogrio.read_dataframe(target, layer="uncertainty_areas")) == 0
        [outcome] = pyogrio.read_dataframe(target, layer="correlation_paths").outcome
        assert outcome == "no leak heard"

    def test_same_rows_by_pyogrio_and_fiona(self, written: Path) -> None:
        # two readers with GDAL builds of their own
        for layer in geopackage.WRITTEN_LAYERS:
            frame = pyogrio.read_dataframe(written, layer=layer.name)
            with fiona.open(written, layer=layer.name) as source:
                assert len(source) == len(frame)
                assert source.schema["geometry"] == (layer.geometry or "None")
                assert list(source.schema["properties"]) == [column.name for column in layer.columns]
                for feature, (_, row) in zip(source, frame.iterrows(), strict=True):
                    for column in layer.columns:
                        theirs, ours = feature["properties"][column.name], row[column.name]
                        if theirs is None:
                            assert pd.isna(ours)
                        elif column.kind == "time":
                            assert pd.Timestamp(theirs) == ours
                        else:
                            assert theirs == ours

    def test_crs_and_names_of_layers(self, written: Path) -> None:
        with closing(sqlite3.connect(written)) as connection:
            rows = connection.execute(
                "SELECT table_name, data_type, identifier, description, srs_id FROM gpkg_contents"
            ).fetchall()
        found = {name: rest for name, *rest in rows}
        for layer in geopackage.WRITTEN_LAYERS:
            data_type, identifier, description, srs = found.pop(layer.name)
            assert data_type == ("features" if layer.geometry else "attributes")
            assert (identifier, description) == (layer.title, layer.description)
            assert srs == 25832 or layer.geometry is None
        # registered as QGIS does it, so that every reader knows the table
        assert found == {"layer_styles": ["attributes", "layer_styles", "How the layers look on a map", None]}

    def test_times_are_utc(self, written: Path) -> None:
        frame = pyogrio.read_dataframe(written, layer="leak_candidates")
        assert frame.recorded[0].to_pydatetime() == datetime(2026, 3, 1, 1, tzinfo=UTC)
        with closing(sqlite3.connect(written)) as connection:
            # as OGC 12-128r17, table 1, writes a DATETIME
            assert connection.execute("SELECT recorded FROM leak_candidates").fetchone() == (
                "2026-03-01T01:00:00.000Z",
            )

    def test_unknown_numbers_are_null(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        fix = make_fix()
        [candidate] = fix.candidates
        unknown = {"diameter_mm": float("nan"), "sd_m": float("inf"), "material": None, "note": ""}
        target = tmp_path / "r.gpkg"
        write_result(_replace(fix, candidates=(_replace(candidate, **unknown),)), target)
        with closing(sqlite3.connect(target)) as connection:
            row = connection.execute("SELECT diameter_mm, sd_m, material, note FROM leak_candidates")
            assert row.fetchone() == (None, None, None, None)

    def test_meaning_of_each_column_is_in_the_file(self, written: Path) -> None:
        with closing(sqlite3.connect(written)) as connection:
            rows = connection.execute("SELECT table_name, column_name, description FROM gpkg_data_columns")
            found = {(table, column): text for table, column, text in rows}
        wanted = {
            (layer.name, c.name): c.meaning for layer in geopackage.WRITTEN_LAYERS for c in layer.columns
        }
        assert found == wanted

    @pytest.mark.parametrize("epsg", [4326, 25832, 3857, 3089, 27572])
    def test_any_crs(self, make_fix: Callable[..., SurveyFix], tmp_path: Path, epsg: int) -> None:
        crs = pyproj.CRS.from_epsg(epsg)
        target = tmp_path / "r.gpkg"
        write_result(make_fix(crs), target)
        areas = pyogrio.read_dataframe(target, layer="uncertainty_areas")
        assert areas.crs.to_epsg() == epsg
        main = areas[areas.part == "main"].iloc[0]
        assert main.area_m2 == pytest.approx(3.6 * 1.0 + np.pi * 0.5**2, rel=0.01)
        assert areas.geometry.is_valid.all()

    def test_text_of_any_kind_survives(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        fix = make_fix()
        [candidate] = fix.candidates
        hostile = "'); DROP TABLE leak_candidates;-- \"<b>&amp; ütf 漏水 \U0001f6b0 {x} %s"
        broken = "a\x00b\x1b[31mc\ud800d\u202ee\nf"
        target = tmp_path / "r.gpkg"
        changed = _replace(candidate, pipe_id=hostile, note=broken)
        write_result(_replace(fix, candidates=(changed,)), target)
        frame = pyogrio.read_dataframe(target, layer="leak_candidates")
        assert frame.pipe_id[0] == hostile
        assert frame.note[0] == "a\ufffdb\ufffd[31mc\ufffdd\ufffde f"


def _replace(item: Any, **changes: Any) -> Any:
    import dataclasses

    return dataclasses.replace(item, **changes)


class TestSafety:
    def test_replaces_an_earlier_result(self, silent: SurveyFix, written: Path) -> None:
        write_result(silent, written)
        assert len(pyogrio.read_dataframe(written, layer="leak_candidates")) == 0
        assert not leftovers(written.parent, written.name)

    @pytest.mark.parametrize("ending", ["-wal", "-journal"])
    def test_refuses_when_another_program_left_its_log(
        self, make_fix: Callable[..., SurveyFix], written: Path, ending: str
    ) -> None:
        before = written.read_bytes()
        beside = written.with_name(written.name + ending)
        beside.write_bytes(b"")
        with pytest.raises(ExportError, match=r"result\.gpkg.*close the program"):
            write_result(make_fix(), written)
        assert written.read_bytes() == before
        assert not leftovers(written.parent, written.name, beside.name)

    @pytest.mark.parametrize("lock", ["BEGIN IMMEDIATE", "BEGIN EXCLUSIVE"])
    def test_refuses_a_locked_file(
        self, make_fix: Callable[..., SurveyFix], written: Path, lock: str
    ) -> None:
        before = written.read_bytes()
        with closing(sqlite3.connect(written, isolation_level=None)) as other:
            other.execute(lock)
            with pytest.raises(ExportError, match=r"result\.gpkg.*close the program"):
                write_result(make_fix(), written)
        assert written.read_bytes() == before
        assert not leftovers(written.parent, written.name)

    def test_refuses_a_file_that_is_being_read(
        self, make_fix: Callable[..., SurveyFix], written: Path
    ) -> None:
        with closing(sqlite3.connect(written, isolation_level=None)) as other:
            other.execute("BEGIN")
            other.execute("SELECT count(*) FROM leak_candidates").fetchone()
            with pytest.raises(ExportError, match="close the program"):
                write_result(make_fix(), written)

    def test_refuses_a_file_that_a_reader_keeps_in_write_ahead_mode(
        self, make_fix: Callable[..., SurveyFix], written: Path
    ) -> None:
        # how a desktop GIS holds a GeoPackage: journal mode WAL, so that -wal lies beside it
        with closing(sqlite3.connect(written, isolation_level=None)) as other:
            other.execute("PRAGMA journal_mode=WAL")
            other.execute("SELECT count(*) FROM leak_candidates").fetchone()
            with pytest.raises(ExportError, match="-wal"):
                write_result(make_fix(), written)

    def test_never_replaces_the_utilitys_own_layers(
        self, make_fix: Callable[..., SurveyFix], tmp_path: Path
    ) -> None:
        target = tmp_path / "town.gpkg"
        line = LineString([(0, 0), (1, 1)])
        gpd.GeoDataFrame({"a": [1]}, geometry=[line], crs=25832).to_file(target, layer="mains")
        before = target.read_bytes()
        with pytest.raises(ExportError, match="mains"):
            write_result(make_fix(), target)
        assert target.read_bytes() == before

    @pytest.mark.parametrize("content", [b"not a database, some report", b"SQLite format 3\x00broken"])
    def test_never_replaces_another_kind_of_file(
        self, make_fix: Callable[..., SurveyFix], tmp_path: Path, content: bytes
    ) -> None:
        target = tmp_path / "r.gpkg"
        target.write_bytes(content * 40)
        with pytest.raises(ExportError, match="choose another name"):
            write_result(make_fix(), target)
        assert target.read_bytes() == content * 40

    def test_never_replaces_another_database(
        self, make_fix: Callable[..., SurveyFix], tmp_path: Path
    ) -> None:
        target = tmp_path / "r.gpkg"
        with closing(sqlite3.connect(target)) as connection:
            connection.execute("CREATE TABLE customers (name TEXT)")
        with pytest.raises(ExportError, match="other data"):
            write_result(make_fix(), target)

    @pytest.mark.parametrize(
        ("name", "message"),
        [("result.shp", "gpkg"), ("no/such/r.gpkg", "no folder"), ("d.gpkg", "not a file")],
    )
    def test_refuses_impossible_names(
        self, make_fix: Callable[..., SurveyFix], tmp_path: Path, name: str, message: str
    ) -> None:
        (tmp_path / "d.gpkg").mkdir()
        with pytest.raises(ExportError, match=message):
            write_result(make_fix(), tmp_path / name)
        assert not leftovers(tmp_path, "d.gpkg")

    @pytest.mark.parametrize(
        "error", [OSError(28, "No space left on device"), PermissionError(13, "Permission denied")]
    )
    @pytest.mark.parametrize("place", ["replace", "fsync"])
    def test_old_result_survives_a_failure(
        self,
        silent: SurveyFix,
        written: Path,
        monkeypatch: pytest.MonkeyPatch,
        error: OSError,
        place: str,
    ) -> None:
        before = written.read_bytes()

        def fail(*_: object) -> None:
            raise error

        monkeypatch.setattr(os, place, fail)
        with pytest.raises(ExportError, match=r"result\.gpkg"):
            write_result(silent, written)
        assert written.read_bytes() == before
        assert not leftovers(written.parent, written.name)

    def test_failing_driver_leaves_nothing(
        self, make_fix: Callable[..., SurveyFix], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        real, calls = pyogrio.write_dataframe, []

        def fail_at_third(*args: Any, **kwargs: Any) -> None:
            calls.append(1)
            if len(calls) == 3:
                raise pyogrio.errors.DataSourceError("database or disk is full")
            real(*args, **kwargs)

        monkeypatch.setattr(pyogrio, "write_dataframe", fail_at_third)
        with pytest.raises(ExportError, match="disk has room"):
            write_result(make_fix(), tmp_path / "r.gpkg")
        assert not leftovers(tmp_path)

    def test_layer_that_lost_rows_is_noticed(
        self, make_fix: Callable[..., SurveyFix], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        real = pyogrio.write_dataframe

        def lose_rows(table: Any, *args: Any, **kwargs: Any) -> None:
            real(table.iloc[:0], *args, **kwargs)

        monkeypatch.setattr(pyogrio, "write_dataframe", lose_rows)
        with pytest.raises(ExportError, match="instead of"):
            write_result(make_fix(), tmp_path / "r.gpkg")
        assert not leftovers(tmp_path)

    def test_cancelling_leaves_nothing(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        class StopAfterThree(NoFeedback):
            seen = 0

            def progress(self, fraction: float, message: str = "") -> None:
                self.seen += 1
                self.cancelled = self.seen >= 3

        with pytest.raises(CancelledError):
            write_result(make_fix(), tmp_path / "r.gpkg", feedback=StopAfterThree())
        assert not leftovers(tmp_path)

    def test_progress_reaches_the_end(self, make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
        class Listen(NoFeedback):
            def __init__(self) -> None:
                self.heard: list[float] = []

            def progress(self, fraction: float, message: str = "") -> None:
                self.heard.append(fraction)

        listen = Listen()
        write_result(make_fix(), tmp_path / "r.gpkg", feedback=listen)
        assert listen.heard == sorted(listen.heard)
        assert listen.heard[-1] == 1.0


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are a POSIX thing")
@pytest.mark.parametrize("limit_kb", [20, 120])
def test_a_disk_that_is_really_full(written: Path, limit_kb: int) -> None:
    """The operating system refuses every byte after a limit, as a full disk does."""
    script = textwrap.dedent(f"""
        import resource, signal, sys
        from pathlib import Path
        import pandas as pd, pyogrio
        from netcorr.errors import ExportError
        from netcorr.export.geopackage import write_tables
        from netcorr.export.geopackage import WRITTEN_LAYERS
        target = Path(sys.argv[1])
        tables = {{layer.name: pyogrio.read_dataframe(target, layer=layer.name) for layer in WRITTEN_LAYERS}}
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, ({limit_kb} * 1024, {limit_kb} * 1024))
        try:
            write_tables(tables, target, layers=WRITTEN_LAYERS)
        except ExportError as error:
            print(error)
            sys.exit(3)
    """)
    before = written.read_bytes()
    assert len(before) > limit_kb * 1024
    done = subprocess.run(
        [sys.executable, "-c", script, str(written)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 3, done.stderr
    assert "result.gpkg" in done.stdout
    assert written.read_bytes() == before
    assert not leftovers(written.parent, written.name)


def test_killed_while_writing(written: Path) -> None:
    """A process that dies in the middle leaves the old result as it was."""
    script = textwrap.dedent("""
        import os, sys
        from pathlib import Path
        import pyogrio
        from netcorr.export import geopackage, safe_file
        from netcorr.export.geopackage import WRITTEN_LAYERS
        target = Path(sys.argv[1])
        tables = {layer.name: pyogrio.read_dataframe(target, layer=layer.name) for layer in WRITTEN_LAYERS}
        safe_file._flush_to_disk = lambda path: os._exit(9)
        geopackage.write_tables(tables, target, layers=WRITTEN_LAYERS)
    """)
    before = written.read_bytes()
    done = subprocess.run([sys.executable, "-c", script, str(written)], capture_output=True, check=False)
    assert done.returncode == 9, done.stderr
    assert written.read_bytes() == before
    left = leftovers(written.parent, written.name)
    assert all(name.startswith(".netcorr-") for name in left)
    assert geopackage.check_target(written) is None
