"""Measuring again: a table of readings and a set in, a set of just those structures out; or one by flags."""

from __future__ import annotations

import csv
import json
import math
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from geoadjust.core.measured import ROADS
from geoadjust.run.demo import run_demo
from tests.run.commands import run

INCH = 25.4
WORKED = {
    "--depths": "10 3/4in, 10 5/8in, 10 1/4in, 10 3/8in",
    "--casting": "7in",
    "--flange": "27in",
    "--radius": "12in",
    "--reference": "existing",
    "--to-come": "1/2in",
    "--joint": "1/8in",
}
MEASURED = ("SS-101", "SS-134", "SS-148")


def _flags(**given: str) -> list[str]:
    options = {**WORKED, **{f"--{name.replace('_', '-')}": value for name, value in given.items()}}
    return [word for pair in options.items() for word in pair]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("remeasure")
    run_demo(place, overwrite=True, progress=lambda *_: None)
    return place / "out"


def _table(folder: Path, table: str, key: str = "structure_id") -> dict[str, dict[str, Any]]:
    with sqlite3.connect(folder / "schedule.gpkg") as database:
        database.row_factory = sqlite3.Row
        found = {line[key]: dict(line) for line in database.execute(f'SELECT * FROM "{table}"')}
    database.close()
    return found


def _planned_readings(demo: Path, path: Path, reference: str = "existing", **more: str) -> Path:
    """Readings as they would be if the bearing were where the plan has it: distance of two planes, worked here."""
    schedule, models = _table(demo, "schedule"), _table(demo, "models", "row")
    lines = []
    for name in MEASURED:
        planned = schedule[name]
        inner = models[planned["row"]]
        height = inner["structures_new_casting_height"]
        slope = math.hypot(inner["rims_target_slope_east"], inner["rims_target_slope_north"])
        level = planned[f"{reference}_m"]
        for clock, turn in (("12", 0.0), ("3", 0.5 * math.pi), ("6", math.pi), ("9", 1.5 * math.pi)):
            azimuth = inner["rims_mark"] + turn
            east, north = 0.3 * math.sin(azimuth), 0.3 * math.cos(azimuth)
            chimney = planned["chimney_mm"] / 1000
            chimney += inner["chimneys_tilt_east"] * east + inner["chimneys_tilt_north"] * north
            depth = chimney - (planned["finished_m"] - level) + height * math.sqrt(1 + slope**2)
            line = {"id": name, "clock": clock, "reading": f"{1000 * depth:.2f} mm", "radius": "300 mm"}
            lines.append({**line, "reference": reference, "casting_height": f"{1000 * height:.1f} mm", **more})
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(lines[0]))
        writer.writeheader()
        writer.writerows(lines)
    return path


# ---------------------------------------------------------------- one structure by flags


def test_the_worked_example_by_flags() -> None:
    """Worked by hand: thin wall of 27 in, level bearing, joints 1/4 in together, mill 1 1/2 and overlay 2 in."""
    found = json.loads(run("remeasure", *_flags(), "--json"))
    stations = [found[name] / INCH for name in ("h01_mm", "h05_mm", "h09_mm", "h13_mm")]
    assert stations == pytest.approx([4.029351, 3.888726, 3.466851, 3.607476], abs=2.5e-5)
    heights = [found[name] / INCH for name in ("piece_mm", "piece_max_mm", "piece_min_mm")]
    assert heights == pytest.approx([3.748101, 4.062548, 3.433654], abs=2.5e-5)
    assert found["slope_pct"] == pytest.approx(2.329237, abs=1e-6)
    assert found["long_side_deg"] == pytest.approx(26.565, abs=5e-4)
    assert found["chimney_mm"] - found["piece_mm"] == pytest.approx(0.25 * INCH, abs=1e-3)
    assert (found["ready"], found["reasons"]) == ("cut", [])


