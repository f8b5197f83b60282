"""Settings: parsed, refused with a useful sentence, shown and read back; every field of every table."""

import math
import tomllib
from dataclasses import FrozenInstanceError, dataclass, fields
from typing import Annotated

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from geoadjust.core.settings import Count, Length, Number, Ratio, Setting, Size, Word, Words, metres, settings_of
from geoadjust.units import LengthError

LENGTH = Length(help="a length", low="5 mm", high="300 mm")
SIZE = Size(help="a size", low="50 mm", high="3 m")
NUMBER = Number(help="degrees", low=1.0, high=360.0)
RATIO = Ratio(help="a slope", low=0.0, high=0.2)
COUNT = Count(help="a count", low=1, high=9)
WORD = Word(help="a word", words=("", "red", "green"))
WORDS = Words(help="some words", words=("red", "green", "blue"))


def written(setting, value):
    """What TOML reads from the shown value."""
    return tomllib.loads(f"x = {setting.show(value)}")["x"]


# --- lengths


@pytest.mark.parametrize(
    ("text", "inner"),
    [
        # 1 in = 25.4 mm, 1 ft = 304.8 mm exactly (85 FR 62698, 5 Oct 2020)
        ("7 3/4 in", 0.19685),
        ("200 mm", 0.2),
        ("0.65 ft", 0.19812),
        ("0.3 m", 0.3),
        ("5 mm", 0.005),
        ("300 mm", 0.3),
    ],
)
def test_length_is_metres(text, inner):
    assert LENGTH.parse(text) == inner


@pytest.mark.parametrize("text", ["4.999 mm", "300.001 mm", "-6 mm", "1 ft", "0 mm"])
def test_length_outside_its_limits_is_refused(text):
    with pytest.raises(ValueError, match=r"outside 5 mm to 300 mm"):
        LENGTH.parse(text)


@pytest.mark.parametrize("value", [6, 6.0, 0.2, -1, math.nan, math.inf])
def test_bare_number_is_refused_because_it_has_no_unit(value):
    with pytest.raises(ValueError, match="no unit"):
        LENGTH.parse(value)


def test_nothing_needs_no_unit():
    free = Length(help="may be nothing", high="1 m")
    assert [free.parse(value) for value in (0, 0.0, -0.0)] == [0.0, 0.0, 0.0]
    assert math.copysign(1, free.parse(-0.0)) == 1
    with pytest.raises(ValueError, match="outside"):
        LENGTH.parse(0)


@pytest.mark.parametrize("value", [True, False, None, [], {}, b"6 mm", 1j])
def test_what_is_no_length_is_refused_with_an_example(value):
    with pytest.raises(ValueError, match="is not a length") as refused:
        LENGTH.parse(value)
    assert LENGTH.parse(tomllib.loads(f"x = {LENGTH.example()}")["x"]) == 0.3
    assert LENGTH.example() in str(refused.value)


@pytest.mark.parametrize("text", ["", "6", "six mm", "6 yd", "6,5 mm", "nan mm", "inf mm", "1/0 in", "6 mm 6"])
def test_text_that_is_no_length_is_refused(text):
    with pytest.raises(LengthError):
        LENGTH.parse(text)


@given(st.integers(50_000, 3_000_000))
@settings(max_examples=100, deadline=None)
def test_shown_length_reads_back(tenths_of_micrometres):
    inner = tenths_of_micrometres / 1e7  # what a job file holds: no more than four decimals of a millimetre
    assert LENGTH.parse(written(LENGTH, inner)) == inner


# --- sizes


@pytest.mark.parametrize(
    ("text", "width", "length"),
    [
        ("660 mm", 0.66, 0.0),
        ("26 in", 0.6604, 0.0),
        ("24x36 in", 0.6096, 0.9144),
        ("600 mm x 24 in", 0.6, 0.6096),
        ("50x3000 mm", 0.05, 3.0),
    ],
)
def test_size_is_width_and_length(text, width, length):
    found = SIZE.parse(text)
    assert found[0] == width
    assert found[1] == length


