"""Whole runs of every way to bring a casting to grade, read back by sqlite3; each figure by plain arithmetic.

The street runs grid north on the central meridian of its UTM zone, where a metre on the map is 1 / 0.9996 m on the
ground and grid north is true north. The road rises 3 % (on the map) along it and falls 2 % to both sides of the crown.
Milling 40 mm, overlay 50 mm: a cover that lies flush goes up by 10 mm, and its tilt stays.
"""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
from shapely.geometry import LineString, Point

PLACE = (500_000.0, 4_500_000.0)
SCALE = 0.9996
GRADE, FALL = 0.03 * SCALE, 0.02 * SCALE  # on the ground [m/m]
SLOPE = math.hypot(GRADE, FALL)
JOINT, CLEARANCE, ROUGH = 6.0, 13.0, 115.0  # of the example rules [mm]

PARTS = """
[[casting]]
id = "cover"
height = "180 mm"
frame_top_diameter = "660 mm"
flange_outside_diameter = "860 mm"
flange_inside_diameter = "610 mm"
ridge_diameter = 0
[[casting]]
id = "grate"
height = "150 mm"
frame_top_diameter = "450x600 mm"
flange_outside_diameter = "560x710 mm"
[[ring]]
id = "flat-100"
thickness = "100 mm"
outside_diameter = "900 mm"
inside_diameter = "610 mm"
[[ring]]
id = "taper-20-50"
thin = "20 mm"
thick = "50 mm"
outside_diameter = "900 mm"
inside_diameter = "610 mm"
turn_step = 15
[[liner]]
id = "tube"
outside_diameter = "700 mm"
inside_diameter = "600 mm"
height = "500 mm"
"""
RULES = """
[[rules]]
name = "walked on"
pedestrian = "yes"
max_cross_slope = "1 %"
max_grade = "5 %"
[[rules]]
name = "old stacks stay"
streets = ["Old Street"]
existing_stack = "add_on_top"
[[rules]]
name = "all others"
"""
ACCURATE = (
    "surface.accuracy='1 mm'",
    "structures.rim_accuracy='1 mm'",
    "structures.xy_accuracy='10 mm'",
    "structures.gap_accuracy='1 mm'",
    "structures.tape_accuracy='1 mm'",
    "structures.casting_accuracy='1 mm'",
    "finished.mill_accuracy='1 mm'",
    "finished.overlay_accuracy='1 mm'",
)

COVERS: dict[str, dict[str, Any]] = {
    "tapered": {"at": (6, -12), "rim": 100 - 0.03 * 12 - 0.02 * 6, "existing_chimney": 144},
    "lined": {"at": (6, -6), "existing_chimney": 60, "bearing_outside_diameter": 900, "bearing_inside_diameter": 600},
    "added": {
        "at": (6, 0),
        "existing_chimney": 120,
        "street": "Old Street",
        "overlay": 146,
        "chimney_condition": "good",
        "existing_rings": 1,
    },
    "both": {
        "at": (6, 6),
        "existing_chimney": 48,
        "street": "Old Street",
        "overlay": 146,
        "chimney_condition": "unknown",
        "existing_rings": 1,
    },
    "inlet": {"at": (-6, -6), "kind": "inlet", "casting": "grate", "existing_chimney": 100},
    "outside": {"at": (-6, 0), "paved": "no"},
    "crosswalk": {"at": (-6, 6), "pedestrian": "yes", "existing_chimney": 144},
}
NUMBERS = ("rim", "gap", "existing_chimney", "overlay", "existing_rings")
SIZES = ("bearing_outside_diameter", "bearing_inside_diameter")
WORDS = ("kind", "casting", "street", "chimney_condition", "paved", "pedestrian")


def street_line(site: Any) -> None:
    line = LineString([(PLACE[0], PLACE[1] - 50), (PLACE[0], PLACE[1] + 50)])
    geopandas.GeoDataFrame({"a": [1]}, geometry=[line], crs="EPSG:32617").to_file(site.folder / "streets.gpkg")
    site.flags[("centrelines", "path")] = str(site.folder / "streets.gpkg")


