"""Parts of the sheets by themselves: steps that add up, hatching, scales, boxes and words."""

import io
import math
from fractions import Fraction

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.core.columns import METHODS, READY
from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.io.intake.readings import COLUMNS
from geoadjust.report.figures import fit_scale, strokes
from geoadjust.report.figures_map import Neighbour, draw_map
from geoadjust.report.paper.ink import Ink
from geoadjust.report.sheets.boxes import BOXES
from geoadjust.report.sheets.cautions import CAUTIONS
from geoadjust.report.sheets.cover import METHOD_WORDS
from geoadjust.report.sheets.document import MOST, file_names
from geoadjust.report.sheets.parts import shortened
from geoadjust.report.sheets.steps import shared, shown, steps
from geoadjust.report.words import READY as WORDS_OF_READY
from geoadjust.report.words import clock, wind
from geoadjust.units import parse_length

SIZES = st.lists(st.floats(0.001, 0.3), min_size=1, max_size=9)


@given(st.integers(0, 400), SIZES, st.sampled_from(["us", "metric"]))
def test_shared_steps_add_up(total: int, sizes: list[float], units: str) -> None:
    found = shared(total, sizes, units)
    assert sum(found) == total
    assert all(each >= 0 for each in found)


@given(st.lists(st.floats(0.002, 0.05), min_size=1, max_size=5))
def test_shared_steps_are_next_to_the_true_size(sizes: list[float]) -> None:
    """Where the total is the rounded sum no joint is off by more than one step and its share of the rounding."""
    total = round(sum(sizes) * 1000)
    for size, count in zip(sizes, shared(total, sizes, "metric"), strict=True):
        assert abs(count - size * 1000) <= 1.5


@given(st.integers(-4000, 4000))
def test_steps_print_what_they_are(count: int) -> None:
    """Read back by the parser of lengths, exactly."""
    assert parse_length(shown(count, "us")) == Fraction(count, 16) * Fraction(254, 10000)
    assert parse_length(shown(count, "metric")) == Fraction(count, 1000)


def test_steps_of_nothing_are_a_dash() -> None:
    assert shown(steps(math.nan, "us"), "us") == "-"


@given(st.floats(0.5, 30), st.floats(0.5, 30), st.floats(0.3, 4.0))
def test_hatching_stays_inside_and_has_its_step(width: float, height: float, step: float) -> None:
    box = [(0.0, 0.0), (width, 0.0), (width * 0.7, height), (0.0, height)]
    area = shapely.Polygon(box).buffer(1e-6)
    lines = [shapely.LineString(each) for each in strokes(box, step)]
    assert all(area.covers(line) for line in lines)
    total = sum(line.length for line in lines) * step
    assert total == pytest.approx(area.area, abs=2 * step * (width + height))


@given(st.floats(0.01, 5000), st.floats(5, 200))
def test_a_scale_fits_and_is_not_half_of_what_it_could_be(size: float, room: float) -> None:
    scale = fit_scale(size, room)
    assert 1000 * size / scale <= room * (1 + 1e-9)
    assert scale == 1 or 1000 * size / scale > room * 0.59 or scale <= 4


def test_boxes_are_columns_of_the_tables_that_are_read() -> None:
    """`remeasure` reads the same names; what belongs to the inventory bears the inventory's names."""
    readings = {column.name for column in COLUMNS}
    for box in BOXES:
        wide = box.name.startswith("reading_")
        if box.table == "readings":
            assert wide or box.name in readings, box
        if box.table == "structures":
            assert box.name in INPUT_NAMES, box
    assert {"reading_12", "reading_1_30", "reading_3", "reading_6", "reading_10_30"} <= {box.name for box in BOXES}
    reference = next(box for box in BOXES if box.name == "reference")
    assert reference.choices == ("existing", "milled", "finished")


def test_the_cautions_say_what_they_must() -> None:
    """The list that the project set for itself."""
    for word in (
        *("enters", "air", "confined-space", "above", "Guard", "plates", "Lift", "Traffic control", "clamped"),
        *("wet", "eyes", "lungs", "cracked cone", "loose brick", "gas", "live cable", "channel", "Measure again"),
        *("bedding", "Local codes", "owner's standard", "licensed engineer", "not an approval"),
    ):
        assert word in CAUTIONS


def test_every_method_and_readiness_has_words() -> None:
    assert set(METHOD_WORDS) == set(METHODS)
    assert set(WORDS_OF_READY) == set(READY)
    assert [name for name, words in WORDS_OF_READY.items() if "cut by" in words[1]] == ["cut"]


@pytest.mark.parametrize(("degrees", "on_clock", "on_compass"), [(0, "12", "N"), (90, "3", "E"), (232.5, "8", "SW")])
def test_directions(degrees: float, on_clock: str, on_compass: str) -> None:
    assert (clock(math.radians(degrees)), wind(math.radians(degrees))) == (on_clock, on_compass)
    assert clock(math.radians(359)) == "12"


def test_a_full_file_is_one_and_one_more_sheet_makes_two() -> None:
    assert file_names(MOST) == ["sheets.pdf"]
    assert file_names(MOST + 1) == ["sheets-001.pdf", "sheets-002.pdf"]


@given(st.text(max_size=60), st.floats(10, 60))
def test_a_shortened_text_fits(text: str, width: float) -> None:
    ink = Ink(io.BytesIO())
    found = shortened(ink, text, width)
    assert ink.width(found, 11) <= width
    assert found == text or (found.endswith("\u2026") and text.startswith(found[:-1]))


def test_names_on_the_map_do_not_cover_each_other() -> None:
    crowd = [Neighbour(0.5 * place, 0.3 * place, f"MH-{place}") for place in range(1, 13)]
    figure = draw_map(55.0, 50.0, crowd, axis=0.7, units="us", placed=True)
    words = [mark for mark in figure.marks if hasattr(mark, "text") and mark.text.startswith("MH")]
    spots = [shapely.box(w.place[0], w.place[1] - 2.8, w.place[0] + 2.3 * len(w.text), w.place[1]) for w in words]
    assert words
    assert all(not one.intersects(two) for place, one in enumerate(spots) for two in spots[:place])
