"""The provider: one algorithm for each tool that netcorr declared."""

from __future__ import annotations

import json
from pathlib import Path

from qgis.core import QgsProcessingProvider

from .algorithm import ToolAlgorithm
from .child import Interpreter

#: What `netcorr plugin` writes beside this file.
TOOLS_FILE, INTERPRETER_FILE = "tools.json", "interpreter.json"
#: Of the description that this plug-in understands.
FORMAT = 1


class NetcorrProvider(QgsProcessingProvider):
    """All tools of netcorr.

    Parameters
    ----------
    folder : pathlib.Path
        Where the plug-in lies.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._folder = folder

    def loadAlgorithms(self) -> None:
        """Make an algorithm of each declaration."""
        described = json.loads((self._folder / TOOLS_FILE).read_text(encoding="utf-8"))
        if described["format"] != FORMAT:
            raise RuntimeError(
                "the netcorr plug-in and netcorr are of different age: run 'netcorr plugin' again"
            )
        interpreter = Interpreter.read(self._folder / INTERPRETER_FILE)
        for tool in described["tools"]:
            self.addAlgorithm(ToolAlgorithm(tool, interpreter))

    def id(self) -> str:
        """Name in models and scripts."""
        return "netcorr"

    def name(self) -> str:
        """Name in the toolbox."""
        return "netcorr"

    def longName(self) -> str:
        """Name with what it is for."""
        return "netcorr: buried leaks on the utility's own map"
