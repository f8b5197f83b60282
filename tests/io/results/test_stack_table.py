"""Stacks as people read them, and their parts from the bearing upwards.

Checked by plain arithmetic: what lies between bearing and flange is as thick as the chimney is high, to the misfit that
the stack is said to have. Sizes of the parts are read from their own file with tomllib.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

import geoadjust.io
from geoadjust.core.columns import CONDITIONS, METHODS, POLICIES, arrays_of
from geoadjust.core.parts import Catalogue, RingPart
from geoadjust.core.rules import RuleSet
from geoadjust.io.catalogue import read_catalogue
from geoadjust.io.results.columns import STACK_PARTS
from geoadjust.io.results.stack_table import NO_RING, stack_table
from geoadjust.io.results.stack_table import stack_texts as stack_texts_of
from geoadjust.io.working.spill import to_records

N = 90
CATALOGUE = read_catalogue("", [RuleSet()])
LISTED = tomllib.loads((Path(geoadjust.io.__file__).parent / "example_parts.toml").read_text(encoding="utf-8"))
JOINT = 6.0  # of the rule set `example` [mm]
COLUMNS = [column.name for column in STACK_PARTS]
IDS = pa.array([f"s{i}" for i in range(N)])


def mm(text):
    """A size of the parts' file, all of which are in millimetres."""
    number, unit = text.split()
    assert unit == "mm"
    return float(number)


def records_of(found):
    bundles = {name: bundle for name, bundle in found.plan.bundles().items() if name != "reasons"}
    return to_records(
        {f"{name}.{field}": array for name, bundle in bundles.items() for field, array in arrays_of(bundle)}
    )


@pytest.fixture(scope="module")
def build(make_structures, make_roads, find):
    """build(rules, **fields): results of many structures on tilted roads, and their stack parts by row and policy."""

    def make(rules, most=0.04, **fields):
        rng = np.random.default_rng(11)
        height = rng.uniform(0.06, 0.24, N)
        base = {"existing_chimney": height, "overlay": rng.uniform(0.0, 0.06, N), "axis": rng.uniform(0, 6, N)}
        slopes = rng.uniform(-most, most, (2, N))
        roads = make_roads(N, slope_east=slopes[0], slope_north=slopes[1])
        found = find(make_structures(N, **{**base, **fields}), roads, rules=rules, catalogue=CATALOGUE)
        records = records_of(found)
        rows = stack_table(records, IDS, CATALOGUE).to_pylist()
        return records, {
            key: list(group) for key, group in itertools.groupby(rows, lambda row: (row["row"], row["policy"]))
        }

    return make


def stack_texts(*args):
    return stack_texts_of(*args).to_pylist()


def total(parts):
    return sum(part["thickness_mm"] for part in parts)


def kinds(parts):
    return [part["kind"] for part in parts]


def of_method(records, name):
    return np.flatnonzero(records["verdicts.method"] == METHODS.index(name)).tolist()


# ---------------------------------------------------------------- a whole stack


def test_a_stack_is_as_thick_as_the_chimney_and_the_misfit(build):
    records, stacks = build(RuleSet(methods=("rings",)))
    built = of_method(records, "rings")
    assert len(built) > 40
    assert set(stacks) == {(row, "replace_all") for row in built}
    for row in built:
        parts, record = stacks[row, "replace_all"], records[row]
        assert total(parts) == pytest.approx(1000 * (record["chimneys.height"] + record["stacks.misfit"]), abs=0.005)
        assert abs(record["stacks.misfit"]) <= 0.006 + 1e-6
        assert kinds(parts) == ["joint", *["ring", "joint"] * record["stacks.count"]]
        assert [part["position"] for part in parts] == list(range(1, len(parts) + 1))


def test_the_low_side_of_the_top_joint_keeps_the_joint(build):
    records, stacks = build(RuleSet(methods=("rings",)))
    for row in of_method(records, "rings"):
        parts, record = stacks[row, "replace_all"], records[row]
        assert parts[0]["thickness_mm"] == JOINT
        assert {part["thickness_mm"] for part in parts[1:-1] if part["kind"] == "joint"} <= {JOINT}
        wedge = 1000 * record["stacks.wedge"]
        assert parts[-1]["thickness_mm"] - wedge / 2 == pytest.approx(JOINT, abs=0.001)
        assert 0 <= wedge <= 20 + 1e-6  # rules.bedding_wedge


