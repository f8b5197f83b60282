"""Shots far off their neighbours.

Truth: made surveys, of which it is known which shots were moved and by how much. The shares asked for here are below
the measured ones (2026-11; with 1 % of busts of 0.3 to 2 m, ten streets: 121 to 124 of 130 found, all of those above
0.5 m; no shot reported that was not moved).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from geoadjust.io.tin.busts import find_busts, two_rings
from geoadjust.io.tin.triangulate import find_neighbours

LIMIT = 0.3
HALF, KERB = 5.0, 0.15
OFFSETS = (-8.0, -5.3, -5.15, -5.0, -2.5, 0.0, 2.5, 5.0, 5.15, 5.3, 8.0)


def street(
    seed: int,
    *,
    grade: float = 0.03,
    radius: float = 0.0,
    sections: int = 60,
    offsets: Any = OFFSETS,
    step: float = 10.0,
) -> Any:
    """Cross sections of a crowned street with kerbs and sidewalks, taken as a crew does: 3 mm, and not quite square."""
    random = np.random.default_rng(seed)
    s = np.repeat(np.arange(sections) * step, len(offsets)) + random.uniform(-0.4, 0.4, sections * len(offsets))
    d = np.tile(offsets, sections) + random.uniform(-0.02, 0.02, len(s))
    side = np.abs(d)
    z = grade * s - 0.025 * np.minimum(side, HALF) + np.where(side > HALF + 0.07, KERB + 0.02 * (side - HALF), 0)
    place = (s, d) if not radius else ((radius - d) * np.sin(s / radius), -(radius - d) * np.cos(s / radius))
    return np.column_stack([*place, 100 + z + random.normal(0, 0.003, len(s))])


def busts_of(points: Any, limit: float = LIMIT) -> Any:
    found = find_neighbours(points, 25.0, where="path", path="shots.csv")
    off = np.full(len(points), np.nan)
    off[found.first] = find_busts(np.column_stack([found.flat, points[found.first, 2]]), found.sides, limit)
    return off


def moved(points: Any, seed: int, share: float, low: float = 0.3, high: float = 2.0) -> tuple[Any, Any, Any]:
    """Points with some of them moved, which, and by how much."""
    random = np.random.default_rng(1000 + seed)
    which = random.choice(len(points), round(share * len(points)), replace=False)
    by = random.uniform(low, high, len(which)) * random.choice([-1, 1], len(which))
    points = points.copy()
    points[which, 2] += by
    return points, which, by


KINDS: dict[str, dict[str, Any]] = {
    "straight": {},
    "curve": {"radius": 100.0},
    "sharp curve": {"radius": 30.0, "sections": 15},
    "20 %": {"grade": 0.20},
    "every 25 ft": {"step": 7.62},
    "no lanes": {"offsets": [d for d in OFFSETS if abs(d) != 2.5]},
    "three lines": {"offsets": (-5.0, 0.0, 5.0)},
}


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_reported_on_a_street_without_busts(kind: str) -> None:
    """Kerbs of 150 mm, edges with neighbours on one side alone, steep and curved streets."""
    for seed in range(3):
        assert np.isnan(busts_of(street(seed, **KINDS[kind]))).all()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("share", "least"), [(0.01, 0.85), (0.05, 0.85)])
def test_moved_shots_are_found_and_no_others(kind: str, share: float, least: float) -> None:
    found, all_of_them, large, large_found = 0, 0, 0, 0
    for seed in range(3):
        points, which, by = moved(street(seed, **KINDS[kind]), seed, share)
        off = busts_of(points)
        told = np.isfinite(off)
        assert set(np.flatnonzero(told)) <= set(which.tolist())
        assert off[which][told[which]] == pytest.approx(by[told[which]], abs=0.25)
        found, all_of_them = found + int(told[which].sum()), all_of_them + len(which)
        big = np.abs(by) > 0.6
        large, large_found = large + int(big.sum()), large_found + int(told[which][big].sum())
    assert found >= least * all_of_them
    assert large_found >= large - max(1, 0.03 * large)


def sections(shots: Any, *, count: int = 30, seed: int = 5) -> Any:
    """Cross sections every 10 m; shots(s) gives offset and height."""
    random = np.random.default_rng(seed)
    rows = [
        (10 * k + random.uniform(-0.4, 0.4), d + random.uniform(-0.02, 0.02), z + random.normal(0, 0.003))
        for k in range(count)
        for d, z in shots(10 * k)
    ]
    return np.array(rows)


def road(s: float) -> list[tuple[float, float]]:
    rise = 100 + 0.02 * s
    return [(-5.0, rise - 0.125), (-5.15, rise + 0.025), (0.0, rise), (5.0, rise - 0.125), (5.15, rise + 0.025)]


def wall(high: float, first: float, last: float, behind: bool) -> Any:
    def shots(s: float) -> list[tuple[float, float]]:
        ground = 100 + 0.02 * s
        tops = [(7.1, ground + high), *([(9.0, ground + high)] * behind)]
        return [*road(s), (7.0, ground), *(tops if first <= s <= last else [])]

    return sections(shots)


@pytest.mark.parametrize("high", [0.5, 1.0, 2.0, -1.0])
@pytest.mark.parametrize("behind", [False, True])
@pytest.mark.parametrize(("first", "last"), [(0, 1000), (100, 140)])
def test_top_and_foot_of_a_wall_are_no_busts(high: float, behind: bool, first: float, last: float) -> None:
    assert np.isnan(busts_of(wall(high, first, last, behind))).all()


def test_a_curb_return_is_no_bust() -> None:
    """Kerb and gutter round a corner of 8 m radius, surveyed on both sides, between two streets."""
    arc = np.linspace(0, np.pi / 2, 7)
    rows = [(20 - r * np.cos(a), 20 - r * np.sin(a), up) for r, up in ((8, 0.0), (7.85, KERB), (6, 0.18)) for a in arc]
    for way in np.arange(22, 100, 10.0):
        for d, up in ((12, 0.0), (12.15, KERB), (14, 0.18), (7, 0.12)):
            rows += [(way, d, up), (d, way, up)]
    points = np.array(rows)
    points[:, 2] += 100 + 0.02 * points[:, 0]
    assert np.isnan(busts_of(points)).all()


@pytest.mark.parametrize("shape", ["ditch", "bank", "sag"])
def test_the_ground_may_bend(shape: str) -> None:
    """A ditch of 1 m, a bank of 1:2, and a sag with a radius of 300 m that the survey ends in."""
    shots = {
        "ditch": lambda s: [*road(s), (7, 100 + 0.02 * s), (8, 99 + 0.02 * s), (9, 100 + 0.02 * s)],
        "bank": lambda s: [*road(s), (7, 100 + 0.02 * s), (11, 102 + 0.02 * s), (15, 102 + 0.02 * s)],
        "sag": lambda s: [(d, z - 0.02 * s + (s - 150) ** 2 / 600) for d, z in road(s)],
    }[shape]
    assert np.isnan(busts_of(sections(shots))).all()


def test_a_bust_at_the_end_of_the_survey() -> None:
    found = 0
    for seed in range(60):
        points = street(seed, sections=6)
        number = seed % 11 + 55 * (seed % 2)
        points[number, 2] += 1.0 if seed % 3 else -0.7
        told = np.flatnonzero(np.isfinite(busts_of(points)))
        assert set(told) <= {number}
        found += len(told)
    assert found >= 57


def test_the_limit_counts() -> None:
    points = street(1)
    points[330, 2] += 0.8  # on the crown
    assert np.flatnonzero(np.isfinite(busts_of(points, 0.3))).tolist() == [330]
    assert np.isnan(busts_of(points, 1.0)).all()


def test_heights_in_feet_are_the_same(tmp_path: Any) -> None:
    points, _, _ = moved(street(2), 2, 0.02)
    feet = points * [1, 1, 1 / 0.3048]
    assert busts_of(feet, LIMIT / 0.3048) * 0.3048 == pytest.approx(busts_of(points), abs=1e-6, nan_ok=True)


def test_the_order_of_the_shots_does_not_matter() -> None:
    points, _, _ = moved(street(3), 3, 0.02)
    order = np.random.default_rng(1).permutation(len(points))
    assert busts_of(points[order]) == pytest.approx(busts_of(points)[order], abs=1e-6, nan_ok=True)


def test_what_it_cannot_see() -> None:
    """A rod read wrongly along a whole line, and shots with fewer than five neighbours."""
    points = street(4)
    points[5::11, 2] += 1.0  # the crown line as a whole
    assert np.isnan(busts_of(points)).all()
    few = np.array([[0.0, 0, 100], [5, 0, 100], [0, 5, 100], [5, 5, 109]])
    assert np.isnan(busts_of(few)).all()


def test_two_rings_are_those_of_a_matrix() -> None:
    """Twin: the square of the adjacency matrix."""
    random = np.random.default_rng(8)
    points = np.column_stack([random.uniform(0, 50, (80, 2)), np.zeros(80)])
    sides = find_neighbours(points, 1000.0, where="path", path="shots.csv").sides
    near = np.zeros((80, 80), dtype=int)
    near[sides[:, 0], sides[:, 1]] = near[sides[:, 1], sides[:, 0]] = 1
    reach = near + near @ near
    np.fill_diagonal(reach, 0)
    assert np.array_equal(np.stack(two_rings(sides, 80), axis=1), np.argwhere(reach))


def test_shots_on_one_line_and_at_one_place() -> None:
    """No triangles, or points that lie over one another: nothing fails, nothing is reported."""
    line = np.column_stack([np.arange(20.0), np.zeros(20), 0.2 * np.arange(20)])
    assert np.isnan(busts_of(line)).all()
    points = street(1)
    assert np.isnan(busts_of(np.vstack([points, points + np.array([0, 0, 3])]))).all()


def test_hilly_ground_tells_little() -> None:
    """Hills of 2 m every 60 m, shot every 10 m here and there: what is usual there is more than the limit."""
    random = np.random.default_rng(2)
    east, north = random.uniform(0, 300, (2, 900))
    height = 2 * np.sin(np.pi * east / 30) * np.sin(np.pi * north / 30)
    told = np.isfinite(busts_of(np.column_stack([east, north, height])))
    assert told.sum() <= 18  # without the usual distance of the neighbours about a hundred
