"""The same road as a surface of every kind, with covers on it, and what each cover must read.

The truth is the road's own formula: the mean height and the least-squares plane of z along the top edge of the frame,
by 40,000 places on that circle. (For a trigonometric integrand of low degree that sum is exact to rounding; for a crown
it is off by less than 1e-8 m.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import Delaunay
from shapely.geometry import Point

from tests.run.test_clouds import write_las
from tests.run.test_surveys import write_shots
from tests.run.test_tins import write_landxml

EAST, NORTH = 500_000.0, 4_500_000.0
CENTRE = np.array([EAST, NORTH])
COVERS = [(0.0, 0.0), (0.2, -4.1), (-9.2, 5.5), (3.3, 11.7), (-12.4, -10.6)]
SCALE = 0.9996
"""Of lengths on the map at the central meridian of UTM (Snyder, PP 1395)."""
AXIS = 30.0
FRAME = 0.330
"""Radius of the frame's top edge in the example catalogue [m]."""
BELOW = 0.020
"""Every rim stands this far below the road's formula at the cover's centre [m]."""
CROWN, TWIST = 0.025, 0.001
"""Fall to both sides of east = 0; change of the slope per metre: 2 % in 20 m, where a crown is turned into a bend."""
HALF = 22.0
"""Half of the side of the square that every surface fills [m]."""

Road = Callable[[Any, Any], Any]
ROADS: dict[str, Road] = {
    "tilted": lambda e, n: 100 + 0.03 * e - 0.02 * n,
    "crowned": lambda e, n: 100 - CROWN * np.abs(e) + 0.01 * n,
    "twisted": lambda e, n: 100 + 0.02 * e - 0.01 * n + TWIST * e * n,
}


@dataclass(frozen=True)
class Figures:
    """What is compared, (n,) each: height and raise [m], slope, grade and cross slope [m/m]."""

    height: Any
    up: Any
    slope: Any
    grade: Any
    cross: Any


def read_figures(rows: list[dict[str, Any]]) -> Figures:
    """From the schedule's rows."""

    def column(name: str, factor: float) -> Any:
        return np.array([row[name] for row in rows]) * factor

    return Figures(
        column("existing_m", 1.0),
        column("raise_mm", 1e-3),
        column("slope_pct", 0.01),
        column("grade_pct", 0.01),
        column("cross_slope_pct", 0.01),
    )


def true_figures(z: Road, covers: list[tuple[float, float]]) -> Figures:
    """By the road's formula alone."""
    turn = np.linspace(0, 2 * np.pi, 40_001)[:-1]
    right, up = FRAME * np.sin(turn), FRAME * np.cos(turn)
    edge = np.array([z(e + SCALE * right, n + SCALE * up) for e, n in covers])
    east, north = (2 * np.mean(edge * way, axis=1) / FRAME for way in (np.sin(turn), np.cos(turn)))
    ahead, aside = np.sin(np.radians(AXIS)), np.cos(np.radians(AXIS))
    height = edge.mean(axis=1)
    rims = np.array([z(e, n) - BELOW for e, n in covers])
    return Figures(
        height, height - rims, np.hypot(east, north), east * ahead + north * aside, east * aside - north * ahead
    )


# ---------------------------------------------------------------- jobs


def put_covers(site: Any, z: Road, *, covers: list[tuple[float, float]] | None = None) -> Any:
    """Covers with a rim 20 mm below the road and a street axis."""
    covers = COVERS if covers is None else covers
    table = {
        "id": [f"c{i}" for i in range(len(covers))],
        "casting_height": ["200 mm"] * len(covers),
        "axis": [AXIS] * len(covers),
        "rim": [float(z(e, n)) - BELOW for e, n in covers],
    }
    site.structures(table, [Point(EAST + e, NORTH + n) for e, n in covers])
    site.flags[("structures", "vertical_unit")] = "m"
    return site


def use(site: Any, path: Path) -> Any:
    """The file as the job's surface, heights in metres."""
    site.flags |= {("surface", "path"): str(path), ("surface", "vertical_unit"): "m"}
    return site


def as_raster(site: Any, z: Road, cell: float) -> Any:
    """Cells over 40 m x 40 m."""
    site.road(z, cell=cell, cells=int(40 / cell))
    return put_covers(site, z)


def lattice(every: float, shift: float) -> tuple[Any, Any]:
    """Places (v, 2) of a square lattice and two triangles per square, all with the same diagonal, (f, 3)."""
    along = np.arange(-HALF, HALF, every) + shift * every
    east, north = (values.ravel() for values in np.meshgrid(along, along))
    size = len(along)
    corner = np.arange((size - 1) * size).reshape(size - 1, size)[:, :-1].ravel()
    upper, lower = corner[:, None] + [0, size + 1, size], corner[:, None] + [0, 1, size + 1]
    return np.stack([east, north], axis=1), np.concatenate([upper, lower])


def as_triangles(site: Any, z: Road, every: float, *, shift: float = 0.0) -> Any:
    """LandXML: a lattice of right triangles; with shift = 0 some sides of them lie on the crown line."""
    places, faces = lattice(every, shift)
    points = np.column_stack([places + CENTRE, z(*places.T)])
    put_covers(site, z)
    return use(site, write_landxml(site.folder / "road.xml", {"road": (points, faces)}))


def scattered(every: float, *, line: bool = False, seed: int = 7) -> Any:
    """Places (v, 2), one per every^2; with `line` those near east = 0 are replaced by a row on it, densely set."""
    places = np.random.default_rng(seed).uniform(-HALF, HALF, (int((2 * HALF / every) ** 2), 2))
    if not line:
        return places
    along = np.arange(-HALF, HALF, every / 10)
    return np.vstack([places[np.abs(places[:, 0]) > 0.06], np.stack([0 * along, along], axis=1)])


def as_shots(site: Any, z: Road, every: float, *, line: bool = False) -> Any:
    """Survey points as CSV."""
    put_covers(site, z)
    site.flags[("surface", "crs")] = "EPSG:32617"
    return use(site, write_shots(site.folder / "shots.csv", scattered(every, line=line), z))


def longest_side(places: Any, reach: float = 2.0) -> float:
    """Longest side [m] of scipy's Delaunay triangles that come within `reach` of a cover's centre."""
    faces = Delaunay(places).simplices
    corners = places[faces]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    away = np.linalg.norm(corners[:, :, None] - np.array(COVERS), axis=3).min(axis=(1, 2))
    return float(sides[away < reach].max())


def as_points(site: Any, z: Road, cell: float, *, each: float = 3.0) -> Any:
    """LAS: `each` points per cell on the average, heights in steps of 0.1 mm."""
    places = scattered(cell / np.sqrt(each), seed=5)
    points = np.column_stack([places + CENTRE, z(*places.T)])
    put_covers(site, z)
    site.flags[("surface", "cell")] = f"{cell} m"
    return use(site, write_las(site.folder / "road.las", points, 2))
