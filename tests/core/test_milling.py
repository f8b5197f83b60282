"""Lowering before milling, and what traffic meets in between: closed forms on planes, brute force on the edge."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import LOWER_HOW
from geoadjust.core.judge import Setting
from geoadjust.core.ring import Ring
from geoadjust.core.rules import SEQUENCES, RuleSet

SLOPES = st.floats(-0.15, 0.15)
ANGLES = st.floats(0.0, 2 * np.pi)
HAIR = 2e-6
RINGS_OUT, PLATE, AROUND, UNKNOWN = 0, 1, 2, -1
BEFORE = "raise_before_paving"

# The makers' casting is 200 mm high; the rules' plate is 25 mm thick, the clearance 13 mm. So a plate on the old stack
# lies 175 mm below today's rim, and a flush cover must go down by mill + 13 mm.
ROOM = 0.175
CLEARANCE = 0.013


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def crown(make_roads, side=0.02, **others):
    """z = 100 - side |e|: one plane rising to the apex, and a fold of -2 side along the north-south line."""
    return make_roads(slope_east=side, fold=-2 * side, fold_azimuth=np.pi / 2, **others)


def test_words():
    assert LOWER_HOW == ("rings_out", "casting_out_and_plate", "mill_around")
    assert SEQUENCES == ("lower_mill_pave_raise", BEFORE)


# --- how far down


@given(east=SLOPES, north=SLOPES, mill=st.floats(0.005, 0.2), clearance=st.floats(0, 0.1), recess=st.floats(0, 0.05))
@settings(max_examples=40, deadline=None)
def test_a_flush_cover_goes_down_by_mill_and_clearance(
    make_structures, make_roads, find, east, north, mill, clearance, recess
):
    rules = RuleSet(milling_clearance=clearance, recess=recess)
    millings = find(make_structures(mill=mill), make_roads(slope_east=east, slope_north=north), rules=rules).millings
    assert millings.lower_by.tolist() == near([mill + clearance])
    assert millings.milled.tolist() == near([100.0 - mill])


@pytest.mark.parametrize(("gap", "lower"), [(-0.01, 0.043), (0.01, 0.063), (-0.053, 0.0), (-0.08, 0.0)])
def test_a_low_cover_goes_down_less_and_never_up(make_structures, find, gap, lower):
    millings = find(make_structures(gap=gap, mill=0.04)).millings
    assert millings.lower_by.tolist() == near([lower])


def test_on_a_crown_the_proudest_place_decides(make_structures, make_roads, find):
    """z = -c |e|, R = 330 mm: the rim lies 2 c R / pi = 4.2017 mm below the apex, the road at the side 6.6 mm."""
    millings = find(make_structures(mill=0.04, frame_top_diameter=0.66), crown(make_roads)).millings
    assert (1000 * millings.lower_by).tolist() == near([40 + 13 + 2.3983], 5e-5)


def test_a_tilted_frame_goes_down_by_its_proudest_place(make_structures, make_roads, find):
    """Milled level under a frame of 4 %: 0.04 x 330 mm more on the high side, and that much lower on the other."""
    roads = make_roads(slope_east=0.04)
    level = make_roads(height=99.96)
    millings = find(make_structures(existing_chimney=0.3), roads, milled=level).millings
    assert millings.lower_by.tolist() == [0.0]  # nothing is milled here
    cut = find(make_structures(mill=0.04, existing_chimney=0.3), roads, milled=level).millings
    assert cut.lower_by.tolist() == near([0.04 + 0.0132 + CLEARANCE])
    assert cut.hole.tolist() == near([CLEARANCE + 2 * 0.0132])  # 13 mm below at the high side, 26.4 mm more opposite


def test_a_rectangle_s_corner_decides(make_structures, make_roads, find):
    """The rim plane is 3 % and 4 % steeper than the milled road: the corner lies 0.2 x 0.03 + 0.3 x 0.04 higher."""
    structures = make_structures(
        mill=0.04, frame_top_diameter=0.4, frame_top_length=0.6, frame_azimuth=0.0, existing_chimney=0.3
    )
    roads, level = make_roads(slope_east=0.03, slope_north=-0.04), make_roads(height=99.96)
    millings = find(structures, roads, milled=level).millings
    assert millings.lower_by.tolist() == near([0.04 + 0.018 + CLEARANCE])
    assert millings.hole.tolist() == near([2 * 0.018 + CLEARANCE])


def test_without_milling_nothing_is_lowered(make_structures, make_roads, find):
    structures = make_structures(3, gap=0.08, mill=[0.0, np.nan, 0.04], paved=[1, 1, 0])
    millings = find(structures, make_roads(3), make_roads(3), milled=make_roads(3)).millings
    assert millings.lower_by.tolist() == [0.0, 0.0, 0.0]
    assert millings.bump.tolist() == [0.0, 0.0, 0.0]
    assert millings.hole.tolist() == [0.0, 0.0, 0.0]
    assert np.isnan(millings.milled).all()
    assert np.isnan(millings.plate_high).all()
    assert millings.lower_how.tolist() == [UNKNOWN] * 3


def test_milling_to_a_profile_counts_without_a_depth(make_structures, make_roads, find):
    """The road falls 2 % away from the crown line, it is milled to 4 %: 2 m off, 40 mm go although `mill` is 0."""
    structures = make_structures(2, axis=0.0, crown_offset=[2.0, np.nan], mill=0.0, existing_chimney=0.3)
    roads, milled = make_roads(2, slope_east=-0.02), make_roads(2, height=99.96, slope_east=-0.04)
    setting = Setting(Ring(), rough=0.010, cross_slope=0.04)
    millings = find(structures, roads, milled=milled, setting=setting).millings
    # 2 % over 330 mm: the proudest place of the rim
    assert millings.lower_by.tolist() == near([0.04 + 0.0066 + CLEARANCE, 0.0])
    assert millings.milled.tolist() == near([99.96, np.nan])


# --- how


@pytest.mark.parametrize(
    ("chimney", "how"), [(0.053 + HAIR, RINGS_OUT), (0.053 - HAIR, PLATE), (0.0, PLATE), (np.nan, PLATE)]
)
def test_rings_come_out_where_the_chimney_is_tall_enough(make_structures, find, chimney, how):
    millings = find(make_structures(mill=0.04, overlay=0.05, existing_chimney=chimney)).millings
    assert millings.lower_how.tolist() == [how]


@pytest.mark.parametrize(
    ("casting", "chimney", "how"),
    [
        # down by 113 mm: the plate of 25 mm needs 138 mm of casting, or of casting and chimney
        (0.138 + HAIR, 0.0, PLATE),
        (0.138 - HAIR, 0.0, AROUND),
        (0.100, 0.038 + HAIR, PLATE),
        (0.100, 0.038 - HAIR, AROUND),
        (0.100, 0.113 + HAIR, RINGS_OUT),
    ],
)
def test_a_plate_where_it_lies_deep_enough(make_structures, find, casting, chimney, how):
    structures = make_structures(mill=0.100, casting_height=casting, existing_chimney=chimney)
    millings = find(structures).millings
    assert millings.lower_how.tolist() == [how]
    if how == AROUND:
        assert millings.plate_high.tolist() == near([HAIR])
    else:
        assert np.isnan(millings.plate_high[0])


@pytest.mark.parametrize(
    ("opening", "how"), [(0.850 - HAIR, PLATE), (0.850 + HAIR, AROUND), (np.nan, PLATE), (0.4, PLATE)]
)
def test_a_plate_needs_a_seat_of_25_mm_all_round(make_structures, find, opening, how):
    """The plate is 900 mm wide; an opening that nobody measured counts as covered."""
    millings = find(make_structures(mill=0.04, bearing_inside_diameter=opening)).millings
    assert millings.lower_how.tolist() == [how]


def test_rings_out_need_no_seat(make_structures, find):
    millings = find(make_structures(mill=0.04, bearing_inside_diameter=1.2, existing_chimney=0.2)).millings
    assert millings.lower_how.tolist() == [RINGS_OUT]


def test_a_casting_of_unknown_height(make_structures, find):
    """How it is lowered is unknown, and so is what traffic meets; a chimney tall enough needs no casting's height."""
    structures = make_structures(3, mill=[0.04, 0.04, 0.0], casting_height=np.nan, existing_chimney=[np.nan, 0.2, 0.0])
    millings = find(structures).millings
    assert millings.lower_by.tolist() == near([0.053, 0.053, 0.0])
    assert millings.lower_how.tolist() == [UNKNOWN, RINGS_OUT, UNKNOWN]
    assert millings.bump.tolist() == near([np.nan, 0.0, 0.0])
    assert millings.hole.tolist() == near([np.nan, CLEARANCE, 0.0])


