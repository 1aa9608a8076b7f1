"""Every tool as a Python function on layers: frames go in and come out by the same door as files.

A frame is written to a file of its own before the tool runs, and what the tool writes is read back, so that a
tool cannot tell who called it, and Python, the command line and the GIS give the same answers.
"""

from __future__ import annotations

import inspect
import tempfile
import textwrap
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.errors import UsageError
from netcorr.tools.declare import Tool, ToolResult
from netcorr.tools.frames import as_file, read_layers
from netcorr.tools.parameter import Parameter

if TYPE_CHECKING:
    import pandas as pd

    from netcorr.feedback import Feedback

#: What a parameter takes from Python, for the documentation.
_TYPES = {
    "source": "path, PipeNetwork, GeoDataFrame, or dict of GeoDataFrame by layer",
    "file_in": "path or DataFrame",
    "files_in": "path, or list of path",
    "file_out": "path",
    "folder_in": "path",
    "folder_out": "path",
    "number": "float",
    "integer": "int",
    "range": "(float, float)",
    "choice": "str",
    "text": "str",
    "flag": "bool",
}
#: Longest line of the documentation.
_WIDTH = 92


@dataclass(frozen=True, eq=False)
class Answer:
    """What a tool answers in Python.

    Attributes
    ----------
    result : ToolResult
        The tool's own result.
    layers : mapping of str to GeoDataFrame or DataFrame
        What the tool writes, by layer; a layer without geometry is a DataFrame.
    files : tuple of pathlib.Path
        Files that were asked for, and written.
    """

    result: ToolResult
    layers: Mapping[str, pd.DataFrame]
    files: tuple[Path, ...] = ()

    @property
    def exit_code(self) -> int:
        """0, or 4 when the result is below a threshold that was asked for."""
        return self.result.exit_code

    @property
    def verdict(self) -> str:
        """Why `exit_code` is not 0; else empty."""
        return self.result.verdict

    def text(self) -> str:
        """Give the answer in words: what the command line prints."""
        return self.result.text()

    def as_dict(self) -> dict[str, Any]:
        """Give the answer as data: what the command line prints with ``--json``."""
        return self.result.as_dict() | {"files": [str(path) for path in self.files]}

    def __repr__(self) -> str:
        layers = ", ".join(f"{name}: {len(table)}" for name, table in self.layers.items())
        return f"Answer({layers})" if layers else "Answer()"


class ToolFunction:
    """A tool that is called like any function.

    Parameters
    ----------
    tool : Tool
        Its declaration; the signature and the documentation are made from it.
    """

    def __init__(self, tool: Tool) -> None:
        self.tool = tool
        self.__name__ = self.__qualname__ = tool.id.replace("-", "_")
        self.__doc__ = _documentation(tool)
        self.__signature__ = _signature(tool)

    def __call__(self, *given: Any, feedback: Feedback | None = None, **values: Any) -> Answer:
        """Check the values, run the tool, and read back what it wrote.

        Raises
        ------
        UsageError
            If a value cannot be right.
        NetcorrError
            Whatever the tool finds at fault.
        """
        named = self._named(given, values)
        with ExitStack() as stack:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="netcorr-")))
            ready = named | {p.name: self._ready(p, named.get(p.name), folder) for p in self.tool.parameters}
            result = self.tool.run(ready, feedback=feedback)
            layers = read_layers(self.tool.outputs(), ready)
        files = tuple(path for path in result.files if folder not in path.parents)
        return Answer(result, layers, files)

    def __repr__(self) -> str:
        return f"<function netcorr.{self.__name__}>"

    def _named(self, given: tuple[Any, ...], values: dict[str, Any]) -> dict[str, Any]:
        """Bind what was given by its place."""
        places = [p.name for p in self.tool.parameters if not p.options]
        if len(given) > len(places):
            raise UsageError(
                self.tool.id,
                found=f"{len(given)} values by their place",
                remedy=f"give {', '.join(places) or 'none'} so, and the others by name",
            )
        named = dict(zip(places, given, strict=False))
        if twice := named.keys() & values.keys():
            raise UsageError(self.tool.id, found=f"{sorted(twice)[0]} was given twice", remedy="give it once")
        return named | values

    @staticmethod
    def _ready(p: Parameter, value: Any, folder: Path) -> Any:
        """Make a file of a frame, and a place for what must be written but was not asked for."""
        if value is None and p.kind == "file_out" and p.required:
            return folder / f"{p.name}{p.suffixes[0] if p.suffixes else ''}"
        if p.kind in ("source", "file_in"):
            return as_file(value, folder / p.name, item=p.label)
        return value


def _signature(tool: Tool) -> inspect.Signature:
    """What an editor shows: what is given by its place first, the rest by name with its default."""
    kinds = inspect.Parameter
    ordered = sorted(tool.parameters, key=lambda p: bool(p.options))
    parameters = [
        kinds(
            p.name,
            kinds.KEYWORD_ONLY if p.options else kinds.POSITIONAL_OR_KEYWORD,
            default=kinds.empty if p.required and p.kind != "file_out" else p.default,
        )
        for p in ordered
    ]
    parameters.append(kinds("feedback", kinds.KEYWORD_ONLY, default=None))
    return inspect.Signature(parameters, return_annotation="Answer")


def _documentation(tool: Tool) -> str:
    """Text in numpydoc's form."""
    lines = [tool.purpose, ""]
    if tool.description:
        lines += [*textwrap.wrap(tool.description, _WIDTH), ""]
    lines += ["Parameters", "----------"]
    for p in tool.parameters:
        optional = "" if p.required and p.kind != "file_out" else ", optional"
        kind = "{" + ", ".join(map(repr, p.choices)) + "}" if p.choices else _TYPES[p.kind]
        limits = f" From {p.limits}." if p.limits and p.minimum is not None else ""
        default = f" {p.default} unless given." if p.default not in (None, False) else ""
        unit = f" [{p.unit}]" if p.unit else ""
        words = textwrap.wrap(f"{p.help}{limits}{default}{unit}", _WIDTH - 4)
        lines += [f"{p.name} : {kind}{optional}", *(f"    {line}" for line in words)]
    lines += ["feedback : Feedback, optional", "    Told of progress; can stop the work.", ""]
    lines += ["Returns", "-------", "Answer", "    Its `layers` are what the tool writes.", ""]
    lines += ["Raises", "------", "NetcorrError", "    If a value or an input is at fault; it says which."]
    return "\n".join(lines)
