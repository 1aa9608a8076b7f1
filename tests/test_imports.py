"""The folders are the data flow: imports go one way, and never in a circle."""

from __future__ import annotations

import ast
from pathlib import Path

import networkx as nx
import pytest

import netcorr

PACKAGE = Path(netcorr.__file__).parent

#: What each part may import, beside errors, units and feedback, which all may use.
MAY_IMPORT = {
    "errors": set(),
    "units": set(),
    "feedback": set(),
    "layers": set(),
    "network": {"layers"},
    "path": {"network"},
    "speed": set(),
    "recordings": set(),
    "delay": {"recordings"},
    "position": {"path", "network", "speed", "recordings", "delay"},
    "planning": {"layers", "network", "path", "speed"},
    "verification": {"layers", "network", "path", "speed", "position"},
    "simulation": {"layers", "network", "speed"},
    "rehearsal": {"layers", "network", "path", "speed", "recordings", "delay", "position", "simulation"},
    "export": {
        "layers",
        "network",
        "path",
        "speed",
        "recordings",
        "delay",
        "position",
        "planning",
        "verification",
        "rehearsal",
    },
    "tools": {
        "layers",
        "network",
        "path",
        "speed",
        "recordings",
        "delay",
        "position",
        "planning",
        "verification",
        "simulation",
        "rehearsal",
        "export",
    },
    "cli_feedback": set(),
    "gis_plugin": set(),
    "cli": {"tools", "cli_feedback"},
    "__main__": {"cli"},
}
COMMON = {"errors", "units", "feedback"}


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_modules(path: Path) -> set[str]:
    """Names of netcorr modules imported anywhere in a file, function bodies included."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            if path.parent.name == "gis_plugin" and node.level == 1:
                continue  # it is copied to another place, under another name
            assert node.level == 0, f"{path.name}: import by full name, not relative"
            names.add(node.module or "")
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return {name for name in names if name == "netcorr" or name.startswith("netcorr.")}


FILES = sorted(path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE or path.name != "__init__.py")


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_only_what_lies_upstream(path: Path) -> None:
    part = part_of(path)
    allowed = MAY_IMPORT[part] | COMMON | {part}
    used = {name.split(".")[1] for name in imported_modules(path) if "." in name} - {"__version__"}
    assert used <= allowed, f"{path.relative_to(PACKAGE)} imports {sorted(used - allowed)}"


def test_no_circle_between_modules() -> None:
    graph = nx.DiGraph()
    modules = {
        ".".join(("netcorr", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
            ".__init__"
        ): path
        for path in FILES
    }
    for module, path in modules.items():
        for name in imported_modules(path):
            if name in modules and name != module:
                graph.add_edge(module, name)
    circles = [sorted(part) for part in nx.strongly_connected_components(graph) if len(part) > 1]
    assert not circles


def test_no_file_is_too_long() -> None:
    long = {str(path): n for path in FILES if (n := len(path.read_text(encoding="utf-8").splitlines())) > 500}
    assert not long
