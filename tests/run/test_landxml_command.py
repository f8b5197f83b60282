"""Covers and road as two LandXML files, by one command: what it reports, and the one line that it says of a bad file.

Truth: the road's formula, with every rim a known distance above or below it. The crowned road's mean along the frame's
top edge is a closed form; all covers but one lie on one side of the crown, where it is the formula itself.
"""

from __future__ import annotations

import csv
import re
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from geoadjust.cli import main
from tests.run.kinds import CENTRE, CROWN, EAST, FRAME, NORTH, ROADS, SCALE, lattice
from tests.run.test_tins import write_landxml

HEAD = '<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">'
UNITS = '<Units><Metric linearUnit="meter"/></Units>'
COVERS = {
    "MH-1": ((3.1, -12.0), 0.0),
    "MH-2": ((3.1, -4.0), 0.018),
    "MH-3": ((-2.7, 2.5), -0.031),
    "MH-4": ((-2.7, 9.0), None),
    "MH-5": ((0.0, 13.0), 0.0),
    "IN-6": ((8.4, 6.0), -0.004),
    "MH-7": ((-9.9, -15.5), 0.007),
}
"""Place, and rim above the road's formula there [m]: one proud, one low, one without."""


def road() -> tuple[Any, Any]:
    """44 m x 44 m in steps of 1 m; the crown line lies on sides of triangles."""
    places, faces = lattice(0.98, 0.0)
    places = places - places[np.abs(places[:, 0]).argmin(), 0]
    return np.column_stack([places + CENTRE, ROADS["crowned"](*places.T)]), faces


def write_pipes(folder: Path) -> Path:
    """A pipe network of all covers."""
    structs = []
    for name, ((e, n), above) in COVERS.items():
        rim = "" if above is None else f' elevRim="{float(ROADS["crowned"](e, n)) + above!r}"'
        shape = '<InletStruct inletCase="curb"/>' if name.startswith("IN") else '<CircStruct diameter="1.2"/>'
        structs.append(f'<Struct name="{name}"{rim}>{shape}<Center>{NORTH + n!r} {EAST + e!r}</Center></Struct>')
    network = f'<PipeNetworks><PipeNetwork name="a"><Structs>{"".join(structs)}</Structs></PipeNetwork></PipeNetworks>'
    path = folder / "pipes.xml"
    path.write_text(f'{HEAD}{UNITS}<CoordinateSystem epsgCode="32617"/>{network}</LandXML>')
    return path


def run(folder: Path, surface: Path, command: str = "schedule") -> Any:
    words = [command, "--structures", str(write_pipes(folder)), "--surface", str(surface), "--out", str(folder / "out")]
    return CliRunner().invoke(main, words)


def test_rims_above_and_below_the_road(tmp_path: Path) -> None:
    points, faces = road()
    assert 3500 < len(faces) < 4500
    done = run(tmp_path, write_landxml(tmp_path / "road.xml", {"road": (points, faces)}))
    assert done.exit_code == 0, done.output
    assert "7 structures" in done.output
    database = sqlite3.connect(tmp_path / "out" / "schedule.gpkg")
    database.row_factory = sqlite3.Row
    rows = list(database.execute("SELECT * FROM schedule ORDER BY row"))
    database.close()
    assert [row["structure_id"] for row in rows] == list(COVERS)
    for row, ((e, n), above) in zip(rows, COVERS.values(), strict=True):
        # mean of -g |r sin a| along the frame of MH-5, on the crown: -2 g r / pi
        low = 2 * CROWN * SCALE * FRAME / np.pi if e == 0.0 else 0.0
        assert row["existing_m"] == pytest.approx(ROADS["crowned"](e, n) - low, abs=2e-6)
        gap = 0.0 if above is None else 1000 * (above + low)
        assert row["gap_mm"] == pytest.approx(gap, abs=3e-3)
        assert row["rim_basis"] == ("assumed_flush" if above is None else "surveyed")
        assert ("rim_missing" in row["flags"].split()) == (above is None)
        assert row["raise_mm"] == pytest.approx(-gap, abs=3e-3)
    with open(tmp_path / "out" / "schedule.csv", encoding="utf-8-sig", newline="") as file:
        shown = {row["structure_id"]: row for row in csv.DictReader(file)}
    assert list(shown) == list(COVERS)
    assert shown["MH-2"]["remark"].startswith("Lower 18 mm")
    assert shown["MH-3"]["remark"].startswith("Raise 31 mm")


