"""Templates measured on rendered pages: bars, the cut line, tiles put together. Truth: plain cosines and pixels.

Heights are of a cylinder that is cut along a plane, h = centre + radius slope cos(azimuth - uphill); pages are drawn by
pdftoppm (poppler) at 300 dots per inch.
"""

import io
import math
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from pypdf import PdfReader

from geoadjust.errors import InputError
from geoadjust.io.results.whole import open_set
from geoadjust.report.facts import Facts
from geoadjust.report.template.document import strip_fits, write_strips, write_tiles
from geoadjust.report.template.frame import MARGIN
from geoadjust.report.template.guide import steps_of
from geoadjust.report.template.tiles import FOOTER, OVERLAP, SIDE, UNDER, grid_of, room_of
from geoadjust.report.template.wrap import TAB, Wrap, both, wrap_of
from geoadjust.run.demo import run_demo

DOTS = 300
PIXEL = 25.4 / DOTS
needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils are not installed")
Greys = NDArray[np.uint8]
Make = Callable[..., Facts]


@pytest.fixture(scope="module")
def make(tmp_path_factory: pytest.TempPathFactory) -> Make:
    """make(diameter, wall, centre, slope, uphill [mm, m/m, deg from the mark]): a liner like the demo's one."""
    folder = tmp_path_factory.mktemp("templates") / "demo"
    run_demo(folder, overwrite=False, progress=lambda stage, done, total: None)
    with open_set(folder / "out") as whole:
        row = whole.columns("method")["method"].index("liner")
        found = whole.structure(row)
    facts = Facts(**{item.name: getattr(found, item.name) for item in fields(Facts)})

    def liner(
        diameter: float = 610.0,
        wall: float = 30.0,
        centre: float = 70.0,
        slope: float = 0.06,
        uphill: float = 50.0,
        units: str = "us",
        **schedule: Any,
    ) -> Facts:
        swing = (diameter - wall) / 2 * slope
        heights = {
            f"h{place + 1:02d}_mm": round(centre + swing * math.cos(math.radians(22.5 * place - uphill)), 3)
            for place in range(16)
        }
        sizes = {"radius_mm": (diameter - wall) / 2, "wrap_mm": diameter / 2}
        return replace(
            facts,
            units=units,
            schedule={**facts.schedule, **schedule},
            ordinates={**facts.ordinates, **heights, **sizes},
        )

    return liner


def tiles(facts: Facts, wrap: Wrap, paper: str = "letter") -> bytes:
    file = io.BytesIO()
    write_tiles(file, [(facts, wrap)], paper=paper)
    return file.getvalue()


def strip(facts: Facts, wrap: Wrap) -> bytes:
    file = io.BytesIO()
    write_strips(file, [(facts, wrap)])
    return file.getvalue()


def texts(document: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(document)).pages]


def render(folder: Path, document: bytes) -> list[Greys]:
    """Pages as greys, 0 = black."""
    (folder / "t.pdf").write_bytes(document)
    subprocess.run(["pdftoppm", "-r", str(DOTS), "-gray", "t.pdf", "p"], cwd=folder, check=True)
    found = [np.asarray(Image.open(path)) for path in sorted(folder.glob("p*.pgm"))]
    for path in folder.glob("p*.pgm"):
        path.unlink()
    return found


def runs(dark: NDArray[np.bool_], least: float) -> list[float]:
    """Lengths of black runs in a line of pixels, not below `least` [mm]."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], dark.astype(int), [0]])))
    sizes = (edges[1::2] - edges[::2]) * PIXEL
    return [float(size) for size in sizes if size >= least]


def has_bars(page: Greys, box: tuple[float, float, float, float], axis: int) -> bool:
    """Whether a part of a page [mm: left, top, right, bottom] holds a bar of 100 mm and one of 101.6 mm, to 0.1 mm."""
    left, top, right, bottom = (round(edge / PIXEL) for edge in box)
    part = page[max(top, 0) : bottom, max(left, 0) : right] < 128
    lines = part if axis == 1 else part.T
    found = {round(size, 3) for line in lines for size in runs(line, 95.0)}
    return all(any(abs(size - bar) <= 0.1 for size in found) for bar in (100.0, 101.6))


def window(wrap: Wrap, paper: str, page: Greys, number: int) -> tuple[Greys, Any]:
    """The part of a page that shows the template, and its tile."""
    shown = wrap.within(room_of(paper)[1], "us")
    tile = grid_of(shown, paper).tiles[number]
    height = {"letter": 215.9, "a4": 210.0}[paper]
    bottom = height - MARGIN - FOOTER - UNDER
    left = MARGIN + SIDE
    rows = slice(round((bottom - tile.v1 + tile.v0) / PIXEL), round(bottom / PIXEL))
    return page[rows, round(left / PIXEL) : round((left + tile.u1 - tile.u0) / PIXEL)], tile


def thick(column: NDArray[np.bool_], near: float) -> int | None:
    """Lower end of the run of 1.6 mm that holds a pixel of a column; None where there is none, or something beside."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], column.astype(int), [0]])))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        if start <= near < end and 17 <= end - start <= 21:
            return int(end)
    return None


