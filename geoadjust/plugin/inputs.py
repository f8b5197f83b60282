"""Inputs of a description as parameters of the host, and their values as words of the command line."""

from __future__ import annotations

import json

from qgis.core import (
    QgsProcessing,
    QgsProcessingException,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
)

OURS = ("json", "progress")
"""What the plugin itself says to the program."""
ADVANCED = ("engine", "workers", "scheduler", "chunk", "resume", "strict", "set", "seed", "most", "font")
GEOMETRIES = {
    "points": QgsProcessing.TypeVectorPoint,
    "lines": QgsProcessing.TypeVectorLine,
    "polygons": QgsProcessing.TypeVectorPolygon,
}
FORMATS = ["gpkg", "geojson", "shp", "csv"]
"""Files of layers that the program reads as they are."""
ROAD_FILE = "_file"
"""Ending of the second parameter of a road: a file that is no layer here."""


def facts_of(described: dict) -> dict:
    """What a description says beyond the standard."""
    parameters = described.get("additionalParameters", {}).get("parameters", ())
    return {fact["name"]: fact["value"] for fact in parameters}


class Input:
    """One input of a process."""

    def __init__(self, name: str, described: dict) -> None:
        self.name, self.described, self.facts = name, described, facts_of(described)
        self.schema = described["schema"]
        self.key = name.replace("-", "_")
        self.what = self.facts.get("file", [""])[0]
        self.needed = described["minOccurs"] > 0
        self.many = described["maxOccurs"] == "unbounded"

    def parameters(self) -> list:
        """Parameters of the host, one or, of a road, two."""
        made = [self._main()]
        if self.what == "road":
            told = f"{self._told()}: a file that is no raster layer"
            made.append(QgsProcessingParameterFile(self.key + ROAD_FILE, told, optional=True))
        for parameter in made:
            parameter.setHelp(self.described.get("description", ""))
            if self._advanced():
                parameter.setFlags(parameter.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
        return made

    def _told(self) -> str:
        text = self.described["title"]
        return text[:1].upper() + text[1:]

    def help(self) -> str:
        """A line of help."""
        return f"{self._told()}: {self.described.get('description', '')}"

    def _advanced(self) -> bool:
        wanted = self.needed or "unless" in self.facts or self.what or self.name == "overwrite"
        common = ("mill", "overlay", "units", "vertical-unit", "structures-vertical-unit", "dimension-unit")
        return self.name in ADVANCED or ("key" in self.facts and not wanted and self.name not in common)

    def _main(self):
        told, optional = self._told(), not self.needed
        if self.what in GEOMETRIES:
            return QgsProcessingParameterFeatureSource(self.key, told, [GEOMETRIES[self.what]], optional=optional)
        if self.what == "road":
            return QgsProcessingParameterRasterLayer(self.key, told, optional=True)
        if self.name == "out":
            return QgsProcessingParameterFolderDestination(self.key, told)
        if self.what == "new":
            return QgsProcessingParameterFileDestination(self.key, told, optional=optional, createByDefault=False)
        if self.what and not self.many:
            folder = self.what in ("set", "folder", "result")
            kind = QgsProcessingParameterFile.Folder if folder else QgsProcessingParameterFile.File
            return QgsProcessingParameterFile(self.key, told, behavior=kind, optional=optional)
        return self._plain(told, optional)

    def _plain(self, told: str, optional: bool):
        kind, default = self.schema.get("type"), self.schema.get("default")
        if kind == "boolean":
            return QgsProcessingParameterBoolean(self.key, told, defaultValue=bool(default))
        if "enum" in self.schema:
            return QgsProcessingParameterEnum(
                self.key,
                told,
                options=self.schema["enum"],
                allowMultiple=self.many,
                defaultValue=default,
                optional=optional,
                usesStaticStrings=True,
            )
        if kind == "integer":
            limits = {"minValue": self.schema.get("minimum", 0), "maxValue": self.schema.get("maximum", 2**31 - 1)}
            return QgsProcessingParameterNumber(self.key, told, defaultValue=default, optional=optional, **limits)
        if self.many:
            told = f"{told} (one on each line)"
        return QgsProcessingParameterString(
            self.key, told, defaultValue=default, multiLine=self.many, optional=optional
        )

    # ------------------------------------------------------------ values

    def words(self, algorithm, parameters: dict, context, feedback) -> list:
        """The option and its value, or the argument, as the program takes them; nothing where it was left out."""
        if self.what in GEOMETRIES:
            return self._layer(algorithm, parameters, context, feedback)
        values = self._values(algorithm, parameters, context)
        if self.schema.get("type") == "boolean":
            return self._switch(algorithm.parameterAsBool(parameters, self.key, context))
        if "argument" in self.facts:
            return values
        option = self.facts["option"][0]
        return [word for value in values for word in (option, value)]

    def _switch(self, on: bool) -> list:
        options = self.facts["option"]
        if on == bool(self.schema.get("default", False)):
            return []
        return [options[0] if on else options[1]]

    def _values(self, algorithm, parameters: dict, context) -> list:
        if self.what == "road":
            return self._road(algorithm, parameters, context)
        if "enum" in self.schema:
            if self.many:
                return [word for word in algorithm.parameterAsEnumStrings(parameters, self.key, context) if word]
            found = algorithm.parameterAsEnumString(parameters, self.key, context)
            return [found] if found and found != self.schema.get("default") else []
        if self.schema.get("type") == "integer":
            if parameters.get(self.key) in (None, self.schema.get("default")):
                return []
            return [str(algorithm.parameterAsInt(parameters, self.key, context))]
        text = algorithm.parameterAsString(parameters, self.key, context)
        if self.name == "out":
            return [text]
        if self.many:
            return [line.strip() for line in text.splitlines() if line.strip()]
        return [text] if text and text != self.schema.get("default") else []

    def _layer(self, algorithm, parameters: dict, context, feedback) -> list:
        """Path of a layer; one that is in memory, filtered, selected from, or of another kind is written out first."""
        if parameters.get(self.key) in (None, ""):
            return []
        layer = algorithm.parameterAsVectorLayer(parameters, self.key, context)
        if layer is not None and layer.isEditable() and layer.isModified():
            raise QgsProcessingException(f"{layer.name()}: has edits that are not saved. Save them, or undo them.")
        path, name = algorithm.parameterAsCompatibleSourceLayerPathAndLayerName(
            parameters, self.key, context, FORMATS, "gpkg", feedback
        )
        if not path:
            raise QgsProcessingException(f"{self.described['title']}: the layer cannot be handed to the program.")
        option, key = self.facts["option"][0], self.facts["key"][0]
        layer_key = key.replace(".path", ".layer") if key.endswith(".path") else f"{key}_layer"
        stated = layer_key == "structures.layer" and algorithm.parameterAsString(parameters, "layer", context)
        several = name and path.lower().endswith(".gpkg") and not stated
        return [option, path, *(["--set", f"{layer_key}={json.dumps(name)}"] if several else [])]

    def _road(self, algorithm, parameters: dict, context) -> list:
        path = algorithm.parameterAsString(parameters, self.key + ROAD_FILE, context)
        if parameters.get(self.key) in (None, ""):
            return [path] if path else []
        if path:
            raise QgsProcessingException(f"{self.described['title']}: give a raster layer or a file, not both.")
        layer = algorithm.parameterAsRasterLayer(parameters, self.key, context)
        if layer is None or layer.providerType() != "gdal":
            raise QgsProcessingException(
                f"{self.described['title']}: not a raster file on this machine. Save it as a GeoTIFF first."
            )
        return [layer.source()]