def test_without_a_seat_the_casting_s_height_does_not_matter(make_structures, find):
    structures = make_structures(mill=0.04, casting_height=np.nan, bearing_inside_diameter=1.2)
    assert find(structures).millings.lower_how.tolist() == [AROUND]


def test_a_plate_lies_under_a_tilted_casting(make_structures, make_roads, find):
    """On a 10 % road the casting of 200 mm reaches 200 sqrt(1.01) mm down."""
    structures = make_structures(mill=0.04)
    millings = find(structures, make_roads(slope_east=0.06, slope_north=0.08)).millings
    assert millings.hole.tolist() == near([0.2 * np.sqrt(1.01) - 0.025 - 0.04])


# --- what traffic meets


def test_rings_out_leave_a_hole_of_the_clearance(make_structures, find):
    millings = find(make_structures(gap=-0.01, mill=0.04, existing_chimney=0.2)).millings
    assert millings.bump.tolist() == [0.0]
    assert millings.hole.tolist() == near([CLEARANCE])


def test_a_plate_on_the_old_stack_leaves_a_hole_over_it(make_structures, find):
    """Its top lies 175 mm below today's rim, the milled road 40 mm."""
    millings = find(make_structures(mill=0.04)).millings
    assert millings.hole.tolist() == near([ROOM - 0.04])
    assert millings.bump.tolist() == [0.0]