@pytest.mark.parametrize("text", ["49 mm", "49x600 mm", "600x49 mm", "600x3001 mm", "-24x36 in", "4 m"])
def test_a_size_with_a_side_outside_its_limits_is_refused(text):
    with pytest.raises(ValueError, match="outside 50 mm to 3 m"):
        SIZE.parse(text)


@pytest.mark.parametrize("value", ["24x36", "660", "24x36x2 in", "x", "", 24, 0.6, True, None, [600, 900]])
def test_what_is_no_size_is_refused(value):
    with pytest.raises(ValueError, match=r"unit|number|neither|length|empty"):
        SIZE.parse(value)


@given(st.integers(500, 30_000), st.integers(500, 30_000) | st.none())
@settings(max_examples=100, deadline=None)
def test_shown_size_reads_back(width, length):
    inner = (width / 1e4, 0.0 if length is None else length / 1e4)
    found = SIZE.parse(written(SIZE, inner))
    assert found[0] == inner[0]
    assert found[1] == inner[1]


# --- ratios


@pytest.mark.parametrize(
    ("value", "inner"),
    [("2 %", 0.02), ("2%", 0.02), ("1:50", 0.02), ("0.02", 0.02), (0.02, 0.02), (0, 0.0), ("20 %", 0.2)],
)
def test_ratio_is_metres_per_metre(value, inner):
    assert RATIO.parse(value) == inner


@pytest.mark.parametrize("value", ["20.01 %", "2", 2, -0.01, "-1 %", math.nan, math.inf, "1:2"])
def test_ratio_outside_its_limits_is_refused(value):
    with pytest.raises(ValueError, match=r"outside 0 % to 20 %"):
        RATIO.parse(value)


@pytest.mark.parametrize("value", [True, None, [0.02], "two per cent", "1:0", "2 mm"])
def test_what_is_no_ratio_is_refused(value):
    with pytest.raises(ValueError, match=r"ratio|number|run is zero"):
        RATIO.parse(value)


@given(st.integers(0, 20_000))
@settings(max_examples=100, deadline=None)
def test_shown_ratio_reads_back(thousandths_of_per_cent):
    inner = thousandths_of_per_cent / 1e5
    assert RATIO.parse(written(RATIO, inner)) == inner


# --- counts, words, lists of words


def test_count():
    assert [COUNT.parse(value) for value in (1, 9)] == [1, 9]
    assert written(COUNT, 7) == 7
    for value in (0, 10, -1):
        with pytest.raises(ValueError, match="outside 1 to 9"):
            COUNT.parse(value)
    for value in (True, 3.0, "3", None, math.nan):
        with pytest.raises(ValueError, match="not a whole number"):
            COUNT.parse(value)


def test_number():
    assert [NUMBER.parse(value) for value in (1, 22.5, 360.0)] == [1.0, 22.5, 360.0]
    assert written(NUMBER, 22.5) == 22.5
    for value in (0.999, 361, math.nan, math.inf):
        with pytest.raises(ValueError, match="outside 1 to 360"):
            NUMBER.parse(value)
    for value in (True, "5", None):
        with pytest.raises(ValueError, match="not a number"):
            NUMBER.parse(value)


def test_word():
    assert [WORD.parse(word) for word in ("", "red")] == ["", "red"]
    assert [written(WORD, word) for word in ("", "red")] == ["", "red"]
    for value in ("Red", "blue", None, 1, True, ["red"], "red "):
        with pytest.raises(ValueError, match="is not one of red, green"):
            WORD.parse(value)


def test_words_keep_the_owner_s_order():
    assert WORDS.parse(["green", "red"]) == ("green", "red")
    assert WORDS.parse([]) == ()
    assert written(WORDS, ("blue", "red")) == ["blue", "red"]
    for value in ("red", ["red", "red"], None, {"red": 1}):
        with pytest.raises(ValueError, match="not a list of different words"):
            WORDS.parse(value)
    for value in (["pink"], [1]):
        with pytest.raises(ValueError, match="is not one of red, green, blue"):
            WORDS.parse(value)


