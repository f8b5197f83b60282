"""Cells of a column as numbers, texts and words; a blank, an unreadable and an implausible cell are three things."""

from __future__ import annotations

import datetime
import decimal
import math
from fractions import Fraction

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.core.columns import KINDS
from geoadjust.core.inputs import INPUT_COLUMNS, INPUTS
from geoadjust.io.intake.values import read_numbers, read_sizes, read_texts, read_words, read_yes_no

RIM, DROP, HEIGHT, AXIS = INPUTS["rim"], INPUTS["measure_down"], INPUTS["casting_height"], INPUTS["axis"]
SLOPE, RINGS, TOP = INPUTS["bearing_slope"], INPUTS["existing_rings"], INPUTS["frame_top_diameter"]
FOOT, US_FOOT, INCH = 0.3048, 1200 / 3937, 0.0254  # by definition: 1959 yard and pound agreement; Mendenhall order 1893


def column(*cells, kind=None):
    return pa.chunked_array([pa.array(list(cells), kind)])


def numbers(spec, *cells, unit="m", kind=None):
    return read_numbers(column(*cells, kind=kind), len(cells), spec, unit=unit)


def assert_numbers(values, expected):
    np.testing.assert_allclose(values.numbers, expected, rtol=1e-14, atol=0)


# ---------------------------------------------------------------- numbers


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("ft", FOOT), ("us-ft", US_FOOT)])
@pytest.mark.parametrize("kind", [pa.float64(), pa.float32(), pa.int64(), pa.int16(), pa.uint32()])
def test_bare_numbers_are_in_the_declared_unit(unit, metres, kind):
    found = numbers(RIM, 120, None, 0, unit=unit, kind=kind)
    assert_numbers(found, [120 * metres, math.nan, 0.0])
    assert not found.unreadable.any()
    assert not found.implausible.any()


@pytest.mark.parametrize(
    ("text", "unit", "metres"),
    [
        ("7 3/4 in", "", 7.75 * INCH),
        ("7 3/4", "in", 7.75 * INCH),
        ("7 3/4 in", "mm", 7.75 * INCH),  # a unit in the cell beats the declared one
        ("196.85 mm", "ft", 0.19685),
        ("0.65 ft", "m", 0.65 * FOOT),
        ("0.65", "ft", 0.65 * FOOT),
        ("200", "mm", 0.2),
        (" 8 in. ", "", 8 * INCH),
        ('8"', "mm", 8 * INCH),
        ("0'-8\"", "mm", 8 * INCH),
    ],
)
def test_texts_with_and_without_a_unit(text, unit, metres):
    assert_numbers(numbers(HEIGHT, text, unit=unit), [metres])


@pytest.mark.parametrize(
    ("text", "unit", "foot"),
    [
        ("100 ft", "ft", FOOT),
        ("100 ft", "m", FOOT),
        ("100 ft", "us-ft", US_FOOT),  # feet of a layer whose heights are in US survey feet
        ("100'", "us-ft", US_FOOT),
        ("100", "us-ft", US_FOOT),
        ("100 us-ft", "ft", US_FOOT),
    ],
)
def test_which_foot(text, unit, foot):
    # 100 us-ft and 100 ft differ by 0.06 mm: 2 parts in a million
    assert numbers(RIM, text, unit=unit).numbers[0] == pytest.approx(100 * foot, rel=1e-12)


def test_mixed_units_in_one_column():
    found = numbers(DROP, "1.5 ft", "450 mm", "0.5", "", None, "18 in", unit="m")
    assert_numbers(found, [1.5 * FOOT, 0.45, 0.5, math.nan, math.nan, 18 * INCH])
    assert not found.unreadable.any()


@pytest.mark.parametrize("cell", ["n/a", "unknown", "7,5", "7 yd", "--", "1.2.3", "12 in 3", "nan", "inf", "½½"])
def test_what_cannot_be_read_is_told_from_a_blank(cell):
    found = numbers(DROP, cell, "", "  ", None)
    assert np.isnan(found.numbers).all()
    assert found.unreadable.tolist() == [True, False, False, False]
    assert not found.implausible.any()


