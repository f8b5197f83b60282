"""A triangulated road in a whole job: the figures of the raster of the same road, in every unit, by every engine.

Truth: closed forms of the road (planes, a crown), and the raster of the same road, which goes through other code up to
the fit. Triangles are Delaunay's by scipy.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial import Delaunay
from shapely.geometry import Point

from geoadjust.errors import InputError
from geoadjust.run.check import check_job

EAST, NORTH = 500_000.0, 4_500_000.0
US_FOOT = 1200 / 3937
WORDS = {"m": ("Metric", "meter"), "ft": ("Imperial", "foot"), "us-ft": ("Imperial", "USSurveyFoot")}
COVERS = [(0.0, 0.0), (7.3, -4.1), (-9.2, 5.5), (3.3, 11.7), (-12.4, -10.6)]


def write_landxml(
    path: Path,
    surfaces: dict[str, tuple[Any, Any]],
    *,
    unit: str = "m",
    epsg: str = "32617",
    hidden: dict[str, set[int]] | None = None,
) -> Path:
    """Surfaces of points (v, 3) east, north, height and faces (f, 3), as LandXML 1.2 has them."""
    system, word = WORDS[unit]
    crs = f'<CoordinateSystem epsgCode="{epsg}"/>' if epsg else ""
    text = ['<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">']
    text.append(f'<Units><{system} linearUnit="{word}"/></Units>{crs}<Surfaces>')
    for name, (points, faces) in surfaces.items():
        text.append(f'<Surface name="{name}"><Definition surfType="TIN"><Pnts>')
        text += [f'<P id="{10 + 3 * i}">{n!r} {e!r} {z!r}</P>' for i, (e, n, z) in enumerate(points.tolist())]
        text.append("</Pnts><Faces>")
        for i, face in enumerate(faces.tolist()):
            away = ' i="1"' if i in (hidden or {}).get(name, ()) else ""
            text.append(f"<F{away}>{' '.join(str(10 + 3 * corner) for corner in face)}</F>")
        text.append("</Faces></Definition></Surface>")
    path.write_text("".join([*text, "</Surfaces></LandXML>"]), encoding="utf-8")
    return path


def triangulated(z: Any, *, every: float = 1.0, seed: int = 7, line: bool = False) -> tuple[Any, Any]:
    """Points scattered over 44 m x 44 m, one per `every` metres; with `line` also along east = 0, 0.1 m apart."""
    random = np.random.default_rng(seed)
    points = random.uniform(-22, 22, (int((44 / every) ** 2), 2))
    if line:
        points = points[np.abs(points[:, 0]) > 0.06]
        along = np.arange(-22, 22.05, 0.1)
        points = np.vstack([points, np.stack([0 * along, along], axis=1)])
    faces = Delaunay(points).simplices
    return np.column_stack([points + np.array([EAST, NORTH]), z(*points.T)]), faces


def make(site: Any, z: Any, path: Path) -> Any:
    """A job of five covers on a triangulated road."""
    points = [Point(EAST + e, NORTH + n) for e, n in COVERS]
    site.structures({"id": [f"c{i}" for i in range(5)], "casting_height": ["200 mm"] * 5}, points)
    site.flags |= {("surface", "path"): str(path)}
    return site


def twisted(e: Any, n: Any) -> Any:
    return 100 + 0.03 * e - 0.02 * n


@pytest.fixture
def plane(site: Any) -> Any:
    """Covers on a road that rises 3 % to the east and falls 2 % to the north on the map."""
    return make(site, twisted, write_landxml(site.folder / "road.xml", {"road": triangulated(twisted)}))


def test_plane_in_closed_form(plane: Any) -> None:
    rows = plane.run()
    scale = 0.9996  # of lengths on the map at the central meridian of UTM (Snyder, PP 1395)
    for row, (east, north) in zip(rows, COVERS, strict=True):
        assert row["existing_m"] == pytest.approx(twisted(east, north), abs=1e-6)
        assert row["slope_pct"] == pytest.approx(100 * scale * np.hypot(0.03, 0.02), rel=1e-5)


@pytest.mark.parametrize("unit", ["ft", "us-ft"])
def test_units_change_no_figure(plane: Any, make_site: Any, unit: str) -> None:
    """The same site in feet: a CRS of the same projection in that unit."""
    metres = plane.run()
    foot = 0.3048 if unit == "ft" else US_FOOT
    points, faces = triangulated(twisted)
    other = make(make_site(), twisted, Path("x"))
    crs = f"+proj=utm +zone=17 +datum=WGS84 +units={unit} +type=crs"
    path = write_landxml(other.folder / "road.xml", {"road": (points / foot, faces)}, unit=unit, epsg="")
    other.flags |= {("surface", "path"): str(path), ("surface", "crs"): crs}
    for row, twin in zip(other.run(), metres, strict=True):
        assert row["existing_m"] == pytest.approx(twin["existing_m"], abs=1e-6)
        assert row["slope_pct"] == pytest.approx(twin["slope_pct"], abs=1e-6)


def test_crown_comes_nearer_to_the_raster_as_both_are_refined(site: Any, make_site: Any) -> None:
    """A crown of 2.5 % to both sides along east = 0 as a break line of the triangles, and as cells."""

    def crown(e: Any, n: Any) -> Any:
        return 100 - 0.025 * np.abs(e) + 0.01 * n

    path = write_landxml(site.folder / "road.xml", {"road": triangulated(crown, line=True)})
    tin = make(site, crown, path).run()[0]
    off = []
    for cell in (0.2, 0.1):
        other = make_site()
        other.road(crown, cell=cell, cells=int(40 / cell))
        grid = make(other, crown, other.folder / "road.tif").run()[0]
        off.append(abs(grid["finished_m"] - tin["finished_m"]))
        assert grid["road_shape"] == tin["road_shape"] == "break"
    # mean of -g |r sin a| over the rim: -2 g r / pi, with the example catalogue's flange of 660 mm
    assert tin["finished_m"] == pytest.approx(100.0 - 2 * 0.025 * 0.9996 * 0.330 / np.pi, abs=1e-5)
    assert off[1] <= off[0] + 1e-4
    assert off[1] < 1e-3


@pytest.mark.parametrize("options", [{"chunk": 2}, {"engine": "processes", "workers": 2, "chunk": 2}])
def test_engines_and_chunks_change_no_byte(plane: Any, options: dict[str, Any]) -> None:
    def digest() -> str:
        return hashlib.sha256((plane.folder / "out" / "schedule.gpkg").read_bytes()).hexdigest()

    plane.run()
    whole = digest()
    plane.run(**options, overwrite=True)
    assert digest() == whole


def test_design_surface_of_another_kind(site: Any) -> None:
    """Existing as a raster, finished as triangles 60 mm higher: every cover has 60 mm to go up."""
    site.road(twisted)
    path = write_landxml(
        site.folder / "design.xml", {"design": triangulated(lambda e, n: twisted(e, n) + 0.06, seed=9)}
    )
    make(site, twisted, site.folder / "road.tif")
    site.flags |= {("finished", "path"): str(path)}
    for row in site.run():
        assert row["finished_m"] - row["existing_m"] == pytest.approx(0.06, abs=1e-6)


def test_hole_and_rim_of_the_surface_are_flagged(site: Any) -> None:
    """Invisible triangles round cover 1, and cover 2 beyond the last triangle: both rows come back."""
    points, faces = triangulated(twisted)
    centres = points[faces, :2].mean(axis=1) - [EAST, NORTH]
    gone = set(np.flatnonzero(np.hypot(*(centres - COVERS[1]).T) < 4).tolist())
    path = write_landxml(site.folder / "road.xml", {"road": (points, faces)}, hidden={"road": gone})
    layer = [Point(EAST + e, NORTH + n) for e, n in [(0, 0), COVERS[1], (300, 0)]]
    site.structures({"id": list("abc"), "casting_height": ["200 mm"] * 3}, layer)
    site.flags |= {("surface", "path"): str(path)}
    rows = site.run()
    assert [row["existing_m"] is None for row in rows] == [False, True, True]
    assert all("no_surface" in row["flags"].split() for row in rows[1:])
    text = "\n".join(check_job(site.job()).lines)
    assert f"{len(gone)} invisible triangles are holes" in text
    assert "1 of 3 structures lie on it" in text
    (west, south), (east, north) = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    box = f"{west:.1f} to {east:.1f} east, {south:.1f} to {north:.1f} north"
    assert f"surface: CRS WGS 84 / UTM zone 17N; {box}" in text


def faults(site: Any) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        check_job(site.job())
    return {fault.where: str(fault) for fault in caught.value.faults}


def test_several_surfaces_must_be_named(site: Any) -> None:
    both = {"old": triangulated(twisted), "new": triangulated(lambda e, n: twisted(e, n) + 1)}
    make(site, twisted, write_landxml(site.folder / "road.xml", both))
    (told,) = faults(site).values()
    assert "'old'" in told
    assert "'new'" in told
    site.flags |= {("surface", "layer"): "new"}
    assert site.run()[0]["existing_m"] == pytest.approx(101.0, abs=1e-6)
    record = json.loads((site.folder / "out" / "run.json").read_text())
    assert record["sources"]["surfaces"][0]["surface"] == "surface 'new'"


def test_feet_under_a_crs_of_metres_are_refused(site: Any) -> None:
    points, faces = triangulated(twisted)
    path = write_landxml(site.folder / "road.xml", {"road": (points / 0.3048, faces)}, unit="ft")
    told = faults(make(site, twisted, path))
    assert "coordinates in ft" in told["surface.crs"]
    assert "in m" in told["surface.crs"]


def test_units_of_job_and_file_that_differ_are_refused(plane: Any) -> None:
    plane.flags |= {("surface", "vertical_unit"): "ft"}
    assert "the job says ft" in faults(plane)["surface.vertical_unit"]


def test_no_crs_is_told(site: Any) -> None:
    path = write_landxml(site.folder / "road.xml", {"road": triangulated(twisted)}, epsg="")
    assert "states no CRS" in faults(make(site, twisted, path))["surface.crs"]
    site.flags |= {("surface", "crs"): "EPSG:32617"}
    assert len(site.run()) == 5


def test_structures_of_the_same_file(plane: Any) -> None:
    """A pipe network's structures on the triangles of its file: rims 20 mm above the road and 30 mm below it."""
    path = Path(plane.flags[("surface", "path")])
    structs = [
        f'<Struct name="s{i}" elevRim="{twisted(e, n) + off!r}"><CircStruct diameter="1.2"/>'
        f"<Center>{NORTH + n} {EAST + e}</Center></Struct>"
        for i, ((e, n), off) in enumerate(zip(COVERS, (0.02, -0.03, 0, 0, 0), strict=True))
    ]
    network = f'<PipeNetworks><PipeNetwork name="a"><Structs>{"".join(structs)}</Structs></PipeNetwork></PipeNetworks>'
    path.write_text(path.read_text().replace("<Surfaces>", network + "<Surfaces>"))
    plane.flags[("structures", "path")] = str(path)
    rows = plane.run()
    assert [row["structure_id"] for row in rows] == [f"s{i}" for i in range(5)]
    assert [row["raise_mm"] for row in rows] == pytest.approx([-20, 30, 0, 0, 0], abs=0.01)
    assert rows[0]["name"] == "s0"
    assert any("pipe network" in line for line in check_job(plane.job()).notices)


