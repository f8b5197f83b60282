"""Writes an invented street with the troubles of a real one, and runs the whole job on it.

Everything is made here from closed forms and one fixed seed: no data files, nothing real. Each structure's NOTE says
what it shows; most of them are troubles that real layers have.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import shapely

from geoadjust.io.demo_files import clear_folder, write_layer, write_road, write_text
from geoadjust.io.jobfile import read_job
from geoadjust.run import demo_street as street
from geoadjust.run.schedule import Options, Progress, Summary, run_schedule

JOB, STRUCTURES, CENTRELINES, ROAD, README = "job.toml", "structures.gpkg", "centrelines.gpkg", "road.tif", "README.txt"
FILES = (JOB, STRUCTURES, CENTRELINES, ROAD, README)
FOOT = 0.3048

COLUMNS: dict[str, str | float | None] = {
    "STREET": "Sample Street",
    "OWNER": "city",
    "FRAME": None,
    "NEW_FRAME": None,
    "CAST_HT": None,
    "RIM_EL": None,
    "SITE_GAP": None,
    "BRG_EL": None,
    "MEAS_DOWN": None,
    "MD_FROM": None,
    "EX_CHIM": None,
    "EX_RINGS": None,
    "RISER": None,
    "CHIM_COND": None,
    "MILL_IN": None,
    "OVLY_IN": None,
    "PAVED": None,
    "CROSSWALK": None,
}
"""Columns of the layer besides ASSET_NO, TYPE and NOTE, and what stands there unless a case says otherwise."""

FRAMES = {
    "SSMH": "round-standard",
    "SDMH": "round-standard",
    "WV": "valve-box",
    "HH": "round-light",
    "CB": "inlet-grate",
}

EMPTY, TWO_PARTS = "empty", "two parts"


@dataclass(frozen=True, slots=True)
class Case:
    """One structure: place on the street, today's rim above the road [mm] (None = no rim), odd cells, what it shows."""

    id: str
    type: str
    along: float
    offset: float
    rim_off: float | None
    note: str
    cells: Mapping[str, Any] = field(default_factory=dict)
    shape: str = "point"


