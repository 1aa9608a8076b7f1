"""Every operation declared once: Python function, command and GIS tool come from the same declaration."""

from netcorr.tools.accuracy import TOOL as ACCURACY
from netcorr.tools.check import TOOL as CHECK
from netcorr.tools.coverage import TOOL as COVERAGE
from netcorr.tools.declare import Tool, ToolResult
from netcorr.tools.doctor import TOOL as DOCTOR
from netcorr.tools.inspect import TOOL as INSPECT
from netcorr.tools.list_tools import list_tool
from netcorr.tools.locate import TOOL as LOCATE
from netcorr.tools.photos import TOOL as PHOTOS
from netcorr.tools.plan import TOOL as PLAN
from netcorr.tools.plugin import plugin_tool
from netcorr.tools.points import TOOL as POINTS
from netcorr.tools.registry import Registry, installed_tools
from netcorr.tools.rehearse import TOOL as REHEARSE
from netcorr.tools.report import TOOL as REPORT
from netcorr.tools.verify import TOOL as VERIFY


def _all_tools() -> Registry:
    return TOOLS


#: Every tool by its id, in the order in which a user meets them.
TOOLS = Registry(
    (
        INSPECT,
        CHECK,
        PLAN,
        COVERAGE,
        REHEARSE,
        PHOTOS,
        LOCATE,
        REPORT,
        VERIFY,
        ACCURACY,
        POINTS,
        DOCTOR,
        plugin_tool(_all_tools),
        list_tool(_all_tools),
    ),
    others=installed_tools,
)

__all__ = ["TOOLS", "Registry", "Tool", "ToolResult"]
