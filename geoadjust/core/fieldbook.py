"""Where a surveyor shoots rim and road round each structure before paving.

The road is shot in the eight corners of a regular octagon round the cover, the first one along the street axis. A ring
of outer radius r lies inside the octagon whose corners are r / cos(22.5 deg) away from the centre, so the triangles
between the shots cover the ring that is read. An inlet at the side of a street is read from the street side alone: five
corners, of which the first and the last lie on the gutter line.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import KINDS, Array, Bundle, Quantity, concat, take
from geoadjust.core.outline import Outlines

Floats = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

GROUP = 16
"""Input rows after which one earlier shot is repeated."""
HALF_CORNER = np.pi / 8
NOTES = ("monument", "other_owner", "not_paved", "position_missing")
CODES = ("RIM", "ROAD", "KERB", "BREAK", "CHECK", "NOTE")
DIRECTIONS = (
    "ahead",
    "ahead right",
    "right",
    "back right",
    "back",
    "back left",
    "left",
    "ahead left",
    "grid north",
    "grid north-east",
    "grid east",
    "grid south-east",
    "grid south",
    "grid south-west",
    "grid west",
    "grid north-west",
)
"""Eight as seen by who looks along the street axis, clockwise; and eight where no axis is known."""


@dataclass(frozen=True, slots=True)
class Item:
    """One line of a structure's list.

    Parameters
    ----------
    code : of the shot, one of CODES
    label : what tells it from the structure's other shots; '' of a note
    what : the place in words; `{reach}`, `{owner}` and `{first}` are filled in by who writes
    base : what `turn` is counted from: the street axis, the street side of an inlet, or the frame
    turn : clockwise [deg]
    at : on the `rim`, on the `road` octagon, or '' where nobody can say beforehand
    """

    code: str
    label: str
    what: str
    base: str = "axis"
    turn: float = 0.0
    at: str = ""


NOTE_ITEMS = (
    Item(
        "NOTE", "", "survey monument: do not disturb; a licensed land surveyor references it before and after the work"
    ),
    Item("NOTE", "", "not ours{owner}: notify the owner before the work; no shots"),
    Item("NOTE", "", "not in the paving: no shots"),
    Item("NOTE", "", "position missing: find it first, then shoot as listed"),
)
RIM_ITEMS = tuple(Item("RIM", f"E{i + 1}", "rim edge", "frame", 90.0 * i, "rim") for i in range(4))
ROAD_ITEMS = tuple(Item("ROAD", f"R{i + 1}", "road", "axis", 45.0 * i, "road") for i in range(8))
HALF_ITEMS = (
    Item("BREAK", "G1", "gutter line", "side", -90.0, "road"),
    *(Item("ROAD", f"R{i + 1}", "road", "side", 45.0 * (i - 1), "road") for i in range(3)),
    Item("BREAK", "G2", "gutter line", "side", 90.0, "road"),
)
OPEN_ITEMS = (
    Item("BREAK", "G1", "gutter line, beyond one end of the inlet"),
    Item("BREAK", "G2", "gutter line, beyond the other end of the inlet"),
)
KERB_ITEMS = (Item("KERB", "K1", "kerb at the inlet: top"), Item("KERB", "K2", "kerb at the inlet: foot"))
NEAR_ITEMS = (
    Item("KERB", "K1", "nearest kerb, if within {reach}: top"),
    Item("KERB", "K2", "the same kerb: foot; without a kerb the gutter line"),
    Item("BREAK", "B1", "crown or grade break, if within {reach}: on it, beyond the road shots"),
    Item("BREAK", "B2", "the same break: on it, beyond the road shots on the other side"),
)
REPEAT_ITEMS = (
    Item("CHECK", "R1-2", "repeat of {first}: both elevations must agree", "axis", 0.0, "road"),
    Item("CHECK", "R1-2", "repeat of {first}: both elevations must agree", "side", -45.0, "road"),
)

WHOLE_LIST = (*RIM_ITEMS, *ROAD_ITEMS, *NEAR_ITEMS)
SIDE_LIST = (*RIM_ITEMS, *HALF_ITEMS, *KERB_ITEMS)
OPEN_LIST = (*RIM_ITEMS, *ROAD_ITEMS, *OPEN_ITEMS, *KERB_ITEMS)
ITEMS = (*NOTE_ITEMS, *WHOLE_LIST, *HALF_ITEMS, *OPEN_ITEMS, *KERB_ITEMS, *REPEAT_ITEMS)
"""Every line that a book may have."""


@dataclass(frozen=True, slots=True, eq=False)
class FieldPlaces(Bundle):
    """What the list of each structure depends on; (n,) each."""

    row: Annotated[Array, Quantity("0-based row of the input, ascending")]
    kind: Annotated[Array, Quantity("kind of structure", words=KINDS)]
    note: Annotated[Array, Quantity("why nothing is shot; -1 = it is shot", words=NOTES)]
    placed: Annotated[Array, Quantity("its position is known")]
    axis: Annotated[Array, Quantity("street axis, NaN = unknown", "rad")]
    street_side: Annotated[Array, Quantity("azimuth from an inlet towards the street, NaN = unknown", "rad")]
    width: Annotated[Array, Quantity("frame top of today's casting: diameter, or width", "m")]
    length: Annotated[Array, Quantity("length of a rectangular frame; NaN = round", "m")]
    frame_azimuth: Annotated[Array, Quantity("direction of a rectangular frame's length, NaN = unknown", "rad")]
    assumed: Annotated[Array, Quantity("nobody states the frame's size")]
    road: Annotated[Array, Quantity("distance of the road shots from the centre", "m")]


@dataclass(frozen=True, slots=True, eq=False)
class FieldShots(Bundle):
    """Lines of the book in the order in which they are shot; (k,) each."""

    structure: Annotated[Array, Quantity("index of the structure")]
    after: Annotated[Array, Quantity("index of the structure after whose list it comes, or in whose list it is")]
    number: Annotated[Array, Quantity("number within the structure, from 1; 0 of a note and of a repeat")]
    item: Annotated[Array, Quantity("index into ITEMS")]
    direction: Annotated[Array, Quantity("direction from the centre, -1 = unknown", words=DIRECTIONS)]
    azimuth: Annotated[Array, Quantity("direction from the centre, clockwise from grid north; NaN = unknown", "rad")]
    distance: Annotated[Array, Quantity("from the cover's centre, on the ground; NaN = unknown", "m")]
    east: Annotated[Array, Quantity("offset on the ground along the structures' grid; NaN without a position", "m")]
    north: Annotated[Array, Quantity("offset on the ground along the structures' grid; NaN without a position", "m")]


def road_distance(outer: float, reach: Floats, clearance: float, step: float) -> Floats:
    """Distance of the road shots from the centre [m], (n,): corners of an octagon that encloses the ring.

    max(outer, reach + clearance) / cos(22.5 deg), rounded up to a step that a tape shows well.

    Parameters
    ----------
    outer : outer radius of the ring, or half the bar where that is longer [m]
    reach : (n,) largest distance of the frame's edge from the centre [m]
    clearance : beyond the frame, so that no shot lies on an old collar [m]
    step : [m]

    Examples
    --------
    1.5 / cos(22.5 deg) = 1.6236:

    >>> road_distance(1.5, np.array([0.33, 1.5]), 0.35, 0.01).round(9).tolist()
    [1.63, 2.01]
    """
    least = np.maximum(outer, reach + clearance) / np.cos(HALF_CORNER)
    return np.asarray(np.ceil(least / step - 1e-9) * step)


def list_shots(places: FieldPlaces) -> FieldShots:
    """The list of each structure, and after each group of GROUP rows one earlier shot again.

    Parameters
    ----------
    places : whole groups: the first row is a multiple of GROUP, and no row is left out

    Returns
    -------
    FieldShots with at least one line for each structure

    Examples
    --------
    A manhole without a street axis gets 4 shots of the rim, 8 of the road, 2 of a kerb, 2 of a break:

    >>> none = np.array([np.nan])
    >>> places = FieldPlaces(np.array([0]), np.array([0]), np.array([-1]), np.array([True]), none, none,
    ...                      np.array([0.66]), none, none, np.array([False]), np.array([1.63]))
    >>> shots = list_shots(places)
    >>> len(shots), [ITEMS[item].label for item in shots.item[:5]], shots.north[:5].round(3).tolist()
    (16, ['E1', 'E2', 'E3', 'E4', 'R1'], [0.33, 0.0, -0.33, -0.0, 1.63])
    """
    parts = [_lines(places, index, items) for index, items in _lists(places)]
    parts.append(_repeats(places))
    found = concat(parts)
    return take(found, np.argsort(found.after, kind="stable"))


def _lists(places: FieldPlaces) -> Iterator[tuple[Index, tuple[Item, ...]]]:
    """Structures, and the list that they get; repeats come last."""
    shot, inlet, side = _is_shot(places), places.kind == KINDS.index("inlet"), np.isfinite(places.street_side)
    for number, item in enumerate(NOTE_ITEMS):
        yield np.flatnonzero(places.note == number), (item,)
    yield np.flatnonzero(shot & ~places.placed), (NOTE_ITEMS[NOTES.index("position_missing")],)
    yield np.flatnonzero(shot & ~inlet), WHOLE_LIST
    yield np.flatnonzero(shot & inlet & side), SIDE_LIST
    yield np.flatnonzero(shot & inlet & ~side), OPEN_LIST


def _is_shot(places: FieldPlaces) -> Mask:
    return np.asarray(places.note < 0)


def _lines(places: FieldPlaces, index: Index, items: tuple[Item, ...], after: Index | None = None) -> FieldShots:
    """Lines of some structures, all of one list."""
    some, count = take(places, index), len(items)
    shape = (len(index), count)
    axis = np.where(np.isnan(some.axis), 0.0, some.axis)
    base = {"axis": axis, "side": some.street_side, "frame": np.where(np.isnan(some.length), axis, some.frame_azimuth)}
    azimuth = np.empty(shape)
    for place, item in enumerate(items):
        azimuth[:, place] = np.mod(base[item.base] + np.radians(item.turn), 2 * np.pi) if item.at else np.nan
    on_rim = Outlines(some.width, some.length, some.frame_azimuth).distance(azimuth)
    rim = np.array([item.at == "rim" for item in items], dtype=bool)
    distance = np.where(np.isnan(azimuth), np.nan, np.where(rim, on_rim, some.road[:, None]))
    known = np.where(some.placed[:, None], distance, np.nan)
    shot = [item.code not in ("NOTE", "CHECK") for item in items]
    numbers = np.where(shot, np.cumsum(shot), 0)
    return FieldShots(
        structure=np.repeat(index, count),
        after=np.repeat(index if after is None else after, count),
        number=np.tile(numbers, len(index)),
        item=np.tile(np.array([ITEMS.index(item) for item in items], dtype=np.intp), len(index)),
        direction=_directions(azimuth, some.axis).ravel(),
        azimuth=azimuth.ravel(),
        distance=distance.ravel(),
        east=(known * np.sin(azimuth)).ravel(),
        north=(known * np.cos(azimuth)).ravel(),
    )


def _directions(azimuth: Floats, axis: Floats) -> Index:
    """The nearest of DIRECTIONS, (n, t): from the axis where there is one, else from grid north."""
    turn = azimuth - np.where(np.isnan(axis), 0.0, axis)[:, None]
    eighth = np.mod(np.round(np.where(np.isnan(turn), 0.0, turn) / (np.pi / 4)).astype(np.intp), 8)
    return np.where(np.isnan(turn), -1, eighth + np.where(np.isnan(axis), 8, 0)[:, None])


def _repeats(places: FieldPlaces) -> FieldShots:
    """The first road shot of each group again at its end; of groups in which two structures or more are shot."""
    usable = np.flatnonzero(_is_shot(places) & places.placed)
    _, first, count = np.unique(places.row[usable] // GROUP, return_index=True, return_counts=True)
    origin, last = usable[first], usable[first + count - 1]
    sided = (places.kind[origin] == KINDS.index("inlet")) & np.isfinite(places.street_side[origin])
    several = count > 1
    found = []
    for kept, item in ((several & ~sided, REPEAT_ITEMS[0]), (several & sided, REPEAT_ITEMS[1])):
        found.append(_lines(places, origin[kept], (item,), after=last[kept]))
    return concat(found)
