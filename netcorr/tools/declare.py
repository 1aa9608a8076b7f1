"""How an operation is declared: once, typed, with units; every face of netcorr is made from it.

Nothing heavy is imported here, so that a list of tools costs nothing.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from netcorr.errors import UsageError
from netcorr.feedback import Feedback, NoFeedback
from netcorr.tools.parameter import DeclarationError, Parameter

if TYPE_CHECKING:
    from netcorr.export.result_schema import ResultLayer


class ToolResult(Protocol):
    """What the function of a tool returns."""

    @property
    def exit_code(self) -> int:
        """0, or 4 when the result is below a threshold that was asked for."""

    @property
    def verdict(self) -> str:
        """One sentence that explains an exit code other than 0, else empty."""

    @property
    def files(self) -> tuple[Path, ...]:
        """Files that were written."""

    def text(self) -> str:
        """Give the result in words, for people."""

    def as_dict(self) -> dict[str, Any]:
        """Give the result for machines: only what JSON can hold."""


@dataclass(frozen=True)
class OutputLayer:
    """One layer that a tool writes.

    Attributes
    ----------
    parameter : str
        Name of the `file_out` parameter that says where.
    name : str
        Name of the layer.
    geometry : str
        What it holds: a type of geometry, or 'none'.
    title : str
        What a person reads.
    columns : tuple of (str, str, str)
        Name, kind ('text', 'real', 'integer', 'flag', 'time') and meaning of each column.
    """

    parameter: str
    name: str
    geometry: str
    title: str
    columns: tuple[tuple[str, str, str], ...]

    @classmethod
    def of(cls, parameter: str, layer: ResultLayer) -> OutputLayer:
        """Declare a layer as it is written."""
        columns = tuple((column.name, column.kind, column.meaning) for column in layer.columns)
        return cls(parameter, layer.name, layer.geometry or "none", layer.title, columns)


def _no_outputs() -> tuple[OutputLayer, ...]:
    return ()


@dataclass(frozen=True)
class Tool:
    """One operation of netcorr.

    Attributes
    ----------
    id : str
        Name of the command.
    title : str
        Name in a menu.
    purpose : str
        One line.
    parameters : tuple of Parameter
        What it wants to know.
    function : callable
        Takes every parameter by name and `feedback`; returns a `ToolResult`.
    outputs : callable
        Gives the layers that it writes; called only when asked, since the schema may be costly to load.
    description : str
        What a user should know before the first use, in paragraphs.
    examples : tuple of (str, str)
        Words, and the arguments that do it.

    Raises
    ------
    DeclarationError
        If the declaration contradicts itself or the function.
    """

    id: str
    title: str
    purpose: str
    parameters: tuple[Parameter, ...]
    function: Callable[..., ToolResult]
    outputs: Callable[[], tuple[OutputLayer, ...]] = _no_outputs
    description: str = ""
    examples: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        fault = _tool_fault(self)
        if fault:
            raise DeclarationError(f"tool {self.id}: {fault}")

    def check(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Turn what was given into the arguments of the function.

        Raises
        ------
        UsageError
            If a value is missing, unknown or outside its limits, or an output would overwrite an input.
        """
        names = [p.name for p in self.parameters]
        for name in values:
            if name not in names:
                raise UsageError(
                    f"{self.id}, {name}", found="no such parameter", remedy="give " + ", ".join(names)
                )
        checked = {p.name: p.check(values.get(p.name)) for p in self.parameters}
        self._check_outputs(checked)
        return checked

    def run(self, values: Mapping[str, Any], *, feedback: Feedback | None = None) -> ToolResult:
        """Check the values and do it.

        Raises
        ------
        UsageError
            If a value cannot be right.
        NetcorrError
            Whatever the function finds at fault.
        """
        return self.function(**self.check(values), feedback=feedback or NoFeedback())

    def _check_outputs(self, checked: Mapping[str, Any]) -> None:
        """Refuse an output that is an input or another output."""
        taken = {
            path.resolve(): p.title
            for p in self.parameters
            if p.kind in ("source", "file_in", "files_in") and checked[p.name] is not None
            for path in (checked[p.name] if p.kind == "files_in" else (checked[p.name],))
        }
        for p in self.parameters:
            path = checked[p.name]
            if p.kind == "file_out" and path is not None:
                if path.resolve() in taken:
                    raise UsageError(
                        p.label,
                        found=f"{path} is already the file for {taken[path.resolve()]}",
                        remedy="choose another name",
                    )
                taken[path.resolve()] = p.title


def _tool_fault(tool: Tool) -> str:
    names = [p.name for p in tool.parameters]
    options = [option for p in tool.parameters for option in p.options]
    accepted = set(inspect.signature(tool.function).parameters)
    rules = {
        "the id is lower case words joined by dashes": not re.fullmatch(r"[a-z]+(-[a-z]+)*", tool.id),
        "title and purpose are needed, purpose ends with a full stop": not (
            tool.title and tool.purpose.endswith(".")
        ),
        "a parameter is declared twice": len(set(names)) < len(names),
        "an option is declared twice": len(set(options)) < len(options),
        "function and parameters differ": accepted != {*names, "feedback"},
    }
    return next((text for text, broken in rules.items() if broken), "")
