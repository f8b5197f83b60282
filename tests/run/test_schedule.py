"""The main job end to end, read back by sqlite3 and csv."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyproj
import pytest
from shapely.geometry import MultiPoint, Point

from geoadjust.core.columns import METHODS
from geoadjust.errors import IncompleteError, InputError, OutputBusyError
from geoadjust.io.results.columns import SCHEDULE

NEW_YORK = (987_000.0, 211_000.0)
PLACE = (500_000.0, 4_500_000.0)


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def feet_site(site: Any) -> Any:
    """z = 100 + .02 e - .03 n in US survey feet about the cover, rim 99.9, measure-down 9 3/8 in, casting 7 3/4 in."""
    site.road(lambda e, n: 100 + 0.02 * e - 0.03 * n, centre=NEW_YORK, crs="EPSG:2263", cell=0.8, unit="us-ft")
    table = {
        "id": ["0012"],
        "rim": [99.9],
        "axis": [90.0],
        "measure_down": ["9 3/8 in"],
        "measure_down_from": ["rim"],
        "casting_height": ["7 3/4 in"],
        "flange_outside_diameter": ["27 in"],
    }
    site.structures(table, [Point(*NEW_YORK)], "EPSG:2263")
    site.flags |= {
        ("structures", "vertical_unit"): "us-ft",
        ("finished", "mill"): "40 mm",
        ("finished", "overlay"): "50 mm",
    }
    return site


def point_scale(east: float, north: float) -> float:
    """Scale of EPSG:2263 at a place, by the projection library's own factors (another way than the product's)."""
    crs = pyproj.CRS("EPSG:2263")
    lonlat = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(east, north)
    return float(pyproj.Proj(crs).get_factors(*lonlat).meridional_scale)


def test_state_plane_in_feet_worked_by_hand(site: Any) -> None:
    row = feet_site(site).run('rules.joint="0 mm"')[0]
    # worked by hand (fixtures/worked); the slopes carry the projection's point scale there
    scale = point_scale(*NEW_YORK)
    assert scale == pytest.approx(0.99999, abs=1e-5)
    assert row["structure_id"] == "0012"
    assert row["raise_mm"] == pytest.approx(40.480, abs=6e-4)
    assert row["gap_mm"] == pytest.approx(-30.480, abs=6e-4)
    assert row["slope_pct"] == pytest.approx(3.6055513 * scale, abs=2e-7)
    assert row["uphill_deg"] == pytest.approx(146.3099, abs=1e-4)
    assert row["grade_pct"] == pytest.approx(2.0 * scale, abs=2e-7)
    assert row["cross_slope_pct"] == pytest.approx(3.0 * scale, abs=2e-7)
    assert row["chimney_mm"] == pytest.approx(81.627, abs=1e-3)
    assert row["chimney_max_mm"] - row["chimney_min_mm"] == pytest.approx(24.727, abs=2e-3)
    assert row["foot_shift_mm"] == pytest.approx(7.093, abs=1e-3)


def test_new_casting_without_rim_and_bearing_worked_by_hand(site: Any) -> None:
    site.road(lambda e, n: 100 + 0.03 * n + 0.02 * e)
    site.structures({"id": ["a"], "casting_height": [200], "new_casting_height": [150]}, [Point(*PLACE)])
    site.flags |= {
        ("structures", "dimension_unit"): "mm",
        ("finished", "mill"): "40 mm",
        ("finished", "overlay"): "50 mm",
    }
    row = site.run()[0]
    # 10 - (150 - 200) sqrt(1 + .0013) = 10 + 50.0325 (UTM's 0.9996 on the slopes stays below the last digit)
    assert row["raise_mm"] == pytest.approx(10.0, abs=1e-3)
    assert row["stack_change_mm"] == pytest.approx(60.03, abs=3e-3)
    assert row["method"] == "adjust"
    assert row["rim_basis"] == "assumed_flush"
    assert row["slope_pct"] == pytest.approx(100 * math.hypot(0.03, 0.02) * 0.9996, abs=1e-5)


def test_second_run_is_refused_and_an_overwrite_gives_the_same_bytes(site: Any) -> None:
    feet_site(site).run()
    first = digest(site.folder / "out" / "schedule.gpkg")
    with pytest.raises(OutputBusyError, match="--overwrite"):
        site.run()
    site.run(overwrite=True)
    assert digest(site.folder / "out" / "schedule.gpkg") == first


def test_all_missing_units_are_named_together(site: Any) -> None:
    feet_site(site)
    del site.flags[("structures", "vertical_unit")], site.flags[("surface", "vertical_unit")]
    with pytest.raises(InputError) as caught:
        site.run()
    assert {fault.where for fault in caught.value.faults} == {"surface.vertical_unit", "structures.vertical_unit"}
    assert not (site.folder / "out").exists()


def bad_rows(site: Any) -> Any:
    """Ten kinds of bad rows on a good road, between two good ones."""
    site.road(lambda e, n: 100 + 0.02 * e + 0 * n, cells=240)
    at = [Point(PLACE[0] - 20 + 4 * i, PLACE[1]) for i in range(11)]
    rows = [
        ("0012", 99.60, at[0]),
        ("zero", 0.0, at[1]),
        ("minus", -9999.0, at[2]),
        ("nines", 9999.0, at[3]),
        ("lost", 10012.0, at[4]),
        ("twice", 99.96, at[5]),
        ("twice", 100.04, at[6]),
        ("", None, at[7]),
        ("empty", 100.1, Point()),
        ("none", 100.1, None),
        ("parts", 100.1, MultiPoint([at[8], at[9]])),
        ("one part", 100.24, MultiPoint([at[8]])),
        ("far", 100.1, Point(0, 0)),
        ("1e5", 100.4, at[10]),
    ]
    site.structures({"id": [row[0] for row in rows], "rim": [row[1] for row in rows]}, [row[2] for row in rows])
    site.flags[("structures", "vertical_unit")] = "m"
    return site


def test_bad_rows_come_back_with_flags(site: Any) -> None:
    rows = bad_rows(site).run()
    names = [
        "0012",
        "zero",
        "minus",
        "nines",
        "lost",
        "twice",
        "twice",
        "",
        "empty",
        "none",
        "parts",
        "one part",
        "far",
        "1e5",
    ]
    assert [row["structure_id"] for row in rows] == names
    assert [row["row"] for row in rows] == list(range(len(names)))
    wanted = {
        1: "rim_disagrees",
        2: "value_implausible",
        3: "value_implausible",
        4: "value_implausible",
        5: "duplicate_id",
        6: "duplicate_id",
        7: "blank_id",
        8: "position_missing",
        9: "position_missing",
        10: "position_missing",
        12: "no_surface",
    }
    for row, code in wanted.items():
        assert code in site.flags_of(row), (row, code)
    for row in (1, 2, 3, 4, 7):
        assert rows[row]["rim_basis"] == "assumed_flush"
    for row in (8, 9, 10, 12):
        assert rows[row]["raise_mm"] is None
        assert (rows[row]["method"], rows[row]["ready"], rows[row]["severity"]) == ("unknown", "unknown", "stop")
    for row in (0, 11, 13):
        assert rows[row]["rim_basis"] == "surveyed"
        assert abs(rows[row]["gap_mm"]) < 1


def test_every_reason_has_its_sentence_and_every_flag_its_reason(site: Any) -> None:
    bad_rows(site).run()
    reasons = site.table("reasons")
    assert all(reason["text"] and "{" not in reason["text"] for reason in reasons)
    listed: dict[int, set[str]] = {}
    for reason in reasons:
        listed.setdefault(reason["row"], set()).add(reason["code"])
    for row in site.table("schedule"):
        assert set(row["flags"].split()) == listed.get(row["row"], set())


def test_strict_ends_with_exit_4_after_writing(site: Any) -> None:
    with pytest.raises(IncompleteError, match="4 of 14"):
        bad_rows(site).run(strict=True)
    assert (site.folder / "out" / "run.json").exists()


def test_the_csv_says_the_same_as_the_layer(site: Any) -> None:
    rows = feet_site(site).run('rules.joint="0 mm"')
    with open(site.folder / "out" / "schedule.csv", encoding="utf-8", newline="") as file:
        shown = list(csv.DictReader(file))
    # 40.480 mm = 1.5937 in, to sixteenths 1 9/16 = 1.5625 or 1 10/16 = 1.625: 1.5937 * 16 = 25.499 -> 25
    assert float(shown[0]["raise_in"]) == 1.5625
    assert float(shown[0]["target_rim_ft"]) == pytest.approx(rows[0]["target_rim_m"] * 3937 / 1200, abs=5e-4)
    assert shown[0]["structure_id"] == "0012"
    assert shown[0]["remark"].startswith("Raise 1 9/16 in")
    with open(site.folder / "out" / "columns.csv", encoding="utf-8", newline="") as file:
        described = [row["column"] for row in csv.DictReader(file) if row["table"] == "schedule.csv"]
    assert described == list(shown[0])


def test_coordinates_of_the_csv_are_worth_a_millimetre(site: Any) -> None:
    site.road(lambda e, n: 100 + 0 * e + 0 * n)
    site.structures({"id": ["a"]}, [Point(PLACE[0] + 0.123456789, PLACE[1] - 1e-7)])
    site.run()
    with open(site.folder / "out" / "schedule.csv", encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["easting"], row["northing"]) == ("500000.123", "4500000")


def test_the_layer_has_the_declared_columns_then_the_inputs_own(site: Any) -> None:
    row = feet_site(site).run()[0]
    names = list(row)
    assert names[2 : 2 + len(SCHEDULE)] == [column.name for column in SCHEDULE]
    assert names[2 + len(SCHEDULE) :] == [
        "id", "rim", "axis", "measure_down", "measure_down_from", "casting_height", "flange_outside_diameter",
    ]  # fmt: skip
    meta = pyogrio.read_info(site.folder / "out" / "schedule.gpkg", layer="schedule")
    assert meta["geometry_type"] == "Point"
    assert "2263" in str(meta["crs"])


def street(site: Any, count: int, **options: Any) -> Any:
    """Many covers on a crowned, noisy road in random order."""
    rng = np.random.default_rng(7)
    noise = rng.normal(0, 0.003, (600, 600))
    site.road(lambda e, n: 100 - 0.02 * np.abs(e) + 0.01 * n + noise, cells=600, **options)
    spread = rng.uniform(-70, 70, (count, 2)) + PLACE
    table = {
        "id": [f"C{i}" for i in range(count)],
        "rim": (100 - 0.02 * np.abs(spread[:, 0] - PLACE[0]) + 0.01 * (spread[:, 1] - PLACE[1])).tolist(),
        "casting": ["round-standard"] * count,
        "axis": rng.uniform(0, 360, count).tolist(),
        "existing_chimney": rng.uniform(80, 250, count).tolist(),
        "street": [f"street {i % 3}" for i in range(count)],
    }
    site.structures(table, [Point(*place) for place in spread])
    site.flags |= {("structures", "vertical_unit"): "m", ("structures", "dimension_unit"): "mm"}
    site.flags |= {("finished", "mill"): "40 mm", ("finished", "overlay"): "50 mm"}
    return site


def test_chunks_and_engines_change_no_byte(site: Any) -> None:
    street(site, 400, dtype="float32", tiled=True, blockxsize=256, blockysize=256)
    found = set()
    for options in ({}, {"chunk": 97}, {"chunk": 1}, {"engine": "processes", "workers": 2, "chunk": 64}):
        site.run(overwrite=True, **options)
        found.add(digest(site.folder / "out" / "schedule.gpkg"))
    assert len(found) == 1


def test_order_of_rows_changes_no_value(site: Any) -> None:
    rows = street(site, 200).run()
    layer = pyogrio.read_dataframe(site.flags[("structures", "path")])
    turned = layer.iloc[::-1].reset_index(drop=True)
    turned.to_file(site.folder / "turned.gpkg")
    site.flags[("structures", "path")] = str(site.folder / "turned.gpkg")
    back = {row["structure_id"]: row for row in site.run(overwrite=True)}
    for row in rows:
        other = back[row["structure_id"]]
        assert {key: row[key] for key in row if key not in ("row", "fid")} == {
            key: other[key] for key in other if key not in ("row", "fid")
        }


def test_stack_parts_add_up_to_the_chimney_and_the_misfit(site: Any) -> None:
    rows = {row["row"]: row for row in street(site, 200).run() if row["method"] == "rings"}
    assert len(rows) > 50
    sums: dict[int, float] = {}
    for part in site.table("stack_parts"):
        if part["kind"] != "riser":
            sums[part["row"]] = sums.get(part["row"], 0.0) + part["thickness_mm"]
    assert set(sums) == set(rows)
    for row, total in sums.items():
        assert total == pytest.approx(rows[row]["chimney_mm"] + rows[row]["stack_misfit_mm"], abs=2e-3)


def test_design_surface_decides_the_target(site: Any) -> None:
    site.road(lambda e, n: 100 + 0.02 * e + 0 * n)
    site.road(lambda e, n: 330 + 0.1 * n + 0 * e, unit="ft", name="design.tif", role="finished", cell=0.5)
    site.structures({"id": ["a"], "gap": ["-12 mm"]}, [Point(*PLACE)])
    row = site.run()[0]
    assert row["finished_m"] == pytest.approx(330 * 0.3048, abs=1e-6)
    assert row["raise_mm"] == pytest.approx(1000 * (330 * 0.3048 - 100 + 0.012), abs=1e-3)
    assert row["slope_pct"] == pytest.approx(10 * 0.3048 * 0.9996, abs=1e-5)
    assert row["surface_source"] == "design"
    assert (row["rim_basis"], row["gap_mm"]) == ("gap", -12.0)


def test_first_surface_with_enough_samples_wins(site: Any) -> None:
    site.road(lambda e, n: np.where(e > 0, 100.0, -9999.0) + 0 * n, nodata=-9999, name="fine.tif")
    fine = dict(site.flags)
    site.road(lambda e, n: 101.0 + 0 * e + 0 * n, cell=0.5, name="coarse.tif")
    coarse = site.flags[("surface", "path")]
    site.structures({"id": ["left", "right"]}, [Point(PLACE[0] + x, PLACE[1]) for x in (-8, 8)])
    job = site.folder / "job.toml"
    tables = [f'[[surface]]\npath = "{path}"\nvertical_unit = "m"\n' for path in (fine[("surface", "path")], coarse)]
    job.write_text(
        "".join(tables) + f'[structures]\npath = "{site.flags[("structures", "path")]}"\n[output]\npath = "out"\n'
    )
    from geoadjust.io.jobfile import read_job
    from geoadjust.run.schedule import run_schedule

    run_schedule(read_job(job))
    assert [(row["surface_source"], row["existing_m"]) for row in site.table("schedule")] == [
        ("coarse", 101.0),
        ("fine", 100.0),
    ]


def test_batch_bias_is_one_finding_and_marks_the_rims_it_speaks_of(site: Any) -> None:
    street(site, 60)
    layer = pyogrio.read_dataframe(site.flags[("structures", "path")])
    layer["rim"] += 0.05
    layer.to_file(site.folder / "biased.gpkg")
    site.flags[("structures", "path")] = str(site.folder / "biased.gpkg")
    rows = site.run()
    record = json.loads((site.folder / "out" / "run.json").read_text())
    assert sum("batch_bias" in finding for finding in record["findings"]) == 1
    believed = [row for row in rows if row["rim_basis"] == "surveyed"]
    assert len(believed) > 40
    assert all("batch_bias" in row["flags"] and row["ready"] == "review" for row in believed)


def test_nothing_can_be_ordered_where_the_accuracy_is_not_stated(site: Any) -> None:
    assert {row["ready"] for row in street(site, 100).run()} <= {"measure", "review", "unknown"}


def test_rings_are_written_on_request(site: Any) -> None:
    street(site, 30).run("output.rings=true")
    rings = pyogrio.read_dataframe(site.folder / "out" / "schedule.gpkg", layer="rings")
    # area of an annulus on the ground, in UTM metres: scale 0.9996 squared; 64 corners take 0.16 % off
    wanted = (
        math.pi * (rings.outer_m**2 - rings.inner_m**2) * 0.9996**2 * (64 / (2 * math.pi) * math.sin(2 * math.pi / 64))
    )
    assert np.allclose(rings.area, wanted, rtol=1e-6)


def test_inputs_are_left_as_they_were(site: Any) -> None:
    feet_site(site)
    before = {path.name: digest(path) for path in site.folder.iterdir()}
    site.run()
    after = {path.name: digest(path) for path in site.folder.iterdir() if path.is_file()}
    assert after == before


def test_nothing_on_the_surface_tells_both_extents_and_a_guess(site: Any) -> None:
    site.road(lambda e, n: 100 + 0 * e + 0 * n)
    site.structures({"id": ["a"]}, [Point(PLACE[1], PLACE[0])])
    with pytest.raises(InputError, match="swapped"):
        site.run()
    site.structures({"id": ["a"]}, [Point(-81.0, 40.6)], name="degrees.gpkg")
    with pytest.raises(InputError, match="longitude and latitude"):
        site.run()


def test_a_surface_too_coarse_is_refused(site: Any) -> None:
    site.road(lambda e, n: 100 + 0 * e + 0 * n, cell=2.0)
    site.structures({"id": ["a"]}, [Point(*PLACE)])
    with pytest.raises(InputError, match=r"cells of 2\.00 m"):
        site.run()


def test_every_method_of_a_result_is_a_known_word(site: Any) -> None:
    assert {row["method"] for row in street(site, 100).run()} <= set(METHODS)


def test_interrupted_leaves_nothing_behind(site: Any) -> None:
    street(site, 50)

    def stop(stage: str, done: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        site.run(progress=stop)
    assert not (site.folder / "out").exists()
    assert not [path.name for path in site.folder.iterdir() if path.name.startswith(".")]


def test_command_line_exit_codes(site: Any) -> None:
    feet_site(site)
    paths = [site.flags[("structures", "path")], site.flags[("surface", "path")]]
    command = [sys.executable, "-m", "geoadjust.cli", "schedule", "--structures", paths[0], "--surface", paths[1]]
    command += ["--out", str(site.folder / "out"), "--structures-vertical-unit", "us-ft"]

    def run(*more: str) -> tuple[int, str]:
        done = subprocess.run([*command, *more], capture_output=True, text=True, check=False, cwd=site.folder)
        return done.returncode, done.stderr

    assert run()[0] == 3
    assert "surface.vertical_unit" in run()[1]
    assert run("--no-such-flag")[0] == 2
    assert run("--set", "nonsense")[0] == 2
    units = ("--vertical-unit", "us-ft")
    assert run(*units) == (0, "")
    assert run(*units)[0] == 6
    assert run(*units, "--overwrite")[0] == 0


def test_progress_as_lines_of_json(site: Any) -> None:
    """Another program reads on stderr how far a run is; people in a pipe see nothing."""
    street(site, 50)
    words = [word for (table, key), value in site.flags.items() for word in ("--set", f"{table}.{key}={value}")]
    words += ["--structures", site.flags[("structures", "path")]]
    command = [sys.executable, "-m", "geoadjust.cli", "schedule", *words, "--chunk", "20"]
    told = {
        mode: subprocess.run([*command, "--overwrite", "--progress", mode], capture_output=True, text=True, check=True)
        for mode in ("json", "bar", "none")
    }
    assert told["bar"].stderr == told["none"].stderr == ""
    steps = [json.loads(line) for line in told["json"].stderr.splitlines()]
    assert [set(step) for step in steps] == [{"stage", "done", "total"}] * len(steps)
    assert {step["total"] for step in steps} >= {3}
    assert steps[-1]["done"] == steps[-1]["total"]
