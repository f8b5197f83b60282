"""Standard deviations and probabilities against a Monte Carlo twin: worlds are drawn, measured and planned.

Each world draws the true road, rim and works, and what a survey makes of them: a shift of the whole surface, noise of
every cell, a wrong place of the cover, errors of level, tape, milling and paving. The plan sees only the survey. Its
95 % interval must hold the truth in 93 to 97 of 100 worlds.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from geoadjust.core.columns import METHODS, take
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue, RingPart, RiserPart
from geoadjust.core.plan import Role, Scatter, Surfaces, plan
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet
from geoadjust.core.uncertainty import TWO_SIDED, Accuracy

WORLDS = 2500
CELL = 0.1
MILL, OVERLAY, CASTING, CHIMNEY = 0.040, 0.060, 0.200, 0.150
ACCURACY = Accuracy(
    rim=0.004, xy=0.08, gap=0.003, flush=0.008, tape=0.004, casting=0.003, mill=0.004, overlay=0.005, surfaces=(0.010,)
)


def plane_road(e, n):
    return 100 + 0.02 * e - 0.03 * n


def crown_road(e, n):
    return 100 - 0.02 * np.abs(e - 0.15) + 0.01 * n


def rim_of(road, radius=0.33):
    """Mean of the road along the frame's edge, by brute force."""
    turn = np.arange(3600) * (2 * np.pi / 3600)
    return float(np.mean(road(radius * np.sin(turn), radius * np.cos(turn))))


class World:
    """True values of n worlds and the survey of them."""

    def __init__(self, road, make_grid, accuracy, noise, seed, cell=CELL):
        draw = np.random.default_rng(seed)
        n, ring = WORLDS, Ring()
        self.noise, self.ring, self.draw, self.accuracy = noise, ring, draw, accuracy
        off = draw.normal(0, accuracy.xy, (2, n))
        shift = draw.normal(0, accuracy.surfaces[0], n)
        place = draw.uniform(-0.5, 0.5, (2, n))

        def seen(e, k):
            z = road(e + off[0][:, None, None], k + off[1][:, None, None])
            return z + shift[:, None, None] + draw.normal(0, noise, z.shape)

        self.grid = make_grid(seen, n=n, cell=cell, column=place[0], row=place[1])
        self.road = rim_of(road)
        self.mill = MILL + draw.normal(0, accuracy.mill, n)
        self.overlay = OVERLAY + draw.normal(0, accuracy.overlay, n)
        self.target = self.road - self.mill + self.overlay
        self.shift = shift

    def plan(self, structures, rules=None, accuracy=None):
        setting = Setting(self.ring, 0.010, accuracy or self.accuracy)
        surfaces = Surfaces(Role([self.grid], [Scatter(noise=self.noise)], [0]))
        return plan(structures, surfaces, rules or RuleSet(), Catalogue(), setting)


def coverage(found, truth, sd):
    return float(np.mean(np.abs(found - truth) <= TWO_SIDED * sd))


@pytest.mark.parametrize("road", [plane_road, crown_road], ids=["plane", "crown"])
def test_raise_of_surveyed_rims(road, make_structures, make_grid):
    world = World(road, make_grid, ACCURACY, 0.003, 1)
    gap = world.draw.normal(0, 0.005, WORLDS)
    rim = world.road + gap
    given = rim + world.draw.normal(0, ACCURACY.rim, WORLDS)
    found = world.plan(make_structures(WORLDS, rim=given, mill=MILL, overlay=OVERLAY))
    inside = coverage(found.rims.raise_, world.target - rim, found.uncertainties.raise_sd)
    assert 0.93 <= inside <= 0.97


def test_raise_of_one_survey_with_a_large_shift(make_structures, make_grid):
    """Rims levelled from the scan's own control: its shift is in both and cancels."""
    world = World(plane_road, make_grid, replace(ACCURACY, surfaces=(0.2,)), 0.003, 2)
    rim = world.road + world.draw.normal(0, 0.004, WORLDS)
    given = rim + world.shift + world.draw.normal(0, ACCURACY.rim, WORLDS)
    one = replace(ACCURACY, surfaces=(0.2,), rim_same_survey=True)
    rules = RuleSet(max_rim_gap=1.0)
    found = world.plan(make_structures(WORLDS, rim=given, mill=MILL, overlay=OVERLAY), rules, one)
    assert 0.93 <= coverage(found.rims.raise_, world.target - rim, found.uncertainties.raise_sd) <= 0.97
    assert (1000 * found.uncertainties.raise_sd < 10).all()


