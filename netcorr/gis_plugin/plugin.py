"""The plug-in: its one duty is to register the provider of tools."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from qgis.core import QgsApplication

from .provider import NetcorrProvider


class NetcorrPlugin:
    """What the GIS starts and stops.

    Parameters
    ----------
    iface : QgisInterface
        The desktop program; None when there is no window.
    """

    def __init__(self, iface: Any) -> None:
        self.iface = iface
        self.provider: NetcorrProvider | None = None

    def initProcessing(self) -> None:
        """Register the tools, with or without a window."""
        self.provider = NetcorrProvider(Path(__file__).parent)
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self) -> None:
        """Register the tools in the desktop program."""
        self.initProcessing()

    def unload(self) -> None:
        """Take the tools out again."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
