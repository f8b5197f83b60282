"""Verdicts: what each limit lets pass, what is said of two roads, and how good the figures are."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import READY, SEVERITIES
from geoadjust.core.flags import FLAGS
from geoadjust.core.judge import Setting, edge_sd
from geoadjust.core.parts import Catalogue, RingPart
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet

PARTS = Catalogue(ring=(RingPart("R", 0.05),))


def near(expected, off=1e-6):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def ready_of(found, row=0):
    return READY[found.verdicts.ready[row]]


def severity_of(found, row=0):
    return SEVERITIES[found.verdicts.severity[row]]


# --- readiness and severity


def test_a_cover_that_may_stay_with_certainty_needs_no_measuring(make_structures, find):
    """Gap 0 within 6 mm, known to 2 mm: 99.7 % that it may stay."""
    found = find(make_structures(gap=0.0, bearing=99.5))
    assert ready_of(found) == "order"
    assert found.notes() == {}


@pytest.mark.parametrize(
    ("fields", "ready", "severity"),
    [
        ({}, "measure", "info"),  # nothing known but the road: plan with it
        ({"casting_height": np.nan}, "measure", "warn"),
        ({"rim": 101.0}, "review", "warn"),
        ({"kind": 4}, "review", "stop"),
        ({"kind": 1}, "review", "warn"),  # which side is the street?
        ({"other_owner": True}, "review", "warn"),
        ({"bearing": 99.3}, "review", "warn"),
    ],
)
def test_the_worst_note_decides(make_structures, find, fields, ready, severity):
    found = find(make_structures(**fields), catalogue=PARTS)
    assert (ready_of(found), severity_of(found)) == (ready, severity)


def test_no_raise_no_readiness(make_structures, make_roads, make_no_roads, find):
    """Whatever is missing: the road, the design, or both; a monument too."""
    some = make_structures(4, rim=100.0, kind=[0, 0, 0, 4])
    lost = np.array([np.nan, 100.0, np.nan, np.nan])
    design = np.array([100.0, np.nan, np.nan, np.nan])
    found = find(some, make_roads(4, height=lost), make_roads(4, height=design))
    assert np.isnan(found.rims.raise_[1:]).all()
    assert [READY[index] for index in found.verdicts.ready[1:]] == ["unknown"] * 3


def test_nobody_may_order_or_cut_from_the_office(make_structures, make_roads, find):
    rng = np.random.default_rng(3)
    n = 200
    some = make_structures(
        n, kind=rng.integers(0, 5, n), rim=rng.choice([np.nan, 100.0, 100.02, 0.0], n),
        bearing=rng.choice([np.nan, 99.7, 99.2, 0.0], n), overlay=rng.choice([0.0, 0.04, 0.1], n),
    )  # fmt: skip
    found = find(some, make_roads(n, slope_east=rng.choice([0.0, 0.02, 0.15], n)), catalogue=PARTS)
    assert READY.index("order") not in found.verdicts.ready
    # readiness and severity are the worst of the reasons, counted here by hand
    for row in range(n):
        flags = [FLAGS[code] for code in found.reasons.code[found.reasons.row == row]]
        assert found.verdicts.severity[row] == max([flag.severity for flag in flags], default=0)
        assert found.verdicts.ready[row] == max([flag.ready for flag in flags], default=READY.index("measure"))


def test_reasons_carry_the_input_row(make_structures, find):
    found = find(make_structures(3, row=[50, 7, 9], rim=[100.0, 101.0, 100.0]))
    assert set(found.reasons.row.tolist()) == {50, 7, 9}
    assert "rim_disagrees" in found.notes(7)
    assert "rim_disagrees" not in found.notes(50)
    assert found.reasons.row.tolist() == sorted(found.reasons.row.tolist(), key=[50, 7, 9].index)


def test_one_entry_per_row_and_flag(make_structures, make_roads, find):
    found = find(make_structures(2), make_roads(2, slope_east=0.2, rms=0.05, left_out=400))
    pairs = list(zip(found.reasons.row.tolist(), found.reasons.code.tolist(), strict=True))
    assert len(set(pairs)) == len(pairs)


def test_the_same_road_is_not_told_twice(make_structures, make_roads, find):
    """Finished = existing - mill + overlay is the existing road read once."""
    found = find(make_structures(mill=0.04, overlay=0.05), make_roads(rms=0.03))
    assert [FLAGS[code].code for code in found.reasons.code].count("rough_road") == 1


def test_a_bad_design_is_told_too(make_structures, make_roads, find):
    found = find(make_structures(), make_roads(), make_roads(rms=0.03, samples=401))
    assert found.notes()["rough_road"] == near((30.0, 10.0))


# --- limits, from both sides


@pytest.mark.parametrize(
    ("code", "inside", "outside", "value", "limit"),
    [
        ("rough_road", {"rms": 0.010 - 2e-6}, {"rms": 0.010 + 2e-6}, 10.002, 10.0),
        ("steep", {"slope_east": 0.1 - 2e-6}, {"slope_east": 0.1 + 2e-6}, 10.0002, 10.0),
        ("edge_in_ring", {"samples": 75, "left_out": 25}, {"samples": 74, "left_out": 26}, 26.0, 25.0),
        # 3 mm is half the tolerance
        (
            "ring_gap", {"covariance": np.diag([(0.003 - 2e-6) ** 2, 0, 0])},
            {"covariance": np.diag([(0.003 + 2e-6) ** 2, 0, 0])}, 3.002, 3.0,
        ),
        ("ring_widened", {"spacing": 0.5}, {"spacing": 1.0, "widened": True}, 1000.0, np.nan),
    ],
)  # fmt: skip
def test_limits_on_the_road(make_structures, make_roads, find, code, inside, outside, value, limit):
    assert code not in find(make_structures(), make_roads(**inside)).notes()
    assert find(make_structures(), make_roads(**outside)).notes()[code] == near((value, limit), 1e-5)


@pytest.mark.parametrize(
    ("none", "code", "numbers"),
    [
        ({"spacing": 2.0}, "surface_too_coarse", (2000.0, 1250.0)),
        ({"spacing": 2.0, "samples": 3}, "surface_too_coarse", (2000.0, 1250.0)),
        ({}, "no_surface", (np.nan, np.nan)),
        ({"samples": 5, "pattern": 10}, "few_samples", (5.0, 8.0)),  # never fewer than eight
        ({"samples": 30, "pattern": 75}, "few_samples", (30.0, 38.0)),  # half of the ring, rounded up
    ],
)
def test_why_there_is_no_road(make_structures, make_no_roads, find, none, code, numbers):
    notes = find(make_structures(), make_no_roads(**none)).notes()
    assert notes[code] == near(numbers)
    assert len({"surface_too_coarse", "no_surface", "few_samples"} & set(notes)) == 1


def test_the_owner_s_limits_are_used(make_structures, make_roads, find):
    roads = make_roads(slope_east=0.12, rms=0.015, samples=70, left_out=30)
    wide = {"rules": RuleSet(steep=0.2), "setting": Setting(Ring(max_left_out=0.4), 0.02)}
    assert {"steep", "rough_road", "edge_in_ring"} <= set(find(make_structures(), roads).notes())
    assert not {"steep", "rough_road", "edge_in_ring"} & set(find(make_structures(), roads, **wide).notes())


@pytest.mark.parametrize(
    ("offset", "under"), [(0.0, True), (0.329, True), (-0.329, True), (0.331, False), (-0.331, False)]
)
def test_a_break_is_told_where_it_runs_under_the_cover(make_structures, make_roads, find, offset, under):
    roads = make_roads(slope_east=0.02, fold=-0.04, fold_azimuth=np.pi / 2, fold_offset=offset)
    assert ("crown_under_cover" in find(make_structures(), roads).notes()) == under


def test_the_crown_s_number_is_the_worst_gap(make_structures, make_roads, find):
    """z = -.02 |e| under a 660 mm frame: 2 c R / pi = 4.2017 mm LOW on the crown line, 2.3983 PROUD at the sides."""
    roads = make_roads(slope_east=0.02, fold=-0.04, fold_azimuth=np.pi / 2)
    assert find(make_structures(), roads).notes()["crown_under_cover"][0] == near(4.2017, 5e-5)
    recessed = find(make_structures(), roads, rules=RuleSet(recess=0.01))
    assert recessed.notes()["crown_under_cover"][0] == near(4.2017, 5e-5)  # what the break does, not what was chosen


# --- rim and castings


@pytest.mark.parametrize(
    ("fields", "missing"),
    [
        ({}, True),
        ({"rim": 100.0}, False),
        ({"gap": 0.0}, False),
        ({"claimed_basis": 2}, False),
        ({"claimed_basis": 0}, False),
    ],
)
def test_a_rim_is_missed_where_one_was_promised(make_structures, find, fields, missing):
    assert ("rim_missing" in find(make_structures(**fields)).notes()) == missing


@pytest.mark.parametrize(("claimed", "told"), [(0, False), (1, True), (2, False)])
def test_a_rim_that_nobody_claims_cannot_disagree(make_structures, find, claimed, told):
    assert ("rim_disagrees" in find(make_structures(claimed_basis=claimed, rim=101.0)).notes()) == told


def test_a_bearing_far_off_is_told_with_its_depth(make_structures, find):
    assert find(make_structures(bearing=98.0)).notes()["bearing_disagrees"] == near((2000.0, 1200.0))
    assert find(make_structures(bearing=100.25)).notes()["bearing_disagrees"][0] == near(-250.0)
    assert "bearing_disagrees" not in find(make_structures(bearing=99.5)).notes()


def test_size_assumed_tells_the_size(make_structures, find):
    assert find(make_structures(size_known=False, flange_diameter=0.915)).notes()["casting_size_assumed"][0] == near(
        915.0
    )


# --- sd on the frame's edge


@pytest.mark.parametrize(
    ("covariance", "sd"),
    [
        (np.diag([4e-6, 0, 0]), 0.002),  # height alone
        (np.diag([0, 9e-6, 0]), 0.33 * 0.003),  # a tilt to the east, at the east end
        (np.diag([4e-6, 9e-6, 1e-6]), np.sqrt(4e-6 + 0.33**2 * 9e-6)),
        (1e-6 * np.array([[1, 0.5, 0], [0.5, 1, 0], [0, 0, 0]]), np.sqrt(1e-6 * (1 + 0.33**2 + 2 * 0.33 * 0.5))),
        (1e-6 * np.array([[1, 0, -0.5], [0, 0, 0], [-0.5, 0, 1]]), np.sqrt(1e-6 * (1 + 0.33**2 + 2 * 0.33 * 0.5))),
    ],
)
def test_edge_sd_in_closed_form(make_roads, covariance, sd):
    assert edge_sd(make_roads(covariance=covariance), np.array([0.33])).tolist() == near([sd], 1e-12)


@given(st.lists(st.floats(-1, 1), min_size=9, max_size=9), st.floats(0.05, 1.5))
@settings(max_examples=50, deadline=None)
def test_edge_sd_equals_a_dense_search(make_roads, numbers, radius):
    half = 1e-3 * np.array(numbers).reshape(3, 3)
    covariance = half @ half.T
    azimuth = np.arange(3600) * (2 * np.pi / 3600)
    basis = np.stack([np.ones_like(azimuth), radius * np.sin(azimuth), radius * np.cos(azimuth)])
    dense = np.sqrt(np.maximum(np.einsum("ik,ij,jk->k", basis, covariance, basis), 0).max())
    found = edge_sd(make_roads(covariance=covariance), np.array([radius]))[0]
    assert 0.98 * dense - 1e-12 <= found <= dense + 1e-12  # 16 places; at most 11.25 degrees off: cos^2 > 0.96


def test_verdicts_have_one_row_each(make_structures, find):
    found = find(make_structures(5))
    assert {len(getattr(found.verdicts, item.name)) for item in fields(found.verdicts)} == {5}


@pytest.mark.parametrize("lost", ["none", "rough"])
def test_a_flag_of_both_roads_stands_once(make_structures, make_roads, make_no_roads, find, lost):
    if lost == "none":
        roads = (make_no_roads(), make_no_roads())
    else:
        roads = (make_roads(rms=0.03), make_roads(rms=0.05))
    found = find(make_structures(), *roads)
    codes = [FLAGS[code].code for code in found.reasons.code]
    assert len(set(codes)) == len(codes)
    if lost == "rough":
        assert found.notes()["rough_road"][0] == pytest.approx(50.0)