@pytest.mark.parametrize("measured", [True, False], ids=["gap", "flush"])
def test_raise_by_gap_or_flush(measured, make_structures, make_grid):
    world = World(plane_road, make_grid, replace(ACCURACY, surfaces=(0.3,)), 0.004, 3)
    gap = world.draw.normal(0, ACCURACY.flush, WORLDS)
    given = gap + world.draw.normal(0, ACCURACY.gap, WORLDS) if measured else math.nan
    found = world.plan(make_structures(WORLDS, gap=given, mill=MILL, overlay=OVERLAY))
    truth = world.target - (world.road + gap)
    assert 0.93 <= coverage(found.rims.raise_, truth, found.uncertainties.raise_sd) <= 0.97


@pytest.mark.parametrize("how", ["bearing", "rim", "existing", "finished", "old chimney"])
def test_chimney(how, make_structures, make_grid):
    """True chimney = true target - true bearing - true casting (tilted)."""
    world = World(plane_road, make_grid, ACCURACY, 0.003, 5)
    steep = math.sqrt(1 + 0.02**2 + 0.03**2)
    draw, n = world.draw, WORLDS
    rim = world.road + draw.normal(0, 0.005, n)
    casting = CASTING + draw.normal(0, ACCURACY.casting, n)
    tall = CHIMNEY + draw.normal(0, 0.02, n)
    bearing = rim - casting * steep - tall
    fields = {"rim": rim + draw.normal(0, ACCURACY.rim, n), "mill": MILL, "overlay": OVERLAY, "casting_height": CASTING}
    tape = draw.normal(0, ACCURACY.tape, n)
    if how == "bearing":
        fields["bearing"] = bearing + draw.normal(0, ACCURACY.rim, n)
    elif how == "old chimney":
        fields["existing_chimney"] = tall + tape
    else:
        level = {"rim": rim, "existing": world.road, "finished": world.target}[how]
        words = ("rim", "existing", "milled", "finished")
        fields |= {"measure_down": level - bearing + tape, "measure_down_from": words.index(how)}
    found = world.plan(make_structures(n, **fields))
    truth = world.target - casting * steep - bearing
    assert 0.93 <= coverage(found.chimneys.height, truth, found.uncertainties.chimney_sd) <= 0.97


def test_sparse_points_count_as_what_they_are(make_structures, make_grid):
    """Cells of 0.1 m made of 4 points per m2: 25 cells share one error, so the fit's sd is 5 times as large."""
    grid = make_grid(plane_road)
    structures = make_structures(rim=100.0)
    fields = Accuracy(rim=0.0, xy=0.0, surfaces=(0.0,))

    def sd(density):
        surfaces = Surfaces(Role([grid], [Scatter(noise=0.01, density=density)], [0]))
        found = plan(structures, surfaces, RuleSet(), Catalogue(), Setting(Ring(), 0.05, fields))
        return found.uncertainties.raise_sd[0]

    assert sd(4.0) == pytest.approx(5 * sd(0.0), rel=1e-9)
    assert sd(100.0) == pytest.approx(sd(0.0), rel=1e-9)


def test_noise_of_the_fit_where_none_is_stated(make_structures, make_grid):
    """The scatter about the model stands in: on 4 mm of noise its mean sd is 4 mm within 3 %."""
    draw = np.random.default_rng(7)
    grid = make_grid(lambda e, n: plane_road(e, n) + draw.normal(0, 0.004, e.shape), n=50)
    surfaces = Surfaces(Role([grid], [Scatter()], [0]))
    found = plan(make_structures(50), surfaces, RuleSet(), Catalogue(), Setting(Ring(), 0.05))
    assert np.mean(found.existing.noise) == pytest.approx(0.004 / math.sqrt(0.95), rel=0.03)


RISERS = Catalogue(
    ring=tuple(RingPart(f"r{mm}", thickness=mm / 1000) for mm in (25, 40, 50, 75)),
    riser=(RiserPart("u25", height=0.025), RiserPart("u38", height=0.038), RiserPart("u42", height=0.042)),
)