CASES: tuple[Case, ...] = (
    Case("SS-101", "SSMH", 6, 0, 3, "on the crown: cannot be flush all round", {"EX_CHIM": 6.0}),
    Case("SS-102", "SSMH", 14, -1.8, 2, "bearing by a measure-down", {"MEAS_DOWN": "9 3/8 in", "MD_FROM": "rim"}),
    Case("SD-103", "SDMH", 20, 2, 0, "overlay only here: one riser is enough", {"MILL_IN": 0.0, "OVLY_IN": 1.0}),
    Case(
        "SS-104",
        "SSMH",
        26,
        -2,
        None,
        "gap measured as 0, not paved here: may stay",
        {"SITE_GAP": "0 in", "MILL_IN": 0.0, "OVLY_IN": 0.0},
    ),
    Case("WV-105", "WV", 30, 2.6, -6, "valve: rule set of its own, recessed 6 mm"),
    Case("SS-106", "SSMH", 40, 0.3, 0, "in the intersection: two street axes", {"EX_CHIM": 5.0}),
    Case("SD-107", "CB", 48, 4.27, None, "inlet in the gutter; its id stands twice"),
    Case("SD-107", "CB", 48, -4.27, None, "inlet in the gutter; its id stands twice"),
    Case("", "SSMH", 52, 1.6, 0, "blank id", {"EX_CHIM": 4.0}),
    Case("0012", "SSMH", 56, -1.5, -4, "an id that a spreadsheet would shorten", {"EX_CHIM": 7.0}),
    Case("SS-111", "SSMH", 60, 1.8, None, "rim 0", {"RIM_EL": 0.0}),
    Case("SS-112", "SSMH", 64, -1.8, None, "rim -9999", {"RIM_EL": -9999.0}),
    Case("SS-113", "SSMH", 68, 1.8, None, "rim 9999", {"RIM_EL": 9999.0}),
    Case("SS-114", "SSMH", 72, -1.8, None, "rim without its decimal point", {"RIM_EL": 70548.0}),
    Case("SS-115", "SSMH", 76, 1.8, 350, "rim on an old datum"),
    Case("SS-116", "SSMH", 80, -1.8, None, "no rim, nothing known: taken as flush"),
    Case("SS-117", "SSMH", 0, 0, None, "empty geometry", shape=EMPTY),
    Case("SS-118", "SSMH", 86, 1.8, 2, "two points in one row", shape=TWO_PARTS),
    Case("SS-119", "SSMH", -30, 0, None, "off the raster"),
    Case("SS-120", "SSMH", 170.3, 2.8, None, "under the parked car", {"EX_CHIM": 5.0}),
    Case("SS-121", "SSMH", 169.5, 1.1, 1, "beside the parked car", {"EX_CHIM": 5.0}),
    Case("SD-122", "SDMH", 92, 3.95, -3, "at the kerb", {"EX_CHIM": 5.0}),
    Case("CM-123", "MON", 98, 0, None, "survey monument"),
    Case("GV-124", "WV", 104, -2.4, 0, "of another owner", {"OWNER": "gas utility"}),
    Case("SS-125", "SSMH", 222, -1.8, 1, "measure-down to the invert", {"MEAS_DOWN": "11 ft 4 in", "MD_FROM": "rim"}),
    Case("SS-126", "SSMH", 226, 1.8, 0, "a casting that nobody lists", {"FRAME": "cast-1931"}),
    Case("SS-127", "SSMH", 230, -1.8, 0, "a height that nobody can read", {"CAST_HT": "abt 8", "EX_CHIM": 6.0}),
    Case(
        "SS-128",
        "SSMH",
        234,
        1.8,
        2,
        "low casting for a tall one",
        {"FRAME": "round-tall", "NEW_FRAME": "round-light", "EX_CHIM": 3.0},
    ),
    Case("SS-129", "SSMH", 238, -1.8, -18, "a riser is on the frame today", {"RISER": "yes", "EX_CHIM": 4.0}),
    Case("SS-130", "SSMH", 242, 1.8, -28, "a riser would do, but the chimney is poor", {"CHIM_COND": "poor"}),
    Case("SS-131", "SSMH", 246, -1.8, 0, "chimney too tall", {"EX_CHIM": 13.0}),
    Case("SS-132", "SSMH", 112, 1.8, 2, "bearing too high", {"BRG_EL": -0.160}),
    Case("SS-133", "SSMH", 200, 1.9, 0, "near level: rings fit", {"CAST_HT": "7 3/4 in", "EX_CHIM": 5.5}),
    Case("SS-134", "SSMH", 122, -1.9, 1, "steep, bearing known: tapered rings do", {"EX_CHIM": 6.0}),
    Case("SS-135", "SSMH", 132, 1.9, -2, "steep, bearing unknown"),
    Case("SS-136", "SSMH", 190, -2, 11, "stands today as high as the new road will"),
    Case("SS-137", "SSMH", 186, 2.2, 0, "next to no chimney", {"MEAS_DOWN": "7 5/16 in", "MD_FROM": "rim"}),
    Case("HH-138", "HH", 218, 3, 1, "handhole, light casting", {"EX_CHIM": 3.5}),
    Case("CO-139", "C/O", 218, -3, 0, "a type that the job does not know"),
    Case("SS-140", "SSMH", 210, -2.2, 0, "bus stop: pushed-up asphalt", {"EX_CHIM": 5.0}),
    Case("SS-141", "SSMH", 194.9, 2.0, 0, "sunken trench beside it: left out of the fit", {"EX_CHIM": 5.0}),
    Case("SS-142", "SSMH", 142, -2, 0, "digitised twice", {"CAST_HT": "7 3/4 in"}),
    Case("SS-142B", "SSMH", 142.03, -2.02, 0, "digitised twice", {"CAST_HT": "7 3/4 in"}),
    Case("SS-143", "SSMH", 40, 24, 3, "on Side Lane", {"STREET": "Side Lane", "EX_CHIM": 6.0}),
    Case(
        "SS-144",
        "SSMH",
        38,
        32,
        0,
        "more milled than paved: goes down",
        {"STREET": "Side Lane", "EX_CHIM": 6.0, "MILL_IN": 2.0, "OVLY_IN": 1.5},
    ),
    Case("SS-145", "SSMH", 158, -1.9, 0, "measured down from what?", {"MEAS_DOWN": "10 1/4 in"}),
    Case(
        "SS-146",
        "SSMH",
        38.4,
        16,
        1,
        "good old rings: new ones are added to them",
        {"STREET": "Side Lane", "EX_CHIM": 4.0, "EX_RINGS": 2, "CHIM_COND": "good", "MILL_IN": 1.5, "OVLY_IN": 4.0},
    ),
    Case(
        "SS-147",
        "SSMH",
        41.5,
        11,
        1,
        "are the old rings good? both quantities",
        {"STREET": "Side Lane", "EX_CHIM": 4.0, "EX_RINGS": 2, "MILL_IN": 1.5, "OVLY_IN": 4.0},
    ),
    Case(
        "SS-148",
        "SSMH",
        136,
        1.9,
        0,
        "steep and low: no rings, a liner is cut; a ridge under the flange",
        {"FRAME": "round-tall", "EX_CHIM": 2.45},
    ),
    Case("HH-149", "HH", 116, -3, 1, "in a crosswalk: limits of its own", {"EX_CHIM": 3.0, "CROSSWALK": "yes"}),
    Case("SS-150", "SSMH", 242, -3.2, -4, "outside the paving", {"PAVED": "no"}),
    Case("SS-151", "SSMH", 62, -2.4, 2, "floating casting: goes up with the paving", {"FRAME": "round-floating"}),
    Case("WV-152", "WV", 100, 2.2, -2, "valve past its travel", {"MILL_IN": 0.0, "OVLY_IN": 4.0}),
)


