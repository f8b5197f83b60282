"""The whole story on rasters made on the fly: bits that do not depend on company, order of surfaces, designs."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from geoadjust.core.columns import METHODS, concat, equal, take
from geoadjust.core.flag_list import FLAGS
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.plan import Role, Scatter, Surfaces, plan
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


def role_of(surfaces, first=0):
    return Role(list(surfaces), [Scatter()] * len(surfaces), range(first, first + len(surfaces)))


def run(structures, existing, finished=(), rules=None, paved=()):
    """Plan on lists of surfaces, each of them known to 20 mm."""
    before = len(existing) + len(finished)
    surfaces = Surfaces(role_of(existing), role_of(finished, len(existing)), role_of(paved, before))
    accuracy = Accuracy(surfaces=(0.02,) * (before + len(paved)))
    setting = Setting(Ring(), rough=0.010, accuracy=accuracy)
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
        kind=np.where(number % 7 == 3, 1, np.where(number % 11 == 5, 4, np.where(number % 6 == 3, 2, 0))),
        travel=np.where(number == 9, 0.5, 0.0),
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
        "structures", "existing", "milled", "finished", "pavings", "rims", "millings", "chimneys", "stacks", "others",
        "liners", "cuts", "results", "uncertainties", "verdicts", "reasons",
    ]  # fmt: skip


def test_results_are_read_only(street):
    structures, grid = street
    found = run(structures, [grid])
    with pytest.raises(ValueError, match="read-only"):
        found.rims.raise_[0] = 0.0


# --- every branch at once


VARIED = Catalogue(
    ring=(
        *(RingPart(f"R{mm}", mm / 1000, outside_diameter=0.9) for mm in (25, 38, 50, 75, 100)),
        RingPart("T", thin=0.02, thick=0.0425, outside_diameter=0.9),
    ),
    riser=(RiserPart("U40", 0.04, seat_diameter=0.6), RiserPart("U20", 0.02)),
    liner=(
        LinerPart("L700", outside_diameter=0.7, inside_diameter=0.61),
        LinerPart("L760", outside_diameter=0.76, inside_diameter=0.66),
    ),
)
MANY = 60


@pytest.fixture(scope="module")
def varied(make_structures, make_grid):
    """Kinds, shapes, bearings, old stacks, inlets with a street side, places outside the paving and off the crown."""
    draw = np.random.default_rng(21)

    def some(*values):
        return draw.choice(np.array(values, dtype=float), MANY)

    round_ = draw.random(MANY) < 0.7
    structures = make_structures(
        MANY, kind=draw.choice([0, 0, 0, 1, 2, 3, 4], MANY), paved=draw.choice([1, 1, -1, 0], MANY),
        axis=np.where(draw.random(MANY) < 0.2, np.nan, draw.uniform(0, 6.28, MANY)),
        crown_offset=some(np.nan, -0.3, 0.1, 1.0, 4.0), street_side=some(np.nan, 0.0, 2.0), area_edge=some(np.nan, 1.0),
        gap=some(np.nan, 0.0, -0.01, 0.004), rim=some(np.nan, 100.01), claimed_basis=draw.integers(0, 3, MANY),
        bearing=some(np.nan, 99.7, 99.62), bearing_slope_east=some(0.0, 0.02), bearing_slope_north=some(0.0, -0.01),
        measure_down=some(np.nan, 0.33), measure_down_from=draw.integers(-1, 4, MANY),
        existing_chimney=some(np.nan, 0.15), existing_rings=some(np.nan, 2.0),
        chimney_condition=draw.integers(-1, 3, MANY), recast=draw.random(MANY) < 0.2,
        new_casting_height=some(0.2, 0.15), floating=draw.random(MANY) < 0.1, travel=some(np.nan, 0.05),
        seat_diameter=some(np.nan, 0.6), ridge_diameter=some(np.nan, 0.0, 0.62), flange_inside_diameter=0.61,
        flange_length=np.where(round_, np.nan, 0.7), frame_top_length=np.where(round_, np.nan, 0.5),
        frame_azimuth=some(np.nan, 0.4), mill=some(0.0, 0.04), overlay=some(0.04, 0.05, 0.096),
    )  # fmt: skip
    east, north = draw.uniform(-0.05, 0.05, (2, MANY, 1, 1))
    bend = draw.choice([0.0, 0.0, -0.04], MANY)[:, None, None]

    def z(e, n):
        return 100 + east * e + north * n + bend * np.abs(e) + np.random.default_rng(6).normal(0, 0.002, e.shape)

    return structures, make_grid(z, MANY, column=draw.uniform(-0.5, 0.5, MANY), row=draw.uniform(-0.5, 0.5, MANY))


SETTINGS = {
    "plain": (RuleSet(), {}),
    "added": (RuleSet(existing_stack="add_on_top", measured_by="adjacent_mean", sequence="raise_before_paving"), {}),
    "profile": (
        RuleSet(stand="square_to_bearing", hold="cover", measured_by="bar", max_grade=0.03),
        {"cross_slope": 0.03},
    ),
    "liners": (RuleSet(methods=("keep", "liner"), cut_style="in_plane", rim_reference="bar"), {}),
}


def plan_varied(structures, grid, name):
    rules, more = SETTINGS[name]
    setting = Setting(Ring(), rough=0.010, accuracy=Accuracy(surfaces=(0.01,)), **more)
    return plan(structures, Surfaces(Role([grid], [Scatter(0.003, 200.0)], [0])), rules, VARIED, setting)


@pytest.mark.parametrize("name", SETTINGS)
def test_parts_of_a_varied_street_have_the_bits_of_the_whole(varied, name):
    structures, grid = varied
    whole = plan_varied(structures, grid, name)
    for edges in ([0, 1, 7, 8, MANY], [0, 31, MANY]):
        parts = [
            plan_varied(take(structures, np.arange(a, b)), grid.take(np.arange(a, b)), name) for a, b in pairwise(edges)
        ]
        for kind, bundle in whole.bundles().items():
            assert equal(concat([part.bundles()[kind] for part in parts]), bundle), kind


def test_the_varied_street_takes_every_branch(varied):
    """Otherwise equality above would say little."""
    structures, grid = varied
    found = {name: plan_varied(structures, grid, name) for name in SETTINGS}
    methods = {METHODS[index] for one in found.values() for index in one.verdicts.method}
    assert methods >= set(METHODS) - {"other_owner", "unknown", "extend"}
    assert {0, 1} <= set(found["added"].stacks.policy.tolist())
    assert (found["added"].others.count >= 0).any()
    assert np.isfinite(found["plain"].stacks.turn).any()
    assert {8, 16} <= set(found["plain"].cuts.count.tolist())
    assert (found["profile"].milled.fold != found["plain"].milled.fold).any()
    assert set(found["plain"].millings.lower_how.tolist()) == {-1, 0, 1}


# --- only what is built is told


def test_stacks_and_liners_that_are_not_built_are_not_told(varied):
    """Rings where the method is rings, a liner where it is a liner; of the others how far off they would be."""
    structures, grid = varied
    for name in SETTINGS:
        found = plan_varied(structures, grid, name)
        rings, liner = (found.verdicts.method == METHODS.index(word) for word in ("rings", "liner"))
        assert np.array_equal(found.stacks.count >= 0, rings)
        assert np.array_equal((found.stacks.parts >= 0).any(axis=1) | (found.stacks.count == 0), rings)
        assert not np.isfinite(found.stacks.misfit[~rings]).any()
        assert np.array_equal(found.liners.part >= 0, liner)
        assert np.array_equal(found.verdicts.riser >= 0, found.verdicts.method == METHODS.index("riser"))


# --- what the job says of its surfaces and of the ring


def test_scatter_goes_with_its_surface(make_structures, make_grid):
    """Noise of one sample: 3 mm where the first surface has a road, 8 mm and a quarter of a point a cell elsewhere."""
    lost = np.array([False, True])
    first, second = shorter(level(make_grid, 2, 100.0), lost), level(make_grid, 2, 100.0)
    scatters = [Scatter(noise=0.003), Scatter(noise=0.008, density=25.0)]
    surfaces = Surfaces(Role([first, second], scatters, [0, 1]))
    setting = Setting(Ring(), rough=0.010, accuracy=Accuracy(surfaces=(0.01, 0.02)))
    found = plan(make_structures(2), surfaces, RuleSet(), PARTS, setting)
    assert found.existing.source.tolist() == [0, 1]
    assert found.existing.noise.tolist() == near([0.003 / np.sqrt(0.95), 0.008 / np.sqrt(0.95 * 0.25)])


def test_a_surface_that_states_no_accuracy_has_an_unknown_one(make_structures, make_grid):
    """The second surface is used; what is said of none, or of the first one alone, leaves its shift unknown."""
    lost = np.array([True])
    both = [shorter(level(make_grid, 1, 100.0), lost), level(make_grid, 1, 100.0)]
    for existing in ((), (0.01,)):
        setting = Setting(Ring(), rough=0.010, accuracy=Accuracy(surfaces=existing))
        surfaces = Surfaces(Role(both, [Scatter(), Scatter()], [0, 1]))
        found = plan(make_structures(1, rim=100.0), surfaces, RuleSet(), PARTS, setting)
        assert np.isnan(found.uncertainties.raise_sd[0])


def test_an_inlet_reads_the_street_s_half_of_the_ring(make_structures, make_grid):
    """A kerb of 150 mm 0.6 m west, the street east: half of the cells, and none of them is left out."""
    grid = make_grid(lambda e, n: 100 - 0.02 * e + 0.15 * (e < -0.6), 2)
    found = run(make_structures(2, kind=1, street_side=[np.pi / 2, np.nan]), [grid])
    assert found.existing.left_out[0] == 0
    assert found.existing.left_out[1] > 50
    assert found.existing.pattern[0] < 0.55 * found.existing.pattern[1]
    assert found.existing.slope_east.tolist() == near([-0.02, -0.02])


def test_outside_the_paving_the_design_is_not_built(make_structures, make_grid):
    structures = make_structures(2, paved=[0, 1], rim=100.0)
    design = level(make_grid, 2, 100.1)
    found = run(structures, [level(make_grid, 2, 100.0)], [design])
    assert found.finished.height.tolist() == near([100.0, 100.1])
    assert found.rims.raise_.tolist() == near([0.0, 0.1])
    assert [METHODS[index] for index in found.verdicts.method] == ["not_paved", "adjust"]


def test_a_survey_after_paving_takes_the_place_of_the_plan(make_structures, make_grid):
    """Paved 8 mm below and 1 % steeper than planned: the cover goes to what was paved; the error is told."""
    structures = make_structures(N, gap=0.0, mill=0.04, overlay=0.05)
    today = make_grid(lambda e, n: 100 + 0.02 * n, n=N)
    laid = make_grid(lambda e, n: 100.002 + 0.03 * n, n=N)
    found = run(structures, [today], paved=[laid])
    assert found.rims.raise_ == pytest.approx(0.002, abs=1e-9)
    assert found.rims.grade == pytest.approx(0.03, abs=1e-9)
    assert found.pavings.off == pytest.approx(-0.008, abs=1e-9)
    assert set(found.finished.source) == {1}
    assert np.isnan(run(structures, [today]).pavings.off).all()


def test_where_nothing_was_surveyed_after_paving_the_plan_stands(make_structures, make_grid):
    """The survey ends half way: the other half is as without it, to the last bit; both sources are told."""
    structures = make_structures(N, gap=0.0, mill=0.04, overlay=0.05)
    today = make_grid(lambda e, n: 100 + 0.02 * n, n=N)
    laid = make_grid(lambda e, n: 100.002 + 0.03 * n, n=N)
    heights = laid.heights.copy()
    heights[: N // 2] = np.nan
    found, alone = run(structures, [today], paved=[replace(laid, heights=heights)]), run(structures, [today])
    assert found.finished.source.tolist() == [0] * (N // 2) + [1] * (N // 2)
    some = np.arange(N // 2)
    for name in ("rims", "finished", "uncertainties", "chimneys"):
        kept, same = take(getattr(found, name), some), take(getattr(alone, name), some)
        assert equal(kept, same)
    assert np.isnan(found.pavings.off[some]).all()
    assert np.isfinite(found.pavings.off[N // 2 :]).all()


def test_paving_is_off_a_design_too_but_not_off_nothing(make_structures, make_grid):
    """Off is against design, or mill and overlay; without either, and outside the paving, there is no plan."""
    today, design, laid = (make_grid(lambda e, n, h=h: h + 0.02 * n, n=N) for h in (100.0, 100.05, 100.065))
    plain = make_structures(N, gap=0.0, mill=np.nan, overlay=np.nan)
    assert run(plain, [today], [design], paved=[laid]).pavings.off == pytest.approx(0.015, abs=1e-9)
    assert np.isnan(run(plain, [today], paved=[laid]).pavings.off).all()
    outside = run(make_structures(N, gap=0.0, mill=0.04, overlay=0.05, paved=0), [today], paved=[laid])
    assert np.isnan(outside.pavings.off).all()
    assert outside.rims.raise_ == pytest.approx(0.0, abs=1e-12)


def test_paving_off_plan_has_a_limit_of_its_own(make_structures, make_grid):
    structures = make_structures(N, gap=0.0, overlay=0.05)
    today = make_grid(lambda e, n: 100 + 0.02 * n, n=N)
    for off, told in ((0.0099, False), (0.0101, True), (-0.0101, True)):
        laid = make_grid(lambda e, n, off=off: 100.05 + off + 0.02 * n, n=N)
        reasons = run(structures, [today], paved=[laid]).reasons
        assert ("paving_off_plan" in {FLAGS[code].code for code in reasons.code}) == told


def test_a_survey_after_paving_brings_its_own_accuracy(make_structures, make_grid):
    """By a gap: both surfaces' shifts (20 mm each) and no mill or overlay; the plan alone: mill and overlay."""
    structures = make_structures(N, gap=0.0, mill=0.04, overlay=0.05)
    today = make_grid(lambda e, n: 100 + 0.02 * n, n=N)
    laid = make_grid(lambda e, n: 100.01 + 0.02 * n, n=N)
    planned, surveyed = run(structures, [today]), run(structures, [today], paved=[laid])
    assert planned.uncertainties.raise_sd == pytest.approx(np.sqrt(2 * 0.005**2 + 0.002**2), abs=1e-6)
    assert surveyed.uncertainties.raise_sd == pytest.approx(np.sqrt(2 * 0.02**2 + 0.002**2), rel=2e-3)
