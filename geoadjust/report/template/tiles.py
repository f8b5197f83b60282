"""The template on pages that are taped together: which page shows which part, and the marks that join them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from geoadjust.report.facts import Facts
from geoadjust.report.paper.ink import POINT, SIZES, Ink
from geoadjust.report.template.drawing import base_words, draw_template
from geoadjust.report.template.frame import FOOTER, HEADER, MARGIN, draw_flat_bars, draw_header, draw_upright_bars
from geoadjust.report.template.pane import Pane
from geoadjust.report.template.wrap import Wrap

OVERLAP = 10.0
"""Two neighbours show the same band of the template [mm]."""
SIDE, UNDER = 21.0, 6.0
"""Room for the upright bars and for the words of the left edge; for those of the lower edge."""
ARM = 6.0
"""Of a cross that joins two pages."""
KEY = (112.0, 13.0)


@dataclass(frozen=True, slots=True)
class Tile:
    """A part of the template [mm]; columns from the left, rows from below, counted from 0."""

    number: int
    column: int
    row: int
    u0: float
    u1: float
    v0: float
    v1: float


@dataclass(frozen=True, slots=True)
class Grid:
    """Tiles of one size that overlap."""

    columns: int
    rows: int
    tiles: tuple[Tile, ...]

    def number(self, column: int, row: int) -> int:
        """Of a tile, from 1; 0 where there is none."""
        there = 0 <= column < self.columns and 0 <= row < self.rows
        return row * self.columns + column + 1 if there else 0


def paper_of(name: str) -> tuple[float, float]:
    """A page that lies on its long side [mm]."""
    short, long = SIZES[name]
    return long, short


def room_of(paper: str) -> tuple[float, float]:
    """What of the template a page can show [mm]."""
    width, height = paper_of(paper)
    return width - 2 * MARGIN - SIDE, height - 2 * MARGIN - HEADER - FOOTER - UNDER


def _cuts(first: float, last: float, room: float) -> list[tuple[float, float]]:
    """Equal parts no longer than the room, each going on OVERLAP into the next.

    Examples
    --------
    >>> _cuts(0.0, 210.0, 120.0), _cuts(0.0, 100.0, 120.0)
    ([(0.0, 110.0), (100.0, 210.0)], [(0.0, 100.0)])
    """
    count = max(math.ceil((last - first - OVERLAP) / (room - OVERLAP) - 1e-9), 1)
    step = (last - first - OVERLAP) / count
    return [(first + place * step, first + (place + 1) * step + OVERLAP) for place in range(count)]


def grid_of(wrap: Wrap, paper: str) -> Grid:
    """Tiles of a template, the lowest row first, each from the left."""
    wide, high = room_of(paper)
    across, up = _cuts(0.0, wrap.length, wide), _cuts(wrap.low, wrap.top, high)
    places = [(row, column) for row in range(len(up)) for column in range(len(across))]
    tiles = tuple(
        Tile(number, column, row, *across[column], *up[row]) for number, (row, column) in enumerate(places, 1)
    )
    return Grid(len(across), len(up), tiles)


def draw_tiles(ink: Ink, facts: Facts, wrap: Wrap, paper: str) -> Iterator[Tile]:
    """One page per tile; each tile is told after it is drawn."""
    width, height = paper_of(paper)
    grid = grid_of(wrap, paper)
    for tile in grid.tiles:
        ink.new_page((width, height))
        draw_header(ink, MARGIN, MARGIN, width - 2 * MARGIN, facts, wrap, f"Tile {tile.number} of {len(grid.tiles)}")
        pane = pane_of(ink, tile, paper)
        _draw_joints(pane, grid, tile)
        draw_template(pane, wrap, facts)
        _draw_crosses(pane, wrap, grid, tile)
        if tile.row == 0:
            left, bottom = pane.place((tile.u0 + tile.u1) / 2, tile.v0)
            ink.text(left, bottom + 4.8, base_words(wrap, facts.units), 11, bold=True, align="center")
        draw_rim(ink, wrap, grid, tile, paper)
        yield tile


def pane_of(ink: Ink, tile: Tile, paper: str) -> Pane:
    """The window of a tile; it stands at the lower edge of its room."""
    _, height = paper_of(paper)
    bottom = height - MARGIN - FOOTER - UNDER
    return Pane(ink, MARGIN + SIDE, bottom - (tile.v1 - tile.v0), tile.u0, tile.u1, tile.v0, tile.v1)


def draw_rim(ink: Ink, wrap: Wrap, grid: Grid, tile: Tile | None, paper: str) -> None:
    """Bars, the key, and which way is up."""
    width, height = paper_of(paper)
    foot, bottom = height - MARGIN - FOOTER, height - MARGIN - FOOTER - UNDER
    draw_flat_bars(ink, MARGIN, foot + 4.0)
    draw_upright_bars(ink, MARGIN, bottom)
    _draw_up(ink, MARGIN + 4.5, bottom - 105.0)
    draw_key(ink, width - MARGIN - KEY[0], foot + 1.5, wrap, grid, tile)


def _draw_up(ink: Ink, x: float, y: float) -> None:
    ink.text(x, y, "UP", 14, bold=True, align="center")
    ink.line([(x, y - 6.0), (x, y - 12.0)], 1.6)
    ink.line([(x, y - 17.0), (x - 3.2, y - 11.5), (x + 3.2, y - 11.5)], 0.0, closed=True, fill=0.0)


def _draw_joints(pane: Pane, grid: Grid, tile: Tile) -> None:
    """Edges of the tile: those that are cut, and those that go under a neighbour."""
    ink, left, bottom = pane.ink, pane.left, pane.top + tile.v1 - tile.v0
    right, middle = left + tile.u1 - tile.u0, pane.top + (tile.v1 - tile.v0) / 2
    if tile.column:
        ink.line([(left, pane.top), (left, bottom)], 0.35, dash=(4.0, 1.5))
        words = f"Cut here, lay on tile {grid.number(tile.column - 1, tile.row)}"
        ink.text(left - 2.0, middle, words, 11, align="center", turn=90)
    if tile.row:
        ink.line([(left, bottom), (right, bottom)], 0.35, dash=(4.0, 1.5))
        words = f"Cut here, lay on tile {grid.number(tile.column, tile.row - 1)}"
        ink.text((left + right) / 2, bottom + 4.6, words, 11, align="center")
    for under, places in (
        (grid.number(tile.column + 1, tile.row), [(right, pane.top), (right, bottom)]),
        (grid.number(tile.column, tile.row + 1), [(left, pane.top), (right, pane.top)]),
    ):
        if under:
            ink.line(places, 0.25, dash=(0.6, 1.2))


def _draw_crosses(pane: Pane, wrap: Wrap, grid: Grid, tile: Tile) -> None:
    """Crosses on the edge that is cut, whole on the page that goes under; and the words there."""
    seams = [tile.u0] * bool(tile.column) + [tile.u1 - OVERLAP] * bool(grid.number(tile.column + 1, tile.row))
    levels = [tile.v0] * bool(tile.row) + [tile.v1 - OVERLAP] * bool(grid.number(tile.column, tile.row + 1))
    high, wide = tile.v1 - tile.v0, tile.u1 - tile.u0
    crosses = [(u, tile.v0 + share * high) for u in seams for share in (0.15, 0.85)]
    crosses += [(tile.u0 + share * wide, v) for v in levels for share in (0.2, 0.8)]
    with pane.clipped():
        for u, v in crosses:
            pane.line([(u - ARM, v), (u + ARM, v)], 0.35)
            pane.line([(u, v - ARM), (u, v + ARM)], 0.35)
        for u in seams:
            pane.line([(u, tile.v0), (u, tile.v1)], 0.18, dash=(1.0, 1.0))
        for v in levels:
            pane.line([(tile.u0, v), (tile.u1, v)], 0.18, dash=(1.0, 1.0))
    _name_bands(pane, wrap, grid, tile)


def _name_bands(pane: Pane, wrap: Wrap, grid: Grid, tile: Tile) -> None:
    """Words in the bands that go under a neighbour, beside the cut line."""
    ink, right = pane.ink, pane.left + tile.u1 - tile.u0
    beside, above = grid.number(tile.column + 1, tile.row), grid.number(tile.column, tile.row + 1)
    if beside:
        words = f"goes UNDER tile {beside}"
        cut = min(max(wrap.cut(wrap.turn(tile.u1 - OVERLAP / 2)), tile.v0), tile.v1)
        level = (tile.v0 + cut) / 2 if cut - tile.v0 > tile.v1 - cut else (tile.v1 + cut) / 2
        wide = ink.width(words, bold=True)
        x, middle = pane.place(tile.u1 - OVERLAP / 2, level)
        ink.rect(x - 2.9, middle - wide / 2 - 1, 5.8, wide + 2, 0.0, fill=1.0)
        ink.text(x + 0.36 * 11 * POINT, middle, words, 11, bold=True, align="center", turn=90)
    if above:
        words = f"goes UNDER tile {above}"
        wide, x, y = ink.width(words, bold=True), (pane.left + right) / 2, pane.top + OVERLAP / 2
        ink.rect(x - wide / 2 - 1, y - 2.9, wide + 2, 5.8, 0.0, fill=1.0)
        ink.text(x, y + 0.36 * 11 * POINT, words, 11, bold=True, align="center")


def draw_key(ink: Ink, x: float, y: float, wrap: Wrap, grid: Grid, here: Tile | None) -> None:
    """All tiles, small; heights are not to scale with lengths. The tile of the page is grey."""
    wide, high = KEY
    right, up = wide / wrap.length, high / wrap.height
    for tile in grid.tiles:
        left, lower = x + right * tile.u0, y + high - up * (tile.v0 - wrap.low)
        size = right * (tile.u1 - tile.u0), up * (tile.v1 - tile.v0)
        last = tile.column == grid.columns - 1, tile.row == grid.rows - 1
        size = size[0] - right * OVERLAP * (not last[0]), size[1] - up * OVERLAP * (not last[1])
        own = here is not None and here.number == tile.number
        ink.rect(left, lower - size[1], *size, 0.3, fill=0.72 if own else None)
    edge = [(u, wrap.cut(wrap.turn(u))) for u in (wrap.start * place / 60 for place in range(61))]
    ink.line([(x + right * u, y + high - up * (v - wrap.low)) for u, v in edge], 0.6)
    for tile in grid.tiles if wide / grid.columns >= 6.5 else ():
        middle = x + right * (tile.u0 + tile.u1) / 2, y + high - up * ((tile.v0 + tile.v1) / 2 - wrap.low)
        if grid.rows == 1:
            ink.text(middle[0], y + high + 4.6, str(tile.number), 11, align="center")
        else:
            ink.text(middle[0], middle[1] + 1.4, str(tile.number), 11, align="center")
    ink.text(x, y + high + (9.6 if grid.rows == 1 else 4.6), "tab", 11)
    ink.text(x + wide, y + high + (9.6 if grid.rows == 1 else 4.6), "start (mark)", 11, align="right")
