"""Makes the map report of an output set: one HTML file, or several with an index where it is very large."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj.exceptions import CRSError
from rasterio.errors import RasterioError

from geoadjust.core.columns import METHODS, READY, SEVERITIES
from geoadjust.errors import InputError
from geoadjust.io.coordinates.crs import horizontal_unit_of, read_crs
from geoadjust.io.exports.folder import ExportFolder
from geoadjust.io.exports.tables import batches, numbers, places
from geoadjust.io.raster.relief import Relief, shaded_relief
from geoadjust.io.results.whole import WholeSet, open_set
from geoadjust.report.webpage import MARK, index_of, page_of
from geoadjust.report.words import METHOD_WORDS, reason_text
from geoadjust.report.words import READY as READY_WORDS
from geoadjust.units import factor

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

MOST = 100_000
"""Structures on one page."""
TOLD = 20_000
"""Up to so many structures on a page the reasons are told in sentences, else by their flags."""
HEAD = 4000
FIGURES = {
    "raise": ("raise_mm", 2),
    "gap": ("gap_mm", 2),
    "slope": ("slope_pct", 3),
    "chimney": ("chimney_mm", 2),
    "chimney_min": ("chimney_min_mm", 2),
    "chimney_max": ("chimney_max_mm", 2),
    "change": ("stack_change_mm", 2),
    "long_side": ("long_side_deg", 1),
    "lower": ("lower_by_mm", 2),
    "raise_sd": ("raise_sd_mm", 2),
}
"""Figures on the page: column of the layer, decimals."""
TEXTS = {"street": "street", "kind": "kind", "casting": "casting", "remark": "remark"}


@dataclass(slots=True)
class Reported:
    """What was written, and what a person should know."""

    folder: Path
    structures: int
    files: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"out": str(self.folder), "structures": self.structures, "files": self.files, "notes": self.notes}


def write_report(folder: Path, out: Path, *, overwrite: bool = False, most: int = MOST) -> Reported:
    """Write the report of an output set.

    Parameters
    ----------
    folder : the output set
    out : folder for `report.html` and, of a very large set, its parts
    most : structures on one page

    Raises
    ------
    InputError
        no output set, or its files have changed
    OutputBusyError, OutputError
        a file is there, or cannot be written
    """
    with open_set(folder) as whole:
        east, north = places(whole)
        parts = tiles(east, north, most)
        names = ["report.html", *(f"report-{number:03d}.html" for number in range(1, len(parts) + 1))]
        names = names[:1] if len(parts) == 1 else names
        reported = Reported(out, whole.count)
        with ExportFolder(out, dict.fromkeys(names, is_report), overwrite=overwrite) as target:
            pages = names if len(parts) == 1 else names[1:]
            rows = []
            for number, (name, part) in enumerate(zip(pages, parts, strict=True), start=1):
                title = f"Castings to grade: {Path(folder).absolute().name}"
                title += f", part {number} of {len(parts)}" if len(parts) > 1 else ""
                data = page_data(whole, part, title, reported.notes)
                target.path(name).write_text(page_of(data), encoding="utf-8")
                rows.append((name, title, f"{len(part)} structures"))
            if len(parts) > 1:
                target.path(names[0]).write_text(index_of("Castings to grade: parts", rows), encoding="utf-8")
            sizes = {name: target.path(name).stat().st_size for name in names}
            target.commit()
    reported.files = [{"path": str(out / name), "bytes": size} for name, size in sizes.items()]
    reported.notes = list(dict.fromkeys(reported.notes))
    return reported


def is_report(path: Path) -> bool:
    """Whether a file is a page of ours."""
    with path.open("rb") as file:
        return MARK.encode() in file.read(HEAD)


def tiles(east: Floats, north: Floats, most: int) -> list[Index]:
    """Structures split into parts of at most `most` that lie together: halved across the longer side, again and again.

    Those without a position come last.
    """
    there = np.flatnonzero(np.isfinite(east))
    lost = np.flatnonzero(~np.isfinite(east))
    if len(east) <= most:
        return [np.arange(len(east))]
    parts = _halved(there, east, north, most)
    return [*parts, *(lost[first : first + most] for first in range(0, len(lost), most))]


def _halved(index: Index, east: Floats, north: Floats, most: int) -> list[Index]:
    if len(index) <= most:
        return [np.sort(index)]
    longer = max((east, north), key=lambda values: np.ptp(values[index]))
    order = index[np.argsort(longer[index], kind="stable")]
    half = len(order) // 2
    return [*_halved(order[:half], east, north, most), *_halved(order[half:], east, north, most)]


class _Words:
    """Each different text once, by number."""

    def __init__(self) -> None:
        self.table: list[str] = []
        self._place: dict[str, int] = {}

    def place(self, words: str | None) -> int:
        """Number of a text; -1 where there is none."""
        if not words:
            return -1
        if words not in self._place:
            self._place[words] = len(self.table)
            self.table.append(words)
        return self._place[words]


def page_data(whole: WholeSet, part: Index, title: str, notes: list[str]) -> dict[str, Any]:
    """What one page shows, as plain values by column."""
    place = {int(row): at for at, row in enumerate(whole.rows[part])}
    columns = _columns(whole, part)
    words = {name: _Words() for name in TEXTS}
    data: dict[str, Any] = {name: [words[name].place(text) for text in columns[name]] for name in TEXTS}
    data |= {name: columns[name] for name in FIGURES}
    data |= {
        name: _indices(columns[name], table)
        for name, table in (("method", METHODS), ("ready", READY), ("severity", SEVERITIES))
    }
    flags = _Words()
    data["flags"] = [[flags.place(code) for code in (text or "").split()] for text in columns["flags"]]
    reasons = _Words()
    data["reasons"] = _reasons(whole, place, reasons) if len(part) <= TOLD else None
    data["mark"], data["round"] = _marks(whole, place)
    data["stack"], data["stacks"] = _stacks(whole, place)
    tables = {name: each.table for name, each in words.items()}
    data["texts"] = {**tables, "flag": flags.table, "reason": reasons.table}
    return {**data, **_about(whole, columns, title), **_map(whole, part, notes)}


def _columns(whole: WholeSet, part: Index) -> dict[str, list[Any]]:
    """Columns of the layer, of the structures of one page."""
    stored = {**{name: column for name, (column, _) in FIGURES.items()}, **TEXTS}
    stored |= {name: name for name in ("row", "method", "ready", "severity", "flags")} | {"id": "structure_id"}
    found = whole.columns(*dict.fromkeys(stored.values()))
    made = {name: [found[column][index] for index in part.tolist()] for name, column in stored.items()}
    for name, (_, digits) in FIGURES.items():
        made[name] = [None if value is None else round(value, digits) for value in made[name]]
    made["id"] = [text or "" for text in made["id"]]
    return made


def _indices(values: Sequence[str], table: Sequence[str]) -> list[int]:
    known = {word: place for place, word in enumerate(table)}
    return [known[value] for value in values]


def _reasons(whole: WholeSet, place: dict[int, int], words: _Words) -> list[list[int]]:
    found: list[list[int]] = [[] for _ in place]
    names = ("row", "code", "value", "limit", "text")
    for batch in batches(whole, "reasons", names):
        for row, *cells in zip(*(batch[name] for name in names), strict=True):
            if row in place:
                reason = dict(zip(names[1:], cells, strict=True))
                found[place[row]].append(words.place(reason_text(reason, whole.units)))
    return found


def _marks(whole: WholeSet, place: dict[int, int]) -> tuple[list[float | None], list[int]]:
    """Azimuth of the mark [deg], and whether the flange is round."""
    marks: list[float | None] = [None] * len(place)
    rounds = [1] * len(place)
    for batch in batches(whole, "models", ("row", "rims_mark", "structures_flange_length")):
        degrees = np.degrees(numbers(batch["rims_mark"])).round(1).tolist()
        for row, mark, length in zip(batch["row"], degrees, batch["structures_flange_length"], strict=True):
            if row in place:
                marks[place[row]] = mark if mark == mark else None
                rounds[place[row]] = int(length is None)
    return marks, rounds


def _stacks(whole: WholeSet, place: dict[int, int]) -> tuple[list[int], list[list[tuple[str, float]]]]:
    """Parts on the bearing of each structure, bottom to top; stacks that are alike stand once."""
    parts: dict[int, list[tuple[str, float]]] = {}
    policies: dict[int, str] = {}
    names = ("row", "policy", "kind", "part", "thickness_mm")
    for batch in batches(whole, "stack_parts", names):
        for row, policy, kind, part, thickness in zip(*(batch[name] for name in names), strict=True):
            if row not in place or kind == "riser" or thickness is None:
                continue
            if policies.setdefault(row, policy) == policy:
                parts.setdefault(row, []).append((part or kind.replace("_", " "), round(thickness, 1)))
    known: dict[tuple[tuple[str, float], ...], int] = {}
    index = [-1] * len(place)
    for row, stack in parts.items():
        index[place[row]] = known.setdefault(tuple(stack), len(known))
    return index, [list(stack) for stack in known]


def _about(whole: WholeSet, columns: dict[str, list[Any]], title: str) -> dict[str, Any]:
    count = len(columns["row"])
    finished = str(whole.record.get("finished_at", ""))
    return {
        "title": title,
        "about": f"{count} structures. Computed by geoadjust {whole.version}{f', {finished}' if finished else ''}.",
        "count": count,
        "row": columns["row"],
        "id": columns["id"],
        "units": whole.units,
        "method_words": [METHOD_WORDS[name] for name in METHODS],
        "ready_words": [READY_WORDS[name][0].lower() for name in READY],
        "ready_keys": list(READY),
        "severity_words": list(SEVERITIES),
        "max_chimney": round(1000 * max(rules.max_chimney for rules in whole.rule_sets), 3),
        "run": [*_run(whole)],
    }


def _run(whole: WholeSet) -> list[tuple[str, str]]:
    """The record in lines that a person reads."""
    record, sources = whole.record, whole.record.get("sources", {})
    lines = [("version", whole.version), ("finished at", str(record.get("finished_at", "")))]
    for name, facts in sources.items():
        for each in facts if isinstance(facts, list) else [facts]:
            words = {key: value for key, value in each.items() if key in ("path", "fingerprint", "vertical_unit")}
            lines.append((name, ", ".join(f"{value}" for value in words.values() if value)))
    for rules in whole.rule_sets:
        lines.append(("rule set", f"{rules.name}{f': {rules.source}' if rules.source else ''}"))
    lines.append(("catalogue", whole.catalogue.name))
    lines += [("finding", str(finding)) for finding in record.get("findings", [])]
    lines.append(("set", ", ".join(sorted(record.get("files", {})))))
    return lines


def _map(whole: WholeSet, part: Index, notes: list[str]) -> dict[str, Any]:
    """Places in the map's plane, relative to its corner, and the relief below them."""
    east, north = (values[part] for values in places(whole))
    crs = read_crs(str(whole.crs), where="structures.crs") if whole.crs else None
    unit = horizontal_unit_of(crs, where="structures.crs") if crs else ""
    there = np.isfinite(east)
    if not there.any():
        return {
            "east": [None] * len(part),
            "north": [None] * len(part),
            "extent": [0, 0, 1, 1],
            "map_unit": "",
            "relief": None,
            "relief_words": "No structure has a position.",
        }
    squeeze = float(np.cos(np.radians(np.median(north[there])))) if unit == "degree" else 1.0
    corner = (float(east[there].min()), float(north[there].min()))
    margin = max(float(np.ptp(east[there])), float(np.ptp(north[there]))) * 0.05 + (30 if unit != "degree" else 3e-4)
    extent = (corner[0] - margin, corner[1] - margin, east[there].max() + margin, north[there].max() + margin)
    relief, words = _relief(whole, extent, unit)
    notes.append(words)

    def flat(values: Floats, origin: float, times: float) -> list[float | None]:
        moved = ((values - origin) * times).round(8 if unit == "degree" else 2).tolist()
        return [value if value == value else None for value in moved]

    def box(bounds: Sequence[float]) -> list[float]:
        west, south, right, top = bounds
        return [(west - corner[0]) * squeeze, south - corner[1], (right - corner[0]) * squeeze, top - corner[1]]

    return {
        "east": flat(east, corner[0], squeeze),
        "north": flat(north, corner[1], 1.0),
        "extent": box(extent),
        "map_unit": {"m": "m", "ft": "ft", "us-ft": "ft"}.get(unit, ""),
        "relief": {"image": relief.image, "bounds": box(relief.bounds)} if relief else None,
        "relief_words": words,
    }


def _relief(whole: WholeSet, extent: tuple[float, float, float, float], unit: str) -> tuple[Relief | None, str]:
    """Relief of the first surface that is a raster; and words that say what is shown."""
    metres = 111_320.0 if unit == "degree" else factor(unit or "m")
    for surface in whole.record["sources"]["surfaces"]:
        path = surface["path"]
        try:
            relief = shaded_relief(path, whole.crs, extent, metres)
        except (InputError, RasterioError, CRSError, OSError, ValueError):
            continue
        if relief:
            return relief, f"Relief of {Path(str(path)).name}, heights exaggerated, light from the north-west."
    return None, "No relief: no elevation raster of the run can be read where it was."
