"""The plug-in for QGIS: it runs netcorr in an interpreter of its own.

Only the standard library and qgis are imported in here. `netcorr plugin` copies this folder, with what it
needs to know of netcorr, to where the GIS looks for plug-ins.
"""

from __future__ import annotations

from typing import Any


def classFactory(iface: Any) -> Any:
    """Give the GIS the plug-in.

    Parameters
    ----------
    iface : QgisInterface
        The desktop program; None when there is no window.
    """
    from .plugin import NetcorrPlugin

    return NetcorrPlugin(iface)
