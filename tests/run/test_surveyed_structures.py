"""Structures that are shots of the survey that the road is made of: one file, one job.

Truth: the closed form of a made street: crowned and kerbed, on a curve and on a grade. Its shots carry no noise,
so what is left is the chord between cross sections: 10 m on a radius of 500 m rises by 25 mm in plan, which at 2.5 %
is 0.6 mm in height; figures are held to 1.5 mm.
"""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geoadjust.errors import InputError
from geoadjust.run.check import check_job

EAST, NORTH, RADIUS, GRADE, CROWN, HALF, KERB = 500_000.0, 4_500_000.0, 500.0, 0.03, 0.025, 5.0, 0.150
SECTIONS = 127
LINES = {"CL": (0.0,), "LN": (-2.5, 2.5), "EP": (-HALF, HALF), "TC": (-HALF - 0.15, HALF + 0.15), "BW": (-7.0, 7.0)}
ROAD = ["CL", "LN", "EP", "TC", "BW"]
TOLERANCE = 1.5
"""[mm]"""


def place(s: Any, d: Any) -> tuple[Any, Any]:
    """Easting and northing at a chainage and an offset to the left [m]."""
    turn = s / RADIUS
    return EAST + (RADIUS - d) * np.sin(turn), NORTH + RADIUS - (RADIUS - d) * np.cos(turn)


def height(s: Any, d: Any) -> Any:
    side = np.abs(d)
    return 200 + GRADE * s - CROWN * np.minimum(side, HALF) + np.where(side > HALF + 0.1, KERB, 0.0)


class Street:
    """Shots as (number, northing, easting, elevation, description), pairs of numbers, and the structures' gaps [mm]."""

    def __init__(self) -> None:
        self.shots: list[tuple[str, float, float, float, str]] = []
        self.pairs: list[tuple[str, str]] = []
        self.gaps: dict[str, float] = {}
        random = np.random.default_rng(26)
        for code, offsets in LINES.items():
            for side, d in enumerate(offsets):
                for k in range(SECTIONS):
                    number = self.add(10.0 * k, d, 0.0, f"{code}{' left' * side}")
                    if k and code in ("CL", "EP", "TC"):
                        self.pairs.append((str(int(number) - 1), number))
        for k, s in enumerate(random.uniform(30, 1230, 30)):
            gap = float(random.uniform(-0.03, 0.03))
            code, d = ("MH sewer", "CB", "wv 150")[k % 3], (-2.5, 2.5)[k % 2]
            self.gaps[self.add(s, d, gap, code)] = 1000 * gap
        for s in random.uniform(0, 1200, 70):
            self.add(
                s, random.uniform(-6.5, 6.5), random.uniform(0.5, 2.0), ("TREE oak", "HYD", "WALL foot")[int(s) % 3]
            )
        random.shuffle(self.shots)

    def add(self, s: float, d: float, above: float, text: str) -> str:
        east, north = place(s, d)
        number = str(len(self.shots) + 1)
        self.shots.append((number, float(north), float(east), float(height(s, d) + above), text))
        return number

    def bust(self, near: str, code: str, by: float) -> str:
        """Raise the shot of a code that is nearest to a structure; gives its number."""
        there = {shot[0]: np.array(shot[1:3]) for shot in self.shots}
        coded = [shot for shot in self.shots if shot[4].startswith(code)]
        worst = min(coded, key=lambda shot: float(np.hypot(*(there[shot[0]] - there[near]))))
        self.shots[self.shots.index(worst)] = (*worst[:3], worst[3] + by, worst[4])
        return worst[0]

    def write(self, folder: Path, *, easting_first: bool = False, header: bool = True) -> Path:
        with open(folder / "topo.csv", "w", newline="") as file:
            writer = csv.writer(file)
            if header:
                writer.writerow(["Pt", *(("East", "North") if easting_first else ("North", "East")), "Elev", "Desc"])
            for number, north, east, z, text in self.shots:
                writer.writerow([number, *((east, north) if easting_first else (north, east)), repr(z), text])
        (folder / "pairs.csv").write_text("from,to\n" + "".join(f"{a},{b}\n" for a, b in self.pairs))
        return folder / "topo.csv"