def test_odd_triangles_change_nothing_elsewhere(plane: Any, site: Any) -> None:
    """Turned over, without an area, in a part of its own, and, after all others, 5 m above them."""
    whole = plane.run()
    points, faces = triangulated(twisted)
    faces[::2] = faces[::2, ::-1]
    line = np.array([[EAST + k, NORTH + k, 150.0] for k in range(3)])
    apart, above = points + np.array([300, 300, 9]), points + np.array([0, 0, 5])
    count = len(points)
    all_faces = [faces, [[count, count + 1, count + 2]], faces + count + 3, faces + 2 * count + 3]
    path = write_landxml(
        site.folder / "odd.xml", {"road": (np.vstack([points, line, apart, above]), np.vstack(all_faces))}
    )
    site.flags |= {("surface", "path"): str(path)}
    for row, twin in zip(site.run(overwrite=True), whole, strict=True):
        assert row["existing_m"] == pytest.approx(twin["existing_m"], abs=1e-9)
        assert row["slope_pct"] == pytest.approx(twin["slope_pct"], abs=1e-9)


def test_a_point_that_is_no_place_is_told(site: Any) -> None:
    """Writers put such numbers where a height is missing."""
    points, faces = triangulated(twisted)
    points[7, 2] = -1.797693e308
    make(site, twisted, write_landxml(site.folder / "road.xml", {"road": (points, faces)}))
    assert "has 1 bad points (P '31'" in faults(site)["surface.path"]
