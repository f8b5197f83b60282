"""A road surveyed after paving: it is the finished road where it reaches, and tells how far the paving is off the plan.

Truth: closed forms of planes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from shapely.geometry import Point

from geoadjust.cli import main
from geoadjust.io.jobfile import read_job
from geoadjust.run.check import check_job
from geoadjust.run.schedule import Options, run_schedule
from tests.run.test_tins import triangulated, write_landxml

EAST, NORTH = 500_000.0, 4_500_000.0
LIFT, FALL = 0.012, 0.001


def before(e: Any, n: Any) -> Any:
    return 100 + 0.02 * e - 0.01 * n


def after(e: Any, n: Any) -> Any:
    """Laid 12 mm higher than today's road, and 1 mm per metre more to the east."""
    return before(e, n) + LIFT + FALL * e


@pytest.fixture
def half_paved(site: Any) -> Any:
    """Two covers; the survey after paving reaches only the western one. Planned: 40 mm off, 40 mm on."""
    site.road(before)
    site.road(
        lambda e, n: np.where(e < 0, after(e, n), -9999.0) + 0 * n,
        name="after.tif",
        role="paved",
        nodata=-9999,
        cell=0.2,
    )
    columns = {"id": ["west", "east"], "mill": ["40 mm"] * 2, "overlay": ["40 mm"] * 2, "gap": ["0 mm"] * 2}
    site.structures(columns, [Point(EAST - 6, NORTH), Point(EAST + 6, NORTH)])
    return site


def test_where_it_reaches_it_is_the_finished_road(half_paved: Any) -> None:
    west, east = half_paved.run()
    assert west["finished_m"] == pytest.approx(after(-6, 0), abs=1e-6)
    assert west["existing_m"] == pytest.approx(before(-6, 0), abs=1e-6)
    assert west["raise_mm"] == pytest.approx(1000 * (LIFT + FALL * -6), abs=1e-3)
    assert west["surface_source"] == "after"
    assert east["raise_mm"] == pytest.approx(0, abs=1e-3)
    assert east["finished_m"] == pytest.approx(before(6, 0), abs=1e-6)
    assert east["surface_source"] == "road"


def test_how_far_it_lies_off_the_plan(half_paved: Any) -> None:
    # the plan is today's road again: 40 mm off, 40 mm on
    west, east = half_paved.run()
    assert west["paving_off_mm"] == pytest.approx(1000 * (LIFT - 6 * FALL), abs=1e-3)
    assert east["paving_off_mm"] is None
    assert "paving_off_plan" not in west["flags"]


@pytest.mark.parametrize(("limit", "flagged"), [("5.9 mm", True), ("6.1 mm", False)])
def test_flagged_beyond_the_owners_limit(half_paved: Any, limit: str, flagged: bool) -> None:
    job = half_paved.folder / "job.toml"
    job.write_text(f'[[rules]]\npaving_tolerance = "{limit}"\n')
    run_schedule(read_job(job, half_paved.flags, ()), Options())
    assert ("paving_off_plan" in half_paved.flags_of(0)) == flagged
    assert "paving_off_plan" not in half_paved.flags_of(1)


def test_without_a_plan_there_is_nothing_to_be_off(site: Any) -> None:
    site.road(before)
    site.road(after, name="after.tif", role="paved")
    site.structures({"id": ["a"]}, [Point(EAST, NORTH)])
    (row,) = site.run()
    assert row["finished_m"] == pytest.approx(after(0, 0), abs=1e-6)
    assert row["paving_off_mm"] is None


def test_against_a_design_surface(site: Any) -> None:
    site.road(before)
    site.road(lambda e, n: before(e, n) + 0.05, name="design.tif", role="finished")
    site.road(after, name="after.tif", role="paved")
    site.structures({"id": ["a"], "gap": ["0 mm"]}, [Point(EAST, NORTH)])
    (row,) = site.run()
    assert row["paving_off_mm"] == pytest.approx(1000 * (LIFT - 0.05), abs=1e-3)
    assert row["surface_source"] == "after"
    assert "paving_off_plan" in site.flags_of(0)


def test_a_survey_of_another_kind_and_unit(site: Any) -> None:
    site.road(before)
    feet = "+proj=utm +zone=17 +datum=WGS84 +units=ft +type=crs"
    points, faces = triangulated(after)
    write_landxml(site.folder / "after.xml", {"after": (points / 0.3048, faces)}, unit="ft", epsg="")
    site.flags |= {("paved", "path"): str(site.folder / "after.xml"), ("paved", "crs"): feet}
    site.structures({"id": ["a"], "gap": ["0 mm"], "overlay": ["10 mm"]}, [Point(EAST + 1, NORTH)])
    (row,) = site.run()
    assert row["finished_m"] == pytest.approx(after(1, 0), abs=1e-6)
    assert row["paving_off_mm"] == pytest.approx(1000 * (LIFT + FALL) - 10, abs=1e-3)


def test_the_first_survey_that_reaches_counts(half_paved: Any) -> None:
    site = half_paved
    first = site.flags[("paved", "path")]
    site.road(lambda e, n: before(e, n) + 0.5, name="later.tif", role="paved")
    later = site.flags.pop(("paved", "path"))
    site.flags.pop(("paved", "vertical_unit"))
    job = site.folder / "job.toml"
    job.write_text("".join(f'[[paved]]\npath = "{path}"\nvertical_unit = "m"\n' for path in (first, later)))
    run_schedule(read_job(job, site.flags, ()), Options())
    assert [row["surface_source"] for row in site.table("schedule")] == ["after", "later"]


def test_check_tells_it(half_paved: Any) -> None:
    lines = [line for line in check_job(half_paved.job()).lines if line.startswith("paved: ")]
    assert "after.tif" in lines[0]
    assert any("of 2 structures lie on it" in line for line in lines)


def test_explain_reads_the_paved_road(half_paved: Any) -> None:
    half_paved.run()
    page = CliRunner().invoke(main, ["explain", str(half_paved.folder / "out"), "west"])
    assert page.exit_code == 0, page.output
    assert "paving_off_mm" in page.output
    assert f"{after(-6, 0):.4f}" in page.output


def test_by_a_flag(half_paved: Any) -> None:
    site, out = half_paved, str(half_paved.folder / "out")
    road, later = (str(site.flags[(role, "path")]) for role in ("surface", "paved"))
    run = ["schedule", "--structures", str(site.flags[("structures", "path")]), "--surface", road, "--paved", later]
    done = CliRunner().invoke(
        main, [*run, "--set", "surface.vertical_unit=m", "--set", "paved.vertical_unit=m", "--out", out]
    )
    assert done.exit_code == 0, done.output
    assert [row["surface_source"] for row in site.table("schedule")] == ["after", "road"]
