"""The spreadsheet read back by openpyxl. Truth: the GeoPackage by sqlite3, converted here by exact fractions."""

from __future__ import annotations

import csv
import math
import zipfile
from fractions import Fraction
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.utils.escape import unescape

from geoadjust.errors import InputError
from geoadjust.io.exports import texts
from geoadjust.io.exports.cells import cell_text
from geoadjust.io.exports.frame import frame_of
from geoadjust.io.exports.spreadsheet import is_spreadsheet, write_spreadsheet
from geoadjust.io.results.whole import open_set
from tests.io.exports.conftest import NAMES, read_table

SHEETS = {"schedule": "schedule", "ordinates": "ordinates", "stack_parts": "stack parts", "reasons": "reasons"}
SUFFIX = {"in": "_mm", "ft": "_m", "mm": "_mm", "m": "_m", "%": "_pct", "deg": "_deg"}
STEP = {"in": Fraction(1, 16), "ft": Fraction(1, 1000), "%": Fraction(1, 1000), "deg": Fraction(1, 10)}
PER_UNIT = {"in": Fraction("25.4"), "ft": Fraction("0.3048"), "%": Fraction(1), "deg": Fraction(1)}
PICTURES = {"\a": "␇", "\r": "␍"}


def export(folder: Path, path: Path, **options: Any) -> dict[str, int]:
    with open_set(folder) as whole:
        return write_spreadsheet(whole, frame_of(whole), path, **options)