def run_demo(folder: Path, *, overwrite: bool, progress: Progress) -> Summary:
    """Write the demo into a folder and run its job.

    Parameters
    ----------
    folder : made where it is missing; the output set goes into its folder `out`
    overwrite : replace an earlier demo, and nothing else
    progress : called with stage, done, total

    Raises
    ------
    OutputBusyError
        the folder holds files that are not the demo's, or an earlier demo and `overwrite` is off
    OutputError
        no place to write
    """
    clear_folder(folder, FILES, overwrite=overwrite)
    heights, west, north = street.scan()
    write_road(folder / ROAD, heights, west=west, north=north, cell=street.CELL, crs=street.CRS)
    geometries = [shape_of(case) for case in CASES]
    write_layer(folder / STRUCTURES, "castings", geometries, cells_of(CASES), kind="Unknown", crs=street.CRS)
    names = {"NAME": ["Sample Street", "Side Lane"]}
    write_layer(folder / CENTRELINES, "axes", axes(), names, kind="LineString", crs=street.CRS)
    write_text(folder / JOB, JOB_TEXT)
    write_text(folder / README, README_TEXT)
    options = Options(overwrite=overwrite, progress=progress, command=("demo", str(folder)))
    return run_schedule(read_job(folder / JOB), options)


def shape_of(case: Case) -> Any:
    """Geometry of a case."""
    if case.shape == EMPTY:
        return shapely.Point()
    alongs = (case.along, case.along + 1.0) if case.shape == TWO_PARTS else (case.along,)
    points = [tuple(map(float, street.place(along, case.offset))) for along in alongs]
    return shapely.MultiPoint(points) if case.shape == TWO_PARTS else shapely.Point(points[0])


def cells_of(cases: tuple[Case, ...]) -> dict[str, list[Any]]:
    """Columns of the layer, from the cases."""
    rows = [_row(case) for case in cases]
    return {name: [row[name] for row in rows] for name in ("ASSET_NO", "TYPE", *COLUMNS, "NOTE")}


def _row(case: Case) -> dict[str, Any]:
    """Cells of one structure; elevations in feet, and a bearing that a case states below the rim."""
    row = {"ASSET_NO": case.id, "TYPE": case.type, **COLUMNS, "FRAME": FRAMES.get(case.type), "NOTE": case.note}
    if case.rim_off is not None:
        row["RIM_EL"] = _feet(street.road_at_cover(case.along, case.offset) + case.rim_off / 1000)
    row |= case.cells
    if isinstance(row["BRG_EL"], float) and isinstance(row["RIM_EL"], float):
        row["BRG_EL"] = round(row["RIM_EL"] + row["BRG_EL"] / FOOT, 3)
    return row


def _feet(metres: float) -> float:
    return round(metres / FOOT, 3)