def mixed_site(site: Any) -> Any:
    """One cover of each kind of work; all lie flush (gap 0) but `tapered`, whose rim was surveyed."""
    site.road(lambda e, n: 100 + 0.03 * n - 0.02 * np.abs(e))
    base = {"gap": 0.0, "casting": "cover", "kind": "manhole"}
    rows = [{**base, **cover} for cover in COVERS.values()]
    rows[0]["gap"] = None
    table: dict[str, list[Any]] = {"id": list(COVERS)}
    table |= {name: [row.get(name, math.nan) for row in rows] for name in (*NUMBERS, *SIZES)}
    table |= {name: [row.get(name, "") for row in rows] for name in WORDS}
    site.structures(table, [Point(PLACE[0] + row["at"][0], PLACE[1] + row["at"][1]) for row in rows])
    street_line(site)
    for table_name, key, text in (("catalogue", "parts.toml", PARTS), ("rules", "rules.toml", RULES)):
        (site.folder / key).write_text(text)
        site.flags[(table_name, "path")] = str(site.folder / key)
    site.flags |= {
        ("structures", "vertical_unit"): "m",
        ("structures", "dimension_unit"): "mm",
        ("finished", "mill"): "40 mm",
        ("finished", "overlay"): "50 mm",
    }
    return site


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture(scope="module")
def mixed(make_site: Any) -> Any:
    """The site after its run with stated accuracies."""
    site = mixed_site(make_site())
    site.run(*ACCURATE)
    return site


@pytest.fixture(scope="module")
def rows(mixed: Any) -> dict[str, dict[str, Any]]:
    """Rows of the layer by name."""
    return {row["structure_id"]: row for row in mixed.table("schedule")}


def parts_of(site: Any, name: str, policy: str | None = None) -> list[dict[str, Any]]:
    """Stack parts of one cover, of one policy where it has both, bottom to top."""
    parts = [part for part in site.table("stack_parts") if part["structure_id"] == name]
    parts = [part for part in parts if policy in (None, part["policy"])]
    return sorted(parts, key=lambda part: part["position"])


def told(parts: list[dict[str, Any]]) -> list[str]:
    return [part["part"] or part["kind"] for part in parts]


def total(parts: list[dict[str, Any]]) -> float:
    return float(sum(part["thickness_mm"] for part in parts))


def heights_of(site: Any, name: str) -> tuple[dict[str, Any], list[float]]:
    """Row of the table of ordinates, and its heights."""
    (row,) = (row for row in site.table("ordinates") if row["structure_id"] == name)
    return row, [row[f"h{i:02d}_mm"] for i in range(1, 17)]


# ---------------------------------------------------------------- road and raise


def test_each_cover_goes_its_way(rows: dict[str, dict[str, Any]]) -> None:
    assert {name: row["method"] for name, row in rows.items()} == {
        "tapered": "rings",
        "lined": "liner",
        "added": "rings",
        "both": "rings",
        "inlet": "adjust",
        "outside": "not_paved",
        "crosswalk": "rings",
    }
    assert {row["axis_source"] for row in rows.values()} == {"centreline"}


def test_raise_is_overlay_less_milling(rows: dict[str, dict[str, Any]]) -> None:
    wanted = dict.fromkeys(COVERS, 10.0) | {"added": 106.0, "both": 106.0, "outside": 0.0}
    assert {name: row["raise_mm"] for name, row in rows.items()} == pytest.approx(wanted, abs=2e-3)


def test_slopes_of_the_street(rows: dict[str, dict[str, Any]]) -> None:
    for name, row in rows.items():
        side = math.copysign(1, COVERS[name]["at"][0])  # the road falls to the right on the right side
        assert row["slope_pct"] == pytest.approx(100 * SLOPE, abs=1e-5), name
        assert row["grade_pct"] == pytest.approx(100 * GRADE, abs=1e-5)
        assert row["cross_slope_pct"] == pytest.approx(-side * 100 * FALL, abs=1e-5)
        assert row["uphill_deg"] == pytest.approx(math.degrees(math.atan2(-side * FALL, GRADE)) % 360, abs=1e-4)


# ---------------------------------------------------------------- rings


def test_tapered_rings(mixed: Any, rows: dict[str, dict[str, Any]]) -> None:
    # chimney 144 + 10; the ring's 30/900 is turned to 330 deg, the multiple of 15 that is nearest to uphill at 326.3
    row, parts = rows["tapered"], parts_of(mixed, "tapered")
    assert row["rim_basis"] == "surveyed"
    assert row["chimney_mm"] == pytest.approx(154.0, abs=2e-3)
    assert told(parts) == ["joint", "flat-100", "joint", "taper-20-50", "joint"]
    taper, turn = 30 / 900, math.radians(330)
    left = math.hypot(-FALL - taper * math.sin(turn), GRADE - taper * math.cos(turn))
    assert row["bedding_wedge_mm"] == pytest.approx(860 * left, abs=2e-3)
    assert (parts[3]["taper"], parts[3]["turn_deg"]) == (pytest.approx(taper, abs=1e-9), pytest.approx(330, abs=1e-6))
    thickness = 3 * JOINT + 100 + 35 + 860 * left / 2
    assert row["stack_misfit_mm"] == pytest.approx(thickness - 154.0, abs=2e-3)
    assert total(parts) == pytest.approx(thickness, abs=2e-3)
    assert row["stack"] == "flat-100 + taper-20-50 (thick side 330 deg)"
    assert row["remark"] == f"Raise 10 mm: new rings on the bearing, bottom to top: {row['stack']}."


