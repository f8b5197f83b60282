"""Lengths: exact, refused clearly, round trip through the printed text, and equal to an independent unit library."""

import math
import pickle
import time
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust import units
from geoadjust.errors import Fault
from geoadjust.units import FOOT, INCH, MM, US_FOOT, LengthError, parse_length, parse_ratio, parse_size

F = Fraction


# --- the units themselves


def test_units_are_exact_and_cannot_be_changed():
    # 0.3048 m: 85 FR 62698, 5 Oct 2020; 1200/3937 m: from memory of the standard
    assert dict(units.UNITS) == {
        "m": F(1),
        "cm": F(1, 100),
        "mm": F(1, 1000),
        "in": F(254, 10000),
        "ft": F(3048, 10000),
        "us-ft": F(1200, 3937),
    }
    with pytest.raises(TypeError):
        units.UNITS["m"] = F(2)


def test_ratio_of_the_two_feet():
    # 85 FR 62698: the feet differ by 2 parts per million; CALC: exactly 1/0.999998, 2.000004 ppm
    assert F(999998, 1000000) * US_FOOT == FOOT
    assert float(US_FOOT / FOOT - 1) * 1e6 == pytest.approx(2.000004, abs=5e-7)
    # CALC: 2,000,000 ft read in the wrong foot move by 4.0000 ft
    moved = parse_length("2000000 us-ft") - parse_length("2000000 ft")
    assert float(moved / FOOT) == pytest.approx(4.0000, abs=5e-5)


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("m", "meter"),
        ("cm", "centimeter"),
        ("mm", "millimeter"),
        ("in", "inch"),
        ("ft", "foot"),
        ("us-ft", "survey_foot"),
    ],
)
def test_factors_agree_with_an_independent_library(unit, name):
    theirs = pint.UnitRegistry().Quantity(1.0, name).to("meter").magnitude
    assert units.factor(unit) == pytest.approx(theirs, rel=1e-15)
    assert units.to_metres(7.25, unit) == pytest.approx(7.25 * theirs, rel=1e-15)
    assert units.from_metres(7.25, unit) == pytest.approx(7.25 / theirs, rel=1e-15)


def test_conversions_take_arrays_and_keep_nan():
    values = np.array([1.0, -2.5, np.nan])
    metres = units.to_metres(values, "us-ft")
    np.testing.assert_allclose(metres, values * 1200 / 3937, rtol=1e-15)
    np.testing.assert_allclose(units.from_metres(metres, "us-ft"), values, rtol=1e-15)
    assert math.isnan(units.to_metres(math.nan, "ft"))


@pytest.mark.parametrize("convert", [units.to_metres, units.from_metres, lambda value, unit: units.factor(unit)])
@pytest.mark.parametrize("unit", ["yd", "", "FT", "feet"])
def test_unknown_units_are_refused(convert, unit):
    with pytest.raises(LengthError) as caught:
        convert(1.0, unit)
    assert f"`{unit}`" in str(caught.value)
    assert "m, cm, mm, in, ft, us-ft" in str(caught.value)


# --- reading a length

