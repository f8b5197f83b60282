"""What `check` tells of a surface: how many triangles and points, how long their sides, how large an area.

Truth: closed forms of plain shapes; shapely's areas of the same triangles; scipy's Delaunay triangles of the same
shots. Areas are those of the surface's own grid, seen from above.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
import shapely
from scipy.spatial import Delaunay
from shapely.geometry import Point

from geoadjust.run.check import check_job
from tests.run.kinds import CENTRE
from tests.run.test_surveys import write_shots
from tests.run.test_tins import write_landxml

FOOT = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
TOLD = re.compile(r"(\d+) triangles of (\d+) points, sides of about ([\d.]+) m, ([\d.e+]+) m2")


def plane(e: Any, n: Any) -> Any:
    return 100 + 0.03 * e - 0.02 * n


def told(site: Any, place: tuple[float, float] = (0.0, 0.0)) -> tuple[int, int, float, float]:
    """Triangles, points, usual side [m] and area [m2] of the surface, from the text of a check.

    It needs a structure on a triangle.
    """
    layer = [Point(*(CENTRE + place))]
    site.structures({"id": ["a"], "casting_height": ["200 mm"]}, layer)
    text = "\n".join(check_job(site.job()).lines)
    (found,) = TOLD.findall(text)
    return int(found[0]), int(found[1]), float(found[2]), float(found[3])


def use_mesh(site: Any, places: Any, faces: Any, *, unit: str = "m", hidden: Any = ()) -> None:
    """Places (v, 2) in metres about the site, written in a unit."""
    points = np.column_stack([places + CENTRE, plane(*places.T)]) / FOOT[unit]
    crs = f"+proj=utm +zone=17 +datum=WGS84 +units={unit} +type=crs"
    away = {"road": set(np.flatnonzero(hidden).tolist())}
    path = write_landxml(site.folder / "road.xml", {"road": (points, faces)}, unit=unit, epsg="", hidden=away)
    site.flags |= {("surface", "path"): str(path), ("surface", "crs"): crs}


def use_shots(site: Any, places: Any) -> None:
    path = write_shots(site.folder / "shots.csv", places, plane)
    site.flags |= {("surface", "path"): str(path), ("surface", "crs"): "EPSG:32617", ("surface", "vertical_unit"): "m"}


@pytest.mark.parametrize("unit", FOOT)
def test_a_rectangle_by_hand(site: Any, unit: str) -> None:
    """30 m x 8 m in squares of 2 m, two triangles each: 60 squares, 16 x 5 points; six sides in ten are 2 m long."""
    east, north = (values.ravel() for values in np.meshgrid(np.arange(-16, 15, 2.0), np.arange(-4, 5, 2.0)))
    corner = np.arange(64).reshape(4, 16)[:, :-1].ravel()
    faces = np.concatenate([corner[:, None] + [0, 1, 17], corner[:, None] + [0, 17, 16]])
    use_mesh(site, np.stack([east, north], axis=1), faces, unit=unit)
    assert told(site) == (120, 80, 2.0, 240.0)


@pytest.mark.parametrize("unit", FOOT)
@pytest.mark.parametrize("seed", [1, 2])
def test_random_triangles_with_a_hole_have_the_area_of_shapely(site: Any, seed: int, unit: str) -> None:
    """Scattered points; triangles within 6 m of one place are invisible, and do not count."""
    places = np.random.default_rng(seed).uniform(-40, 40, (900, 2))
    faces = Delaunay(places).simplices
    shapes = shapely.polygons(places[faces])
    away = shapely.distance(shapes, Point(5, 5)) < 6
    use_mesh(site, places, faces, unit=unit, hidden=away)
    triangles, points, side, area = told(site, (-20, -20))
    assert (triangles, points) == (int((~away).sum()), len(np.unique(faces[~away])))
    assert area == pytest.approx(shapely.area(shapes[~away]).sum(), rel=1e-5)  # printed to six digits
    whole = shapely.union_all(shapes[~away])
    assert area == pytest.approx(whole.area, rel=1e-5)
    assert area < shapely.MultiPoint(places).convex_hull.area - np.pi * 6**2
    sides = np.linalg.norm(places[faces[~away]] - np.roll(places[faces[~away]], 1, axis=1), axis=2)
    assert side == pytest.approx(np.median(sides), rel=0.005)  # printed to three digits


def test_shots_fill_their_hull(site: Any) -> None:
    """Without breaklines the triangles are Delaunay's: 2 n - 2 - h of them, h places on the hull (Euler)."""
    places = np.random.default_rng(3).uniform(-20, 20, (500, 2))
    use_shots(site, places)
    site.flags[("surface", "longest_side")] = "100 m"
    triangles, points, _, area = told(site)
    hull = shapely.MultiPoint(places).convex_hull
    assert points == 500
    assert triangles == 2 * 500 - 2 - (len(hull.exterior.coords) - 1) == len(Delaunay(places).simplices)
    assert area == pytest.approx(hull.area, rel=1e-5)


def test_shots_of_two_streets_leave_the_block_between_them_empty(site: Any) -> None:
    """Two streets 60 m apart, 8 m wide and 100 m long: triangles across the block have sides above 25 m."""
    along, across = (values.ravel() for values in np.meshgrid(np.arange(-50, 51, 5.0), (-4.0, 0.0, 4.0)))
    places = np.concatenate([np.stack([across + aside, along], axis=1) for aside in (-30, 30)])
    use_shots(site, places)
    triangles, points, _, area = told(site, (30, 0))
    assert (triangles, points) == (2 * 2 * 20 * 2, 126)
    assert area == pytest.approx(2 * 8 * 100)
    site.flags[("surface", "longest_side")] = "100 m"
    assert told(site, (30, 0))[3] == pytest.approx(68 * 100)


def test_an_area_counts_what_lies_over_one_another_twice(site: Any) -> None:
    """The sum of all triangles: that of two equal ones is twice their area."""
    places = np.array([[-5.0, -5], [5, -5], [0, 7]])
    use_mesh(site, places, np.array([[0, 1, 2], [2, 0, 1]]))
    assert told(site) == (2, 3, 13.0, 120.0)
