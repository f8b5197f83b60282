"""One road as a raster, as triangles, as survey points and as lidar points: the same figures; in metres and feet too.

Truth: the road's own formula (`kinds.true_figures`), for every kind of surface alike; the same site in another unit.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import CRS
from scipy.spatial import Delaunay
from shapely.geometry import Point

from tests.run.kinds import (
    BELOW,
    COVERS,
    CROWN,
    ROADS,
    TWIST,
    as_points,
    as_raster,
    as_shots,
    as_triangles,
    longest_side,
    read_figures,
    scattered,
    true_figures,
)
from tests.run.test_tins import write_landxml

KINDS: dict[str, Callable[[Any, Any], Any]] = {
    "raster": lambda site, z: as_raster(site, z, 0.1),
    "triangles": lambda site, z: as_triangles(site, z, 0.25),
    "shots": lambda site, z: as_shots(site, z, 0.5, line=True),
    "points": lambda site, z: as_points(site, z, 0.1, each=6.0),
}
ROUNDED = 2e-6
"""Lengths are stored in steps of 1e-6 m, raises in millimetres of which the same is left [m]."""


def limit(road: str, kind: str) -> float:
    """How far a height may be off [m]; `test_refined` says why.

    A crown lies on sides of triangles and between cells that each see one side of it; only a cell of lidar points can
    be cut by it: g c / 4 low, in two of the sixteen sectors of the ring. A twist bends what is linear between corners:
    t h^2 / 4, t L^2 / 6. In a raster some 100 of the ring's 495 cells are in it or not by chance, each off the plane by
    up to t r^2 / 2: sqrt(100) / 2 * 1.1 mm / 495 = 0.01 mm. Lidar heights have steps of 0.1 mm, in some hundred cells.
    """
    if kind == "points":
        return 2e-5 + (CROWN * 0.1 / 4 / 8 * 2 if road == "crowned" else 0.0)
    if road != "twisted":
        return ROUNDED
    side = longest_side(scattered(0.5, line=True))
    return ROUNDED + {"raster": 1e-5, "triangles": TWIST * 0.25**2 / 4, "shots": TWIST * side**2 / 6}[kind]


@pytest.mark.parametrize("road", ROADS)
def test_every_kind_of_surface_gives_the_same_road(make_site: Callable[[], Any], road: str) -> None:
    true, found = true_figures(ROADS[road], COVERS), {}
    for kind, make in KINDS.items():
        rows = make(make_site(), ROADS[road]).run()
        found[kind] = read_figures(rows)
        most = limit(road, kind)
        assert found[kind].height == pytest.approx(true.height, abs=most), kind
        assert found[kind].up == pytest.approx(true.up, abs=most + 1e-6), kind
        for name in ("slope", "grade", "cross"):
            # 1.6 per metre of what heights are off; where a crown is found d too far aside, 4 g / (pi r) d
            assert getattr(found[kind], name) == pytest.approx(getattr(true, name), abs=2 * most + 1e-6), (kind, name)
        assert [row["rim_basis"] for row in rows] == ["surveyed"] * len(COVERS), kind
        assert [row["road_shape"] == "break" for row in rows] == [road == "crowned" and abs(e) < 1 for e, _ in COVERS]
    for one, other in itertools.combinations(KINDS, 2):
        apart = np.abs(found[one].height - found[other].height).max()
        assert apart <= limit(road, one) + limit(road, other), (one, other)


# ---------------------------------------------------------------- units

METRES = "EPSG:32118"
"""NAD83 / New York Long Island; EPSG:2263 is the same projection in US survey feet (both in the EPSG data set)."""
PLACE = (300_840.0, 64_313.0)
FOOT = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}


def system(unit: str) -> CRS:
    """The projection of METRES with its coordinates in a unit."""
    if unit == "us-ft":
        return CRS("EPSG:2263")
    if unit == "m":
        return CRS(METRES)
    data = CRS(METRES).to_json_dict()
    data.pop("id")
    data["name"] += " (ft)"
    foot = {"type": "LinearUnit", "name": "foot", "conversion_factor": 0.3048}
    for axis in data["coordinate_system"]["axis"]:
        axis["unit"] = foot
    return CRS.from_json_dict(data)


def put_structures(site: Any, unit: str) -> None:
    """Covers, rims and the layer's points in a unit."""
    z, foot = ROADS["twisted"], FOOT[unit]
    table = {
        "id": [f"c{i}" for i in range(len(COVERS))],
        "casting_height": ["200 mm"] * len(COVERS),
        "axis": [30.0] * len(COVERS),
        "rim": [(z(e, n) - BELOW) / foot for e, n in COVERS],
    }
    points = [Point((PLACE[0] + e) / foot, (PLACE[1] + n) / foot) for e, n in COVERS]
    site.structures(table, points, system(unit))
    site.flags[("structures", "vertical_unit")] = unit


