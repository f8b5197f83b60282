"""The field book as a surveyor reads it: a CSV with one line per shot, in the order of the structures.

Lengths in display units, northing and easting in the structures' CRS as they are. The file is built beside its target
and takes its place when it is whole.
"""

from __future__ import annotations

import csv
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import NDArray

from geoadjust.core.columns import KINDS, Array
from geoadjust.core.fieldbook import DIRECTIONS, ITEMS, FieldPlaces, FieldShots
from geoadjust.errors import OutputBusyError, OutputError
from geoadjust.io.results.people import guard, place_decimals
from geoadjust.io.results.sets import explain_os_error
from geoadjust.units import from_metres, round_half_up, to_metres

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]

COLUMNS = (
    "row",
    "structure_id",
    "kind",
    "street",
    "shot",
    "point",
    "code",
    "what",
    "azimuth_deg",
    "distance",
    "northing",
    "easting",
    "elevation",
)
TYPES = {"row": pa.int64(), "shot": pa.int64(), **dict.fromkeys(("azimuth_deg", "northing", "easting"), pa.float64())}
NEAR = {"metric": "3 m", "us": "10 ft"}
CONTROL = (
    ("CHECK-1", "check shot on a control point, before the first structure"),
    ("CHECK-2", "check shot on a control point, after the last structure"),
)
DIRECTIONLESS = ("CHECK", "NOTE")


@dataclass(frozen=True, slots=True, eq=False)
class FieldTexts:
    """Texts of the structures, (n,) each; '' where there is none."""

    structure_id: Texts
    street: Texts
    owner: Texts


def tape_step(units: str, foot: str) -> float:
    """Steps of the distance of the road shots [m]: 1 cm, or 0.05 ft."""
    return 0.01 if units == "metric" else float(to_metres(0.05, foot))


def book_schema(units: str) -> pa.Schema:
    """Columns of the file; the distance says its unit in its name.

    Examples
    --------
    >>> book_schema("us").names[-4:]
    ['distance_ft', 'northing', 'easting', 'elevation']
    """
    distance = "distance_m" if units == "metric" else "distance_ft"
    fields = [(name, TYPES.get(name, pa.string())) for name in COLUMNS]
    return pa.schema([(distance, pa.float64()) if name == "distance" else (name, kind) for name, kind in fields])


class FieldBook:
    """Writes the file, batch by batch; without an error it takes its target's place when it is left.

    Parameters
    ----------
    path : of the file
    units, foot : of the distances
    crs : the structures', for the decimals of the coordinates
    overwrite : replace a field book that is there; another file is never replaced

    Raises
    ------
    OutputBusyError, OutputError
        on entering: something stands there; later: it cannot be written
    """

    def __init__(self, path: Path, units: str, foot: str, crs: str, *, overwrite: bool = False) -> None:
        self.path, self.units, self.foot, self.overwrite = path, units, foot, overwrite
        self.decimals = place_decimals(crs)
        self.lines = 0
        self._part = path
        self._schema = book_schema(units)
        self._writer: Any = None

    def __enter__(self) -> Self:
        _judge_target(self.path, self.overwrite)
        self._part = self.path.with_name(f".{self.path.name}.{os.getpid()}-{secrets.token_hex(4)}.part")
        try:
            options = pa.csv.WriteOptions(quoting_style="needed")
            self._writer = pa.csv.CSVWriter(str(self._part), self._schema, write_options=options)
        except OSError as error:
            raise explain_os_error(error, self.path) from error
        self._control(0)
        return self

    def add(self, places: FieldPlaces, shots: FieldShots, texts: FieldTexts, east: Floats, north: Floats) -> None:
        """Add the lines of some structures.

        Parameters
        ----------
        places, texts : (n,) of the structures
        shots : (k,) lines
        east, north : (k,) coordinates [unit of the structures' CRS]; NaN = unknown
        """
        values = _lines(places, shots, texts, self.units)
        distance = shots.distance if self.units == "metric" else from_metres(shots.distance, self.foot)
        azimuth = np.mod(np.round(round_half_up(np.degrees(shots.azimuth), 0.1), 1), 360.0)
        values["azimuth_deg"] = pa.array(azimuth, from_pandas=True)
        values["distance"] = pa.array(np.round(round_half_up(distance, 0.001), 3), from_pandas=True)
        for name, place in (("northing", north), ("easting", east)):
            values[name] = pa.array(np.round(place, self.decimals) + 0.0, from_pandas=True)
        self._write(values, len(shots))

    def _write(self, values: dict[str, pa.Array], count: int) -> None:
        blank = {name: pa.nulls(count, kind) for name, kind in zip(COLUMNS, self._schema.types, strict=True)}
        arrays = [{**blank, **values}[name] for name in COLUMNS]
        try:
            self._writer.write(pa.record_batch(arrays, schema=self._schema))
        except OSError as error:
            raise explain_os_error(error, self.path) from error
        self.lines += count

    def _control(self, number: int) -> None:
        point, what = CONTROL[number]
        self._write({"point": pa.array([point]), "code": pa.array(["CHECK"]), "what": pa.array([what])}, 1)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                self._control(1)
            self._writer.close()
            if error is None:
                _judge_target(self.path, self.overwrite)
                os.replace(self._part, self.path)
        except OSError as failure:
            raise explain_os_error(failure, self.path) from failure
        finally:
            self._part.unlink(missing_ok=True)


