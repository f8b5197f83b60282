"""Lidar points that others measured (fixtures/lidar): facts, and roads beside plain least squares on the raw points.

Truth: laspy's own reading of the files; its page of examples for the counts of `simple.laz`; EPSG's definition of the
CRS by pyproj; least squares by numpy. No casting stands in `street.laz`, so the ground under each invented cover is
there too.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pyproj
import pytest
from shapely.geometry import Point

from geoadjust.core.rules import SurfaceTable
from geoadjust.errors import InputError
from geoadjust.io.lidar.clouds import describe_cloud
from geoadjust.io.lidar.las import read_points
from geoadjust.run.check import check_job

FOLDER = Path(__file__).parents[2] / "fixtures" / "lidar"
STREET, SIMPLE = FOLDER / "street.laz", FOLDER / "simple.laz"
US_FOOT = 1200 / 3937
EPSG = "EPSG:6880"
INNER, OUTER = 0.915 / 2 + 0.350, 1.5
"""The ring [m]: half the usual flange of the example catalogue and the clearance; half a bar of 3 m."""
CELL = 0.25
LEAST_SQUARES = ("ring.noise_floor='100 mm'", "ring.step='500 mm'")
"""A fit that leaves nothing out: what is 100 mm off still weighs (1 - (100 / 468.5)^2)^2 = 0.91 (bisquare, 4.685)."""


@cache
def street() -> Any:
    return laspy.read(STREET)


@cache
def ground() -> Any:
    """Points (k, 3) of class 2 [us-ft]."""
    data = street()
    return np.stack([data.x, data.y, data.z], axis=1)[np.asarray(data.classification) == 2]


def covers() -> list[tuple[float, float]]:
    """A lattice of invented covers, 3 us-ft apart."""
    return [(float(e), float(n)) for e in np.arange(2445186, 2445234, 3) for n in np.arange(604308, 604336, 3)]


def make(site: Any, path: Path = STREET, places: list[tuple[float, float]] | None = None) -> Any:
    places = covers() if places is None else places
    ids = [f"c{i}" for i in range(len(places))]
    site.structures({"id": ids, "casting_height": ["200 mm"] * len(ids)}, [Point(*place) for place in places], EPSG)
    site.flags |= {("surface", "path"): str(path), ("surface", "vertical_unit"): "us-ft"}
    site.flags |= {("surface", "cell"): f"{CELL} m"}
    return site


# ---------------------------------------------------------------- facts


@pytest.mark.parametrize("path", [STREET, SIMPLE], ids=["street", "simple"])
def test_the_files_are_those_of_the_page(path: Path) -> None:
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert f"`{path.name}`" in page
    assert hashlib.sha256(path.read_bytes()).hexdigest() in page
    assert path.stat().st_size < 200_000


def test_facts_are_those_of_the_other_reader() -> None:
    data, facts = street(), describe_cloud(SurfaceTable(str(STREET), vertical_unit="us-ft"), where="surface")
    (file,) = facts.files
    assert (file.header.points, file.header.version) == (len(data.points), "1.4") == (25_408, "1.4")
    x, y = np.asarray(data.x), np.asarray(data.y)
    assert facts.box == (x.min(), y.min(), x.max(), y.max())
    first = int((np.asarray(data.return_number) == 1).sum())
    area = np.ptp(x) * np.ptp(y) * US_FOOT**2
    assert facts.density == pytest.approx(first / area, rel=1e-6)
    found = {kind: len(points) for kind, points in read_by_class().items()}
    kinds, counts = np.unique(np.asarray(data.classification), return_counts=True)
    assert found == dict(zip(kinds.tolist(), counts.tolist(), strict=True))


def read_by_class() -> dict[int, Any]:
    """Points (k, 3) of each class, by our door."""
    found = {}
    for kind in range(2, 8):
        parts = [np.stack([p.east, p.north, p.height], axis=1) for p in read_points(str(STREET), (kind,), where="x")]
        found[kind] = np.concatenate(parts)
    return found


def test_points_are_those_of_the_other_reader() -> None:
    assert read_by_class()[2] == pytest.approx(ground(), abs=1e-9)


def test_the_crs_is_that_of_its_epsg_code() -> None:
    """The file's WKT names no code: the same places on the ellipsoid as EPSG:6880 within 0.1 mm."""
    facts = describe_cloud(SurfaceTable(str(STREET), vertical_unit="us-ft"), where="surface")
    geodetic = [
        pyproj.Transformer.from_crs(crs, "EPSG:6318", always_xy=True).transform(*covers()[7])
        for crs in (pyproj.CRS(EPSG), pyproj.CRS(facts.crs))
    ]
    assert geodetic[0] == pytest.approx(geodetic[1], abs=1e-9)


def test_what_the_page_of_examples_says() -> None:
    """1,065 points; ground points by return 239, 25, 11, 1 (laspy's documentation, first page)."""
    table = SurfaceTable(str(SIMPLE), crs="EPSG:2992", vertical_unit="ft")
    (file,) = describe_cloud(table, where="surface").files
    assert (file.header.points, file.header.version) == (1065, "1.2")
    points = sum(len(part.east) for part in read_points(str(SIMPLE), (2,), where="x"))
    assert points == 239 + 25 + 11 + 1


def test_without_a_crs_the_job_must_say_it() -> None:
    with pytest.raises(InputError, match=r"surface\.crs: .*simple\.laz states no CRS .*write crs"):
        describe_cloud(SurfaceTable(str(SIMPLE), vertical_unit="ft"), where="surface")


def test_check_tells_points_density_and_class(site: Any) -> None:
    text = "\n".join(check_job(make(site).job()).lines)
    assert "25,408 points" in text
    density = len(street().points) / (np.ptp(street().x) * np.ptp(street().y) * US_FOOT**2)
    assert re.search(rf"\b{density:.3g} pulses per square metre, classes 2\b", text)
    assert f"{len(covers())} of {len(covers())} structures lie in the bounds of its files" in text


