"""Lidar points as the road of a whole job: closed forms of the road, files in any division, every engine.

Truth: planes and a crown in closed form. The points are written by laspy.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
from pyproj import CRS
from shapely.geometry import Point

from geoadjust.errors import InputError
from geoadjust.run.check import check_job

EAST, NORTH = 500_000.0, 4_500_000.0
COVERS = [(0.0, 0.0), (7.3, -4.1), (-9.2, 5.5), (3.3, 11.7), (-12.4, -10.6)]
SCALE = 0.9996
"""Of lengths on the map at the central meridian of UTM (Snyder, PP 1395)."""


def write_las(path: Path, points: Any, classes: Any) -> Path:
    """Points (k, 3) east, north, height as LAS 1.4 with a CRS."""
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, 0.0001), np.array([EAST, NORTH, 0.0])
    header.add_crs(CRS.from_epsg(32617))
    data = laspy.LasData(header)
    data.x, data.y, data.z = points.T
    data.classification = np.broadcast_to(classes, len(points)).astype(np.uint8)
    data.return_number = np.ones(len(points), dtype=np.uint8)
    data.number_of_returns = np.ones(len(points), dtype=np.uint8)
    data.write(path)
    return path


def points_of(z: Any, *, density: float = 60.0, noise: float = 0.0, seed: int = 5) -> Any:
    """Points scattered over 44 m x 44 m."""
    random = np.random.default_rng(seed)
    east, north = random.uniform(-22, 22, (2, int(44 * 44 * density)))
    height = z(east, north) + random.normal(0, noise, len(east)) if noise else z(east, north)
    return np.stack([east + EAST, north + NORTH, height], axis=1)


def plane(e: Any, n: Any) -> Any:
    return 100 + 0.03 * e - 0.02 * n


def make(site: Any, path: Path) -> Any:
    """A job of five covers on lidar points."""
    layer = [Point(EAST + e, NORTH + n) for e, n in COVERS]
    site.structures({"id": [f"c{i}" for i in range(5)], "casting_height": ["200 mm"] * 5}, layer)
    site.flags |= {("surface", "path"): str(path), ("surface", "vertical_unit"): "m"}
    return site


@pytest.mark.parametrize("ending", ["las", "laz"])
def test_plane_in_closed_form(site: Any, ending: str) -> None:
    """Heights are stored in steps of 0.1 mm; the mean of each cell stands at the mean place of its points."""
    rows = make(site, write_las(site.folder / f"road.{ending}", points_of(plane), 2)).run()
    for row, (east, north) in zip(rows, COVERS, strict=True):
        assert row["existing_m"] == pytest.approx(plane(east, north), abs=1e-4)
        assert row["slope_pct"] == pytest.approx(100 * SCALE * np.hypot(0.03, 0.02), abs=0.02)
        assert row["road_shape"] == "plane"


def test_crown_is_a_break(site: Any) -> None:
    def crown(e: Any, n: Any) -> Any:
        return 100 - 0.025 * np.abs(e) + 0.01 * n

    row = make(site, write_las(site.folder / "road.laz", points_of(crown, density=400.0), 2)).run()[0]
    assert row["road_shape"] == "break"
    # mean of -g |r sin a| over the rim: -2 g r / pi, with the example catalogue's flange of 660 mm
    assert row["finished_m"] == pytest.approx(100 - 2 * 0.025 * SCALE * 0.330 / np.pi, abs=5e-4)


def test_noise_averages_out(site: Any) -> None:
    """20 mm of noise, one sd: each height is within five standard deviations of the mean of some 300 points.

    A plane's height in the middle of its points has the sd of their mean; bisquare weights cost a few per cent.
    """
    rows = make(site, write_las(site.folder / "road.laz", points_of(plane, noise=0.020), 2)).run()
    for row, (east, north) in zip(rows, COVERS, strict=True):
        assert abs(row["existing_m"] - plane(east, north)) < 5 * 0.020 / np.sqrt(250)


def test_files_and_engines_change_no_byte(site: Any, make_site: Any) -> None:
    """One file, or four of a folder; serial, in chunks of two, by two processes: the schedule's rows are the same."""
    points = points_of(plane, noise=0.010)
    whole = make(site, write_las(site.folder / "road.las", points, 2))
    rows = whole.run()
    bytes_of = (whole.folder / "out" / "schedule.gpkg").read_bytes
    first = hashlib.sha256(bytes_of()).hexdigest()
    for options in ({"chunk": 2}, {"engine": "processes", "workers": 2, "chunk": 3}):
        whole.run(**options, overwrite=True)
        assert hashlib.sha256(bytes_of()).hexdigest() == first
    other = make_site()
    folder = other.folder / "road"
    folder.mkdir()
    quarter = 2 * (points[:, 0] > EAST) + (points[:, 1] > NORTH)
    for number in range(4):
        write_las(folder / f"{number}.laz", points[quarter == number], 2)
    divided = make(other, folder)
    assert [{**row, "fid": 0} for row in divided.run("surface.cell='0.25 m'")] == [
        {**row, "fid": 0} for row in whole.run("surface.cell='0.25 m'", overwrite=True)
    ]
    assert len(rows) == 5


def test_only_the_classes_of_the_job(site: Any) -> None:
    """Road in class 11, trees 3 m above it in class 5."""
    road, trees = points_of(plane), points_of(lambda e, n: plane(e, n) + 3, seed=6)
    path = write_las(site.folder / "road.laz", np.vstack([road, trees]), np.repeat([11, 5], len(road)))
    make(site, path)
    with pytest.raises(InputError, match=r"surface\.classes.*11"):
        site.run()
    rows = site.run("surface.classes=[11]")
    assert rows[0]["existing_m"] == pytest.approx(100.0, abs=1e-4)
    record = json.loads((site.folder / "out" / "run.json").read_text())
    assert record["sources"]["surfaces"][0]["classes"] == [11]


def test_check_tells_what_there_is(site: Any) -> None:
    points = points_of(plane)
    make(site, write_las(site.folder / "road.laz", points, 2))
    (line,) = [line for line in check_job(site.job()).lines if "pulses" in line]
    assert f"{len(points):,} points" in line
    assert "60 pulses per square metre" in line
    assert "5 of 5 structures lie in the bounds of its files" in line


def test_a_cover_without_points_comes_back(site: Any) -> None:
    points = points_of(plane)
    far = np.hypot(points[:, 0] - EAST - COVERS[1][0], points[:, 1] - NORTH - COVERS[1][1]) > 4
    rows = make(site, write_las(site.folder / "road.laz", points[far], 2)).run()
    assert [row["existing_m"] is None for row in rows] == [False, True, False, False, False]
    assert "no_surface" in rows[1]["flags"]


@pytest.mark.parametrize("classes", ["[]", "[2, 2]", "[300]", "'ground'"])
def test_classes_that_are_none(site: Any, classes: str) -> None:
    make(site, site.folder / "road.laz")
    with pytest.raises(InputError, match=r"surface.*classes"):
        site.job(f"surface.classes={classes}")
