"""Layers of lines and polygons: which CRS they are in, what they hold, and their coordinates in the structures' CRS.

Nothing is repaired: a layer of other things, arcs, and a CRS that is missing or contradicted are faults.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyproj import CRS

from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import horizontal_unit_of, read_crs, same_crs
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.coordinates.operations import Bounds
from geoadjust.io.safe import VectorFacts, measures_dropped

Floats = NDArray[np.float64]

LINES = ("LineString", "MultiLineString")
POLYGONS = ("Polygon", "MultiPolygon")

_KINDS = {1: "Point", 2: "LineString", 3: "Polygon", 4: "MultiPoint", 5: "MultiLineString", 6: "MultiPolygon"}
_KINDS |= {7: "GeometryCollection", 8: "CircularString", 9: "CompoundCurve", 10: "CurvePolygon", 11: "MultiCurve"}
_KINDS |= {12: "MultiSurface"}

SHORTEST = {"m": 1e-3, "ft": 3e-3, "us-ft": 3e-3, "degree": 1e-8}
"""About 1 mm, in every unit of coordinates."""


def layer_crs(facts: VectorFacts, stated: str, *, where: str) -> tuple[CRS | None, list[Fault]]:
    """CRS of a layer, from the file or from the job, with what is wrong with it.

    Parameters
    ----------
    facts : VectorFacts
    stated : str
        What the job says; "" = nothing.
    where : str
        Job key of the CRS, for the faults.

    Raises
    ------
    InputError
        One of the two is no CRS.
    """
    own = read_crs(facts.crs_wkt, where=where) if facts.crs_wkt else None
    said = read_crs(stated, where=where) if stated else None
    if own is None and said is None:
        return None, [Fault(where, f"{facts.path} states no CRS", remedy='write crs = "EPSG:..."')]
    if own is not None and said is not None and not same_crs(own, said):
        what = f"the job says {said.name}, {facts.path} says {own.name}"
        return own, [Fault(where, what, remedy="remove the job's crs, or mend the file's")]
    return own if own is not None else said, []


def read_shapes(facts: VectorFacts, *, where: str, columns: Sequence[str] = ()) -> tuple[NDArray[Any], pa.Table]:
    """Geometries as the file holds them, WKB (n,) with None where there is none, and some columns of the same rows.

    They are read as Arrow: the other ways to read make chords of arcs without a word. Texts of a shapefile that does
    not state its encoding are read as ISO 8859-1.

    Parameters
    ----------
    facts : VectorFacts
    where : str
        Job key of the path, for the faults.
    columns : names of the columns to read

    Raises
    ------
    InputError
        The layer cannot be read, or its texts are not in the encoding that it states.
    """
    from pyogrio.errors import DataLayerError, DataSourceError
    from pyogrio.raw import read_arrow

    settings: dict[str, Any] = {"layer": facts.layer, "columns": list(columns)}
    if facts.driver == "ESRI Shapefile":
        settings["encoding"] = facts.encoding or "ISO-8859-1"
    try:
        with measures_dropped():
            meta, rows = read_arrow(facts.path, **settings, **facts.open_options)
        rows.validate(full=True)
    except (DataSourceError, DataLayerError, pa.ArrowException, RuntimeError, LookupError) as error:
        raise InputError(Fault(where, f"{facts.path} cannot be read: {error}")) from error
    geometry = meta["geometry_name"] or "wkb_geometry"
    wkb: NDArray[Any] = rows.column(geometry).to_numpy(zero_copy_only=False)
    return wkb, rows.drop_columns([geometry])


def check_kinds(
    wkb: Iterable[bytes | None], facts: VectorFacts, allowed: Sequence[str], *, where: str, remedy: str
) -> list[Fault]:
    """Fault for a layer that holds anything but what is allowed.

    Parameters
    ----------
    wkb : geometries; None is let through
    facts : VectorFacts
    allowed : LINES or POLYGONS
    where, remedy : of the fault
    """
    heads = [geometry[:5] for geometry in wkb if geometry is not None]
    codes = [int.from_bytes(head[1:], "little" if head[0] == 1 else "big") % 1000 for head in heads]
    others = {code: codes.count(code) for code in sorted(set(codes)) if _KINDS.get(code) not in allowed}
    if not others:
        return []
    listed = ", ".join(f"{number} {_KINDS.get(code, 'other geometries')}" for code, number in others.items())
    return [Fault(where, f"layer {facts.layer!r} of {facts.path} holds {listed}", ", ".join(allowed), remedy)]


def carry(vertices: Floats, source: CRS, target: CRS, *, where: str) -> Floats:
    """Vertices (k, 2) in the target CRS; NaN where a coordinate is no number or out of reach.

    Parameters
    ----------
    vertices : (k, 2) array
        [unit of the source CRS]
    source, target : pyproj.CRS
    where : str
        Job key of the CRS, for the faults.

    Raises
    ------
    InputError
        No operation of known accuracy leads from one CRS to the other.
    """
    east, north = np.ascontiguousarray(vertices.T)
    usable = np.isfinite(east) & np.isfinite(north)
    if horizontal_unit_of(source, where=where) == "degree":
        usable &= (np.abs(east) <= 360) & (np.abs(north) <= 90)
    bounds: Bounds | None = None
    if usable.any():
        east_used, north_used = east[usable], north[usable]
        bounds = tuple(float(f()) for f in (east_used.min, north_used.min, east_used.max, north_used.max))  # type: ignore[assignment]
    reference = Georeference(source, target, where=where, bounds=bounds)
    return np.stack(reference.to_target(np.where(usable, east, np.nan), north), axis=1)
