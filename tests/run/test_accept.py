"""Acceptance: a table of gaps and a set in, a result out. Truth: the demo's road and the worst gap by hand."""

from __future__ import annotations

import csv
import json
import math
import sqlite3
from pathlib import Path
from typing import Any

import geopandas
import openpyxl
import pytest

from geoadjust.io.results.sets import read_set
from geoadjust.run.demo import run_demo
from tests.run.commands import run

TABLE = """id,date,gap_12,gap_3,gap_6,gap_9,rocking,bedding,seal,debris,by,note
SS-101,2026-06-02,2 mm LOW,1 mm PROUD,flush,3 mm LOW,no,full,tight,no,AB,
SS-134,2026-06-02,9 mm LOW,1 mm PROUD,flush,3 mm LOW,no,full,tight,no,AB,=1+1
SS-148,2026-06-02,2 mm,1 mm,0,3 mm,yes,full,,no,AB,
NOBODY,2026-06-02,2 mm LOW,,,,,,,,AB,
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("accept")
    run_demo(folder, overwrite=True, progress=lambda *_: None)
    (folder / "gaps.csv").write_text(TABLE, encoding="utf-8")
    run("accept", folder / "out", folder / "gaps.csv", "--out", folder / "accepted")
    return folder


def _table(folder: Path, name: str) -> list[dict[str, Any]]:
    database = sqlite3.connect(folder / "acceptance.gpkg")
    database.row_factory = sqlite3.Row
    found = [dict(line) for line in database.execute(f'SELECT * FROM "{name}"')]
    database.close()
    return found


def test_each_structure_of_the_table_is_judged_and_others_are_told(place: Path) -> None:
    rows = {row["structure_id"]: row for row in _table(place / "accepted", "acceptance")}
    assert {name: row["outcome"] for name, row in rows.items()} == {
        "SS-101": "accepted", "SS-134": "rework", "SS-148": "rework"
    }  # fmt: skip
    assert rows["SS-134"]["worst_mm"] == pytest.approx(-9)
    assert rows["SS-101"]["mean_mm"] == pytest.approx(-1)
    assert rows["SS-148"]["findings"] == "rocks not_looked_at_seal"
    assert [row["gap_mm"] for row in _table(place / "accepted", "gaps")][:4] == pytest.approx([-2, 1, 0, -3])
    assert "NOBODY" in read_set(place / "accepted")["accepted"]["left_out"][0]


def test_the_layer_has_the_plans_points_crs_and_rows(place: Path) -> None:
    made = geopandas.read_file(place / "accepted" / "acceptance.gpkg", layer="acceptance")
    plan = geopandas.read_file(place / "out" / "schedule.gpkg", layer="schedule").set_index("row")
    assert made.crs == plan.crs
    assert (made.geometry.values == plan.loc[made["row"]].geometry.values).all()
    assert (made["structure_id"].values == plan.loc[made["row"], "structure_id"].values).all()


def test_the_cover_slopes_as_the_finished_road_and_its_tilt(place: Path) -> None:
    """Flush all round: the cover's grade and cross slope are the road's at its edge."""
    table = place / "flush.csv"
    table.write_text("id,date,gap_12,gap_3,gap_6,gap_9\nSS-134,2026-06-02,0,0,0,0\n", encoding="utf-8")
    run("accept", place / "out", table, "--out", place / "flush")
    found = _table(place / "flush", "acceptance")[0]
    plan = geopandas.read_file(place / "out" / "schedule.gpkg", layer="schedule").set_index("structure_id")
    slope, axis = plan.loc["SS-134", "slope_pct"], math.radians(plan.loc["SS-134", "axis_deg"])
    uphill = math.radians(plan.loc["SS-134", "uphill_deg"])
    assert found["grade_pct"] == pytest.approx(abs(slope * math.cos(uphill - axis)), abs=1e-3)
    assert found["cross_slope_pct"] == pytest.approx(abs(slope * math.sin(uphill - axis)), abs=1e-3)
    assert found["outcome"] == "open"


def test_the_csv_is_for_people(place: Path) -> None:
    with open(place / "accepted" / "acceptance.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert float(rows[1]["worst_in"]) == -0.375  # 9 mm LOW in sixteenths
    assert rows[1]["note"] == "'=1+1"
    with open(place / "accepted" / "columns.csv", encoding="utf-8", newline="") as file:
        told = {line["column"] for line in csv.DictReader(file) if line["table"] == "acceptance.csv"}
    assert told == set(rows[0])


def test_a_measured_set_and_a_spreadsheet_serve_too(place: Path) -> None:
    readings = place / "readings.csv"
    readings.write_text(
        "id,reading_12,reading_3,reading_6,reading_9,radius,reference,casting_height\n"
        "SS-101,332 mm,330 mm,328 mm,330 mm,300 mm,existing,180 mm\n", encoding="utf-8",
    )  # fmt: skip
    run("remeasure", place / "out", readings, "--out", place / "measured")
    book = openpyxl.Workbook()
    for line in csv.reader(TABLE.splitlines()):
        book.active.append(line)
    book.save(place / "gaps.xlsx")
    told = json.loads(run("accept", place / "measured", place / "gaps.xlsx", "--out", place / "again", "--json"))
    assert told["outcomes"] == {"accepted": 1}
    assert len(told["left_out"]) == 3


def test_nothing_is_replaced_unasked_and_bad_tables_are_refused(place: Path) -> None:
    assert "--overwrite" in run("accept", place / "out", place / "gaps.csv", "--out", place / "accepted", code=6)
    bad = place / "bad.csv"
    bad.write_text("id,date,gap,clock\nSS-101,2026-06-02,1,3\nSS-101,x,1 mm,3\n", encoding="utf-8")
    told = run("accept", place / "out", bad, "--out", place / "bad", code=3)
    assert "line 2" in told
    assert "line 3" in told
    assert not (place / "bad").exists()
    rims = place / "rims.csv"
    rims.write_text("id,date,rim,clock\nSS-101,2026-06-02,101.2 m,3\n", encoding="utf-8")
    assert "--paved" in run("accept", place / "out", rims, "--out", place / "bad", code=3)


def test_the_terminal_says_what_is_wrong(place: Path) -> None:
    told = run("accept", place / "out", place / "gaps.csv", "--out", place / "accepted", "--overwrite")
    assert "accepted 1, rework 2" in told
    assert "SS-134: rework - A gap of 0.35 in LOW to the road; the tolerance ends at 0.24 in LOW." in told
    assert "left out" in told
    assert "NOBODY" in told