@needs_poppler
@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_bars_of_every_tiled_page_are_true(make: Make, tmp_path: Path, paper: str) -> None:
    facts = make(diameter=200.0, wall=20.0)
    pages = render(tmp_path, tiles(facts, wrap_of(facts), paper))
    assert len(pages) == 1 + 3
    for page in pages:
        height, width = (size * PIXEL for size in page.shape)
        assert (width, height) == pytest.approx({"letter": (279.4, 215.9), "a4": (297.0, 210.0)}[paper], abs=0.1)
        assert has_bars(page, (0, height - MARGIN - FOOTER, 140, height), 1)
        assert has_bars(page, (0, 60, MARGIN + 12, height - MARGIN - FOOTER), 0)
        edge = round(5 / PIXEL)
        inside = np.zeros(page.shape, dtype=bool)
        inside[edge:-edge, edge:-edge] = True
        assert (page[~inside] > 200).all()


@needs_poppler
def test_bars_and_length_of_the_strip_are_true(make: Make, tmp_path: Path) -> None:
    """Start to end line is the circumference as given, to two pixels in 630 mm."""
    facts = make(diameter=200.0, wall=20.0)
    (page,) = render(tmp_path, strip(facts, wrap_of(facts, 0.6301)))
    height, width = (size * PIXEL for size in page.shape)
    assert has_bars(page, (30, 60, 180, height), 1)
    assert has_bars(page, (0, 60, 30, height), 0)
    top, tall = 15.0 + 27.0, 70.0 + 5.4 + 20.0
    part = page[round((top + 2) / PIXEL) : round((top + tall - 2) / PIXEL)] < 128
    upright = np.flatnonzero(part.mean(axis=0) > 0.97)
    groups = np.split(upright, np.flatnonzero(np.diff(upright) > 1) + 1)
    end, start = (float(group.mean() + 0.5) * PIXEL for group in (groups[0], groups[-1]))
    assert start - end == pytest.approx(630.1, abs=2 * PIXEL)
    assert width == pytest.approx(630.1 + 50 + 14 + 30, abs=0.2)


@needs_poppler
def test_the_cut_line_is_the_cosine_and_runs_to_the_left(make: Make, tmp_path: Path) -> None:
    """On the outside of a standing cylinder clockwise goes to the left: uphill 50 degrees from the mark stands left."""
    facts = make(diameter=200.0, wall=20.0, slope=0.25)
    (page,) = render(tmp_path, strip(facts, wrap_of(facts, 0.62)))
    swing, top, left = 90.0 * 0.25, 15.0 + 27.0, 15.0
    foot = top + 70.0 + swing + 20.0
    checked = 0
    for along in np.arange(1.0, TAB + 619.0, 2.1):
        x = round((left + along) / PIXEL)
        turn = 2 * math.pi * (TAB + 620.0 - ((x + 0.5) * PIXEL - left)) / 620.0
        wanted = 70.0 + swing * math.cos(turn - math.radians(50))
        first = round(top / PIXEL)
        low = thick(page[first : round((foot - 1) / PIXEL), x] < 128, (foot - wanted - 0.8) / PIXEL - first)
        if low is None:
            continue
        found = foot - (round(top / PIXEL) + low) * PIXEL
        assert found == pytest.approx(wanted, abs=0.15), along
        checked += 1
    assert checked > 150


@needs_poppler
@pytest.mark.parametrize(("paper", "diameter", "centre", "slope"), [("letter", 200, 70, 0.2), ("a4", 160, 400, 0.9)])
def test_tiles_put_together_are_one_curve(
    make: Make, tmp_path: Path, paper: str, diameter: float, centre: float, slope: float
) -> None:
    """Each page is laid with its cut edge on its place; where two pages show the same, they show it at one place.

    The second liner is so steep that its tiles stand in two rows.
    """
    facts = make(diameter=diameter, wall=20.0, centre=centre, slope=slope)
    wrap = wrap_of(facts)
    pages = render(tmp_path, tiles(facts, wrap, paper))[1:]
    rows = {window(wrap, paper, page, number)[1].row for number, page in enumerate(pages)}
    assert rows == ({0} if slope < 0.5 else {0, 1})
    found: dict[int, list[float]] = {}
    swing, around = (diameter - 20) / 2 * slope, math.pi * diameter
    for number, page in enumerate(pages):
        part, tile = window(wrap, paper, page, number)
        for column in range(0, part.shape[1], 7):
            along = tile.u0 + (column + 0.5) * PIXEL
            turn = 2 * math.pi * (TAB + around - along) / around
            wanted = centre + swing * math.cos(turn - math.radians(50))
            inside = 4.0 < along < TAB + around - 1 and tile.v0 + 2 < wanted < tile.v1 - 4
            steep = swing * abs(math.sin(turn - math.radians(50))) / (around / 2 / math.pi)
            if not inside or steep > 0.3:
                continue
            low = thick(part[:, column] < 128, (tile.v1 - wanted - 0.8) / PIXEL)
            if low is not None:
                height = tile.v1 - low * PIXEL
                assert height == pytest.approx(wanted, abs=0.2)
                found.setdefault(round(along), []).append(height)
    assert len(found) > 0.25 * around
    shared = [heights for heights in found.values() if len(heights) > 1]
    assert shared


