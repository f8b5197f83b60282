"""Survey points from a layer of points with heights: GeoPackage, GeoJSON, shapefile."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoadjust.errors import Fault, InputError
from geoadjust.io.intake.values import read_texts
from geoadjust.io.lines.shapes import check_kinds, read_shapes
from geoadjust.io.safe import VECTOR_DRIVERS, VectorFacts, probe_vector
from geoadjust.io.tin.shots import Shots, codes_of, has_code, repeated_numbers

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

POINTS = ("Point", "MultiPoint")
CODES = ("code", "description", "desc")
"""Fields that hold codes, in any case; the first one that the layer has is used."""
NUMBERS = ("point", "number", "pt", "point_number", "point_no")
"""Fields that hold point numbers."""
INDEX_FIELD = "location"
"""A layer of any geometries with this field is an index of tiles."""


def is_layer(path: str) -> bool:
    """Whether a path ends like a vector file."""
    return Path(path).suffix.lower() in VECTOR_DRIVERS


def holds_points(path: str, layer: str) -> bool:
    """Whether a vector file has points where a job looks for a road: in the layer that it names, or in any.

    False where the file cannot be read: whoever reads it next says why. A layer of no stated kind counts unless it has
    the field of an index of tiles.
    """
    if not is_layer(path):
        return False
    return any(_kind(facts) in POINTS or _may_hold(facts) for facts in _layers(path, layer))


def find_points(path: str, layer: str, *, where: str) -> VectorFacts:
    """The layer of points that is named, or the only one; `find_layer` says what it raises."""
    return find_layer(path, layer, POINTS, where=where, remedy="name one with layer = ...")


def find_layer(path: str, layer: str, kinds: Sequence[str], *, where: str, remedy: str) -> VectorFacts:
    """The layer that is named, or the only one of some kinds of geometry, or the only one at all.

    Parameters
    ----------
    layer : its name; '' = none is named
    where : job key of the path, for the faults
    remedy : where several have such geometry

    Raises
    ------
    InputError
        as `probe_vector`; several layers of those kinds and none named
    """
    found = [facts for facts in _layers(path, layer) if _kind(facts) in kinds]
    if len(found) == 1:
        return found[0]
    if len(found) > 1:
        listed = ", ".join(facts.layer for facts in found)
        raise InputError(Fault(where, f"{path} has several layers of {' or '.join(kinds)}", listed, remedy))
    return probe_vector(path, where=where, layer=layer or None)


def read_shot_layer(facts: VectorFacts, *, where: str, codes: Collection[str] = (), numbered: bool = False) -> Shots:
    """Points of a layer as shots, in its order; rows that have another code than `codes` may lack a height.

    Parameters
    ----------
    facts : of the layer
    where : job table, for the faults
    codes : those that are of interest; empty = all
    numbered : breaklines name the points by their numbers

    Raises
    ------
    InputError
        It cannot be read, or holds other things than points; a point without a place or a height, or of several
        parts; codes or numbers are needed and no field holds them; with `numbered` two points of one number.
    """
    fields = [_field(facts, CODES), _field(facts, NUMBERS)]
    faults = list(_field_faults(facts, fields, where, bool(codes), numbered))
    columns = list(dict.fromkeys(field for field in fields if field))
    wkb, rows = read_shapes(facts, where=f"{where}.path", columns=columns)
    remedy = "name a layer of points with heights, or LandXML"
    faults += check_kinds(wkb, facts, POINTS, where=f"{where}.path", remedy=remedy)
    if not len(wkb):
        faults.append(Fault(f"{where}.path", f"layer {facts.layer!r} of {facts.path} has no points"))
    if faults:
        raise InputError(faults)
    description, number = (read_texts(rows.column(field) if field else None, len(wkb)) for field in fields)
    code = codes_of(description.tolist())
    wanted = has_code(code, codes) if codes else np.ones(len(code), dtype=bool)
    place = _coordinates(wkb)
    whole: Mask = np.asarray(np.isfinite(place).all(axis=1))
    faults = list(_place_faults(facts, place[wanted | (code == "")], f"{where}.path"))
    shots = Shots(place, number, code, int((~whole).sum()))
    if numbered:
        faults += repeated_numbers(str(facts.path), shots.take(whole & wanted), f"{where}.path")
    if faults:
        raise InputError(faults)
    return shots.take(whole)


def _layers(path: str, layer: str) -> list[VectorFacts]:
    """Facts of the layer that is named, or of all with geometry; none where the file cannot be read."""
    try:
        return [probe_vector(path, where="path", layer=layer or None)]
    except InputError as error:
        fault = error.faults[0]
    if layer or "several layers" not in fault.what:
        return []
    names = fault.allowed.split(", ")
    try:
        return [probe_vector(path, where="path", layer=name) for name in names]
    except InputError:
        return []


def _kind(facts: VectorFacts) -> str:
    """Kind of geometry without what is said of further coordinates.

    `3D Point` and `3D Measured Point` are `Point`.
    """
    return facts.geometry_type.replace("3D ", "").replace("Measured ", "").split(" ")[0]


def _may_hold(facts: VectorFacts) -> bool:
    mixed = _kind(facts) in ("Unknown", "GeometryCollection")
    return mixed and INDEX_FIELD not in (field.lower() for field in facts.fields)


def _field(facts: VectorFacts, names: Sequence[str]) -> str:
    """First field with one of our names, in any case; '' where there is none."""
    fields = {field.lower(): field for field in reversed(facts.fields)}
    return next((fields[name] for name in names if name in fields), "")


def _field_faults(
    facts: VectorFacts, fields: Sequence[str], where: str, coded: bool, numbered: bool
) -> Iterator[Fault]:
    """Codes or point numbers that the job needs and the layer does not have."""
    needed = [("codes", coded, CODES, "code"), ("breaklines", numbered, NUMBERS, "point number")]
    for (key, wanted, names, what), field in zip(needed, fields, strict=True):
        if wanted and not field:
            told = f"layer {facts.layer!r} of {facts.path} has no field of {what}s; its fields: "
            listed = ", ".join(facts.fields) or "none"
            remedy = f"name the field that holds the {what} {names[0]}, or leave {key} out"
            yield Fault(f"{where}.{key}", told + listed, ", ".join(names), remedy)


def _coordinates(wkb: NDArray[Any]) -> Floats:
    """Easting, northing, height (n, 3); NaN where there is no geometry, several points, or no height."""
    geometries = shapely.from_wkb(wkb)
    one = shapely.get_num_coordinates(geometries) == 1
    place = np.full((len(wkb), 3), np.nan)
    place[one] = shapely.get_coordinates(geometries[one], include_z=True)
    place[~np.isfinite(place)] = np.nan
    return place


def _place_faults(facts: VectorFacts, place: Floats, where: str) -> Iterator[Fault]:
    """What points lack that must have a place and a height, each told once with its number."""
    lost = ~np.isfinite(place[:, :2]).all(axis=1)
    flat = ~lost & np.isnan(place[:, 2])
    layer = f"layer {facts.layer!r} of {facts.path}"
    if lost.any():
        what = f"{layer}: {int(lost.sum())} of {len(place)} points have no geometry, or several points in one"
        yield Fault(where, what, remedy="draw one point for each shot, or remove the row")
    if flat.any():
        what = f"{layer}: {int(flat.sum())} of {len(place)} points have no height (Z)"
        remedy = "export the points with Z; a height in a field is not read. Or leave them out with codes"
        yield Fault(where, what, remedy=remedy)