def test_a_plate_on_the_bearing_only_where_the_stack_is_in_the_way(make_structures, find):
    """Down by 213 mm; 175 mm is not enough, with the chimney of 60 mm off it is 235 mm."""
    millings = find(make_structures(2, mill=[0.2, 0.1], existing_chimney=0.06)).millings
    assert millings.lower_how.tolist() == [PLATE, PLATE]
    assert millings.hole.tolist() == near([ROOM + 0.06 - 0.2, ROOM - 0.1])


def test_milled_around_the_iron_stands_proud_by_the_depth(make_structures, find):
    millings = find(make_structures(2, gap=[0.0, 0.01], mill=0.04, bearing_inside_diameter=1.2)).millings
    assert millings.bump.tolist() == near([0.04, 0.05])
    assert millings.hole.tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    "gap",
    [-0.06, -0.053],
)
def test_a_cover_that_is_low_enough_stays_a_hole(make_structures, find, gap):
    """60 mm LOW and 40 mm milled: 20 mm below the milled road, nothing to lower. At 53 mm it is just low enough."""
    millings = find(make_structures(gap=gap, mill=0.04)).millings
    assert millings.lower_by.tolist() == near([0.0])
    assert millings.hole.tolist() == near([-gap - 0.04])
    assert millings.bump.tolist() == [0.0]


def test_a_cover_that_is_just_low_enough_need_not_be_lowered(make_structures, find):
    """53 mm LOW, 40 mm milled, 13 mm clear: what rounding leaves of that is no lowering."""
    assert "lower_before_milling" not in find(make_structures(gap=-0.053, mill=0.04)).notes()


def test_raised_before_paving_iron_stands_in_the_milled_road(make_structures, find):
    """Up to the target on the milled road: the overlay's thickness; without milling, the same on today's road."""
    structures = make_structures(3, mill=[0.04, 0.0, 0.04], overlay=0.05, existing_chimney=0.2, paved=[1, 1, 0])
    millings = find(structures, rules=RuleSet(sequence=BEFORE, recess=0.002)).millings
    assert millings.bump.tolist() == near([0.048, 0.048, 0.0])
    assert millings.hole.tolist() == near([CLEARANCE, 0.0, 0.0])  # until it is raised
    assert millings.lower_by.tolist() == near([0.053, 0.0, 0.0])


def test_raised_before_paving_the_bump_needs_no_casting(make_structures, find):
    structures = make_structures(mill=0.04, overlay=0.05, casting_height=np.nan)
    millings = find(structures, rules=RuleSet(sequence=BEFORE)).millings
    assert millings.bump.tolist() == near([0.05])
    assert np.isnan(millings.hole[0])


def test_a_target_below_the_milled_road_is_no_bump(make_structures, make_roads, find):
    design = make_roads(height=99.95)
    millings = find(make_structures(mill=0.04), make_roads(), design, rules=RuleSet(sequence=BEFORE)).millings
    assert millings.bump.tolist() == [0.0]


def test_without_a_road_or_a_rim_nothing_is_known(make_structures, make_no_roads, make_roads, find):
    for roads in (make_no_roads(), make_roads(height=np.nan)):
        millings = find(make_structures(rim=100.0, mill=0.04, existing_chimney=0.2), roads).millings
        assert millings.lower_how.tolist() == [UNKNOWN]
        for name in ("milled", "lower_by", "bump", "hole", "plate_high"):
            assert np.isnan(getattr(millings, name)[0]), name