JOB = """
[structures]
path = "topo.csv"
codes = ["MH", "CB", "WV"]
kinds = { MH = "manhole", CB = "inlet", WV = "valve" }
crs = "EPSG:32617"
vertical_unit = "m"
ORDER
[surface]
path = "topo.csv"
codes = ["CL", "LN", "EP", "TC", "BW"]
breaklines = "pairs.csv"
busts = "leave_out"
crs = "EPSG:32617"
vertical_unit = "m"
ORDER
[output]
path = "out"
"""
EASTING_FIRST = 'order = ["point", "easting", "northing", "elevation", "description"]\n'


def read(site: Any, *settings: str, order: str = "") -> Any:
    from geoadjust.io.jobfile import read_job

    path = site.folder / "job.toml"
    path.write_text(JOB.replace("ORDER\n", order))
    return read_job(path, {}, settings)


def run(site: Any, *settings: str, order: str = "") -> list[dict[str, Any]]:
    from geoadjust.run.schedule import Options, run_schedule

    run_schedule(read(site, *settings, order=order), Options(overwrite=True))
    return list(site.table("schedule"))


@pytest.mark.parametrize(("easting_first", "header"), [(False, True), (True, False)])
def test_one_file_is_road_and_structures(site: Any, easting_first: bool, header: bool) -> None:
    street = Street()
    assert len(street.shots) == 9 * SECTIONS + 30 + 70  # 1,243
    near = list(street.gaps)[:2]
    busts = [street.bust(near[0], "LN", 0.6), street.bust(near[1], "EP", -0.9)]
    street.write(site.folder, easting_first=easting_first, header=header)
    order = EASTING_FIRST if easting_first else ""
    rows = run(site, order=order)
    in_file = [shot for shot in street.shots if shot[0] in street.gaps]
    assert [row["structure_id"] for row in rows] == [shot[0] for shot in in_file]
    assert [row["description"] for row in rows] == [shot[4] for shot in in_file]
    words = {"MH": "manhole", "CB": "inlet", "WV": "valve"}
    assert [row["kind"] for row in rows] == [words[shot[4].split()[0].upper()] for shot in in_file]
    for row in rows:
        assert row["gap_mm"] == pytest.approx(street.gaps[row["structure_id"]], abs=TOLERANCE), row["structure_id"]
    report = check_job(read(site, order=order))
    told = "\n".join((*report.lines, *report.notices))
    assert f"{9 * SECTIONS} of 1243 shots are taken" in told
    assert "2 shots may be busts and are left out" in told
    for number, side, size in ((busts[0], "above", 0.6), (busts[1], "below", 0.9)):
        found = re.search(rf"point {number} about ([0-9.]+) m {side} its neighbours", told)
        assert found is not None
        assert float(found[1]) == pytest.approx(size, abs=KERB + 0.05)  # one plane for street and sidewalk
    assert "2 pieces of breaklines that end in a shot that is left out are left out too" in told
    assert any("30 of 1243 shots are structures" in line and "EP 254" in line for line in report.notices)
    record = json.loads((site.folder / "out" / "run.json").read_text())
    assert any("30 of 1243 shots are structures" in line for line in record["findings"])
    if not header:
        return
    kept = {row["structure_id"]: row for row in run(site, "surface.busts='keep'")}
    assert "rim_disagrees" in kept[near[0]]["flags"].split()  # the bust stands in the road
    assert "2 shots may be busts and are kept" in "\n".join(check_job(read(site, "surface.busts='keep'")).notices)


def simple(site: Any, *lines: str) -> None:
    """A road of a plane, 100 m high, and further lines."""
    ground = [f"{100 + i},{NORTH + n},{EAST + e},100,GS" for i, (e, n) in enumerate(np.ndindex(21, 21))]
    (site.folder / "topo.csv").write_text("\n".join([*ground, *lines]) + "\n")


PLAIN = ("surface.codes=['GS']", "surface.breaklines=''")


def test_rows_that_lack_something_stay(site: Any) -> None:
    """A number twice, no elevation, no place at all: rows with flags, and no fault of the road in the same file."""
    simple(
        site,
        f"1,{NORTH + 10},{EAST + 10},100.01,MH a",
        f"1,{NORTH + 12},{EAST + 8},100.02,MH b",
        f"2,{NORTH + 8},{EAST + 9},,CB",
        "3,,,100.3,MH",
        f"4,{NORTH + 8},x,100.3,WV",
        f"101,{NORTH + 15},{EAST + 15},100,MH the number of a ground shot",
    )
    rows = run(site, *PLAIN)
    assert [row["structure_id"] for row in rows] == ["1", "1", "2", "3", "4", "101"]
    flags = [set(row["flags"].split()) for row in rows]
    assert all("duplicate_id" in found for found in flags[:2])
    assert "rim_missing" in flags[2]
    assert all("position_missing" in found for found in flags[3:5])
    assert rows[0]["gap_mm"] == pytest.approx(10, abs=1e-3)
    assert rows[5]["gap_mm"] == pytest.approx(0, abs=1e-3)
    assert not {"duplicate_id", "position_missing", "rim_missing"} & flags[5]
    told = "\n".join(check_job(read(site, *PLAIN)).lines)
    assert "3 further shots, of other codes, lack a coordinate" in told


