"""What people read: display units rounded half up, texts that no spreadsheet runs, and a dictionary of columns.

Reference for rounding: exact fractions of decimals. Second reader: the csv module.
"""

from __future__ import annotations

import csv
import errno
import threading
from contextlib import closing
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.io.results.columns import SCHEDULE, TABLES
from geoadjust.io.results.people import (
    FORMULA_STARTS,
    ScheduleCsv,
    dictionary,
    foot_of,
    guard,
    place_decimals,
    shown_name,
    shown_schema,
    shown_unit,
    shown_values,
    write_dictionary,
)

COLUMNS = {column.name: column for column in SCHEDULE}
RAISE, RIM, SLOPE, UPHILL = (COLUMNS[name] for name in ("raise_mm", "target_rim_m", "slope_pct", "uphill_deg"))
INCH, US_FOOT = Fraction(254, 10), Fraction(1200, 3937)  # mm; m

SHOWN = ("schedule.csv", SCHEDULE)


def shown(value, column, units, foot="ft"):
    return float(shown_values(np.array([value]), column, units, foot)[0])


def half_up(value: Fraction, step: Fraction) -> Fraction:
    """The nearest multiple, ties away from zero."""
    steps = abs(value) / step + Fraction(1, 2)
    return (1 if value >= 0 else -1) * (steps.numerator // steps.denominator) * step


# ---------------------------------------------------------------- rounding


@given(st.integers(-3_000_000, 3_000_000))
def test_inches_are_whole_sixteenths(micrometres):
    # stored raises are whole micrometres (mm to 3 decimals); a tie in inches lies up to 0.5 micrometre off
    exact = Fraction(micrometres, 1000) / INCH
    found = Fraction(shown(micrometres / 1000, RAISE, "us"))
    assert (found * 16).denominator == 1
    nearest = half_up(exact, Fraction(1, 16))
    distance_to_tie = abs(abs(exact - nearest) - Fraction(1, 32)) * INCH
    assert found == nearest or distance_to_tie <= Fraction(1, 1000)


@pytest.mark.parametrize("sixteenths", [-33, -5, -1, 1, 3, 17, 31, 255])
def test_ties_of_inches_go_away_from_zero(sixteenths):
    # halfway between two sixteenths, stored in mm to 3 decimals
    exact = Fraction(sixteenths, 32) * INCH
    stored = float(round(exact, 3))
    expected = half_up(Fraction(sixteenths, 32), Fraction(1, 16))
    assert shown(stored, RAISE, "us") == float(expected)
    assert abs(expected) > abs(Fraction(sixteenths, 32))


@given(st.integers(-3_000_000, 3_000_000))
def test_millimetres_have_one_decimal(micrometres):
    exact = Decimal(micrometres) / 1000
    expected = exact.quantize(Decimal("0.1"), ROUND_HALF_UP)
    tie = abs(abs(exact - expected) - Decimal("0.05")) < Decimal("0.001")
    found = shown(micrometres / 1000, RAISE, "metric")
    assert found == float(expected) or (tie and abs(found) >= abs(float(exact)))


@pytest.mark.parametrize(
    ("value", "units", "expected"),
    [(57.15, "us", 2.25), (-38.1, "us", -1.5), (0.79375, "us", 0.0625), (0.79, "us", 0.0), (-0.05, "metric", -0.1)],
)
def test_raises_by_hand(value, units, expected):
    # 2 1/4 in = 57.15 mm; half a sixteenth = 0.79375 mm
    assert shown(value, RAISE, units) == expected


@pytest.mark.parametrize(("foot", "metres"), [("ft", Fraction(3048, 10000)), ("us-ft", US_FOOT)])
def test_elevations_in_their_foot(foot, metres):
    for height in (Fraction("123.456789"), Fraction("1609.344"), Fraction("-0.3048")):
        expected = half_up(height / metres, Fraction(1, 1000))
        assert shown(float(height), RIM, "us", foot) == pytest.approx(float(expected), abs=1e-12)
    # a mile high the two feet differ by 2 parts in a million: 0.011 ft
    assert shown(1609.344, RIM, "us", "ft") == 5280.0
    assert shown(1609.344, RIM, "us", "us-ft") == 5279.989


@pytest.mark.parametrize(
    ("value", "column", "expected"),
    [(123.4565, RIM, 123.457), (3.60555, SLOPE, 3.606), (-0.0004, SLOPE, 0.0), (33.69007, UPHILL, 33.7)],
)
def test_other_units(value, column, expected):
    assert shown(value, column, "metric") == expected


def test_nothing_stays_nothing():
    for column in (RAISE, RIM, SLOPE):
        for units in ("us", "metric"):
            assert np.isnan(shown(np.nan, column, units))


def test_names_and_units_of_what_is_shown():
    assert [shown_name(column, "us") for column in (RAISE, RIM, SLOPE)] == ["raise_in", "target_rim_ft", "slope_pct"]
    assert [shown_name(column, "metric") for column in (RAISE, RIM)] == ["raise_mm", "target_rim_m"]
    assert [shown_unit(column, "us", "ft") for column in (RAISE, RIM, SLOPE)] == ["in", "ft", "%"]
    assert shown_unit(RIM, "us", "us-ft") == "US survey ft"
    assert shown_unit(RIM, "metric", "us-ft") == "m"


@pytest.mark.parametrize(
    ("units", "expected"),
    [(["us-ft", "m"], "us-ft"), (["", "ft"], "ft"), (["m", "us-ft", "ft"], "us-ft"), (["m"], "ft"), ([], "ft")],
)
def test_which_foot_is_shown(units, expected):
    assert foot_of(units) == expected


# ---------------------------------------------------------------- formulas


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", " =1", "\n=1", "|x", "%x", "-", "  @SUM(A1)"]
)
def test_formulas_get_an_apostrophe(text):
    # cells that begin with = + - @ tab or return: the usual list against CSV injection; common practice, no source
    assert guard(pa.array([text])).to_pylist() == ["'" + text]