@pytest.fixture(scope="module")
def book(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    path = tmp_path_factory.mktemp("book") / "schedule.xlsx"
    export(demo, path)
    return openpyxl.load_workbook(path)


@pytest.fixture(scope="module")
def odd_book(hostile: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    path = tmp_path_factory.mktemp("book") / "schedule.xlsx"
    export(hostile, path)
    return openpyxl.load_workbook(path)


def rows_of(sheet: Any) -> list[dict[str, Any]]:
    lines = sheet.iter_rows(values_only=True)
    names = next(lines)
    return [dict(zip(names, line, strict=True)) for line in lines]


def named(heading: str) -> tuple[str, str]:
    """Column of the GeoPackage, and unit, of a heading."""
    words, _, unit = heading.removesuffix("]").partition(" [")
    return words.replace(" ", "_") + SUFFIX.get(unit, ""), unit


@pytest.mark.parametrize("table", SHEETS)
def test_every_figure_is_the_stored_one(demo: Path, book: Any, table: str) -> None:
    """Rounded to the nearest step of the unit; lengths are stored to 1e-6 m, so a tie may go either way."""
    stored, shown = read_table(demo, table), rows_of(book[SHEETS[table]])
    assert len(shown) == len(stored) > 0
    compared = 0
    for mine, theirs in zip(shown, stored, strict=True):
        for heading, value in mine.items():
            name, unit = named(heading)
            if name not in theirs or unit in ("words", "ft-in"):
                continue
            known = theirs[name]
            if unit not in STEP:
                assert value == known or (known == "" and value is None), heading
            elif known is None:
                assert value is None, heading
            else:
                exact = Fraction(str(known)) / PER_UNIT[unit]
                assert abs(Fraction(value) - exact) <= STEP[unit] / 2 + Fraction(1, 10**5), heading
                assert math.isclose(value / STEP[unit], round(value / STEP[unit]), abs_tol=1e-6), heading
                compared += 1
    assert compared > len(stored) or table == "reasons"


def test_figures_are_those_of_the_csv(demo: Path, book: Any) -> None:
    with open(demo / "schedule.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    dictionary = {row["heading"]: row["column"] for row in rows_of(book["dictionary"]) if row["sheet"] == "schedule"}
    for mine, theirs in zip(rows_of(book["schedule"]), rows, strict=True):
        for heading, value in mine.items():
            name = dictionary[heading]
            if name and isinstance(value, (int, float)):
                assert value == float(theirs[name]), heading
            elif name:
                assert (value or "") == theirs[name].removeprefix("'"), heading


@pytest.mark.parametrize(
    ("row", "heading", "text"),
    [
        (0, "raise [words]", "Raise 1/4 in"),  # 7.061 mm / 25.4 = 0.278 in, nearest 4/16
        (44, "raise [words]", "Lower 1/2 in"),  # 12.471 mm
        (0, "rough cut [ft-in]", "0'-10 1/2\""),
    ],
)
def test_lengths_in_words(book: Any, row: int, heading: str, text: str) -> None:
    assert rows_of(book["schedule"])[row][heading] == text


def test_words_agree_with_the_figures_beside_them(book: Any) -> None:
    """Feet, inches and a fraction, added up by hand, are the inches beside them."""
    seen = 0
    for row in rows_of(book["schedule"]):
        for heading in ("lower by", "chimney", "chimney min", "chimney max", "rough cut"):
            text = row[f"{heading} [ft-in]"]
            assert (text is None) == (row[f"{heading} [in]"] is None)
            if text:
                feet, inches = text.removesuffix('"').removeprefix("-").split("'-")
                total = 12 * int(feet) + sum(map(Fraction, inches.split()))
                assert (-total if text.startswith("-") else total) == Fraction(row[f"{heading} [in]"])
                seen += 1
    assert seen > 50


def test_tops_add_up(demo: Path, book: Any) -> None:
    """The top of the last part is the chimney with its misfit."""
    schedule = {row["row"]: row for row in read_table(demo, "schedule")}
    tops: dict[int, float] = {}
    for part in rows_of(book["stack parts"]):
        if part["policy"] == "replace_all":
            tops[part["row"]] = part["top [in]"]
    checked = 0
    for row, top in tops.items():
        chimney, misfit = schedule[row]["chimney_mm"], schedule[row]["stack_misfit_mm"]
        if misfit is not None and schedule[row]["stack_policy"] == "replace_all":
            assert top == pytest.approx((chimney + misfit) / 25.4, abs=1 / 32 + 1e-3), row
            checked += 1
    assert checked > 10
    riser = next(part for part in rows_of(book["stack parts"]) if part["kind"] == "riser")
    assert riser["top [in]"] is None


def test_heads_stay_and_filter(book: Any) -> None:
    for name in (*SHEETS.values(), "dictionary"):
        sheet = book[name]
        assert sheet.freeze_panes == "C2"
        assert sheet.auto_filter.ref == sheet.dimensions
        assert all(9 <= sheet.column_dimensions[letter].width <= 61 for letter in "ABC")
    assert book.sheetnames == [*SHEETS.values(), "dictionary", "run"]


def test_number_formats(book: Any) -> None:
    sheet = book["schedule"]
    formats = {
        sheet.cell(1, place).value: sheet.cell(2, place).number_format for place in range(1, sheet.max_column + 1)
    }
    wanted = {
        "row": "0",
        "structure id": "@",
        "raise [in]": "0.0000",
        "target rim [ft]": "0.000",
        "uphill [deg]": "0.0",
    }
    assert wanted.items() <= formats.items()


def test_dictionary_explains_every_heading(book: Any) -> None:
    found = {(row["sheet"], row["heading"]): row for row in rows_of(book["dictionary"])}
    for name in SHEETS.values():
        for heading in next(book[name].iter_rows(values_only=True)):
            assert found[name, heading]["meaning"]
    assert found["schedule", "raise [in]"]["column"] == "raise_in"
    assert found["ordinates", "h01 [in]"]["column"] == "h01_mm"


def test_run_record(demo: Path, book: Any) -> None:
    facts = {row["fact"]: row["value"] for row in rows_of(book["run"])}
    assert facts["geoadjust"]
    assert "not an approval" in facts["notice"]
    assert facts["settings.structures.path"] == "structures.gpkg"
    assert facts["surfaces.road.vertical_unit"] == "m"


def test_metric_figures(hostile: Path, odd_book: Any) -> None:
    for mine, theirs in zip(rows_of(odd_book["schedule"]), read_table(hostile, "schedule"), strict=True):
        assert mine["raise [mm]"] == pytest.approx(theirs["raise_mm"], abs=0.0501)
        assert mine["target rim [m]"] == pytest.approx(theirs["target_rim_m"], abs=0.000501)
        assert "raise [words]" not in mine


# ---------------------------------------------------------------- texts


def test_texts_are_what_they_are(hostile: Path, odd_book: Any) -> None:
    """openpyxl leaves _x005F_, by which the format says that _x0041_ is text, to its reader."""
    cells = odd_book["schedule"]["B"][1:]
    stored = [row["structure_id"] for row in read_table(hostile, "schedule")]
    assert stored == [name.strip() for name in NAMES]
    wanted = ["".join(PICTURES.get(character, character) for character in name) or None for name in stored]
    assert [cell.value and unescape(cell.value) for cell in cells] == wanted
    assert {cell.data_type for cell in cells if cell.value} == {"s"}
    assert {cell.number_format for cell in cells if cell.value} == {"@"}


def test_no_formula_and_no_link(odd_book: Any) -> None:
    for sheet in odd_book:
        for row in sheet.iter_rows():
            assert not {cell.data_type for cell in row} & {"f", "e"}
            assert not any(cell.hyperlink for cell in row)


def test_markup_makes_no_markup(hostile: Path, tmp_path: Path) -> None:
    export(hostile, tmp_path / "a.xlsx")
    with zipfile.ZipFile(tmp_path / "a.xlsx") as archive:
        sheets = [archive.read(name).decode() for name in archive.namelist() if "worksheets/" in name]
    assert not any("<f>" in text or "<t>x</t>" in text or "</script>" in text for text in sheets)


def test_a_text_that_no_cell_can_hold_says_so() -> None:
    text = cell_text("😀" * 20_000)
    assert text.endswith("... (cut: 20000 characters)")
    assert len(text.encode("utf-16-le")) // 2 <= 32_767
    assert cell_text("😀" * 16_383) == "😀" * 16_383
    assert cell_text("\0\ud800\uffff") == "␀\ufffd\ufffd"


# ---------------------------------------------------------------- limits


def test_more_rows_than_a_sheet_holds(demo: Path, tmp_path: Path) -> None:
    rows = export(demo, tmp_path / "a.xlsx", most_rows=100)
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    names = ["reasons", "reasons 2", "reasons 3", "reasons 4"]
    assert [rows[name] for name in names] == [100, 100, 100, len(read_table(demo, "reasons")) - 300]
    found = [row["text"] for name in names for row in rows_of(book[name])]
    assert found == [row["text"] for row in read_table(demo, "reasons")]
    assert all(book[name].auto_filter.ref == book[name].dimensions for name in names)


def test_same_set_same_bytes(demo: Path, tmp_path: Path) -> None:
    export(demo, tmp_path / "a.xlsx")
    export(demo, tmp_path / "b.xlsx")
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.xlsx", "b.xlsx"]


def test_ours_is_known(demo: Path, tmp_path: Path) -> None:
    export(demo, tmp_path / "a.xlsx")
    openpyxl.Workbook().save(tmp_path / "theirs.xlsx")
    (tmp_path / "text.xlsx").write_text("text")
    assert [is_spreadsheet(tmp_path / name) for name in ("a.xlsx", "theirs.xlsx", "text.xlsx")] == [True, False, False]


def test_missing_library(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(texts, "import_module", refuse)
    with pytest.raises(InputError, match=r"--as: xlsx needs the library xlsxwriter.*geoadjust\[export\]"):
        export(demo, tmp_path / "a.xlsx")
