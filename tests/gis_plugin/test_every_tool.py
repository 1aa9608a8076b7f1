"""Every declared tool in QGIS: the declared parameters and limits, and the answers of the command line."""

from __future__ import annotations

import json
import math
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pyogrio
import pytest
from PIL import ExifTags, Image

from netcorr.tools import TOOLS
from netcorr.tools.declare import Tool

if TYPE_CHECKING:
    from conftest import Gis

pytestmark = pytest.mark.xdist_group("qgis")

SAMPLE = Path(__file__).resolve().parent.parent.parent / "sample_network"
DEPLOYMENTS = SAMPLE / "survey_iron" / "deployments.csv"
#: What QGIS calls the parameter of each kind.
SHOWN_AS = {
    "source": "file",
    "file_in": "file",
    "files_in": "multilayer",
    "folder_in": "file",
    "folder_out": "folderDestination",
    "file_out": "fileDestination",
    "number": "number",
    "integer": "number",
    "range": "range",
    "choice": "enum",
    "text": "string",
    "flag": "boolean",
}
IN_THE_GIS = sorted(set(TOOLS) - {"tools", "plugin"})


@pytest.fixture(scope="session")
def shown(gis: Gis) -> dict[str, dict[str, dict[str, Any]]]:
    """What QGIS itself says of every parameter, by tool and name."""
    found: dict[str, dict[str, dict[str, Any]]] = gis.script(
        """
        def limits(p):
            if p.type() != "number":
                return {}
            values = {"minimum": p.minimum(), "maximum": p.maximum(), "whole": int(p.dataType()) == 0}
            inside = [v for v in (p.minimum(), p.maximum()) if abs(v) < 1e300]
            below, above = p.minimum() - 1, p.maximum() + 1
            outside = [v for v in (below, above) if abs(v) < 1e300]
            values["takes"] = [p.checkValueIsAcceptable(v) for v in inside]
            values["refuses"] = [not p.checkValueIsAcceptable(v) for v in outside]
            return values

        optional = QgsProcessingParameterDefinition.FlagOptional
        found = {}
        for algorithm in QgsApplication.processingRegistry().providerById("netcorr").algorithms():
            found[algorithm.name()] = {
                p.name(): {
                    "type": p.type(),
                    "optional": bool(p.flags() & optional),
                    "default": p.defaultValue(),
                    "description": p.description(),
                    "help": p.help(),
                    "options": list(p.options()) if p.type() == "enum" else [],
                    **limits(p),
                }
                for p in algorithm.parameterDefinitions()
            }
        print(json.dumps(found))
        """
    )
    return found


@pytest.mark.parametrize("tool", [TOOLS[name] for name in IN_THE_GIS], ids=lambda tool: tool.id)
def test_parameters_and_limits_are_those_of_the_declaration(
    shown: dict[str, dict[str, dict[str, Any]]], tool: Tool
) -> None:
    there = shown[tool.id.replace("-", "_")]
    for p in tool.parameters:
        one = there.pop(p.name)
        takes_layers = {"LineString", "Point"} <= set(p.geometry)
        assert one["type"] == SHOWN_AS[p.kind]
        assert one["optional"] == (not p.required or takes_layers)
        assert one["help"] == p.help
        assert one["description"] == (f"{p.title} [{p.unit}]" if p.unit else p.title)
        assert one["options"] == list(p.choices)
        if p.kind in ("number", "integer"):
            assert one["whole"] == (p.kind == "integer")
            for name, limit in (("minimum", p.minimum), ("maximum", p.maximum)):
                if limit is not None:
                    assert one[name] == pytest.approx(limit)
            assert all(one["takes"])
            assert all(one["refuses"])
        if p.default is not None and p.kind in ("number", "integer", "text", "choice"):
            assert one["default"] == p.default
    assert {name.rpartition("_")[2] for name in there} <= {"mains", "fittings"}  # layers for a source


def photo(path: Path, lon: float, lat: float) -> None:
    """Make a photo west of Greenwich."""
    angles = []
    for angle in (lat, -lon):
        minutes, degrees = math.modf(angle)
        seconds, minutes = math.modf(minutes * 60)
        angles.append((degrees, minutes, round(seconds * 60, 3)))
    tags = ExifTags.GPS
    exif = Image.Exif()
    exif[ExifTags.IFD.GPSInfo] = {
        tags.GPSLatitude: angles[0],
        tags.GPSLatitudeRef: "N",
        tags.GPSLongitude: angles[1],
        tags.GPSLongitudeRef: "W",
    }
    Image.new("RGB", (4, 4)).save(path, exif=exif)


