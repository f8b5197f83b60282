"""The sheets of a set as PDF files: a cover in the first one, then one page after the other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import BinaryIO

from geoadjust.report.paper.ink import SIZES, Ink
from geoadjust.report.sheets.cover import Entry, Totals, draw_cover
from geoadjust.report.sheets.page import Stop, draw_sheet
from geoadjust.report.words import name_of

SUBJECT = "geoadjust field sheets"
"""Stands in each file and tells that it is ours."""
MOST = 2000
"""Sheets in one file."""


def file_names(count: int) -> list[str]:
    """Names of the files for so many sheets.

    Examples
    --------
    >>> file_names(53), file_names(4001)
    (['sheets.pdf'], ['sheets-001.pdf', 'sheets-002.pdf', 'sheets-003.pdf'])
    """
    files = -(-count // MOST)
    return ["sheets.pdf"] if files <= 1 else [f"sheets-{place:03d}.pdf" for place in range(1, files + 1)]


def write_sheets(
    file: BinaryIO,
    stops: Iterable[Stop],
    *,
    paper: str,
    title: str,
    cover: tuple[Totals, Sequence[Entry], int] | None,
    fonts: tuple[Path, ...] = (),
) -> tuple[int, set[str]]:
    """Write one file; the number of its pages, and the characters that no font holds.

    Parameters
    ----------
    stops : in the order of the visit
    paper : letter or a4
    cover : totals, index and the number of files; None = a file without a cover
    """
    ink = Ink(file, SIZES[paper], title=title, subject=SUBJECT, extra_fonts=fonts)
    if cover is not None:
        draw_cover(ink, *cover)
    street: str | None = None
    for stop in stops:
        draw = _Marked(ink, stop)
        if stop.facts.text("street") != street:
            street = stop.facts.text("street")
            draw.street = street or "no street"
        draw()
    pages = ink.pages
    return pages, ink.close()


class _Marked:
    """A sheet with its bookmark, and that of the street which it begins."""

    def __init__(self, ink: Ink, stop: Stop) -> None:
        self.ink, self.stop, self.street = ink, stop, ""

    def __call__(self) -> None:
        """Draw it."""
        visit = self.stop.visit
        draw_sheet(self.ink, self.stop)
        if self.street:
            self.ink.bookmark(f"street-{visit.number}", self.street)
        self.ink.bookmark(f"sheet-{visit.number}", f"{visit.number}  {name_of(self.stop.facts)}", 1)
