"""Tables of a result: names that cannot clash, types that are kept, figures that follow from each other."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.core.columns import STATIONS, arrays_of
from geoadjust.core.flags import CODES, FLAGS
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet
from geoadjust.io.catalogue import read_catalogue
from geoadjust.io.intake.structures import RawBatch
from geoadjust.io.results import tables
from geoadjust.io.results.columns import MODELS, ORDINATES, REASONS, SCHEDULE, STACK_PARTS
from geoadjust.io.results.tables import Bucket, Naming, schedule_schema, table_schema
from geoadjust.io.working.spill import to_records

N = 120
CATALOGUE = read_catalogue("", [RuleSet()])
JOINT = 6.0  # of the rule set `example` [mm]
RESERVED = {"fid", "geom", "ogc_fid", "rowid"}


def make_raw(n, first=0, **attributes):
    attributes.setdefault("id", [f"s{i}" for i in range(n)])
    east = 500_000.0 + np.arange(n)
    north = np.full(n, 4e6)
    north[-1] = east[-1] = np.nan
    parts = np.isfinite(east).astype(np.int64)
    return RawBatch(
        first, pa.table(attributes), east, north, np.full(n, np.nan), parts, np.stack([east, north], axis=1)
    )


def make_records(found, first):
    bundles = {name: bundle for name, bundle in found.plan.bundles().items() if name != "reasons"}
    arrays = {f"{name}.{field}": array for name, bundle in bundles.items() for field, array in arrays_of(bundle)}
    arrays["structures.row"] = arrays["structures.row"] + first
    return to_records({"row": arrays["structures.row"], **arrays})


@pytest.fixture(scope="module")
def bucket(make_structures, make_roads, find):
    """A bucket of many structures on tilted roads: rings, risers, changes, some nothing; every fifth is rectangular."""
    rng = np.random.default_rng(8)
    number = np.arange(N)
    boxed = number % 5 == 2
    structures = make_structures(
        N,
        existing_chimney=np.where(number % 4 == 3, np.nan, rng.uniform(0.02, 0.28, N)),
        overlay=rng.choice([0.0, 0.025, 0.05, 0.075], N),
        axis=rng.uniform(0, 6, N),
        kind=np.where(number % 17 == 0, 4, 0),
        seat_diameter=np.where(number % 3 == 0, 0.6, np.nan),
        flange_diameter=np.where(boxed, 0.56, 0.9),
        flange_length=np.where(boxed, 0.71, np.nan),
        frame_top_diameter=np.where(boxed, 0.45, 0.66),
        frame_top_length=np.where(boxed, 0.6, np.nan),
        frame_azimuth=np.where(boxed, rng.uniform(0, 6, N), 0.0),
    )
    slopes = rng.uniform(-0.02, 0.02, (2, N))
    found = find(structures, make_roads(N, slope_east=slopes[0], slope_north=slopes[1]), catalogue=CATALOGUE)
    reasons = to_records({name: array.copy() for name, array in arrays_of(found.reasons)})
    reasons["row"] += 1000
    raw = make_raw(N, 1000, street=["Elm"] * N)
    return Bucket(
        make_records(found, 1000), reasons, raw, np.array(raw.attributes.column("id").to_pylist(), dtype=object)
    )


@pytest.fixture(scope="module")
def naming():
    facts = SimpleNamespace(columns={"id": "id", "street": "street"})
    return Naming((RuleSet(),), CATALOGUE, ["road"], facts, "us")


@pytest.fixture(scope="module")
def rows(bucket, naming):
    """The layer as a list of rows."""
    return tables.schedule_rows(bucket, naming, schedule_schema(bucket.raw.attributes.schema)).to_pylist()


# ---------------------------------------------------------------- names and types


@given(st.lists(st.text(min_size=1, max_size=12), max_size=12), st.lists(st.sampled_from(SCHEDULE), max_size=4))
def test_names_are_unique_in_any_case(names, clashing):
    names = [*names, *(column.name.upper() for column in clashing), "fid", "GEOM", "src_fid"]
    fields = [pa.field(name, pa.string()) for name in dict.fromkeys(names)]
    found = schedule_schema(pa.schema(fields)).names
    assert len({name.lower() for name in found}) == len(found) == len(SCHEDULE) + len(fields) + 1
    assert found[-1] == "geom"
    assert not RESERVED & {name.lower() for name in found[:-1]}


def test_names_that_clash_get_a_prefix():
    names = ["ROW", "fid", "Geom", "depth_ft", "stack", "src_stack", "rowid"]
    found = schedule_schema(pa.schema([(name, pa.int64()) for name in names])).names[len(SCHEDULE) : -1]
    assert found == ["src_ROW", "src_fid", "src_Geom", "depth_ft", "src_stack", "src_src_stack", "src_rowid"]


@pytest.mark.parametrize(
    ("kind", "stored"),
    [
        (pa.int8(), pa.int8()),
        (pa.int64(), pa.int64()),
        (pa.uint32(), pa.uint32()),
        (pa.uint64(), pa.string()),
        (pa.float32(), pa.float32()),
        (pa.float64(), pa.float64()),
        (pa.bool_(), pa.bool_()),
        (pa.date32(), pa.date32()),
        (pa.timestamp("ms", "UTC"), pa.timestamp("ms", "UTC")),
        (pa.time32("ms"), pa.string()),
        (pa.duration("s"), pa.string()),
        (pa.string(), pa.string()),
        (pa.large_string(), pa.string()),
        (pa.list_(pa.int32()), pa.string()),
        (pa.binary(), pa.string()),
        (pa.null(), pa.string()),
        (pa.dictionary(pa.int8(), pa.string()), pa.string()),
    ],
    ids=str,
)
def test_types_that_a_geopackage_has_are_kept(kind, stored):
    assert schedule_schema(pa.schema([("x", kind)])).field("x").type == stored


ODD = {
    "number": ([1, None], [1, None]),
    "list": ([[1, 2], None], ["[1, 2]", None]),
    "bytes": ([b"\x00", None], ["b'\\x00'", None]),
    "nothing": ([None, None], [None, None]),
    "answer": ([True, None], [True, None]),
    "text": (["=1+1", "Größe"], ["=1+1", "Größe"]),
    "ROW": ([5, 6], [5, 6]),
}


def test_attributes_of_the_input_are_kept(bucket, naming):
    raw = make_raw(2, 1000, **{name: cells for name, (cells, _) in ODD.items()})
    reasons = bucket.reasons[bucket.reasons["row"] < 1002]
    small = Bucket(bucket.results[:2], reasons, raw, bucket.ids[:2])
    plain = Naming(naming.rules, CATALOGUE, ["road"], SimpleNamespace(columns={"id": "id"}), "us")
    found = tables.schedule_rows(small, plain, schedule_schema(raw.attributes.schema)).to_pydict()
    for name, (_, expected) in ODD.items():
        assert found["src_ROW" if name == "ROW" else name] == expected, name
    assert found["row"] == [1000, 1001]


# ---------------------------------------------------------------- the layer


def test_one_row_per_structure_in_order(rows):
    assert [row["row"] for row in rows] == list(range(1000, 1000 + N))
    assert [row["structure_id"] for row in rows] == [f"s{i}" for i in range(N)]
    assert {row["street"] for row in rows} == {"Elm"}
    assert {"rings", "riser", "monument"} <= {row["method"] for row in rows}


def test_points_are_those_of_the_input(rows):
    assert shapely.get_coordinates(shapely.from_wkb(rows[5]["geom"])).tolist() == [[500_005.0, 4e6]]
    assert rows[-1]["geom"] is None


def test_stored_lengths_are_rounded_to_a_micrometre(bucket, rows):
    for i, row in enumerate(rows):
        exact = float(bucket.results["rims.raise_"][i])
        if math.isfinite(exact):
            assert row["raise_mm"] == pytest.approx(1000 * exact, abs=5.01e-4)
            assert row["raise_mm"] == round(row["raise_mm"], 3)
        else:
            assert row["raise_mm"] is None


def test_published_figures_follow_from_each_other(rows):
    # target rim minus existing rim is the raise; the slope's two parts add up by Pythagoras
    there = [row for row in rows if row["raise_mm"] is not None]
    assert len(there) > N / 2
    for row in there:
        assert row["raise_mm"] == pytest.approx(1000 * (row["target_rim_m"] - row["existing_rim_m"]), abs=2e-3)
        assert math.hypot(row["grade_pct"], row["cross_slope_pct"]) == pytest.approx(row["slope_pct"], abs=1e-6)


def test_no_minus_zero_and_no_nan(rows):
    for row in rows:
        reals = [value for value in row.values() if isinstance(value, float)]
        assert all(math.isfinite(value) for value in reals)
        assert not any(value == 0 and math.copysign(1, value) < 0 for value in reals)


def test_flags_of_the_layer_are_the_codes_of_the_reasons(bucket, rows):
    reasons = tables.reason_rows(bucket).to_pylist()
    for row in rows:
        codes = dict.fromkeys(reason["code"] for reason in reasons if reason["row"] == row["row"])
        assert row["flags"].split() == list(codes)


def test_flags_stand_once_in_the_order_in_which_they_come(bucket):
    # reasons in disorder, many of them twice
    rng = np.random.default_rng(3)
    mixed = Bucket(bucket.results, rng.permutation(np.tile(bucket.reasons, 2)), bucket.raw, bucket.ids)
    found = tables.flag_texts(mixed).to_pylist()
    assert len(found) == N
    for i, text in enumerate(found):
        own = mixed.reasons["code"][mixed.reasons["row"] == 1000 + i].tolist()
        assert text == " ".join(dict.fromkeys(FLAGS[code].code for code in own))


def test_texts_stand_where_they_are_meant(rows):
    for row in rows:
        assert row["remark"]
        assert not row["remark"].startswith(("+", "-", "="))
        assert (row["stack"] is not None) == (row["stack_policy"] is not None) == (row["method"] == "rings")
        assert (row["ring_count"] is not None) == (row["method"] == "rings")
        assert (row["liner"] is not None) == (row["method"] == "liner")
        assert row["other_stack"] is None  # the rules replace the whole stack


def test_probabilities_add_up(rows):
    # rims taken as flush have an accuracy of their own, so that every raise is known that well
    for row in rows:
        shares = [row[f"p_{name}_pct"] for name in ("keep", "riser", "chimney", "rebuild")]
        assert sum(shares) == pytest.approx(100, abs=1e-5)
        assert all(-1e-9 <= share <= 100 + 1e-9 for share in shares)


def test_standard_deviations_are_published(bucket, rows):
    # basis flush: gap^2 + overlay^2, 10 mm and, where there is an overlay, 5 mm (the defaults of the settings)
    for row, overlay in zip(rows, bucket.results["structures.overlay"].tolist(), strict=True):
        assert row["raise_sd_mm"] == pytest.approx(math.sqrt(100 + (25 if overlay else 0)), abs=6e-4)
        if row["chimney_mm"] is not None:  # from the old chimney: and the tape's 5 mm
            assert row["chimney_sd_mm"] == pytest.approx(math.hypot(row["raise_sd_mm"], 5), abs=2e-3)


# ---------------------------------------------------------------- stacks and ordinates


def test_stack_parts_belong_to_their_rows(bucket, naming, rows):
    parts = tables.stack_rows(bucket, naming).to_pylist()
    for row in rows:
        own = [part for part in parts if part["row"] == row["row"]]
        assert {part["structure_id"] for part in own} <= {row["structure_id"]}
        assert [part["position"] for part in own] == list(range(1, len(own) + 1))
        assert bool(own) == (row["method"] in ("rings", "riser"))
        if row["method"] == "rings":
            total = sum(part["thickness_mm"] for part in own)
            assert total == pytest.approx(row["chimney_mm"] + row["stack_misfit_mm"], abs=0.006)


def stations(entry):
    return [entry[f"h{i:02d}_mm"] for i in range(1, STATIONS + 1)]


def test_ordinates_of_a_circle(bucket, rows):
    # a tilted plane over a circle: joints taken off the chimney at the centre, then R s cos(azimuth - uphill)
    layer = {row["row"]: row for row in rows}
    round_ones = [entry for entry in tables.ordinate_rows(bucket).to_pylist() if entry["radius_mm"] is not None]
    assert len(round_ones) > 60
    for entry in round_ones:
        row = layer[entry["row"]]
        assert (entry["k"], entry["radius_mm"], entry["wrap_mm"]) == (STATIONS, 450.0, 450.0)
        assert (entry["width_mm"], entry["length_mm"]) == (None, None)
        assert entry["mark_deg"] == pytest.approx(row["axis_deg"], abs=1e-6)
        change = entry["basis"] == "change"  # an overlay of one thickness changes no slope
        assert change == (row["chimney_mm"] is None)
        centre = row["stack_change_mm"] if change else row["chimney_mm"] - 2 * JOINT
        swing = 0.0 if change else 450.0 * row["slope_pct"] / 100
        for i, height in enumerate(stations(entry)):
            turn = math.radians(entry["mark_deg"] + 22.5 * i - row["uphill_deg"])
            assert height == pytest.approx(centre + swing * math.cos(turn), abs=0.005)


def test_ordinates_of_a_rectangle(bucket, rows):
    # four mid-sides and four corners, clockwise from the mid-side that the frame's direction points at
    layer = {row["row"]: row for row in rows}
    boxes = [entry for entry in tables.ordinate_rows(bucket).to_pylist() if entry["radius_mm"] is None]
    assert len(boxes) > 15
    corners = [(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)]  # right, ahead
    for entry in boxes:
        row = layer[entry["row"]]
        assert (entry["k"], entry["wrap_mm"], entry["width_mm"], entry["length_mm"]) == (8, None, 560.0, 710.0)
        assert stations(entry)[8:] == [None] * 8
        change = entry["basis"] == "change"
        centre = row["stack_change_mm"] if change else row["chimney_mm"] - 2 * JOINT
        slope, turn = row["slope_pct"] / 100, math.radians(row["uphill_deg"] - entry["mark_deg"])
        ahead, right = (0.0, 0.0) if change else (slope * math.cos(turn), slope * math.sin(turn))
        for height, (x, y) in zip(stations(entry), corners, strict=False):
            assert height == pytest.approx(centre + 280 * right * x + 355 * ahead * y, abs=0.005)


def test_extremes_of_the_stations_lie_within_the_true_ones(bucket, rows):
    layer = {row["row"]: row for row in rows}
    heights = [entry for entry in tables.ordinate_rows(bucket).to_pylist() if entry["basis"] == "height"]
    assert len(heights) > 60
    for entry in heights:
        row = layer[entry["row"]]
        found = [height + 2 * JOINT for height in stations(entry) if height is not None]
        spread = row["chimney_max_mm"] - row["chimney_min_mm"]
        assert max(found) <= row["chimney_max_mm"] + 0.005
        assert min(found) >= row["chimney_min_mm"] - 0.005
        # 16 stations miss the top of a circle by at most half a step; a corner of a rectangle is a station
        reach = 1.0 if entry["radius_mm"] is None else math.cos(math.pi / STATIONS)
        assert max(found) - min(found) >= reach * spread - 0.01


def test_tables_of_nothing_have_their_columns(bucket, naming):
    no_rows = RawBatch(0, pa.table({"id": pa.array([], pa.string())}), *[np.empty(0)] * 4, np.empty((0, 2)))
    nothing = Bucket(bucket.results[:0], bucket.reasons[:0], no_rows, bucket.ids[:0])
    for found, columns in (
        (tables.ordinate_rows(nothing), ORDINATES),
        (tables.stack_rows(nothing, naming), STACK_PARTS),
        (tables.reason_rows(nothing), REASONS),
        (tables.model_rows(nothing), MODELS),
    ):
        assert found.schema == table_schema(columns)
        assert len(found) == 0


# ---------------------------------------------------------------- reasons and models


def test_reasons_have_a_sentence_and_an_id(bucket):
    found = tables.reason_rows(bucket).to_pylist()
    assert found
    for reason in found:
        flag = FLAGS[CODES[reason["code"]]]
        assert reason["structure_id"] == f"s{reason['row'] - 1000}"
        assert reason["severity"] == ("info", "warn", "stop")[flag.severity]
        assert reason["unit"] == flag.unit  # no column of the input is judged here
        assert reason["text"].endswith(".")
        assert "{" not in reason["text"]


def test_models_are_the_inner_figures(bucket):
    found = tables.model_rows(bucket).to_pydict()
    np.testing.assert_array_equal(found["row"], bucket.results["structures.row"])
    np.testing.assert_allclose(found["finished_slope_east"], bucket.results["finished.slope_east"], atol=1e-9)
    for i, j in ((0, 0), (0, 2), (1, 2)):
        covariance = bucket.results["finished.covariance"][:, i, j]
        np.testing.assert_allclose(found[f"finished_covariance_{i}{j}"], covariance, atol=1e-12)


def test_the_run_as_a_table():
    assert tables.run_rows({"a": "1", "b": "2"}).to_pylist() == [{"key": "a", "value": "1"}, {"key": "b", "value": "2"}]


# ---------------------------------------------------------------- rings


def test_rings_are_as_wide_as_they_say(bucket):
    frames = np.broadcast_to(np.eye(2) / 0.3048, (N, 2, 2))  # coordinates in feet
    found = tables.ring_rows(bucket, frames, Ring()).to_pydict()
    assert found["row"] == list(range(1000, 1000 + N - 1))  # the last one has no place
    polygons = shapely.from_wkb(found["geom"])
    corners = 64
    circle = corners / 2 * math.sin(2 * math.pi / corners)  # area of the regular polygon of radius 1
    for polygon, inner, outer in zip(polygons, found["inner_m"], found["outer_m"], strict=True):
        assert polygon.is_valid
        assert polygon.area * 0.3048**2 == pytest.approx(circle * (outer**2 - inner**2), rel=1e-6)
    # flange 0.9 m: inner radius 0.45 + 0.35
    assert (found["inner_m"][0], found["outer_m"][0]) == (0.8, 1.5)
