"""The schedule as GeoJSON (RFC 7946): longitude and latitude on WGS 84, one feature per structure, in input order.

Properties bear the names and SI units of the layer `schedule`. Heights are properties alone: a third coordinate would
have to be a height above the ellipsoid. A structure without a position has no geometry.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pyproj import CRS

from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.exports.frame import WHERE, SetFrame
from geoadjust.io.exports.tables import Floats, batches, places
from geoadjust.io.results.columns import SCHEDULE
from geoadjust.io.results.whole import WholeSet

WGS84 = "OGC:CRS84"
DECIMALS = 9
"""Of a degree: 0.1 mm. Centres a millimetre apart stay apart; it does not say how well they are known."""
BEGIN = '{"type":"FeatureCollection","geoadjust":'


@dataclass(frozen=True, slots=True)
class GeoJsonFacts:
    """What was written: features, those without geometry; what PROJ calls the way to WGS 84 and its accuracy [m]."""

    features: int
    without_place: int
    way: str
    accuracy_m: float
    missing_grids: tuple[str, ...]


def way_to_degrees(whole: WholeSet, frame: SetFrame) -> Georeference:
    """The way from the structures' CRS to WGS 84.

    Raises
    ------
    InputError
        a local CRS, or another datum without a transformation that PROJ vouches for
    """
    east, north = places(whole)
    found = np.isfinite(east)
    bounds = None
    if found.any():
        edges = (east[found].min(), north[found].min(), east[found].max(), north[found].max())
        bounds = (float(edges[0]), float(edges[1]), float(edges[2]), float(edges[3]))
    return Georeference(frame.crs, CRS(WGS84), where=WHERE, bounds=bounds)


def write_geojson(whole: WholeSet, way: Georeference, path: Path) -> GeoJsonFacts:
    """Write every structure of a set.

    Parameters
    ----------
    way : from `way_to_degrees`
    """
    longitude, latitude = way.to_target(*places(whole))
    longitude = np.round((longitude + 180) % 360 - 180, DECIMALS)
    latitude = np.round(latitude, DECIMALS)
    count = 0
    with open(path, "w", encoding="utf-8", newline="\n") as file:
        told = {"way": way.description, "accuracy_m": None if math.isnan(way.accuracy_m) else way.accuracy_m}
        file.write(f'{BEGIN}{json.dumps(told, ensure_ascii=False)},"features":[')
        for batch in batches(whole, "schedule", [column.name for column in SCHEDULE]):
            part = slice(count, count + len(batch["row"]))
            lines = _features(batch, longitude[part], latitude[part])
            file.write((",\n" if count else "\n") + ",\n".join(lines))
            count = part.stop
        file.write("\n]}\n")
    lost = int(np.isnan(longitude).sum())
    return GeoJsonFacts(count, lost, way.description, way.accuracy_m, way.missing_grids)


def is_geojson(path: Path) -> bool:
    """Whether a file was written here, by how it begins."""
    with open(path, "rb") as file:
        return file.read(len(BEGIN)) == BEGIN.encode()


def _features(batch: dict[str, list[object]], longitude: Floats, latitude: Floats) -> list[str]:
    names = list(batch)
    encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode
    lines = []
    for values, east, north in zip(zip(*batch.values(), strict=True), longitude, latitude, strict=True):
        known = east == east
        place = f'{{"type":"Point","coordinates":[{east:.{DECIMALS}f},{north:.{DECIMALS}f}]}}' if known else "null"
        properties = encode(dict(zip(names, values, strict=True)))
        lines.append(f'{{"type":"Feature","id":{values[0]},"geometry":{place},"properties":{properties}}}')
    return lines