@pytest.mark.parametrize("text", ["MH-7", "", "7", "a=b", "'=1", "Größe", "1-2", "é+"])
def test_other_texts_stay(text):
    assert guard(pa.array([text])).to_pylist() == [text]


@given(st.lists(st.one_of(st.none(), st.text(max_size=10))))
def test_the_guard_can_be_undone(texts):
    found = guard(pa.array(texts, pa.string())).to_pylist()
    assert len(found) == len(texts)
    for before, after in zip(texts, found, strict=True):
        bare = (before or "").lstrip(" \t\r\n\f")
        white = (before or "")[: len(before or "") - len(bare)]
        assert after == before or (after == f"'{before}" and (bare[:1] in "=+-@|%" or {"\t", "\r"} & set(white)))
        assert not (after or "").lstrip(" \t\r\n\f").startswith(("=", "+", "-", "@"))


def test_the_guard_is_a_pattern_from_the_start():
    assert FORMULA_STARTS.startswith("^")


# ---------------------------------------------------------------- schedule.csv


def layer(n, **given):
    """n rows of the layer, blank but for what is given."""
    kinds = {"text": pa.string(), "real": pa.float64(), "integer": pa.int64()}
    arrays = [pa.array(given.get(column.name, [None] * n), kinds[column.type]) for column in SCHEDULE]
    return pa.record_batch(arrays, [column.name for column in SCHEDULE])


def written(path, units, foot, *batches):
    file = ScheduleCsv(path, units, foot)
    for batch in batches:
        n = len(batch)
        file.add(batch, 500_000.0 + np.arange(n), np.where(np.arange(n) == 1, np.nan, 4e6))
    file.close()
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_rows_of_the_csv(tmp_path):
    batch = layer(
        2,
        row=[0, 1],
        structure_id=["=1+1", 'a "b",\nc'],
        raise_mm=[57.15, None],
        target_rim_m=[30.48, None],
        slope_pct=[3.60555, None],
        samples=[495, None],
        remark=["Raise 2 1/4 in", None],
    )
    first, second = written(tmp_path / "schedule.csv", "us", "ft", batch)
    assert (first["structure_id"], second["structure_id"]) == ("'=1+1", 'a "b",\nc')
    assert (first["raise_in"], first["target_rim_ft"], first["slope_pct"]) == ("2.25", "100", "3.606")
    assert (first["samples"], first["remark"]) == ("495", "Raise 2 1/4 in")
    assert (second["raise_in"], second["samples"], second["northing"]) == ("", "", "")
    assert (first["easting"], first["northing"]) == ("500000", "4000000")


