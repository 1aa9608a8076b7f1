"""Every operation and what it wants to know, for people and for programs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from netcorr.feedback import Feedback, NoFeedback
from netcorr.tools.declare import Tool
from netcorr.tools.describe import describe_tools
from netcorr.tools.registry import Registry


@dataclass(frozen=True)
class ListResult:
    """All tools.

    Attributes
    ----------
    tools : mapping of str to Tool
        By id.
    faults : tuple of str
        Tools of other packages that could not be loaded.
    """

    tools: Mapping[str, Tool]
    faults: tuple[str, ...] = ()
    exit_code: int = 0
    verdict: str = ""
    files: tuple[Path, ...] = ()

    def text(self) -> str:
        """Give each tool in a line."""
        width = max(len(tool_id) for tool_id in self.tools)
        lines = [f"{tool.id:<{width}}  {tool.purpose}" for tool in self.tools.values()]
        return "\n".join([*lines, *self.faults])

    def as_dict(self) -> dict[str, Any]:
        """Give every declaration."""
        return {**describe_tools(self.tools), "faults": list(self.faults)}


def list_tool(registry: Callable[[], Registry]) -> Tool:
    """Declare the tool that lists the tools.

    Parameters
    ----------
    registry : callable
        Gives all tools when it runs; this one is among them.

    Returns
    -------
    Tool
        The declaration.
    """

    def list_tools(*, feedback: Feedback | None = None) -> ListResult:
        """List every tool that is installed."""
        tools = registry()
        for fault in tools.faults:
            (feedback or NoFeedback()).message(fault)
        return ListResult(tools, tools.faults)

    return Tool(
        id="tools",
        title="List tools",
        purpose="List every tool; with --json, its parameters, units, limits and layers for other programs.",
        function=list_tools,
        parameters=(),
        examples=(("The declarations of all tools, for another program:", "--json"),),
    )