SEVEN = F(31, 4) * INCH
FOOT_TWO = (12 + 2 + F(3, 8)) * INCH


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("7 3/4 in", SEVEN),
        ('7-3/4"', SEVEN),
        ('7 3/4"', SEVEN),
        ("7¾ in", SEVEN),
        ("7 ¾ in", SEVEN),
        ("7-¾ in", SEVEN),
        ("7–3/4″", SEVEN),
        ("7 3/4''", SEVEN),
        ("7 3/4 IN.", SEVEN),
        ("  7  3/4\tin \n", SEVEN),
        ("7\u00a03/4\u00a0in", SEVEN),
        ("7.75inches", SEVEN),
        ("½ in", INCH / 2),
        ("⅞”", F(7, 8) * INCH),
        ("3/4 in", F(3, 4) * INCH),
        ("3⁄4 in", F(3, 4) * INCH),
        ("5/4 in", F(5, 4) * INCH),
        ("1 inch", INCH),
        ("2 3/8 inches", F(19, 8) * INCH),
        ("-1/2 in", -INCH / 2),
        ("−½ in", -INCH / 2),
        ("-7 3/4 in", -SEVEN),
        ("+7 3/4 in", SEVEN),
        ("- 7 3/4 in", -SEVEN),
        ("0.65 ft", F(65, 100) * FOOT),
        (".65 ft", F(65, 100) * FOOT),
        ("2. ft", 2 * FOOT),
        ("1 foot", FOOT),
        ("3 Feet", 3 * FOOT),
        ("3 ft.", 3 * FOOT),
        ("3'", 3 * FOOT),
        ("3’", 3 * FOOT),
        ("1 1/2 ft", F(3, 2) * FOOT),
        ("12 us-ft", 12 * US_FOOT),
        ("12 US-Feet", 12 * US_FOOT),
        ("1'-2 3/8\"", FOOT_TWO),
        ("1' 2 3/8\"", FOOT_TWO),
        ("1'2 3/8\"", FOOT_TWO),
        ("1' - 2 3/8\"", FOOT_TWO),
        ("1’-2⅜”", FOOT_TWO),
        ("1′ 2 3/8″", FOOT_TWO),
        ("1 ft 2 3/8 in", FOOT_TWO),
        ("1 ft. 2 3/8 in.", FOOT_TWO),
        ("1 foot 2.375 inches", FOOT_TWO),
        ("1'-2 3/8''", FOOT_TWO),
        ("-1'-2 3/8\"", -FOOT_TWO),
        ("0'-5/8\"", F(5, 8) * INCH),
        ("0'-11 63/64\"", (11 + F(63, 64)) * INCH),
        ("1 us-ft 6 in", F(3, 2) * US_FOOT),
        ("200 mm", 200 * MM),
        ("200MM", 200 * MM),
        ("3 millimetres", 3 * MM),
        ("1 millimeter", MM),
        ("2.5 cm", 25 * MM),
        ("2 centimeters", 20 * MM),
        ("1 centimetre", 10 * MM),
        ("1.5 m", F(3, 2)),
        ("1.5 metres", F(3, 2)),
        ("1 meter", F(1)),
        ("1e-3 m", MM),
        ("1E-3 M", MM),
        ("1.5e+2 mm", 150 * MM),
        ("0 in", F(0)),
        ("-0 in", F(0)),
        ("1e9 m", F(10**9)),
    ],
)
def test_lengths_are_read_exactly(text, metres):
    assert parse_length(text) == metres


@pytest.mark.parametrize(
    ("text", "unit", "metres"),
    [
        ("0.65", "ft", F(65, 100) * FOOT),
        ("0.65", "us-ft", F(65, 100) * US_FOOT),
        ("7 3/4", "in", SEVEN),
        ("-7¾", "in", -SEVEN),
        ("1e2", "mm", 100 * MM),
        ("200 mm", "ft", 200 * MM),  # a unit in the text beats the declared one
    ],
)
def test_a_bare_number_takes_the_declared_unit(text, unit, metres):
    assert parse_length(text, unit) == metres


@pytest.mark.parametrize("text", ["3 ft", "3'", "3 feet", "2'-6 1/2\"", "2 ft 6.5 in"])
def test_the_source_says_which_foot_is_meant(text):
    assert parse_length(text, foot="us-ft") / parse_length(text) == US_FOOT / FOOT


def test_the_foot_touches_neither_named_nor_declared_units():
    assert parse_length("3", "ft", foot="us-ft") == 3 * FOOT
    assert parse_length("3 in", foot="us-ft") == 3 * INCH
    assert parse_length("3 us-ft", foot="ft") == 3 * US_FOOT


@pytest.mark.parametrize("arguments", [{"unit": "yd"}, {"foot": "yd"}, {"foot": "m"}])
def test_unknown_declared_unit_or_foot_is_refused_even_where_unused(arguments):
    with pytest.raises(LengthError, match=r"`(yd|m)`: unknown (unit|foot) \(allowed: .*ft, us-ft\)"):
        parse_length("200 mm", **arguments)


def test_field_arithmetic_is_exact():
    # common practice, no source: 9 3/8 - 7 3/4 = 1 5/8 in
    difference = parse_length("9 3/8 in") - parse_length("7 3/4 in")
    assert difference == parse_length("1 5/8 in") == F(13, 8) * INCH


# --- refusing a text

