"""The demo: the whole job from its own files, every trouble with its flag, figures against the street's closed form."""

from __future__ import annotations

import csv
import hashlib
import sqlite3

import numpy as np
import pytest

from geoadjust.core.columns import METHODS
from geoadjust.errors import OutputBusyError
from geoadjust.io.jobfile import read_job
from geoadjust.run import demo_street as street
from geoadjust.run.check import check_job
from geoadjust.run.demo import CASES, FILES, run_demo

TROUBLES = {
    "on the crown: cannot be flush all round": "crown_under_cover",
    "overlay only here: one riser is enough": "chimney_total_unknown",
    "valve: rule set of its own, recessed 6 mm": "lower_before_milling",
    "in the intersection: two street axes": "axis_ambiguous",
    "inlet in the gutter; its id stands twice": "duplicate_id",
    "blank id": "blank_id",
    "rim 0": "rim_disagrees",
    "rim -9999": "value_implausible",
    "rim 9999": "rim_disagrees",
    "rim without its decimal point": "value_implausible",
    "rim on an old datum": "rim_disagrees",
    "no rim, nothing known: taken as flush": "rim_missing",
    "empty geometry": "position_missing",
    "two points in one row": "position_missing",
    "off the raster": "no_surface",
    "under the parked car": "few_samples",
    "at the kerb": "edge_in_ring",
    "survey monument": "monument",
    "of another owner": "other_owner",
    "measure-down to the invert": "measure_down_is_depth",
    "a casting that nobody lists": "not_in_catalogue",
    "a height that nobody can read": "value_unreadable",
    "low casting for a tall one": "new_casting",
    "a riser is on the frame today": "riser_present",
    "a riser would do, but the chimney is poor": "riser_not_allowed",
    "chimney too tall": "chimney_past_limit",
    "bearing too high": "bearing_too_high",
    "steep, bearing known: tapered rings do": "steep",
    "steep, bearing unknown": "steep",
    "a type that the job does not know": "kind_unknown",
    "bus stop: pushed-up asphalt": "rough_road",
    "digitised twice": "same_place",
    "measured down from what?": "measure_down_from_missing",
}
"""What a case shows, by its note, and the flag that it must raise."""

CLOSED_FORM = ("SS-102", "0012", "SS-134", "SS-133")
"""A lane, a lane, the steep part, the near-level part."""


def quiet(stage: str, done: int, total: int) -> None:
    """No progress."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Folder of a demo and its summary."""
    folder = tmp_path_factory.mktemp("somewhere") / "demo"
    return folder, run_demo(folder, overwrite=False, progress=quiet)


@pytest.fixture(scope="module")
def rows(demo):
    """Rows of the layer `schedule`, read by sqlite3."""
    database = sqlite3.connect(demo[0] / "out" / "schedule.gpkg")
    database.row_factory = sqlite3.Row
    found = [dict(row) for row in database.execute("SELECT * FROM schedule ORDER BY row")]
    database.close()
    return found


@pytest.fixture(scope="module")
def by_id(rows):
    """The same by id; those with an id of their own."""
    return {row["structure_id"]: row for row in rows}


