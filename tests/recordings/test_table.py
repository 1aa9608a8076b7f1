"""Deployments tables: text files and layers, good rows and bad ones."""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyproj
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPoint, Point

from netcorr.errors import ClockError, RecordingError
from netcorr.recordings import Deployment, read_deployments
from netcorr.recordings.table_rows import column_name, read_text_rows

Save = Callable[..., Path]

GOOD = """logger,fitting,recording,start,clock_offset_ms,clock_sd_ms,lead_m,note
A,V-1,night/a1.wav,2026-03-01T02:00:00+01:00,2.5,0.4,1.5,wet cover
B,V-2,night/b1.wav,2026-03-01T01:00:00Z,,,,
"""


@pytest.fixture
def save(tmp_path: Path) -> Save:
    def make(text: str, name: str = "t.csv", *, encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode(encoding))
        return path

    return make


class Listener:
    """Feedback that keeps what it was told."""

    cancelled = False

    def __init__(self) -> None:
        self.messages: list[str] = []

    def progress(self, fraction: float, message: str = "") -> None:
        pass

    def message(self, text: str) -> None:
        self.messages.append(text)


def test_every_column(save: Save, tmp_path: Path) -> None:
    first, second = read_deployments(save(GOOD))
    assert first == Deployment(
        table="t.csv",
        row=2,
        logger="A",
        recording=tmp_path / "night" / "a1.wav",
        fitting="V-1",
        start=datetime(2026, 3, 1, 2, tzinfo=timezone(timedelta(hours=1))),
        clock_offset_s=0.0025,
        clock_sd_s=0.0004,
        lead_m=1.5,
        note="wet cover",
    )
    assert (second.clock_offset_s, second.clock_sd_s, second.lead_m, second.note) == (0.0, None, 0.0, "")
    assert second.start == first.start  # the same moment in another zone


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_spellings_of_one_table(delimiter: str, encoding: str, newline: str, save: Save) -> None:
    text = GOOD.replace(",", delimiter).replace("\n", newline)
    assert read_deployments(save(text, encoding=encoding)) == read_deployments(save(GOOD))


def test_names_of_columns_whatever_their_case(save: Save) -> None:
    header, rest = GOOD.split("\n", 1)
    loud = header.upper().replace("_", " ").replace(",", " , ")
    assert read_deployments(save(f"{loud}\n{rest}")) == read_deployments(save(GOOD))
    assert column_name("  Clock  SD ms ") == "clock_sd_ms"


def test_places_instead_of_fittings(save: Save) -> None:
    (row,) = read_deployments(save("logger;lon;lat;recording\nA;7,5;-33.25;a.wav\n"))
    assert (row.lon_lat, row.fitting) == ((7.5, -33.25), None)


def test_paths_are_relative_to_the_table(save: Save, tmp_path: Path) -> None:
    text = "logger,fitting,recording\nA,1,sub\\a.wav\nB,2,../b.wav\nC,3,{}\n".format(tmp_path / "c.wav")
    rows = read_deployments(save(text))
    assert rows[0].recording == tmp_path / "sub" / "a.wav"
    assert rows[1].recording.resolve() == (tmp_path.parent / "b.wav").resolve()
    assert rows[2].recording == tmp_path / "c.wav"


def test_row_numbers_are_those_of_the_spreadsheet(save: Save) -> None:
    """Empty rows count, and a line break within a cell does not."""
    text = 'logger,fitting,recording,note\nA,1,a.wav,"two\nlines"\n\n,,,\nB,2,b.wav,\n'
    assert [row.row for row in read_deployments(save(text))] == [2, 5]


def test_other_columns_are_passed_over_and_told(save: Save) -> None:
    listener = Listener()
    read_deployments(save("logger,fitting,recording,battery,crew\nA,1,a.wav,80,x\n"), feedback=listener)
    assert listener.messages == ["t.csv: not used: column battery, crew"]


@pytest.mark.parametrize(
    "column",
    ["clock_offset", "clock_offset_s", "start_time", "lead", "Clock drift", "offset_ms", "longitude"],
)
def test_columns_that_would_matter_are_refused(column: str, save: Save) -> None:
    with pytest.raises(RecordingError, match=f"column {column_name(column)}, which is not known; rename it"):
        read_deployments(save(f"logger,fitting,recording,{column}\nA,1,a.wav,3\n"))


