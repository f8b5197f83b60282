"""PROJ operations between CRSs: one is chosen for a run, told, and used everywhere; never a ballpark."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from geoadjust.errors import InputError
from geoadjust.io.coordinates.crs import horizontal, refusal, same_crs, unbound

Array = NDArray[np.float64]
Bounds = tuple[float, float, float, float]


STATED = "state the CRS that the coordinates are really in (with its datum)"


@dataclass(frozen=True, slots=True)
class Operation:
    """A PROJ pipeline from one horizontal CRS to another, with what the run record says about it."""

    pipeline: str
    description: str
    accuracy_m: float
    missing_grids: tuple[str, ...] = ()


def choose_operation(source: CRS, target: CRS, bounds: Bounds | None, where: str, *, stated: str = STATED) -> Operation:
    """PROJ's first choice among the operations that are no ballpark and can be carried out here.

    Parameters
    ----------
    bounds : in the source's east and north; None = anywhere
    stated : the remedy that needs no grid, for messages

    Raises
    ------
    InputError
        there is none, or its grid is not installed
    """
    area = _area(horizontal(source), bounds)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # PROJ's word that a better operation lacks a grid: kept in missing_grids
        try:
            group = TransformerGroup(source, target, always_xy=True, allow_ballpark=False, area_of_interest=area)
        except ProjError as error:
            raise _no_operation(source, target, (), where, stated) from error
    missing = _missing_grids(group)
    if not group.transformers:
        raise _no_operation(source, target, missing, where, stated)
    chosen = group.transformers[0]
    accuracy = chosen.accuracy if chosen.accuracy >= 0 else math.nan
    return Operation(chosen.definition, chosen.description, accuracy, () if group.best_available else missing)


def _missing_grids(group: TransformerGroup) -> tuple[str, ...]:
    """Grids that the operations need and this installation lacks, those of PROJ's first choice first."""
    grids = [grid for operation in group.unavailable_operations for grid in operation.grids]
    return tuple(dict.fromkeys(grid.short_name for grid in grids if not grid.available))


def _no_operation(source: CRS, target: CRS, missing: tuple[str, ...], where: str, stated: str) -> InputError:
    what = f"no transformation of known accuracy from {source.name!r} to {target.name!r} can be carried out here"
    if not missing:
        return refusal(where, what, "one datum, or two with a published transformation", stated)
    listed = ", ".join(missing[:4]) + (f" (and {len(missing) - 4} more)" if len(missing) > 4 else "")
    remedy = f"install the PROJ grid for your area in a folder that PROJ_DATA lists: {listed}; or {stated}"
    return refusal(where, what, "a transformation whose grid is installed", remedy)


def _area(crs: CRS, bounds: Bounds | None) -> AreaOfInterest | None:
    """Bounds in the CRS's coordinates as an area in degrees; None when they are unknown, or span half the globe."""
    if bounds is None:
        return None
    geodetic = crs.geodetic_crs
    factor = math.degrees(geodetic.axis_info[0].unit_conversion_factor) if geodetic is not None else math.nan
    west, south, east, north = bounds
    corners = transform(
        to_geodetic(unbound(crs)), np.array([west, west, east, east]), np.array([south, north, south, north])
    )
    degrees = np.stack(corners) * factor
    if not np.isfinite(degrees).all() or np.ptp(degrees[0]) > 180:
        return None
    (lon_low, lat_low), (lon_high, lat_high) = degrees.min(axis=1).tolist(), degrees.max(axis=1).tolist()
    return AreaOfInterest(lon_low, lat_low, lon_high, lat_high)


def to_geodetic(crs: CRS) -> str:
    """Pipeline from the CRS to longitude and latitude on its own datum, in that geographic CRS's unit."""
    return choose_operation(crs, crs.geodetic_crs or crs, None, "crs").pipeline


@lru_cache(maxsize=64)
def transformer(pipeline: str) -> Transformer:
    return Transformer.from_pipeline(pipeline)


def transform(pipeline: str, east: Array, north: Array) -> tuple[Array, Array]:
    """Carry arrays of any one shape through a pipeline ("" = unchanged); both coordinates NaN where it fails."""
    shape = np.shape(east)
    first, second = (np.array(values, dtype=np.float64).ravel() for values in (east, north))
    if pipeline:
        first, second = transformer(pipeline).transform(first, second)
    bad = ~(np.isfinite(first) & np.isfinite(second))
    first[bad] = second[bad] = np.nan
    return first.reshape(shape), second.reshape(shape)


def find_operation(source: CRS, target: CRS, bounds: Bounds | None, where: str) -> Operation:
    """Operation between two horizontal CRSs: none for the same one, a refusal for a local one with another."""
    if same_crs(source, target):
        return Operation("", "none: the same CRS", 0.0)
    if unbound(source).is_engineering or unbound(target).is_engineering:
        what = f"nothing says how the local CRS among {source.name!r} and {target.name!r} lies in the other"
        remedy = "bring structures and surface into one CRS, or state the projected CRS that the local one was cut from"
        raise refusal(where, what, "the same local CRS for both", remedy)
    return choose_operation(source, target, bounds, where)
