"""Tools as Python functions: frames go in and come out by the same door as files."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest

import netcorr
from netcorr.errors import UsageError
from netcorr.tools import TOOLS, Tool
from netcorr.tools.frames import as_file
from netcorr.tools.python_face import Answer, ToolFunction

SAMPLE = Path(__file__).resolve().parent.parent.parent / "sample_network"
TOWN = SAMPLE / "town.gpkg"
IRON = SAMPLE / "survey_iron" / "deployments.csv"


@pytest.fixture(scope="module")
def frames() -> dict[str, gpd.GeoDataFrame]:
    return {name: pyogrio.read_dataframe(TOWN, layer=name) for name in ("mains", "fittings")}


@pytest.fixture(scope="module")
def from_files() -> Answer:
    answer: Answer = netcorr.locate(TOWN, IRON)
    return answer


def test_locate_gives_every_declared_layer(from_files: Answer) -> None:
    assert list(from_files.layers) == [one.name for one in TOOLS["locate"].outputs()]
    assert isinstance(from_files.layers["leak_candidates"], gpd.GeoDataFrame)
    assert "strong evidence" in from_files.text()
    assert (from_files.files, from_files.as_dict()["files"]) == ((), [])
    assert (from_files.exit_code, from_files.verdict) == (0, "")


def test_frames_give_the_same_as_files(from_files: Answer, frames: dict[str, gpd.GeoDataFrame]) -> None:
    table = pd.read_csv(IRON)
    table["recording"] = [str(IRON.parent / name) for name in table["recording"]]
    answer = netcorr.locate(frames, table)
    pd.testing.assert_frame_equal(
        pd.DataFrame(answer.layers["leak_candidates"]), pd.DataFrame(from_files.layers["leak_candidates"])
    )


def test_a_network_read_once_serves_many_times(
    from_files: Answer, frames: dict[str, gpd.GeoDataFrame]
) -> None:
    network = netcorr.read_network(frames)
    answer = netcorr.locate(network, str(IRON))
    column = "from_a_m"
    assert answer.layers["leak_candidates"][column].tolist() == pytest.approx(
        from_files.layers["leak_candidates"][column].tolist()
    )


def test_a_file_that_is_asked_for_is_written_and_named(tmp_path: Path) -> None:
    output = tmp_path / "check.gpkg"
    answer = netcorr.check(TOWN, output=output)
    assert answer.files == (output,)
    assert output.is_file()
    assert len(answer.layers["checked_pipes"]) > 100


@pytest.mark.parametrize(
    ("given", "values", "why"),
    [
        ((TOWN, IRON), {"temperature_c": 90}, "0 to 40 degrees C"),
        ((TOWN, IRON), {"temperature": 10}, "no such parameter"),
        ((TOWN,), {}, "nothing was given"),
        ((TOWN, IRON, "out.gpkg"), {}, "3 values by their place"),
        ((TOWN, IRON), {"network": TOWN}, "given twice"),
        ((42, IRON), {}, "a int"),
    ],
)
def test_what_cannot_be_right_is_refused_in_the_words_of_the_command(
    given: tuple[object, ...], values: dict[str, object], why: str
) -> None:
    with pytest.raises(UsageError, match=why):
        netcorr.locate(*given, **values)


def test_a_frame_without_crs_is_refused(frames: dict[str, gpd.GeoDataFrame]) -> None:
    bare = frames["mains"].set_crs(None, allow_override=True)
    with pytest.raises(UsageError, match=r"mains: no CRS"):
        netcorr.check({"mains": bare, "fittings": frames["fittings"]})


@pytest.mark.parametrize("tool", TOOLS.values(), ids=lambda tool: tool.id)
def test_signature_and_documentation_are_the_declaration(tool: Tool) -> None:
    function = ToolFunction(tool)
    parameters = inspect.signature(function).parameters
    assert list(parameters)[-1] == "feedback"
    assert set(parameters) == {*(p.name for p in function.tool.parameters), "feedback"}
    text = inspect.getdoc(function) or ""
    for p in function.tool.parameters:
        assert f"{p.name} : " in text
    assert text.index("Returns") < text.index("Raises")
    assert max(map(len, text.splitlines())) <= 110


def test_paths_pass_through_and_recordings_become_absolute(tmp_path: Path) -> None:
    assert as_file("a.gpkg", tmp_path / "x", item="x") == "a.gpkg"
    assert as_file(None, tmp_path / "x", item="x") is None
    table = as_file(pd.DataFrame({"logger": ["a"], "recording": ["a.wav"]}), tmp_path / "t", item="t")
    assert pd.read_csv(table)["recording"].tolist() == [str(Path("a.wav").resolve())]


def test_every_tool_is_a_name_of_the_package_and_others_are_not() -> None:
    for tool_id in set(TOOLS) - {"tools"}:  # `netcorr.tools` is the folder that declares them
        assert isinstance(getattr(netcorr, tool_id.replace("-", "_")), ToolFunction)
    assert set(netcorr.__all__) <= set(dir(netcorr))
    for name in netcorr.__all__:
        assert getattr(netcorr, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'find_gold'"):
        _ = netcorr.find_gold


def test_import_loads_nothing_heavy() -> None:
    code = (
        "import netcorr, sys; print([m for m in ('numpy', 'pandas', 'click', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True)
    assert done.stdout.strip() == "[]"