def test_all_bad_rows_at_once(save: Save) -> None:
    text = """logger,fitting,recording,start,clock_offset_ms,clock_sd_ms,lead_m,lon,lat
,V-1,a.wav,,,,,,
A,,a.wav,,,,,,
A,V-1,,,,,,,
A,V-1,d.wav,01/03/2026 02:00,x,-1,-2,,
A,V-1,e.wav,2026-03-01T02:00:00,,,,7.5,
A,V-1,f.wav,,inf,,,181,91
A,V-1,g.wav,,"1,500",,,,
A,V-1,h.wav,,,,,,,9,10
"""
    with pytest.raises(RecordingError) as caught:
        read_deployments(save(text))
    message = str(caught.value)
    assert message.startswith(
        "t.csv: row 2, column logger: empty; row 3, column fitting: empty, and no place"
    )
    for piece in (
        "row 4, column recording: empty",
        "row 5, column start: '01/03/2026 02:00' is no time: write it as 2026-03-01T02:00:00+01:00",
        "row 5, column clock_offset_ms: 'x' is no number",
        "row 5, column clock_sd_ms: '-1' must be at least 0",
        "row 5, column lead_m: '-2' must be at least 0",
        "row 6, column start: '2026-03-01T02:00:00' has no time zone",
        "row 6, column lat: empty, but lon is filled in",
        "row 7, column clock_offset_ms: 'inf' must be finite",
        "row 7, column lon: '181' must be at least -180 and at most 180",
        "row 7, column lat: '91' must be at least -90 and at most 90",
        "row 8, column clock_offset_ms: '1,500' may be read in two ways",
        "row 9, column after the last one: unexpected cells ['9', '10']",
    ):
        assert piece in message
    assert not isinstance(caught.value, ClockError)


def test_bad_starts_alone_are_a_clock_error(save: Save) -> None:
    with pytest.raises(ClockError, match=r"row 2, .*; row 3, column start"):
        read_deployments(
            save("logger,fitting,recording,start\nA,1,a.wav,2026-03-01 02:00:00\nB,2,b.wav,soon\n")
        )


@pytest.mark.parametrize("again", ["night/a1.wav", "night/../night/a1.wav", "night\\a1.wav"])
@pytest.mark.parametrize(("logger", "whose"), [("A", "the same logger"), ("C", "logger A")])
def test_a_recording_belongs_to_one_row(again: str, logger: str, whose: str, save: Save) -> None:
    with pytest.raises(
        RecordingError, match=f"row 4, column recording: a1.wav is the recording of {whose} in row 2"
    ):
        read_deployments(save(f"{GOOD}{logger},V-9,{again},,,,,\n"))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "no header in the first row"),
        ("\n\n", "no header in the first row"),
        ("logger,fitting\nA,1\n", "no column recording among logger, fitting"),
        ("x,y\n1,2\n", "no column logger and no column recording among x, y"),
        ("logger,fitting,recording\n", "no rows"),
        ("logger,fitting,recording\n,,\n", "no rows"),
        ("logger,fitting,recording,fitting\nA,1,a.wav,2\n", "column fitting more than once"),
        ("logger,fit\0ting,recording\n", "not a text file"),
    ],
)
def test_tables_that_are_none(text: str, what: str, save: Save) -> None:
    with pytest.raises(RecordingError, match=what):
        read_deployments(save(text))


def test_other_encodings(save: Save) -> None:
    with pytest.raises(RecordingError, match=r"line 3 is not text in UTF-8; save the table as CSV"):
        read_deployments(save("logger,fitting,recording\nA,1,a.wav\nB,Straße,b.wav\n", encoding="latin-1"))
    with pytest.raises(RecordingError, match="UTF-8"):
        read_deployments(save(GOOD, encoding="utf-16"))


def test_missing_table(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"nope\.csv: no such file"):
        read_deployments(tmp_path / "nope.csv")


def test_folder_as_table(tmp_path: Path) -> None:
    (tmp_path / "t.csv").mkdir()
    with pytest.raises(RecordingError, match="cannot be read"):
        read_deployments(tmp_path / "t.csv")


def frame(**more: object) -> gpd.GeoDataFrame:
    columns = {"logger": ["A", "B"], "recording": ["a.wav", "b.wav"], **more}
    return gpd.GeoDataFrame(columns, geometry=[Point(7.5, 51.5), Point(7.6, 51.4)], crs=4326)


