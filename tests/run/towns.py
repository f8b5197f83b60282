"""Random small towns that can be moved, turned, mirrored, raised and written in other units: the same town each time.

A town lives in coordinates of its own, u and v, in metres on a site grid. Its road is random cells, so that a turned
raster holds the very same cells; nothing in it stands on a limit but by chance.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.transform import Affine

from tests.run.conftest import Site

LOCAL = 'LOCAL_CS["site grid",UNIT["{}",{}],AXIS["E",EAST],AXIS["N",NORTH]]'
CELL, CELLS, COVERS = 0.25, 96, 6
UNITS = {"m": ("metre", 1.0), "ft": ("foot", 0.3048), "us-ft": ("US survey foot", 1200 / 3937)}


@dataclass(frozen=True)
class View:
    """How a town is written down: turned clockwise [deg], mirrored (east for west) first, moved and raised [m].

    `unit` is that of coordinates and heights, `order` that of the rows (None = as they are).
    """

    turn: float = 0.0
    mirror: bool = False
    east: float = 0.0
    north: float = 0.0
    up: float = 0.0
    unit: str = "m"
    order: tuple[int, ...] | None = None

    def matrix(self) -> Any:
        """From u, v to east, north [units]."""
        angle = np.radians(self.turn)
        turned = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        return turned @ np.diag([-1.0 if self.mirror else 1.0, 1.0]) / UNITS[self.unit][1]

    def place(self, uv: Any) -> Any:
        """East, north of places (n, 2)."""
        return uv @ self.matrix().T + np.array([self.east, self.north]) / UNITS[self.unit][1]

    def azimuth(self, degrees: Any) -> Any:
        """Azimuths as they are in this view."""
        return np.mod((-1.0 if self.mirror else 1.0) * np.asarray(degrees) + self.turn, 360.0)

    def height(self, metres: Any) -> Any:
        """Elevations [units]."""
        return (np.asarray(metres) + self.up) / UNITS[self.unit][1]


@dataclass(frozen=True)
class Town:
    """What is there: cells [m], covers, and the settings of a job."""

    cells: Any
    covers: Any
    table: dict[str, Any]
    settings: dict[tuple[str, str], str]


def make_town(seed: int) -> Town:
    """A road with grade, crown, a dip and some roughness, and covers with everything that is measured."""
    rng = np.random.default_rng(seed)
    along, aside = (np.arange(CELLS) + 0.5 - CELLS / 2) * CELL, -((np.arange(CELLS) + 0.5 - CELLS / 2) * CELL)
    u, v = along[None, :], aside[:, None]
    lane = rng.uniform(-3, 3)
    cells = 100 + rng.uniform(-0.06, 0.06) * v - rng.uniform(0, 0.04) * np.abs(u - lane)
    cells = cells + 0.02 * rng.normal() * np.exp(-((u - lane) ** 2 + v**2) / 20) + rng.normal(0, 0.002, (CELLS, CELLS))
    covers = rng.uniform(-7, 7, (COVERS, 2))
    column, row = ((covers * [1, -1] / CELL + CELLS / 2).astype(int)).T
    ground = cells[row, column]
    chimney = rng.uniform(0.03, 0.34, COVERS)
    height = rng.choice([0.1, 0.18, 0.23], COVERS)
    table = {
        "id": [f"C{i}" for i in range(COVERS)],
        "kind": rng.choice(["manhole", "inlet", "valve"], COVERS, p=[0.7, 0.2, 0.1]).tolist(),
        "casting_height": (1000 * height).round(1).tolist(),
        "frame_top_diameter": [f"{d} mm" for d in rng.integers(500, 760, COVERS)],
        "flange_outside_diameter": [f"{d} mm" for d in rng.integers(800, 950, COVERS)],
        "rim": ground + rng.normal(-0.01, 0.02, COVERS),
        "bearing": ground - height - chimney,
        "axis": rng.uniform(0, 360, COVERS),
    }
    settings = {
        ("finished", "mill"): f"{rng.uniform(0, 60):.2f} mm",
        ("finished", "overlay"): f"{rng.uniform(20, 90):.2f} mm",
        ("structures", "rim_accuracy"): f"{rng.uniform(2, 9):.2f} mm",
        ("surface", "accuracy"): f"{rng.uniform(5, 30):.2f} mm",
        ("ring", "outer_radius"): f"{rng.uniform(1.2, 1.9):.4f} m",
        ("rules", "joint"): f"{rng.uniform(0, 8):.3f} mm",
        ("rules", "recess"): f"{rng.uniform(0, 6):.3f} mm",
        ("rules", "tolerance"): f"{rng.uniform(3, 9):.3f} mm",
        ("rules", "max_chimney"): f"{rng.uniform(200, 340):.2f} mm",
        ("rules", "rim_reference"): str(rng.choice(["adjacent_mean", "bar"])),
        ("rules", "stand"): str(rng.choice(["plumb", "square_to_bearing"])),
    }
    return Town(cells, covers, table, settings)


def write_parts(path: Path, seed: int) -> Path:
    """A random catalogue of rings, flat and tapered, some risers and a liner."""
    rng = np.random.default_rng(seed)
    lines = ['name = "random"']
    for number, thickness in enumerate(rng.uniform(18, 90, rng.integers(1, 5))):
        lines += ["[[ring]]", f'id = "flat-{number}"', f'thickness = "{thickness:.1f} mm"']
        lines += ['outside_diameter = "960 mm"', 'inside_diameter = "500 mm"']
    for number, thin in enumerate(rng.uniform(15, 40, rng.integers(0, 3))):
        lines += ["[[ring]]", f'id = "taper-{number}"', f'thin = "{thin:.1f} mm"', f'thick = "{thin + 20:.1f} mm"']
        lines += [
            'outside_diameter = "960 mm"',
            'inside_diameter = "500 mm"',
            f"turn_step = {rng.choice([15, 30, 90])}",
        ]
    lines += ["[[liner]]", 'id = "liner"', 'outside_diameter = "640 mm"', 'inside_diameter = "600 mm"']
    path.write_text("\n".join(lines) + "\n")
    return path


def run_town(folder: Path, town: Town, view: View = View(), **options: Any) -> list[dict[str, Any]]:
    """Write a town as it looks in a view, run the job, and give the rows in the town's own order."""
    folder.mkdir()
    site = Site(folder)
    _write_road(folder / "road.tif", town, view)
    order = list(range(COVERS)) if view.order is None else list(view.order)
    table = {name: [list(values)[i] for i in order] for name, values in _seen(town.table, view).items()}
    east, north = view.place(town.covers)[order].T
    _write_rows(folder / "covers.csv", {**table, "easting": east.tolist(), "northing": north.tolist()})
    crs = LOCAL.format(*UNITS[view.unit])
    site.flags |= {**town.settings, ("structures", "path"): str(folder / "covers.csv")}
    site.flags |= {("surface", "path"): str(folder / "road.tif"), ("surface", "vertical_unit"): view.unit}
    site.flags |= {("structures", "vertical_unit"): view.unit, ("structures", "dimension_unit"): "mm"}
    site.flags |= {("structures", "crs"): crs, ("surface", "crs"): crs}
    parts = write_parts(folder / "parts.toml", seed=len(town.table["id"]) + int(1e6 * town.cells[0, 0]))
    site.flags |= {("catalogue", "path"): str(parts)}
    rules = [f"rules.{key}={value}" for (name, key), value in town.settings.items() if name == "rules"]
    site.flags = {key: value for key, value in site.flags.items() if key[0] != "rules"}
    rows = site.run(*rules, **options)
    return [rows[order.index(i)] for i in range(COVERS)]


def _seen(table: dict[str, Any], view: View) -> dict[str, Any]:
    seen = {**table, "axis": view.azimuth(table["axis"])}
    return {**seen, **{name: view.height(table[name]) for name in ("rim", "bearing")}}


def _write_rows(path: Path, columns: dict[str, list[Any]]) -> None:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(zip(*columns.values(), strict=True))


def _write_road(path: Path, town: Town, view: View) -> None:
    matrix = view.matrix() * CELL
    corner = view.place(np.array([[-CELLS * CELL / 2, CELLS * CELL / 2]]))[0]
    transform = Affine(matrix[0, 0], -matrix[0, 1], corner[0], matrix[1, 0], -matrix[1, 1], corner[1])
    profile = {"driver": "GTiff", "width": CELLS, "height": CELLS, "count": 1, "dtype": "float64"}
    with rasterio.open(path, "w", **profile, transform=transform) as dataset:
        dataset.write(view.height(town.cells), 1)


def raised(town: Town, metres: float) -> Town:
    """The same town with thicker chimneys: every bearing lower."""
    return replace(town, table={**town.table, "bearing": town.table["bearing"] - metres})
