"""QGIS with the plug-in, without a window, in a profile of its own."""

from __future__ import annotations

import functools
import json
import os
import shutil
import subprocess
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from netcorr.tools import TOOLS
from netcorr.tools.plugin import NAME, write_plugin

PROGRAM = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
SYSTEM_PYTHON = "/usr/bin/python3"  # the one that has Debian's python3-qgis


@functools.cache
def has_qgis() -> bool:
    """Whether QGIS and its Python modules are installed."""
    if PROGRAM is None or not Path(SYSTEM_PYTHON).exists():
        return False
    found = subprocess.run(
        [SYSTEM_PYTHON, "-c", "import qgis.core, processing"],
        env={"PATH": "/usr/bin:/bin", "PYTHONPATH": "/usr/share/qgis/python/plugins"},
        capture_output=True,
        check=False,
    )
    return found.returncode == 0


@dataclass(frozen=True)
class Gis:
    """QGIS with the plug-in, in a profile of its own."""

    folder: Path

    @property
    def environment(self) -> dict[str, str]:
        """As a desktop session has it, plus what a GIS may set for its own libraries."""
        kept = {name: os.environ[name] for name in ("LANG", "LC_ALL") if name in os.environ}
        return {
            **kept,
            "PATH": "/usr/bin:/bin",  # another Python on the way would be taken for that of the GIS
            "HOME": str(self.folder),
            "XDG_RUNTIME_DIR": str(self.folder),
            "QT_QPA_PLATFORM": "offscreen",
            "QGIS_PLUGINPATH": str(self.folder / "plugins"),
            "QGIS_CUSTOM_CONFIG_PATH": str(self.folder),
            "PROJ_DATA": "/usr/share/proj",
        }

    def process(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run the program that runs tools without a window."""
        assert PROGRAM is not None
        return subprocess.run(
            [PROGRAM, *words],
            env=self.environment,
            capture_output=True,
            encoding="utf-8",
            timeout=240,
            check=False,
        )

    def run(self, tool: str, **values: Any) -> subprocess.CompletedProcess[str]:
        """Run one tool."""
        return self.process(
            "run", f"netcorr:{tool}", "--json", "--", *(f"{k}={v}" for k, v in values.items())
        )

    def script(self, body: str, *words: str) -> Any:
        """Run Python inside of QGIS and return what it printed as JSON."""
        done = subprocess.run(
            [SYSTEM_PYTHON, "-c", textwrap.dedent(_START) + textwrap.dedent(body), *words],
            env={
                **self.environment,
                "PYTHONPATH": f"/usr/share/qgis/python/plugins:{self.folder / 'plugins'}",
                "PYTHONWARNINGS": "ignore",
            },
            capture_output=True,
            encoding="utf-8",
            timeout=240,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout.strip().splitlines()[-1])

    @property
    def described(self) -> list[dict[str, Any]]:
        """The tools as the plug-in knows them."""
        text = (self.folder / "plugins" / NAME / "tools.json").read_text(encoding="utf-8")
        tools: list[dict[str, Any]] = json.loads(text)["tools"]
        return tools


_START = f"""
import json, sys, threading, time
from pathlib import Path
from qgis.core import (QgsApplication, QgsProcessingContext, QgsProcessingFeedback, QgsProject,
                       QgsProcessingParameterDefinition, QgsProcessingUtils, QgsVectorLayer)
QgsApplication.setPrefixPath("/usr", True)
app = QgsApplication([], False)
app.initQgis()
import processing
from processing.core.Processing import Processing
Processing.initialize()
import {NAME}
plugin = {NAME}.classFactory(None)
plugin.initProcessing()
"""


@pytest.fixture(scope="session")
def gis(tmp_path_factory: pytest.TempPathFactory) -> Gis:
    """QGIS in which the plug-in is enabled; the test is skipped where there is no QGIS."""
    if not has_qgis():
        pytest.skip("QGIS with python3-qgis is not installed")
    folder = tmp_path_factory.mktemp("gis")
    (folder / "plugins").mkdir()
    write_plugin(TOOLS, folder / "plugins")
    gis = Gis(folder)
    assert "Enabled" in gis.process("plugins", "enable", NAME).stdout
    return gis
