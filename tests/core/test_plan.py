"""The whole story on rasters made on the fly: bits that do not depend on company, order of surfaces, designs."""

from itertools import pairwise

import numpy as np
import pytest

from geoadjust.core.columns import METHODS, concat, equal, take
from geoadjust.core.flag_list import FLAGS
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.plan import Scatter, Surfaces, plan
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet
from geoadjust.core.uncertainty import Accuracy

PARTS = Catalogue(
    ring=(
        *(RingPart(f"R{mm}", mm / 1000) for mm in (25, 38, 50, 75, 100)),
        RingPart("T", thin=0.02, thick=0.036, outside_diameter=0.75),
    ),
    riser=(RiserPart("U40", 0.04),),
    liner=(LinerPart("L", outside_diameter=0.66, inside_diameter=0.6),),
)
N = 24


def run(structures, existing, finished=(), rules=None):
    """Plan on lists of surfaces, each of them known to 20 mm."""
    surfaces = Surfaces(list(existing), list(finished), [Scatter()] * len(existing), [Scatter()] * len(finished))
    accuracy = Accuracy(existing=(0.02,) * len(existing), finished=(0.02,) * len(finished))
    setting = Setting(Ring(), rough=0.010, accuracy=accuracy, design=bool(finished))
    return plan(structures, surfaces, rules or RuleSet(), PARTS, setting)


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


@pytest.fixture(scope="module")
def street(make_structures, make_grid):
    """N structures of all sorts, on roads with noise, kerbs, crowns, holes and nothing at all."""
    rng = np.random.default_rng(11)
    number = np.arange(N)
    structures = make_structures(
        N,
        row=number + 100,
        kind=np.where(number % 7 == 3, 1, np.where(number % 11 == 5, 4, np.where(number % 12 == 2, 2, 0))),
        travel=np.where(number == 2, 0.5, 0.0),
        floating=number == 8,
        flange_inside_diameter=0.6,
        ridge_diameter=np.where(number % 8 == 7, np.nan, 0.0),
        axis=np.where(number % 5 == 2, np.nan, rng.uniform(0, 2 * np.pi, N)),
        rim=np.where(number % 3 == 0, 100 + rng.normal(0, 0.02, N), np.nan),
        gap=np.where(number % 4 == 1, rng.normal(0, 0.01, N), np.nan),
        bearing=np.where(number % 2 == 0, 99.6 + rng.uniform(0, 0.2, N), np.nan),
        existing_chimney=np.where(number % 6 == 1, 0.15, np.nan),
        mill=rng.choice([0.0, 0.03, 0.04], N),
        overlay=rng.choice([0.0, 0.04, 0.05, 0.12], N),
        flange_diameter=rng.choice([0.7, 0.9], N),
        frame_top_diameter=rng.choice([0.5, 0.66], N),
    )
    east, north = (rng.uniform(-0.04, 0.04, (N, 1, 1)) for _ in range(2))
    kind = (number % 6)[:, None, None]

    def z(e, n):
        height = 100 + east * e + north * n + np.random.default_rng(5).normal(0, 0.002, e.shape)
        height = height + 0.15 * ((kind == 1) & (e > 0.9))  # a kerb
        height = height - 0.03 * np.abs(n) * (kind == 2)  # a crown
        height = np.where((kind == 3) & (e < -0.5), np.nan, height)  # a hole in the raster
        return np.where((kind == 4) & (number % 4 == 0)[:, None, None], np.nan, height)  # nothing at all

    grid = make_grid(z, N, column=rng.uniform(-0.5, 0.5, N), row=rng.uniform(-0.5, 0.5, N))
    return structures, grid


def shorter(grid, lost):
    """The surface without any value round some structures."""
    heights = grid.heights.copy()
    heights[lost] = np.nan
    return type(grid)(heights, grid.column, grid.row, grid.cells, stencil=grid.stencil, step=grid.step)


# --- splitting and order


@pytest.mark.parametrize("cuts", [(1,), (7, 8), (12,), tuple(range(1, N))], ids=str)
@pytest.mark.parametrize("rim_reference", ["adjacent_mean", "bar"])
def test_parts_have_the_bits_of_the_whole(street, cuts, rim_reference):
    structures, grid = street
    rules = RuleSet(rim_reference=rim_reference)
    whole = run(structures, [grid], rules=rules)
    edges = [0, *cuts, N]
    parts = []
    for first, last in pairwise(edges):
        index = np.arange(first, last)
        parts.append(run(take(structures, index), [grid.take(index)], rules=rules))
    for name, bundle in whole.bundles().items():
        assert equal(concat([part.bundles()[name] for part in parts]), bundle), name


