"""Milled and finished road: one depth, or a profile that falls to both sides of the crown line, against its formula."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import arrays_of, equal, take
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue
from geoadjust.core.paving import MODEL_STEP, lay_bars, mill_roads, profiled, shifted, stated
from geoadjust.core.plan import Role, Scatter, Surfaces, plan
from geoadjust.core.rim import frame_edges
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet
from geoadjust.core.uncertainty import Accuracy

RING = Ring()
SLOPES = st.floats(-0.1, 0.1)
ANGLES = st.floats(0.0, 2 * np.pi)
INNER = 0.85
"""Where a bar may touch first: flange radius 450 mm, 350 mm of old collar, and two steps of 25 mm for the median."""


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def heights(road, e, n, row=0):
    """Heights of a model at offsets, from its definition."""
    beyond = e * np.sin(road.fold_azimuth[row]) + n * np.cos(road.fold_azimuth[row]) - road.fold_offset[row]
    flat = road.height[row] + road.slope_east[row] * e + road.slope_north[row] * n
    return flat + road.fold[row] * np.maximum(beyond, 0.0)


def mill(structures, roads, cross_slope):
    return mill_roads(structures, roads, frame_edges(structures), RING, cross_slope)


# --- one depth


def test_a_missing_depth_is_none():
    assert stated(np.array([np.nan, 0.04, 0.0])).tolist() == [0.0, 0.04, 0.0]


def test_shifted_roads_keep_all_but_their_height(make_roads):
    road = make_roads(2, fold=0.02, slope_east=0.01)
    moved = shifted(road, np.array([0.01, -0.04]))
    assert moved.height.tolist() == near([100.01, 99.96])
    others = [(a, b) for (name, a), (_, b) in zip(arrays_of(road), arrays_of(moved), strict=True) if name != "height"]
    assert all(np.array_equal(a, b) for a, b in others)


def test_one_depth_all_over(make_structures, make_roads):
    structures = make_structures(3, mill=[0.0, 0.04, np.nan], crown_offset=1.0)
    roads = make_roads(3, fold=0.02, slope_east=0.01)
    milled = mill(structures, roads, None)
    assert equal(milled, shifted(roads, np.array([0.0, -0.04, 0.0])))


def test_where_a_profile_is_milled(make_structures):
    structures = make_structures(
        5, axis=[0.0, np.nan, 0.0, 0.0, 0.0], crown_offset=[1.0, 1.0, np.nan, 1.0, 1.0], paved=[1, 1, 1, 0, -1]
    )
    assert profiled(structures, 0.02).tolist() == [True, False, False, False, True]
    assert not profiled(structures, None).any()


def test_rows_without_a_profile_are_milled_by_one_depth(make_structures, make_roads):
    structures = make_structures(3, mill=0.04, axis=[0.0, np.nan, 0.0], crown_offset=[1.0, 1.0, np.nan])
    roads = make_roads(3, slope_east=0.01)
    milled = mill(structures, roads, 0.03)
    plain = shifted(roads, np.full(3, -0.04))
    assert equal(take(milled, np.array([1, 2])), take(plain, np.array([1, 2])))
    assert milled.slope_east[0] != plain.slope_east[0]


# --- a profile


@given(
    plane=st.tuples(SLOPES, SLOPES), fold=st.floats(-0.1, 0.1), azimuth=ANGLES, place=st.floats(-2, 2), axis=ANGLES,
    offset=st.floats(-4, 4), depth=st.floats(0, 0.2), cross=st.floats(0, 0.1),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_a_profile_is_its_formula(make_structures, make_roads, plane, fold, azimuth, place, axis, offset, depth, cross):
    """z0 - mill + g u.x - c |r.x + o| everywhere, with z0 and g read off today's road by brute force."""
    bent = {"fold": fold, "fold_azimuth": azimuth, "fold_offset": place}
    road = make_roads(slope_east=plane[0], slope_north=plane[1], **bent)
    structures = make_structures(axis=axis, crown_offset=offset, mill=depth, frame_top_diameter=0.66)
    milled = mill(structures, road, cross)
    along, right = (np.sin(axis), np.cos(axis)), (np.cos(axis), -np.sin(axis))
    # today's road at the crown line, `offset` left of the cover; today's slope under the frame
    z0 = heights(road, -offset * right[0], -offset * right[1])
    turn = np.arange(7200) * (2 * np.pi / 7200)
    e, n = 0.33 * np.sin(turn), 0.33 * np.cos(turn)
    _, east, north = np.linalg.lstsq(np.stack([np.ones_like(e), e, n], axis=1), heights(road, e, n), rcond=None)[0]
    grade = east * along[0] + north * along[1]
    e, n = np.meshgrid(np.linspace(-2, 2, 21), np.linspace(-2, 2, 21))
    u, r = e * along[0] + n * along[1], e * right[0] + n * right[1]
    expected = z0 - depth + grade * u - cross * np.abs(r + offset)
    assert heights(milled, e, n).ravel().tolist() == near(expected.ravel().tolist(), 1e-5)