def test_bare_numbers_without_a_declared_unit_cannot_be_read():
    for cells, kind in (((7.75, None), pa.float64()), (("7.75", ""), pa.string())):
        found = numbers(HEIGHT, *cells, unit="", kind=kind)
        assert np.isnan(found.numbers).all()
        assert found.unreadable.tolist() == [True, False]


@pytest.mark.parametrize(
    ("name", "cell", "unit"),
    [
        ("rim", -9999.0, "m"),
        ("rim", -9999.0, "us-ft"),
        ("rim", 9999.0, "m"),
        ("rim", 99999.0, "ft"),
        ("rim", 12_345.67, "m"),  # a lost decimal
        ("rim", math.inf, "m"),
        ("rim", -math.inf, "m"),
        ("casting_height", 0.0, "in"),
        ("casting_height", 775.0, "in"),  # 7.75 without its point
        ("casting_height", 2.0, "m"),
        ("frame_top_diameter", 0.0, "mm"),
        ("overlay", 50.0, "m"),
        ("gap", -9999.0, "mm"),
        ("axis", 999.99, ""),
        ("axis", -9999.0, ""),
    ],
)
def test_implausible_values_are_left_out(name, cell, unit):
    spec = INPUTS[name]
    for cells in ((cell,), (str(cell),)) if math.isfinite(cell) else ((cell,),):
        found = numbers(spec, *cells, unit=unit)
        assert np.isnan(found.numbers).all()
        assert found.implausible.tolist() == [True]
        assert found.unreadable.tolist() == [False]


def test_a_rim_of_zero_or_999_passes_here():
    # the sea shore and mountain roads are real; only the road itself can tell, later
    found = numbers(RIM, 0.0, 999.99, 9000.0, -500.0)
    assert_numbers(found, [0.0, 999.99, 9000.0, -500.0])
    assert not found.implausible.any()


def test_the_stated_value_is_kept_for_the_message():
    found = numbers(HEIGHT, 775.0, unit="in")
    assert found.stated.tolist() == [pytest.approx(775 * INCH)]


@pytest.mark.parametrize("text", ["90", "90.0", " 90 ", "90°", "90 deg", "90deg"])
def test_angles_are_degrees(text):
    assert_numbers(numbers(AXIS, text, unit="ft"), [math.pi / 2])


def test_angles_as_numbers():
    found = numbers(AXIS, 180.0, -90.0, None, 360.5, unit="mm")
    np.testing.assert_allclose(found.numbers, [math.pi, -math.pi / 2, math.nan, math.nan])
    assert found.implausible.tolist() == [False, False, False, True]


def test_no_column_and_a_column_of_nothing():
    for cells in (None, column(None, None, kind=pa.null())):
        found = read_numbers(cells, 2, RIM, unit="m")
        assert np.isnan(found.numbers).all()
        assert not (found.unreadable | found.implausible).any()


def test_columns_that_cannot_be_lengths_are_unreadable():
    # whoever maps a date, a list or a yes/no column by mistake is told row by row
    day = column(datetime.date(2020, 1, 2), None)
    answer = column(True, None)
    listed = column([1.0, 2.0], None)
    for cells in (day, answer, listed):
        found = read_numbers(cells, 2, RIM, unit="m")
        assert np.isnan(found.numbers).all()
        assert found.unreadable.tolist() == [True, False]


def test_several_chunks_keep_their_order():
    cells = pa.chunked_array([["1 m", ""], ["3 m"]])
    assert_numbers(read_numbers(cells, 3, DROP, unit=""), [1.0, math.nan, 3.0])


@given(st.integers(1, 63), st.integers(1, 11))
def test_sixteenths_are_exact(sixteenths, whole):
    # reference: exact fractions
    exact = (whole + Fraction(sixteenths % 16, 16)) * Fraction(254, 10000)
    text = f"{whole} {sixteenths % 16}/16 in" if sixteenths % 16 else f"{whole} in"
    assert numbers(HEIGHT, text, unit="").numbers[0] == float(exact)


NUMBERS = [spec for spec in INPUT_COLUMNS if spec.group in ("height", "dimension", "angle", "slope", "count")]


