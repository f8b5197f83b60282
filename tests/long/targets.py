"""What is fuzzed: each target takes any bytes, and must answer with a value that makes sense or with a fault in words.

Everything else that it raises is a bug. The same functions judge the corpus in `fixtures/fuzz`, without a fuzzer.
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np

from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.rules import StructuresTable
from geoadjust.errors import InputError
from geoadjust.io.intake.structures import describe_structures, read_batches
from geoadjust.io.jobfile import read_job
from geoadjust.io.landxml.document import describe_landxml, read_surface
from geoadjust.io.landxml.structs import read_structs
from geoadjust.io.tin.shots import read_shots
from geoadjust.process import plain
from geoadjust.units import LengthError, format_feet_inches, format_inches, parse_length, parse_ratio, parse_size

LONGEST = 4000
_FOLDER = tempfile.TemporaryDirectory(prefix="geoadjust-fuzz-")
ORDERS = (
    ("point", "northing", "easting", "elevation", "description"),
    ("easting", "northing", "elevation", "description"),
)


def lengths(data: bytes) -> None:
    """Lengths, sizes and ratios of text."""
    text = data.decode("utf-8", "replace")
    for unit in (None, "mm", "us-ft"):
        try:
            metres = parse_length(text, unit)
        except LengthError as error:
            _short(str(error))
        else:
            assert isinstance(metres, Fraction)
            assert abs(metres) <= 10**9
            if abs(metres) < 1000:
                for shown in (format_inches(float(metres), 64), format_feet_inches(float(metres), 64)):
                    off = abs(parse_length(shown) - metres)  # half a step, and the slack of a tie
                    assert off <= parse_length("1/128 in") + Fraction(1, 10**6), shown
    for parse in (parse_size, parse_ratio):
        try:
            found = parse(text)
        except LengthError as error:
            _short(str(error))
        else:
            assert all(math.isfinite(float(each)) for each in (found if isinstance(found, tuple) else [found]))


def job(data: bytes) -> None:
    """A job file; what is accepted can be recorded as strict JSON."""
    path = _put("job.toml", data)
    try:
        found = read_job(path)
    except InputError as error:
        _faults(error)
    else:
        json.dumps(plain(found), allow_nan=False)


def structures(data: bytes) -> None:
    """A CSV of structures: every line comes back as a row, with a place or without."""
    path = _put("covers.csv", data)
    try:
        facts = describe_structures(StructuresTable(str(path), crs="EPSG:32617"))
        rows = sum(len(batch) for batch in read_batches(facts))
    except InputError as error:
        _faults(error)
    else:
        assert rows > 0
        assert set(facts.columns) <= {*INPUT_NAMES, "easting", "northing"}


def shots(data: bytes) -> None:
    """Survey points in either order."""
    path = _put("shots.csv", data)
    for order in ORDERS:
        try:
            found = read_shots(str(path), order, where="surface.path")
        except InputError as error:
            _faults(error)
        else:
            assert np.isfinite(found.place).all()
            assert len(found.place) == len(found.code)


def landxml(data: bytes) -> None:
    """LandXML: faces point at vertices that are there."""
    path = _put("road.xml", data)
    try:
        for surface in describe_landxml(path, where="surface.path").surfaces:
            mesh = read_surface(path, surface.name, where="surface.path").mesh
            assert np.isfinite(mesh.vertices).all()
            assert mesh.faces.min(initial=0) >= 0
            assert mesh.faces.max(initial=-1) < len(mesh.vertices)
    except InputError as error:
        _faults(error)
    try:
        read_structs(path, where="structures.path")
    except InputError as error:
        _faults(error)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "lengths": lengths, "job": job, "structures": structures, "shots": shots, "landxml": landxml
}  # fmt: skip


def _put(name: str, data: bytes) -> Path:
    path = Path(_FOLDER.name, name)
    path.write_bytes(data)
    return path


def _faults(error: InputError) -> None:
    assert error.faults
    for fault in error.faults:
        _short(str(fault))


def _short(text: str) -> None:
    """A message is for people: not the whole file."""
    assert 0 < len(text) < LONGEST, len(text)