REFUSED = {
    "": "empty",
    "   ": "empty",
    "in": "no number",
    "-": "no number",
    "NaN": "no number",
    "nan m": "no number",
    "inf": "no number",
    "-inf ft": "no number",
    "0.65": "without a unit",
    "7 3/4": "without a unit",
    "1 2 in": "not a number",
    "1 2/3/4 in": "not a number",
    "7 -3/4 in": "not a number",
    "7 - 3/4 in": "not a number",
    "7- 3/4 in": "not a number",
    "7.5 1/2 in": "not a number",
    "7 3 / 4 in": "not a number",
    "--1 in": "not a number",
    "+-1 in": "not a number",
    "1_000 mm": "not a number",
    "1 000 mm": "not a number",
    "1.2.3 m": "not a number",
    "0x10 mm": "not a number",
    "1e9999 m": "not a number",
    "1e999999999 m": "not a number",
    "½½ in": "not a number",
    "½5 in": "not a number",
    "1 m 20 cm": "not a number",
    "$5 m": "not a number",
    "7 5/0 in": "over zero",
    "0/0 in": "over zero",
    "7 5/4 in": "not below one",
    "7 4/4 in": "not below one",
    "71⁄2 in": "not below one",  # what NFKC makes of 7½
    "0,65 ft": "comma",
    "1,000 mm": "comma",
    "1,000.5 mm": "comma",
    "12 furlongs": "unknown unit `furlongs`",
    "12 in x": "unknown unit",
    "12 inn": "unknown unit",
    "7 3/4 in/ft": "unknown unit",
    "1em": "unknown unit",
    '7" "': "unknown unit",
    "5 .": "unknown unit",
    "5 %": "unknown unit",
    "1'-14\"": "12 inches or more",
    "1'-12\"": "12 inches or more",
    "1 ft 12.0 in": "12 inches or more",
    "1'--2\"": "joined by other than",
    "1' -2\"": "joined by other than",
    "1 ft -2 in": "joined by other than",
    "1 ft +2 in": "joined by other than",
    "1'-2": "without an inch mark",
    "1 ft 6 mm": "without an inch mark",
    "1 ft.2 in": "joined by other than",  # 2 in or 0.2 in?
    "1'.2\"": "not a number",
    "1.5' 2\"": "whole number of feet",
    "1 1/2 ft 2 in": "whole number of feet",
    "٣ in": "digits",
    "７ in": "digits",
    "7² in": "digits",
    "1e10 m": "more than 1e9",
    "1e999 mm": "more than 1e9",
    "9" * 99 + "m": "more than 1e9",
    "7 in\x00": "unknown unit",
}


@pytest.mark.parametrize(("text", "reason"), REFUSED.items())
def test_refused_texts_say_what_was_seen_and_what_is_allowed(text, reason):
    with pytest.raises(LengthError) as caught:
        parse_length(text)
    message = str(caught.value)
    assert message.startswith("`" + text.replace("\x00", r"\x00") + "`: ")
    assert reason in message
    assert "7 3/4 in" in message
    assert message.isprintable()


def test_a_comma_gets_a_remedy():
    with pytest.raises(LengthError, match="write a decimal point"):
        parse_length("0,65 ft")


@pytest.mark.parametrize("read", [parse_length, parse_ratio])
def test_over_long_text_is_refused_and_not_repeated_in_full(read):
    assert read(" " * 97 + ("0 m" if read is parse_length else "0 %")) == 0
    with pytest.raises(LengthError, match="longer than 100 characters") as caught:
        read("9" * 10_000_000)
    assert "`" + "9" * 40 + "...`" in str(caught.value)
    assert len(str(caught.value)) < 250


@pytest.mark.parametrize("hard", ["ft1" * 33, "1'" * 50, "1 " * 50, "1-" * 50, "1ft-" * 25, "'" * 100, "½" * 100])
def test_the_worst_hundred_characters_are_refused_quickly(hard):
    start = time.process_time()
    with pytest.raises(LengthError):
        parse_length(hard)
    assert time.process_time() - start < 0.5


def test_errors_survive_pickling_and_become_faults():
    with pytest.raises(LengthError) as caught:
        parse_length("0,65 ft")
    twin = pickle.loads(pickle.dumps(caught.value))
    assert type(twin) is LengthError
    assert isinstance(twin, ValueError)
    assert str(twin) == str(caught.value)
    assert twin.fault("covers.csv") == Fault(
        "covers.csv", "`0,65 ft`: a comma", twin.allowed, "write a decimal point, and no thousands separator"
    )