@pytest.mark.parametrize(
    ("overlay", "chimney", "gap_sd"),
    [(0.030, 0.10, 0.012), (0.006, 0.10, 0.006), (0.045, 0.24, 0.020), (0.02, 0.04, 0.02)],
)
@pytest.mark.parametrize("measured_by", ["edge", "adjacent_mean"])
def test_probabilities_are_the_shares_of_the_worlds(
    overlay, chimney, gap_sd, measured_by, make_structures, make_roads, find
):
    """The true gap is drawn about the measured one; the method that each true gap asks for is counted."""
    rules = RuleSet(measured_by=measured_by, max_chimney=0.3, min_part=0.035)
    setting = Setting(Ring(), 0.01, Accuracy(gap=gap_sd, mill=0.0, overlay=0.0, tape=0.0, casting=0.0))
    known = {"overlay": overlay, "existing_chimney": chimney}
    told = find(make_structures(gap=0.002, **known), make_roads(), rules=rules, catalogue=RISERS, setting=setting)
    draws = 0.002 + np.random.default_rng(11).normal(0, gap_sd, 20_000)
    worlds = make_structures(len(draws), gap=draws, **known)
    found = find(worlds, make_roads(len(draws)), rules=rules, catalogue=RISERS, setting=setting)
    method = found.verdicts.method
    shares = {
        "p_keep": np.mean(method == METHODS.index("keep")),
        "p_riser": np.mean(method == METHODS.index("riser")),
        "p_rebuild": np.mean(method == METHODS.index("rebuild")),
    }
    shares["p_chimney"] = 1 - sum(shares.values())
    for name, share in shares.items():
        assert getattr(told.uncertainties, name)[0] == pytest.approx(share, abs=0.012), name
    total = sum(getattr(told.uncertainties, name)[0] for name in shares)
    assert total == pytest.approx(1.0, abs=1e-12)


def test_an_exact_raise_makes_probabilities_of_0_and_1(make_structures, make_roads, find):
    exact = Setting(Ring(), 0.01, Accuracy(gap=0.0, mill=0.0, overlay=0.0))
    found = find(
        make_structures(2, gap=[0.0, 0.0], overlay=[0.0, 0.025]), make_roads(2), catalogue=RISERS, setting=exact
    )
    assert found.uncertainties.p_keep.tolist() == [1.0, 0.0]
    assert found.uncertainties.p_riser.tolist() == [0.0, 1.0]


def test_nothing_is_known_without_the_surfaces_accuracy(make_structures, make_roads, find):
    found = find(make_structures(rim=100.01), make_roads())
    known = found.uncertainties
    assert all(
        np.isnan(getattr(known, name)[0]) for name in ("raise_sd", "p_keep", "p_riser", "p_chimney", "p_rebuild")
    )


def test_order_needs_the_whole_interval_within_the_tolerance(make_structures, make_roads, find):
    """Misfit 0, tolerance 6 mm: 1.96 sd must stay below, so sd 3 mm may be ordered by and 3.1 mm may not."""
    fields = {"bearing_inside_diameter": 0.6, "gap": 0.0, "overlay": 0.030, "existing_chimney": 0.087 - 0.030}
    for tape, ready in ((0.0030, 0), (0.0031, 1)):
        setting = Setting(Ring(), 0.01, Accuracy(gap=0.0, mill=0.0, overlay=0.0, tape=tape, casting=0.0))
        rules = RuleSet(methods=("rings",))
        found = find(make_structures(**fields), make_roads(), rules=rules, catalogue=RISERS, setting=setting)
        assert METHODS[found.verdicts.method[0]] == "rings"
        assert found.stacks.misfit[0] == pytest.approx(0.0, abs=2e-3)
        misfit = abs(found.stacks.misfit[0])
        assert (misfit + TWO_SIDED * found.uncertainties.chimney_sd[0] <= 0.006) == (ready == 0)
        assert found.verdicts.ready[0] == ready


def test_rows_do_not_depend_on_each_other(make_structures, make_grid):
    world = World(crown_road, make_grid, ACCURACY, 0.003, 9)
    structures = make_structures(WORLDS, rim=world.road, mill=MILL, overlay=OVERLAY)
    whole = world.plan(structures).uncertainties
    some = np.array([5, 77, 2000])
    part = plan(
        take(structures, some),
        Surfaces(Role([world.grid.take(some)], [Scatter(noise=0.003)], [0])),
        RuleSet(),
        Catalogue(),
        Setting(Ring(), 0.010, ACCURACY),
    ).uncertainties
    assert np.array_equal(whole.raise_sd[some], part.raise_sd)
