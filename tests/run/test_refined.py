"""As cells, triangles, shots and points are refined, each kind of surface comes nearer to the road's own formula.

Truth: the formula (`kinds.true_figures`), and how far a linear or averaged surface can be from it:

- linear between corners at most L apart, on z = t e n: a triangle in a circle of radius R is off by at most t R^2 / 2
  (Waldron 1998, from memory), R <= L / sqrt(3). On a square's halves R^2 = h^2 / 2: at most t h^2 / 4, in the mean
  t h^2 / 12 (the double integral over the square);
- linear over a crown that changes its slope by 2 g, cut in the middle of a side of length L: g L / 2;
- the mean of points in a cell c on a crown in its middle: g c / 4.

A plane's height at the centre of its samples is a mean of them, so it is off by no more than they are. A slope of
samples that lie r away is off by at most 4 / (pi r) of what they are off, east and north each: 1.6 per metre together.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tests.run.kinds import (
    COVERS,
    CROWN,
    FRAME,
    ROADS,
    TWIST,
    Figures,
    as_points,
    as_raster,
    as_shots,
    as_triangles,
    longest_side,
    put_covers,
    read_figures,
    scattered,
    true_figures,
)

ROUNDED = 1e-6
"""Stored lengths are rounded to this [m]."""
MakeSite = Callable[[], Any]


def off(site: Any, z: Any) -> Figures:
    """Found less true."""
    found, true = read_figures(site.run()), true_figures(z, COVERS)
    pairs = zip(vars(found).items(), vars(true).values(), strict=True)
    return Figures(**{name: value - twin for (name, value), twin in pairs})


def worst(*values: Any) -> float:
    return float(max(np.abs(value).max() for value in values))


def spread(values: Any) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_triangles_of_a_twisted_road_to_the_second_order(make_site: MakeSite) -> None:
    """Half the spacing, a quarter of the error; all of it on one side, as the diagonals lie across the twist."""
    mean = []
    for every in (2.0, 1.0, 0.5, 0.25):
        found = off(as_triangles(make_site(), ROADS["twisted"], every, shift=0.37), ROADS["twisted"])
        limit = TWIST * every**2 / 4
        assert worst(found.height, found.up) <= limit + ROUNDED
        assert worst(found.slope, found.grade, found.cross) <= 1.6 * limit + 1e-7
        assert (found.height > -ROUNDED).all()
        mean.append(found.height.mean())
    # from 1 m on a ring of 3 m spans several squares: the mean over them is the square's own
    expected = [TWIST * every**2 / 12 for every in (1.0, 0.5, 0.25)]
    assert mean[1:] == pytest.approx(expected, rel=0.25, abs=ROUNDED)


def test_shots_of_a_twisted_road(make_site: MakeSite) -> None:
    size = []
    for every in (2.0, 1.0, 0.5):
        found = off(as_shots(make_site(), ROADS["twisted"], every), ROADS["twisted"])
        limit = TWIST * longest_side(scattered(every)) ** 2 / 6
        assert worst(found.height, found.up) <= limit + ROUNDED
        assert worst(found.slope, found.grade, found.cross) <= 1.6 * limit + 1e-7
        size.append(spread(found.height))
    assert size[0] / size[2] > 4  # 16 for shots that are the same at every scale; five covers scatter round it


@pytest.mark.parametrize("kind", ["triangles", "shots"])
def test_a_crown_that_no_triangle_knows(make_site: MakeSite, kind: str) -> None:
    """No side lies on the crown: it is cut off, and less so the denser the points are."""
    heights, slopes = [], []
    for every in (1.0, 0.5, 0.25):
        if kind == "triangles":
            site, side = as_triangles(make_site(), ROADS["crowned"], every, shift=0.37), every
        else:
            site, side = as_shots(make_site(), ROADS["crowned"], every), longest_side(scattered(every))
        found = off(site, ROADS["crowned"])
        assert worst(found.height, found.up) <= CROWN * side / 2
        # the break is at most half a side from where it should be: 4 g / (pi r) of slope per metre of that
        assert worst(found.slope, found.grade, found.cross) <= 4 * CROWN / (np.pi * FRAME) * side / 2
        assert worst(found.height[2:], found.slope[2:]) <= ROUNDED  # covers on one side of it
        assert (found.height[:2] < 0).all()
        heights.append(spread(found.height))
        slopes.append(spread(found.slope))
    assert heights[0] > heights[1] > heights[2]
    assert heights[0] > 4 * heights[2]
    assert slopes[0] > 2 * slopes[2]


@pytest.mark.parametrize("road", ["tilted", "crowned"])
def test_cells_of_a_raster_need_no_refining_where_the_road_is_of_planes(make_site: MakeSite, road: str) -> None:
    """Cells stand for their centres, at their true places: two planes come back from any that see both."""
    for cell in (0.5, 0.25, 0.1):
        found = off(as_raster(make_site(), ROADS[road], cell), ROADS[road])
        assert worst(found.height, found.up) <= 2 * ROUNDED
        assert worst(found.slope, found.grade, found.cross) <= 2e-6


def test_cells_of_a_twisted_road(make_site: MakeSite) -> None:
    """What is lost is the ring's edge: cells are in it or not, so those on it do not balance one another.

    Each of them is off the plane by at most t r^2 / 2, r = 1.5 m. The two edges are 0.71 cell wide on both sides.
    """
    height, slope = [], []
    for cell in (0.5, 0.25, 0.1):
        found = off(as_raster(make_site(), ROADS["twisted"], cell), ROADS["twisted"])
        share = min(2 * 2 * 0.71 * cell / (1.5 - 0.68), 1.0)
        assert worst(found.height, found.up) <= share * TWIST * 1.5**2 / 2
        height.append(spread(found.height))
        slope.append(spread(found.slope))
    assert height[0] > 2 * height[2]
    assert slope[0] > 4 * slope[2]


def test_points_of_a_crown(make_site: MakeSite) -> None:
    size = []
    for cell in (0.5, 0.25, 0.1):
        found = off(as_points(make_site(), ROADS["crowned"], cell), ROADS["crowned"])
        assert worst(found.height, found.up) <= CROWN * cell / 4 + 1e-5
        assert worst(found.height[2:]) <= 2e-5  # steps of 0.1 mm averaged over some hundred points
        size.append(worst(found.height))
    assert size[0] > 4 * size[2]


def test_more_points_in_a_cell(make_site: MakeSite) -> None:
    """Ten times the points in the same cells: heights of a noisy plane scatter by sqrt(10) less."""
    size = []
    for each in (3.0, 30.0):
        random = np.random.default_rng(11)

        def noisy(e: Any, n: Any, random: Any = random) -> Any:
            return ROADS["tilted"](e, n) + random.normal(0, 0.010, np.shape(e))

        site = as_points(make_site(), noisy, 0.25, each=each)
        put_covers(site, ROADS["tilted"])
        size.append(spread(off(site, ROADS["tilted"]).height))
    # ring of 5 m2, cells of 0.25 m: some 300 and 3,000 points
    assert size[0] < 4 * 0.010 / np.sqrt(250)
    assert size[1] < 4 * 0.010 / np.sqrt(2500)


def test_a_strong_twist_costs_no_more_than_the_road_leaves_its_plane(make_site: MakeSite) -> None:
    """Four times the twist looks like a crown one way and like a gutter the other way: two planes are fitted.

    The height is off by what the ring's samples leave the plane, t r^2 / 2 at most.
    """

    def strong(e: Any, n: Any) -> Any:
        return ROADS["tilted"](e, n) + 4 * TWIST * e * n

    for site in (as_raster(make_site(), strong, 0.25), as_triangles(make_site(), strong, 0.5)):
        found = off(site, strong)
        assert worst(found.height, found.up) <= 4 * TWIST * 1.5**2 / 2