def only_a_fraction_or_a_length_error(read, text):
    try:
        value = read(text)
    except LengthError as error:
        value, message = None, str(error)
    if value is None:
        assert message.isprintable()
        return
    assert isinstance(value, Fraction)
    assert abs(value) <= 10**9
    float(value)


ODD_TEXTS = st.text() | st.text("0123456789 .,-+/⁄'\"eEinftmusc%:½¾′″’”−_", max_size=100)


@settings(deadline=200, max_examples=500)
@given(ODD_TEXTS, st.sampled_from([None, *units.UNITS]), st.sampled_from(["ft", "us-ft"]))
def test_any_text_is_a_fraction_or_a_length_error(text, unit, foot):
    only_a_fraction_or_a_length_error(lambda seen: parse_length(seen, unit, foot=foot), text)
    only_a_fraction_or_a_length_error(parse_ratio, text)


# --- ratios


@pytest.mark.parametrize(
    ("text", "ratio"),
    [
        ("1 %", F(1, 100)),
        ("0.5%", F(1, 200)),
        ("-2 %", F(-1, 50)),
        ("−½ %", F(-1, 200)),
        ("1:48", F(1, 48)),
        ("1 : 48", F(1, 48)),
        ("-1:48", F(-1, 48)),
        ("0.02", F(1, 50)),
        ("1/48", F(1, 48)),
        ("2e-2", F(1, 50)),
        ("100%", F(1)),
        ("0", F(0)),
    ],
)
def test_ratios_are_read_exactly(text, ratio):
    assert parse_ratio(text) == ratio


REFUSED_RATIOS = {
    "": "empty",
    "%": "not a number",
    "1 in": "not a number",
    "1:48%": "not a number",
    "1:2:3": "not a number",
    "1:-48": "not a number",
    "1:": "not a number",
    ":48": "not a number",
    "1 %%": "not a number",
    "nan": "not a number",
    "inf %": "not a number",
    "1_0 %": "not a number",
    "1:0": "run is zero",
    "1/0": "over zero",
    "0,5 %": "comma",
    "٣ %": "digits",
    "1e10": "more than 1e9",
    "1:1e-999": "more than 1e9",
}


@pytest.mark.parametrize(("text", "reason"), REFUSED_RATIOS.items())
def test_refused_ratios_say_what_was_seen_and_what_is_allowed(text, reason):
    with pytest.raises(LengthError) as caught:
        parse_ratio(text)
    assert str(caught.value).startswith(f"`{text}`: ")
    assert reason in str(caught.value)
    assert "1 %, 1:48, 0.02" in str(caught.value)


# --- sizes


@pytest.mark.parametrize(
    ("text", "unit", "sides"),
    [
        ("660 mm", None, [660 * MM]),
        ("660", "mm", [660 * MM]),
        ("1'-2 3/8\"", None, [FOOT_TWO]),
        ("24x36 in", None, [24 * INCH, 36 * INCH]),
        ("24x36 in", "mm", [24 * INCH, 36 * INCH]),
        ("24 X 36 in", None, [24 * INCH, 36 * INCH]),
        ("24×36in", None, [24 * INCH, 36 * INCH]),
        ("24x36", "in", [24 * INCH, 36 * INCH]),
        ('24" x 36"', None, [24 * INCH, 36 * INCH]),
        ("600 mm x 24 in", None, [600 * MM, 24 * INCH]),
        ("600 mm x 900", "mm", [600 * MM, 900 * MM]),
        ("24 1/2 x 36 1/4 in", None, [F(49, 2) * INCH, F(145, 4) * INCH]),
        ("24-1/2x36 in", None, [F(49, 2) * INCH, 36 * INCH]),
        ("2.5x3.5 ft", None, [F(5, 2) * FOOT, F(7, 2) * FOOT]),
        ("2'-0\" x 3'-0\"", None, [2 * FOOT, 3 * FOOT]),
        ("2'x3'", None, [2 * FOOT, 3 * FOOT]),
        ("24x36 us-ft", "mm", [24 * US_FOOT, 36 * US_FOOT]),
    ],
)
def test_sizes_are_read_exactly(text, unit, sides):
    assert list(parse_size(text, unit)) == sides


def test_which_foot_a_size_means():
    assert parse_size("2x3 ft", foot="us-ft") == (2 * US_FOOT, 3 * US_FOOT)
    assert parse_size("2' x 3'", foot="us-ft") == (2 * US_FOOT, 3 * US_FOOT)
    assert parse_size("2x3", "ft", foot="us-ft") == (2 * FOOT, 3 * FOOT)


