"""All faces of a tool agree, because all of them are made from its declaration."""

from __future__ import annotations

import json
from pathlib import Path
from typing import get_args

import click
import pytest

import netcorr
from netcorr.cli import commands_for, main
from netcorr.tools import TOOLS
from netcorr.tools.declare import Tool
from netcorr.tools.describe import FORMAT, describe_tools, markdown_table
from netcorr.tools.parameter import Kind

README = Path(__file__).resolve().parent.parent.parent / "README.md"


def test_tools_json_is_the_declarations(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tools", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said == {**json.loads(json.dumps(describe_tools(TOOLS))), "faults": []}
    assert said["format"] == FORMAT
    assert said["version"] == netcorr.__version__


@pytest.mark.parametrize("tool", TOOLS.values(), ids=lambda tool: tool.id)
def test_description_command_and_function_agree(tool: Tool) -> None:
    (described,) = describe_tools({tool.id: tool})["tools"]
    group = commands_for(TOOLS)
    command = group.get_command(click.Context(group), tool.id)
    assert command is not None
    by_name = {parameter.name: parameter for parameter in command.params}
    assert {one["name"] for one in described["parameters"]} <= set(by_name)
    for one in described["parameters"]:
        shown = by_name[one["name"]]
        if one["options"]:
            assert isinstance(shown, click.Option)
            assert set(one["options"]) <= set(shown.opts)
            assert one["help"] in (shown.help or "")
            for limit in (one["minimum"], one["maximum"]):
                assert limit is None or f"{limit:g}" in (shown.help or "")
        else:
            assert isinstance(shown, click.Argument)
    assert command.short_help == described["purpose"]


def test_outputs_name_their_parameter_and_their_columns() -> None:
    (described,) = describe_tools({"locate": TOOLS["locate"]})["tools"]
    names = {one["name"] for one in described["parameters"]}
    assert {one["parameter"] for one in described["outputs"]} <= names
    candidates = next(one for one in described["outputs"] if one["name"] == "leak_candidates")
    assert candidates["geometry"] == "Point"
    columns = {column["name"]: column for column in candidates["columns"]}
    assert columns["probability"]["kind"] == "real"
    assert all(column["meaning"] for column in columns.values())


def test_the_plug_in_can_show_every_kind_of_parameter() -> None:
    text = (Path(netcorr.__file__).parent / "gis_plugin" / "parameters.py").read_text(encoding="utf-8")
    for kind in get_args(Kind):
        assert f'    "{kind}": _' in text


def test_the_table_in_readme_is_the_declarations_printed() -> None:
    assert markdown_table(TOOLS) in README.read_text(encoding="utf-8")