def test_a_profile_like_the_road_is_one_depth(make_structures, make_roads):
    """A road of 2 + 2 % milled to 2 + 2 % loses the same everywhere, wherever the cover lies.

    The street runs north, so the crown line lies at e = -offset; far off it the road under the cover is one plane.
    """
    offset = np.array([-2.0, -0.2, 0.0, 0.1, 3.0])
    structures = make_structures(5, axis=0.0, crown_offset=offset, mill=0.04)
    under = np.abs(offset) < 0.33
    roads = make_roads(
        5, height=np.where(under, 100 + 0.02 * offset, 100 - 0.02 * np.abs(offset)),
        slope_east=np.where(under | (offset < 0), 0.02, -0.02), slope_north=0.01,
        fold=np.where(under, -0.04, 0.0), fold_azimuth=np.pi / 2, fold_offset=-offset,
    )  # fmt: skip
    milled = mill(structures, roads, 0.02)
    e, n = np.meshgrid(np.linspace(-0.33, 0.33, 15), np.linspace(-0.33, 0.33, 15))
    for row in range(5):
        lost = heights(roads, e, n, row) - heights(milled, e, n, row)
        assert lost.ravel().tolist() == near([0.04] * e.size)


def test_the_crown_line_under_the_cover_makes_a_break(make_structures, make_roads):
    """Level road, 0.1 m right of the line, milled 30 mm deep there and 4 % to both sides: a ridge at 99.970."""
    structures = make_structures(axis=0.0, crown_offset=0.1, mill=0.03)
    milled = mill(structures, make_roads(), 0.04)
    assert milled.shape.tolist() == [1]
    found = [heights(milled, np.array(e), 0.0) for e in (-0.3, -0.1, 0.0, 0.3)]
    assert found == near([99.962, 99.970, 99.966, 99.954])


@pytest.mark.parametrize("offset", [RING.outer_radius - 1e-6, RING.outer_radius + 1e-6, -9.0])
def test_a_line_outside_the_ring_leaves_a_plane(make_structures, make_roads, offset):
    """Milled level road: it falls away from the line by 3 %."""
    structures = make_structures(axis=0.0, crown_offset=offset, mill=0.03)
    milled = mill(structures, make_roads(), 0.03)
    assert milled.shape.tolist() == [int(abs(offset) < RING.outer_radius)]
    e = np.linspace(-0.4, 0.4, 9)
    expected = 99.97 - 0.03 * abs(offset) - 0.03 * np.sign(offset) * e
    assert heights(milled, e, 0.0).tolist() == near(expected.tolist())


@given(axis=ANGLES, offset=st.floats(-1, 1), turn=ANGLES)
@settings(max_examples=30, deadline=None)
def test_turned_with_the_street_it_is_the_same_road(make_structures, make_roads, axis, offset, turn):
    c, s = np.cos(turn), np.sin(turn)
    structures = make_structures(2, axis=[axis, axis + turn], crown_offset=offset, mill=0.03)
    roads = make_roads(2, slope_east=[0.02, 0.02 * c - 0.01 * s], slope_north=[-0.01, -0.02 * s - 0.01 * c])
    milled = mill(structures, roads, 0.03)
    e, n = np.array([0.3, -0.7, 0.0]), np.array([0.1, 0.2, -0.5])
    turned = heights(milled, e * c + n * s, n * c - e * s, 1)
    assert turned.tolist() == near(heights(milled, e, n, 0).tolist())


def test_the_other_way_along_the_street_it_is_the_same_road(make_structures, make_roads):
    """Heading back, the line lies on the other hand."""
    structures = make_structures(2, axis=[0.4, 0.4 + np.pi], crown_offset=[0.2, -0.2], mill=0.03)
    milled = mill(structures, make_roads(2, slope_east=0.02, slope_north=0.01), 0.03)
    e, n = np.array([0.3, -0.7, 0.0]), np.array([0.1, 0.2, -0.5])
    assert heights(milled, e, n, 1).tolist() == near(heights(milled, e, n, 0).tolist())


def test_no_road_no_profile(make_structures, make_no_roads):
    milled = mill(make_structures(crown_offset=0.1, mill=0.03), make_no_roads(), 0.02)
    assert np.isnan(milled.height[0])
    assert (milled.shape[0], milled.source[0]) == (-1, -1)


# --- bars on a road that is only planned


def test_a_bar_on_a_plane_lies_on_it(make_structures, make_roads):
    structures, roads = make_structures(), make_roads(slope_east=0.03, slope_north=-0.01)
    bars = lay_bars(structures, roads, np.array([0.7]), np.array([0.45]), RING, 0.006)
    assert bars.height[0].tolist() == near([100.0] * 8)
    azimuth = 0.7 + np.arange(8) * np.pi / 8
    assert bars.slope[0].tolist() == near((0.03 * np.sin(azimuth) - 0.01 * np.cos(azimuth)).tolist())


