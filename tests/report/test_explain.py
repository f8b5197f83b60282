"""Pages of whole sets: every figure worked out again from what stands on its own line, by a calculator of its own.

The calculator below reads the text alone; it shares nothing with the one that made the page. What the page shows is
then compared with the tables, read by sqlite3.
"""

from __future__ import annotations

import ast
import json
import math
import re
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st
from rasterio.transform import from_origin
from shapely.geometry import Point

import geoadjust.io.safe  # noqa: F401 - sets the environment before GDAL is loaded
from geoadjust.io.jobfile import read_job
from geoadjust.io.results.columns import SCHEDULE
from geoadjust.io.results.read_back import read_structure
from geoadjust.report.explain import explain
from geoadjust.report.facts import Facts
from geoadjust.report.numbers import evaluate, metres, mm, pure, work_out
from geoadjust.run.demo import run_demo
from geoadjust.run.explain import explain_structure
from geoadjust.run.schedule import run_schedule

EAST, NORTH = 500_000.0, 4_500_000.0

# ---------------------------------------------------------------- made-up jobs


def quiet(stage: str, done: int, total: int) -> None:
    """No progress."""


def write_road(path: Path, z: Callable[[Any, Any], Any], cells: int = 400, cell: float = 0.1) -> str:
    """Write z(e, n) about the place as a raster in metres."""
    west, north = EAST - cell * cells / 2, NORTH + cell * cells / 2
    place = (np.arange(cells) + 0.5) * cell
    e, n = west + place[None, :] - EAST, north - place[:, None] - NORTH
    settings = {"driver": "GTiff", "width": cells, "height": cells, "count": 1, "dtype": "float64", "crs": "EPSG:32617"}
    with rasterio.open(path, "w", transform=from_origin(west, north, cell, cell), **settings) as dataset:
        dataset.write(np.broadcast_to(z(e, n), (cells, cells)).astype(float), 1)
    return str(path)


def write_covers(path: Path, rows: list[dict[str, Any]]) -> str:
    """Write structures; `at` = east, north of the place."""
    names = sorted({name for row in rows for name in row} - {"at"})
    table = {name: [row.get(name) for row in rows] for name in names}
    points = [Point(EAST + row["at"][0], NORTH + row["at"][1]) for row in rows]
    geopandas.GeoDataFrame(table, geometry=points, crs="EPSG:32617").to_file(path)
    return str(path)


def job_of(
    folder: Path,
    z: Callable[[Any, Any], Any],
    rows: list[dict[str, Any]],
    *settings: str,
    design: Callable[[Any, Any], Any] | None = None,
) -> Path:
    """Run a job of a road and structures; gives the output folder."""
    flags: dict[tuple[str, str], Any] = {
        ("structures", "path"): write_covers(folder / "covers.gpkg", rows),
        ("structures", "vertical_unit"): "m",
        ("structures", "dimension_unit"): "mm",
        ("surface", "path"): write_road(folder / "road.tif", z),
        ("surface", "vertical_unit"): "m",
        ("output", "path"): str(folder / "out"),
    }
    if design is not None:
        flags |= {("finished", "path"): write_road(folder / "design.tif", design), ("finished", "vertical_unit"): "m"}
    run_schedule(read_job(None, flags, settings))
    return folder / "out"