def test_negative_numbers_stay_numbers(tmp_path):
    (row,) = written(tmp_path / "schedule.csv", "metric", "ft", layer(1, raise_mm=[-57.0]))
    assert row["raise_mm"] == "-57"


def test_batches_follow_each_other(tmp_path):
    rows = written(tmp_path / "schedule.csv", "metric", "ft", layer(2, row=[0, 1]), layer(1, row=[2]))
    assert [row["row"] for row in rows] == ["0", "1", "2"]
    assert list(rows[0]) == shown_schema("metric").names


@pytest.mark.parametrize("batches", [1, 2, 3])
def test_an_error_of_the_writing_thread_comes_out(tmp_path, batches):
    class Full:
        def write(self, rows):
            raise OSError(errno.ENOSPC, "No space left on device")

        def close(self):
            pass

    csv = ScheduleCsv(tmp_path / "schedule.csv", "metric", "ft")
    csv._writer.close()
    csv._writer = Full()
    place = np.zeros(1)

    def write():
        with closing(csv):
            for _ in range(batches):
                csv.add(layer(1), place, place)

    with pytest.raises(OSError, match="No space left"):
        write()
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("csv")]


# ---------------------------------------------------------------- coordinates

SITE_GRID = 'LOCAL_CS["site grid",UNIT["metre",1]]'
KILOMETRES = "+proj=utm +zone=17 +units=km +type=crs"


@pytest.mark.parametrize(
    ("crs", "decimals"),
    [
        ("EPSG:32617", 3),
        ("EPSG:2263", 3),  # US survey feet
        ("EPSG:4326", 8),
        ("EPSG:4269", 8),
        ("EPSG:32617+5703", 3),
        (SITE_GRID, 3),
        (KILOMETRES, 6),
    ],
)
def test_coordinates_are_worth_about_a_millimetre(crs, decimals):
    assert place_decimals(crs) == decimals


def placed(path, crs, east, north):
    file = ScheduleCsv(path, "metric", "ft", crs)
    file.add(layer(len(east)), np.array(east), np.array(north))
    file.close()
    with open(path, encoding="utf-8", newline="") as stream:
        return [(row["easting"], row["northing"]) for row in csv.DictReader(stream)]


def test_coordinates_are_rounded(tmp_path):
    found = placed(tmp_path / "a.csv", "EPSG:32617", [499_980.12345678, -0.0001], [4_500_000.9999999, np.nan])
    assert found == [("499980.123", "4500001"), ("0", "")]
    found = placed(tmp_path / "b.csv", "EPSG:4326", [-73.930000123456], [40.7099999999])
    assert found == [("-73.93000012", "40.71")]


def test_without_a_crs_coordinates_are_as_read(tmp_path):
    assert placed(tmp_path / "a.csv", "", [499_980.12345678], [0.1]) == [("499980.12345678", "0.1")]


# ---------------------------------------------------------------- columns.csv


@pytest.mark.parametrize(("units", "foot"), [("us", "us-ft"), ("metric", "ft")])
def test_the_dictionary_has_every_column_of_every_table(tmp_path, units, foot):
    write_dictionary(tmp_path / "columns.csv", units, foot)
    with open(tmp_path / "columns.csv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    found = {(row["table"], row["column"]) for row in rows}
    assert len(found) == len(rows)
    expected = {(table, column.name) for table, columns in TABLES.items() for column in columns}
    expected |= {("schedule.csv", name) for name in shown_schema(units).names}
    assert found == expected
    assert all(row["title"] for row in rows)


def test_the_dictionary_says_which_foot():
    units = {
        entry["column"]: entry["unit"]
        for entry in dictionary("us", "us-ft", TABLES, SHOWN)
        if entry["table"] == "schedule.csv"
    }
    assert (units["target_rim_ft"], units["raise_in"]) == ("US survey ft", "in")


def test_the_dictionary_says_signs_and_words():
    entries = {(entry["table"], entry["column"]): entry for entry in dictionary("metric", "ft", TABLES, SHOWN)}
    assert entries["schedule", "raise_mm"]["plus"] == "up"
    assert "rings" in entries["schedule.csv", "method"]["words"].split()


def test_no_word_of_ours_starts_a_formula():
    # so that `schedule.csv` need not look at each of them
    words = [word for column in SCHEDULE for word in column.words]
    assert len(words) > 20
    assert guard(pa.array(words)).to_pylist() == words
