"""Every operation declared once: Python function and command come from the same declaration."""

from netcorr.tools import inspect, locate
from netcorr.tools.declare import Registry, Tool, ToolResult

#: Every tool by its id, in the order in which a user meets them.
TOOLS = Registry((inspect.TOOL, locate.TOOL))

__all__ = ["TOOLS", "Registry", "Tool", "ToolResult"]
