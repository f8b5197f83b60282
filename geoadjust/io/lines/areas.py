"""Paving areas: polygons that say where the road is milled and overlaid, and how deep and how thick.

A structure belongs to the first area in the file that holds it; a place on an edge, within 1e-6 m, is inside. The
distance to the nearest edge is measured on the ground, to the edges of all areas and of their holes, also to an edge
that two areas share. Edges are straight between their corners in the structures' CRS.

A structure in the wrong area gets the wrong depth, so nothing of the layer is left out or repaired: a geometry that is
not a valid polygon and a cell that cannot be read are faults that name the feature, counted from 1 in the order of the
file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geoadjust.core.columns import Bundle, Quantity
from geoadjust.core.inputs import INPUTS
from geoadjust.core.rules import FinishedTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import horizontal_unit_of
from geoadjust.io.intake.values import read_numbers, read_texts
from geoadjust.io.lines.pieces import BLOCK, Pieces, inverse, nearest_spots
from geoadjust.io.lines.shapes import POLYGONS, carry, check_kinds, layer_crs, read_shapes
from geoadjust.io.safe import VectorFacts, probe_vector

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

EDGE_REACH = 10.0
"""Edges farther off than this [m] are not told."""
DEPTHS = ("mill", "overlay")
"""Columns of the layer, in any case of letters."""

_SLACK = 1e-6  # m, distances are compared with it
_MOST_NAMED = 5
_REMEDY = "name the layer of paving areas, keep only the polygons, and turn arcs into short straight lines"
_UNITS = "mm, m, in, ft"


@dataclass(frozen=True, slots=True, eq=False)
class Areas(Bundle):
    """What the paving areas say of n structures; (n,) each."""

    inside: Annotated[NDArray[Any], Quantity("the structure lies in a paving area")]
    mill: Annotated[NDArray[Any], Quantity("milling depth of its area; NaN: not stated, or in none", "m")]
    overlay: Annotated[NDArray[Any], Quantity("overlay of its area; NaN: not stated, or in none", "m")]
    edge: Annotated[NDArray[Any], Quantity("distance of the nearest edge; NaN: none within 10 m", "m")]
    count: Annotated[NDArray[Any], Quantity("areas that hold the structure")]


class PavingAreas:
    """Areas in the structures' CRS, ready to be asked.

    Parameters
    ----------
    polygons : (k,) polygons and multipolygons, valid, in the order of the file
        [unit of the structures' CRS]
    mill, overlay : (k,) arrays
        [m], NaN = not stated.
    left_out : int
        Features of the source without a geometry, for the record.

    Attributes
    ----------
    left_out : int

    Examples
    --------
    >>> areas = PavingAreas(np.array([shapely.box(0, 0, 50, 20)]), np.array([0.04]), np.array([np.nan]))
    >>> found = areas.find(np.array([2.0, 53.0]), np.array([9.0, 9.0]), np.tile(np.eye(2), (2, 1, 1)))
    >>> found.inside.tolist(), found.mill.tolist(), found.overlay.tolist(), found.edge.tolist(), found.count.tolist()
    ([True, False], [0.04, nan], [nan, nan], [2.0, 3.0], [1, 0])
    """

    def __init__(self, polygons: NDArray[Any], mill: Floats, overlay: Floats, *, left_out: int = 0) -> None:
        self._polygons = np.array(polygons, dtype=object)
        self._mill, self._overlay = (np.asarray(values, dtype=np.float64) for values in (mill, overlay))
        self.left_out = left_out
        shapely.prepare(self._polygons)
        self._tree = shapely.STRtree(self._polygons)
        parts, area = shapely.get_parts(self._polygons, return_index=True)
        rings, part = shapely.get_rings(parts, return_index=True)
        vertices, ring = shapely.get_coordinates(rings, return_index=True)
        self._edges = Pieces(vertices, ring, shortest=0.0)
        self._area = area[part[self._edges.line]]

    def __len__(self) -> int:
        """Number of areas."""
        return len(self._polygons)

    def find(self, east: Floats, north: Floats, frames: Floats) -> Areas:
        """Areas of structures by the rules at the top of this file.

        Parameters
        ----------
        east, north : (n,) arrays
            [unit of the structures' CRS]; NaN lies in no area.
        frames : (n, 2, 2) array
            Coordinates per ground metre, as ``Georeference(crs, crs).jacobians`` gives them [unit per m]; NaN gives no
            distance.

        Raises
        ------
        ValueError
            For arrays of other shapes.
        """
        east, north, frames = (np.asarray(values, dtype=np.float64) for values in (east, north, frames))
        count = len(east)
        if east.shape != (count,) or north.shape != (count,) or frames.shape != (count, 2, 2):
            raise ValueError(f"shapes must be (n,), (n,), (n, 2, 2), not {east.shape}, {north.shape}, {frames.shape}")
        first, held, edge = np.full(count, -1), np.zeros(count, dtype=np.int64), np.full(count, np.nan)
        for start in range(0, count, BLOCK):
            part = slice(start, start + BLOCK)
            edge[part], point, area = self._near(east[part], north[part], frames[part])
            within = self._holding(east[part], north[part])
            pairs = np.unique(np.stack([np.append(point, within[0]), np.append(area, within[1])]), axis=1)
            places, starts, counts = np.unique(pairs[0], return_index=True, return_counts=True)
            first[start + places], held[start + places] = pairs[1][starts], counts
        inside = first >= 0
        mill, overlay = (np.append(values, np.nan)[first] for values in (self._mill, self._overlay))
        return Areas(inside, mill, overlay, edge, held)

    def _near(self, east: Floats, north: Floats, frames: Floats) -> tuple[Floats, Integers, Integers]:
        """Distance of the nearest edge [m] (n,), and which structures lie on an edge of which areas."""
        back, stretch = inverse(frames)
        usable = np.flatnonzero(np.isfinite(east) & np.isfinite(north) & np.isfinite(stretch))
        asked, piece = self._edges.within(east[usable], north[usable], stretch[usable], EDGE_REACH)
        point = usable[asked]
        start, end = self._edges.offsets(back, east, north, point, piece)
        distance = np.hypot(*nearest_spots(start, end, np.zeros_like(start)))
        nearest = np.full(len(east), np.inf)
        np.minimum.at(nearest, point, distance)
        on = distance <= _SLACK
        return np.where(nearest <= EDGE_REACH + _SLACK, nearest, np.nan), point[on], self._area[piece[on]]

    def _holding(self, east: Floats, north: Floats) -> tuple[Integers, Integers]:
        """Which structures lie in which areas, pairs (q,)."""
        known = np.flatnonzero(np.isfinite(east) & np.isfinite(north))
        points: Any = shapely.points(east[known], north[known])
        asked, area = self._tree.query(points)
        point = known[asked]
        inside = shapely.intersects_xy(self._polygons[area], east[point], north[point])
        return point[inside], np.asarray(area[inside])


# ---------------------------------------------------------------- read


def read_areas(
    table: FinishedTable, structures_crs: CRS, *, dimension_unit: str, where: str = "finished"
) -> PavingAreas:
    """Read a layer of paving areas and carry it to the structures' CRS.

    Parameters
    ----------
    table : FinishedTable
        `areas`, `areas_layer` and `crs` as the job states them.
    structures_crs : pyproj.CRS
        Its vertical part is ignored.
    dimension_unit : str
        Unit of bare numbers in the columns mill and overlay: mm, m, in, ft; "" = none is declared.
    where : str
        Job table, for the faults.

    Returns
    -------
    PavingAreas
        A multipolygon is one area; heights are dropped. `left_out` counts null and empty geometries. A column that the
        layer does not have, and a blank cell, state nothing.

    Raises
    ------
    InputError
        With every fault found: refused by `probe_vector`; no CRS, or another than the job states; no operation to the
        structures' CRS; anything but polygons in the layer, or nothing at all; a polygon that is not valid or cannot be
        carried; a cell that cannot be read or is not plausible; bare numbers and no dimension unit.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> text = '{"type": "Polygon", "coordinates": [[[-81, 40], [-81, 40.001], [-81.001, 40], [-81, 40]]]}'
    >>> text = '{"type": "Feature", "properties": {"Mill": "1 1/2 in"}, "geometry": ' + text + "}"
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = pathlib.Path(folder, "paving.geojson")
    ...     _ = path.write_text(text)
    ...     areas = read_areas(FinishedTable(areas=str(path)), CRS("EPSG:4326"), dimension_unit="")
    >>> areas.find(np.array([-81.0003]), np.array([40.0003]), np.full((1, 2, 2), np.nan)).mill.tolist()
    [0.0381]
    """
    key = f"{where}.areas"
    facts = _facts(table, key)
    crs, faults = layer_crs(facts, table.crs, where=f"{where}.crs")
    columns, column_faults = _columns(facts, key)
    wkb, cells = read_shapes(facts, where=key, columns=list(columns.values()))
    polygons, shape_faults = _polygons(wkb, facts, key)
    faults += [*column_faults, *shape_faults]
    depths = {}
    for name in DEPTHS:
        column = cells.column(columns[name]) if name in columns else None
        depths[name] = read_numbers(column, len(wkb), INPUTS[name], unit=dimension_unit).numbers
        faults += _cell_faults(column, name, dimension_unit, facts, key)
    if faults or crs is None:
        raise InputError(faults)
    kept = np.flatnonzero(~shapely.is_empty(polygons) & ~shapely.is_missing(polygons))
    carried = _carried(polygons[kept], kept, crs, structures_crs, facts, where)
    return PavingAreas(carried, depths["mill"][kept], depths["overlay"][kept], left_out=len(wkb) - len(kept))


def _facts(table: FinishedTable, key: str) -> VectorFacts:
    """Facts of the layer; the layer's key has another name here than elsewhere."""
    try:
        return probe_vector(table.areas, where=key, layer=table.areas_layer or None)
    except InputError as error:
        faults = [replace(item, remedy=item.remedy.replace(" layer =", " areas_layer =")) for item in error.faults]
        raise InputError(faults) from None


def _columns(facts: VectorFacts, key: str) -> tuple[dict[str, str], list[Fault]]:
    """Our columns to the layer's, whatever the case of their letters."""
    found, faults = {}, []
    for name in DEPTHS:
        alike = [field for field in facts.fields if field.lower() == name]
        if len(alike) > 1:
            what = f"{facts.path} has several columns {name}: {' and '.join(alike)}"
            faults.append(Fault(key, what, remedy="rename all but one"))
        elif alike:
            found[name] = alike[0]
    return found, faults


def _cell_faults(column: pa.ChunkedArray | None, name: str, unit: str, facts: VectorFacts, key: str) -> Iterator[Fault]:
    """Cells that say something which cannot be used, each with its feature; bare numbers without a unit."""
    if column is None:
        return
    spec, texts = INPUTS[name], read_texts(column, len(column))
    values = read_numbers(column, len(column), spec, unit=unit)
    bare = values.unreadable & ~read_numbers(column, len(column), spec, unit=unit or "m").unreadable
    if bare.any():
        what = f"missing, and column {name} of {facts.path} holds numbers without a unit"
        remedy = 'write dimension_unit = "...", or write the unit in each cell'
        yield Fault("structures.dimension_unit", what, _UNITS, remedy)
    bad = np.flatnonzero((values.unreadable & ~bare) | values.implausible)
    if len(bad):
        seen = _listed(f"feature {number + 1} says {texts[number]!r}" for number in bad)
        allowed = f"a length from {1000 * spec.low:g} to {1000 * spec.high:g} mm, or blank"
        yield Fault(key, f"column {name} of {facts.path}: {seen}", allowed, "mend these cells")


def _polygons(wkb: NDArray[Any], facts: VectorFacts, key: str) -> tuple[NDArray[Any], list[Fault]]:
    """Polygons (k,), None where there is none; a fault where some are of other kinds or not valid, or all missing."""
    others = check_kinds(wkb, facts, POLYGONS, where=key, remedy=_REMEDY)
    if others:
        return np.full(len(wkb), None, dtype=object), others
    polygons = np.array(shapely.from_wkb(wkb, on_invalid="ignore"), dtype=object)
    stated = np.array([geometry is not None for geometry in wkb], dtype=bool)
    torn = stated & shapely.is_missing(polygons)
    bad = np.flatnonzero(torn | (~shapely.is_missing(polygons) & ~shapely.is_valid(polygons)))
    if len(bad):
        seen = _listed(f"feature {number + 1} ({_reason(polygons[number])})" for number in bad)
        what = f"layer {facts.layer!r} of {facts.path} holds polygons that are not valid: {seen}"
        return polygons, [Fault(key, what, remedy="mend them in a GIS: which side is inside is not guessed")]
    if not (stated & ~shapely.is_empty(polygons)).any():
        return polygons, [Fault(key, f"layer {facts.layer!r} of {facts.path} holds no polygon")]
    return polygons, []


def _reason(polygon: Any) -> str:
    """Why a polygon is not valid, and where."""
    if polygon is None:
        return "a ring is open or has too few points"
    return str(shapely.is_valid_reason(polygon)).replace("[", " at ").replace("]", "")


def _carried(
    polygons: NDArray[Any], feature: Integers, source: CRS, target: CRS, facts: VectorFacts, where: str
) -> NDArray[Any]:
    """Polygons in the target CRS, (k,); a fault names the features that cannot be used there."""
    flat = shapely.force_2d(polygons)
    vertices, index = shapely.get_coordinates(flat, return_index=True)
    carried = carry(vertices, source, target, where=f"{where}.crs")
    bad = np.isin(np.arange(len(flat)), index[np.isnan(carried).any(axis=1)])
    if not bad.any():
        flat = shapely.set_coordinates(flat, carried)
        bad = _goes_round(flat, target)
    if bad.any():
        east, north = vertices[index == np.flatnonzero(bad)[0]][0].tolist()
        seen = _listed(f"feature {number + 1}" for number in feature[bad])
        what = f"{seen} of {facts.path} cannot be used in {target.name!r}"
        what += f"; the first point is east {east:.12g}, north {north:.12g}"
        remedy = f"check that these are coordinates of {source.name!r}; cut areas at the antimeridian"
        raise InputError(Fault(f"{where}.areas", what, "", remedy))
    return np.asarray(flat)


def _goes_round(polygons: NDArray[Any], crs: CRS) -> Mask:
    """Whether a polygon in degrees spans more than half the globe: its edge jumps at the antimeridian, (k,)."""
    west, _, east, _ = shapely.bounds(polygons).T
    return np.asarray((east - west > 180) & (horizontal_unit_of(crs) == "degree"))


def _listed(items: Iterable[str]) -> str:
    """The first few of a list, and how many more there are."""
    named = list(items)
    more = len(named) - _MOST_NAMED
    return ", ".join(named[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