def axes() -> list[Any]:
    """Centrelines of both streets."""
    ends = [((0.0, 0.0), (street.LENGTH, 0.0)), ((street.LANE_AT, 0.0), (street.LANE_AT, street.LANE_END))]
    return [shapely.LineString([street.place(*begin), street.place(*end)]) for begin, end in ends]


JOB_TEXT = """\
# The job of the demo: bring the castings of Sample Street to grade. Paths are relative to this file.
# Try: geoadjust check job.toml        says what would be done, and what is wrong, without writing anything
#      geoadjust schedule job.toml --overwrite

[structures]
path = "structures.gpkg"
vertical_unit = "ft"                    # of the numbers in RIM_EL, BRG_EL (the road is in metres, see below)
dimension_unit = "in"                   # of the numbers in EX_CHIM, MILL_IN, OVLY_IN; text may state its own unit
owners = ["city"]                       # all others are only to be notified

[structures.columns]                    # ours = theirs
id = "ASSET_NO"
kind = "TYPE"
street = "STREET"
owner = "OWNER"
casting = "FRAME"
new_casting = "NEW_FRAME"
casting_height = "CAST_HT"
rim = "RIM_EL"
gap = "SITE_GAP"
bearing = "BRG_EL"
measure_down = "MEAS_DOWN"
measure_down_from = "MD_FROM"
existing_chimney = "EX_CHIM"
existing_rings = "EX_RINGS"
riser_present = "RISER"
chimney_condition = "CHIM_COND"
mill = "MILL_IN"
overlay = "OVLY_IN"
paved = "PAVED"
pedestrian = "CROSSWALK"
note = "NOTE"

[structures.kinds]                      # theirs = ours
SSMH = "manhole"
SDMH = "manhole"
CB = "inlet"
WV = "valve"
HH = "handhole"
MON = "monument"

[surface]                               # today's road
path = "road.tif"
vertical_unit = "m"                     # the file's CRS does not say it
noise = "3 mm"
accuracy = "8 mm"                       # one sd of a shift of the whole survey

[finished]                              # tomorrow's: existing - mill + overlay; MILL_IN and OVLY_IN of a structure win
mill = "40 mm"
overlay = "50 mm"

[centrelines]
path = "centrelines.gpkg"

[[rules]]                               # the first set that matches is used
name = "valves"
kinds = ["valve"]
recess = "6 mm"

[[rules]]
name = "crosswalks"
pedestrian = "yes"
max_edge_gap = "1/4 in"
max_grade = "5 %"
max_cross_slope = "1:48"

[[rules]]
name = "side lane"
streets = ["Side Lane"]
existing_stack = "add_on_top"           # a good old chimney stays, rings are added to it

[[rules]]                               # no condition: all others
name = "example"
tolerance = "6 mm"
max_chimney = "12 in"
max_rings = 4
steep = "6 %"

[catalogue]
# path = "parts.toml"                   # without it: the built-in example parts (round-light, ring-50, riser-25 ...)

[output]
path = "out"
units = "us"                            # inches in sixteenths and feet; "metric" for mm and m
"""

README_TEXT = """\
A demo of geoadjust. Street, structures and figures are invented.

  structures.gpkg    castings as an inventory has them: own column names, mixed units, the usual troubles; NOTE says
                     what each row shows
  road.tif           today's road, 0.1 m cells, metres; a parked car left a hole
  centrelines.gpkg   street axes, for grade and cross slope
  job.toml           what to do with them; change it and run: geoadjust schedule job.toml --overwrite
  out/schedule.csv   the schedule for people: one row per structure, the order in its column remark
  out/schedule.gpkg  the same for a GIS, in mm and m, with ordinates, stacks and all reasons
  out/columns.csv    what each column means
  out/run.json       what was run, with hashes of the files

Read `ready` and `flags` before `remark`. The figures are a plan, not an approval.

  - An open structure may be a permit space with a bad atmosphere: nobody enters, nobody leans in. Measure from above
    with a rod or a tape. The owner's confined-space procedure and air test govern.
  - Guard every opening; lift with a device; traffic control by the authority's plan.
  - Measure again on the prepared bearing before anything is cut.
  - Local codes, the owner's standard and the licensed engineer govern.
"""
