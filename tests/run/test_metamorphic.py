"""The same town seen otherwise gives the same work: moved, turned, mirrored, raised, in feet, in another order, in
chunks. And what follows from another: a lower bearing makes a higher chimney, all else the same.

Ground metres are map metres here (a site grid), so nothing but the view changes. Figures are stored to 0.001 mm; ones
that come from square roots and angles are compared a little wider. Seeds are drawn by hypothesis.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.run.towns import COVERS, UNITS, View, make_town, raised, run_town

SEEDS = st.integers(0, 2**31)
FEW = settings(
    max_examples=int(os.environ.get("GEOADJUST_EXAMPLES", "8")), deadline=None, suppress_health_check=list(HealthCheck)
)
WORDS = (
    "structure_id",
    "kind",
    "rim_basis",
    "action",
    "road_shape",
    "method",
    "stack",
    "stack_policy",
    "liner",
    "ready",
)
COUNTS = ("samples", "samples_left_out", "ring_count")
HEIGHTS = ("existing_m", "finished_m", "existing_rim_m", "target_rim_m", "milled_m", "bearing_m")
TURNED = ("uphill_deg", "axis_deg", "long_side_deg")
SAME = (
    "gap_mm", "raise_mm", "grade_pct", "slope_pct", "coverage_pct", "fit_rms_mm", "lower_by_mm", "chimney_mm",
    "chimney_min_mm", "chimney_max_mm", "rough_cut_mm", "foot_shift_mm", "stack_misfit_mm", "raise_sd_mm",
    "chimney_sd_mm", "p_keep_pct", "p_chimney_pct", "p_rebuild_pct", "gap_max_mm", "gap_min_mm", "gap_mean_mm",
)  # fmt: skip
LEVEL = 0.05
"""Slope [%] under which a direction says nothing."""


def both(seed: int, view: View, **options: Any) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of a town as it is, and in a view."""
    town = make_town(seed)
    with tempfile.TemporaryDirectory() as folder:
        return run_town(Path(folder, "plain"), town), run_town(Path(folder, "seen"), town, view, **options)


def check(plain: list[dict[str, Any]], seen: list[dict[str, Any]], view: View, within: float = 0.002) -> None:
    """All columns of the same structures; `within` is in the unit of the column, mm or 0.01 %."""
    for before, after in zip(plain, seen, strict=True):
        for name in WORDS + COUNTS:
            assert after[name] == before[name], name
        assert set(after["flags"].split()) == set(before["flags"].split())
        for name in SAME:
            same = None if before[name] is None else pytest.approx(before[name], abs=within, rel=1e-6)
            assert after[name] == same, name
        side = -1.0 if view.mirror else 1.0
        assert after["cross_slope_pct"] == pytest.approx(side * before["cross_slope_pct"], abs=1e-4)
        for name in HEIGHTS:
            expected = None if before[name] is None else pytest.approx(before[name] + view.up, abs=1e-3 * within)
            assert after[name] == expected, name
        for name in TURNED:
            if before[name] is not None and (name == "axis_deg" or before["slope_pct"] > LEVEL):
                turned = view.azimuth(before[name]) - after[name]
                assert abs((turned + 180) % 360 - 180) < 0.02, name


@FEW
@given(SEEDS, st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_moved(seed: int, east: float, north: float) -> None:
    view = View(east=east, north=north)
    check(*both(seed, view), view)


@FEW
@given(SEEDS, st.floats(0, 360))
def test_turned(seed: int, turn: float) -> None:
    view = View(turn=turn)
    check(*both(seed, view), view)


@FEW
@given(SEEDS, st.floats(0, 360))
def test_mirrored_and_turned(seed: int, turn: float) -> None:
    """Seen in a mirror the cross slope changes its sign; a tapered ring turns the other way, so stacks may differ."""
    view = View(mirror=True, turn=turn)
    plain, seen = both(seed, view)
    for before, after in zip(plain, seen, strict=True):
        if "taper" in (before["stack"] or "") + (after["stack"] or ""):
            after |= {name: before[name] for name in ("stack", "ring_count", "stack_misfit_mm", "flags", "ready")}
    check(plain, seen, view)


@FEW
@given(SEEDS, st.floats(-90, 4000))
def test_raised(seed: int, up: float) -> None:
    view = View(up=up)
    check(*both(seed, view), view)


@FEW
@given(SEEDS, st.sampled_from(sorted(UNITS)))
def test_in_another_unit(seed: int, unit: str) -> None:
    view = View(unit=unit)
    check(*both(seed, view), view)


@FEW
@given(SEEDS, st.permutations(range(COVERS)), st.integers(1, 5))
def test_in_another_order_and_in_chunks(seed: int, order: list[int], chunk: int) -> None:
    view = View(order=tuple(order))
    check(*both(seed, view, chunk=chunk), view, within=1e-9)


@FEW
@given(SEEDS, st.floats(0, 360), st.floats(-1e6, 1e6), st.floats(-50, 2000), st.sampled_from(sorted(UNITS)))
def test_all_at_once(seed: int, turn: float, east: float, up: float, unit: str) -> None:
    view = View(turn=turn, east=east, north=-east, up=up, unit=unit, order=tuple(reversed(range(COVERS))))
    check(*both(seed, view), view)


@FEW
@given(SEEDS, st.floats(0.001, 0.2))
def test_a_lower_bearing_makes_the_chimney_higher_by_just_that(seed: int, metres: float) -> None:
    town = make_town(seed)
    with tempfile.TemporaryDirectory() as folder:
        plain, lower = run_town(Path(folder, "a"), town), run_town(Path(folder, "b"), raised(town, metres))
    for before, after in zip(plain, lower, strict=True):
        for name in ("raise_mm", "gap_mm", "target_rim_m", "slope_pct", "grade_pct", "fit_rms_mm"):
            assert after[name] == before[name], name
        if None not in (before["chimney_mm"], after["chimney_mm"]):
            for name in ("chimney_mm", "chimney_min_mm", "chimney_max_mm"):
                assert after[name] - before[name] == pytest.approx(1000 * metres, abs=0.003), name


def test_a_town_has_work_of_several_kinds(tmp_path: Path) -> None:
    """The properties above say something: chimneys, stacks and breaks occur."""
    rows = [row for seed in range(12) for row in run_town(tmp_path / str(seed), make_town(seed))]
    assert len({row["method"] for row in rows}) >= 4
    assert {row["road_shape"] for row in rows} == {"plane", "break"}
    assert sum(row["chimney_mm"] is not None for row in rows) > 40
    assert sum("taper" in (row["stack"] or "") for row in rows) > 3