def test_rings_are_those_of_the_catalogue(build):
    records, stacks = build(RuleSet(methods=("rings",)))
    listed = {ring["id"]: ring for ring in LISTED["ring"]}
    tapered = 0
    for row, _ in stacks:
        mark = math.degrees(records["rims.mark"][row])
        for part in stacks[row, "replace_all"]:
            if part["kind"] != "ring":
                assert (part["part"], part["taper"], part["turn_deg"]) == (None, 0.0, None)
            elif "thickness" in listed[part["part"]]:
                assert part["thickness_mm"] == mm(listed[part["part"]]["thickness"])
                assert (part["taper"], part["turn_deg"]) == (0.0, None)
            else:
                tapered += 1
                thin, thick = (mm(listed[part["part"]][side]) for side in ("thin", "thick"))
                assert part["thickness_mm"] == (thin + thick) / 2
                assert part["taper"] == pytest.approx((thick - thin) / 900, abs=1e-9)
                assert 0 <= part["turn_deg"] < 360
                assert part["turn_deg"] % 5 == pytest.approx(0, abs=1e-6)  # turn_step
                assert math.isfinite(mark)
    assert tapered > 20


def test_tapers_turned_from_the_mark_make_the_slope_that_bedding_does_not(build):
    # gradient of the target less that of the tapered rings is what wedge and tolerance take
    records, stacks = build(RuleSet(methods=("rings",)))
    for row, _ in stacks:
        record, tapered = records[row], False
        left = np.array([record["rims.target_slope_east"], record["rims.target_slope_north"]])
        for part in stacks[row, "replace_all"]:
            if part["turn_deg"] is not None:
                azimuth, tapered = record["rims.mark"] + math.radians(part["turn_deg"]), True
                left -= part["taper"] * np.array([math.sin(azimuth), math.cos(azimuth)])
        slope = math.hypot(*left)
        assert min(900 * slope, 20.0) == pytest.approx(1000 * record["stacks.wedge"], abs=1e-3)
        # tapered rings make it within tilt_tolerance; flat ones leave what bedding_wedge does over the flange besides
        assert slope <= 0.01 + (0.0 if tapered else 0.020 / 0.9) + 1e-6


def test_a_sloping_bearing_gets_a_bed_at_the_bottom(build):
    # 2 % under a flange of 900 mm: 9 mm more at the centre, so that one joint remains at the high side
    records, stacks = build(RuleSet(methods=("rings",)), bearing_slope_east=0.02)
    built = of_method(records, "rings")
    assert len(built) > 30
    for row in built:
        parts = stacks[row, "replace_all"]
        assert parts[0]["thickness_mm"] == pytest.approx(JOINT + 9.0, abs=1e-3)
        asked = 1000 * (records["chimneys.height"][row] + records["stacks.misfit"][row])
        assert total(parts) == pytest.approx(asked, abs=0.005)


def test_square_to_the_bearing_the_stack_is_measured_along_its_axis(build):
    # bearing rises b to the east, target g: along the axis the vertical height is longer by sqrt(1 + b^2) / (1 + g.b)
    b = 0.05
    records, stacks = build(RuleSet(methods=("rings",), stand="square_to_bearing"), bearing_slope_east=b)
    built = of_method(records, "rings")
    assert len(built) > 20
    for row in built:
        record = records[row]
        along = math.sqrt(1 + b**2) / (1 + b * record["rims.target_slope_east"])
        asked = 1000 * (record["chimneys.height"] * along + record["stacks.misfit"])
        assert total(stacks[row, "replace_all"]) == pytest.approx(asked, abs=0.005)


def test_mortar_alone_is_one_joint(build):
    records, stacks = build(RuleSet(methods=("rings",)), most=0.01, existing_chimney=0.008, overlay=0.0)
    built = of_method(records, "rings")
    assert len(built) > 10
    for row in built:
        parts = stacks[row, "replace_all"]
        assert kinds(parts) == ["joint"]
        asked = 1000 * (records["chimneys.height"][row] + records["stacks.misfit"][row])
        assert total(parts) == pytest.approx(asked, abs=0.002)
    assert {stack_texts(records, CATALOGUE.ring)[row] for row in built} == {NO_RING}


# ---------------------------------------------------------------- on an old stack


ADDED = RuleSet(methods=("rings",), existing_stack="add_on_top")


def test_added_rings_and_the_old_stack_make_the_chimney_and_the_misfit(build):
    records, stacks = build(ADDED, chimney_condition=CONDITIONS.index("good"))
    kept = [row for row in of_method(records, "rings") if (row, "add_on_top") in stacks]
    assert len(kept) > 20
    for row in kept:
        parts, record = stacks[row, "add_on_top"], records[row]
        assert total(parts) == pytest.approx(1000 * (record["chimneys.height"] + record["stacks.misfit"]), abs=0.005)
        assert kinds(parts) == ["old_stack", *["joint", "ring"] * record["stacks.count"], "joint"]
        # the joint under the flange is taken off with the casting
        assert parts[0]["thickness_mm"] == pytest.approx(1000 * record["structures.existing_chimney"] - JOINT, abs=6e-4)
        added = sum(part["thickness_mm"] for part in parts[1:]) - JOINT
        assert added == pytest.approx(1000 * (record["chimneys.change"] + record["stacks.misfit"]), abs=0.005)
        assert (row, "replace_all") not in stacks