def test_check_says_the_same_file_is_sound(tmp_path: Path) -> None:
    points, faces = road()
    done = run(tmp_path, write_landxml(tmp_path / "road.xml", {"road": (points, faces)}), "check")
    assert done.exit_code == 0, done.output
    assert f"{len(faces)} triangles of {len(points)} points" in done.output
    assert "7 of 7 structures lie on it" in done.output


def twice(folder: Path) -> Path:
    return write_landxml(folder / "bad.xml", {"old": road(), "new": road()})


def all_hidden(folder: Path) -> Path:
    points, faces = road()
    return write_landxml(folder / "bad.xml", {"road": (points, faces)}, hidden={"road": set(range(len(faces)))})


def holes_under_all(folder: Path) -> Path:
    points, faces = road()
    middles = points[faces, :2].mean(axis=1) - CENTRE
    away = [np.hypot(*(middles - place).T) < 2.5 for place, _ in COVERS.values()]
    hidden = set(np.flatnonzero(np.any(away, axis=0)).tolist())
    return write_landxml(folder / "bad.xml", {"road": (points, faces)}, hidden={"road": hidden})


def changed(pattern: str, by: str) -> Any:
    """The good file with one piece replaced."""

    def write(folder: Path) -> Path:
        path = write_landxml(folder / "bad.xml", {"road": road()})
        text = path.read_text(encoding="utf-8")
        found = re.sub(pattern, by, text, count=1, flags=re.S)
        assert found != text
        path.write_text(found, encoding="utf-8")
        return path

    return write


BAD = {
    "holes under all": (holes_under_all, "surface.path", "no structure of ", "holes between its triangles"),
    "all hidden": (all_hidden, "surface.path", "0 visible faces", "export its points and its triangles"),
    "missing point": (changed("<F>10 ", "<F>99999 "), "surface.path", "99999", "export it again"),
    "unnamed surface": (twice, "surface.path", "has several surfaces", 'write layer = "..."'),
    "no unit": (changed(re.escape(UNITS), ""), "surface.vertical_unit", "missing", "write vertical_unit ="),
    "strange unit": (changed('"meter"', '"furlong"'), "surface.path", "furlong", "export it in one of these"),
    "no CRS": (changed("<CoordinateSystem.*?/>", ""), "surface.crs", "states no CRS", 'write crs = "EPSG:..."'),
    "empty": (
        changed("<P .*</F>", "</Pnts><Faces>"),
        "surface.path",
        "is empty",
        "export its points and its triangles",
    ),
    "no surface": (changed("<Surface .*</Surface>", ""), "surface.path", "no surface", "export the surface"),
    "another format": (changed(".*", "<kml/>"), "surface.path", "not with <LandXML>", "export the surface as LandXML"),
    "no XML": (changed(".*", "northing,easting"), "surface.path", "not XML", "export the surface as LandXML"),
    "cut off": (changed("<Faces>.*", ""), "surface.path", "cut off", "copy or export it again"),
}


@pytest.mark.parametrize("command", ["schedule", "check"])
@pytest.mark.parametrize("bad", BAD)
def test_a_bad_file_is_one_line(tmp_path: Path, bad: str, command: str) -> None:
    """Exit 3, one fault: the job's key, the file, what is wrong, what to do; and nothing is written."""
    write, key, what, remedy = BAD[bad]
    done = run(tmp_path, write(tmp_path), command)
    assert done.exit_code == 3
    head, line, *rest = done.stderr.strip().splitlines()
    assert (head, rest) == ("fault:", [])
    assert line.strip().startswith(f"{key}: ")
    told, _, advice = line.partition(" -> ")
    assert "bad.xml" in told
    assert what in told
    assert remedy in advice
    assert "Traceback" not in done.output
    assert not (tmp_path / "out").exists()