def places(rows: list[dict[str, Any]], **common: Any) -> list[dict[str, Any]]:
    """Rows side by side, 5 m apart."""
    spots = [(-15.0 + 5 * (i % 7), -15.0 + 5 * (i // 7)) for i in range(len(rows))]
    return [{"id": f"A-{i}", "at": spots[i], **common, **row} for i, row in enumerate(rows)]


def bumpy(e: Any, n: Any) -> Any:
    """A millimetre or so of roughness that depends on the place alone."""
    return 0.0012 * np.sin(91 * e + 0.3) * np.cos(77 * n)


def steep(e: Any, n: Any) -> Any:
    """5 % to the east, 3 % to the north."""
    return 100 + 0.05 * e + 0.03 * n + bumpy(e, n)


def crowned(e: Any, n: Any) -> Any:
    """A crown line that runs north through the place, 2 % to both sides, 1 % of grade."""
    return 100 - 0.02 * np.abs(e) + 0.01 * n + bumpy(e, n)


def demo(folder: Path) -> Path:
    """The street of the demo, in feet and inches."""
    run_demo(folder / "demo", overwrite=False, progress=quiet)
    return folder / "demo" / "out"


def tapered(folder: Path) -> Path:
    """Tapered rings, new, added to good ones, and both."""
    rows = [
        {"existing_chimney": 150.0, "chimney_condition": "good", "existing_rings": 1},
        {"existing_chimney": 150.0, "chimney_condition": "unknown"},
        {"existing_chimney": 180.0, "chimney_condition": "poor"},
        {"existing_chimney": 95.0},
        {"measure_down": 0.3, "measure_down_from": "existing"},
        {"measure_down": 0.3, "measure_down_from": "milled"},
        {"measure_down": 0.3, "measure_down_from": "finished"},
        {"existing_chimney": 140.0, "new_casting": "round-tall", "chimney_condition": "good"},
    ]
    settings = (
        *("rules.existing_stack=add_on_top", "rules.hold=cover", "rules.recess=3 mm", "finished.mill=40 mm"),
        *("finished.overlay=130 mm", "surface.accuracy=8 mm", "surface.noise=2 mm", "output.units=us"),
    )
    return job_of(folder, steep, places(rows, casting="round-standard", axis=20.0), *settings)


def lined(folder: Path, *more: str) -> Path:
    """Liners, on level and on sloping bearings."""
    rows = [
        {"existing_chimney": 170.0},
        {"existing_chimney": 150.0, "bearing_slope": 2.0, "bearing_uphill": 75.0},
        {"existing_chimney": 150.0, "bearing_slope": 4.0, "bearing_uphill": 200.0},
        {"existing_chimney": 260.0, "bearing_outside_diameter": 900, "bearing_inside_diameter": 560},
        {"existing_chimney": 260.0, "casting": "round-tall"},
        {"existing_chimney": 60.0},
    ]
    settings = ('rules.methods=["keep", "liner"]', "finished.overlay=50 mm", "surface.accuracy=5 mm", *more)
    return job_of(folder, steep, places(rows, **{"casting": "round-standard", "axis": 20.0}), *settings)


def lined_square(folder: Path) -> Path:
    """The chimney stands square to its bearing, the liner is sawn in the flange's plane, the cover is held."""
    return lined(folder, "rules.stand=square_to_bearing", "rules.cut_style=in_plane", "rules.hold=cover")


def ringed_square(folder: Path) -> Path:
    """Rings square to their bearing."""
    rows = [{"existing_chimney": 150.0 + 9 * i, "bearing_slope": 1.0 + i, "bearing_uphill": 40.0 * i} for i in range(4)]
    settings = ("rules.stand=square_to_bearing", "finished.overlay=90 mm", "surface.accuracy=5 mm")
    return job_of(folder, steep, places(rows, casting="round-standard"), *settings)


def bedded(folder: Path) -> Path:
    """Rings on sloping bearings that are levelled by a bed of mortar."""
    rows = [{"existing_chimney": 150.0 + 9 * i, "bearing_slope": 1.0 + i, "bearing_uphill": 40.0 * i} for i in range(4)]
    return job_of(folder, steep, places(rows, casting="round-standard"), "finished.overlay=90 mm")


def risers(folder: Path) -> Path:
    """Risers, a riser on the frame, a gap, covers that stay, one that goes down, one outside the paving."""
    rows = [
        {"gap": 0.0},
        {"gap": -12.0},
        {"gap": 26.0},
        {"gap": 60.0},
        {"gap": 0.0, "riser_present": "yes"},
        {"gap": 0.0, "paved": "no"},
        {"rim": 100.4, "gap": None},
        {"gap": 1.0, "kind": "valve", "casting": "valve-box"},
        {"gap": 1.0, "kind": "inlet", "casting": "inlet-grate"},
        {"gap": 1.0, "casting": "round-floating"},
        {"gap": 1.0, "casting": "nobody-knows"},
    ]
    rows = places(rows, casting="round-standard")
    return job_of(folder, steep, rows, "finished.overlay=25 mm", "structures.gap_accuracy=3 mm")


def profiled(folder: Path) -> Path:
    """Milled to a profile on a crowned road, raised before paving; covers of both shapes on and off the crown."""
    rows = []
    for i, offset in enumerate((0.0, 0.15, -0.2, 0.9, -2.2, 3.0)):
        common = {"crown_offset": offset, "axis": 0.0, "existing_chimney": 140.0, "frame_azimuth": 10.0}
        spot = (offset, -15.0 + 5 * i)
        rows.append({"id": f"round-{i}", "at": spot, "kind": "manhole", "casting": "round-standard", **common})
        spot = (offset, -12.5 + 5 * i)
        rows.append({"id": f"box-{i}", "at": spot, "kind": "inlet", "casting": "inlet-grate", **common})
    settings = (
        *("finished.mill=50 mm", "finished.overlay=60 mm", "finished.cross_slope=3 %", "surface.accuracy=6 mm"),
        *("rules.sequence=raise_before_paving", "rules.max_grade=0.5 %", "rules.max_edge_gap=4 mm"),
    )
    return job_of(folder, crowned, rows, *settings)


def inlets(folder: Path) -> Path:
    """Rectangular castings on a break, in several directions; some sit on a chimney like a manhole."""
    rows = []
    for i, turn in enumerate((0.0, 17.0, 45.0, 90.0, 130.0)):
        for offset in (0.0, 0.11, -0.3):
            place = (offset, -17.0 + 2.4 * len(rows))
            rows.append({"id": f"I-{i}-{offset}", "at": place, "frame_azimuth": turn, "casting": "inlet-grate"})
    for row in rows:
        row |= {"kind": "manhole" if row["frame_azimuth"] in (17.0, 130.0) else "inlet", "existing_chimney": 150.0}
    settings = ("finished.mill=30 mm", "finished.overlay=75 mm", "surface.accuracy=5 mm")
    return job_of(folder, crowned, rows, *settings)


def designed(folder: Path, *more: str) -> Path:
    """A design surface with another slope than today's road."""
    rows = [
        {"existing_chimney": 150.0},
        {"existing_chimney": 150.0, "gap": 4.0},
        {"measure_down": 0.4, "measure_down_from": "rim"},
        {"measure_down": 0.4, "measure_down_from": "existing", "gap": 2.0},
        {"measure_down": 0.36, "measure_down_from": "milled"},
        {"measure_down": 0.42, "measure_down_from": "finished"},
        {"bearing": 99.5, "at": (0.0, 1.0), "rim": 100.05},
        {"rim": 100.31, "at": (4.0, 4.0)},
    ]
    rows = places(rows, casting="round-standard", axis=63.0)
    settings = (
        *("surface.accuracy=8 mm", "finished.accuracy=4 mm", "finished.noise=1 mm", "finished.mill=30 mm"),
        *("structures.rim_basis=surveyed", "structures.rim_accuracy=4 mm", *more),
    )
    return job_of(folder, steep, rows, *settings, design=lambda e, n: 100.06 + 0.04 * e + 0.035 * n + bumpy(n, e))


def barred(folder: Path) -> Path:
    """Set to bars and judged by bars."""
    return designed(folder, "rules.rim_reference=bar", "rules.measured_by=bar", "structures.rim_same_survey=true")


GRATES = """
name = "grates"
[[casting]]
id = "grate"
height = "150 mm"
frame_top_diameter = "600x740 mm"
flange_outside_diameter = "700x860 mm"
[[ring]]
id = "flat-50"
thickness = "50 mm"
[[ring]]
id = "flat-80"
thickness = "80 mm"
"""


def grates(folder: Path) -> Path:
    """Rectangular castings on flat rings; the slope is more than the bedding takes, and a part of it is left."""
    (folder / "parts.toml").write_text(GRATES, encoding="utf-8")
    rows = [{"existing_chimney": 120.0 + 7 * i, "frame_azimuth": 33.0 * i} for i in range(6)]
    settings = (f"catalogue.path={folder / 'parts.toml'}", "finished.overlay=90 mm", "surface.accuracy=5 mm")
    rows = places(rows, casting="grate", axis=20.0)
    return job_of(folder, lambda e, n: 100 + 0.029 * e + 0.008 * n + bumpy(e, n), rows, *settings)


def near_limits(folder: Path) -> Path:
    """Chimneys near the owner's limits, so that the probability of passing one matters."""
    rows = [{"existing_chimney": height} for height in (30.0, 45.0, 200.0, 215.0, 235.0)]
    settings = ("finished.overlay=30 mm", "structures.tape_accuracy=12 mm", "structures.flush_accuracy=15 mm")
    rows = places(rows, casting="round-standard", axis=20.0)
    return job_of(folder, lambda e, n: 100 + 0.01 * e + 0.008 * n + bumpy(e, n), rows, *settings)


JOBS = [
    grates,
    near_limits,
    demo,
    tapered,
    lined,
    lined_square,
    ringed_square,
    bedded,
    risers,
    profiled,
    inlets,
    designed,
    barred,
]


@pytest.fixture(scope="module", params=JOBS, ids=lambda job: job.__name__)
def pages(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Path, int, str]]:
    """Set, row and page of every structure of a job."""
    folder = tmp_path_factory.mktemp(request.param.__name__)
    out = request.param(folder)
    rows = [row for (row,) in query(out, 'SELECT "row" FROM schedule ORDER BY "row"')]
    return [(out, row, explain_structure(out, row=row)) for row in rows]


def query(out: Path, text: str, *values: Any) -> list[Any]:
    """Rows of a set's tables, by sqlite3."""
    database = sqlite3.connect(out / "schedule.gpkg")
    try:
        return database.execute(text, values).fetchall()
    finally:
        database.close()


# ---------------------------------------------------------------- a pocket calculator

SI = {"m": 1.0, "mm": 1e-3, "mm2": 1e-6, "%": 1e-2, "deg": math.pi / 180, "": 1.0}
FIGURE = re.compile(r"(?<![\w.])(?P<digits>\d+(?:\.(?P<decimals>\d+))?)(?: (?P<unit>mm2|mm|m|%|deg))?(?![\w.])")
RESULT = re.compile(
    r"(?P<value>-?\d+(?:\.(?P<decimals>\d+))?)(?: (?P<unit>mm2|mm|m|%|deg))?"
    r"(?: \((?P<us>[^()]+)\))?(?: +\[(?P<column>\w+)\])?"
)
RULE = re.compile(r"rule: (?P<left>.+?) (?P<sign><=|>=) (?P<name>.+) = (?P<right>.+): (?P<word>holds|fails)")
FUNCTIONS: dict[str, Callable[..., float]] = {
    **{name: getattr(math, name) for name in ("sqrt", "sin", "cos", "acos", "atan2", "hypot")},
    **{"min": min, "max": max, "abs": abs, "Phi": lambda z: 0.5 * (1 + math.erf(z / math.sqrt(2)))},
}
SIGNS: dict[type, Callable[[float, float], float]] = {
    **{ast.Add: lambda a, b: a + b, ast.Sub: lambda a, b: a - b, ast.Mult: lambda a, b: a * b},
    **{ast.Div: lambda a, b: a / b, ast.Pow: pow},
}


def calculate(text: str) -> float:
    """Value [SI] of arithmetic as printed."""

    def value(node: Any) -> float:
        if isinstance(node, ast.Constant):
            return float(node.value)
        if isinstance(node, ast.Name) and node.id == "pi":
            return math.pi
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            return -value(node.operand)
        if isinstance(node, ast.BinOp):
            return SIGNS[type(node.op)](value(node.left), value(node.right))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            return FUNCTIONS[node.func.id](*map(value, node.args))
        raise AssertionError(f"not arithmetic: {text}")

    plain = FIGURE.sub(lambda found: f"({found['digits']}*{SI[found['unit'] or '']!r})", text).replace("^", "**")
    return value(ast.parse(plain, mode="eval").body)


@dataclass(frozen=True)
class Line:
    """A line with a result: its arithmetic, empty where it is not computed there, the result [SI], its last digit."""

    text: str
    arithmetic: str
    result: float
    digit: float
    us: str
    column: str


def rows_of(page: str) -> Iterator[str]:
    """Lines of a page, those that go on below (indent of six) put together."""
    whole = ""
    for row in page.split("\n"):
        if row.startswith(" " * 6):
            whole += " " + row.strip()
        else:
            yield whole
            whole = row
    yield whole


def lines_of(page: str) -> list[Line]:
    """Every line with a result."""
    found = []
    for row in rows_of(page):
        if " = " not in row or row.lstrip().startswith("rule:"):
            continue
        *_, arithmetic, last = row.strip().split(" = ") if row.count(" = ") > 1 else ("", row.split(" = ")[1])
        end = RESULT.fullmatch(re.sub(r" +", " ", last))
        assert end, row
        unit = SI[end["unit"] or ""]
        digit = unit * 10.0 ** -len(end["decimals"] or "")
        found.append(Line(row, arithmetic, float(end["value"]) * unit, digit, end["us"] or "", end["column"] or ""))
    return found


# ---------------------------------------------------------------- every line of every page


def test_every_line_is_worked_out_from_its_own_figures(pages: list[tuple[Path, int, str]]) -> None:
    checked = 0
    for _, row, page in pages:
        for line in lines_of(page):
            if line.arithmetic:
                # half of the last digit and no more: the figures shown are as many as that takes
                assert abs(calculate(line.arithmetic) - line.result) <= 0.5001 * line.digit, (row, line.text)
                checked += 1
    assert checked > 30


def test_every_rule_is_judged_by_its_own_figures(pages: list[tuple[Path, int, str]]) -> None:
    words = set()
    for out, row, page in pages:
        for rule in rows_of(page):
            found = RULE.fullmatch(rule.strip())
            if not found:
                assert not rule.strip().startswith("rule:"), rule
                continue
            left, right = calculate(found["left"]), calculate(found["right"])
            above = left - right if found["sign"] == "<=" else right - left
            if abs(above) > 1e-9:  # equal as shown: they agree within the slack
                assert found["word"] == ("fails" if above > 0 else "holds"), (row, rule)
            else:
                assert found["word"] == "holds", (row, rule)
            words.add(found["word"])
            if re.fullmatch(r"(rules|ring)\.\w+", found["name"]):
                assert abs(limit(out, row, found["name"]) - right) < 1e-6, (row, rule)
    assert words == {"holds", "fails"}


def limit(out: Path, row: int, name: str) -> float:
    """A limit as the set's own record of its settings has it [SI]."""
    run = {key: json.loads(value) for key, value in query(out, "SELECT key, value FROM run")}
    table, _, key = name.partition(".")
    if table == "ring":
        return float(run["settings"]["ring"][key])
    ((used,),) = query(out, 'SELECT rule_set FROM schedule WHERE "row" = ?', row)
    return float(next(rules for rules in run["rules"] if rules["name"] == used)[key])


def test_every_column_that_is_named_holds_the_figure(pages: list[tuple[Path, int, str]]) -> None:
    for out, row, page in pages:
        for line in lines_of(page):
            if line.column:
                held = stored(out, row, line.column)
                # p_... move by up to 6e-6 m / sd when raise, sd and limits are rounded to 1e-6 m
                wide = 2e-3 if line.column.startswith("p_") else 2e-5 if line.column.endswith(("deg", "pct")) else 4e-6
                assert abs(held - line.result) <= 0.5001 * line.digit + wide, (row, line.text)


def stored(out: Path, row: int, column: str) -> float:
    """A figure of a set [SI]."""
    table = "ordinates" if re.fullmatch(r"h\d\d_mm|radius_mm|wrap_mm|mark_deg", column) else "schedule"
    ((value,),) = query(out, f'SELECT "{column}" FROM {table} WHERE "row" = ?', row)
    unit = {"mm": 1e-3, "pct": 1e-2, "deg": math.pi / 180}.get(column.rsplit("_", 1)[-1], 1.0)
    return float(value) * unit


def test_every_published_figure_stands_on_the_page(pages: list[tuple[Path, int, str]]) -> None:
    for out, row, page in pages:
        named = set(re.findall(r"\[(\w+)\]$", page, re.MULTILINE))
        for column in SCHEDULE:
            ((value,),) = query(out, f'SELECT "{column.name}" FROM schedule WHERE "row" = ?', row)
            if value not in (None, "") and column.name not in named:
                assert (column.name, value) in SILENT or column.name in WHOLE, (row, column.name, value)


SILENT = {("gap_mm", 0.0), ("interim_bump_mm", 0.0), ("interim_hole_mm", 0.0), ("lower_by_mm", 0.0)}
"""Nothing to tell of: nothing is milled."""
WHOLE = {"samples", "samples_left_out", "coverage_pct", "road_shape"}
"""Counts of a place where no road could be fitted; the reason tells them."""


def test_a_page_is_plain_and_narrow(pages: list[tuple[Path, int, str]]) -> None:
    for _, _, page in pages:
        assert page.endswith("\n")
        for row in page.removesuffix("\n").split("\n"):
            assert len(row) <= 100
            assert row == row.rstrip()
            assert row.isprintable()


HEADINGS = (
    *("WHAT IT IS", "THE ROAD OF TODAY", "THE MILLED AND THE FINISHED ROAD", "RIM AND RAISE"),
    *("SLOPE OF THE TARGET PLANE", "MILLING", "BEARING", "CHIMNEY", "CHANGE", "MAY THE COVER STAY", "RISER"),
    *("STACK OF RINGS", "LINER", "ORDINATES AND CUT", "WHAT REMAINS", "HOW WELL IT IS KNOWN", "PROBABILITY"),
    *("VERDICT AND REASONS", "CAUTIONS"),
)


def test_all_sections_stand_in_their_order_and_none_is_empty(pages: list[tuple[Path, int, str]]) -> None:
    for _, _, page in pages:
        parts = re.split(r"\n\n\d+ (?=[A-Z])", page)[1:]
        assert [part.startswith(heading) for part, heading in zip(parts, HEADINGS, strict=True)] == [True] * len(
            HEADINGS
        )
        assert all("\n  " in part for part in parts)


def test_every_reason_of_the_table_is_told(pages: list[tuple[Path, int, str]]) -> None:
    for out, row, page in pages:
        words = " ".join(page.split())
        for code, severity, text in query(out, 'SELECT code, severity, text FROM reasons WHERE "row" = ?', row):
            assert f"{code} ({severity}): {' '.join(text.split())}" in words


def test_the_cautions_stand_at_the_end(pages: list[tuple[Path, int, str]]) -> None:
    for _, _, page in pages:
        end = " ".join(page.rpartition("CAUTIONS")[2].split())
        for words in ("a plan, not an approval", "Local codes", "licensed engineer govern", "Measure again", "cut"):
            assert words in end


def test_feet_and_inches_are_those_of_the_figure(pages: list[tuple[Path, int, str]]) -> None:
    """A sixteenth of an inch, or 0.001 ft, is the last digit; international foot and inch by definition."""
    for out, _, page in pages:
        us = query(out, "SELECT 1") and "raise_in" in (out / "schedule.csv").read_text(encoding="utf-8").split("\n")[0]
        told = [line for line in lines_of(page) if line.us]
        assert us or not told
        for line in told:
            if line.us.endswith(" in"):
                size = sum(Fraction(part) for part in line.us.removesuffix(" in").removeprefix("-").split())
                length = float(size) * 0.0254 * (-1 if line.us.startswith("-") else 1)
                assert abs(length - line.result) <= 0.0254 / 32 + 0.51 * line.digit, line.text
            else:
                feet = re.fullmatch(r"(-?[\d.]+) ft", line.us)
                assert feet, line.text
                assert abs(float(feet[1]) * 0.3048 - line.result) <= 0.0005 * 0.3048 + 0.51 * line.digit, line.text


def test_the_jobs_reach_every_section(tmp_path: Path) -> None:
    """The made-up jobs show what they are for; otherwise the tests above would pass on empty pages."""
    found = {}
    for job in (tapered, lined, risers, grates, near_limits):
        (tmp_path / job.__name__).mkdir()
        out = job(tmp_path / job.__name__)
        found[job.__name__] = query(out, "SELECT method, stack, stack_policy, other_stack, p_rebuild_pct FROM schedule")
    assert {row[0] for row in found["risers"]} >= {"riser", "keep", "adjust", "not_paved", "extend", "float"}
    assert {row[0] for row in found["lined"]} >= {"liner", "rebuild"}
    assert {row[2] for row in found["tapered"]} == {"replace_all", "add_on_top"}
    assert any("taper" in (row[1] or "") for row in found["tapered"])
    assert any(row[3] for row in found["tapered"])
    assert {row[0] for row in found["grates"]} >= {"rings"}
    assert sum(0.5 < row[4] < 99 for row in found["near_limits"]) >= 3


# ---------------------------------------------------------------- what is told of a set that is wrong


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    """What a set holds about one structure with tapered rings."""
    found = read_structure(tapered(tmp_path_factory.mktemp("one")), "A-2")
    return Facts(**{item.name: getattr(found, item.name) for item in fields(Facts)})


@pytest.mark.parametrize("column", ["raise_mm", "chimney_max_mm", "stack_misfit_mm", "finished_m", "raise_sd_mm"])
def test_a_figure_that_does_not_follow_is_pointed_at(facts: Facts, column: str) -> None:
    step = 0.4e-3 if column.endswith("_m") else 0.4
    wrong = replace(facts, schedule={**facts.schedule, column: facts.schedule[column] + step})
    assert "(!)" not in explain(facts)
    page = explain(wrong)
    assert "figures below do not agree with the set" in page
    marked = [row for row in rows_of(page) if "(!)" in row and f"[{column}]" in row]
    assert marked, page


def test_an_ordinate_that_does_not_follow_is_pointed_at(facts: Facts) -> None:
    wrong = replace(facts, ordinates={**facts.ordinates, "h07_mm": facts.ordinates["h07_mm"] + 0.3})
    (marked,) = [row for row in rows_of(explain(wrong)) if "(!)" in row and "h07" in row]
    assert "[h07_mm]" in marked


def test_texts_of_strangers_cannot_break_the_page(facts: Facts) -> None:
    wrong = replace(facts, schedule={**facts.schedule, "street": "Q = 5 mm\nraise = 1 m\x1b[2J" + "x" * 300})
    page = explain(wrong)
    assert all(row.isprintable() and len(row) <= 100 for row in page.split("\n"))
    assert not [line for line in lines_of(page) if "Q" in line.text]


# ---------------------------------------------------------------- figures


@given(st.floats(-500, 500), st.floats(-500, 500), st.floats(-0.1, 0.1))
def test_as_many_digits_as_the_result_needs(a: float, b: float, s: float) -> None:
    a, b, s = round(a, 6), round(b, 6), round(s, 9)
    exact = a - b * math.sqrt(1 + s * s)
    done = work_out("{a} - {b} * sqrt(1 + {s}^2)", {"a": metres(a), "b": metres(b), "s": pure(s)}, mm(exact), 4e-6)
    assert done.agrees
    shown = float(done.result.removesuffix(" mm"))
    assert abs(shown - 1000 * exact) <= 0.05 + 4e-3
    assert abs(1000 * calculate(done.text) - shown) <= 0.0500001


@pytest.mark.parametrize("text", ["__import__('os')", "a.b", "1 if 2 else 3", "sqrt(1, x=2)", "'1'", "[1]", "open(1)"])
def test_the_calculator_of_the_page_knows_arithmetic_alone(text: str) -> None:
    with pytest.raises((ValueError, SyntaxError)):
        evaluate(text)