def test_shuffled_rows_have_the_bits_of_the_whole(street):
    structures, grid = street
    order = np.random.default_rng(4).permutation(N)
    whole, shuffled = run(structures, [grid]), run(take(structures, order), [grid.take(order)])
    for name, bundle in whole.bundles().items():
        if name != "reasons":
            assert equal(take(bundle, order), shuffled.bundles()[name]), name

    def reasons(found):
        kept = found.reasons
        return sorted(
            (row, code, repr(value), repr(limit))
            for row, code, value, limit in zip(kept.row, kept.code, kept.value, kept.limit, strict=True)
        )

    assert reasons(whole) == reasons(shuffled)


def test_twice_the_same(street):
    structures, grid = street
    first, second = run(structures, [grid]), run(structures, [grid])
    assert all(equal(bundle, second.bundles()[name]) for name, bundle in first.bundles().items())


def test_split_with_two_surfaces_and_a_design(street):
    structures, grid = street
    first = shorter(grid, np.arange(N) % 3 == 0)
    design = type(grid)(grid.heights + 0.03, grid.column, grid.row, grid.cells, stencil=grid.stencil, step=grid.step)

    def some(index):
        return run(take(structures, index), [first.take(index), grid.take(index)], [design.take(index)])

    whole, parts = some(np.arange(N)), [some(np.arange(0, 9)), some(np.arange(9, N))]
    for name, bundle in whole.bundles().items():
        assert equal(concat([part.bundles()[name] for part in parts]), bundle), name


def test_the_street_holds_all_sorts(street):
    """Otherwise equality above would say little."""
    structures, grid = street
    found = run(structures, [grid])
    assert {METHODS[index] for index in found.verdicts.method} >= {
        "monument", "rings", "liner", "extend", "replace_top", "float", "adjust", "unknown"
    }  # fmt: skip
    assert {-1, 0, 1} == set(found.existing.shape.tolist())
    assert set(found.rims.rim_basis.tolist()) == {0, 1, 2, 3}
    assert {FLAGS[code].code for code in found.reasons.code} >= {
        "no_surface",
        "axis_missing",
        "rim_missing",
        "not_flush",
    }


# --- several surfaces of one role


def level(make_grid, n, height, **others):
    return make_grid(lambda e, n: np.full_like(e, height), n, **others)


def test_the_first_surface_wins(make_structures, make_grid):
    found = run(make_structures(3), [level(make_grid, 3, 100.0), level(make_grid, 3, 200.0)])
    assert found.existing.source.tolist() == [0, 0, 0]
    assert found.existing.height.tolist() == near([100.0] * 3)


def test_the_second_fills_what_the_first_lacks(make_structures, make_grid):
    lost = np.array([False, True, False])
    first = shorter(level(make_grid, 3, 100.0), lost)
    found = run(make_structures(3), [first, level(make_grid, 3, 200.0)])
    assert found.existing.source.tolist() == [0, 1, 0]
    assert found.existing.height.tolist() == near([100.0, 200.0, 100.0])
    assert found.rims.existing.tolist() == near([100.0, 200.0, 100.0])
    assert "no_surface" not in {FLAGS[code].code for code in found.reasons.code}


def test_a_filled_row_is_as_if_the_second_were_alone(street):
    structures, grid = street
    lost = np.arange(N) % 2 == 0
    other = type(grid)(grid.heights + 0.5, grid.column, grid.row, grid.cells, stencil=grid.stencil, step=grid.step)
    both = run(structures, [shorter(grid, lost), other], rules=RuleSet(rim_reference="bar"))
    alone = run(structures, [other], rules=RuleSet(rim_reference="bar"))
    for name in ("rims", "chimneys", "stacks", "verdicts"):
        index = np.flatnonzero(lost & (alone.existing.source >= 0))
        assert equal(take(both.bundles()[name], index), take(alone.bundles()[name], index)), name
    assert set(both.existing.source[lost].tolist()) <= {1, -1}


def test_a_third_surface_and_none(make_structures, make_grid):
    lost = np.array([[True, True, False, True], [True, False, True, True], [False, True, True, True]])
    surfaces = [shorter(level(make_grid, 4, 100.0 + index), lost[index]) for index in range(3)]
    found = run(make_structures(4), surfaces)
    assert found.existing.source.tolist() == [2, 1, 0, -1]
    assert found.existing.height.tolist() == near([102.0, 101.0, 100.0, np.nan])
    reasons = found.reasons
    assert reasons.row[reasons.code == [f.code for f in FLAGS].index("no_surface")].tolist() == [3]


def test_no_warning_where_there_is_no_road(make_structures, make_grid):
    """Warnings are errors in these tests."""
    found = run(make_structures(), [level(make_grid, 1, np.nan)])
    assert found.existing.source.tolist() == [-1]
    assert np.isnan(found.rims.raise_[0])