@pytest.mark.parametrize("kind", ["gpkg", "geojson", "shp", "fgb"])
def test_layers(kind: str, tmp_path: Path) -> None:
    starts = ["2026-03-01T02:00:00+01:00", "2026-03-01T01:00:00Z"]
    path = tmp_path / f"loggers.{kind}"
    frame(start=starts, lead_m=[1.5, None]).to_file(path)
    first, second = sorted(read_deployments(path), key=lambda row: row.logger)  # fgb stores by place
    assert first.recording == tmp_path / "a.wav"
    assert first.lon_lat == pytest.approx((7.5, 51.5))
    assert (first.lead_m, second.lead_m) == (1.5, 0.0)
    assert first.start == second.start == datetime(2026, 3, 1, 1, tzinfo=UTC)
    assert {first.row, second.row} == {2, 3}


@pytest.mark.parametrize("epsg", [25832, 3857, 2263])
def test_places_come_in_wgs84(epsg: int, tmp_path: Path) -> None:
    """Against pyproj alone, by the same definition of the CRS."""
    x, y = (300_000.0, 5_700_000.0) if epsg != 2263 else (980_000.0, 200_000.0)
    path = tmp_path / "loggers.gpkg"
    columns = {"logger": ["A"], "recording": ["a.wav"]}
    gpd.GeoDataFrame(columns, geometry=[MultiPoint([(x, y)])], crs=epsg).to_file(path)
    (row,) = read_deployments(path)
    expected = pyproj.Transformer.from_crs(epsg, 4326, always_xy=True).transform(x, y)
    assert row.lon_lat == pytest.approx(expected, abs=1e-9)


def test_layer_with_times_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "loggers.gpkg"
    moments = pd.to_datetime(["2026-03-01T02:00:00.125Z", "2026-03-01T03:00:00.000Z"]).as_unit("ms")
    frame(start=moments).to_file(path)
    assert [row.start for row in read_deployments(path)] == list(moments.to_pydatetime())


def test_layer_with_times_without_zone(tmp_path: Path) -> None:
    path = tmp_path / "loggers.fgb"
    frame(start=pd.to_datetime(["2026-03-01T02:00:00", None]).as_unit("ms")).to_file(path)
    with pytest.raises(ClockError, match="column start: '2026-03-01 02:00:00' has no time zone"):
        read_deployments(path)


def test_numbers_as_names(tmp_path: Path) -> None:
    path = tmp_path / "loggers.gpkg"
    frame(fitting=[101.0, 102.0]).assign(logger=[7, 8]).to_file(path)
    assert [(row.logger, row.fitting) for row in read_deployments(path)] == [("7", "101"), ("8", "102")]


def test_table_without_places(tmp_path: Path) -> None:
    path = tmp_path / "loggers.gpkg"
    columns = {"logger": ["A"], "recording": ["a.wav"], "fitting": ["V-1"]}
    import pyogrio

    pyogrio.write_dataframe(pd.DataFrame(columns), path, layer="loggers")
    (row,) = read_deployments(path)
    assert (row.fitting, row.lon_lat, row.table) == ("V-1", None, "loggers.gpkg")


def test_layer_is_found_by_its_columns(tmp_path: Path) -> None:
    path = tmp_path / "survey.gpkg"
    frame().to_file(path, layer="night")
    frame().drop(columns="recording").to_file(path, layer="valves")
    assert read_deployments(path)[0].label == "survey.gpkg, layer night, row 2 (logger A)"
    frame().to_file(path, layer="other_night")
    with pytest.raises(RecordingError, match="but layers night, other_night; name the layer"):
        read_deployments(path)
    assert len(read_deployments(path, layer="other_night")) == 2
    with pytest.raises(RecordingError, match="no column recording among logger"):
        read_deployments(path, layer="valves")
    with pytest.raises(RecordingError, match="cannot be read as a table"):
        read_deployments(path, layer="nope")


