"""Every operation declared once: Python function and command come from the same declaration."""

from netcorr.tools.check import TOOL as CHECK
from netcorr.tools.declare import Registry, Tool, ToolResult
from netcorr.tools.inspect import TOOL as INSPECT
from netcorr.tools.locate import TOOL as LOCATE

#: Every tool by its id, in the order in which a user meets them.
TOOLS = Registry((INSPECT, CHECK, LOCATE))

__all__ = ["TOOLS", "Registry", "Tool", "ToolResult"]
