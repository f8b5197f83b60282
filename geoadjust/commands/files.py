"""Files and folders on the command line: what they hold, and the media types that they may have."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

GPKG, GEOJSON, CSV, XML = "application/geopackage+sqlite3", "application/geo+json", "text/csv", "application/xml"
SHAPEFILE = "application/vnd.shp"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
LAS, LAZ = "application/vnd.las", "application/vnd.laszip"
GEOTIFF = "image/tiff; application=geotiff"
PDF, HTML, JSON, LINES, TOML = (
    "application/pdf",
    "text/html",
    "application/json",
    "application/jsonl",
    "application/toml",
)
DXF = "image/vnd.dxf"

KINDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "points": ("layer of structures", (GPKG, GEOJSON, SHAPEFILE, CSV, XML)),
    "lines": ("layer of lines", (GPKG, GEOJSON, SHAPEFILE)),
    "polygons": ("layer of polygons", (GPKG, GEOJSON, SHAPEFILE)),
    "road": ("a road", (GEOTIFF, LAS, LAZ, XML, CSV, GPKG)),
    "table": ("a table from the field", (CSV, XLSX, GPKG)),
    "toml": ("tables of settings", (TOML,)),
    "job": ("a job file, or an execute document", (TOML, JSON)),
    "history": ("a file of events", (LINES,)),
    "font": ("a TrueType font", ("font/ttf",)),
    "new": ("a file that is written", ()),
    "set": ("output folder of schedule or remeasure", ()),
    "result": ("output folder of schedule, remeasure, accept or vacuum", ()),
    "folder": ("a folder", ()),
}
"""What a path leads to: in words, and the media types that are read."""


class FilePath(click.Path):
    """A path that says what it leads to: one of KINDS."""

    def __init__(self, holds: str, **more: Any) -> None:
        super().__init__(path_type=Path, **more)
        self.holds = holds


class FileName(click.ParamType):  # type: ignore[type-arg]
    """The same as text, for what may be more than a path on this machine."""

    name = "text"

    def __init__(self, holds: str) -> None:
        self.holds = holds

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The text itself."""
        return str(value)
