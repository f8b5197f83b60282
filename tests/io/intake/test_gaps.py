"""Tables of gaps. Truth: what a person would read from the same cells."""

from __future__ import annotations

import math
from datetime import date

import pytest

from geoadjust.errors import InputError
from geoadjust.io.intake.field_tables import read_field_table
from geoadjust.io.intake.gaps import COLUMNS, take_gaps

MM = 0.001


def read(folder, text, **options):
    path = folder / "gaps.csv"
    path.write_text(text, encoding="utf-8")
    return take_gaps(read_field_table(str(path), where="gaps"), **options)


def one(folder, cell, more="", value="", **options):
    found, _ = read(folder, f"id,date,gap,clock{more}\nA,2026-06-02,{cell},3{value}\n", **options)
    return found[0].gaps[0]


@pytest.mark.parametrize(
    ("cell", "gap", "signed"),
    [
        ("3 mm LOW", -3 * MM, True),
        ("3 mm proud", 3 * MM, True),
        ("1/8 in Low", -25.4 * MM / 8, True),
        ("+3 mm", 3 * MM, True),
        ("-3 mm", -3 * MM, True),
        ("3 mm", 3 * MM, False),
        ("flush", 0, True),
        ("0", 0, True),
        ("0 mm", 0, True),
    ],
)
def test_a_gap_says_on_which_side_it_stands(tmp_path, cell, gap, signed):
    found = one(tmp_path, cell)
    assert (found.gap, found.signed) == (pytest.approx(gap), signed)
    assert found.day == date(2026, 6, 2)


def test_the_side_may_stand_in_a_column_and_the_unit_beside_the_table(tmp_path):
    found = one(tmp_path, "3", ",stands", ",low", unit="mm")
    assert (found.gap, found.signed) == (pytest.approx(-3 * MM), True)


@pytest.mark.parametrize(
    ("more", "value", "turn", "grid"),
    [(",clock", ",9", 270, False), (",side", ",left", 270, False), (",azimuth", ",45", 45, True)],
)
def test_places(tmp_path, more, value, turn, grid):
    found, _ = read(tmp_path, f"id,date,gap{more}\nA,2026-06-02,1 mm{value}\n")
    place = found[0].gaps[0].place
    assert (math.degrees(place.turn), place.grid) == (pytest.approx(turn), grid)
    assert place.azimuth(math.radians(10)) == pytest.approx(math.radians(turn + (0 if grid else 10)))


def test_one_line_per_structure(tmp_path):
    text = "id,date,gap_12,gap_3,gap_1_30,bar,laid,by\nA,2026-06-02,1 mm LOW,,2 mm PROUD,3 m,across,AB\n"
    found, other = read(tmp_path, text)
    assert [round(math.degrees(gap.place.turn)) for gap in found[0].gaps] == [0, 45]
    assert [gap.gap for gap in found[0].gaps] == pytest.approx([-1 * MM, 2 * MM])
    assert {(gap.bar, gap.laid) for gap in found[0].gaps} == {(3.0, "across")}
    assert (found[0].by, other) == ("AB", [])


def test_the_last_day_says_what_was_seen_and_the_bad_word_of_a_day_holds(tmp_path):
    text = (
        "id,date,gap,clock,rocking,bedding,seal\n"
        "A,2026-09-01,1 mm LOW,12,no,full,\n"
        "A,2026-06-02,1 mm LOW,12,yes,hollow,open\n"
        "A,2026-09-01,1 mm LOW,3,yes,,\n"
    )
    found, _ = read(tmp_path, text)
    assert found[0].looked == {"rocking": 0, "bedding": 1, "seal": 0, "debris": -1}
    assert found[0].day == date(2026, 9, 1)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("id,gap,clock\nA,1 mm,3\n", "date: blank"),
        ("id,date,gap,clock\nA,02/06/2026,1 mm,3\n", "no date"),
        ("id,date,gap,clock\nA,2026-06-02,1,3\n", "without a unit"),
        ("id,date,gap\nA,2026-06-02,1 mm\n", "no place"),
        ("id,date,gap,clock,side\nA,2026-06-02,1 mm,3,left\n", "another place"),
        ("id,date,gap,clock\nA,2026-06-02,LOW,3\n", "without a length"),
        ("id,date,gap,clock\nA,2026-06-02,-2 mm PROUD,3\n", "has a sign"),
        ("id,date,gap,clock\nA,2026-06-02,2 mm flush,3\n", "and flush"),
        ("id,date,gap,clock,stands\nA,2026-06-02,2 mm LOW,3,proud\n", "stands says"),
        ("id,date,gap,clock\nA,2026-06-02,2 m LOW,3\n", "not plausible"),
        ("id,date,gap,clock,rocking\nA,2026-06-02,2 mm LOW,3,perhaps\n", "no, yes"),
        ("id,date,gap,clock\n,2026-06-02,2 mm LOW,3\n", "id: blank"),
        ("id,date,gap,clock,rim\nA,2026-06-02,2 mm LOW,3,101.2 m\n", "beside a gap"),
        ("id,date,gap,clock\n", "no gaps"),
    ],
)
def test_faults_say_where_and_what(tmp_path, text, told):
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert told in str(caught.value)


def test_every_fault_is_told_at_once(tmp_path):
    with pytest.raises(InputError) as caught:
        read(tmp_path, "id,date,gap,clock\nA,x,1 mm,3\nB,2026-06-02,1,3\nC,2026-06-02,1 mm,15\n")
    assert len(caught.value.faults) == 3
    assert [fault.where.split(", ")[1] for fault in caught.value.faults] == ["line 2", "line 3", "line 4"]


def test_columns_are_declared_once():
    names = [column.name for column in COLUMNS]
    assert len(names) == len(set(names))
