"""Heights of triangulated roads beside two other libraries at once: Delaunay triangles of random points, with holes.

Truth: scipy's LinearNDInterpolator, which makes the triangles itself, and matplotlib's LinearTriInterpolator, which is
given them with some masked. On shared edges and corners the truth is the corners' own heights.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from matplotlib.tri import LinearTriInterpolator, Triangulation
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from geoadjust.core.tin import TinSurface

SEEDS = range(4)
HALF = 4.0
"""Half of the side of the square that the points are scattered over [m]."""


def scattered(seed: int, count: int = 150) -> tuple[Any, Any, Any]:
    """Delaunay's triangles (scipy) of random places (v, 2), heights (v,) about 30 m, and a random generator."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(-HALF, HALF, (count, 2))
    return Delaunay(places), 30 + rng.normal(0, 0.2, count), rng


def heights_on(places: Any, z: Any, faces: Any, asked: Any) -> Any:
    """Heights (k,) at the asked places (k, 2), by the product."""
    surface = TinSurface(np.array([0, len(faces)]), np.column_stack([places, z])[faces])
    return surface.heights_at(asked[None, :, 0], asked[None, :, 1])[0]


def in_holes(places: Any, faces: Any, rng: Any) -> Any:
    """Faces (f,) near three random places."""
    middles = places[faces].mean(axis=1)
    return np.any([np.hypot(*(middles - rng.uniform(-3, 3, 2)).T) < 0.9 for _ in range(3)], axis=0)


@pytest.mark.parametrize("seed", SEEDS)
def test_three_libraries_agree_inside_and_outside(seed: int) -> None:
    mesh, z, rng = scattered(seed)
    asked = rng.uniform(-1.05 * HALF, 1.05 * HALF, (1000, 2))
    found = heights_on(mesh.points, z, mesh.simplices, asked)
    first = LinearNDInterpolator(mesh, z)(asked)
    second = LinearTriInterpolator(Triangulation(*mesh.points.T, mesh.simplices), z)(*asked.T).filled(np.nan)
    for twin in (first, second):
        # nobody asked lies within 1e-9 of the hull, where an answer may be either
        assert np.isnan(found).tolist() == np.isnan(twin).tolist()
        assert found == pytest.approx(twin, abs=1e-9, nan_ok=True)
    assert 0.05 < np.isnan(found).mean() < 0.3


@pytest.mark.parametrize("seed", SEEDS)
def test_holes_are_empty_and_nothing_beside_them(seed: int) -> None:
    """Faces taken away leave no height where they were, and move none elsewhere."""
    mesh, z, rng = scattered(seed)
    holes = in_holes(mesh.points, mesh.simplices, rng)
    asked = rng.uniform(-HALF, HALF, (1000, 2))
    found = heights_on(mesh.points, z, mesh.simplices[~holes], asked)
    twin = Triangulation(*mesh.points.T, mesh.simplices, mask=holes)
    expected = LinearTriInterpolator(twin, z)(*asked.T).filled(np.nan)
    assert np.isnan(found).tolist() == np.isnan(expected).tolist()
    assert found == pytest.approx(expected, abs=1e-9, nan_ok=True)
    hole = shapely.union_all(shapely.polygons(mesh.points[mesh.simplices[holes]]))
    inside = shapely.contains_xy(hole, *asked.T)
    assert inside.sum() > 50
    assert np.isnan(found[inside]).all()
    whole = LinearNDInterpolator(mesh, z)(asked)
    assert found[~inside] == pytest.approx(whole[~inside], abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("seed", SEEDS)
def test_shared_corners_and_edges(seed: int) -> None:
    """At every corner its own height; along every side the line between its two, the rims of holes and hull too."""
    mesh, z, rng = scattered(seed)
    faces = mesh.simplices[~in_holes(mesh.points, mesh.simplices, rng)]
    used = np.unique(faces)
    assert heights_on(mesh.points, z, faces, mesh.points[used]) == pytest.approx(z[used], abs=1e-9)
    sides = np.unique(np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)), axis=0)
    for share in (0.5, 0.25, 0.1):
        asked = (1 - share) * mesh.points[sides[:, 0]] + share * mesh.points[sides[:, 1]]
        expected = (1 - share) * z[sides[:, 0]] + share * z[sides[:, 1]]
        assert heights_on(mesh.points, z, faces, asked) == pytest.approx(expected, abs=1e-9)


def test_places_left_out_have_no_height() -> None:
    """A corner whose faces are all away is in the hole; the same corner with one face left has its height."""
    mesh, z, _ = scattered(9)
    middle = int(np.hypot(*mesh.points.T).argmin())
    round_it = np.flatnonzero(np.any(mesh.simplices == middle, axis=1))
    away = np.delete(mesh.simplices, round_it, axis=0)
    assert np.isnan(heights_on(mesh.points, z, away, mesh.points[[middle]])).all()
    for kept in round_it:
        faces = np.vstack([away, mesh.simplices[[kept]]])
        assert heights_on(mesh.points, z, faces, mesh.points[[middle]]) == pytest.approx(z[[middle]], abs=1e-9)