def test_a_poor_stack_is_replaced(build):
    records, stacks = build(ADDED, chimney_condition=CONDITIONS.index("poor"))
    assert {policy for _, policy in stacks} == {"replace_all"}
    assert set(records["others.count"]) == {-1}


@pytest.mark.parametrize("condition", [-1, CONDITIONS.index("unknown")])
def test_of_an_unknown_condition_both_stacks_are_told(build, condition):
    records, stacks = build(ADDED, chimney_condition=condition)
    both = [row for row in of_method(records, "rings") if (row, "add_on_top") in stacks]
    assert len(both) > 20
    for row in both:
        record = records[row]
        whole, added = stacks[row, "replace_all"], stacks[row, "add_on_top"]
        assert total(whole) == pytest.approx(1000 * (record["chimneys.height"] + record["stacks.misfit"]), abs=0.005)
        assert total(added) == pytest.approx(1000 * (record["chimneys.height"] + record["others.misfit"]), abs=0.005)
        assert [part["position"] for part in added] == list(range(1, len(added) + 1))
    texts = stack_texts(records, CATALOGUE.ring, "others")
    for row in both:
        rings = [part["part"] for part in stacks[row, "add_on_top"] if part["kind"] == "ring"]
        assert (texts[row] == NO_RING) == (not rings)
        assert all(ring in texts[row] for ring in rings)


# ---------------------------------------------------------------- liners and risers


LINED = {"flange_inside_diameter": 0.61, "ridge_diameter": 0.0, "flange_diameter": 0.86, "old_flange_diameter": 0.86}


@pytest.mark.parametrize("cut_style", ["square_to_wall", "in_plane"])
def test_a_liner_and_its_joints_make_the_chimney(build, cut_style):
    records, stacks = build(RuleSet(methods=("liner",), cut_style=cut_style), **LINED)
    built = of_method(records, "liner")
    assert len(built) > 40
    assert set(stacks) == {(row, "replace_all") for row in built}
    walls = {
        liner["id"]: (mm(liner["outside_diameter"]) - mm(liner["inside_diameter"])) / 2 for liner in LISTED["liner"]
    }
    for row in built:
        bottom, liner, top = stacks[row, "replace_all"]
        assert kinds([bottom, liner, top]) == ["joint", "liner", "joint"]
        assert total([bottom, liner, top]) == pytest.approx(1000 * records["chimneys.height"][row], abs=0.002)
        assert bottom["thickness_mm"] == JOINT
        # a face level across the wall hangs half the wall times the slope below the flange at the centre
        more = walls[liner["part"]] / 2 * records["rims.slope"][row] if cut_style == "square_to_wall" else 0.0
        assert top["thickness_mm"] == pytest.approx(JOINT + more, abs=6e-4)
        assert (liner["taper"], liner["turn_deg"]) == (0.0, None)


def test_a_liner_on_a_sloping_bearing(build):
    records, stacks = build(RuleSet(methods=("liner",)), bearing_slope_north=-0.02, **LINED)
    built = of_method(records, "liner")
    assert len(built) > 40
    for row in built:
        parts = stacks[row, "replace_all"]
        assert parts[0]["thickness_mm"] == pytest.approx(JOINT + 0.02 * 430, abs=1e-3)
        assert total(parts) == pytest.approx(1000 * records["chimneys.height"][row], abs=0.002)


def test_a_liner_that_stands_square_to_the_bearing(build):
    b = 0.05
    rules = RuleSet(methods=("liner",), stand="square_to_bearing", cut_style="in_plane")
    records, stacks = build(rules, bearing_slope_north=b, **LINED)
    built = of_method(records, "liner")
    assert len(built) > 40
    for row in built:
        parts, record = stacks[row, "replace_all"], records[row]
        along = math.sqrt(1 + b**2) / (1 + b * record["rims.target_slope_north"])
        assert total(parts) == pytest.approx(1000 * record["chimneys.height"] * along, abs=0.002)
        assert (parts[0]["thickness_mm"], parts[2]["thickness_mm"]) == (JOINT, JOINT)


