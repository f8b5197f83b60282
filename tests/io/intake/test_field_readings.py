"""Tables from the field and the readings in them: three formats, two shapes, every fault at once."""

import math
import sqlite3
import zipfile
from pathlib import Path

import openpyxl
import pytest

from geoadjust.errors import InputError
from geoadjust.io.intake.field_tables import read_field_table
from geoadjust.io.intake.readings import COLUMNS, Taken, take_readings

LONG = """id,clock,reading,radius,reference,casting_height,by
MH-1,12,10 3/4 in,12 in,existing,7 in,A. Bauer
MH-1,3,10 5/8 in,,,,
MH-1,6,10 1/4 in,,,,
MH-1,9,10 3/8 in,,,,
"""


def _take(folder: Path, text: str, unit: str = "") -> list[Taken]:
    path = folder / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return take_readings(read_field_table(str(path), where="readings"), unit=unit)[0]


def _faults(folder: Path, text: str, unit: str = "") -> str:
    with pytest.raises(InputError) as caught:
        _take(folder, text, unit)
    return str(caught.value)


def test_one_line_per_reading(tmp_path: Path) -> None:
    (found,) = _take(tmp_path, LONG)
    assert (found.id, found.row, found.reference, found.by) == ("MH-1", None, "existing", "A. Bauer")
    assert [round(math.degrees(station.place.turn)) for station in found.stations] == [0, 90, 180, 270]
    assert [station.depth / 0.0254 for station in found.stations] == pytest.approx([10.75, 10.625, 10.25, 10.375])
    assert (found.radius, found.casting_height) == pytest.approx((0.3048, 0.1778))
    assert math.isnan(found.to_come)


def test_one_line_per_structure(tmp_path: Path) -> None:
    text = "id,reading_12,reading_3,reading_6,reading_9,reading_1_30,radius\n0012,270,271,272,273,269,300\n"
    (found,) = _take(tmp_path, text, "mm")
    turns = {round(math.degrees(station.place.turn)): round(station.depth, 6) for station in found.stations}
    assert turns == {0: 0.27, 90: 0.271, 180: 0.272, 270: 0.273, 45: 0.269}
    assert found.id == "0012"


@pytest.mark.parametrize(
    ("place", "degrees", "grid"),
    [
        ("clock,12", 0, False),
        ("clock,1:30", 45, False),
        ("clock,10.30", 315, False),
        ("clock,3 o'clock", 90, False),
        ("station,5", 90, False),
        ("azimuth,123.5", 123.5, True),
    ],
)
def test_places(tmp_path: Path, place: str, degrees: float, grid: bool) -> None:
    name, value = place.split(",")
    (found,) = _take(tmp_path, f"id,{name},reading,radius\na,{value},200 mm,300 mm\n")
    assert math.degrees(found.stations[0].place.turn) == pytest.approx(degrees)
    assert found.stations[0].place.grid is grid


def test_stations_of_a_rectangle(tmp_path: Path) -> None:
    (found,) = _take(tmp_path, "id,station,stations,reading,radius\na,3,8,200 mm,300 mm\n")
    assert math.degrees(found.stations[0].place.turn) == pytest.approx(90)


def test_the_outlet_as_zero_of_the_clock(tmp_path: Path) -> None:
    text = "id,clock,reading,radius,clock_zero,outlet_azimuth\na,3,200 mm,300 mm,outlet,200\n"
    (found,) = _take(tmp_path, text)
    assert (math.degrees(found.stations[0].place.turn), found.stations[0].place.grid) == (pytest.approx(290), True)
    assert "outlet_azimuth: missing" in _faults(tmp_path, text.replace(",outlet,200", ",outlet,"))


def test_every_fault_is_told_at_once(tmp_path: Path) -> None:
    text = (
        "id,clock,reading,radius,reference,to_come,casting_height\n"
        "a,13,200 mm,300 mm,existing,,\n"
        "a,3,200,301 mm,milled,,\n"
        "b,,200 mm,300 mm,kerb,9 m,\n"
        ",3,200 mm,300 mm,,,\n"
        "c,3,,300 mm,,,\n"
        "d,3,200 mm,,,,2 in\n"
        "e,3,12 m,300 mm,,,1/4 mm\n"
    )
    told = _faults(tmp_path, text)
    for words in (
        "line 2, clock: '13' is no place on a clock",
        "line 3, radius: '301 mm', but '300 mm' on line 2",
        "line 3, reference: 'milled', but 'existing' on line 2",
        "line 3, reading:",
        "line 4, reading: no place (allowed: one of clock, station, azimuth)",
        "line 4, reference: 'kerb' (allowed: existing, milled, finished)",
        "line 4, to_come: '9 m' is not plausible",
        "line 5, id: blank",
        "line 6, reading: no reading",
        "line 7, radius: missing",
        "line 8, reading: '12 m' is not plausible",
        "line 8, casting_height: '1/4 mm' is not plausible",
    ):
        assert words in told


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        (",,\n1,2,3\n", "the first line is blank"),
        ("id,reading,ID\n", "id stands twice"),
        ("id,reading\na,1 mm,2,3\n", "more cells than the heading"),
        ("id,reading,clock,radius\n", "no readings"),
        ('id,reading\n"a,1\n', "save it as CSV again"),
    ],
)
def test_tables_that_are_none(tmp_path: Path, text: str, words: str) -> None:
    assert words in _faults(tmp_path, text)