def sha256(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_it_writes_its_files_and_a_whole_output_set(demo):
    folder, summary = demo
    assert sorted(path.name for path in folder.iterdir()) == sorted([*FILES, "out"])
    names = {path.name for path in (folder / "out").iterdir()}
    assert names == {"schedule.gpkg", "schedule.csv", "columns.csv", "run.json"}
    assert summary.as_json()["out"] == str(folder / "out")
    assert "permit space" in (folder / "README.txt").read_text(encoding="utf-8")


def test_every_input_row_comes_back_in_its_order(demo, rows):
    database = sqlite3.connect(demo[0] / "structures.gpkg")
    there = [row[0] for row in database.execute("SELECT ASSET_NO FROM castings ORDER BY fid")]
    database.close()
    assert 40 <= len(there) == len(CASES) == demo[1].as_json()["structures"]
    assert [row["structure_id"] for row in rows] == there
    assert [row["NOTE"] for row in rows] == [case.note for case in CASES]


def test_csv_reads_back_with_the_same_orders(demo, rows):
    with open(demo[0] / "out" / "schedule.csv", encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert [row["remark"] for row in found] == [row["remark"] for row in rows]
    assert [row["structure_id"] for row in found] == [row["structure_id"] for row in rows]
    for shown, row in zip(found, rows, strict=True):
        if row["raise_mm"] is None:
            assert shown["raise_in"] == ""
        else:  # whole sixteenths, so at most half of one away
            assert abs(25.4 * float(shown["raise_in"]) - row["raise_mm"]) <= 25.4 / 32 + 1e-6


def test_every_method_appears(rows):
    assert {row["method"] for row in rows} == set(METHODS)


@pytest.mark.parametrize(("note", "flag"), TROUBLES.items())
def test_each_trouble_raises_its_flag(rows, note, flag):
    found = [row["flags"].split() for row in rows if row["NOTE"] == note]
    assert found, "no such case"
    assert all(flag in flags for flags in found)


def test_every_place_that_shows_a_trouble_is_a_case():
    assert set(TROUBLES) <= {case.note for case in CASES}


def test_an_id_stays_a_text(by_id):
    assert "0012" in by_id


def test_an_overlay_of_one_inch_takes_a_riser_of_25_mm(by_id):
    row = by_id["SD-103"]
    assert row["method"] == "riser"
    assert row["raise_mm"] == pytest.approx(25.4, abs=0.8)
    assert "riser-25" in row["remark"]


def test_a_trench_is_left_out_of_the_fit(by_id):
    row = by_id["SS-141"]
    assert row["samples_left_out"] > 40
    assert row["slope_pct"] == pytest.approx(100 * np.hypot(0.004, 0.02), abs=0.1)


def test_the_batch_is_not_biased(demo):
    assert not any("batch_bias" in finding for finding in demo[1].findings)
    assert "batch_bias" not in demo[1].as_json()["flags"]


@pytest.mark.parametrize("name", CLOSED_FORM)
def test_raise_is_that_of_the_closed_form(by_id, name):
    case = next(case for case in CASES if case.id == name)
    row = by_id[name]
    assert row["rim_basis"] == "surveyed"
    finished = street.road_at_cover(case.along, case.offset) - 0.040 + 0.050
    expected = finished - row["RIM_EL"] * 0.3048
    assert row["raise_mm"] == pytest.approx(1000 * expected, abs=0.8)  # 4 sd of the plane at 3 mm noise


@pytest.mark.parametrize("name", CLOSED_FORM)
def test_slope_is_that_of_the_closed_form(by_id, name):
    """Central differences over the frame's width; the grid's scale (0.99972 here) lies far below the tolerance."""
    case = next(case for case in CASES if case.id == name)
    east, north = street.place(case.along, case.offset)
    step = 0.3
    gradient = [
        float(street.height(east + de, north + dn) - street.height(east - de, north - dn)) / (2 * step)
        for de, dn in ((step, 0.0), (0.0, step))
    ]
    row = by_id[name]
    assert row["slope_pct"] == pytest.approx(100 * np.hypot(*gradient), abs=0.07)
    towards = np.radians(row["uphill_deg"])
    turn = np.arctan2(*gradient) - towards
    assert abs(np.degrees(np.arctan2(np.sin(turn), np.cos(turn)))) < 2.0


def test_chimney_is_that_of_a_hand_calculation(by_id):
    """SS-102: bearing 9 3/8 in below the rim, casting 180 mm, both tilted with the road."""
    row = by_id["SS-102"]
    steep = np.sqrt(1 + (row["slope_pct"] / 100) ** 2)
    assert row["chimney_mm"] == pytest.approx(row["raise_mm"] + 9.375 * 25.4 - 180 * steep, abs=1e-3)
    half = 430 * row["slope_pct"] / 100
    assert row["chimney_max_mm"] - row["chimney_mm"] == pytest.approx(half, abs=1e-3)


def test_a_new_casting_changes_the_chimney_by_the_difference(by_id):
    """SS-128: 100 mm in the place of 230 mm; the tilt adds less than 0.1 mm."""
    row = by_id["SS-128"]
    assert row["stack_change_mm"] == pytest.approx(row["raise_mm"] + 130, abs=0.1)


def test_next_to_no_chimney_is_mortar_alone(rows):
    (row,) = (row for row in rows if row["NOTE"] == "next to no chimney")
    assert (row["method"], row["ring_count"], row["stack"]) == ("rings", 0, "no ring")
    assert abs(row["stack_misfit_mm"]) <= 6


def test_profile_is_smooth_and_as_steep_as_stated():
    along = np.linspace(0, street.LENGTH, 50_001)
    grade = np.diff(street.profile(along)) / np.diff(along)
    assert grade.max() == pytest.approx(0.07, abs=1e-9)
    assert np.abs(np.diff(grade)).max() < 0.07 / 40 * 0.02  # no break in grade anywhere
    assert grade[-1] == pytest.approx(0.004, abs=1e-9)


def test_place_and_stations_are_inverse():
    along, offset = np.array([0.0, 12.5, 249.0]), np.array([-4.0, 0.0, 38.0])
    back = street.stations(*street.place(along, offset))
    assert np.abs(np.stack(back) - np.stack([along, offset])).max() < 1e-8


def test_kerb_stands_150_mm_above_the_gutter():
    across = np.array([street.EDGE - 1e-6, street.EDGE + 1e-6])
    gutter, kerb = street.height(*street.place(np.full(2, 100.0), across))
    assert kerb - gutter == pytest.approx(0.150, abs=1e-6)


def test_two_demos_are_equal_to_the_last_byte(demo, tmp_path):
    run_demo(tmp_path / "another", overwrite=False, progress=quiet)
    for name in (*FILES, "out/schedule.gpkg", "out/schedule.csv", "out/columns.csv"):
        assert sha256(tmp_path / "another" / name) == sha256(demo[0] / name), name


def test_its_job_file_passes_the_check(demo):
    report = check_job(read_job(demo[0] / "job.toml"))
    assert report.structures == len(CASES)


def test_a_second_demo_is_refused_without_overwrite(demo):
    before = {path: path.stat().st_mtime_ns for path in demo[0].rglob("*") if path.is_file()}
    with pytest.raises(OutputBusyError, match="--overwrite"):
        run_demo(demo[0], overwrite=False, progress=quiet)
    assert {path: path.stat().st_mtime_ns for path in demo[0].rglob("*") if path.is_file()} == before


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("name", ["notes.txt", "out/notes.txt"])
def test_files_of_others_are_never_replaced(tmp_path, name, overwrite):
    foreign = tmp_path / "demo" / name
    foreign.parent.mkdir(parents=True)
    foreign.write_text("mine")
    with pytest.raises(OutputBusyError, match=r"notes\.txt"):
        run_demo(tmp_path / "demo", overwrite=overwrite, progress=quiet)
    assert [path for path in (tmp_path / "demo").rglob("*") if path.is_file()] == [foreign]


def test_overwrite_puts_the_demo_back(tmp_path):
    folder = tmp_path / "demo"
    run_demo(folder, overwrite=False, progress=quiet)
    good = sha256(folder / "job.toml")
    (folder / "job.toml").write_text("spoilt")
    (folder / "road.tif").unlink()
    run_demo(folder, overwrite=True, progress=quiet)
    assert sha256(folder / "job.toml") == good
    assert (folder / "road.tif").exists()


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "demo").write_text("mine")
    with pytest.raises(OutputBusyError, match="not a folder"):
        run_demo(tmp_path / "demo", overwrite=True, progress=quiet)