def test_a_structure_without_numbers_on_the_first_line_is_no_header(site: Any) -> None:
    simple(site, f"8,{NORTH + 10},{EAST + 10},100.01,MH a")
    path = site.folder / "topo.csv"
    path.write_text("Point,North,East,Elev,Code\n9,,,,MH lost\n" + path.read_text())
    rows = run(site, *PLAIN)
    assert [(row["structure_id"], "position_missing" in row["flags"].split()) for row in rows] == [
        ("9", True),
        ("8", False),
    ]


def test_columns_may_be_mapped_otherwise(site: Any) -> None:
    simple(site, f"1,{NORTH + 10},{EAST + 10},100.01,MH a", f"2,{NORTH + 12},{EAST + 8},100.02,MH b")
    mapped = "structures.columns={ id = 'description', rim = '@z', street = 'code' }"
    rows = run(site, *PLAIN, mapped)
    assert [row["structure_id"] for row in rows] == ["MH a", "MH b"]
    assert [row["gap_mm"] for row in rows] == pytest.approx([10, 20], abs=1e-3)
    assert [row["street"] for row in rows] == ["MH", "MH"]


def test_rims_in_feet_on_a_road_in_metres(site: Any) -> None:
    """The unit of the structures is the job's, whatever that of the road is."""
    simple(site, f"1,{NORTH + 10},{EAST + 10},328.083,MH a")
    rows = run(site, *PLAIN, "structures.vertical_unit='us-ft'")
    assert rows[0]["gap_mm"] == pytest.approx(1000 * (328.083 * 1200 / 3937 - 100), abs=1e-3)


FAULTS = {
    "no unit": (["structures.vertical_unit=''"], "structures.vertical_unit", "numbers without a unit"),
    "no CRS": (["structures.crs=''"], "structures.crs", "states no CRS"),
    "no such code": (["structures.codes=['XX']"], "structures.codes", "0 of 442 shots are structures"),
    "no column of codes": (
        ["structures.order=['point', 'northing', 'easting', 'elevation']"],
        "structures.order",
        "no column holds them",
    ),
    "no elevation": (["structures.order=['northing', 'easting', 'description']"], "structures.order", "elevation"),
    "order alone": (
        ["structures.codes=[]", "structures.order=['point', 'easting', 'northing', 'elevation', 'description']"],
        "structures.order",
        "no codes are stated",
    ),
    "a column that is not there": (
        ["structures.columns={ id = 'pointno' }"],
        "structures.columns.id",
        "no column 'pointno'",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_faults_say_the_key(site: Any, name: str) -> None:
    settings, where, what = FAULTS[name]
    simple(site, f"1,{NORTH + 10},{EAST + 10},100.01,MH a")
    with pytest.raises(InputError) as caught:
        check_job(read(site, *PLAIN, *settings))
    told = {fault.where: str(fault) for fault in caught.value.faults}
    assert what in told[where]


def test_codes_are_not_for_a_layer(site: Any) -> None:
    from shapely.geometry import Point

    simple(site)
    site.structures({"id": ["a"]}, [Point(EAST, NORTH, 100)])
    with pytest.raises(InputError, match="is no text file of survey points"):
        check_job(read(site, *PLAIN, f"structures.path='{site.folder / 'covers.gpkg'}'", "structures.crs=''"))


def test_another_encoding(site: Any) -> None:
    simple(site)
    path = site.folder / "topo.csv"
    text = path.read_text() + f"1,{NORTH + 10},{EAST + 10},100.01,MH Stra\xdfe\n"
    path.write_text(text, encoding="cp1252")
    (site.folder / "road.csv").write_text(text.replace("\xdf", "ss"))
    road = f"surface.path='{site.folder / 'road.csv'}'"
    rows = run(site, *PLAIN, "structures.encoding='cp1252'", road)
    assert rows[0]["description"] == "MH Stra\xdfe"
    with pytest.raises(InputError, match="cannot be read"):
        check_job(read(site, *PLAIN, road))