def test_a_riser_is_all_there_is(build):
    overlay = np.tile([0.025, 0.038, 0.050], N // 3)
    records, stacks = build(RuleSet(), most=0.001, overlay=overlay, seat_diameter=0.6)
    heights = {riser["id"]: mm(riser["height"]) for riser in LISTED["riser"]}
    built = of_method(records, "riser")
    assert len(built) == N
    for row in built:
        (part,) = stacks[row, None]
        assert (part["position"], part["kind"], part["structure_id"]) == (1, "riser", f"s{row}")
        assert part["thickness_mm"] == heights[part["part"]] == 1000 * overlay[row]


def test_nothing_is_built_for_the_rest(build):
    records, stacks = build(RuleSet(methods=("keep",)))
    assert set(records["verdicts.method"]) == {METHODS.index("adjust")}
    assert stacks == {}


# ---------------------------------------------------------------- texts


RINGS = (
    RingPart("a-50", 0.05),
    RingPart("t-20-40", thin=0.02, thick=0.04, outside_diameter=0.9),
    RingPart("b-25", 0.025),
)
NAN = math.nan


@pytest.mark.parametrize(
    ("parts", "turn", "text"),
    [
        ([0, -1, -1], [NAN, NAN, NAN], "a-50"),
        ([-1, -1, -1], [NAN, NAN, NAN], "no ring"),
        ([0, 0, 2], [NAN, NAN, NAN], "a-50 + a-50 + b-25"),
        ([0, 1, -1], [NAN, 90.0, NAN], "a-50 + t-20-40 (thick side 90 deg)"),
        ([1, 1, -1], [0.0, 355.0, NAN], "t-20-40 (thick side 0 deg) + t-20-40 (thick side 355 deg)"),
        ([1, -1, -1], [7.5, NAN, NAN], "t-20-40 (thick side 7.5 deg)"),
        ([1, -1, -1], [-0.0, NAN, NAN], "t-20-40 (thick side 0 deg)"),
    ],
)
def test_texts(parts, turn, text):
    arrays = {"parts": np.array([parts], dtype=np.int16), "turn": np.radians([turn])}
    records = to_records({f"others.{name}": array for name, array in arrays.items()})
    assert stack_texts(records, RINGS, "others") == [text]


def test_texts_of_many_stacks_keep_their_order():
    parts = np.array([[0, 1], [-1, -1], [0, 1], [2, -1]], dtype=np.int16)
    turn = np.radians([[NAN, 10.0], [NAN, NAN], [NAN, 20.0], [NAN, NAN]])
    records = to_records({"stacks.parts": parts, "stacks.turn": turn})
    assert stack_texts(records, RINGS) == [
        "a-50 + t-20-40 (thick side 10 deg)",
        NO_RING,
        "a-50 + t-20-40 (thick side 20 deg)",
        "b-25",
    ]


def test_no_rings_allowed_is_no_ring():
    records = to_records({"stacks.parts": np.empty((3, 0), np.int16), "stacks.turn": np.empty((3, 0))})
    assert stack_texts(records, RINGS) == [NO_RING] * 3


def test_texts_name_the_rings_of_the_table(build):
    records, stacks = build(RuleSet(methods=("rings",)))
    texts = stack_texts(records, CATALOGUE.ring)
    for row, policy in stacks:
        rings = [part for part in stacks[row, policy] if part["kind"] == "ring"]
        written = [
            part["part"] + (f" (thick side {part['turn_deg']:g} deg)" if part["turn_deg"] is not None else "")
            for part in rings
        ]
        assert texts[row] == " + ".join(written)


# ---------------------------------------------------------------- the table


def test_the_table_has_the_declared_columns(build):
    records, stacks = build(RuleSet())
    found = stack_table(records, IDS, CATALOGUE)
    assert found.schema.names == COLUMNS
    assert len(found) == sum(len(parts) for parts in stacks.values()) > N
    assert found.column("kind").to_pylist() == [part["kind"] for parts in stacks.values() for part in parts]
    empty = stack_table(records[:0], IDS[:0], replace(CATALOGUE, ring=()))
    assert empty.schema == found.schema
    assert len(empty) == 0


def test_every_word_of_the_table_is_declared(build):
    words = {column.name: set(column.words) for column in STACK_PARTS if column.words}
    seen = {name: set() for name in words}
    for rules, fields in (
        (RuleSet(methods=("riser", "rings")), {"seat_diameter": 0.6}),
        (ADDED, {"chimney_condition": CONDITIONS.index("good")}),
        (RuleSet(methods=("liner",)), LINED),
    ):
        for parts in build(rules, **fields)[1].values():
            for name in words:
                seen[name] |= {part[name] for part in parts} - {None}
    assert seen == words


def test_an_empty_catalogue_has_no_stacks(make_structures, find):
    found = find(make_structures(3, existing_chimney=0.1), catalogue=Catalogue())
    assert len(stack_table(records_of(found), IDS[:3], Catalogue())) == 0


# ---------------------------------------------------------------- a twin that goes structure by structure


def twin_rows(records, ids, catalogue):
    """The table, piece by piece."""
    for i, record in enumerate(records):
        for policy, pieces in twin_stacks(record, METHODS[record["verdicts.method"]], catalogue):
            for place, (kind, part, thickness, taper, turn) in enumerate(pieces, 1):
                mm = round(float(thickness) * 1000, 3) + 0.0
                degrees = None if math.isnan(turn) else round(float(np.degrees(turn)), 6) + 0.0
                cells = int(record["structures.row"]), ids[i], place, policy, kind, part, mm, round(taper, 9), degrees
                yield dict(zip(COLUMNS, cells, strict=True))


def twin_stacks(record, method, catalogue):
    if method == "riser":
        part = catalogue.riser[record["verdicts.riser"]]
        yield None, [("riser", part.id, part.height, 0.0, NAN)]
    elif method == "liner":
        yield "replace_all", twin_liner(record, catalogue.liner[record["liners.part"]])
    elif method == "rings":
        yield twin_rings(record, "stacks", catalogue)
    if record["others.count"] >= 0:
        yield twin_rings(record, "others", catalogue)


def twin_liner(record, part):
    joint = record["stacks.joint"]
    slope = np.hypot(record["chimneys.tilt_east"], record["chimneys.tilt_north"])
    yield "joint", None, joint + record["chimneys.bed"], 0.0, NAN
    yield "liner", part.id, np.mean(record["cuts.ordinates"]), 0.0, NAN
    yield "joint", None, joint + slope * (record["cuts.wrap"] - record["cuts.radius"]), 0.0, NAN


def twin_rings(record, bundle, catalogue):
    def value(name):
        return record[f"{bundle}.{name}"]

    policy, pieces = POLICIES[value("policy")], []
    if policy == "add_on_top":
        pieces.append(("old_stack", None, record["structures.existing_chimney"] - value("joint"), 0.0, NAN))
    for part, turn in zip(value("parts"), value("turn"), strict=True):
        if part >= 0:
            pieces.append(("joint", None, value("joint") if pieces else value("bottom"), 0.0, NAN))
            ring = catalogue.ring[part]
            pieces.append(("ring", ring.id, ring.middle, ring.taper, turn))
    return policy, [*pieces, ("joint", None, value("top"), 0.0, NAN)]


@pytest.mark.parametrize("seed", range(5))
def test_the_table_is_every_stack_by_itself(build, seed):
    # everything at random, also what the core never gives together
    rng = np.random.default_rng(seed)
    records, _ = build(RuleSet())
    most = records["stacks.parts"].shape[1]
    records["verdicts.method"] = rng.integers(0, len(METHODS), N)
    records["verdicts.riser"] = rng.integers(0, len(CATALOGUE.riser), N)
    records["liners.part"] = rng.integers(0, len(CATALOGUE.liner), N)
    records["cuts.ordinates"] = rng.uniform(0, 0.3, (N, 16))
    for name in ("chimneys.tilt_east", "chimneys.tilt_north", "chimneys.bed", "cuts.wrap", "cuts.radius"):
        records[name] = rng.uniform(0, 0.5, N)
    records["structures.existing_chimney"] = rng.choice([NAN, 0.1, 0.2000005, 0.3000015], N)
    for bundle in ("stacks", "others"):
        count = rng.integers(-1, most + 1, N)
        records[f"{bundle}.count"] = count
        parts = np.where(np.arange(most) < count[:, None], rng.integers(0, len(CATALOGUE.ring), (N, most)), -1)
        records[f"{bundle}.parts"] = parts
        records[f"{bundle}.turn"] = np.where(rng.random((N, most)) < 0.5, rng.uniform(0, 6, (N, most)), NAN)
        records[f"{bundle}.policy"] = rng.integers(0, len(POLICIES), N)
        for name in ("joint", "bottom", "top"):  # ties of a micrometre too
            records[f"{bundle}.{name}"] = rng.integers(0, 40_000, N) / 2e6
    found = stack_table(records, IDS, CATALOGUE).to_pylist()
    assert {row["kind"] for row in found} == set(STACK_PARTS[4].words)
    # repr: NaN is NaN
    assert list(map(repr, found)) == list(map(repr, twin_rows(records, IDS.to_pylist(), CATALOGUE)))