@pytest.fixture(scope="session")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Something to give for each parameter that must be given, by its name."""
    folder = tmp_path_factory.mktemp("inputs")
    town = SAMPLE / "town.gpkg"
    result = folder / "result.gpkg"
    TOOLS["locate"].run({"network": town, "deployments": DEPLOYMENTS, "output": result})
    (folder / "photos").mkdir()
    point = pyogrio.read_dataframe(town, layer="fittings").to_crs(4326).geometry.iloc[0]
    photo(folder / "photos" / "oak.jpg", point.x, point.y)
    (candidate,) = pyogrio.read_dataframe(result, layer="leak_candidates")["candidate_id"]
    field = folder / "field.csv"
    visit = f"{candidate},dug and found,0.4,2026-02-18T09:00:00Z,crew 7"
    field.write_text(f"candidate_id,verification,offset_m,visited,crew\n{visit}\n", encoding="utf-8")
    return {
        "field": field,
        "source": town,
        "network": town,
        "deployments": DEPLOYMENTS,
        "result": result,
        "results": result,
        "folder": folder / "photos",
    }


#: What a tool needs beside, or takes to be quick.
ALSO: dict[str, dict[str, Any]] = {
    "plan": {"loggers": 2},
    "coverage": {"sites": DEPLOYMENTS},
    "rehearse": {"sites": DEPLOYMENTS, "leaks": 2, "rounds": 1, "duration_s": 4},
}
#: Parameters that name a file which the tool itself changes: it gets a copy.
CHANGED = {("verify", "result")}
#: Tools whose answers are of the machine and the moment.
OF_THE_MOMENT = {"doctor"}
#: When a report was written.
WRITTEN = re.compile(rb"(?<= on )\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC")


def values_for(tool: Tool, inputs: dict[str, Path], folder: Path) -> dict[str, Any]:
    """Values for a run of a tool; its files go into a folder."""
    values: dict[str, Any] = dict(ALSO.get(tool.id, {}))
    for p in tool.parameters:
        if p.required and p.name not in values:
            if p.kind == "file_out":
                values[p.name] = folder / f"{p.name}{p.suffixes[0] if p.suffixes else ''}"
            elif p.kind == "folder_out":
                values[p.name] = folder / p.name
            elif (tool.id, p.name) in CHANGED:
                values[p.name] = Path(shutil.copy(inputs[p.name], folder))
            elif p.name in inputs:
                values[p.name] = inputs[p.name]
            else:
                pytest.fail(f"say in ALSO what to give {tool.id} for {p.name}")
    return values


@pytest.mark.parametrize("tool", [TOOLS[name] for name in IN_THE_GIS], ids=lambda tool: tool.id)
def test_it_runs_and_gives_what_the_command_line_gives(
    gis: Gis, inputs: dict[str, Path], tmp_path: Path, tool: Tool
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    values = values_for(tool, inputs, folder)
    done = gis.run(tool.id.replace("-", "_"), **values)
    assert done.returncode == 0, done.stderr
    text = json.loads(done.stdout)["results"]["text"]
    if tool.id in OF_THE_MOMENT:
        assert text
        return
    by_gis = tmp_path / "by_gis"
    shutil.move(folder, by_gis)
    folder.mkdir()  # the same paths again, since they are part of some answers
    result = tool.run(values_for(tool, inputs, folder))
    assert text == result.text().rstrip("\n")
    files = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    assert files == sorted(path.relative_to(by_gis) for path in by_gis.rglob("*") if path.is_file())
    for name in files:
        assert_same(by_gis / name, folder / name)


def assert_same(one: Path, other: Path) -> None:
    """Compare files byte for byte, databases table by table, without the time of writing."""
    if one.suffix != ".gpkg":
        first, second = (WRITTEN.sub(b"", file.read_bytes()) for file in (one, other))
        assert first == second, one.name
        return
    layers = [name for name, _ in pyogrio.list_layers(one)]
    assert layers == [name for name, _ in pyogrio.list_layers(other)]
    for layer in layers:
        first, second = (as_bytes(file, layer) for file in (one, other))
        pd.testing.assert_frame_equal(first, second, obj=layer)


def as_bytes(file: Path, layer: str) -> pd.DataFrame:
    """Rows of a layer as they are stored, geometry as it lies in the file; without the time of writing."""
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as database:
        table = pd.read_sql_query(f'SELECT * FROM "{layer}"', database)  # names are our own
    return table.drop(columns=["update_time", "taken"], errors="ignore")  # times of styles and of verify