def test_layers_that_are_none(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    frame().drop(columns="logger").to_file(path)
    with pytest.raises(RecordingError, match=r"none among its layers \(a\); add the columns"):
        read_deployments(path)
    (tmp_path / "b.gpkg").write_text("no database")
    with pytest.raises(RecordingError, match=r"b\.gpkg: cannot be read as a table"):
        read_deployments(tmp_path / "b.gpkg")


def test_places_without_crs(tmp_path: Path) -> None:
    path = tmp_path / "loggers.shp"
    frame().to_file(path)
    path.with_suffix(".prj").unlink()
    with pytest.raises(RecordingError, match="points without a CRS; assign the CRS"):
        read_deployments(path)


def test_features_that_are_no_places(tmp_path: Path) -> None:
    path = tmp_path / "loggers.geojson"
    rows = frame()
    rows.geometry = [LineString([(0, 0), (1, 1)]), None]
    rows.to_file(path)
    with pytest.raises(RecordingError) as caught:
        read_deployments(path)
    assert "row 2, column geometry: a LineString is no place of a logger" in str(caught.value)
    assert "row 3, column fitting: empty, and no place either" in str(caught.value)


names = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=8)
rows = st.lists(
    st.fixed_dictionaries(
        {
            "logger": names,
            "fitting": names,
            "clock_offset_ms": st.floats(-1e6, 1e6).map(repr),
            "start": st.datetimes(datetime(2001, 1, 2), datetime(2090, 1, 1)).map(
                lambda t: t.isoformat() + "Z"
            ),
            "note": names,
        }
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=rows, delimiter=st.sampled_from(",;\t"), shuffle=st.randoms(use_true_random=False))
def test_any_table_is_read_as_written(
    rows: list[dict[str, str]], delimiter: str, shuffle: random.Random, save: Save, tmp_path: Path
) -> None:
    """Order of rows and columns changes row numbers and nothing else."""
    table = [{**row, "recording": f"{number}.wav"} for number, row in enumerate(rows)]

    def deployments(table: list[dict[str, str]], columns: list[str]) -> dict[str, tuple[object, ...]]:
        text = io.StringIO()
        writer = csv.DictWriter(text, columns, delimiter=delimiter)
        writer.writeheader()
        writer.writerows(table)
        got = read_deployments(save(text.getvalue()))
        assert [row.row for row in got] == list(range(2, 2 + len(table)))
        return {
            row.recording.name: (row.logger, row.fitting, row.clock_offset_s, row.start, row.note)
            for row in got
        }

    columns = list(table[0])
    expected = {
        row["recording"]: (
            row["logger"],
            row["fitting"],
            float(row["clock_offset_ms"]) / 1000,
            datetime.fromisoformat(row["start"]),
            row["note"],
        )
        for row in table
    }
    assert deployments(table, columns) == expected
    shuffle.shuffle(table)
    shuffle.shuffle(columns)
    assert deployments(table, columns) == expected


def test_rows_are_not_interpreted_by_the_reader(save: Save) -> None:
    columns, rows = read_text_rows(save("Logger;x\n 007 ;1,5\n"))
    assert columns == ["logger", "x"]
    assert rows == [(2, {"logger": "007", "x": "1,5"})]


@pytest.mark.parametrize(
    ("text", "hour"),
    [
        ("2026-03-01T02:00:00Z", 2),
        ("2026-03-01 02:00:00+00", 2),
        ("2026-03-01 02:00:00 +01:00", 1),
        ("2026-03-01T02:00:00.000000-0700", 9),
        ("2026/03/01 02:00:00+01", 1),
        ("20260301T020000Z", 2),
        ("2026-03-01 02:00 UTC", 2),
    ],
)
def test_spellings_of_a_start(text: str, hour: int, save: Save) -> None:
    (row,) = read_deployments(save(f"logger,fitting,recording,start\nA,1,a.wav,{text}\n"))
    assert row.start == datetime(2026, 3, 1, hour, tzinfo=UTC)


@pytest.mark.parametrize(
    "text", ["01.03.2026 02:00:00Z", "3/1/2026 2:00", "1772330400", "2026-02-30T02:00:00Z"]
)
def test_starts_that_could_be_misread(text: str, save: Save) -> None:
    with pytest.raises(ClockError, match="column start"):
        read_deployments(save(f"logger,fitting,recording,start\nA,1,a.wav,{text}\n"))


def test_quotation_mark_that_is_not_closed(save: Save) -> None:
    with pytest.raises(RecordingError, match="quotation mark that is not closed"):
        read_deployments(save('logger,fitting,recording\nA,"1,a.wav\n' + "x" * 140_000))


def test_place_beyond_its_crs(tmp_path: Path) -> None:
    path = tmp_path / "loggers.gpkg"
    columns = {"logger": ["A"], "recording": ["a.wav"]}
    gpd.GeoDataFrame(columns, geometry=[Point(1e30, 1e30)], crs=25832).to_file(path)
    with pytest.raises(RecordingError, match="row 2, column geometry: a point that lies outside"):
        read_deployments(path)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.one_of(
        st.binary(max_size=200),
        st.text('logerfitnaduxV";,\t\n\r0123 .-T:Z', max_size=200).map(
            lambda text: b"logger,fitting,recording,start,lead_m\n" + text.encode()
        ),
    )
)
def test_any_bytes_give_rows_or_our_error(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    got = outcome(path)
    assert "t.csv" in str(got) if isinstance(got, RecordingError) else all(row.logger for row in got)


def outcome(path: Path) -> tuple[Deployment, ...] | RecordingError:
    try:
        return read_deployments(path)
    except RecordingError as error:
        return error


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_spreadsheets(kind: str, tmp_path: Path) -> None:
    """GDAL reads them as layers; the rows are numbered as on the screen, empty ones too."""
    import pyogrio

    if kind.upper() not in pyogrio.list_drivers(write=True):
        pytest.skip(f"this GDAL has no {kind} driver")
    columns = {
        "logger": ["A", None, "B"],
        "fitting": ["V-1", None, "V-2"],
        "recording": ["a.wav", None, "b.wav"],
        "start": ["2026-03-01T02:00:00Z", None, "2026-03-01T02:00:00Z"],
        "clock_offset_ms": [2.5, None, None],
    }
    path = tmp_path / f"t.{kind}"
    pyogrio.write_dataframe(pd.DataFrame(columns), path, layer="night")
    first, second = read_deployments(path)
    assert first.start == second.start == datetime(2026, 3, 1, 2, tzinfo=UTC)
    assert (first.row, second.row) == (2, 4)
    assert (first.clock_offset_s, second.clock_offset_s) == (0.0025, 0.0)
    assert first.recording == tmp_path / "a.wav"


def test_drift_columns(save: Save) -> None:
    text = """logger,fitting,recording,clock_drift_ppm,Clock drift sd ppm
A,V-1,a.wav,-12.5,0.3
B,V-2,b.wav,,
"""
    first, second = read_deployments(save(text))
    assert (first.clock_drift_ppm, first.clock_drift_sd_ppm) == (-12.5, 0.3)
    assert (second.clock_drift_ppm, second.clock_drift_sd_ppm) == (0.0, None)


@pytest.mark.parametrize(
    ("drift", "sd", "what"),
    [
        ("20000", "", "column clock_drift_ppm: '20000' must be at least -1000 and at most 1000"),
        ("1", "-2", "column clock_drift_sd_ppm: '-2' must be at least 0 and at most 1000"),
        ("fast", "", "column clock_drift_ppm: 'fast' is no number"),
    ],
)
def test_drifts_that_cannot_be(drift: str, sd: str, what: str, save: Save) -> None:
    header = "logger,fitting,recording,clock_drift_ppm,clock_drift_sd_ppm"
    with pytest.raises(RecordingError, match=what):
        read_deployments(save(f"{header}\nA,1,a.wav,{drift},{sd}\n"))


def test_a_drift_in_another_unit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ClockError, match="a clock drift of 5000 millionths; crystals keep to some 20"):
        Deployment(table="t.csv", row=2, logger="A", recording=tmp_path, fitting="V", clock_drift_ppm=5000.0)


def test_a_known_noise_is_named_by_its_fitting(save: Save) -> None:
    text = "logger,fitting,recording,known_noise\nA,V-1,a.wav,H-12\nB,V-2,b.wav,\n"
    first, second = read_deployments(save(text))
    assert (first.known_noise, second.known_noise) == ("H-12", None)


def test_a_column_that_is_nearly_known_noise_is_refused(save: Save) -> None:
    text = "logger,fitting,recording,known_noise_at\nA,V-1,a.wav,H-12\n"
    with pytest.raises(RecordingError, match=r"known_noise_at, which is not known.* known_noise,"):
        read_deployments(save(text))
