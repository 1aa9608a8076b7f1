"""Writing the plug-in: whole, for this interpreter, and never over something else."""

from __future__ import annotations

import ast
import configparser
import json
import sys
from pathlib import Path

import pytest

import netcorr
from netcorr.cli import main
from netcorr.errors import ExportError
from netcorr.tools import TOOLS
from netcorr.tools.describe import describe_tools
from netcorr.tools.plugin import NAME, write_plugin

#: What the plug-in's files may import beside their own neighbours.
GIS_MODULES = ("qgis",)


def test_it_is_written_with_what_it_must_know(tmp_path: Path) -> None:
    result = write_plugin(TOOLS, tmp_path)
    assert result.folder == tmp_path / NAME
    interpreter = json.loads((result.folder / "interpreter.json").read_text(encoding="utf-8"))
    assert interpreter["python"] == sys.executable
    assert (Path(interpreter["package_folder"]) / "netcorr" / "cli.py").is_file()
    described = json.loads((result.folder / "tools.json").read_text(encoding="utf-8"))
    shown = {tool_id: TOOLS[tool_id] for tool_id in result.tools}
    assert described == json.loads(json.dumps(describe_tools(shown)))
    assert "plugin" not in shown


def test_metadata_say_what_the_gis_asks_for(tmp_path: Path) -> None:
    metadata = configparser.ConfigParser(interpolation=None)
    metadata.read(write_plugin(TOOLS, tmp_path).folder / "metadata.txt", encoding="utf-8")
    general = metadata["general"]
    assert general["version"] == netcorr.__version__
    assert general["qgisMinimumVersion"] == "3.22"
    assert general["supportsQt6"] == "True"
    assert general["hasProcessingProvider"] == "yes"
    for needed in ("name", "description", "about", "author", "email"):
        assert general[needed]


def test_it_replaces_its_own_and_leaves_no_draft(tmp_path: Path) -> None:
    first = write_plugin(TOOLS, tmp_path).folder
    (first / "old.py").write_text("", encoding="utf-8")
    write_plugin(TOOLS, tmp_path)
    assert not (first / "old.py").exists()
    assert [path.name for path in tmp_path.iterdir()] == [NAME]


def test_it_never_replaces_what_is_not_its_own(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    (tmp_path / NAME / "precious.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ExportError, match="no plug-in that netcorr wrote"):
        write_plugin(TOOLS, tmp_path)
    assert (tmp_path / NAME / "precious.txt").read_text(encoding="utf-8") == "mine"


def test_a_missing_folder_is_refused_with_exit_code_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plugin", "--to", str(tmp_path / "nowhere")]) == 2
    assert "there is no such folder" in capsys.readouterr().err


def test_the_command_says_what_to_do_next(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plugin", "--to", str(tmp_path)]) == 0
    assert "Manage and Install Plugins" in capsys.readouterr().out


def test_only_the_standard_library_and_qgis_are_imported(tmp_path: Path) -> None:
    for path in sorted(write_plugin(TOOLS, tmp_path).folder.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            for name in names:
                top = name.split(".")[0]
                assert top in sys.stdlib_module_names or top in GIS_MODULES, f"{path.name}: {name}"
                assert not name.startswith("PyQt"), f"{path.name}: import Qt through qgis.PyQt"


def test_the_program_part_needs_no_gis() -> None:
    assert "qgis" not in (Path(netcorr.__file__).parent / "gis_plugin" / "child.py").read_text(
        encoding="utf-8"
    )
