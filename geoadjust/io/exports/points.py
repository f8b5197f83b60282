"""Points to stake out, as a CSV that a field controller reads: RFC 4180, one point per line.

The point of a structure is its target rim, at the cover's centre; on request also stations on the frame's top edge
with the target elevation there. Coordinates are in the unit of the structures' CRS. A description begins with TARGET or
EDGE, so it never begins like a formula, and geoadjust reads the file as survey points with these as codes.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import STATIONS
from geoadjust.io.exports.frame import SetFrame
from geoadjust.io.exports.targets import Targets, targets
from geoadjust.io.exports.texts import guarded, one_line
from geoadjust.io.results.people import place_decimals
from geoadjust.io.results.whole import WholeSet
from geoadjust.units import TIE_SLACK, from_metres, round_half_up

Floats = NDArray[np.float64]

CENTRE, EDGE = "TARGET", "EDGE"
COLUMNS = ("point", "northing", "easting", "elevation", "description", "skip")
COUNTS = (0, 4, 8)
"""Stations that can be asked for."""
STEP = 10
"""Point numbers of one structure: the centre, and up to nine stations after it."""
HEIGHT_DECIMALS = 4
UNIT_NAMES = {"m": "m", "ft": "ft", "us-ft": "us_ft", "degree": "deg"}


@dataclass(frozen=True, slots=True)
class PointOptions:
    """How the points are written.

    Parameters
    ----------
    order : what stands in each column, as in a job's `surface.order`; skip = empty
    stations : on the frame's top edge of each structure, besides the centre
    header : the first line names the columns
    first : number of the first structure's centre; that of row r is `first` + 10 r, its stations follow
    """

    order: tuple[str, ...] = COLUMNS[:5]
    stations: int = 0
    header: bool = True
    first: int = 1000


@dataclass(slots=True)
class PointCounts:
    """What was written: points, structures; and how many structures were left out, by reason."""

    points: int = 0
    structures: int = 0
    absent: Counter[str] = field(default_factory=Counter)
    no_edge: int = 0


def header_of(order: Sequence[str], unit: str, height_unit: str) -> list[str]:
    """Names of the columns, with their units.

    Examples
    --------
    >>> header_of(("point", "northing", "elevation", "skip"), "m", "us-ft")
    ['point', 'northing_m', 'elevation_us_ft', '']
    """
    place, height = UNIT_NAMES[unit], UNIT_NAMES[height_unit]
    names = {"northing": f"northing_{place}", "easting": f"easting_{place}", "elevation": f"elevation_{height}"}
    return [names.get(name, "" if name == "skip" else name) for name in order]


def write_points(whole: WholeSet, frame: SetFrame, path: Path, options: PointOptions) -> PointCounts:
    """Write the points of a set; structures without a place or a target, and those not to be touched, are counted."""
    counts = PointCounts()
    decimals = place_decimals(frame.text) + 1
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        if options.header:
            writer.writerow(header_of(options.order, frame.unit, frame.height_unit))
        for batch in targets(whole, frame):
            for point in _points(batch, whole.units, options, counts):
                writer.writerow(_line(point, options.order, decimals, frame.height_unit))
    return counts


def is_points(path: Path) -> bool:
    """Whether a file was written here: by its header, else by the description on its first line."""
    try:
        with open(path, encoding="utf-8", newline="") as file:
            cells = next(csv.reader([file.readline(100_000)]), [])
    except (OSError, UnicodeDecodeError, csv.Error):
        return False
    places = {f"{name}_{unit}" for name in ("northing", "easting", "elevation") for unit in UNIT_NAMES.values()}
    described = any(cell.startswith((f"{CENTRE} ", f"{EDGE} ")) for cell in cells)
    return described or sum(cell in places for cell in cells) == 3


@dataclass(frozen=True, slots=True)
class _Point:
    number: int
    northing: float
    easting: float
    elevation: float
    description: str


def _points(batch: Targets, units: str, options: PointOptions, counts: PointCounts) -> Iterator[_Point]:
    """Points of some structures, one structure after another."""
    east, north, known = edge_stations(batch, options.stations)
    places, heights = batch.on_map(east, north), batch.heights(east, north)
    for index in range(len(batch)):
        if absent := batch.absent(index):
            counts.absent[absent] += 1
            continue
        number = options.first + STEP * int(batch.row[index])
        words = f"{CENTRE} {_description(batch, index, units)}"
        yield _Point(number, batch.north[index], batch.east[index], batch.height[index], words)
        counts.structures += 1
        counts.points += 1
        if not known[index]:
            counts.no_edge += options.stations > 0
            continue
        for k in range(options.stations):
            words = _edge_words(batch, index, k, options.stations)
            yield _Point(number + 1 + k, places[1][index, k], places[0][index, k], heights[index, k], words)
        counts.points += options.stations


def edge_stations(batch: Targets, count: int) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Stations on the frame's top edge, clockwise from the mark, or from a rectangle's mid-side at its direction.

    Parameters
    ----------
    count : 0, 4 or 8

    Returns
    -------
    east, north : offsets from the covers (n, count) [m]
    known : whether a structure has them (n,): its frame has a size, and a rectangle a direction
    """
    if not count:
        return np.empty((len(batch), 0)), np.empty((len(batch), 0)), np.zeros(len(batch), dtype=bool)
    frame = batch.frame
    mark = np.where(np.isfinite(batch.mark), batch.mark, 0.0)
    east, north, _ = frame.stations(mark)
    steps = np.arange(count)
    index = np.where(frame.is_round[:, None], steps * (STATIONS // count), steps * (8 // count))
    east, north = (np.take_along_axis(values, index, axis=1) for values in (east, north))
    known: NDArray[np.bool_] = np.asarray(np.isfinite(east + north).all(axis=1))
    return east, north, known


def _description(batch: Targets, index: int, units: str) -> str:
    """Who it is, what is done and how sure that is."""
    texts = batch.texts
    parts = [f"{batch.name(index)} {texts['kind'][index]}", batch.order(index, units), texts["method"][index]]
    return " - ".join([*filter(None, parts), f"ready: {texts['ready'][index]}"])


def _edge_words(batch: Targets, index: int, station: int, count: int) -> str:
    origin = "the mark" if batch.frame.is_round[index] else "the side at its direction"
    return f"{EDGE} {batch.name(index)} - {station + 1} of {count} clockwise from {origin}"


def _line(point: _Point, order: Sequence[str], decimals: int, height_unit: str) -> list[str]:
    slack = float(from_metres(TIE_SLACK, height_unit))
    height = round_half_up(float(from_metres(point.elevation, height_unit)), 10.0**-HEIGHT_DECIMALS, slack=slack)
    cells = {
        "point": str(point.number),
        "northing": f"{point.northing:.{decimals}f}",
        "easting": f"{point.easting:.{decimals}f}",
        "elevation": f"{height:.{HEIGHT_DECIMALS}f}",
        "description": guarded(one_line(point.description)),
        "skip": "",
    }
    return [cells[name] for name in order]