def twin(structures, rules, road, milled, target, rim):
    """Brute force: the lowest and the highest gap of 7200 places on the edge, the rules in words."""
    azimuth = np.arange(7200) * (2 * np.pi / 7200)
    e, n = 0.33 * np.sin(azimuth), 0.33 * np.cos(azimuth)

    def height(model):
        flat = model.height[0] + model.slope_east[0] * e + model.slope_north[0] * n
        across = e * np.sin(model.fold_azimuth[0]) + n * np.cos(model.fold_azimuth[0]) - model.fold_offset[0]
        return flat + model.fold[0] * np.maximum(across, 0.0)

    def plane_of(z):
        return np.linalg.lstsq(np.stack([np.ones_like(e), e, n], axis=1), z, rcond=None)[0]

    today = plane_of(height(road))
    steep = np.sqrt(1 + today[1] ** 2 + today[2] ** 2)
    cover = rim + today[1] * e + today[2] * n
    gaps = cover - height(milled)
    down = max(gaps.max() + rules.milling_clearance, 0.0)
    chimney, casting = structures.existing_chimney[0], structures.casting_height[0]
    on_stack = casting * steep - rules.plate_thickness
    tall = on_stack + (0.0 if np.isnan(chimney) else chimney)
    seats = not structures.bearing_inside_diameter[0] + 0.05 > rules.plate_diameter
    moved = 0.0
    how = UNKNOWN
    if down > 0:
        if chimney >= down:
            how, moved = RINGS_OUT, down
        elif seats and tall >= down:
            how, moved = PLATE, on_stack if on_stack >= down else tall
        else:
            how = AROUND
    above = target[0] + target[1] * e + target[2] * n - height(milled)
    bump = max((above if rules.sequence == BEFORE else gaps - moved).max(), 0.0)
    return down, how, bump, max((moved - gaps).max(), 0.0)


KNOWN = st.fixed_dictionaries(
    {
        "gap": st.floats(-0.08, 0.08),
        "mill": st.floats(0.01, 0.25),
        "existing_chimney": st.sampled_from([np.nan, 0.0, 0.05, 0.12, 0.3]),
        "casting_height": st.sampled_from([0.1, 0.2]),
        "bearing_inside_diameter": st.sampled_from([np.nan, 0.6, 0.86]),
    }
)
BENT = st.fixed_dictionaries(
    {"fold": st.floats(-0.1, 0.1), "fold_azimuth": ANGLES, "fold_offset": st.floats(-0.4, 0.4)}
)


@given(known=KNOWN, slopes=st.tuples(*[SLOPES] * 4), bent=BENT, sequence=st.sampled_from(SEQUENCES))
@settings(max_examples=100, deadline=None)
def test_a_brute_force_twin(make_structures, make_roads, find, known, slopes, bent, sequence):
    """The milled road is any folded plane; today's road another one, the finished a third."""
    mill, chimney, casting = known["mill"], known["existing_chimney"], known["casting_height"]
    road = make_roads(slope_east=slopes[0], slope_north=slopes[1], **bent)
    milled = make_roads(height=100.0 - mill, slope_east=slopes[2], slope_north=slopes[3], **bent)
    finished = make_roads(height=100.05 - mill, slope_east=slopes[3], slope_north=slopes[0])
    structures = make_structures(frame_top_diameter=0.66, **known)
    rules = RuleSet(sequence=sequence)
    found = find(structures, road, finished, milled=milled, rules=rules)
    target = found.rims.target[0], found.rims.target_slope_east[0], found.rims.target_slope_north[0]
    down, how, bump, hole = twin(structures, rules, road, milled, target, found.rims.existing_rim[0])
    # 7200 places miss an extreme at a kink by at most half a step of the steepest edge
    miss = 1.0 * 0.33 * np.pi / 7200 + 1e-6
    millings = found.millings
    assert millings.lower_by[0] == near(down, miss)
    edges = [chimney, casting - 0.025, casting - 0.025 + (0.0 if np.isnan(chimney) else chimney)]
    if all(abs(down - edge) > 0.003 for edge in (0.0, *(edge for edge in edges if np.isfinite(edge)))):
        assert millings.lower_how[0] == how
        assert millings.bump[0] == near(bump, miss)
        assert millings.hole[0] == near(hole, miss)