@given(
    st.floats(60, 3000),
    st.floats(40, 900),
    st.floats(0.0, 0.12),
    st.floats(0, 360),
    st.sampled_from(["letter", "a4"]),
    st.sampled_from(["us", "metric"]),
)
@settings(deadline=None)
def test_tiles_cover_the_template_and_overlap(
    diameter: float, centre: float, slope: float, uphill: float, paper: str, units: str
) -> None:
    """Every place is on a page, neighbours share 10 mm, no tile is larger than its room."""
    swing = diameter / 2 * slope
    turn = math.radians(uphill)
    plain = Wrap(
        math.pi * diameter, True, math.pi * diameter, (), centre, swing * math.cos(turn), swing * math.sin(turn)
    )
    room = room_of(paper)
    wrap = plain.within(room[1], units)
    grid = grid_of(wrap, paper)
    step = 25.4 if units == "us" else 10.0
    assert wrap.low % step == pytest.approx(0, abs=1e-6) or wrap.low % step == pytest.approx(step, abs=1e-6)
    assert 0 <= wrap.low <= max(centre - swing - 20.0, 0.0) + 1e-6
    assert wrap.low == 0 or wrap.top > room[1]
    assert [tile.number for tile in grid.tiles] == list(range(1, len(grid.tiles) + 1))
    for tile in grid.tiles:
        assert tile.u1 - tile.u0 <= room[0] + 1e-6
        assert tile.v1 - tile.v0 <= room[1] + 1e-6
        beside = grid.number(tile.column + 1, tile.row)
        above = grid.number(tile.column, tile.row + 1)
        if beside:
            assert tile.u1 - grid.tiles[beside - 1].u0 == pytest.approx(OVERLAP)
        if above:
            assert tile.v1 - grid.tiles[above - 1].v0 == pytest.approx(OVERLAP)
    assert (grid.tiles[0].u0, grid.tiles[0].v0) == (0.0, wrap.low)
    assert (grid.tiles[-1].u1, grid.tiles[-1].v1) == pytest.approx((wrap.length, wrap.top))


def test_the_curve_passes_through_the_ordinates(make: Make) -> None:
    """To the 0.0005 mm to which they are rounded; a quarter of a turn further it is the plane's height there."""
    facts = make()
    wrap = wrap_of(facts)
    for place in range(16):
        stored = facts.ordinates[f"h{place + 1:02d}_mm"]
        assert wrap.cut(2 * math.pi * place / 16) == pytest.approx(stored, abs=5.1e-4)
    assert wrap.cut(math.radians(11.25)) == pytest.approx(70 + 290 * 0.06 * math.cos(math.radians(38.75)), abs=5e-4)
    assert wrap.at(0) - wrap.at(2 * math.pi) == pytest.approx(math.pi * 610)


def test_the_print_lies_on_the_outside(make: Make) -> None:
    """Who stands outside looks along -n; to the right is -n x up. Azimuths are clockwise seen from above."""
    wrap = wrap_of(make())
    radius, step = 305.0, 1e-6
    for turn in np.linspace(0.1, 6.1, 13):
        outward = np.array([math.sin(turn), math.cos(turn), 0.0])
        right = np.cross(-outward, [0.0, 0.0, 1.0])
        further = radius * np.array([math.sin(turn + step), math.cos(turn + step), 0.0])
        moved = float((further - radius * outward) @ right)
        assert wrap.at(turn + step) - wrap.at(turn) == pytest.approx(moved, rel=1e-3)
        assert moved < 0


def test_ordinates_off_a_plane_are_refused(make: Make) -> None:
    facts = make()
    broken = replace(facts, ordinates={**facts.ordinates, "h05_mm": facts.ordinates["h05_mm"] + 0.5})
    with pytest.raises(InputError, match="do not lie on a plane"):
        wrap_of(broken)


