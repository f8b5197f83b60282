"""Vacuum tests through the command. Truth: verdicts by hand from the published example tables."""

from __future__ import annotations

import csv
import json
import sqlite3
from pathlib import Path

import pytest

from geoadjust.run.demo import run_demo
from geoadjust.run.init import write_examples
from tests.run.commands import run

TESTS = """id,date,boundary,diameter,depth,start,end,seconds,stabilised,by
SS-101,2026-06-02,on_frame,48 in,12 ft,10 inHg,9.4 inHg,75,,CD
SS-134,2026-06-02,on_frame,60 in,12 ft,10 inHg,8.6 inHg,1:30,,CD
SS-134,2026-06-09,on_frame,60 in,12 ft,34 kPa,32 kPa,1:30,,CD
SS-148,2026-06-02,on_cone,48 in,8 ft,10 inHg,9.4 inHg,60,,CD
SS-102,2026-06-02,on_frame,54 in,8 ft,10,9.4,60,,CD
NOBODY,2026-06-02,on_frame,48 in,8 ft,10,9.4,60,,CD
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("vacuum")
    run_demo(folder, overwrite=True, progress=lambda *_: None)
    write_examples(folder / "examples")
    (folder / "tests.csv").write_text(TESTS, encoding="utf-8")
    table = folder / "examples" / "vacuum" / "by_depth_and_diameter.toml"
    run("vacuum", folder / "out", folder / "tests.csv", "--table", table, "--out", folder / "tested")
    return folder


def test_each_test_has_its_verdict_and_others_are_told(place: Path) -> None:
    database = sqlite3.connect(place / "tested" / "vacuum.gpkg")
    found = database.execute('SELECT structure_id, outcome, required_s, "table" FROM vacuum').fetchall()
    database.close()
    assert [(name, outcome, required) for name, outcome, required, _ in found] == [
        ("SS-101", "pass", 75.0),
        ("SS-134", "fail", 90.0),
        ("SS-134", "pass", 90.0),
        ("SS-148", "not_applicable", 60.0),
        ("SS-102", "not_applicable", None),
    ]
    assert {table for *_, table in found} == {"by-depth-and-diameter"}
    assert "NOBODY" in json.loads((place / "tested" / "run.json").read_text())["vacuum"]["left_out"][0]


def test_people_see_their_units(place: Path) -> None:
    with open(place / "tested" / "vacuum.csv", encoding="utf-8", newline="") as file:
        first = next(csv.DictReader(file))
    assert (first["start_inhg"], first["lost_inhg"], first["depth_ft"]) == ("10", "0.6", "12")


def test_a_table_as_it_is_published_may_be_refused(place: Path) -> None:
    text = (place / "examples" / "vacuum" / "by_depth_and_diameter.toml").read_text()
    published = text.replace('at_least = "15 ft"', 'above = "15 ft"').replace('at_least = "25 ft"', 'above = "25 ft"')
    (place / "published.toml").write_text(published, encoding="utf-8")
    words = ["vacuum", place / "out", place / "tests.csv", "--table", place / "published.toml", "--out", place / "no"]
    told = run(*words, code=3)
    assert told.count("is in no band") == 6  # 15 and 25 ft, three diameters
    assert not (place / "no").exists()


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ("on_frame,48 in,12 ft,10 bar,9,75", "no pressure"),
        ("on_frame,48 in,12 ft,40 inHg,9,75", "deeper than any vacuum"),
        ("on_frame,48 in,12 ft,10,9,soon", "no time"),
        ("on_top,48 in,12 ft,10,9,75", "on_cone, on_frame"),
        ("on_frame,48,12 ft,10,9,75", "without a unit"),
    ],
)
def test_faults_say_where_and_what(place: Path, cells: str, told: str) -> None:
    bad = place / "bad.csv"
    bad.write_text(f"id,date,boundary,diameter,depth,start,end,seconds\nSS-101,2026-06-02,{cells}\n", encoding="utf-8")
    table = place / "examples" / "vacuum" / "by_depth.toml"
    printed = run("vacuum", place / "out", bad, "--table", table, "--out", place / "bad", code=3)
    assert told in printed
    assert "line 2" in printed
