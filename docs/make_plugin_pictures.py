"""Makes the pictures of docs/gis.md inside the desktop GIS: the dialog, and the result on its road.

Run it with the interpreter of the GIS (Debian: /usr/bin/python3), after the demo and the plugin were made:

    geoadjust demo .demo && geoadjust plugin --out .demo/plugin.zip && unzip -q .demo/plugin.zip -d .demo/plugins
    /usr/bin/python3 docs/make_plugin_pictures.py .demo
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

os.environ["QT_QPA_PLATFORM"] = "offscreen"
os.environ.setdefault("XDG_RUNTIME_DIR", "/tmp")
DEMO = Path(sys.argv[1])
sys.path[:0] = ["/usr/share/qgis/python/plugins", str(DEMO / "plugins")]

from qgis.core import (  # noqa: E402
    QgsApplication,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
)
from qgis.gui import QgsMapCanvas, QgsMessageBar  # noqa: E402
from qgis.PyQt.QtCore import QSize  # noqa: E402
from qgis.PyQt.QtWidgets import QMainWindow  # noqa: E402

PICTURES = Path(__file__).parent / "pictures"
APP = QgsApplication([], True)
APP.initQgis()


class Windows:
    """As much of the host's interface as a dialog asks for."""

    def __init__(self) -> None:
        self.window, self.canvas, self.bar = QMainWindow(), QgsMapCanvas(), QgsMessageBar()

    def mainWindow(self) -> QMainWindow:
        return self.window

    def mapCanvas(self) -> QgsMapCanvas:
        return self.canvas

    def messageBar(self) -> QgsMessageBar:
        return self.bar


def picture_of_dialog(iface: Windows) -> None:
    """The dialog of the main job, with layers of the project to choose from."""
    from processing.gui.AlgorithmDialog import AlgorithmDialog

    algorithm = QgsApplication.processingRegistry().algorithmById("geoadjust:schedule").create()
    dialog = AlgorithmDialog(algorithm, parent=iface.mainWindow())
    dialog.resize(1000, 900)
    shown = {"structures": "structures", "surface": "road"}
    layers = {key: QgsProject.instance().mapLayersByName(name)[0].id() for key, name in shown.items()}
    choices = {"structures_vertical_unit": "ft", "dimension_unit": "in", "vertical_unit": "m"}
    dialog.setParameters({**layers, **choices, "mill": "40 mm", "overlay": "50 mm"})
    dialog.show()
    APP.processEvents()
    dialog.grab().save(str(PICTURES / "gis-dialog.png"))


def picture_of_result(layers: list) -> None:
    """The result in its style, over the road."""
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setOutputSize(QSize(1100, 420))
    extent = layers[0].extent()
    extent.scale(1.15)
    settings.setExtent(extent)
    settings.setDestinationCrs(layers[0].crs())
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(str(PICTURES / "gis-result.png"))


def main() -> None:
    """Both pictures."""
    import castings_to_grade
    import processing.core.Processing
    import qgis.utils

    iface = qgis.utils.iface = Windows()
    processing.core.Processing.Processing.initialize()
    plugin = castings_to_grade.classFactory(iface)
    plugin.initGui()
    covers = QgsVectorLayer(str(DEMO / "structures.gpkg"), "structures", "ogr")
    lines = QgsVectorLayer(str(DEMO / "centrelines.gpkg"), "centrelines", "ogr")
    road = QgsRasterLayer(str(DEMO / "road.tif"), "road")
    QgsProject.instance().addMapLayers([covers, lines, road])
    picture_of_dialog(iface)
    picture_of_result([QgsVectorLayer(f"{DEMO}/out/schedule.gpkg|layername=schedule", "schedule", "ogr"), road])
    sys.stdout.flush()
    os._exit(0)


if __name__ == "__main__":
    main()
