"""netcorr: locate buried water leaks on the utility's own map from simultaneous noise recordings.

Every tool of the command line is a function here, with the same names, units and limits. Layers go in as
paths or frames and come out as frames:

>>> import geopandas as gpd
>>> import netcorr
>>> from shapely import LineString, Point
>>> mains = gpd.GeoDataFrame(
...     {"asset_id": ["M1"], "material": ["ductile iron"], "diameter_mm": [150]},
...     geometry=[LineString([(500000, 5400000), (500120, 5400000)])], crs="EPSG:25832")
>>> fittings = gpd.GeoDataFrame(
...     {"asset_id": ["V1", "V2"], "kind": ["valve", "hydrant"]},
...     geometry=[Point(500000, 5400000), Point(500120, 5400000)], crs="EPSG:25832")
>>> town = {"mains": mains, "fittings": fittings}
>>> answer = netcorr.check(town)
>>> len(answer.layers["checked_pipes"])
1

`read_network` gives the network itself, a networkx graph with material, diameter and length on every pipe:

>>> network = netcorr.read_network(town)
>>> network.graph.number_of_edges()
1
>>> netcorr.pipe_wave_speed("ductile_iron", 150).speed_m_s > 1000
True

What the tools are made of is in the folders: `netcorr.layers`, `network`, `path`, `speed`, `recordings`,
`delay`, `position`, `planning`, `verification`, `simulation`, `export`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from netcorr.errors import NetcorrError
    from netcorr.speed import pipe_wave_speed
    from netcorr.tools import TOOLS
    from netcorr.tools.python_face import Answer, ToolFunction
    from netcorr.tools.read_network import read_network

    __version__: str
    accuracy: ToolFunction
    check: ToolFunction
    doctor: ToolFunction
    coverage: ToolFunction
    inspect: ToolFunction
    locate: ToolFunction
    plan: ToolFunction
    rehearse: ToolFunction
    photos: ToolFunction
    points: ToolFunction
    report: ToolFunction
    verify: ToolFunction

#: Where each name that is no tool comes from; loaded when it is first used.
_HOMES = {
    "Answer": "netcorr.tools.python_face",
    "NetcorrError": "netcorr.errors",
    "TOOLS": "netcorr.tools",
    "pipe_wave_speed": "netcorr.speed",
    "read_network": "netcorr.tools.read_network",
}
__all__ = [
    "TOOLS",
    "Answer",
    "NetcorrError",
    "accuracy",
    "check",
    "coverage",
    "doctor",
    "inspect",
    "locate",
    "photos",
    "pipe_wave_speed",
    "plan",
    "points",
    "read_network",
    "rehearse",
    "report",
    "verify",
]


def __getattr__(name: str) -> Any:
    """Load what is asked for when it is asked for; a tool of another package is a function, too."""
    if name == "__version__":
        found: Any = _version()
    elif name in _HOMES:
        found = getattr(import_module(_HOMES[name]), name)
    elif name.startswith("_"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    else:
        tools = import_module("netcorr.tools").TOOLS
        if name.replace("_", "-") not in tools:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        found = import_module("netcorr.tools.python_face").ToolFunction(tools[name.replace("_", "-")])
    globals()[name] = found
    return found


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("netcorr")
    except PackageNotFoundError:  # run from a checkout that was never installed
        return "0+unknown"


def __dir__() -> list[str]:
    """Names for completion."""
    return sorted({*globals(), *__all__})
