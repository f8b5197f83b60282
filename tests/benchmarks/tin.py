"""Heights round structures on a TIN, beside a general library's interpolator on the same points.

    python -m tests.benchmarks.tin --triangles 1000000 10000000

Both get the same vertices and structures in memory and give 72 heights for each structure. The interpolator makes its
own triangles from the vertices; `faces given` leaves that time out, as it would be with faces as read from a file. The
product sorts the faces (set-up), then cuts and samples chunk after chunk. Nothing is read from a file, no road is
fitted. Heights are compared: both must be the same surface.
"""

from __future__ import annotations

import argparse
import os
import time
from typing import Any

import numpy as np

from tests.benchmarks.tables import Table

FACE = 4.0
"""Mean area of a triangle [m2]."""
CHUNK = 4096
FLANGE = 0.4575
COLUMNS = ["triangles", "structures", "way", "set-up s", "look-up s", "total s", "ratio"]


def road(triangles: int, structures: int, area: float = FACE) -> tuple[Any, Any, Any]:
    """Vertices (v, 3) of an uneven surface, its Delaunay faces (f, 3), and structures (n, 2)."""
    from scipy.spatial import Delaunay

    rng = np.random.default_rng(0)
    side = (triangles * area) ** 0.5
    places = rng.uniform(0, side, (triangles // 2, 2))
    height = places[:, 0] * 0.01 + np.sin(places[:, 1] / 30)
    faces = Delaunay(places).simplices.astype(np.int32)
    return np.column_stack([places, height]), faces, rng.uniform(side * 0.01, side * 0.99, (structures, 2))


def product(vertices: Any, faces: Any, structures: Any) -> tuple[float, float, Any, Any, Any]:
    """Seconds of set-up and look-up; offsets east and north of the samples, and their heights."""
    from geoadjust.core.ring import Ring
    from geoadjust.io.tin.faces import Mesh, cut, index_faces

    ring = Ring()
    begun = time.perf_counter()
    index = index_faces(Mesh(vertices, faces))
    ready = time.perf_counter()
    parts = []
    for first in range(0, len(structures), CHUNK):
        some = structures[first : first + CHUNK]
        units = np.broadcast_to(np.eye(2), (len(some), 2, 2))
        surface = cut(index, some[:, 0], some[:, 1], units, ring.outer_radius)
        found = surface.samples(np.full(len(some), FLANGE), ring)
        parts.append((found.east, found.north, found.height))
    done = time.perf_counter()
    return ready - begun, done - ready, *(np.concatenate(part) for part in zip(*parts, strict=True))


def interpolator(vertices: Any, places: Any) -> tuple[float, float, Any]:
    """Seconds of set-up and look-up, and heights, of scipy's LinearNDInterpolator."""
    from scipy.interpolate import LinearNDInterpolator
    from scipy.spatial import Delaunay

    begun = time.perf_counter()
    triangles = Delaunay(vertices[:, :2])
    ready = time.perf_counter()
    heights = LinearNDInterpolator(triangles, vertices[:, 2])(places)
    return ready - begun, time.perf_counter() - ready, heights


def measure(table: Table, triangles: int, structures: int, repeats: int) -> None:
    """Add the rows of one size; of the product the quickest of several runs."""
    vertices, faces, covers = road(triangles, structures)
    runs = [product(vertices, faces, covers) for _ in range(repeats)]
    setup, lookup, east, north, height = min(runs, key=lambda run: run[0] + run[1])
    places = np.stack([(covers[:, :1] + east).ravel(), (covers[:, 1:] + north).ravel()], axis=1)
    other, searched, theirs = interpolator(vertices, places)
    own = setup + lookup
    table.add(len(faces), structures, "product", setup, lookup, own, 1.0)
    table.add(len(faces), structures, "interpolator", other, searched, other + searched, (other + searched) / own)
    table.add(len(faces), structures, "interpolator, faces given", 0.0, searched, searched, searched / own)
    apart = float(np.nanmax(np.abs(theirs.reshape(height.shape) - height)))
    table.notes.append(f"{len(faces)} triangles: heights differ by {apart:.1e} m at most")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--triangles", type=int, nargs="+", default=[1_000_000])
    parser.add_argument("--structures", type=int, default=100_000)
    parser.add_argument("--repeats", type=int, default=3)
    chosen = parser.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = (
        "1"  # before scipy is loaded: on a busy machine its threads wait for each other
    )
    table = Table("Heights on a TIN", f"{FACE:g} m2 a triangle, 72 heights a structure.", COLUMNS)
    for triangles in chosen.triangles:
        measure(table, triangles, chosen.structures, chosen.repeats)
    print(table.text())


if __name__ == "__main__":
    main()