def put_surface(site: Any, unit: str, kind: str) -> Path:
    """The twisted road's scattered points in a unit: as triangles, or as they are."""
    places, foot = scattered(1.0), FOOT[unit]
    points = np.column_stack([places + PLACE, ROADS["twisted"](*places.T)]) / foot
    site.flags |= {("surface", "crs"): system(unit).to_wkt(), ("surface", "vertical_unit"): unit}
    if kind == "landxml":
        faces = Delaunay(places).simplices
        path = write_landxml(site.folder / "road.xml", {"road": (points, faces)}, unit=unit, epsg="")
    else:
        path = site.folder / "shots.csv"
        path.write_text("".join(f"{i},{n!r},{e!r},{z!r},g\n" for i, (e, n, z) in enumerate(points.tolist())))
    site.flags[("surface", "path")] = str(path)
    return path


def lengths_of(rows: list[dict[str, Any]]) -> Any:
    """Every published length of each row [m], whatever it is."""
    ends = {"_m": 1.0, "_mm": 1e-3}
    names = [name for name, value in rows[0].items() if isinstance(value, float) and name.endswith(tuple(ends))]
    factors = [ends["_" + name.rsplit("_", 1)[1]] for name in names]
    assert {"existing_m", "raise_mm", "existing_rim_m", "target_rim_m"} <= set(names)
    return np.array([[row[name] for name in names] for row in rows]) * factors


@pytest.mark.parametrize("kind", ["landxml", "shots"])
@pytest.mark.parametrize("unit", ["ft", "us-ft"])
def test_a_site_in_feet_is_the_site_in_metres(make_site: Callable[[], Any], kind: str, unit: str) -> None:
    """Coordinates and heights of the surface and of the structures, all in feet, or the surface's alone."""
    runs = []
    for structures, surface in (("m", "m"), (unit, unit), ("m", unit), (unit, "m")):
        site = make_site()
        put_structures(site, structures)
        put_surface(site, surface, kind)
        runs.append(site.run('output.units="metric"'))
    first, *others = runs
    for rows in others:
        assert lengths_of(rows) == pytest.approx(lengths_of(first), abs=1e-6)
        for row, twin in zip(rows, first, strict=True):
            for name in ("slope_pct", "grade_pct", "cross_slope_pct", "uphill_deg"):
                assert row[name] == pytest.approx(twin[name], abs=2e-6), name
            for name in ("flags", "method", "stack", "remark", "ready"):
                assert row[name] == twin[name], name


def test_the_two_feet_are_told_apart(make_site: Callable[[], Any]) -> None:
    """Coordinates of 2 million feet: 2 ppm between the feet are 0.6 m, a height of 100 m is 0.2 mm."""
    ft, us_ft = (np.array(PLACE) / FOOT[unit] for unit in ("ft", "us-ft"))
    assert np.hypot(*(ft - us_ft)) * 0.3048 == pytest.approx(2e-6 * np.hypot(*PLACE), rel=1e-3)
    site = make_site()
    put_structures(site, "us-ft")
    put_surface(site, "us-ft", "shots")
    right = site.run()[1]["existing_m"]
    site.flags[("surface", "vertical_unit")] = "ft"
    wrong = site.run(overwrite=True)[1]["existing_m"]
    assert wrong / right == pytest.approx(0.3048 / (1200 / 3937), abs=1e-8)


@pytest.mark.parametrize(("structures", "road", "told"), [("us-ft", "ft", True), ("us-ft", "us-ft", False)])
def test_a_zone_in_both_feet_is_told(make_site: Callable[[], Any], structures: str, road: str, told: bool) -> None:
    """One of the two is often stated wrongly; nothing in the files can show it, so it is said."""
    site = make_site()
    put_structures(site, structures)
    put_surface(site, road, "shots")
    rows = site.run()
    assert all(row["existing_m"] is not None for row in rows)
    findings = json.loads((site.folder / "out" / "run.json").read_text())["findings"]
    off = 2e-6 * np.hypot(*PLACE)
    assert any(f"off by up to {off:.2f} m" in finding for finding in findings) == told