@given(st.lists(st.text(max_size=12), max_size=6), st.sampled_from(NUMBERS), st.sampled_from(["", "m", "in", "us-ft"]))
def test_any_text_is_a_number_a_blank_or_a_reason(cells, spec, unit):
    found = read_numbers(pa.chunked_array([pa.array(cells, pa.string())]), len(cells), spec, unit=unit)
    blank = np.array([not cell.strip() for cell in cells], dtype=bool)
    told = found.unreadable | found.implausible
    np.testing.assert_array_equal(np.isnan(found.numbers), blank | told)
    assert not (blank & told).any()
    low, high = (math.radians(limit) if spec.group == "angle" else limit for limit in (spec.low, spec.high))
    there = found.numbers[np.isfinite(found.numbers)]
    assert ((there >= low) & (there <= high)).all()


# ---------------------------------------------------------------- slopes and counts


@pytest.mark.parametrize(
    ("text", "slope"),
    [
        ("2", 0.02),  # bare numbers are per cent
        ("0.02", 0.0002),
        ("2 %", 0.02),
        ("2%", 0.02),
        ("½ %", 0.005),
        ("1:48", 1 / 48),
        ("1 : 50", 0.02),
        (" 0 ", 0.0),
        ("1/2 %", 0.005),
    ],
)
@pytest.mark.parametrize("unit", ["", "m", "in"])
def test_slopes_are_metres_per_metre_whatever_the_unit_of_lengths(text, slope, unit):
    assert_numbers(numbers(SLOPE, text, unit=unit), [slope])


@pytest.mark.parametrize("kind", [pa.float64(), pa.int64()])
def test_slopes_as_numbers_are_per_cent(kind):
    found = numbers(SLOPE, 2, None, 30, 31, -1, unit="mm", kind=kind)
    assert_numbers(found, [0.02, math.nan, 0.3, math.nan, math.nan])
    assert found.implausible.tolist() == [False, False, False, True, True]
    assert found.stated[3] == 0.31
    assert not found.unreadable.any()


@pytest.mark.parametrize("cell", ["1/48", "1⁄48", "steep", "2 in", "1:0", "2,5", "2 % %", "nan", "inf", "2 deg"])
def test_slopes_that_cannot_be_read(cell):
    # 1/48 may be a share or a part of a per cent
    found = numbers(SLOPE, cell, "")
    assert np.isnan(found.numbers).all()
    assert (found.unreadable.tolist(), found.implausible.tolist()) == ([True, False], [False, False])


@pytest.mark.parametrize("text", ["1:2", "50 %", "-2", "-1:50", "100"])
def test_slopes_that_no_bearing_has(text):
    assert numbers(SLOPE, text).implausible.tolist() == [True]


@pytest.mark.parametrize("text", ["3", "3.0", "3.", "+3", " 3 ", "03"])
def test_counts_of_text(text):
    assert_numbers(numbers(RINGS, text, unit="in"), [3.0])


def test_counts_of_numbers():
    found = numbers(RINGS, 3.0, 0.0, None, 2.5, 51.0, -1.0, math.inf, unit="in")
    np.testing.assert_array_equal(found.numbers, [3, 0] + [math.nan] * 5)
    assert found.unreadable.tolist() == [False, False, False, True, False, False, False]
    assert found.implausible.tolist() == [False, False, False, False, True, True, True]
    assert_numbers(numbers(RINGS, 4, 50, kind=pa.int16()), [4.0, 50.0])


@pytest.mark.parametrize("cell", ["2.5", "two", "1e1", "3 in", "1/2", "½", "٣", "3-4", "1_0", "nan", "--"])
def test_what_is_no_count(cell):
    found = numbers(RINGS, cell, "")
    assert np.isnan(found.numbers).all()
    assert found.unreadable.tolist() == [True, False]


@given(st.lists(st.integers(0, 50), min_size=1, max_size=5))
def test_whole_numbers_survive_as_number_and_as_text(counts):
    for cells in (column(*counts), column(*map(str, counts)), column(*map(float, counts))):
        assert read_numbers(cells, len(counts), RINGS, unit="").numbers.tolist() == counts


# ---------------------------------------------------------------- sizes


def sizes(*cells, unit="", kind=None, spec=TOP):
    return read_sizes(column(*cells, kind=kind), len(cells), spec, unit=unit)