def test_what_remains_of_the_tapered_stack(rows: dict[str, dict[str, Any]]) -> None:
    # the bedding takes all of the slope that is left, so the cover is as much too high as the stack is
    row = rows["tapered"]
    for name in ("gap_max_mm", "gap_min_mm", "gap_mean_mm", "gap_along_mm", "gap_across_mm"):
        assert row[name] == pytest.approx(row["stack_misfit_mm"], abs=2e-3)


def test_added_rings(mixed: Any, rows: dict[str, dict[str, Any]]) -> None:
    # overlay 146 - milling 40 = 106 = one ring and one joint; no slope changes; on the old 120 that is 226
    row, parts = rows["added"], parts_of(mixed, "added")
    assert (row["rule_set"], row["stack_policy"], row["stack"]) == ("old stacks stay", "add_on_top", "flat-100")
    assert (row["other_stack"], row["ring_count"]) == (None, 1)
    assert row["stack_change_mm"] == pytest.approx(106.0, abs=2e-3)
    assert row["chimney_mm"] == pytest.approx(226.0, abs=2e-3)
    assert row["stack_misfit_mm"] == pytest.approx(0.0, abs=2e-3)
    assert told(parts) == ["old_stack", "joint", "flat-100", "joint"]
    assert [part["thickness_mm"] for part in parts] == pytest.approx([114, 6, 100, 6], abs=2e-3)
    assert {part["policy"] for part in parts} == {"add_on_top"}
    assert row["remark"] == "Raise 106 mm: rings on the old stack, bottom to top: flat-100."


def test_an_unknown_condition_gets_both_stacks(mixed: Any, rows: dict[str, dict[str, Any]]) -> None:
    # 48 + 106 = 154, which is the tapered stack again; on the old one the same ring as above
    row = rows["both"]
    assert "condition_unknown" in row["flags"].split()
    assert (row["stack_policy"], row["stack"]) == ("replace_all", rows["tapered"]["stack"])
    assert row["other_stack"] == "flat-100"
    whole, added = (parts_of(mixed, "both", policy) for policy in ("replace_all", "add_on_top"))
    assert told(whole) == told(parts_of(mixed, "tapered"))
    assert total(whole) == pytest.approx(row["chimney_mm"] + row["stack_misfit_mm"], abs=4e-3)
    assert told(added) == ["old_stack", "joint", "flat-100", "joint"]
    assert total(added) == pytest.approx(42 + 6 + 100 + 6, abs=4e-3)


# ---------------------------------------------------------------- cut parts


def test_a_liner_and_its_cut(mixed: Any, rows: dict[str, dict[str, Any]]) -> None:
    # chimney 60 + 10, less two joints and half the wall's 50 mm times the slope; swing on the mean radius of 325 mm
    row, (bottom, tube, top) = rows["lined"], parts_of(mixed, "lined")
    assert (row["liner"], row["stack"], row["ring_count"]) == ("tube", None, None)
    middle = 70 - 2 * JOINT - 25 * SLOPE
    assert told([bottom, tube, top]) == ["joint", "tube", "joint"]
    assert (bottom["thickness_mm"], tube["thickness_mm"]) == (JOINT, pytest.approx(middle, abs=2e-3))
    assert top["thickness_mm"] == pytest.approx(JOINT + 25 * SLOPE, abs=2e-3)
    assert total([bottom, tube, top]) == pytest.approx(row["chimney_mm"], abs=2e-3)
    assert row["chimney_mm"] == pytest.approx(70.0, abs=2e-3)
    assert row["rough_cut_mm"] == pytest.approx(middle + 325 * SLOPE + ROUGH, abs=2e-3)
    cut, heights = heights_of(mixed, "lined")
    assert (cut["basis"], cut["k"], cut["radius_mm"], cut["wrap_mm"]) == ("height", 16, 325.0, 350.0)
    assert (cut["mark_deg"], cut["width_mm"], cut["length_mm"]) == (pytest.approx(0, abs=1e-5), None, None)
    for i, height in enumerate(heights):
        azimuth = math.radians(22.5 * i)
        slope = -FALL * math.sin(azimuth) + GRADE * math.cos(azimuth)
        assert height == pytest.approx(middle + 325 * slope, abs=3e-3)


