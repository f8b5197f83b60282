"""The files of the templates: one page per structure on a roll, or a guide and tiles per structure."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO

from geoadjust.report.facts import Facts
from geoadjust.report.paper.ink import SIZES, Ink
from geoadjust.report.sheets.parts import GAP, stacked
from geoadjust.report.template.drawing import base_words, draw_template
from geoadjust.report.template.frame import HEADER, MARGIN, draw_flat_bars, draw_header, draw_upright_bars
from geoadjust.report.template.guide import guide_parts, pages_of
from geoadjust.report.template.pane import Pane
from geoadjust.report.template.tiles import draw_rim, draw_tiles, grid_of, paper_of, room_of
from geoadjust.report.template.wrap import TAB, Wrap
from geoadjust.report.words import name_of

SUBJECT = "geoadjust wrap template"
"""Stands in each file and tells that it is ours."""
LONGEST = 14_400 / 72 * 25.4
"""Of a page [mm]: 14 400 units (ISO 32000-1, annex C.2)."""
ROLL = 450.0
"""Height of a template on a roll that is 24 in wide [mm]; a taller one shows the band about its cut."""
LEAST_STRIP, STRIP_MARGIN = 430.0, 15.0
BARS_WIDE = 160.0
WORDS_APART = 500.0
"""The words below the strip stand again [mm]."""

Job = tuple[Facts, Wrap]


def strip_length(wrap: Wrap) -> float:
    """Of a page on a roll [mm]."""
    return max(wrap.length + 2 * STRIP_MARGIN, LEAST_STRIP)


def strip_fits(wrap: Wrap) -> bool:
    """Whether a PDF page may be so long."""
    return strip_length(wrap) <= LONGEST


def write_tiles(
    file: BinaryIO, jobs: Iterable[Job], *, paper: str, fonts: tuple[Path, ...] = ()
) -> tuple[int, set[str]]:
    """Guide and tiles of each structure; the number of pages, and the characters that no font holds."""
    ink = Ink(file, SIZES[paper], title="Wrap templates, tiles", subject=SUBJECT, extra_fonts=fonts)
    for place, (facts, wrap) in enumerate(jobs):
        shown = wrap.within(room_of(paper)[1], facts.units)
        _draw_guide(ink, facts, shown, paper, place)
        for _ in draw_tiles(ink, facts, shown, paper):
            pass
    pages = ink.pages
    return pages, ink.close()


def _draw_guide(ink: Ink, facts: Facts, wrap: Wrap, paper: str, place: int) -> None:
    """How it is used, before the tiles; more than one page where names are long."""
    width, height = paper_of(paper)
    room, grid = room_of(paper), grid_of(wrap, paper)
    pages = pages_of(guide_parts(ink, facts, wrap, len(grid.tiles), room[0]), room[1] + 4.0)
    for number, parts in enumerate(pages, 1):
        ink.new_page((width, height))
        if number == 1:
            ink.bookmark(f"tiles-{place}", name_of(facts))
        title = f"Guide, {len(grid.tiles)} tiles" if len(pages) == 1 else f"Guide {number} of {len(pages)}"
        draw_header(ink, MARGIN, MARGIN, width - 2 * MARGIN, facts, wrap, title)
        stacked(parts, GAP).draw(width - MARGIN - room[0], MARGIN + HEADER)
        draw_rim(ink, wrap, grid, None, paper)


def write_strips(file: BinaryIO, jobs: Iterable[Job], *, fonts: tuple[Path, ...] = ()) -> tuple[int, set[str]]:
    """One page per structure as long as the template; the number of pages, and the characters that no font holds."""
    ink = Ink(file, SIZES["letter"], title="Wrap templates, strips", subject=SUBJECT, extra_fonts=fonts)
    for place, (facts, wrap) in enumerate(jobs):
        _draw_strip(ink, facts, wrap.within(ROLL, facts.units), place)
    pages = ink.pages
    return pages, ink.close()


def _draw_strip(ink: Ink, facts: Facts, wrap: Wrap, number: int) -> None:
    """Header, template, bars and guide below it."""
    width = strip_length(wrap)
    inner = width - 2 * STRIP_MARGIN
    parts = guide_parts(ink, facts, wrap, 0, min(inner - BARS_WIDE, 320.0))
    below = max(sum(part.height + GAP for part in parts), 108.0)
    top = STRIP_MARGIN + HEADER
    ink.new_page((width, top + wrap.height + 12.0 + below + STRIP_MARGIN))
    ink.bookmark(f"strip-{number}", name_of(facts))
    draw_header(ink, STRIP_MARGIN, STRIP_MARGIN, inner, facts, wrap, "Strip, 1:1")
    pane = Pane(ink, STRIP_MARGIN, top, 0.0, wrap.length, wrap.low, wrap.top)
    draw_template(pane, wrap, facts)
    for place in range(max(int(wrap.length // WORDS_APART), 1)):
        words = base_words(wrap, facts.units)
        ink.text(STRIP_MARGIN + TAB + place * WORDS_APART, top + wrap.height + 4.8, words, 11, bold=True)
    base = top + wrap.height + 12.0
    draw_flat_bars(ink, STRIP_MARGIN + 22, base)
    draw_upright_bars(ink, STRIP_MARGIN, base + 104.0)
    stacked(parts, GAP).draw(STRIP_MARGIN + BARS_WIDE, base)