@pytest.mark.parametrize(
    ("text", "unit", "width", "length"),
    [
        ("660 mm", "", 0.66, math.nan),
        ("26", "in", 26 * INCH, math.nan),
        ("24x36 in", "", 24 * INCH, 36 * INCH),
        ("24x36 in", "mm", 24 * INCH, 36 * INCH),  # a side without a unit takes the last side's
        ("24 X 36", "in", 24 * INCH, 36 * INCH),
        ("24×36", "in", 24 * INCH, 36 * INCH),
        ("600 mm x 900 mm", "in", 0.6, 0.9),
        ("450x600", "mm", 0.45, 0.6),
        ("36x24 in", "", 36 * INCH, 24 * INCH),  # width first, whichever is longer
        ("600x600 mm", "", 0.6, 0.6),
        ("2'x3'", "us-ft", 2 * US_FOOT, 3 * US_FOOT),
        ("2 ft x 3 ft", "m", 2 * FOOT, 3 * FOOT),
        (" 24 1/2 x 36 1/4 in ", "", 24.5 * INCH, 36.25 * INCH),
    ],
)
def test_sizes_of_text(text, unit, width, length):
    found = sizes(text, "", None, unit=unit)
    np.testing.assert_allclose(found.numbers, [width, math.nan, math.nan], rtol=1e-14)
    np.testing.assert_allclose(found.length, [length, math.nan, math.nan], rtol=1e-14)
    assert not (found.unreadable | found.implausible).any()


@pytest.mark.parametrize("kind", [pa.float64(), pa.int32()])
def test_numbers_are_diameters(kind):
    found = sizes(660, None, 5, unit="mm", kind=kind)
    np.testing.assert_allclose(found.numbers, [0.66, math.nan, math.nan])
    assert np.isnan(found.length).all()
    assert (found.implausible.tolist(), found.stated[2]) == ([False, False, True], 0.005)


@pytest.mark.parametrize(
    ("text", "stated"),
    [
        ("24x360 in", 360 * INCH),
        ("240x36 in", 240 * INCH),
        ("240x360 in", 240 * INCH),
        ("1x24 in", INCH),
        ("-24x36 in", -24 * INCH),
        ("0 in", 0.0),
        ("24x0 in", 0.0),
        ("3.01 m", 3.01),
    ],
)
def test_a_size_with_one_side_past_the_limits_is_left_out_as_a_whole(text, stated):
    # 0.05 m to 3 m, of each side
    found = sizes(text)
    assert np.isnan([found.numbers[0], found.length[0]]).all()
    assert (found.implausible.tolist(), found.unreadable.tolist()) == ([True], [False])
    assert found.stated[0] == pytest.approx(stated, rel=1e-14)


@pytest.mark.parametrize(
    "cell", ["24x36", "24 by 36 in", "x36 in", "24x in", "24x36x6 in", "x", "24,5x36 in", "abt 24 in"]
)
def test_sizes_that_cannot_be_read(cell):
    found = sizes(cell, "")
    assert np.isnan([*found.numbers, *found.length]).all()
    assert (found.unreadable.tolist(), found.implausible.tolist()) == ([True, False], [False, False])


def test_bare_sizes_without_a_declared_unit_cannot_be_read():
    assert sizes("24x36", "660", unit="").unreadable.tolist() == [True, True]
    assert sizes(660.0, None, unit="").unreadable.tolist() == [True, False]


def test_no_column_of_sizes():
    for cells in (None, column(None, None, kind=pa.null())):
        found = read_sizes(cells, 2, TOP, unit="mm")
        assert np.isnan([*found.numbers, *found.length]).all()
        assert not (found.unreadable | found.implausible).any()
    assert len(read_sizes(column(kind=pa.string()), 0, TOP, unit="mm").length) == 0


@given(st.integers(50, 3000), st.integers(50, 3000))
def test_sides_keep_their_order(width, length):
    found = sizes(f"{width}x{length} mm", f"{width} mm x {length} mm")
    assert found.numbers.tolist() == [width / 1000] * 2
    assert found.length.tolist() == [length / 1000] * 2


