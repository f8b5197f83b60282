"""Which faces lie near a cover, against naive twins in loops, another library and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from matplotlib.tri import LinearTriInterpolator, Triangulation
from scipy.spatial import Delaunay

from geoadjust.core.ring import Ring
from geoadjust.io.tin.faces import Mesh, covers, cut, facts, index_faces

EAST, NORTH = 512_000.0, 5_410_000.0
CORNER = np.array([EAST, NORTH])
RADIUS = 1.5


def random_mesh(seed: int = 0, count: int = 4000, side: float = 60.0) -> Mesh:
    """Faces of every size: a dense patch in one corner, slivers round the hull, faces as long as the whole mesh."""
    rng = np.random.default_rng(seed)
    dense = rng.uniform(0, side / 6, (count // 2, 2))
    places = np.concatenate(
        [dense, rng.uniform(0, side, (count // 2, 2)), [[-9 * side, side / 2], [side / 2, 9 * side]]]
    )
    faces = Delaunay(places).simplices
    vertices = np.column_stack([places + CORNER, 40 + rng.normal(0, 0.2, len(places))])
    return Mesh(vertices, rng.permutation(faces).astype(np.int32))


def unit(n: int, matrix: object = ((1.0, 0.0), (0.0, 1.0))) -> np.ndarray:
    return np.broadcast_to(np.array(matrix, dtype=float), (n, 2, 2))


def points(seed: int, n: int, side: float = 60.0) -> tuple[np.ndarray, np.ndarray]:
    """Covers on the mesh, round it, and on its corners."""
    east, north = np.random.default_rng(seed).uniform(-5, side + 5, (2, n))
    return east + EAST, north + NORTH


def faces_near(mesh: Mesh, east: float, north: float, jacobian: np.ndarray, radius: float) -> list[int]:
    """Naive twin: faces whose distance from the cover on the ground, by shapely, is at most the radius."""
    ground = (mesh.vertices[:, :2] - [east, north]) @ np.linalg.inv(jacobian).T
    shapes = shapely.polygons(ground[mesh.faces])
    return np.flatnonzero(shapely.distance(shapes, shapely.Point(0, 0)) <= radius).tolist()


JACOBIANS = {
    "metres": ((1.0, 0.0), (0.0, 1.0)),
    "feet": ((3.28, 0.0), (0.0, 3.28)),
    "turned": ((0.8, 0.6), (-0.6, 0.8)),
    "mirrored": ((0.0, 1.0), (1.0, 0.0)),
    "unlike sides": ((1.5, 0.2), (0.0, 0.9)),
}


@pytest.mark.parametrize("matrix", JACOBIANS.values(), ids=JACOBIANS)
def test_all_faces_that_touch_the_disc_in_the_order_of_the_file(matrix: object) -> None:
    mesh, (east, north) = random_mesh(), points(1, 60)
    surface = cut(index_faces(mesh), east, north, unit(60, matrix), RADIUS)
    for i in range(60):
        expected = faces_near(mesh, east[i], north[i], np.array(matrix), RADIUS)
        corners = mesh.vertices[mesh.faces[expected]]
        ground = (corners[..., :2] - [east[i], north[i]]) @ np.linalg.inv(np.array(matrix)).T
        mine = surface.corners[surface.first[i] : surface.first[i + 1]]
        assert mine[..., :2] == pytest.approx(ground, abs=1e-9)
        assert (mine[..., 2] == corners[..., 2]).all()


@pytest.mark.parametrize("seed", range(3))
def test_heights_are_those_of_another_library(seed: int) -> None:
    # matplotlib's LinearTriInterpolator on the same faces, in coordinates near zero
    mesh, (east, north) = random_mesh(seed, 1500), points(seed + 10, 80)
    surface = cut(index_faces(mesh), east, north, unit(80), RADIUS)
    off_east, off_north = np.random.default_rng(seed).uniform(-1.05, 1.05, (2, 80, 40))
    triangles = Triangulation(mesh.vertices[:, 0] - EAST, mesh.vertices[:, 1] - NORTH, mesh.faces)
    interpolator = LinearTriInterpolator(triangles, mesh.vertices[:, 2])
    expected = interpolator(east[:, None] - EAST + off_east, north[:, None] - NORTH + off_north).filled(np.nan)
    found = surface.heights_at(off_east, off_north)
    assert (np.isnan(found) == np.isnan(expected)).all()
    # coordinates of millions of metres end at 1e-9 m; a face of 10 mm that is 0.4 m high makes 1e-7 m of that
    assert found == pytest.approx(expected, abs=1e-7, nan_ok=True)


@pytest.mark.parametrize(
    "matrix",
    [((3.280833, 0.0), (0.0, 3.280833)), ((0.6, -0.8), (0.8, 0.6)), ((1.36e-5, 1e-8), (-2e-8, 9.0e-6))],
    ids=["feet", "turned", "degrees"],
)
def test_a_plane_on_the_ground_comes_back_in_every_crs(matrix: object) -> None:
    # closed form: z = 30 + 2 % east - 3 % north in ground metres round each cover
    jacobian = np.array(matrix)
    rng = np.random.default_rng(3)
    ground = rng.uniform(-40, 40, (800, 2))
    vertices = np.column_stack([ground @ jacobian.T + [11.5, 48.1], 30 + 0.02 * ground[:, 0] - 0.03 * ground[:, 1]])
    mesh = Mesh(vertices, Delaunay(ground).simplices.astype(np.int32))
    covers_at = rng.uniform(-30, 30, (20, 2))
    east, north = (covers_at @ jacobian.T + [11.5, 48.1]).T
    surface = cut(index_faces(mesh), east, north, unit(20, matrix), RADIUS)
    samples = surface.samples(np.full(20, 0.45), Ring())
    level = (30 + covers_at @ [0.02, -0.03])[:, None]
    # degrees end at 7e-15, which is 1e-9 m: times the slope
    assert samples.height == pytest.approx(level + 0.02 * samples.east - 0.03 * samples.north, abs=1e-9)


def test_holes_and_what_lies_outside_have_no_height() -> None:
    places = np.stack(np.meshgrid(np.arange(9.0), np.arange(9.0)), axis=2).reshape(-1, 2)
    corner = np.array([row * 9 + column for row in range(8) for column in range(8) if (row, column) != (4, 4)])
    faces = np.concatenate([corner[:, None] + [0, 1, 10], corner[:, None] + [0, 10, 9]]).astype(np.int32)
    index = index_faces(Mesh(np.column_stack([places, np.full(81, 3.0)]), faces))
    surface = cut(index, np.array([4.5, 7.9]), np.array([4.5, 4.0]), unit(2), RADIUS)
    found = surface.heights_at(np.array([[0.0, 0.45, 0.55], [0, 0.05, 0.15]]), np.zeros((2, 3)))
    assert np.isfinite(found).tolist() == [[False, False, True], [True, True, False]]
    inside = covers(
        index, np.array([4.5, 4.0, 3.9, 0.0, 8.0, 8.1, np.nan]), np.array([4.5, 4.5, 4.5, 0.0, 8.0, 8.0, 1.0])
    )
    assert inside.tolist() == [False, True, True, True, True, False, False]
    assert facts(index).area == pytest.approx(63)


def test_positions_and_jacobians_without_a_value_get_no_triangles() -> None:
    index = index_faces(random_mesh())
    east, north = np.full(6, EAST + 5), np.full(6, NORTH + 5)
    jacobians = unit(6).copy()
    east[0], north[1], east[2] = np.nan, np.inf, 1e12
    jacobians[3, 0, 0], jacobians[4] = np.nan, 0.0
    counts = np.diff(cut(index, east, north, jacobians, RADIUS).first)
    assert counts[:5].tolist() == [0] * 5
    assert counts[5] > 0


def test_a_structure_is_the_same_in_any_company(monkeypatch: pytest.MonkeyPatch) -> None:
    index, (east, north) = index_faces(random_mesh()), points(4, 200)
    whole = cut(index, east, north, unit(200), RADIUS)
    order = np.random.default_rng(5).permutation(200)
    monkeypatch.setattr("geoadjust.io.tin.faces.SOME", 7)
    parts = [cut(index, east[some], north[some], unit(len(some)), RADIUS) for some in np.array_split(order, 9)]
    assert np.concatenate([part.corners for part in parts]).tobytes() == whole.take(order).corners.tobytes()
    assert np.concatenate([np.diff(part.first) for part in parts]).tolist() == np.diff(whole.first)[order].tolist()


def test_faces_without_value_or_area_are_no_part_of_it() -> None:
    vertices = np.array([[0, 0, 1], [4, 0, 1], [0, 4, 1], [4, 4, np.nan], [2, 2, 7], [0, 0, 9]], dtype=float)
    mesh = Mesh(vertices, np.array([[1, 3, 2], [1, 4, 2], [0, 5, 1], [0, 1, 2]], dtype=np.int32))
    index = index_faces(mesh)
    surface = cut(index, np.array([2.0]), np.array([2.0]), unit(1), RADIUS)
    assert surface.corners[:, :, 2].tolist() == [[1, 1, 1]]
    assert covers(index, np.array([1.0, 3.0]), np.array([1.0, 3.0])).tolist() == [True, False]


def test_a_mesh_of_nothing() -> None:
    index = index_faces(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32)))
    assert covers(index, np.zeros(2), np.zeros(2)).tolist() == [False, False]
    assert len(cut(index, np.zeros(2), np.zeros(2), unit(2), RADIUS)) == 2
    assert len(cut(index, np.zeros(0), np.zeros(0), unit(0), RADIUS)) == 0
    assert facts(index).faces == 0


@pytest.mark.parametrize("faces", [1, 3], ids=["one", "in a row"])
def test_a_mesh_of_few_faces(faces: int) -> None:
    places = np.array([[column, row, 2.0] for column in range(faces + 1) for row in (0, 1)])
    mesh = Mesh(places, np.array([[2 * i, 2 * i + 2, 2 * i + 1] for i in range(faces)], dtype=np.int32))
    east = np.arange(faces) + 0.25
    assert covers(index_faces(mesh), east, np.full(faces, 0.25)).all()
    assert not covers(index_faces(mesh), east, np.full(faces, 0.9)).any()


def test_few_faces_are_looked_at_however_large_some_are() -> None:
    # 64 x 64 squares of 1 m, and 50 faces that span all of them: a disc touches some twenty small ones at most
    places = np.stack(np.meshgrid(np.arange(65.0), np.arange(65.0)), axis=2).reshape(-1, 2)
    corner = np.arange(65 * 64).reshape(64, 65)[:, :64].ravel()
    small = np.concatenate([corner[:, None] + [0, 1, 66], corner[:, None] + [0, 66, 65]])
    large = np.repeat([[0, 64, 65 * 65 - 1]], 50, axis=0)
    mesh = Mesh(np.column_stack([places, np.zeros(len(places))]), np.concatenate([small, large]).astype(np.int32))
    index = index_faces(mesh)
    assert len(index.layers) == 2
    surface = cut(index, np.array([40.2]), np.array([20.3]), unit(1), RADIUS)
    assert len(surface.corners) == len(faces_near(mesh, 40.2, 20.3, np.eye(2), RADIUS)) > 50


def test_facts_by_hand() -> None:
    # two right triangles with legs of 3 and 4 ft: sides 3, 4, 5 each; 12 square feet; 4 of 5 vertices used
    vertices = np.array([[0, 0, 1], [3, 0, 1], [0, 4, 1], [3, 4, 1], [99, 99, 1]], dtype=float)
    found = facts(index_faces(Mesh(vertices, np.array([[0, 1, 2], [1, 3, 2]], dtype=np.int32))), metres=0.3048)
    assert found.bounds == (0, 0, 3, 4)
    assert (found.faces, found.vertices) == (2, 4)
    assert found.area == pytest.approx(12 * 0.3048**2)
    assert found.density == pytest.approx(4 / (12 * 0.3048**2))
    assert found.edge == pytest.approx(4 * 0.3048)
