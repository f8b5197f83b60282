"""Field sheets of the demo, read back from the PDF by other tools and compared with the set, read by sqlite3."""

import io
import json
import re
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from pypdf import PdfReader
from shapely.geometry import Point

from geoadjust.cli import main
from geoadjust.errors import InputError, OutputBusyError
from geoadjust.report.sheets.cautions import CAUTIONS
from geoadjust.run.demo import run_demo
from geoadjust.run.sheets import SheetOptions, draw_sheets, is_sheets

FRAMED = {
    "measure": "MEASURE FIRST:",
    "review": "REVIEW FIRST:",
    "unknown": "NOT COMPUTED:",
    "order": "GOOD FOR ORDERING",
}
LENGTH = r"(?:-?\d+'-(?:\d+ )?(?:\d+/\d+)?\d*\"|-?(?:\d+ )?\d+/\d+ in|-?\d+ in)"
needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils are not installed")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's output set."""
    folder = tmp_path_factory.mktemp("sheets") / "demo"
    run_demo(folder, overwrite=False, progress=lambda stage, done, total: None)
    return folder / "out"


@pytest.fixture(scope="module")
def book(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its sheets on Letter paper."""
    out = tmp_path_factory.mktemp("book")
    draw_sheets(demo, out, SheetOptions())
    return out / "sheets.pdf"


@pytest.fixture(scope="module")
def pages(book: Path) -> dict[str, str]:
    """Text of each sheet by `row`, laid out as on the page."""
    if shutil.which("pdftotext") is None:
        pytest.skip("poppler-utils are not installed")
    text = subprocess.run(["pdftotext", "-layout", book, "-"], capture_output=True, text=True, check=True).stdout
    found: dict[str, str] = {}
    for page in text.split("\f"):
        row = re.search(r"\| +row (\d+)$", page, re.MULTILINE)
        if row:
            assert row[1] not in found, "one page per structure"
            found[row[1]] = page
    return found


def rows(demo: Path, query: str = "SELECT * FROM schedule") -> list[dict[str, Any]]:
    with sqlite3.connect(demo / "schedule.gpkg") as database:
        database.row_factory = sqlite3.Row
        return [dict(line) for line in database.execute(query)]


def sixteenths(text: str) -> Fraction:
    """A length on a sheet in sixteenths of an inch, by rules of its own."""
    feet, inches = re.fullmatch(r"(?:(-?\d+)'-)?(.*?)(?: in|\")", text).groups()  # type: ignore[union-attr]
    sign = -1 if inches.startswith("-") else 1
    parts = sum((Fraction(part) for part in inches.lstrip("-").split()), Fraction(0))
    return sign * (parts * 16) + Fraction(feet or 0) * 192


def near(text: str, millimetres: float, steps: float = 0.5) -> bool:
    return abs(float(sixteenths(text)) - millimetres / 25.4 * 16) <= steps + 1e-6


def order_of(row: dict[str, Any]) -> str:
    """The main words of a moving method, from the stored raise."""
    count = int(np.floor(abs(row["raise_mm"]) / 25.4 * 16 + 0.5))
    whole, rest = divmod(count, 16)
    part = f"{Fraction(rest, 16)}" if rest else ""
    size = " ".join(each for each in (str(whole) if whole or not rest else "", part) if each)
    return f"{'Raise' if row['raise_mm'] > 0 else 'Lower'} {size} in" if count else "No change"


def test_each_structure_has_one_sheet_with_its_order(demo: Path, pages: dict[str, str]) -> None:
    structures = rows(demo)
    assert set(pages) == {str(row["row"]) for row in structures}
    fixed = {
        **{"monument": "Do not disturb", "other_owner": "Notify the owner", "not_paved": "Nothing to do"},
        **{"rebuild": "Engineer decides", "unknown": "Not known yet"},
    }
    for row in structures:
        lines = [line.strip() for line in pages[str(row["row"])].splitlines() if line.strip()]
        assert lines[0].startswith(row["structure_id"] or f"no id, row {row['row']}")
        assert re.search(rf"\d+ of {len(structures)}$", lines[0])
        expected = fixed.get(row["method"])
        if row["method"] == "keep":
            expected = "Put back as it is" if row["lower_by_mm"] > 0 else "Leave as it is"
        assert lines[2] == (expected or order_of(row))


def test_readiness_stands_directly_below_the_order(demo: Path, pages: dict[str, str]) -> None:
    idle = ("monument", "other_owner", "not_paved", "keep")
    for row in rows(demo):
        line = [line.strip() for line in pages[str(row["row"])].splitlines() if line.strip()][3]
        words = FRAMED[row["ready"]]
        if row["method"] in idle:
            words = {"order": "FIGURES ARE GOOD:", "measure": "CHECK ON SITE:"}.get(row["ready"], words)
        assert line.startswith(words)


def test_an_office_plan_says_neither_cut_nor_order(demo: Path, pages: dict[str, str]) -> None:
    for row in rows(demo):
        page = pages[str(row["row"])]
        assert not re.search(r"\bcut\b", page, re.IGNORECASE)
        assert row["ready"] == "order" or "ORDERING" not in page


def test_ordinates_and_joints_add_up_to_the_chimney(demo: Path, pages: dict[str, str]) -> None:
    """As printed, in sixteenths; and the printed ordinate is the stored one."""
    stored = {row["row"]: row for row in rows(demo, "SELECT * FROM ordinates")}
    told = 0
    for row in rows(demo):
        clocks = {"12 mark": 0, "1:30": 2, "3": 4, "4:30": 6, "6": 8, "7:30": 10, "9": 12, "10:30": 14}
        line = rf"^({'|'.join(['centre', *clocks])}) +({LENGTH}) +({LENGTH}) +({LENGTH})(?= |$)"
        found = re.findall(line, pages[str(row["row"])], re.MULTILINE)
        if row["method"] in ("rings", "liner"):
            assert len(found) == {"rings": 5, "liner": 8}[row["method"]]
        for name, part, joints, chimney in found:
            assert sixteenths(part) + sixteenths(joints) == sixteenths(chimney)
            assert near(chimney, row["chimney_mm"]) if name == "centre" else True
            if name != "centre":
                assert near(part, stored[row["row"]][f"h{clocks[name] + 1:02d}_mm"])
            told += 1
    assert told >= 100


def test_parts_add_up_to_the_total_and_the_misfit_is_what_is_over(demo: Path, pages: dict[str, str]) -> None:
    parts = rows(demo, "SELECT * FROM stack_parts")
    stacks = [row for row in rows(demo) if row["method"] in ("rings", "liner")]
    for row in stacks:
        page = pages[str(row["row"])]
        mine = [p for p in parts if p["row"] == row["row"] and row["stack_policy"] in (p["policy"], None)]
        line = rf"(?:^| )(\d) (joint|old stack|ring-\d+|taper-[-\d]+|liner-\d+)(?:, thick \d+°)? +({LENGTH})(?= |$)"
        found = re.findall(line, page, re.MULTILINE)
        assert [int(number) for number, _, _ in found] == [p["position"] for p in mine]
        total = re.search(rf"total +({LENGTH})", page)
        assert total is not None
        assert sum(sixteenths(size) for _, _, size in found) == sixteenths(total[1])
        assert near(total[1], sum(p["thickness_mm"] for p in mine))
        for (_, name, size), part in zip(found, mine, strict=True):
            assert near(size, part["thickness_mm"], 0.5 if name != "joint" else 1.6)
        over = re.search(rf"that is +(as needed|({LENGTH}) too (tall|low))", page)
        assert over is not None
        off = sixteenths(over[2]) * (1 if over[3] == "tall" else -1) if over[2] else 0
        assert abs(float(off) - row["stack_misfit_mm"] / 25.4 * 16 if row["method"] == "rings" else off) <= 1.0 + 1e-6
    assert len(stacks) == 21


def test_kinds_without_a_chimney_have_no_chimney_on_their_sheet(demo: Path, pages: dict[str, str]) -> None:
    for row in rows(demo):
        page = pages[str(row["row"])]
        if row["kind"] in ("valve", "inlet", "monument") or row["method"] in ("keep", "unknown", "other_owner"):
            assert "Section" not in page
            assert "Readings:" not in page
        if row["kind"] == "monument":
            assert "licensed land surveyor" in page
            assert "Plan" not in page
        if row["method"] == "extend":
            assert "can be drawn up" in page


def test_a_liner_tells_keep_and_waste(demo: Path, pages: dict[str, str]) -> None:
    for row in rows(demo):
        page = pages[str(row["row"])]
        lined = row["method"] == "liner"
        assert ("KEEP" in page, "WASTE" in page, bool(re.search(r"at 9 +at 10:30", page))) == (lined, lined, lined)


def test_cautions_and_signature_are_on_every_sheet(pages: dict[str, str]) -> None:
    for page in pages.values():
        assert CAUTIONS in " ".join(page.split())
        assert "Work done by" in page


def test_reasons_that_decide_are_told_in_inches(demo: Path, pages: dict[str, str]) -> None:
    for page in pages.values():
        assert not re.search(r"\d mm\b", " ".join(page.split()))


def test_the_index_lists_every_sheet_and_the_cover_adds_up(demo: Path, book: Path) -> None:
    reader = PdfReader(book)
    cover = "\n".join(page.extract_text() for page in reader.pages[:2])
    structures = rows(demo)
    assert f"{len(structures)} structures" in cover
    for row in structures:
        assert (row["structure_id"] or f"no id, row {row['row']}") in cover
    parts = rows(demo, "SELECT p.* FROM stack_parts p JOIN schedule s USING (row) WHERE p.part = 'ring-75'"
                       " AND p.policy = s.stack_policy AND s.method = 'rings'")  # fmt: skip
    assert f"{len(parts)} x ring-75" in cover.split("All streets:")[1]
    for part in ("liner-690", "riser-25"):
        assert f"1 x {part}" in cover
    links = [note for page in reader.pages[:2] for note in page.get("/Annots", [])]
    assert len(links) == len(structures)


def test_sheets_follow_the_streets(book: Path) -> None:
    streets = [re.search(r"(.*?)\s+\|", page.extract_text())[1] for page in PdfReader(book).pages[2:]]  # type: ignore[index]
    names = [name.strip().splitlines()[-1] for name in streets]
    assert names == sorted(names)


@pytest.mark.parametrize(("paper", "size"), [("letter", (612.0, 792.0)), ("a4", (595.28, 841.89))])
@needs_poppler
def test_pages_have_their_size_their_type_and_white_margins(
    demo: Path, tmp_path: Path, paper: str, size: tuple[float, float]
) -> None:
    """No word is smaller than 11 points, the order has 24, and nothing is drawn within 5 mm of the edge."""
    draw_sheets(demo, tmp_path, SheetOptions(paper=paper, streets=("Side Lane",)))
    reader = PdfReader(tmp_path / "sheets.pdf")
    assert len(reader.pages) == 1 + 4
    for page in reader.pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size, abs=0.01)
        content = page.get_contents()
        assert content is not None
        sizes = {float(found) for found in re.findall(rb"/F\S+ ([\d.]+) Tf", content.get_data())}
        assert min(sizes) >= 11
        assert max(sizes) == 24
        greys = {float(found) for found in re.findall(rb"([\d.]+) g\n", content.get_data())}
        assert greys <= {0.0, 0.72, 1.0}
    subprocess.run(["pdftoppm", "-r", "50", "-gray", "sheets.pdf", "p"], cwd=tmp_path, check=True)
    for path in tmp_path.glob("p*.pgm"):
        ink = np.asarray(Image.open(path)) < 200
        edge = int(5 / 25.4 * 50)
        inside = np.zeros_like(ink)
        inside[edge:-edge, edge:-edge] = True
        assert not ink[~inside].any()
        assert ink.mean() > 0.01


def test_printing_is_not_scaled_and_files_are_equal(demo: Path, book: Path, tmp_path: Path) -> None:
    draw_sheets(demo, tmp_path, SheetOptions())
    assert (tmp_path / "sheets.pdf").read_bytes() == book.read_bytes()
    assert PdfReader(book).trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"


@pytest.mark.parametrize(
    ("options", "count"),
    [
        ({"ids": ("SS-101", "SD-107")}, 3),
        ({"streets": ("Side Lane",)}, 4),
        ({"methods": ("liner",)}, 1),
        ({"ready": ("order",)}, 2),
        ({"streets": ("Side Lane",), "methods": ("rings",)}, 4),
        ({"ids": ("",)}, 1),
    ],
)
def test_filters(demo: Path, tmp_path: Path, options: dict[str, tuple[str, ...]], count: int) -> None:
    assert draw_sheets(demo, tmp_path, SheetOptions(**options)).sheets == count


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"ids": ("SS-999",)}, "--id: no structure with 'SS-999'"),
        ({"streets": ("Side Lane",), "methods": ("liner",)}, "no structure fits all filters"),
        ({"paper": "a3"}, "letter, a4"),
    ],
)
def test_what_fits_nothing_is_refused(demo: Path, tmp_path: Path, options: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError) as caught:
        draw_sheets(demo, tmp_path / "out", SheetOptions(**options))
    assert said in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_input_order_is_that_of_the_rows(demo: Path, tmp_path: Path) -> None:
    draw_sheets(demo, tmp_path, SheetOptions(order="input", streets=("Side Lane",)))
    found = [
        int(re.search(r"row (\d+)", page.extract_text())[1])  # type: ignore[index]
        for page in PdfReader(tmp_path / "sheets.pdf").pages[1:]
    ]
    assert found == sorted(found)


def test_only_our_sheets_are_replaced(demo: Path, tmp_path: Path) -> None:
    only = {"ids": ("SS-101",)}
    draw_sheets(demo, tmp_path, SheetOptions(**only))
    assert is_sheets(tmp_path / "sheets.pdf")
    with pytest.raises(OutputBusyError):
        draw_sheets(demo, tmp_path, SheetOptions(**only))
    draw_sheets(demo, tmp_path, SheetOptions(**only, overwrite=True))
    (tmp_path / "sheets.pdf").write_bytes(b"%PDF-1.4\nsomebody's")
    with pytest.raises(OutputBusyError):
        draw_sheets(demo, tmp_path, SheetOptions(**only, overwrite=True))
    assert (tmp_path / "sheets.pdf").read_bytes() == b"%PDF-1.4\nsomebody's"
    with pytest.raises(OutputBusyError):
        draw_sheets(demo, demo / "inside", SheetOptions(**only))


def test_the_command_tells_what_it_wrote(demo: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    given = ["sheets", str(demo), "--out", str(out), "--street", "Side Lane"]
    done = CliRunner().invoke(main, [*given, "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert (told["sheets"], told["structures"], told["files"][0]["pages"]) == (4, 53, 5)
    assert CliRunner().invoke(main, given).exit_code == 6
    again = CliRunner().invoke(main, [*given, "--overwrite", "--paper", "a4"])
    assert (again.exit_code, "sheets.pdf: 5 pages" in again.stdout) == (0, True)
    assert CliRunner().invoke(main, [*given[:4], "--id", "none"]).exit_code == 3


def test_many_sheets_go_into_several_files(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three to a file: the cover stands in the first one, and numbers go on."""
    lane = SheetOptions(streets=("Side Lane",))
    draw_sheets(demo, tmp_path, lane)
    for module in ("geoadjust.report.sheets.document", "geoadjust.run.sheets"):
        monkeypatch.setattr(f"{module}.MOST", 3)
    drawn = draw_sheets(demo, tmp_path, lane)
    assert [Path(file["path"]).name for file in drawn.files] == ["sheets-001.pdf", "sheets-002.pdf"]
    first, second = (PdfReader(file["path"]) for file in drawn.files)
    assert (len(first.pages), len(second.pages)) == (1 + 3, 1)
    assert "4 of 4" in second.pages[0].extract_text()
    assert "4 (2)" in first.pages[0].extract_text()
    assert drawn.notes == ["sheets of an earlier run stay beside these: sheets.pdf"]


HOSTILE = ("<b>x & y</b>", "=1+2", "街道 7", "Łódź \\(1)", "M" * 300, "a\u202eb", "%PDF", "same")


@pytest.fixture(scope="module")
def hostile(make_site: Callable[[], Any]) -> list[str]:
    """Sheets of ids that strangers may have written: text of each page without blanks."""
    site = make_site()
    site.road(lambda e, n: 100 + 0.02 * e + 0.0 * n)
    count = len(HOSTILE)
    places = [Point(500_000 + 2.0 * place - 8, 4_500_000) for place in range(count)]
    site.structures({"id": list(HOSTILE), "kind": ["manhole"] * count, "street": ["<i>" * 90] * count}, places)
    site.run('structures.vertical_unit="m"', 'structures.dimension_unit="mm"')
    draw_sheets(site.folder / "out", site.folder / "sheets", SheetOptions())
    reader = PdfReader(io.BytesIO((site.folder / "sheets" / "sheets.pdf").read_bytes()))
    return ["".join(page.extract_text().split()) for page in reader.pages]


def test_hostile_texts_come_out_as_they_are(hostile: list[str]) -> None:
    for name in HOSTILE:
        if "\u202e" not in name:
            wanted = "".join(name.split())
            assert any(page.startswith(wanted) or wanted in page for page in hostile), name
    assert all("<i>" * 90 in page for page in hostile[-3:])
