"""Which structures of a set a document is made of, and in which order. A place is one of them, counted from 0."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.visit import visit_order
from geoadjust.errors import Fault, InputError
from geoadjust.io.exports.frame import frame_of
from geoadjust.io.results.whole import WholeSet
from geoadjust.units import factor

Floats = NDArray[np.float64]
Columns = Mapping[str, Sequence[Any]]

DEGREE = 111_320.0
"""Metres in a degree of latitude, about: the small map and the order of the visit alone rest on it."""


def asked_for(whole: WholeSet, columns: Columns, filters: Iterable[tuple[str, str, Sequence[str]]]) -> list[int]:
    """Places that every filter lets through, in input order.

    Parameters
    ----------
    columns : of the schedule, those of the filters among them
    filters : option, column, and the values that are wanted; none = all

    Raises
    ------
    InputError
        a value that fits no structure
    """
    mask, faults = np.ones(whole.count, dtype=bool), []
    for option, column, wanted in filters:
        if not wanted:
            continue
        values = [value or "" for value in columns[column]]
        there = set(values)
        faults += [
            Fault(option, f"no structure with {each!r}", remedy=f"look at {column} in schedule.csv")
            for each in wanted
            if each not in there
        ]
        mask &= np.array([value in wanted for value in values], dtype=bool)
    if faults:
        raise InputError(faults)
    return [int(place) for place in np.flatnonzero(mask)]


def in_visit_order(columns: Columns, places: Sequence[int], east: Floats, north: Floats) -> list[int]:
    """The places in the order of the visit.

    Parameters
    ----------
    columns : `street` and `axis_deg` of the schedule
    east, north : of all structures of the set [m], see `metres_of`
    """
    index = np.array(places, dtype=np.intp)
    streets = [columns["street"][place] or "" for place in places]
    rank = {name: number for number, name in enumerate(sorted({each for each in streets if each}))}
    numbers = np.array([rank.get(each, -1) for each in streets], dtype=np.int64)
    axis = np.radians(np.array([columns["axis_deg"][place] for place in places], dtype=np.float64))
    return [places[number] for number in visit_order(numbers, east[index], north[index], axis)]


def metres_of(whole: WholeSet, columns: Columns) -> tuple[Floats, Floats]:
    """Places of all structures in metres, good enough for a small map and for the order of the visit; NaN = none."""
    east, north = (np.array(columns[name], dtype=np.float64) for name in ("east", "north"))
    unit = frame_of(whole).unit if whole.crs else "m"
    if unit != "degree":
        return east * factor(unit), north * factor(unit)
    middle = np.nanmean(north) if np.isfinite(north).any() else 0.0
    return east * DEGREE * math.cos(math.radians(float(middle))), north * DEGREE


def name_of(whole: WholeSet, columns: Columns, place: int) -> str:
    """A structure's id, and what stands for it where it has none.

    Parameters
    ----------
    columns : `structure_id` of the schedule
    """
    return str(columns["structure_id"][place] or f"no id, row {whole.rows[place]}")