def test_half_a_ring_is_not_enough_for_the_first(make_structures, make_grid):
    """The first surface covers a quarter of the ring: below min_coverage, so the second is read."""
    corner = make_grid(lambda e, n: np.where((e > 0) & (n > 0), 100.0, np.nan))
    found = run(make_structures(), [corner, level(make_grid, 1, 200.0)])
    assert found.existing.source.tolist() == [1]


# --- finished road


def test_mill_and_overlay_of_each_structure(make_structures, make_grid):
    structures = make_structures(4, mill=[0.0, 0.04, 0.04, np.nan], overlay=[0.05, 0.05, 0.0, np.nan], gap=0.0)
    found = run(structures, [level(make_grid, 4, 100.0)])
    assert found.rims.raise_.tolist() == near([0.05, 0.01, -0.04, 0.0])
    assert found.rims.finished.tolist() == near([100.05, 100.01, 99.96, 100.0])
    assert found.finished.height.tolist() == near([100.05, 100.01, 99.96, 100.0])


def test_a_design_surface_beats_mill_and_overlay(make_structures, make_grid):
    structures = make_structures(rim=100.0, mill=0.04, overlay=0.05)
    design = make_grid(lambda e, n: 100.2 + 0.02 * e)
    found = run(structures, [level(make_grid, 1, 100.0)], [design])
    assert found.rims.raise_.tolist() == near([0.2])
    assert found.rims.target_slope_east.tolist() == near([0.02])
    assert found.millings.milled.tolist() == near([99.96])  # the milling is still done
    assert found.millings.lower_by.tolist() == near([0.053])


def test_a_design_with_a_hole_leaves_the_raise_unknown(make_structures, make_grid):
    design = shorter(level(make_grid, 2, 100.1), np.array([True, False]))
    found = run(make_structures(2, rim=100.0), [level(make_grid, 2, 100.0)], [design])
    assert found.rims.raise_.tolist() == near([np.nan, 0.1])
    assert METHODS[found.verdicts.method[0]] == "unknown"


@pytest.mark.parametrize("rim_reference", ["adjacent_mean", "bar"])
def test_bars_rise_with_the_overlay(make_structures, make_grid, rim_reference):
    """On a plane a bar and the adjacent mean agree, before and after, at any place in the cell."""
    grid = make_grid(lambda e, n: 100 + 0.03 * e - 0.01 * n, column=0.4, row=-0.3)
    structures = make_structures(gap=-0.005, mill=0.03, overlay=0.05, axis=1.0)
    found = run(structures, [grid], rules=RuleSet(rim_reference=rim_reference))
    assert found.rims.raise_.tolist() == near([0.025])
    assert found.results.bar_along.tolist() == near([0.0])
    assert found.results.bar_across.tolist() == near([0.0])
    assert found.rims.slope.tolist() == near([np.hypot(0.03, 0.01)])


@pytest.mark.parametrize("cell", [0.1, 0.25])
def test_crown_from_a_raster(make_structures, make_grid, cell):
    """z = 100 - .02 |e|, 660 mm frame: 2 c R / pi = 4.20 mm under the apex; gaps -4.20 and +2.40."""
    found = run(make_structures(axis=0.0), [make_grid(lambda e, n: 100 - 0.02 * np.abs(e), cell=cell)])
    results = found.results
    assert 1000 * (found.rims.target[0] - 100) == near(-4.20, 0.05)
    assert METHODS[found.verdicts.method[0]] == "adjust"  # so that the cover is set to the target
    assert 1000 * results.gap_along[0] == near(-4.20, 0.05)
    assert 1000 * results.gap_across[0] == near(2.40, 0.05)
    assert 1000 * results.bar_along[0] == near(-4.20, 0.05)  # a bar along the crown line lies on the apex
    # one across it spans the hole from edge to edge, 0.80 m off (0.85 with the median over 0.1 m): 16 to 17 mm lower
    edge = 0.85 if cell == 0.1 else 0.80
    assert 1000 * results.bar_across[0] == near(20 * edge - 4.20, 0.05)


def test_a_coarse_surface_is_refused(make_structures, make_grid):
    found = run(make_structures(), [level(make_grid, 1, 100.0, cell=2.0)])
    assert found.existing.source.tolist() == [-1]
    assert "surface_too_coarse" in {FLAGS[code].code for code in found.reasons.code}


def test_bundles_by_name_in_the_order_of_the_story(street):
    structures, grid = street
    names = list(run(structures, [grid]).bundles())
    assert names == [
        "structures", "existing", "milled", "finished", "rims", "millings", "chimneys", "stacks", "others", "liners",
        "cuts", "results", "uncertainties", "verdicts", "reasons",
    ]  # fmt: skip


def test_results_are_read_only(street):
    structures, grid = street
    found = run(structures, [grid])
    with pytest.raises(ValueError, match="read-only"):
        found.rims.raise_[0] = 0.0