def _judge_target(path: Path, overwrite: bool) -> None:
    """Refuse to replace what is there, unless it is a field book and the user says so."""
    if not path.parent.is_dir():
        raise OutputError(f"{path}: the folder {path.parent} is missing; make it first")
    if not os.path.lexists(path):
        return
    if not overwrite:
        raise OutputBusyError(f"{path}: exists; name another file, or give --overwrite")
    if not _is_book(path):
        raise OutputBusyError(f"{path}: exists and is no field book, so it is not replaced; name another file")


def _is_book(path: Path) -> bool:
    if not path.is_file():
        return False
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            found = next(csv.reader([file.readline(1000)]), [])
    except (OSError, UnicodeDecodeError, csv.Error):
        return False
    return any(found == book_schema(units).names for units in NEAR)


def _lines(places: FieldPlaces, shots: FieldShots, texts: FieldTexts, units: str) -> dict[str, pa.Array]:
    """Columns that need no coordinates."""
    at = shots.structure
    label = _taken([item.label or None for item in ITEMS], shots.item)
    row = pa.array(places.row[at])
    return {
        "row": row,
        "structure_id": _guarded(texts.structure_id, at),
        "kind": _taken(list(KINDS), places.kind[at]),
        "street": _guarded(texts.street, at),
        "shot": pa.array(shots.number, mask=shots.number == 0),
        "point": pa.compute.binary_join_element_wise(row.cast(pa.string()), label, "-"),
        "code": _taken([item.code for item in ITEMS], shots.item),
        "what": pa.array(_words(places, shots, texts, units), pa.string()),
    }


def _guarded(texts: Texts, at: Array) -> pa.Array:
    return guard(pa.array([text or None for text in texts], pa.string())).take(pa.array(at))


def _taken(words: list[str | None] | list[str], index: Array) -> pa.Array:
    return pa.array(words, pa.string()).take(pa.array(index))


def _words(places: FieldPlaces, shots: FieldShots, texts: FieldTexts, units: str) -> Texts:
    """What is shot, in words (k,): made once for all lines that read alike, but for owners and repeats."""
    at = shots.structure
    box, assumed = np.isfinite(places.length)[at], places.assumed[at]
    key = ((shots.item * (len(DIRECTIONS) + 1) + shots.direction + 1) * 2 + box) * 2 + assumed
    _, first, place = np.unique(key, return_index=True, return_inverse=True)
    made = [_sentence(int(shots.item[i]), int(shots.direction[i]), bool(box[i]), bool(assumed[i])) for i in first]
    words = np.array([text.replace("{reach}", NEAR[units]) for text in made], dtype=object)[place]
    for line in np.flatnonzero(np.isin(shots.item, OWN)):
        owner = texts.owner[at[line]]
        words[line] = words[line].replace("{first}", f"{places.row[at[line]]}-R1")
        words[line] = words[line].replace("{owner}", f", but of {owner}" if owner else "")
    return words


OWN = [place for place, item in enumerate(ITEMS) if "{first}" in item.what or "{owner}" in item.what]
"""Lines whose words are each structure's own."""


def _sentence(item: int, direction: int, box: bool, assumed: bool) -> str:
    """Words of one line.

    >>> _sentence([item.label for item in ITEMS].index("E2"), 2, True, True)
    'rim edge, middle of the side, right (size assumed)'
    """
    line = ITEMS[item]
    parts = [line.what]
    if line.code == "RIM" and box:
        parts.append("middle of the side" if direction >= 0 else "middle of a side")
    if direction >= 0 and line.code not in DIRECTIONLESS:
        parts.append(DIRECTIONS[direction])
    return ", ".join(parts) + " (size assumed)" * (assumed and line.code == "RIM")