def test_a_rectangular_inlet(mixed: Any, rows: dict[str, dict[str, Any]]) -> None:
    # left of the crown the road rises 2 % to the east; the frame lies along the street: 560 across, 710 along
    row = rows["inlet"]
    assert "measure_on_site" in row["flags"].split()
    assert row["chimney_mm"] == pytest.approx(110.0, abs=2e-3)
    across, along = 280 * FALL, 355 * GRADE
    assert row["chimney_max_mm"] == pytest.approx(110 + across + along, abs=2e-3)
    assert row["chimney_min_mm"] == pytest.approx(110 - across - along, abs=2e-3)
    assert row["long_side_deg"] == pytest.approx(math.degrees(math.atan2(280, 355)), abs=1e-3)  # a corner
    cut, heights = heights_of(mixed, "inlet")
    assert (cut["k"], cut["width_mm"], cut["length_mm"]) == (8, 560.0, 710.0)
    assert {cut["radius_mm"], cut["wrap_mm"], *heights[8:]} == {None}
    signs = [(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)]
    wanted = [110 - 2 * JOINT + right * across + ahead * along for right, ahead in signs]
    assert heights[:8] == pytest.approx(wanted, abs=3e-3)
    assert row["remark"] == "Raise 10 mm: add 10 mm to the chimney at the centre."


# ---------------------------------------------------------------- rules


def test_outside_the_paving_nothing_is_done(mixed: Any, rows: dict[str, dict[str, Any]]) -> None:
    row = rows["outside"]
    assert (row["finished_m"], row["target_rim_m"]) == (row["existing_m"], row["existing_rim_m"])
    assert (row["action"], row["ready"], row["lower_by_mm"]) == ("none", "order", 0.0)
    assert (row["remark"], row["flags"].split()[0]) == ("Outside the paving.", "not_paved")
    assert parts_of(mixed, "outside") == []


def test_a_pedestrian_route_has_its_own_limits(mixed: Any, rows: dict[str, dict[str, Any]]) -> None:
    assert {name for name, row in rows.items() if row["rule_set"] == "walked on"} == {"crosswalk"}
    assert {name for name, row in rows.items() if "cross_slope_past_limit" in row["flags"].split()} == {"crosswalk"}
    (reason,) = (reason for reason in mixed.table("reasons") if reason["code"] == "cross_slope_past_limit")
    assert (reason["unit"], reason["limit"]) == ("%", 1.0)
    assert abs(reason["value"]) == pytest.approx(100 * FALL, abs=1e-4)
    assert rows["crosswalk"]["ready"] == "review"
    assert not any("grade_past_limit" in row["flags"].split() for row in rows.values())  # 3 % of 5 %


def test_lowering_before_milling(rows: dict[str, dict[str, Any]]) -> None:
    # a flush rim stands 40 mm above the milled road and has the same slope
    for name, row in rows.items():
        if name != "outside":
            assert row["lower_by_mm"] == pytest.approx(40 + CLEARANCE, abs=2e-3), name
            assert row["milled_m"] == pytest.approx(row["existing_m"] - 0.040, abs=2e-6)
    assert rows["tapered"]["lower_how"] == "rings_out"  # 144 mm of them
    assert rows["both"]["lower_how"] == "casting_out_and_plate"  # 48 mm do not do


# ---------------------------------------------------------------- accuracy


def test_standard_deviations_are_those_of_the_parts(rows: dict[str, dict[str, Any]]) -> None:
    # surveyed: surface, rim, milling, overlay, and 10 mm of place on the slope; the road itself has no noise here
    place = 10 * SLOPE
    assert rows["tapered"]["raise_sd_mm"] == pytest.approx(math.sqrt(4 + place**2), abs=2e-3)
    assert rows["tapered"]["chimney_sd_mm"] == pytest.approx(math.sqrt(5 + place**2), abs=2e-3)  # and the tape
    # gap: gap, milling and overlay alone
    for name in ("lined", "added", "crosswalk"):
        assert rows[name]["raise_sd_mm"] == pytest.approx(math.sqrt(3), abs=1e-3), name
        assert rows[name]["chimney_sd_mm"] == pytest.approx(2.0, abs=1e-3)
    assert rows["outside"]["raise_sd_mm"] == 0.0
    for row in rows.values():
        assert sum(row[f"p_{name}_pct"] for name in ("keep", "riser", "chimney", "rebuild")) == pytest.approx(100)