@pytest.mark.parametrize("text", ["24x36 in", "600 mm x 900 mm", "2'x3'", "24 1/2 x 36 1/4 in"])
def test_a_size_turned_round_has_the_same_sides(text):
    first, last = (side.strip() for side in text.split("x"))
    unit = last.lstrip("0123456789 /")
    turned = f"{last.removesuffix(unit).strip()} {unit} x {first.removesuffix(unit).strip()} {unit}"
    assert parse_size(turned) == parse_size(text)[::-1]


REFUSED_SIZES = {
    "": "empty",
    "660": "without a unit",
    "24x36": "without a unit",
    "x": "neither a diameter nor WIDTHxLENGTH",
    "24x": "neither a diameter nor WIDTHxLENGTH",
    "x36 in": "neither a diameter nor WIDTHxLENGTH",
    "24x36x6 in": "neither a diameter nor WIDTHxLENGTH",
    "24xx36 in": "neither a diameter nor WIDTHxLENGTH",
    "24 by 36 in": "not a number",
    "24x36 yd": "unknown unit",
    "24 yd x 36 in": "unknown unit",
    "24,5x36 in": "comma",
    "24x36,5 in": "comma",
    "24 x nan in": "no number",
    "1e10x1 m": "more than 1e9",
    "9" * 200: "longer than 100 characters",
    "9x" + "9" * 200: "longer than 100 characters",
}


@pytest.mark.parametrize(("text", "reason"), REFUSED_SIZES.items(), ids=[text[:20] for text in REFUSED_SIZES])
def test_refused_sizes_say_what_is_wrong(text, reason):
    with pytest.raises(LengthError, match=reason) as caught:
        parse_size(text)
    assert caught.value.allowed


@pytest.mark.parametrize(
    ("text", "unit", "sides"),
    [
        ("24x36½ in", None, [24 * INCH, F(73, 2) * INCH]),
        ("24½x36½ in", None, [F(49, 2) * INCH, F(73, 2) * INCH]),
        ("24½x36 in", "mm", [F(49, 2) * INCH, 36 * INCH]),
        ("24x1e3 mm", None, [24 * MM, 1000 * MM]),
        ("24. x 36. in", None, [24 * INCH, 36 * INCH]),
    ],
)
def test_a_bare_side_takes_the_unit_of_the_last_and_nothing_else_of_it(text, unit, sides):
    assert list(parse_size(text, unit)) == sides


@pytest.mark.parametrize("text", ["2x3'-2\"", "24x3 ft 2 in", "24x3'2\""])
def test_a_bare_side_before_feet_and_inches_could_mean_two_things(text):
    with pytest.raises(LengthError):
        parse_size(text)


@settings(deadline=200, max_examples=300)
@given(ODD_TEXTS | st.text("0123456789 ./xX×inm'\"½", max_size=20), st.sampled_from([None, *units.UNITS]))
def test_any_text_is_one_or_two_fractions_or_a_length_error(text, unit):
    try:
        sides, message = parse_size(text, unit), ""
    except LengthError as error:
        sides, message = (F(0),), str(error)
    assert message.isprintable()
    assert len(sides) in (1, 2)
    assert all(isinstance(side, F) and abs(side) <= 10**9 for side in sides)


@settings(max_examples=100)
@given(st.integers(1, 1000), st.integers(1, 1000), st.sampled_from([*units.UNITS]))
def test_sides_are_what_each_would_be_alone(width, length, unit):
    alone = parse_length(f"{width} {unit}"), parse_length(f"{length} {unit}")
    assert parse_size(f"{width}x{length} {unit}") == parse_size(f"{width}x{length}", unit) == alone
    assert parse_size(f"{width} {unit} x {length} {unit}") == alone


# --- rounding


@pytest.mark.parametrize("k", range(1, 800, 2))
@pytest.mark.parametrize("digits", [6, 9, 15])
def test_ties_of_an_inch_go_away_from_zero_however_they_were_stored(k, digits):
    # k/32 in with odd k is a tie between sixteenths; the answer is worked in fractions
    stored = round(float(F(k, 32) * INCH), digits)
    assert units.inches_sixteenth(stored) == float(F(k + 1, 32))
    assert units.inches_sixteenth(-stored) == -float(F(k + 1, 32))
    assert parse_length(units.format_inches(stored)) == F(k + 1, 32) * INCH
    assert parse_length(units.format_inches(-stored)) == -F(k + 1, 32) * INCH