@given(st.lists(st.text(max_size=12) | st.text("0123456789 x.inm'\"/", max_size=12), max_size=6))
def test_any_text_is_a_size_a_blank_or_a_reason(cells):
    found = read_sizes(pa.chunked_array([pa.array(cells, pa.string())]), len(cells), TOP, unit="in")
    blank = np.array([not cell.strip() for cell in cells], dtype=bool)
    told = found.unreadable | found.implausible
    np.testing.assert_array_equal(np.isnan(found.numbers), blank | told)
    assert not (blank & told).any()
    assert not (np.isnan(found.numbers) & np.isfinite(found.length)).any()
    there = np.concatenate([found.numbers[~np.isnan(found.numbers)], found.length[~np.isnan(found.length)]])
    assert ((there >= TOP.low) & (there <= TOP.high)).all()


# ---------------------------------------------------------------- texts


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (column("a ", None, "", " b"), ["a", "", "", "b"]),
        (column(7.0, None, 12.5, 1e5, -0.0), ["7", "", "12.5", "100000", "0"]),
        (column(1e300, 0.1, math.nan), ["1e+300", "0.1", ""]),
        (column(2**63 - 1, None), ["9223372036854775807", ""]),
        (column(2**63, None, kind=pa.uint64()), ["9223372036854775808", ""]),
        (column(True, None, False), ["true", "", "false"]),
        (column(datetime.date(2020, 1, 2), None), ["2020-01-02", ""]),
        (column(["x", "y"], None), ["['x', 'y']", ""]),
        (column(b"\x00\xff", None), ["b'\\x00\\xff'", ""]),
        (column(decimal.Decimal("1.50")), ["1.50"]),
        (column(None, None, kind=pa.null()), ["", ""]),
        (column("x", None).dictionary_encode(), ["x", ""]),
        (column("x", None, kind=pa.large_string()), ["x", ""]),
    ],
    ids=lambda value: str(value.type) if isinstance(value, pa.ChunkedArray) else "",
)
def test_texts(cells, expected):
    assert read_texts(cells, len(expected)).tolist() == expected


def test_texts_of_no_column():
    assert read_texts(None, 3).tolist() == ["", "", ""]


@given(st.lists(st.text()))
def test_texts_are_only_trimmed(cells):
    found = read_texts(pa.chunked_array([pa.array(cells, pa.string())]), len(cells))
    assert found.tolist() == [cell.strip() for cell in cells]


# ---------------------------------------------------------------- words


def test_kinds_by_our_words_and_by_theirs():
    theirs = {"SSMH": "manhole", "CB": "inlet"}
    index, unknown = read_words(column("Manhole", "SSMH", "cb", " valve ", "", None, "tree"), 7, KINDS, theirs)
    assert [KINDS[i] if i >= 0 else "" for i in index] == ["manhole", "manhole", "inlet", "valve", "", "", ""]
    assert unknown.tolist() == [False] * 6 + [True]


def test_kinds_may_be_codes():
    index, unknown = read_words(column(1, 2, None), 3, KINDS, {"1": "valve"})
    assert (index.tolist(), unknown.tolist()) == ([KINDS.index("valve"), -1, -1], [False, True, False])


def test_their_word_may_be_one_of_ours_with_another_meaning():
    index, _ = read_words(column("inlet"), 1, KINDS, {"Inlet": "handhole"})
    assert index.tolist() == [KINDS.index("handhole")]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (column("Yes", "y", "TRUE", "1"), [1, 1, 1, 1]),
        (column("no", "N", "False", "0"), [0, 0, 0, 0]),
        (column(1, 0, None), [1, 0, -1]),
        (column(1.0, 0.0, None), [1, 0, -1]),
        (column(True, False, None), [1, 0, -1]),
        (column("", "  ", None, kind=pa.string()), [-1, -1, -1]),
    ],
    ids=lambda value: str(value.type) if isinstance(value, pa.ChunkedArray) else "",
)
def test_yes_and_no(cells, expected):
    index, unreadable = read_yes_no(cells, len(expected))
    assert index.tolist() == expected
    assert not unreadable.any()


def test_yes_and_no_that_cannot_be_read():
    index, unreadable = read_yes_no(column("maybe", "2", "on"), 3)
    assert (index.tolist(), unreadable.tolist()) == ([-1, -1, -1], [True, True, True])


def test_no_column_of_words():
    for index, wrong in (read_words(None, 2, KINDS), read_yes_no(None, 2)):
        assert (index.tolist(), wrong.tolist()) == ([-1, -1], [False, False])