@pytest.mark.parametrize("reference", ROADS)
def test_the_road_that_the_bar_lay_on_is_only_a_name(reference: str) -> None:
    """Without a plan the depths and what is to come say everything."""
    other = json.loads(run("remeasure", *_flags(reference=reference), "--json"))
    assert other == json.loads(run("remeasure", *_flags(), "--json"))


def test_lines_for_a_small_screen() -> None:
    lines = run("remeasure", *_flags()).splitlines()
    assert lines[0] == "ready: cut"
    assert lines[3] == "at 12: 4 in; at 3: 3 7/8 in; at 6: 3 7/16 in; at 9: 3 5/8 in (12 = the mark, seen from above)"
    assert "lay a level on it" in lines[-1]


def test_three_depths_are_not_enough_to_cut() -> None:
    """0/120/240 with 200/210/220 mm: centre 210; 210 + 50 - 150 sqrt(1 + s^2) - 12."""
    found = json.loads(run("remeasure", *_flags(depths="200mm,210mm,220mm", casting="150mm", radius="300mm",
                                                 to_come="50 mm", flange="700mm", joint="6mm"), "--json"))  # fmt: skip
    slope = found["slope_pct"] / 100
    assert found["piece_mm"] == pytest.approx(210 + 50 - 150 * math.sqrt(1 + slope**2) - 12, abs=1e-3)
    assert (found["ready"], [each["code"] for each in found["reasons"]]) == ("measure", ["no_check_reading"])


def test_a_misread_of_one_inch_is_flagged() -> None:
    depths = "10 3/4in, 10 5/8in, 11 1/4in, 10 3/8in"
    found = json.loads(run("remeasure", *_flags(depths=depths), "--json"))
    assert (found["ready"], found["reasons"][0]["code"]) == ("review", "misread")
    assert found["misread_mm"] == pytest.approx(INCH, abs=1e-3)  # 12 and 6 less 3 and 9: 22 - 21 in
    assert "do not cut" in run("remeasure", *_flags(depths=depths)).splitlines()[0]


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"depths": "10in, 10in"}, "2 depths"),
        ({"depths": "10, 11in, 10in, 10in"}, "without a unit"),
        ({"casting": "7ft"}, "not plausible"),
        ({"joint": "abc"}, "--joint"),
    ],
)
def test_flags_that_cannot_be_right(given: dict[str, str], told: str) -> None:
    assert told in run("remeasure", *_flags(**given), code=3)


def test_flags_that_do_not_go_together(demo: Path) -> None:
    assert "--depths needs" in run("remeasure", "--depths", "1in,2in,3in", code=2)
    assert "stands alone" in run("remeasure", demo, demo, *_flags(), code=2)
    assert "READINGS" in run("remeasure", demo, code=2)


# ---------------------------------------------------------------- a table of readings


