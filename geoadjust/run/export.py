"""Writes an output set as files for other programs: spreadsheet, stake-out points, GeoJSON, DXF."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from geoadjust.core.rules import VERTICAL_UNITS
from geoadjust.errors import Fault, InputError, OutputBusyError
from geoadjust.io.exports.dxf import LAYERS, check_unit, is_dxf, write_dxf
from geoadjust.io.exports.folder import ExportFolder, Recognizer
from geoadjust.io.exports.frame import SetFrame, frame_of
from geoadjust.io.exports.geojson import is_geojson, way_to_degrees, write_geojson
from geoadjust.io.exports.points import COLUMNS, COUNTS, PointOptions, is_points, write_points
from geoadjust.io.exports.spreadsheet import is_spreadsheet, write_spreadsheet
from geoadjust.io.exports.texts import load
from geoadjust.io.results.whole import WholeSet, open_set
from geoadjust.io.tin.shots import check_order

KINDS: dict[str, tuple[str, Recognizer]] = {
    "xlsx": ("schedule.xlsx", is_spreadsheet),
    "points": ("points.csv", is_points),
    "geojson": ("schedule.geojson", is_geojson),
    "dxf": ("schedule.dxf", is_dxf),
}
"""What can be written: the file's name, and what tells whether a file that is there is ours."""
LIBRARIES = {"xlsx": "xlsxwriter", "dxf": "ezdxf"}
REASONS = {
    "position": "without a position",
    "target": "without a target rim",
    "monument": "survey monuments",
    "other_owner": "of another owner",
    "not_paved": "outside the paving",
}
"""Why structures are not staked out, in words."""


@dataclass(frozen=True, slots=True)
class ExportOptions:
    """How the files are written.

    Parameters
    ----------
    kinds : of `KINDS`
    overwrite : replace files that were exported before
    points : of the stake-out file
    height_unit : of its elevations: m, ft or us-ft; '' = that of the sources
    layers : what the layers of the drawing are: method or severity
    """

    kinds: tuple[str, ...]
    overwrite: bool = False
    points: PointOptions = field(default_factory=PointOptions)
    height_unit: str = ""
    layers: str = "method"


@dataclass(slots=True)
class Exported:
    """What was written: each file with its facts, and what a person should know."""

    folder: Path
    structures: int
    files: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"out": str(self.folder), "structures": self.structures, "files": self.files, "notes": self.notes}


def export_set(folder: Path, out: Path, options: ExportOptions) -> Exported:
    """Write files made from an output set. All of them are put in place together, or none.

    Parameters
    ----------
    folder : the output set
    out : folder for the files, made where it is missing

    Raises
    ------
    InputError
        no output set, or its files have changed; an option with a value that is not allowed; a library that is not
        installed; a CRS that cannot be exported so
    OutputBusyError, OutputError
        a file is there, or cannot be written
    """
    _check(options)
    _check_out(folder, out)
    for kind in options.kinds:
        if kind in LIBRARIES:
            load(LIBRARIES[kind], kind)
    names = {KINDS[kind][0]: KINDS[kind][1] for kind in options.kinds}
    with open_set(folder) as whole:
        frame = frame_of(whole, options.height_unit)
        writers = _writers(whole, frame, options)
        exported = Exported(out, whole.count)
        with ExportFolder(out, names, overwrite=options.overwrite) as target:
            for kind, write in writers.items():
                path = target.path(KINDS[kind][0])
                facts = write(path, exported.notes)
                exported.files.append(
                    {"kind": kind, "path": str(out / path.name), "bytes": path.stat().st_size, **facts}
                )
            target.commit()
    return exported


def _check(options: ExportOptions) -> None:
    """Refuse what cannot be done before a file is opened."""
    faults = [Fault("--as", f"{kind!r}", ", ".join(KINDS)) for kind in options.kinds if kind not in KINDS]
    if not options.kinds:
        faults.append(Fault("--as", "nothing asked for", ", ".join(KINDS)))
    if options.height_unit not in ("", *VERTICAL_UNITS):
        faults.append(Fault("--elevation-unit", f"{options.height_unit!r}", ", ".join(VERTICAL_UNITS)))
    if options.layers not in LAYERS:
        faults.append(Fault("--layers", f"{options.layers!r}", ", ".join(LAYERS)))
    if options.points.stations not in COUNTS:
        faults.append(Fault("--stations", f"{options.points.stations}", ", ".join(map(str, COUNTS))))
    odd = [name for name in options.points.order if name not in COLUMNS]
    faults += [Fault("--order", f"{name!r}", ", ".join(COLUMNS)) for name in odd]
    if faults:
        raise InputError(faults)
    check_order(options.points.order, "")