def test_other_columns_are_told(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("id,clock,reading,radius,refrence,,reading_12\na,3,20 mm,30 cm,existing,,20 mm\n", encoding="utf-8")
    found, other = take_readings(read_field_table(str(path), where="readings"))
    assert other == ["refrence"]
    assert len(found[0].stations) == 2


def test_semicolons_blank_lines_and_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes("\ufeffid;clock;reading;radius\r\n\r\nä;3;200 mm;30 cm\r\n;;;\r\n".encode())
    table = read_field_table(str(path), where="readings")
    assert [(line.number, line.cells["id"]) for line in table.lines] == [(3, "ä")]
    path.write_bytes("id;clock\nä;3\n".encode("latin-1"))
    with pytest.raises(InputError, match="not UTF-8"):
        read_field_table(str(path), where="readings")


def test_a_workbook(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for row in (("id", "clock", "reading", "radius"), ("0012", 12, 270, 300), ("0012", "1:30", 271.5, None)):
        book.active.append(row)
    book.save(tmp_path / "a.xlsx")
    found, _ = take_readings(read_field_table(str(tmp_path / "a.xlsx"), where="readings"), unit="mm")
    assert (found[0].id, [station.depth for station in found[0].stations]) == ("0012", pytest.approx([0.27, 0.2715]))
    book.create_sheet("more")
    book.save(tmp_path / "a.xlsx")
    with pytest.raises(InputError, match="several sheets: Sheet, more"):
        read_field_table(str(tmp_path / "a.xlsx"), where="readings")
    assert read_field_table(str(tmp_path / "a.xlsx"), where="readings", layer="Sheet").headings[0] == "id"
    (tmp_path / "b.xlsx").write_bytes(b"PK no workbook")
    with pytest.raises(InputError, match="no workbook that can be read"):
        read_field_table(str(tmp_path / "b.xlsx"), where="readings")


def _geopackage(path: Path) -> None:
    with sqlite3.connect(path) as database:
        database.executescript(
            """PRAGMA application_id = 1196444487;
            CREATE TABLE gpkg_contents (table_name TEXT, data_type TEXT);
            CREATE TABLE gpkg_geometry_columns (table_name TEXT, column_name TEXT);
            INSERT INTO gpkg_contents VALUES ('readings', 'features');
            INSERT INTO gpkg_geometry_columns VALUES ('readings', 'geom');
            CREATE TABLE readings (fid INTEGER PRIMARY KEY, geom BLOB, id TEXT, clock TEXT, reading REAL, radius REAL);
            INSERT INTO readings VALUES (1, x'00', '1e5', '12', 270.0, 300.0);"""
        )


def test_a_geopackage(tmp_path: Path) -> None:
    _geopackage(tmp_path / "a.gpkg")
    found, other = take_readings(read_field_table(str(tmp_path / "a.gpkg"), where="readings"), unit="mm")
    assert (found[0].id, found[0].stations[0].depth, other) == ("1e5", pytest.approx(0.27), ["fid"])
    with pytest.raises(InputError, match="no table 'more'"):
        read_field_table(str(tmp_path / "a.gpkg"), where="readings", layer="more")


def test_other_endings_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.doc").write_text("id")
    with pytest.raises(InputError, match=r"\.csv, \.txt, \.xlsx or \.gpkg"):
        read_field_table(str(tmp_path / "a.doc"), where="readings")


def test_every_column_has_words() -> None:
    assert all(column.help for column in COLUMNS)
    assert len({column.name for column in COLUMNS}) == len(COLUMNS)


def test_a_workbook_that_unpacks_to_too_much(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/workbook.xml", b" " * 101_000_000)
    with pytest.raises(InputError, match="unpacks to 101000000 bytes"):
        read_field_table(str(tmp_path / "a.xlsx"), where="readings")