@pytest.mark.parametrize("k", range(1, 400, 2))
def test_ties_given_to_a_nanometre_round_up_without_a_slack_of_their_own(k):
    stored = round(float(F(k, 32) * INCH), 9)
    assert units.round_half_up(stored, 0.0254 / 16) == pytest.approx(float(F(k + 1, 32) * INCH), rel=1e-14)


@pytest.mark.parametrize("denominator", [1, 2, 4, 8, 16, 32, 64])
def test_ties_of_every_denominator_round_up_from_stored_micrometres(denominator):
    for odd in range(1, 101, 2):
        stored = round(float(F(odd, 2 * denominator) * INCH), 6)
        up = F(odd + 1, 2 * denominator) * INCH
        assert parse_length(units.format_inches(stored, denominator)) == up
        assert parse_length(units.format_feet_inches(-stored, denominator)) == -up


def test_the_default_slack_is_a_millionth_of_a_step():
    assert units.round_half_up(10 * (2.5 - 0.9e-6), 10.0) == 30.0
    assert units.round_half_up(10 * (2.5 - 1.1e-6), 10.0) == 20.0


@pytest.mark.parametrize("unit", ["ft", "us-ft"])
def test_stored_ties_of_a_thousandth_of_a_foot_round_up_with_the_slack(unit):
    slack = units.from_metres(units.TIE_SLACK, unit)
    for odd in (*range(1, 400, 2), 1_224_753):  # the last: an elevation of some 612 ft
        stored = round(float(F(odd, 2000) * units.UNITS[unit]), 6)
        assert units.round_half_up(units.from_metres(stored, unit), 0.001, slack=slack) == (odd + 1) / 2 / 1000


def test_a_micrometre_below_a_tie_rounds_down():
    assert units.inches_sixteenth(0.00079375) == 1 / 16
    assert units.inches_sixteenth(0.00079275) == 0.0
    assert units.format_mm(0.057249) == "57.2 mm"
    assert units.format_mm(0.057499, 0) == "57 mm"


@given(st.integers(-(10**9), 10**9), st.sampled_from(["1", "0.1", "0.01", "0.001", "5", "0.5"]))
def test_metric_rounding_agrees_with_decimal_arithmetic(micrometres, step):
    # stored values are whole micrometres; the reference rounds the decimal digits
    millimetres = Decimal(micrometres) / 1000
    expected = (millimetres / Decimal(step)).quantize(Decimal(1), ROUND_HALF_UP) * Decimal(step)
    assert units.round_half_up(micrometres / 1000, float(step)) == float(expected)


@given(st.lists(st.floats(-1e4, 1e4) | st.just(math.nan), max_size=20), st.sampled_from([1.0, 0.1, 1 / 16, 0.001, 5.0]))
def test_arrays_round_like_floats_and_evenly_about_zero(values, step):
    array = units.round_half_up(np.array(values, dtype=float), step)
    np.testing.assert_array_equal(array, [units.round_half_up(value, step) for value in values])
    np.testing.assert_array_equal(array, -units.round_half_up(-np.array(values, dtype=float), step))
    np.testing.assert_array_equal(np.isnan(array), np.isnan(np.array(values, dtype=float)))
    assert not np.signbit(array[array == 0]).any()
    finite = ~np.isnan(array)
    assert (abs(array - np.array(values, dtype=float))[finite] <= step * (0.5 + 2e-6)).all()


def test_rounding_has_no_minus_zero_and_keeps_nan():
    assert math.copysign(1.0, units.round_half_up(-0.2, 1.0)) == 1.0
    assert math.isnan(units.round_half_up(math.nan, 0.1))
    np.testing.assert_array_equal(units.inches_sixteenth(np.array([0.05715, np.nan])), [2.25, np.nan])


@pytest.mark.parametrize(
    ("step", "slack"),
    [(0.0, None), (-1.0, None), (math.nan, None), (math.inf, None), (1e-320, None), (1, 0.5), (1, -0.1)],
)
def test_senseless_steps_and_slacks_are_refused(step, slack):
    with pytest.raises(ValueError, match="allowed"):
        units.round_half_up(1.0, step, slack=slack)


# --- printing


