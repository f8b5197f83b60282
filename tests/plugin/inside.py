"""What is run inside the desktop GIS, by its own interpreter: python3 inside.py PLUGINS DEMO CASE.

Prints one line of JSON.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time

os.environ["QT_QPA_PLATFORM"] = "offscreen"
os.environ.setdefault("XDG_RUNTIME_DIR", "/tmp")
sys.path[:0] = ["/usr/share/qgis/python/plugins", sys.argv[1]]

from qgis.core import (  # noqa: E402
    QgsApplication,
    QgsFeatureRequest,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingFeedback,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
)

APP = QgsApplication([], False)
APP.initQgis()

import castings_to_grade  # noqa: E402
import processing  # noqa: E402
from processing.core.Processing import Processing  # noqa: E402

Processing.initialize()
PLUGIN = castings_to_grade.classFactory(None)
PLUGIN.initProcessing()
DEMO = sys.argv[2]
REGISTRY = QgsApplication.processingRegistry()


class Feedback(QgsProcessingFeedback):
    """Keeps what it is told."""

    def __init__(self) -> None:
        super().__init__()
        self.said, self.steps = [], []

    def pushInfo(self, text: str) -> None:
        self.said.append(text)

    def setProgress(self, share: float) -> None:
        self.steps.append(share)


def covers(name: str = "covers") -> QgsVectorLayer:
    layer = QgsVectorLayer(f"{DEMO}/structures.gpkg", name, "ogr")
    assert layer.isValid()
    return layer


def run(name: str, feedback: QgsProcessingFeedback | None = None, **parameters: object) -> dict:
    parameters.setdefault("out", "TEMPORARY_OUTPUT")
    return processing.run(f"geoadjust:{name}", parameters, feedback=feedback or Feedback())


def schedule(structures: object, **more: object) -> dict:
    found = run("schedule", structures=structures, job=f"{DEMO}/job.toml", **more)
    layer = QgsVectorLayer(found["schedule_gpkg"], "schedule", "ogr")
    return {
        "rows": layer.featureCount(),
        "style": layer.renderer().type(),
        "ids": sorted(str(each["structure_id"]) for each in layer.getFeatures()),
        "methods": sorted(str(each["method"]) for each in layer.getFeatures()),
        "files": found,
    }


def algorithms() -> dict:
    provider = REGISTRY.providerById("geoadjust")
    return {
        each.name(): {
            "title": each.displayName(),
            "help": each.shortHelpString(),
            "parameters": {
                one.name(): [one.type(), bool(one.flags() & one.FlagOptional), bool(one.flags() & one.FlagAdvanced)]
                for one in each.parameterDefinitions()
            },
            "outputs": {one.name(): one.type() for one in each.outputDefinitions()},
        }
        for each in provider.algorithms()
    }


def in_memory() -> dict:
    return schedule(covers().materialize(QgsFeatureRequest()))


def filtered() -> dict:
    layer = covers()
    layer.setSubsetString("\"ASSET_NO\" LIKE 'SS-1%'")
    return {**schedule(layer), "expected": sorted(each["ASSET_NO"] for each in layer.getFeatures())}


def selected() -> dict:
    layer = covers()
    QgsProject.instance().addMapLayer(layer)
    layer.selectByExpression("\"TYPE\" = 'WV'")
    source = QgsProcessingFeatureSourceDefinition(layer.id(), selectedFeaturesOnly=True)
    return {**schedule(source), "expected": sorted(each["ASSET_NO"] for each in layer.selectedFeatures())}


def edited() -> dict:
    layer = covers()
    layer.startEditing()
    layer.deleteFeature(next(layer.getFeatures()).id())
    return refused(lambda: schedule(layer))


def raster_layer() -> dict:
    layer = QgsRasterLayer(f"{DEMO}/road.tif", "road")
    return schedule(covers(), surface=layer)


def several_layers() -> dict:
    """Layers of a file that holds several of their kind."""
    layers = [
        QgsVectorLayer(f"{DEMO}/several.gpkg|layername={name}", name, "ogr") for name in ("our covers", "our streets")
    ]
    return schedule(layers[0], centrelines=layers[1])


def refused(call) -> dict:
    try:
        call()
    except QgsProcessingException as error:
        return {"told": str(error)}
    return {"told": ""}


def bad_job() -> dict:
    return refused(lambda: run("schedule", structures=covers(), surface=f"{DEMO}/road.tif"))


def twice() -> dict:
    run("schedule", job=f"{DEMO}/job.toml", out=f"{DEMO}/twice")
    first = refused(lambda: run("schedule", job=f"{DEMO}/job.toml", out=f"{DEMO}/twice"))
    run("schedule", job=f"{DEMO}/job.toml", out=f"{DEMO}/twice", overwrite=True)
    return first


def nothing_given() -> dict:
    return refused(lambda: run("schedule"))


def no_program() -> dict:
    os.environ["GEOADJUST_COMMAND"] = "/no/such/program"
    return refused(lambda: run("schedule", job=f"{DEMO}/job.toml"))


def loaded() -> dict:
    """A run with a project: the result is asked to be loaded."""
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    algorithm = REGISTRY.algorithmById("geoadjust:schedule").create()
    parameters = {"job": f"{DEMO}/job.toml", "out": "TEMPORARY_OUTPUT"}
    found, well = algorithm.run(parameters, context, Feedback())
    return {"well": well, "layers": list(context.layersToLoadOnCompletion()), "found": found}


def progress() -> dict:
    feedback = Feedback()
    run("schedule", feedback, job=f"{DEMO}/job.toml", chunk=10)
    return {"steps": feedback.steps, "said": feedback.said}


def cancelled() -> dict:
    """Cancelled while the program starts: it ends soon, and nothing is made."""
    feedback, out = Feedback(), f"{DEMO}/cancelled"
    threading.Timer(0.8, feedback.cancel).start()
    began = time.monotonic()
    found = refused(lambda: run("schedule", feedback, job=f"{DEMO}/slow.toml", out=out))
    return {**found, "seconds": time.monotonic() - began, "made": os.path.exists(f"{out}/run.json")}


def chain() -> dict:
    """From covers to documents and exports, with choices of words."""
    first = run("schedule", job=f"{DEMO}/job.toml")["out"]
    found = {
        "check": run("check", job=f"{DEMO}/job.toml"),
        "sheets": run("sheets", set=first, paper="a4", method=["rings", "riser"]),
        "report": run("report", set=first),
        "export": run("export", set=first, **{"as": "points,dxf", "header": False, "stations": "4"}),
        "template": run("template", set=first),
        "remeasure": run("remeasure", set=first, readings=f"{DEMO}/readings.csv"),
        "accept": run("accept", set=first, gaps=f"{DEMO}/gaps.csv"),
    }
    with open(found["export"]["points_csv"], encoding="utf-8") as file:
        found["head"] = file.readline()
    return found


if __name__ == "__main__":
    print("RESULT " + json.dumps(globals()[sys.argv[3]](), default=str))
    sys.stdout.flush()
    os._exit(0)
