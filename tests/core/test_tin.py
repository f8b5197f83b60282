"""Heights and samples of a TIN: closed forms, another library, exact fractions, the raster of the same road."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.tri import LinearTriInterpolator, Triangulation
from scipy.spatial import Delaunay

from geoadjust.core.bar import read_bars
from geoadjust.core.edge import edge_plane
from geoadjust.core.ring import Ring
from geoadjust.core.road import fit_roads
from geoadjust.core.tin import TinSurface

RING = Ring()
FLANGE = 0.4575


def tin(*triangles):
    """One structure on these triangles, each ((east, north, height), ...)."""
    return TinSurface(np.array([0, len(triangles)]), np.array(triangles, dtype=float).reshape(-1, 3, 3))


def heights(surface, *places):
    east, north = np.array(places, dtype=float).T
    return surface.heights_at(east[None], north[None])[0]


def mesh_of(places, z, faces):
    """One structure on faces (f, 3) over places (v, 2) with heights z(east, north)."""
    corners = np.column_stack([places, z(*places.T)])[faces]
    return TinSurface(np.array([0, len(corners)]), corners)


def random_mesh(seed, count=60, half=3.0, swaps=20):
    """Places and faces that cover a square; some diagonals are swapped, so that the mesh is not a Delaunay one."""
    rng = np.random.default_rng(seed)
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    places = np.concatenate([square, rng.uniform(-half, half, (count, 2))])
    faces = [list(face) for face in Delaunay(places).simplices]
    for _ in range(swaps):
        swap(places, faces, rng)
    return places, np.array(faces)


def swap(places, faces, rng):
    """Swap the diagonal of one convex pair of neighbours."""
    i, j = rng.choice(len(faces), 2, replace=False)
    shared = sorted(set(faces[i]) & set(faces[j]))
    if len(shared) != 2:
        return
    a, b = shared
    c, d = (set(faces[k]).difference(shared).pop() for k in (i, j))
    crossing = [turn(places, c, d, a) * turn(places, c, d, b), turn(places, a, b, c) * turn(places, a, b, d)]
    if max(crossing) < -1e-6:
        faces[i], faces[j] = [a, c, d], [b, d, c]


def turn(places, a, b, c):
    (e1, n1), (e2, n2) = places[b] - places[a], places[c] - places[a]
    return e1 * n2 - e2 * n1


# ---------------------------------------------------------------- heights


@pytest.mark.parametrize("seed", range(6))
def test_heights_are_those_of_another_library(seed):
    # matplotlib's LinearTriInterpolator on the same triangles, turned clockwise or not
    rng = np.random.default_rng(seed + 50)
    places, faces = random_mesh(seed)
    z = 30 + rng.normal(0, 0.1, len(places))
    east, north = rng.uniform(-3.2, 3.2, (2, 500))
    expected = LinearTriInterpolator(Triangulation(*places.T, faces), z)(east, north).filled(np.nan)
    turned = [face[::-1] if rng.random() < 0.5 else face for face in faces]
    corners = np.column_stack([places, z])[np.array(turned)]
    found = TinSurface(np.array([0, len(faces)]), corners).heights_at(east[None], north[None])[0]
    assert np.isnan(found).tolist() == np.isnan(expected).tolist()
    assert 0.02 < np.isnan(found).mean() < 0.5
    assert found == pytest.approx(expected, abs=1e-9, nan_ok=True)


def exact_height(triangles, east, north):
    """The first triangle in which a point lies, in exact fractions."""
    e, n = Fraction(east), Fraction(north)
    for triangle in triangles:
        (e0, n0, z0), (e1, n1, z1), (e2, n2, z2) = [[Fraction(float(v)) for v in corner] for corner in triangle]
        area = (e1 - e0) * (n2 - n0) - (e2 - e0) * (n1 - n0)
        if not area:
            continue
        u = ((e - e0) * (n2 - n0) - (e2 - e0) * (n - n0)) / area
        v = ((e1 - e0) * (n - n0) - (e - e0) * (n1 - n0)) / area
        if u >= 0 and v >= 0 and u + v <= 1:
            return float(z0 + u * (z1 - z0) + v * (z2 - z0))
    return np.nan


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10**6), size=st.integers(2, 5))
def test_edges_corners_overlaps_and_steps_as_in_exact_fractions(seed, size):
    # corners on a coarse lattice with heights of their own: overlaps, steps, shared edges and flat triangles abound
    rng = np.random.default_rng(seed)
    corners = rng.integers(-2, 3, (3 * size, 3, 3)).astype(float)
    east, north = (values.ravel() for values in np.mgrid[-8:9, -8:9] / 4.0)
    found = TinSurface(np.array([0, len(corners)]), corners).heights_at(east[None], north[None])[0]
    expected = [exact_height(corners, *place) for place in zip(east, north, strict=True)]
    assert found == pytest.approx(np.array(expected), abs=1e-12, nan_ok=True)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 10**6), stretch=st.sampled_from([1.0, 1e-3, 1e-6]))
def test_no_point_falls_between_two_neighbours(seed, stretch):
    # two triangles over one edge that make a convex shape; slivers too: all points on the edge, and beside it by less
    # than the last digit, have a height
    rng = np.random.default_rng(seed)
    a, b = rng.uniform(-30, 30, (2, 2))
    across = np.array([-(b - a)[1], (b - a)[0]])
    left, right = (a + b) / 2 + stretch * across, (a + b) / 2 - stretch * across
    surface = tin([[*a, 1], [*b, 1], [*left, 1]], [[*b, 1], [*a, 1], [*right, 1]])
    along = a + rng.uniform(0.01, 0.99, 400)[:, None] * (b - a)
    aside = along + rng.integers(-3, 4, along.shape) * np.spacing(along)
    assert np.isfinite(heights(surface, *along, *aside)).all()


def test_first_of_several_triangles_counts():
    low, high = ([[-1, -1, z], [1, -1, z], [0, 1, z]] for z in (1.0, 2.0))
    assert heights(tin(low, high), (0, 0)) == [1.0]
    assert heights(tin(high, low), (0, 0)) == [2.0]
    left, right = [[0, -1, 5], [0, 1, 5], [-1, 0, 5]], [[0, -1, 6], [0, 1, 6], [1, 0, 6]]
    assert heights(tin(left, right), (0, 0), (-0.1, 0), (0.1, 0)).tolist() == [5, 5, 6]
    assert heights(tin(right, left), (0, 0), (-0.1, 0), (0.1, 0)).tolist() == [6, 5, 6]


def test_within_a_billionth_of_an_edge_counts_as_inside():
    surface = tin([[0, 0, 1], [10, 0, 1], [0, 10, 1]])
    assert np.isfinite(heights(surface, (5, -0.9e-8), (5, -1.1e-8))).tolist() == [True, False]


def test_flat_triangles_and_nan_have_no_height():
    wall = [[-1, 0, 0], [1, 0, 0], [0, 0, 3]]
    assert np.isnan(
        heights(tin(wall, [[0, 0, 1]] * 3, [[0, 0, np.nan], [1, 0, 1], [0, 1, 1]]), (0, 0), (0.2, 0.2))
    ).all()
    assert np.isnan(heights(tin([[-1, -1, 1], [1, -1, 1], [0, 1, 1]]), (np.nan, 0))).all()


def test_a_plane_in_metres_to_the_last_digits():
    places, faces = random_mesh(3, half=2000.0)
    surface = mesh_of(places, lambda e, n: 5e3 + 0.02 * e - 0.03 * n, faces)
    east, north = np.random.default_rng(1).uniform(-3, 3, (2, 1, 400))
    assert surface.heights_at(east, north) == pytest.approx(5e3 + 0.02 * east - 0.03 * north, abs=1e-9)


# ---------------------------------------------------------------- structures by themselves


def many(count=40):
    """Structures with anything from no triangle to hundreds."""
    rng = np.random.default_rng(7)
    sizes = rng.integers(0, 12, count)
    sizes[3] = 300
    return TinSurface(np.concatenate([[0], np.cumsum(sizes)]), rng.normal(0, 2, (sizes.sum(), 3, 3)))


def test_a_structure_is_the_same_in_any_company(monkeypatch):
    surface = many()
    east, north = np.random.default_rng(8).normal(0, 1, (2, len(surface), 30))
    whole = surface.heights_at(east, north)
    rings = surface.samples(np.linspace(0.2, 1.0, len(surface)), RING)
    index = np.random.default_rng(9).permutation(len(surface))[:25]
    assert surface.take(index).heights_at(east[index], north[index]).tobytes() == whole[index].tobytes()
    for i in range(len(surface)):
        one = surface.take(np.array([i]))
        assert one.heights_at(east[i : i + 1], north[i : i + 1]).tobytes() == whole[i].tobytes()
        assert one.samples(np.linspace(0.2, 1.0, len(surface))[i : i + 1], RING).height.tobytes() == (
            rings.height[i].tobytes()
        )
    monkeypatch.setattr("geoadjust.core.tin.BLOCK", 64)
    assert surface.heights_at(east, north).tobytes() == whole.tobytes()


def test_take_repeats_and_turns_round():
    surface = many()
    some = surface.take(np.array([5, 3, 5, 0]))
    assert len(some) == 4
    for place, number in enumerate((5, 3, 5, 0)):
        mine = some.corners[some.first[place] : some.first[place + 1]]
        assert (mine == surface.corners[surface.first[number] : surface.first[number + 1]]).all()
    assert len(surface.take(np.zeros(0, dtype=np.intp)).corners) == 0


def test_no_triangles_at_all():
    surface = TinSurface(np.zeros(4, dtype=np.int64), np.zeros((0, 3, 3)))
    found = surface.samples(np.full(3, FLANGE), RING)
    assert np.isnan(found.height).all()
    assert found.pattern.tolist() == [72, 72, 72]
    assert surface.spacing().tolist() == [0.05] * 3


# ---------------------------------------------------------------- the ring's samples


def plate(height=10.0, half=2.0):
    places = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return mesh_of(places, lambda e, n: height + 0 * e, np.array([[0, 1, 2], [0, 2, 3]]))


def test_pattern_halves_three_equal_areas():
    found = plate().samples(np.array([FLANGE]), RING)
    distance, azimuth = np.hypot(found.east, found.north)[0], np.arctan2(found.east, found.north)[0]
    inner, outer = FLANGE + 0.35, 1.5
    cuts = np.sqrt(np.linspace(inner**2, outer**2, 4))
    for j, radius in enumerate(np.sort(np.unique(distance.round(9)))):
        assert radius**2 - cuts[j] ** 2 == pytest.approx(cuts[j + 1] ** 2 - radius**2)
    assert len(np.unique(distance.round(9))) == 3
    sixteenths = np.bincount((np.floor(np.degrees(azimuth) / 22.5 + 1e-9) % 16).astype(int))
    assert sorted(set(sixteenths.tolist())) == [4, 5]
    # so many squares of the spacing's side make up the ring
    assert 72 * found.spacing[0] ** 2 == pytest.approx(np.pi * (outer**2 - inner**2))
    assert found.pattern.tolist() == [72]
    assert found.widened.tolist() == [False]


def test_half_of_the_ring():
    surface = plate().take(np.zeros(5, dtype=np.intp))
    side = np.radians([1.0, 92.0, 183.0, 271.0, np.nan])
    found = surface.samples(np.full(5, FLANGE), RING, side)
    seen = np.isfinite(found.height)
    assert seen.sum(axis=1).tolist() == found.pattern.tolist() == [36, 36, 36, 36, 72]
    ahead = found.east * np.sin(side)[:, None] + found.north * np.cos(side)[:, None]
    assert (ahead[:4][seen[:4]] >= 0).all()


def test_no_room_for_a_ring():
    found = plate().take(np.zeros(3, dtype=np.intp)).samples(np.array([1.15, 3.0, np.nan]), RING)
    assert found.pattern.tolist() == [0, 0, 0]
    assert found.spacing.tolist() == [0, 0, 0]
    assert np.isfinite(found.east).all()
    assert np.isnan(found.height).all()


# ---------------------------------------------------------------- roads


def breakline(z, azimuth, offset, half=4.0):
    """A road whose triangles meet in a line across `azimuth`, `offset` [m] from the cover."""
    across, along = np.array([np.sin(azimuth), np.cos(azimuth)]), np.array([np.cos(azimuth), -np.sin(azimuth)])
    places = np.array([(s * across + t * along) for s in (offset - half, offset, offset + half) for t in (-half, half)])
    return mesh_of(places, z, np.array([[0, 1, 2], [1, 3, 2], [2, 3, 4], [3, 5, 4]]))


@pytest.mark.parametrize("change", [-0.04, 0.06], ids=["crown", "gutter"])
@pytest.mark.parametrize(("azimuth", "offset"), [(0.4, 0.1), (2.0, -0.3), (5.0, 0.5)])
def test_a_breakline_is_the_models_break(roads, change, azimuth, offset):
    z = roads.folded(5.0, 0.01, -0.02, change=change, azimuth=azimuth, offset=offset)
    surface = breakline(lambda e, n: z(e[None, None], n[None, None])[0, 0], azimuth, offset)
    models = fit_roads(surface.samples(np.array([FLANGE]), RING), RING, roads.edge(surface))
    assert models.shape.tolist() == [1]
    # the fold has two names: seen from the other side its planes change places
    assert abs(models.fold[0]) == pytest.approx(abs(change), abs=1e-6)
    east, north = np.random.default_rng(0).uniform(-1, 1, (2, 1, 50))
    beyond = np.sin(models.fold_azimuth) * east + np.cos(models.fold_azimuth) * north - models.fold_offset
    model = models.height + models.slope_east * east + models.slope_north * north
    model = model + models.fold * np.maximum(beyond, 0)
    assert model == pytest.approx(z(east[..., None], north[..., None])[..., 0], abs=1e-6)


def test_bars_over_a_crown_are_the_chord(roads):
    # across a crown -2 % |s| through the centre the bar rests on both edges of the cut-out: 2 % of their distance lower
    surface = breakline(lambda e, n: 7 - 0.02 * np.abs(e), np.pi / 2, 0.0)
    found = read_bars(surface, np.zeros(1), np.array([FLANGE]), np.zeros(1), RING, 0.01)
    edge = FLANGE + 0.35
    expected = 7 - 0.02 * edge * np.abs(np.sin(found.azimuth))
    # the running median as wide as the bar takes the middle of the first 100 mm: its slope is put back exactly
    step = 0.025 * (int(0.05 / 0.025 + 0.05))
    assert found.height == pytest.approx(expected - 0.02 * step * np.abs(np.sin(found.azimuth)), abs=1e-9)
    assert found.slope == pytest.approx(np.zeros((1, 8)), abs=1e-9)


def test_the_same_plane_as_a_raster_gives_the_same_model(roads):
    raster = roads.make_surface(roads.plane(101.0, 0.021, -0.034), matrix=0.1, column=0.2, row=-0.3)
    places, faces = random_mesh(4)
    surface = mesh_of(places, lambda e, n: 101.0 + 0.021 * e - 0.034 * n, faces)
    outlines = roads.edge(surface)
    first, second = (fit_roads(s.samples(np.array([FLANGE]), RING), RING, outlines) for s in (raster, surface))
    assert edge_plane(first, outlines) == pytest.approx(edge_plane(second, outlines), abs=1e-9)
    bars = [read_bars(s, np.array([0.3]), np.array([FLANGE]), np.zeros(1), RING, 0.01) for s in (raster, surface)]
    assert bars[0].height == pytest.approx(bars[1].height, abs=1e-9)
    assert bars[0].slope == pytest.approx(bars[1].slope, abs=1e-9)


def test_a_hole_is_told_by_the_coverage(roads):
    # the north half of the plate is missing: the ring keeps the samples of the south half
    surface = tin([[-2, -2, 1], [2, -2, 1], [2, 0.01, 1]], [[-2, -2, 1], [2, 0.01, 1], [-2, 0.01, 1]])
    models = fit_roads(surface.samples(np.array([FLANGE]), RING), RING, roads.edge(surface))
    assert models.coverage[0] == pytest.approx(37 / 72, abs=1.5 / 72)