def _check_out(folder: Path, out: Path) -> None:
    """The set itself stays as it is."""
    if out.resolve().is_relative_to(folder.resolve()):
        raise OutputBusyError(f"{out}: lies in the output set, which is left as it is; name another folder")


Writer = Callable[[Path, list[str]], dict[str, Any]]


def _writers(whole: WholeSet, frame: SetFrame, options: ExportOptions) -> dict[str, Writer]:
    """What writes each kind that is asked for; what cannot be done is refused here, before anything is written."""
    writers: dict[str, Writer] = {}
    for kind in dict.fromkeys(options.kinds):
        writers[kind] = _MAKERS[kind](whole, frame, options)
    return writers


def _spreadsheet(whole: WholeSet, frame: SetFrame, options: ExportOptions) -> Writer:
    def write(path: Path, notes: list[str]) -> dict[str, Any]:
        sheets = write_spreadsheet(whole, frame, path)
        more = [name for name in sheets if name.rpartition(" ")[2].isdecimal()]
        if more:
            notes.append(f"xlsx: more rows than a sheet holds go on in {', '.join(more)}")
        return {"sheets": sheets}

    return write


def _points(whole: WholeSet, frame: SetFrame, options: ExportOptions) -> Writer:
    def write(path: Path, notes: list[str]) -> dict[str, Any]:
        counts = write_points(whole, frame, path, options.points)
        datum = frame.datum or "not stated in the set"
        notes.append(
            f"points: northing and easting in {frame.unit}, elevations in {frame.height_unit}, vertical datum {datum}"
        )
        if counts.absent:
            listed = ", ".join(f"{REASONS[reason]} {count}" for reason, count in sorted(counts.absent.items()))
            notes.append(f"points: not staked out: {listed}")
        if counts.no_edge:
            notes.append(f"points: without stations, as size or direction of the frame is unknown: {counts.no_edge}")
        absent = dict(sorted(counts.absent.items()))
        return {"points": counts.points, "structures": counts.structures, "left_out": absent}

    return write


def _geojson(whole: WholeSet, frame: SetFrame, options: ExportOptions) -> Writer:
    way = way_to_degrees(whole, frame)

    def write(path: Path, notes: list[str]) -> dict[str, Any]:
        facts = write_geojson(whole, way, path)
        accuracy = None if math.isnan(facts.accuracy_m) else facts.accuracy_m
        known = "of unstated accuracy" if accuracy is None else f"good to {accuracy:g} m"
        if accuracy != 0:
            notes.append(f"geojson: to WGS 84 by {facts.way}, {known}")
        if facts.missing_grids:
            notes.append(f"geojson: a better way needs {', '.join(facts.missing_grids)}")
        if facts.without_place:
            notes.append(f"geojson: {facts.without_place} structures without geometry")
        return {"features": facts.features, "way": facts.way, "accuracy_m": accuracy}

    return write


def _dxf(whole: WholeSet, frame: SetFrame, options: ExportOptions) -> Writer:
    check_unit(frame)

    def write(path: Path, notes: list[str]) -> dict[str, Any]:
        counts = write_dxf(whole, frame, path, by=options.layers)
        notes.append(f"dxf: coordinates and elevations in {frame.unit}")
        if counts.without_place:
            notes.append(f"dxf: {counts.without_place} structures without a position are left out")
        if counts.cut:
            notes.append(f"dxf: {counts.cut} ids are longer than a drawing can hold; their ends are cut off")
        return {"layers": dict(sorted(counts.layers.items())), "left_out": counts.without_place}

    return write


_MAKERS: dict[str, Callable[[WholeSet, SetFrame, ExportOptions], Writer]] = {
    "xlsx": _spreadsheet,
    "points": _points,
    "geojson": _geojson,
    "dxf": _dxf,
}


def point_options(order: Sequence[str], stations: int, header: bool, first: int) -> PointOptions:
    """Options of the stake-out file from those of the command line."""
    return PointOptions(order=tuple(order) or COLUMNS[:5], stations=stations, header=header, first=first)
