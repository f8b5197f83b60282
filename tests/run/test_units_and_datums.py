"""Heights in other units and on other vertical datums than they are said to be: shifted, refused, never mixed.

Truth: closed forms of planes; the offset of 0.4 m of Baltic 1977 to Black Sea heights is that of EPSG operation 5447.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from shapely.geometry import Point

from geoadjust.cli import main
from geoadjust.errors import InputError
from geoadjust.run.check import check_job
from geoadjust.run.mixups import find_mixup

ZONE = "EPSG:32637"
EAST, NORTH = 720_000.0, 4_611_000.0
CENTRE = (EAST, NORTH)
FOOT = 0.3048
COVERS = [(0.0, 0.0), (3.0, -2.0), (-4.0, 1.0), (5.0, 5.0)]


def plane(e: Any, n: Any) -> Any:
    return 100 + 0.02 * e - 0.01 * n


def put_covers(site: Any, rims: list[Any] | None = None, crs: str = ZONE, **columns: Any) -> None:
    rims = [float(plane(*place)) for place in COVERS] if rims is None else rims
    places = [Point(EAST + e, NORTH + n) for e, n in COVERS]
    site.structures({"id": list("abcd"), "rim": rims, **columns}, places, crs=crs)


def refused(site: Any) -> str:
    """The one fault of a job, told alike by check and by the run, which writes nothing."""
    found = []
    for call in (lambda: check_job(site.job()), site.run):
        with pytest.raises(InputError) as caught:
            call()
        (fault,) = caught.value.faults
        found.append(str(fault))
    assert found[0] == found[1]
    assert not (site.folder / "out").exists()
    assert [path.name for path in site.folder.iterdir() if path.name.startswith(".")] == []
    return found[0]


# ---------------------------------------------------------------- vertical datums


def use_datums(site: Any, structures: str, surface: str) -> None:
    site.flags |= {("structures", "vertical_unit"): "m"}
    if structures:
        site.flags[("structures", "vertical_datum")] = structures
    if surface:
        site.flags[("surface", "vertical_datum")] = surface


def test_heights_are_brought_to_the_datum_of_the_structures(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    put_covers(site, [float(plane(*place)) + 0.4 for place in COVERS])
    use_datums(site, "EPSG:5735", "EPSG:5705")
    rows = site.run()
    for row, place in zip(rows, COVERS, strict=True):
        assert row["existing_m"] == pytest.approx(plane(*place) + 0.4, abs=1e-6)
        assert row["gap_mm"] == pytest.approx(0.0, abs=1e-3)
        assert row["raise_mm"] == pytest.approx(0.0, abs=1e-3)
    record = json.loads((site.folder / "out" / "run.json").read_text())
    assert "Baltic 1977 height to Black Sea height" in record["operations"]["heights of road"]
    assert any("+0.400 m" in text for text in record["findings"])
    assert any("+0.400 m" in text for text in check_job(site.job()).notices)


def test_bars_are_brought_along(site: Any) -> None:
    columns = ["bar_along_mm", "bar_across_mm", "gap_max_mm", "slope_pct", "raise_mm"]
    site.road(plane, centre=CENTRE, crs=ZONE)
    put_covers(site)
    first = site.run("structures.vertical_unit='m'")
    use_datums(site, "EPSG:5735", "EPSG:5705")
    put_covers(site, [float(plane(*place)) + 0.4 for place in COVERS])
    for row, twin in zip(site.run(overwrite=True), first, strict=True):
        assert [row[name] for name in columns] == pytest.approx([twin[name] for name in columns], abs=1e-3)


def test_a_design_on_another_datum(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    site.road(lambda e, n: plane(e, n) + 0.05, centre=CENTRE, crs=ZONE, name="design.tif", role="finished")
    put_covers(site)
    site.flags |= {("surface", "vertical_datum"): "EPSG:5735", ("finished", "vertical_datum"): "EPSG:5705"}
    for row in site.run("structures.vertical_unit='m'", "structures.vertical_datum='EPSG:5735'"):
        assert row["raise_mm"] == pytest.approx(450.0, abs=1e-3)


def test_the_second_surface_is_on_another_datum(site: Any) -> None:
    site.road(
        lambda e, n: np.where(e < 2, plane(e, n), -9999.0), centre=CENTRE, crs=ZONE, name="near.tif", nodata=-9999
    )
    near = site.flags.pop(("surface", "path"))
    site.road(lambda e, n: plane(e, n) - 0.4, centre=CENTRE, crs=ZONE, name="far.tif")
    far = site.flags.pop(("surface", "path"))
    site.flags.pop(("surface", "vertical_unit"))
    put_covers(site)
    job = site.folder / "job.toml"
    job.write_text(
        "".join(
            f'[[surface]]\npath = "{path}"\nvertical_unit = "m"\nvertical_datum = "{datum}"\n'
            for path, datum in ((near, "EPSG:5735"), (far, "EPSG:5705"))
        )
    )
    from geoadjust.io.jobfile import read_job
    from geoadjust.run.schedule import Options, run_schedule

    run_schedule(read_job(job, site.flags, ("structures.vertical_unit='m'",)), Options())
    rows = site.table("schedule")
    assert {row["surface_source"] for row in rows} == {"near", "far"}
    for row, place in zip(rows, COVERS, strict=True):
        assert row["existing_m"] == pytest.approx(plane(*place), abs=1e-6)


def test_without_a_grid_it_is_refused(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    put_covers(site)
    use_datums(site, "EPSG:5773", "EPSG:4979")
    told = refused(site)
    assert told.startswith("surface.vertical_datum: ")
    assert "us_nga_egm96_15.tif" in told


def test_gaps_need_no_common_datum(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    site.structures({"id": ["a"], "gap": ["-10 mm"]}, [Point(*CENTRE)], crs=ZONE)
    use_datums(site, "EPSG:5773", "EPSG:4979")
    (row,) = site.run()
    assert row["raise_mm"] == pytest.approx(10.0, abs=1e-3)


def test_who_says_nothing_is_told(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    put_covers(site)
    use_datums(site, "EPSG:5735", "")
    assert any(
        "no vertical datum is stated for" in text and "Black Sea" in text for text in check_job(site.job()).notices
    )


# ---------------------------------------------------------------- metres and feet


def test_rims_in_feet_read_as_metres(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    put_covers(site, [float(plane(*place)) / FOOT + 0.2 for place in COVERS])
    site.flags[("structures", "vertical_unit")] = "m"
    told = refused(site)
    assert told.startswith("structures.vertical_unit: of the rims, 4 of 4 are 3.2808 times")
    assert "road.tif" in told
    site.flags[("structures", "vertical_unit")] = "ft"
    assert [row["gap_mm"] for row in site.run()] == pytest.approx([0.2 * 304.8] * 4, abs=1e-3)


def test_a_road_in_metres_read_as_feet(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE, unit="us-ft")
    put_covers(site)
    site.flags[("structures", "vertical_unit")] = "m"
    assert "are 3.2808 times" in refused(site)


def test_a_design_in_feet_read_as_metres(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    site.road(lambda e, n: plane(e, n) / FOOT, centre=CENTRE, crs=ZONE, name="design.tif", role="finished")
    put_covers(site, [None] * 4)
    told = refused(site)
    assert told.startswith("finished.vertical_unit: ")
    assert "design.tif" in told


def test_a_lidar_road_in_feet_read_as_metres(site: Any) -> None:
    from tests.run.kinds import scattered

    laspy = pytest.importorskip("laspy")
    places = scattered(0.3, seed=2)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = np.array([EAST, NORTH, 0.0]), np.array([0.001, 0.001, 0.0001])
    cloud = laspy.LasData(header)
    cloud.x, cloud.y = EAST + places[:, 0], NORTH + places[:, 1]
    cloud.z = plane(*places.T) / FOOT
    cloud.classification = np.full(len(places), 2, np.uint8)
    cloud.write(site.folder / "road.las")
    put_covers(site)
    site.flags |= {("surface", "path"): str(site.folder / "road.las"), ("surface", "crs"): ZONE}
    site.flags |= {("surface", "vertical_unit"): "m", ("structures", "vertical_unit"): "m"}
    with pytest.raises(InputError, match=r"are 0\.3048 times the road of .*road\.las"):
        site.run()
    assert not (site.folder / "out").exists()


@pytest.mark.parametrize("height", [0.0, 1.0])
def test_beside_the_sea_a_ratio_says_nothing(height: float) -> None:
    road = np.full(10, height)
    assert find_mixup(road / FOOT, road) is None


def test_some_odd_rims_are_no_mixup() -> None:
    road = np.linspace(100, 110, 20)
    rims = road.copy()
    rims[:10] /= FOOT
    assert find_mixup(rims, road) is None
    rims[10:17] /= FOOT
    found = find_mixup(rims, road)
    assert found is not None
    assert (found.count, found.of) == (17, 20)
    assert find_mixup(road + 231.0, road) is None


def test_a_street_on_another_level_is_no_mixup(site: Any) -> None:
    # 100 m and 102 m: a bridge above the road
    site.road(plane, centre=CENTRE, crs=ZONE)
    put_covers(site, [float(plane(*place)) + 2.0 for place in COVERS])
    site.flags[("structures", "vertical_unit")] = "m"
    assert all("rim_disagrees" in row["flags"] for row in site.run())


@pytest.mark.parametrize(("factor", "word"), [(1 / FOOT, "feet"), (FOOT, "metres")])
def test_coordinates_in_another_unit_are_recognised(site: Any, factor: float, word: str) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    places = [Point((EAST + e) * factor, (NORTH + n) * factor) for e, n in COVERS]
    site.structures({"id": list("abcd")}, places, crs=ZONE)
    with pytest.raises(InputError) as caught:
        check_job(site.job())
    assert f"the structures' coordinates look like {word}" in str(caught.value)


def test_structures_of_another_country_are_told_as_such(site: Any) -> None:
    # ETRS89 to WGS 84 is published for Europe; the places lie in North America
    site.road(plane, centre=(500_000.0, 6_700_000.0), crs="EPSG:25835")
    site.structures({"id": ["a"]}, [Point(-81.0, 36.0)], crs="EPSG:4326")
    with pytest.raises(InputError) as caught:
        check_job(site.job())
    assert "lies on" in str(caught.value)


# ---------------------------------------------------------------- what a check says


def test_the_accuracy_of_a_way_is_told(site: Any) -> None:
    # EPSG operation 1149, ETRS89 to WGS 84 (1): accuracy 1 m
    site.road(plane, centre=(500_000.0, 5_500_000.0), crs="EPSG:25832")
    site.structures({"id": ["a"]}, [Point(500_000.0, 5_500_000.0)], crs="EPSG:32632")
    (line,) = [line for line in check_job(site.job()).lines if line.startswith("surface: coordinates")]
    assert "ETRS89 to WGS 84" in line
    assert line.endswith("accuracy 1 m")


def test_a_raster_has_no_layers(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    put_covers(site)
    site.flags[("surface", "layer")] = "road"
    with pytest.raises(
        InputError, match=r"surface\.layer: \S*road\.tif: 'road': neither rasters nor lidar points have layers"
    ):
        check_job(site.job())


def test_a_survey_after_paving_is_a_finished_road(site: Any) -> None:
    site.road(plane, centre=CENTRE, crs=ZONE)
    site.road(plane, centre=CENTRE, crs=ZONE, name="after.tif", role="paved")
    site.structures({"id": ["a"]}, [Point(*CENTRE)], crs=ZONE)
    report = check_job(site.job())
    assert not any("the finished road is the existing one" in text for text in report.notices)
    assert any("where no paved one covers it" in line for line in report.lines)


def test_a_flag_given_twice_is_refused(site: Any) -> None:
    done = CliRunner().invoke(main, ["check", "--surface", "a.tif", "--surface", "b.tif", "--structures", "c.gpkg"])
    assert done.exit_code == 2
    assert "given more than once" in done.output