@pytest.mark.parametrize(
    ("share", "fine"), [(1.049, True), (0.951, True), (1.051, False), (0.949, False), (0.318, False)]
)
def test_a_circumference_far_from_the_catalogue_is_refused(make: Make, share: float, fine: bool) -> None:
    """0.318 = a diameter given for a circumference."""
    given = share * math.pi * 0.610
    if fine:
        assert wrap_of(make(), given).circumference == pytest.approx(1000 * given)
        return
    with pytest.raises(InputError, match="of liner liner-690"):
        wrap_of(make(), given)


def test_printing_is_not_scaled_and_files_are_equal(make: Make) -> None:
    facts = make()
    for write in (tiles, strip):
        document = write(facts, wrap_of(facts))
        assert document == write(facts, wrap_of(facts))
        assert PdfReader(io.BytesIO(document)).trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"


@pytest.mark.parametrize("ready", ["order", "measure", "review", "unknown", "cut"])
def test_a_plan_says_so_on_each_page(make: Make, ready: str) -> None:
    """Only readings on the prepared bearing make a cut; what parts may be ordered by is no cut."""
    facts = make(ready=ready)
    for document in (tiles(facts, wrap_of(facts)), strip(facts, wrap_of(facts))):
        for page in texts(document):
            assert ("PLAN, NOT MEASURED: do not cut by this" in page) == (ready != "cut")
            assert ("MEASURED on the prepared bearing" in page) == (ready == "cut")


def test_an_assumed_circumference_says_so_on_each_page(make: Make) -> None:
    for units, more in (("us", "1/8 in"), ("metric", "3 mm")):
        facts = make(units=units)
        for page in texts(tiles(facts, wrap_of(facts))):
            told = "ASSUMED: measure the circumference with a tape; if it differs by more than"
            assert f"{told} {more} print again." in page
    for page in texts(tiles(facts, wrap_of(facts, 1.93))):
        assert "ASSUMED" not in page
        assert "circumference 1930 mm (76 in)" in page


def test_tiles_tell_number_id_street_keep_waste_and_neighbours(make: Make) -> None:
    facts = make(structure_id="MH-7", street="Long Lane")
    pages = texts(tiles(facts, wrap_of(facts)))
    assert "9 tiles" in pages[0]
    for number, page in enumerate(pages[1:], 1):
        for word in (f"Tile {number} of 9", "MH-7", "Long Lane", "KEEP", "WASTE", "100 mm", "4 in", "FOOT LINE", "UP"):
            assert word in page
        assert (f"Cut here, lay on tile {number - 1}" in page) == (number > 1)
        assert (f"goes UNDER tile {number + 1}" in page) == (number < 9)
    assert "END line" in pages[1]
    assert "START" in pages[9]


def test_a_tall_liner_shows_a_band_and_where_it_lies(make: Make) -> None:
    """300 mm at the centre: lowest side 282.6 less 20 = 262.6 mm; 10 in = 254 mm, 260 mm."""
    for units, told in (("us", "10 in"), ("metric", "260 mm")):
        facts = make(centre=300.0, units=units)
        pages = texts(tiles(facts, wrap_of(facts)))
        assert all(f"DATUM LINE: {told} above the foot" in page for page in pages[1:])
        assert f"the lower line {told} above the foot" in " ".join(pages[0].split())
    assert all("FOOT LINE" in page for page in texts(strip(facts, wrap_of(facts))))


def test_a_strip_that_no_page_can_hold_is_known(make: Make) -> None:
    """14 400 points are 5080 mm."""
    facts = make(diameter=1590.0)
    assert strip_fits(wrap_of(facts, (5080 - 94 - 0.01) / 1000))
    assert not strip_fits(wrap_of(facts, (5080 - 94 + 0.01) / 1000))


def test_the_steps_say_how_the_saw_is_held(make: Make) -> None:
    facts = make()
    flat = replace(facts, rules=replace(facts.rules, cut_style="in_plane"))
    assert "Hold the saw square to the wall." in steps_of(facts, wrap_of(facts), 0)
    assert any("one plane" in step for step in steps_of(flat, wrap_of(flat), 0))


HOSTILE = ("<b>x & y</b>", "=1+2", "M" * 300, "Łódź \\(1)", "%PDF", "nul\0l", "街道 7")


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_texts_come_out_as_they_are(make: Make, name: str) -> None:
    facts = make(structure_id=name, street=name)
    for document in (tiles(facts, wrap_of(facts)), strip(facts, wrap_of(facts))):
        pages = texts(document)
        told = ["".join(page.split()) for page in pages]
        if "\0" not in name:
            assert any("".join(name.split()) in page for page in told)
        start = "".join(name.split())[:3]
        assert all(start in page for page in told)


def test_both_units() -> None:
    assert both(75.375 * 25.4) == "1915 mm (75 3/8 in)"
