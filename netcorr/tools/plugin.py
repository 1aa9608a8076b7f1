"""The plug-in for QGIS, written to where the GIS looks for plug-ins."""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from netcorr import __version__
from netcorr.errors import ExportError
from netcorr.feedback import Feedback
from netcorr.tools.declare import Tool
from netcorr.tools.describe import describe_tools
from netcorr.tools.parameter import Parameter
from netcorr.tools.registry import Registry

#: Folder of the plug-in; not `netcorr`, so that it can live beside the package itself.
NAME = "netcorr_plugin"
#: Tools that make no sense inside of a GIS.
_NOT_IN_THE_GIS = ("tools", "plugin")


@dataclass(frozen=True)
class PluginResult:
    """The plug-in that was written.

    Attributes
    ----------
    folder : pathlib.Path
        Where.
    tools : tuple of str
        Ids of the tools in it.
    """

    folder: Path
    tools: tuple[str, ...]
    exit_code: int = 0
    verdict: str = ""

    @property
    def files(self) -> tuple[Path, ...]:
        """Folder that was written."""
        return (self.folder,)

    def text(self) -> str:
        """Say what to do next."""
        return (
            f"The plug-in holds {len(self.tools)} tools: {', '.join(self.tools)}.\n"
            "Start QGIS (3.22 or later), open Plugins > Manage and Install Plugins > Installed, and tick\n"
            "netcorr. The tools are then in the Processing toolbox. Write it again when netcorr has\n"
            "moved or been updated."
        )

    def as_dict(self) -> dict[str, Any]:
        """Give folder and tools."""
        return {"folder": str(self.folder), "tools": list(self.tools)}


def plugin_tool(registry: Callable[[], Registry]) -> Tool:
    """Declare the tool that writes the plug-in.

    Parameters
    ----------
    registry : callable
        Gives all tools when it runs.

    Returns
    -------
    Tool
        The declaration.
    """

    def plugin(*, to: Path, feedback: Feedback | None = None) -> PluginResult:
        """Write the plug-in into a folder of plug-ins."""
        del feedback  # it takes no time
        return write_plugin(registry(), to)

    return Tool(
        id="plugin",
        title="Write the GIS plug-in",
        purpose="Write the plug-in by which QGIS runs these tools.",
        description=(
            "The plug-in shows every tool in the Processing toolbox of QGIS 3.22 or later and runs netcorr "
            "outside of it, in the Python that this command runs in. Give the folder python/plugins of your "
            "QGIS profile (in QGIS: Settings > User Profiles > Open Active Profile Folder)."
        ),
        function=plugin,
        parameters=(
            Parameter(
                "to",
                "folder_in",
                "Folder of plug-ins",
                "Folder in which QGIS looks for plug-ins; a netcorr plug-in that is there is replaced.",
                ("--to",),
                required=True,
            ),
        ),
        examples=(("In the folder python/plugins of the QGIS profile:", "--to ."),),
    )


def write_plugin(tools: Registry, folder: Path) -> PluginResult:
    """Write the plug-in for the tools that belong into a GIS.

    Parameters
    ----------
    tools : Registry
        All tools.
    folder : pathlib.Path
        Folder of plug-ins.

    Returns
    -------
    PluginResult
        Where it is and what it holds.

    Raises
    ------
    ExportError
        If something else has its place, or it cannot be written.
    """
    target = folder / NAME
    _check_replaceable(target)
    shown = {tool_id: tool for tool_id, tool in tools.items() if tool_id not in _NOT_IN_THE_GIS}
    try:
        with tempfile.TemporaryDirectory(prefix=".netcorr-", dir=folder) as beside:
            draft = Path(beside, NAME)
            _fill(draft, describe_tools(shown))
            if target.exists():
                target.rename(Path(beside, "old"))
            draft.rename(target)
    except OSError as error:
        raise ExportError(
            str(target), found=f"it could not be written ({error})", remedy="close QGIS, check the rights"
        ) from error
    return PluginResult(target, tuple(shown))


def _check_replaceable(target: Path) -> None:
    """Refuse to replace a folder that no netcorr wrote."""
    if target.exists() and not (target / "interpreter.json").is_file():
        raise ExportError(
            str(target),
            found="something else is there, no plug-in that netcorr wrote",
            remedy="move it away, or give another folder",
        )


def _fill(draft: Path, described: dict[str, Any]) -> None:
    """Copy the plug-in's own files and add what it must know."""
    package = Path(__file__).resolve().parent.parent
    shutil.copytree(package / "gis_plugin", draft, ignore=shutil.ignore_patterns("__pycache__"))
    metadata = draft / "metadata.txt"
    text = metadata.read_text(encoding="utf-8").replace("version=VERSION", f"version={__version__}")
    metadata.write_text(text, encoding="utf-8")
    interpreter = {"python": sys.executable, "package_folder": str(package.parent)}
    for name, values in (("tools.json", described), ("interpreter.json", interpreter)):
        (draft / name).write_text(json.dumps(values, indent=1, ensure_ascii=False), encoding="utf-8")
