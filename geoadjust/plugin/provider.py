"""The provider: one algorithm for each process that is described."""

from __future__ import annotations

import json
from pathlib import Path

from qgis.core import QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithm import Described
from .program import COMMAND_SETTING

HERE = Path(__file__).parent
OFFERED = (
    "check",
    "schedule",
    "takeoff",
    "sheets",
    "template",
    "report",
    "export",
    "remeasure",
    "accept",
    "vacuum",
)
"""Processes that work on layers or output sets; those of them that are described are offered."""


def descriptions() -> dict:
    """What the program told of its processes when this plugin was made."""
    return json.loads((HERE / "descriptions.json").read_text(encoding="utf-8"))


class Provider(QgsProcessingProvider):
    """Algorithms under one name."""

    def id(self) -> str:
        """The name in scripts and models."""
        return "geoadjust"

    def name(self) -> str:
        """The name that people read."""
        return "Castings to grade"

    def icon(self) -> QIcon:
        """A cover, its chimney, and a road."""
        return QIcon(str(HERE / "icon.svg"))

    def load(self) -> bool:
        """Declare the setting that says where the program is."""
        from processing.core.ProcessingConfig import ProcessingConfig, Setting

        ProcessingConfig.settingIcons[self.name()] = self.icon()
        told = "Program geoadjust (empty = as this plugin was made, else on the search path)"
        ProcessingConfig.addSetting(Setting(self.name(), COMMAND_SETTING, told, ""))
        ProcessingConfig.readSettings()
        self.refreshAlgorithms()
        return True

    def unload(self) -> None:
        """Take the setting away."""
        from processing.core.ProcessingConfig import ProcessingConfig

        ProcessingConfig.removeSetting(COMMAND_SETTING)

    def loadAlgorithms(self) -> None:
        """Make an algorithm of each description."""
        known = descriptions()
        for name in OFFERED:
            if name in known:
                self.addAlgorithm(Described(known[name]))
