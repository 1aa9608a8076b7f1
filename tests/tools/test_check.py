"""The command that checks a map: exit codes, files, and one clear message for bad input."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pyogrio
import pytest
from shapely import LineString, Point

from netcorr.cli import main
from netcorr.network import is_saved_network
from netcorr.tools import TOOLS

if TYPE_CHECKING:
    from conftest import SmallSurvey


def words(survey: SmallSurvey, *more: str) -> list[str]:
    return ["check", str(survey.network), "-o", str(survey.output.with_name("check.gpkg")), *more]


def break_main(survey: SmallSurvey, gap_m: float) -> None:
    ((x, y), end) = survey.mains.geometry[1].coords
    survey.mains.loc[1, "geometry"] = LineString([(x, y + gap_m * 0.9996), end])


def test_a_good_map(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(survey.write())) == 0
    out, err = capsys.readouterr()
    assert out.startswith("town.gpkg: FIT\n")
    assert err == "", "the notes are part of the result"
    assert "check.gpkg" in out.splitlines()[-1]
    assert len(pyogrio.list_layers(survey.output.with_name("check.gpkg"))) == 9  # the styles, too


def test_a_map_that_is_not_fit_ends_with_exit_code_4(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    break_main(survey, 7.0)
    assert main(words(survey.write())) == 4
    out, err = capsys.readouterr()
    assert out.startswith("town.gpkg: NOT YET\n")
    assert err.startswith("netcorr: not yet fit for locating leaks; first, join the 7.00 m gap at main M")
    assert "it would connect 83 m" in err


def test_the_distance_of_near_misses(survey: SmallSurvey, capsys: pytest.CaptureFixture[str]) -> None:
    break_main(survey, 7.0)
    main([*words(survey.write()), "--near-miss", "5", "--json"])
    assert json.loads(capsys.readouterr().out)["near_misses"] == []
    main([*words(survey), "--near-miss", "8", "--json"])
    [gap] = json.loads(capsys.readouterr().out)["near_misses"]
    assert gap["gap_m"] == pytest.approx(7.0, abs=0.01)


def test_a_tolerance_closes_the_gap_and_is_an_assumption(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    break_main(survey, 3.0)
    assert main([*words(survey.write()), "--join-tolerance", "4"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("town.gpkg: FIT WITH THESE ASSUMPTIONS\n")
    assert "! ends were moved by up to" in out


def test_the_cleaned_network_is_saved_and_checked_again(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    saved = survey.output.with_name("network.gpkg")
    assert main(words(survey.write(), "--save", str(saved), "--json")) == 0
    first = json.loads(capsys.readouterr().out)
    assert is_saved_network(saved)
    again = ["check", str(saved), "-o", str(survey.output.with_name("again.gpkg")), "--json"]
    assert main(again) == 0
    second = json.loads(capsys.readouterr().out)
    assert [Path(one).name for one in first["files"]] == ["check.gpkg", "network.gpkg"]
    for answer in (first, second):
        del answer["files"]
    assert first == second
    assert main(["locate", str(saved), str(survey.table), "-o", str(survey.output), "--quiet"]) == 0


@pytest.mark.parametrize("option", ["--save", "-o"])
def test_no_file_is_written_over_the_map_or_twice(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    survey.write()
    before = survey.network.read_bytes()
    same = str(survey.output.with_name("check.gpkg") if option == "--save" else survey.network)
    given = words(survey, "--save", same) if option == "--save" else ["check", same, "-o", same]
    assert main(given) == 2
    assert "already the file for" in capsys.readouterr().err
    assert survey.network.read_bytes() == before
    assert not list(survey.output.parent.iterdir())


def no_lines(survey: SmallSurvey) -> None:
    survey.mains = survey.mains.iloc[:0]


def no_crs(survey: SmallSurvey) -> None:
    survey.mains = survey.mains.set_crs(None, allow_override=True)
    survey.fittings = survey.fittings.set_crs(None, allow_override=True)


def same_ids(survey: SmallSurvey) -> None:
    survey.mains["asset_id"] = "M1"


BAD: dict[str, tuple[Any, list[str]]] = {
    "no line layer": (no_lines, ["town.gpkg", "line"]),
    "no CRS": (no_crs, ["town.gpkg", "mains", "CRS", "--crs"]),
    "duplicate ids": (same_ids, ["town.gpkg", "mains", "M1"]),
}


@pytest.mark.filterwarnings("ignore:'crs' was not provided:UserWarning")  # the test's own writing
@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_message_and_no_file(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str], case: str
) -> None:
    spoil, wanted = BAD[case]
    spoil(survey)
    assert main(words(survey.write())) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("netcorr: ") == 1
    assert "Traceback" not in err
    for word in wanted:
        assert word in err
    assert not list(survey.output.parent.iterdir())


def test_other_peoples_layers_are_never_replaced(
    survey: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    target = survey.write().output.with_name("check.gpkg")
    gpd.GeoDataFrame({"a": [1]}, geometry=[Point(0, 0)], crs=25832).to_file(target, layer="valves")
    before = target.read_bytes()
    assert main(words(survey)) == 3
    assert "valves" in capsys.readouterr().err
    assert target.read_bytes() == before


@pytest.mark.parametrize("value", ["0", "1000", "far"])
def test_a_distance_out_of_range(survey: SmallSurvey, capsys: pytest.CaptureFixture[str], value: str) -> None:
    assert main(words(survey.write(), f"--near-miss={value}")) == 2
    assert "0.1 to 100 m" in capsys.readouterr().err


def test_layers_are_declared_for_every_face() -> None:
    outputs = TOOLS["check"].outputs()
    names = [one.name for one in outputs if one.parameter == "output"]
    assert names[0] == "checked_pipes"
    assert {one.parameter for one in outputs} == {"output", "save"}
    assert len(set(names)) == len(names) == 8