@pytest.fixture(scope="module")
def again(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("again")
    table = _planned_readings(demo, folder / "readings.csv", by="J. Sample", note='=1+1 "wet"')
    run("remeasure", demo, table, "--out", folder / "measured")
    return folder / "measured"


def test_a_bearing_where_it_was_planned_gives_the_plan_back(demo: Path, again: Path) -> None:
    planned, found = _table(demo, "schedule"), _table(again, "schedule")
    assert set(found) == set(MEASURED)
    for name in MEASURED:
        for column in ("chimney_mm", "chimney_min_mm", "chimney_max_mm"):
            assert found[name][column] == pytest.approx(planned[name][column], abs=0.15), (name, column)
        for column in ("row", "method", "stack", "liner", "street", "target_rim_m", "raise_mm", "casting"):
            assert found[name][column] == planned[name][column], (name, column)
    off = _table(again, "measurements")
    assert all(abs(off[name]["off_plan_mm"]) < 0.15 for name in MEASURED)


@pytest.mark.parametrize("reference", ["finished", "milled"])
def test_each_road_gives_the_same_chimney(demo: Path, again: Path, tmp_path: Path, reference: str) -> None:
    table = _planned_readings(demo, tmp_path / "readings.csv", reference)
    run("remeasure", demo, table, "--out", tmp_path / "out")
    found, other = _table(tmp_path / "out", "schedule"), _table(again, "schedule")
    for name in MEASURED:
        assert found[name]["chimney_mm"] == pytest.approx(other[name]["chimney_mm"], abs=0.3)


def test_only_what_is_known_well_may_be_cut(again: Path) -> None:
    """A liner whose clearances were never measured stays `measure`."""
    ready = {name: line["ready"] for name, line in _table(again, "schedule").items()}
    assert ready == {"SS-101": "cut", "SS-134": "cut", "SS-148": "measure"}


def test_readings_and_texts_are_kept(again: Path) -> None:
    with sqlite3.connect(again / "schedule.gpkg") as database:
        rows = database.execute("SELECT structure_id, position, radius_mm, left_out FROM readings").fetchall()
        notes = {row[0] for row in database.execute("SELECT note FROM measurements")}
    database.close()
    assert len(rows) == 12
    assert rows[:2] == [("SS-101", 1, 300.0, 0), ("SS-101", 2, 300.0, 0)]
    assert notes == {'=1+1 "wet"'}
    record = json.loads((again / "run.json").read_text(encoding="utf-8"))
    assert record["counts"]["tables"]["schedule"] == 3


@pytest.mark.parametrize("command", ["sheets", "template", "report", "export"])
def test_documents_of_just_these_structures(again: Path, tmp_path: Path, command: str) -> None:
    more = ("--as", "points,geojson,dxf,xlsx") if command == "export" else ()
    told = json.loads(run(command, again, "--out", tmp_path / command, *more, "--json"))
    assert told["structures"] == 3
    assert told["files"]


def test_a_sheet_of_a_measured_structure_says_so(again: Path, tmp_path: Path) -> None:
    """Its casting is out and its bearing open: no word of lowering it, and no plan."""
    run("sheets", again, "--out", tmp_path, "--id", "SS-134")
    text = PdfReader(tmp_path / "sheets.pdf").pages[1].extract_text()
    assert "MEASURED" in text
    assert "Before milling" not in text
    assert "not an approval" in text


def test_the_computation_can_be_checked(again: Path) -> None:
    for name in MEASURED:
        assert "(!)" not in run("explain", again, name)


def test_the_plan_is_left_alone_and_the_same_set_comes_again(demo: Path, again: Path, tmp_path: Path) -> None:
    before = {path.name: path.read_bytes() for path in demo.iterdir()}
    run("remeasure", demo, again.parent / "readings.csv", "--out", tmp_path / "out")
    assert {path.name: path.read_bytes() for path in demo.iterdir()} == before
    for name in ("schedule.gpkg", "schedule.csv"):
        assert (tmp_path / "out" / name).read_bytes() == (again / name).read_bytes()


def test_ids_that_the_set_does_not_hold_are_listed(demo: Path, tmp_path: Path) -> None:
    table = tmp_path / "readings.csv"
    line = "300 mm,290 mm,275 mm,285 mm,300 mm,existing"
    heading = "id,reading_12,reading_3,reading_6,reading_9,radius,reference"
    table.write_text(f"{heading}\nSS-101,{line}\nNO-1,{line}\nSD-107,{line}\n", encoding="utf-8")
    told = json.loads(run("remeasure", demo, table, "--out", tmp_path / "out", "--json"))
    assert told["structures"] == 1
    assert [each.split(": ", 1)[1] for each in told["left_out"]] == [
        "no structure 'NO-1'",
        "2 structures with id 'SD-107' (rows 6, 7): write the row",
    ]
    table.write_text(f"{heading}\nNO-1,{line}\n", encoding="utf-8")
    assert "no structure 'NO-1'" in run("remeasure", demo, table, "--out", tmp_path / "other", code=3)
    assert not (tmp_path / "other").exists()


def test_a_set_that_is_there_is_not_replaced_unasked(demo: Path, again: Path) -> None:
    table = again.parent / "readings.csv"
    assert "--overwrite" in run("remeasure", demo, table, "--out", again, code=6)
