"""An algorithm that is made from a description and runs the program."""

from __future__ import annotations

import json
from pathlib import Path

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingOutputHtml,
    QgsProcessingOutputVectorLayer,
)

from .inputs import OURS, ROAD_FILE, Input, facts_of
from .program import NotFoundError, Run, command, meaning

LAYER = "application/geopackage+sqlite3"
PAGE = "text/html"
INCOMPLETE = 4
CAUTION = (
    "The figures are a plan, not an approval: measure on site before anything is cut; local codes, the owner's standard"
    " and the licensed engineer govern."
)


class Described(QgsProcessingAlgorithm):
    """One process."""

    def __init__(self, described: dict) -> None:
        super().__init__()
        self.described = described
        self.inputs = [Input(*each) for each in described["inputs"].items() if each[0] not in OURS]

    def createInstance(self):
        """Another one of the same kind."""
        return Described(self.described)

    def name(self) -> str:
        """The name in scripts and models."""
        return self.described["id"].replace("-", "_")

    def displayName(self) -> str:
        """The name that people read."""
        return self.described["title"]

    def shortHelpString(self) -> str:
        """What it does, and that it is no approval."""
        lines = [self.described["description"], "", CAUTION, "", *(each.help() for each in self.inputs)]
        return "\n".join(lines)

    def initAlgorithm(self, configuration=None) -> None:
        """Declare parameters and outputs."""
        for each in self.inputs:
            for parameter in each.parameters():
                self.addParameter(parameter)
        for name, output in self.described["outputs"].items():
            kind = output["schema"].get("contentMediaType")
            make = {LAYER: QgsProcessingOutputVectorLayer, PAGE: QgsProcessingOutputHtml}.get(
                kind, QgsProcessingOutputFile
            )
            self.addOutput(make(name.replace("-", "_"), output["description"]))

    def checkParameterValues(self, parameters, context):
        """What is needed unless something else is given."""
        for each in self.inputs:
            other = each.facts.get("unless", [None])[0]
            empty = all(parameters.get(key) in (None, "") for key in (each.key, each.key + ROAD_FILE))
            if other and each.name != "out" and empty and parameters.get(other) in (None, ""):
                return False, f"{each.described['title']}: give a layer, or a job file that names one."
        return super().checkParameterValues(parameters, context)

    def prepareAlgorithm(self, parameters, context, feedback):
        """Layers are looked at here, in the thread that owns them; what is wrong is told when it runs."""
        self.line, self.refused, self.folder = [], None, ""
        try:
            if any(each.name == "out" for each in self.inputs):  # a temporary folder gets a new name at every look
                self.folder = self.parameterAsFileOutput(parameters, "out", context)
                parameters = {**parameters, "out": self.folder}
            self.line = [*command(), *self.words(parameters, context, feedback)]
        except (NotFoundError, QgsProcessingException) as error:
            self.refused = str(error)
        return True

    def processAlgorithm(self, parameters, context, feedback):
        """Run the program and look at what it made."""
        if self.refused:
            raise QgsProcessingException(self.refused)
        try:
            run = Run(self.line)
        except NotFoundError as error:
            raise QgsProcessingException(str(error)) from error
        code = run.follow(feedback)
        if code not in (0, INCOMPLETE):
            raise QgsProcessingException(meaning(code, run.said))
        self._tell(run.printed, feedback)
        if code == INCOMPLETE:
            feedback.reportError("Some structures could not be computed; see their flags.")
        return self._made(context)

    def words(self, parameters, context, feedback) -> list:
        """The command line after the program's name."""
        arguments, options = [], []
        for each in self.inputs:
            found = each.words(self, parameters, context, feedback)
            (arguments if "argument" in each.facts else options).extend(found)
        names = self.described["inputs"]
        ours = [*(["--json"] if "json" in names else []), *(["--progress", "json"] if "progress" in names else [])]
        return [*facts_of(self.described)["command"], *arguments, *options, *ours]

    def _tell(self, printed: str, feedback) -> None:
        """Counts and notes of the summary, for the log."""
        try:
            found = json.loads(printed)
        except ValueError:
            feedback.pushInfo(printed)
            return
        for name in ("method", "ready", "outcomes"):
            counts = found.get(name)
            if isinstance(counts, dict):
                feedback.pushInfo(f"{name}: " + ", ".join(f"{word} {count}" for word, count in counts.items() if count))
        for name in ("findings", "notes", "notices", "left_out", "lines"):
            for text in found.get(name) or ():
                feedback.pushInfo(str(text))

    def _made(self, context) -> dict:
        """Paths of what was made; a layer is loaded with its style."""
        if not self.folder:
            return {}
        folder = Path(self.folder)
        found = {"out": str(folder)}
        for name, output in self.described["outputs"].items():
            path = folder / facts_of(output)["file"][0]
            if not path.is_file():
                continue
            found[name.replace("-", "_")] = str(path)
            if output["schema"].get("contentMediaType") == LAYER:
                source = f"{path}|layername={path.stem}"
                found[name.replace("-", "_")] = source
                if context.project() is not None:
                    details = QgsProcessingContext.LayerDetails(path.stem, context.project(), name.replace("-", "_"))
                    context.addLayerToLoadOnCompletion(source, details)
        return found