def test_a_bar_on_a_planned_crown(make_structures, make_roads):
    """Along the line it lies on the apex; at an angle t to the line it spans the hole, c r sin t below the apex."""
    assert MODEL_STEP == 0.05
    roads = make_roads(slope_east=0.03, fold=-0.06, fold_azimuth=np.pi / 2)
    bars = lay_bars(make_structures(), roads, np.zeros(1), np.array([0.45]), RING, 0.006)
    turn = np.arange(8) * np.pi / 8
    assert bars.height[0].tolist() == near((100 - 0.03 * INNER * np.sin(turn)).tolist())
    assert bars.slope[0].tolist() == near([0.0] * 8)


# --- the whole story


def test_a_profile_through_the_whole_story(make_structures, make_grid):
    """Level road at 100 m, milled 30 mm at the line and 2 % to both sides, 50 mm of overlay; the line 0.1 m left.

    The finished road's ridge lies at 100.020; along the frame's edge (R = 330 mm, a = 0.1 / 0.33) the mean of |r + o|
    is 2 R / pi (sqrt(1 - a^2) + a asin a).
    """
    structures = make_structures(2, axis=0.0, crown_offset=[0.1, np.nan], mill=0.03, overlay=0.05)
    found = whole(structures, make_grid(lambda e, n: np.full_like(e, 100.0), 2), 0.02)
    a = 0.1 / 0.33
    mean = 2 * 0.33 / np.pi * (np.sqrt(1 - a**2) + a * np.arcsin(a))
    assert found.rims.target.tolist() == near([100.02 - 0.02 * mean, 100.02], 1e-7)
    assert found.millings.milled.tolist() == near([99.97 - 0.02 * mean, 99.97], 1e-7)
    # a bar along the street, 0.1 m off the line; one across lies on the ridge's two sides at the hole's edges
    assert found.results.bar_along[0] == near(found.rims.target[0] - (100.02 - 0.002))
    bar = brute_bar(lambda x: 100.02 - 0.02 * np.abs(x + 0.1))
    assert found.results.bar_across[0] == near(found.rims.target[0] - bar)
    assert found.results.bar_across[1] == near(0.0)


def brute_bar(profile):
    """Highest chord over the hole at the centre: every place on the left with every one on the right, 25 mm apart."""
    at = INNER + 0.025 * np.arange(round((1.5 - 0.05 - INNER) / 0.025) + 1)
    left, right = profile(-at), profile(at)
    return max((right[j] * at[i] + left[i] * at[j]) / (at[i] + at[j]) for i in range(len(at)) for j in range(len(at)))


def test_outside_the_paving_the_road_stays(make_structures, make_grid):
    structures = make_structures(3, paved=[0, 1, -1], axis=0.0, crown_offset=0.5, mill=0.03, overlay=0.05)
    found = whole(structures, make_grid(lambda e, n: 100 + 0.01 * e, 3), 0.02)
    outside = np.array([0])
    assert equal(take(found.finished, outside), take(found.existing, outside))
    assert found.rims.raise_[0] == 0.0
    assert (found.finished.height[1:] > 100.005).all()


def test_a_profile_beside_a_uniform_row_moves_nothing(make_structures, make_grid):
    """Bits of the row without a crown line are those of a job without a profile."""
    grid = make_grid(lambda e, n: 100 + 0.01 * e - 0.02 * n, 2)
    structures = make_structures(2, axis=0.0, crown_offset=[0.1, np.nan], mill=0.03, overlay=0.05)
    shaped, plain = (whole(structures, grid, slope) for slope in (0.02, None))
    row = np.array([1])
    for name in ("existing", "milled", "finished", "rims", "millings", "results"):
        assert equal(take(shaped.bundles()[name], row), take(plain.bundles()[name], row)), name
    assert not equal(take(shaped.finished, np.array([0])), take(plain.finished, np.array([0])))


@pytest.mark.parametrize(
    "offset",
    [0.0, 2.5],
)
def test_the_raise_is_as_sure_as_the_road_at_the_crown_line(make_structures, make_grid, offset):
    """Simulation: cells of 0.5 m, 6 mm of noise; gaps known to 2 mm, nothing else in doubt.

    At the line itself the raise scatters by the gap's 2 mm alone. 2.5 m off it the road is carried over to the line by
    a slope that some twenty cells know to 1.5 mm per metre.
    """
    n, draw = 1000, np.random.default_rng(1)
    grid = make_grid(lambda e, n: 100 - 0.02 * e + draw.normal(0, 0.006, e.shape), n, cell=0.5)
    gap = draw.normal(0, 0.002, n)
    structures = make_structures(n, gap=gap, axis=0.0, crown_offset=offset, mill=0.03, overlay=0.05)
    accuracy = Accuracy(gap=0.002, mill=0.0, overlay=0.0, surfaces=(0.0,))
    setting = Setting(RING, rough=0.010, accuracy=accuracy, cross_slope=0.02)
    found = plan(structures, Surfaces(Role([grid], [Scatter(0.006)], [0])), RuleSet(), Catalogue(), setting)
    assert found.rims.raise_.std() == pytest.approx(found.uncertainties.raise_sd.mean(), rel=0.08)


def whole(structures, grid, cross_slope):
    surfaces = Surfaces(Role([grid], [Scatter()], [0]))
    return plan(structures, surfaces, RuleSet(), Catalogue(), Setting(RING, rough=0.010, cross_slope=cross_slope))
