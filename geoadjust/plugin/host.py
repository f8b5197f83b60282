"""The plugin as its host sees it: the provider is there while the plugin is."""

from __future__ import annotations

from qgis.core import QgsApplication

from .provider import Provider


class Plugin:
    """Adds the provider, and takes it away again."""

    def __init__(self, iface) -> None:
        self.iface, self.provider = iface, None

    def initProcessing(self) -> None:
        """Called alone where there are no windows."""
        self.provider = Provider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self) -> None:
        """Called where there are windows."""
        self.initProcessing()

    def unload(self) -> None:
        """Called when the plugin is switched off."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
