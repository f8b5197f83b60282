"""Pages on paper: text of strangers, wrapping, true lengths, files that are the same each time."""

import io
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from geoadjust.errors import InputError
from geoadjust.report.paper.fonts import Font, library
from geoadjust.report.paper.ink import SIZES, Ink
from geoadjust.report.paper.runs import runs

SCRIPTS = ("MH-7", "Łódź 12", "Ж-4", "Ωδός", "街道 7", "거리", "カバー")


def _document(draw: object, **given: object) -> bytes:
    file = io.BytesIO()
    ink = Ink(file, **given)
    ink.new_page()
    draw(ink)
    ink.close()
    return file.getvalue()


def _pixels(data: bytes, folder: Path, dots: int = 300) -> np.ndarray:
    """The first page in greys, dots per inch given."""
    (folder / "page.pdf").write_bytes(data)
    subprocess.run(
        ["pdftoppm", "-r", str(dots), "-gray", "-f", "1", "-l", "1", "page.pdf", "page"], cwd=folder, check=True
    )
    return np.asarray(Image.open(next(folder.glob("page*.pgm"))))


def test_text_in_many_scripts_can_be_read_back() -> None:
    data = _document(lambda ink: [ink.text(20, 20 + 10 * place, text) for place, text in enumerate(SCRIPTS)])
    found = "".join(PdfReader(io.BytesIO(data)).pages[0].extract_text().split())
    assert found == "".join("".join(SCRIPTS).split())


def test_hebrew_is_drawn_from_right_to_left_and_arabic_joined() -> None:
    """By the Unicode bidirectional algorithm (UAX 9): the first letter stands at the right; digits keep their order."""
    assert [run.text for run in runs("שלום 12")] == ["12 םולש"]
    sheen_final = "\ufeb5"
    (joined,) = runs("شش")
    assert joined.text == "\ufeb6\ufeb7"
    assert sheen_final not in joined.text


@pytest.mark.parametrize("character", ["\0", "\n", "\u202e", "\u200b", "\ud800", "\ue000", "ถ"])
def test_what_cannot_be_drawn_is_a_box_with_its_code(character: str) -> None:
    file = io.BytesIO()
    ink = Ink(file)
    ink.new_page()
    ink.text(20, 20, f"a{character}b")
    assert ink.close() == {character}
    found = "".join(PdfReader(file).pages[0].extract_text().split())
    code = f"{ord(character):04X}"
    assert sorted(found) == sorted(f"ab{code}")


def test_a_direction_mark_does_not_turn_what_follows() -> None:
    assert [run.text for run in runs("1\u202e23")] == ["1", "\u202e", "23"]


@pytest.mark.parametrize("text", ["", "one", "one two", "x" * 300, "街" * 90 + " a", "a  b ", "long " * 40, "a\nb"])
def test_wrapping_loses_no_character(text: str) -> None:
    ink = Ink(io.BytesIO())
    lines = ink.wrap(text, 30.0)
    assert all(ink.width(line) <= 30.0 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "").replace("\n", "")


def test_a_piece_is_one_character_at_least() -> None:
    assert Ink(io.BytesIO()).wrap("abc", 0.1) == ["a", "b", "c"]


def test_a_block_ends_below_its_last_line() -> None:
    ink = Ink(io.BytesIO())
    ink.new_page()
    assert ink.block(10, 10, 100, "a\nb", 12, leading=1.5) == pytest.approx(10 + 2 * 12 * 1.5 * 25.4 / 72)


def test_width_is_that_of_the_font() -> None:
    """Advance widths of the typeface's own tables, read by fontTools."""
    from fontTools.ttLib import TTFont

    path = Path(__file__).parents[3] / "geoadjust/report/fonts/DejaVuSans.ttf"
    with TTFont(path) as face:
        glyphs, advances, em = face.getBestCmap(), face["hmtx"], face["head"].unitsPerEm
        wanted = sum(advances[glyphs[ord(letter)]][0] for letter in "Raise 2 ¼ in") / em * 24 * 25.4 / 72
    assert Ink(io.BytesIO()).width("Raise 2 ¼ in", 24) == pytest.approx(wanted, rel=1e-4)


def test_lengths_are_true(tmp_path: Path) -> None:
    """A line of 100 mm, 20 mm from the left and 30 mm from the upper edge, in a rendered page."""
    page = _pixels(_document(lambda ink: ink.line([(20, 30), (120, 30)], 0.5)), tmp_path)
    dot = 25.4 / 300
    rows, columns = np.nonzero(page < 128)
    assert (columns.max() - columns.min() + 1) * dot == pytest.approx(100, abs=dot)
    assert columns.min() * dot == pytest.approx(20, abs=dot)
    assert (rows.min() + rows.max() + 1) / 2 * dot == pytest.approx(30, abs=dot)
    assert page.shape == pytest.approx((SIZES["letter"][1] / dot, SIZES["letter"][0] / dot), abs=1)


def test_nothing_is_drawn_outside_of_a_clip(tmp_path: Path) -> None:
    def draw(ink: Ink) -> None:
        with ink.clip(50, 60, 20, 10):
            ink.rect(0, 0, 200, 200, 0, fill=0.0)

    page = _pixels(_document(draw), tmp_path, 254)
    rows, columns = np.nonzero(page < 128)
    assert (columns.min(), columns.max(), rows.min(), rows.max()) == pytest.approx((500, 699, 600, 699), abs=1)


def test_greys_and_turned_text(tmp_path: Path) -> None:
    page = _pixels(_document(lambda ink: ink.circle(100, 100, 5, 0, fill=0.8)), tmp_path, 254)
    assert page[1000, 1000] == pytest.approx(0.8 * 255, abs=1)
    turned = _pixels(_document(lambda ink: ink.text(100, 100, "mmmm", 20, turn=90)), tmp_path, 254)
    rows, columns = np.nonzero(turned < 128)
    assert rows.max() <= 1000
    assert np.ptp(rows) > 2 * np.ptp(columns)


def test_the_same_drawing_gives_the_same_file() -> None:
    def draw(ink: Ink) -> None:
        ink.text(20, 20, "街 MH-7", bold=True)
        ink.bookmark("one", "街 MH-7")
        ink.link(20, 20, 10, 10, "one")

    assert _document(draw, title="t") == _document(draw, title="t")


def test_a_print_is_not_scaled() -> None:
    reader = PdfReader(io.BytesIO(_document(lambda ink: ink.text(20, 20, "a"), title="טיול", subject="s")))
    assert reader.viewer_preferences is not None
    assert reader.viewer_preferences.print_scaling == "/None"
    assert (reader.metadata.title, reader.metadata.subject) == ("טיול", "s")


def test_sizes_of_pages() -> None:
    file = io.BytesIO()
    ink = Ink(file, SIZES["a4"])
    ink.new_page()
    ink.new_page((2000.0, 300.0))
    ink.close()
    found = [(float(page.mediabox.width), float(page.mediabox.height)) for page in PdfReader(file).pages]
    assert np.array(found) * 25.4 / 72 == pytest.approx(np.array([(210, 297), (2000, 300)]), abs=1e-3)


def test_a_font_that_is_none_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.ttf").write_text("no font")
    with pytest.raises(InputError, match="no TrueType font"):
        Ink(io.BytesIO(), extra_fonts=(tmp_path / "a.ttf",))
    with pytest.raises(InputError, match="no TrueType font"):
        Font("b", tmp_path / "b.ttf")


def test_a_library_that_is_missing_is_named() -> None:
    with pytest.raises(InputError, match=r"geoadjust\[paper\]"):
        library("no_such_library")