def test_parts_can_be_ordered_where_the_accuracy_will_do(rows: dict[str, dict[str, Any]]) -> None:
    # 95 % of a normal value lie within 1.96 sd; the stack's misfit and that must stay within the tolerance of 6 mm
    for name in ("tapered", "added"):
        assert abs(rows[name]["stack_misfit_mm"]) + 1.96 * rows[name]["chimney_sd_mm"] < 6
    ready = {name: row["ready"] for name, row in rows.items()}
    assert {name for name in ready if ready[name] == "order"} == {"tapered", "lined", "added", "outside"}
    assert {name for name in ready if ready[name] == "review"} == {"inlet", "crosswalk"}
    assert ready["both"] == "measure"


def test_without_the_surfaces_accuracy_a_surveyed_rim_is_measured_again(site: Any) -> None:
    found = {row["structure_id"]: row for row in mixed_site(site).run(*ACCURATE[1:])}
    assert found["tapered"]["raise_sd_mm"] is None
    assert [found["tapered"][f"p_{name}_pct"] for name in ("keep", "riser", "chimney", "rebuild")] == [None] * 4
    assert "accuracy_unknown" in found["tapered"]["flags"].split()
    assert found["tapered"]["ready"] == "measure"
    # a gap that was measured on site does not rest on the surface's datum
    assert found["added"]["ready"] == "order"
    assert "accuracy_unknown" not in found["added"]["flags"].split()


def test_coarser_figures_are_measured_again(site: Any) -> None:
    found = {
        row["structure_id"]: row for row in mixed_site(site).run(*ACCURATE[:-1], "finished.overlay_accuracy='4 mm'")
    }
    assert found["added"]["chimney_sd_mm"] == pytest.approx(math.sqrt(3 + 16), abs=1e-3)
    assert found["added"]["ready"] == "measure"  # 1.96 x 4.36 = 8.5 mm
    assert found["lined"]["ready"] == "order"  # the rough cut leaves 115 mm


# ---------------------------------------------------------------- the set as a whole


def test_engines_and_chunks_change_no_byte(site: Any) -> None:
    mixed_site(site)
    found = set()
    for options in ({}, {"chunk": 1}, {"chunk": 3}, {"engine": "processes", "workers": 2, "chunk": 2}):
        site.run(*ACCURATE, overwrite=True, **options)
        found.add(digest(site.folder / "out" / "schedule.gpkg"))
    assert len(found) == 1


def test_rows_come_back_in_order_and_every_flag_has_its_reason(mixed: Any) -> None:
    rows = mixed.table("schedule")
    assert [row["structure_id"] for row in rows] == list(COVERS)
    listed: dict[int, set[str]] = {}
    for reason in mixed.table("reasons"):
        listed.setdefault(reason["row"], set()).add(reason["code"])
        assert "{" not in reason["text"]
    assert all(set(row["flags"].split()) == listed[row["row"]] for row in rows)


def test_the_record_is_strict_json(mixed: Any) -> None:
    # RFC 8259, 6: no NaN, no infinity
    def refuse(name: str) -> None:
        raise ValueError(name)

    facts = {row["key"]: json.loads(row["value"], parse_constant=refuse) for row in mixed.table("run")}
    assert [rules["name"] for rules in facts["rules"]] == ["walked on", "old stacks stay", "all others"]
    assert facts["catalogue"]["liner"][0]["id"] == "tube"
    assert facts["settings"]["surface"][0]["accuracy"] == 0.001
    json.loads((mixed.folder / "out" / "run.json").read_text(encoding="utf-8"), parse_constant=refuse)


# ---------------------------------------------------------------- milling to a profile


CROSS = 0.02  # of the milled road, on the ground
EXISTING_FALL = 0.01 * SCALE
RADIUS = 330.0  # of the frame's top [mm]


