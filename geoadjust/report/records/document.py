"""The adjustment records as a PDF: per street a page with all of its structures, then one record after the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import BinaryIO

from geoadjust.report.figures import TYPE
from geoadjust.report.paper.ink import POINT, SIZES, Ink
from geoadjust.report.records.facts import PHASES, TITLES, Record, lines_of
from geoadjust.report.sheets.flow import Flow
from geoadjust.report.sheets.parts import LINE, Part, paragraph, shortened

SUBJECT = "geoadjust adjustment records"
"""Stands in the file and tells that it is ours."""
NO_STREET = "no street"
NOTHING = "Nothing is recorded."
FOOT = (
    "A record of what was written down, with the figures that were computed from it. It is no approval: local codes, "
    "the owner's standard and the licensed engineer govern."
)
HEADS = ("structure", "state", *PHASES[:-1], "judged")


def write_records(
    file: BinaryIO, records: Sequence[Record], *, paper: str, title: str, units: str, fonts: tuple[Path, ...] = ()
) -> tuple[int, set[str]]:
    """Write the file; the number of its pages, and the characters that no font holds.

    Parameters
    ----------
    records : by street
    paper : letter or a4
    units : of lengths, metric or us
    """
    ink = Ink(file, SIZES[paper], title=title, subject=SUBJECT, extra_fonts=fonts)
    for number, (street, group) in enumerate(groupby(records, key=lambda each: each.standing.street)):
        there = list(group)
        ink.new_page()
        ink.bookmark(f"street-{number}", street or NO_STREET)
        _draw_street(ink, street, there, title)
        for place, record in enumerate(there):
            ink.new_page()
            ink.bookmark(f"record-{number}-{place}", record.standing.structure, 1)
            _draw_record(ink, record, units)
    pages = ink.pages
    return pages, ink.close()


def _draw_street(ink: Ink, street: str, records: Sequence[Record], title: str) -> None:
    """All structures of a street: a day for each phase that something is recorded of."""
    flow = Flow(ink)
    flow.put(paragraph(ink, street or NO_STREET, flow.width, 24, bold=True))
    flow.put(paragraph(ink, title, flow.width))
    counts = Counter(each.standing.state or "no state" for each in records)
    told = ", ".join(f"{count} {state}" for state, count in sorted(counts.items()))
    flow.put(paragraph(ink, f"{len(records)} structures: {told}", flow.width, 14, bold=True))
    if torn := [each.standing.structure for each in records if each.standing.conflict]:
        flow.put(paragraph(ink, f"Two people's events are in conflict: {', '.join(torn)}", flow.width, bold=True))
    flow.put(_columns(ink, HEADS, flow.width, bold=True))
    for record in records:
        days = [events[-1].when[:10] if (events := record.phases[phase]) else "\N{EN DASH}" for phase in PHASES]
        flow.put(_columns(ink, (record.standing.structure, record.standing.state, *days), flow.width), gap=0.6)
    flow.put(paragraph(ink, FOOT, flow.width))


def _columns(ink: Ink, words: Sequence[str], width: float, *, bold: bool = False) -> Part:
    """One line of the street's table, and a rule below it."""
    first, second = 0.22 * width, 0.13 * width
    step = (width - first - second) / len(PHASES)
    lefts = (0.0, first, *(first + second + step * place for place in range(len(PHASES))))
    wide = (first, second, *([step] * len(PHASES)))

    def draw(x: float, y: float) -> None:
        for left, room, word in zip(lefts, wide, words, strict=True):
            ink.text(x + left, y + 0.92 * TYPE * POINT, shortened(ink, word, room - 2), TYPE, bold=bold)
        ink.line([(x, y + LINE + 0.3), (x + width, y + LINE + 0.3)], 0.6 if bold else 0.1)

    return Part(LINE + 0.6, draw)


def _draw_record(ink: Ink, record: Record, units: str) -> None:
    standing, flow = record.standing, Flow(ink)
    flow.put(paragraph(ink, standing.structure, flow.width, 24, bold=True))
    since = f", {standing.when}{f', {standing.by}' if standing.by else ''}" if standing.state else ""
    flow.put(paragraph(ink, f"{standing.street or NO_STREET}: {standing.state or 'no state'}{since}", flow.width, 14))
    if standing.conflict:
        flow.put(
            paragraph(ink, "Two people's events are in conflict, and nobody has settled it.", flow.width, bold=True)
        )
    for phase in PHASES:
        flow.put(paragraph(ink, TITLES[phase], flow.width, 14, bold=True), keep=3 * LINE)
        for event in record.phases[phase]:
            for place, line in enumerate(lines_of(event, units)):
                flow.put(paragraph(ink, line, flow.width, bold=place == 0), gap=0.4)
        if not record.phases[phase]:
            flow.put(paragraph(ink, NOTHING, flow.width))
    flow.put(_signature(ink, flow.width))
    flow.put(paragraph(ink, FOOT, flow.width))


def _signature(ink: Ink, width: float) -> Part:
    """A line to sign on for the owner."""

    def draw(x: float, y: float) -> None:
        base, left = y + 2 * LINE, x
        for words, share in (("For the owner", 0.6), ("Date", 0.4)):
            ink.text(left, base, words, TYPE)
            start = left + ink.width(words, TYPE) + 2
            left += share * width
            ink.line([(start, base + 0.6), (left - 3, base + 0.6)], 0.35)

    return Part(2 * LINE + 3.0, draw)