@given(st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=20))
@settings(max_examples=100, deadline=None)
def test_shown_text_reads_back(text):
    assert written(Setting(help="a text"), text) == text


@pytest.mark.parametrize("value", [True, False, 0.0, 1.5, 12, ["a", "b"], []])
def test_shown_plain_value_reads_back(value):
    assert written(Setting(help="anything"), value) == value


# --- the pydantic hooks


@dataclass(frozen=True)
class Paper:
    """One setting of each class."""

    joint: Annotated[float, Length(help="a joint", high="50 mm")]
    slope: Annotated[float, Ratio(help="a slope", high=0.2)] = 0.1
    rings: Annotated[int, Count(help="rings", high=8)] = 4
    colour: Annotated[str, Word(help="a colour", words=("red", "green"))] = "red"
    order: Annotated[tuple[str, ...], Words(help="an order", words=("red", "green"))] = ()
    name: Annotated[str, Setting(help="a name")] = "example"
    mill: Annotated[float | None, Length(help="milling", high="600 mm")] = None
    frame: Annotated[tuple[float, float] | None, Size(help="a frame", high="3 m")] = None
    step: Annotated[float, Number(help="a step", low=1.0, high=360.0)] = 5.0


def test_pydantic_reads_what_people_write():
    read = TypeAdapter(Paper).validate_python(
        {"joint": "1/4 in", "slope": "2 %", "rings": 3, "colour": "green", "order": ["green"], "mill": "40 mm"}
    )
    assert read == Paper(0.00635, 0.02, 3, "green", ("green",), "example", 0.04)
    square = TypeAdapter(Paper).validate_python({"joint": 0, "frame": "24x36 in", "step": 45})
    assert (square.frame, square.step) == ((0.6096, 0.9144), 45.0)
    assert TypeAdapter(Paper).validate_python({"joint": 0, "mill": None}) == Paper(0.0)


def test_pydantic_lists_all_faults_and_keeps_the_sentence():
    wrong = {"joint": 6, "slope": "90 %", "rings": 9, "colour": "blue", "order": "red", "name": 5, "mill": "1 m"}
    wrong |= {"frame": "24x36", "step": 0}
    with pytest.raises(ValidationError) as refused:
        TypeAdapter(Paper).validate_python(wrong)
    faults = {error["loc"][0]: error["msg"] for error in refused.value.errors()}
    assert set(faults) == set(wrong)
    assert "no unit" in faults["joint"]
    assert "outside 0 % to 20 %" in faults["slope"]
    assert "red, green" in faults["colour"]


def test_schema_describes_the_written_form():
    schema = TypeAdapter(Paper).json_schema()
    assert schema["required"] == ["joint"]
    described = schema["properties"]
    assert {name: entry["description"] for name, entry in described.items()} == {
        name: setting.help for name, setting in settings_of(Paper).items()
    }
    assert described["colour"]["enum"] == ["red", "green"]
    assert described["order"]["items"]["enum"] == ["red", "green"]
    assert (described["rings"]["minimum"], described["rings"]["maximum"]) == (0, 8)
    assert {"const": 0} in described["joint"]["anyOf"]
    assert (described["step"]["minimum"], described["step"]["maximum"]) == (1.0, 360.0)
    assert described["frame"]["anyOf"][0]["type"] == "string"


# --- the small helpers


def test_settings_of_skips_what_is_no_setting():
    @dataclass(frozen=True)
    class Mixed:
        plain: int
        other: Annotated[int, "not a setting"]
        count: Annotated[int, "not a setting", Count(help="a count")]

    assert list(settings_of(Mixed)) == ["count"]
    assert settings_of(Mixed)["count"].help == "a count"


def test_metres_is_exact():
    assert metres("350 mm") == 0.35
    with pytest.raises(LengthError):
        metres("350")


def test_metadata_are_frozen_and_by_keyword():
    with pytest.raises(FrozenInstanceError):
        LENGTH.high = "1 m"
    with pytest.raises(TypeError):
        Length("a help")
    assert {item.name for item in fields(Length)} == {"help", "flag", "file", "low", "high"}