# ---------------------------------------------------------------- roads


@dataclass(frozen=True)
class Fit:
    """A plane by least squares: height at the cover [m], slope [m/m], scatter [m]."""

    height: float
    slope: float
    scatter: float

    @classmethod
    def of(cls, offsets: Any, height: Any) -> Fit:
        basis = np.column_stack([np.ones(len(offsets)), offsets])
        (level, east, north), *_ = np.linalg.lstsq(basis, height, rcond=None)
        return cls(level, float(np.hypot(east, north)), float(np.std(height - basis @ [level, east, north])))


def scale() -> float:
    """Of lengths on the map, by the projection library's own factors."""
    crs = pyproj.CRS(EPSG)
    place = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(2445210.0, 604320.0)
    return float(pyproj.Proj(crs).get_factors(*place).meridional_scale)


def near(place: tuple[float, float]) -> tuple[Any, Any]:
    """Offsets (k, 2) [m on the ground] and heights (k,) [m] of all points of the ground within 2 m."""
    offsets = (ground()[:, :2] - place) * US_FOOT / scale()
    on = np.hypot(*offsets.T) < 2
    return offsets[on], ground()[on, 2] * US_FOOT


def of_points(place: tuple[float, float]) -> Fit:
    """The raw points of the ring, each with the same weight."""
    offsets, height = near(place)
    distance = np.hypot(*offsets.T)
    ring = (distance >= INNER) & (distance <= OUTER)
    return Fit.of(offsets[ring], height[ring])


def of_cells(place: tuple[float, float]) -> Fit:
    """The means of the points in square cells about the cover, each with the same weight."""
    offsets, height = near(place)
    cell = np.floor(offsets / CELL + 0.5)
    distance = np.hypot(*(cell * CELL).T)
    ring = (distance >= INNER) & (distance <= OUTER)
    _, number = np.unique(cell[ring], axis=0, return_inverse=True)
    means = [np.bincount(number, values) / np.bincount(number) for values in (*offsets[ring].T, height[ring])]
    return Fit.of(np.stack(means[:2], axis=1), means[2])


def under(place: tuple[float, float]) -> float:
    """The ground within 0.5 m of the cover's centre: height there of a plane through its points [m]."""
    offsets, height = near(place)
    on = np.hypot(*offsets.T) < 0.5
    return Fit.of(offsets[on], height[on]).height if on.sum() >= 6 else np.nan


def test_planes_are_least_squares_of_the_points(site: Any) -> None:
    """Where the model is a plane and the ring is full.

    Beside the same cells only the weights differ: a residual r weighs 1 - 2 (r / c)^2, c = 468.5 mm, which moves a mean
    by 2 E|r|^3 / c^2 = 3.2 s^3 / c^2 for normal residuals; twice that is allowed. Beside the raw points cells count
    alike however many points they hold: each fit is within its own error s / sqrt(k) of any other, k = 76 cells; three
    times that is allowed.
    """
    rows = make(site).run(*LEAST_SQUARES)
    pairs = [(row, place) for row, place in zip(rows, covers(), strict=True) if row["road_shape"] == "plane"]
    pairs = [(row, place) for row, place in pairs if row["coverage_pct"] > 95]
    assert len(pairs) > 20
    for row, place in pairs:
        cells, points = of_cells(place), of_points(place)
        weights = 6.4 * cells.scatter**3 / 0.4685**2 + 2e-6
        assert row["existing_m"] == pytest.approx(cells.height, abs=weights)
        assert row["slope_pct"] == pytest.approx(100 * cells.slope, abs=160 * weights)  # 1.6 per metre
        assert row["fit_rms_mm"] == pytest.approx(1000 * cells.scatter, rel=0.05)
        error = 3 * points.scatter / np.sqrt(row["samples"])
        assert row["existing_m"] == pytest.approx(points.height, abs=error)
        assert row["slope_pct"] == pytest.approx(100 * points.slope, abs=160 * error)


def test_the_road_model_foretells_the_ground_under_the_cover(site: Any) -> None:
    """It is no worse than a plain plane through the ring, and its error is that of rough ground: 20 to 30 mm here."""
    rows = make(site).run()
    off = []
    for row, place in zip(rows, covers(), strict=True):
        if row["existing_m"] is not None and np.isfinite(below := under(place)):
            off.append((row["existing_m"] - below, of_points(place).height - below))
    assert len(off) > 140
    mine, plain = np.sqrt(np.mean(np.square(off), axis=0))
    assert mine < plain < 0.030


def test_unpacked_it_is_the_same(site: Any, make_site: Any, tmp_path: Path) -> None:
    """LAS and LAZ, and the same points shuffled."""
    places = covers()[::9]
    rows = make(site, places=places).run()
    order = np.random.default_rng(1).permutation(len(street().points))
    data = laspy.LasData(street().header, street().points[order])
    data.write(tmp_path / "street.las")
    again = make(make_site(), tmp_path / "street.las", places).run()
    assert [{**row, "fid": 0} for row in again] == [{**row, "fid": 0} for row in rows]


def test_trees_are_not_the_road(site: Any) -> None:
    """All classes: leaves above the ground are samples, and what the fit leaves out is told."""
    places = covers()[::9]
    rows = make(site, places=places).run()
    site.flags[("surface", "classes")] = [2, 3, 4, 5, 6]
    mixed = site.run(overwrite=True)
    left_out = [sum(row["samples_left_out"] or 0 for row in some) for some in (rows, mixed)]
    assert left_out[1] > left_out[0]
    assert all(row["existing_m"] is not None for row in mixed[:5])