@pytest.fixture(scope="module")
def profile(make_site: Any) -> dict[str, dict[str, Any]]:
    """Rows of covers 2.5 m right and left of the crown, on it, and far from it; the road falls 1 %, milled to 2 %.

    Without any method of the owner's the cover is planned on the target plane itself.
    """
    site = make_site()
    site.road(lambda e, n: 100 + 0.03 * n - 0.01 * np.abs(e))
    places = {"right": (2.5, -6), "left": (-2.5, 0), "crown": (0, 6), "far": (6, 10)}
    points = [Point(PLACE[0] + e, PLACE[1] + n) for e, n in places.values()]
    count = len(places)
    table = {"id": list(places), "gap": [0.0] * count, "casting_height": [180.0] * count}
    sizes = {"frame_top_diameter": [2 * RADIUS] * count, "flange_outside_diameter": [860.0] * count}
    site.structures({**table, **sizes, "existing_chimney": [150.0] * count}, points)
    street_line(site)
    site.flags |= {
        ("structures", "dimension_unit"): "mm",
        ("finished", "mill"): "40 mm",
        ("finished", "overlay"): "50 mm",
    }
    return {row["structure_id"]: row for row in site.run(f"finished.cross_slope={CROSS}", "rules.methods=[]")}


@pytest.mark.parametrize(("name", "side", "north"), [("right", 1, -6.0), ("left", -1, 0.0)])
def test_a_profile_falls_from_the_crown_line(
    profile: dict[str, dict[str, Any]], name: str, side: int, north: float
) -> None:
    row, away = profile[name], 2.5 / SCALE
    assert row["axis_source"] == "centreline"
    assert row["existing_m"] == pytest.approx(100 + 0.03 * north - 0.025, abs=2e-6)
    # milled 40 mm at the crown line, from there 2 % down; paved 50 mm
    assert row["milled_m"] == pytest.approx(100 + 0.03 * north - 0.040 - CROSS * away, abs=2e-6)
    assert row["finished_m"] == pytest.approx(row["milled_m"] + 0.050, abs=2e-6)
    assert row["raise_mm"] == pytest.approx(10 + 25 - 1000 * CROSS * away, abs=2e-3)
    assert row["cross_slope_pct"] == pytest.approx(-side * 100 * CROSS, abs=1e-5)
    assert row["grade_pct"] == pytest.approx(100 * GRADE, abs=1e-5)
    assert row["surface_source"] == "road"
    assert "profile_unknown" not in row["flags"].split()
    assert "profile_far" not in row["flags"].split()


@pytest.mark.parametrize("name", ["right", "left"])
def test_a_flush_rim_over_a_profile(profile: dict[str, dict[str, Any]], name: str) -> None:
    # the rim keeps today's 1 % across; over the milled 2 % its outer edge stands higher than its centre
    row, away = profile[name], 2.5 / SCALE
    turn = RADIUS * (CROSS - EXISTING_FALL)
    stands = 40 + 1000 * CROSS * away - 25
    assert row["lower_by_mm"] == pytest.approx(stands + turn + CLEARANCE, abs=3e-3)
    # chimney: 150 today; the same casting stands steeper by what the cosine says
    steep, today = (math.sqrt(1 + GRADE**2 + fall**2) for fall in (CROSS, EXISTING_FALL))
    change = row["raise_mm"] - 180 * (steep - today)
    assert row["stack_change_mm"] == pytest.approx(change, abs=2e-3)
    assert row["chimney_mm"] == pytest.approx(150 + change, abs=2e-3)
    half_change = 430 * (CROSS - EXISTING_FALL)
    assert row["stack_change_max_mm"] - row["stack_change_mm"] == pytest.approx(half_change, abs=2e-3)


def test_on_the_crown_line_the_finished_road_breaks(profile: dict[str, dict[str, Any]]) -> None:
    # mean of |x| along a circle of radius R is 2 R / pi
    row = profile["crown"]
    mean = 2 * RADIUS / math.pi
    assert row["raise_mm"] == pytest.approx(10 - (CROSS - EXISTING_FALL) * mean, abs=0.1)
    assert row["cross_slope_pct"] == pytest.approx(0, abs=0.01)
    # level across, the cover is too low on the crown line and too high at the sides
    assert row["gap_mean_mm"] == pytest.approx(0, abs=1e-3)
    assert row["gap_min_mm"] == pytest.approx(-CROSS * mean, abs=0.02)
    assert row["gap_max_mm"] == pytest.approx(CROSS * (RADIUS - mean), abs=0.02)
    assert "crown_under_cover" in row["flags"].split()


def test_far_from_the_crown_line_the_profile_is_a_guess(profile: dict[str, dict[str, Any]]) -> None:
    assert {name for name, row in profile.items() if "profile_far" in row["flags"].split()} == {"far"}
