"""Tools of other packages join ours; a broken one is named and keeps nothing from working."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import pytest

from netcorr.cli import main
from netcorr.feedback import Feedback
from netcorr.tools import TOOLS
from netcorr.tools.declare import Tool
from netcorr.tools.list_tools import list_tool
from netcorr.tools.parameter import DeclarationError
from netcorr.tools.registry import GROUP, Registry, installed_tools


@dataclass(frozen=True)
class Answer:
    """What the small tool says."""

    said: str
    exit_code: int = 0
    verdict: str = ""
    files: tuple[Path, ...] = ()

    def text(self) -> str:
        return self.said

    def as_dict(self) -> dict[str, Any]:
        return {"said": self.said}


def small_tool(tool_id: str) -> Tool:
    def act(*, feedback: Feedback | None = None) -> Answer:
        del feedback
        return Answer(f"{tool_id} ran")

    return Tool(tool_id, tool_id.title(), f"Do {tool_id}.", (), act)


HERE = small_tool("here")
THEIRS = small_tool("theirs")
CLASH = small_tool("here")
NO_TOOL = 42


def point(name: str, value: str) -> EntryPoint:
    return EntryPoint(name, value, GROUP)


@pytest.fixture
def registry(monkeypatch: pytest.MonkeyPatch) -> Registry:
    monkeypatch.setitem(sys.modules, "their_package", sys.modules[__name__])
    points = (
        point("broken", "package_that_is_not_there:TOOL"),
        point("clash", "their_package:CLASH"),
        point("missing", "their_package:NOTHING"),
        point("number", "their_package:NO_TOOL"),
        point("theirs", "their_package:THEIRS"),
    )
    tools: Registry
    tools = Registry((HERE, list_tool(lambda: tools)), others=lambda: points)
    return tools


def test_ours_come_first_and_theirs_join(registry: Registry) -> None:
    assert list(registry) == ["here", "tools", "theirs"]
    assert len(registry) == 3
    assert registry["theirs"] is THEIRS
    assert registry["here"] is HERE


def test_each_broken_one_is_named_with_its_package(registry: Registry) -> None:
    broken, clash, missing, number = registry.faults
    assert broken == (
        "tool broken of package package_that_is_not_there was left out: "
        "ModuleNotFoundError: No module named 'package_that_is_not_there'"
    )
    assert "there is a tool here already" in clash
    assert "AttributeError" in missing
    assert "is a int, not a Tool" in number


def test_others_are_looked_for_only_when_needed() -> None:
    asked = []
    tools = Registry((HERE,), others=lambda: tuple(asked.append(1) or ()))
    assert tools["here"] is HERE
    assert asked == []
    assert "nothing" not in tools
    assert list(tools) == ["here"]
    assert asked == [1]  # once


def test_the_command_line_runs_theirs_and_tells_of_the_broken(
    registry: Registry, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["theirs"], tools=registry) == 0
    assert capsys.readouterr().out == "theirs ran\n"
    assert main(["tools"], tools=registry) == 0
    said = capsys.readouterr()
    assert "theirs" in said.out
    assert "tool broken of package package_that_is_not_there was left out" in said.err


def test_two_of_our_own_never_share_an_id() -> None:
    with pytest.raises(DeclarationError, match="same id"):
        Registry((HERE, CLASH))


def test_without_others_there_are_no_faults() -> None:
    assert Registry((HERE,)).faults == ()
    assert TOOLS.faults == ()


def test_installed_tools_are_those_of_the_group() -> None:
    assert all(one.group == GROUP for one in installed_tools())