@pytest.mark.parametrize(
    ("metres", "inches", "feet_inches"),
    [
        (0.05715, "2 1/4 in", "0'-2 1/4\""),
        (0.015875, "5/8 in", "0'-5/8\""),
        (-0.0381, "-1 1/2 in", "-0'-1 1/2\""),
        (0.0, "0 in", "0'-0\""),
        (-0.0001, "0 in", "0'-0\""),
        (0.365125, "14 3/8 in", "1'-2 3/8\""),
        (0.3047, "12 in", "1'-0\""),  # carries into the foot
        (-0.6096, "-24 in", "-2'-0\""),
        (math.nan, "", ""),
        (math.inf, "", ""),
    ],
)
def test_inches_and_feet_are_printed(metres, inches, feet_inches):
    assert units.format_inches(metres) == inches
    assert units.format_feet_inches(metres) == feet_inches
    assert units.format_inches(np.float64(metres)) == inches


def test_a_coarser_and_a_finer_scale():
    metres = float(F(3, 32) * INCH)
    assert [units.format_inches(metres, d) for d in (1, 8, 16, 32)] == ["0 in", "1/8 in", "1/8 in", "3/32 in"]


@pytest.mark.parametrize("denominator", [0, -16, 10, 128])
@pytest.mark.parametrize("form", [units.format_inches, units.format_feet_inches])
def test_a_scale_that_no_tape_has_is_refused(form, denominator):
    with pytest.raises(ValueError, match=rf"denominator {denominator} \(allowed: 1, 2, 4, 8, 16, 32, 64\)"):
        form(math.nan, denominator)


@given(st.integers(-100_000, 100_000), st.sampled_from([8, 16, 32]))
def test_what_is_printed_is_read_back(count, denominator):
    exact = F(count, denominator) * INCH
    for digits in (6, 15):  # as stored, and as computed
        metres = round(float(exact), digits)
        assert parse_length(units.format_inches(metres, denominator)) == exact
        assert parse_length(units.format_feet_inches(metres, denominator)) == exact


@given(st.floats(-1e4, 1e4), st.sampled_from([8, 16, 32]))
def test_what_is_printed_is_within_half_a_step(metres, denominator):
    limit = float(INCH / denominator / 2) + units.TIE_SLACK + 1e-12
    assert abs(float(parse_length(units.format_inches(metres, denominator))) - metres) <= limit
    assert abs(float(parse_length(units.format_feet_inches(metres, denominator))) - metres) <= limit
    assert abs(float(parse_length(units.format_mm(metres, 2))) - metres) <= 0.5e-5 + 1e-10


@pytest.mark.parametrize(
    ("metres", "decimals", "text"),
    [
        (0.05715, 0, "57 mm"),
        (0.05715, 1, "57.2 mm"),
        (-0.05715, 1, "-57.2 mm"),
        (0.0575, 0, "58 mm"),
        (0.2, 1, "200.0 mm"),
        (-0.00001, 1, "0.0 mm"),
        (math.nan, 1, ""),
        (-math.inf, 0, ""),
    ],
)
def test_millimetres_are_printed(metres, decimals, text):
    assert units.format_mm(metres, decimals) == text


def test_millimetres_have_one_decimal_unless_told():
    assert units.format_mm(0.0572) == "57.2 mm"


@pytest.mark.parametrize(
    ("metres", "us", "metric"),
    [
        (0.05715, "Raise 2 1/4 in", "Raise 57 mm"),
        (-0.015875, "Lower 5/8 in", "Lower 16 mm"),
        (0.00079375, "Raise 1/16 in", "Raise 1 mm"),
        (-0.00079375, "Lower 1/16 in", "Lower 1 mm"),
        (0.0006, "No change", "Raise 1 mm"),
        (0.0004, "No change", "No change"),
        (-0.0004, "No change", "No change"),
        (0.0, "No change", "No change"),
        (math.nan, "Raise unknown", "Raise unknown"),
    ],
)
def test_the_order_is_in_words(metres, us, metric):
    assert units.format_raise(metres, "us") == us
    assert units.format_raise(metres, "metric") == metric


@pytest.mark.parametrize("metres", [0.1, math.nan])
def test_an_unknown_system_is_refused(metres):
    with pytest.raises(ValueError, match=r"system 'imperial' \(allowed: us, metric\)"):
        units.format_raise(metres, "imperial")
