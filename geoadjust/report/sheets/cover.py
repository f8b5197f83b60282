"""The cover page: totals, parts per street, and an index of the sheets."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from geoadjust.report.figures import TYPE
from geoadjust.report.paper.ink import POINT, Ink
from geoadjust.report.sheets.flow import Flow
from geoadjust.report.sheets.page import SIDE
from geoadjust.report.sheets.parts import LINE, Part, paragraph, shortened, table
from geoadjust.report.words import METHOD_WORDS, READY

NO_STREET = "no street"
INTRO = (
    "Read the words below each order first: in a frame, they say what must be done before parts are ordered. "
    "Print at 100 %, without fitting to the page."
)


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the index; `file` of how many files the sheet is in, from 1."""

    number: int
    name: str
    street: str
    order: str
    ready: str
    file: int = 1


@dataclass(slots=True)
class Totals:
    """What the cover says: how many of each, and parts per street."""

    title: str
    source: str
    count: int
    whole: int
    filters: str
    methods: Counter[str] = field(default_factory=Counter)
    ready: Counter[str] = field(default_factory=Counter)
    actions: Counter[str] = field(default_factory=Counter)
    parts: dict[str, Counter[str]] = field(default_factory=dict)


def draw_cover(ink: Ink, totals: Totals, entries: Sequence[Entry], files: int) -> None:
    """Cover page and index; as many pages as they need."""
    ink.new_page()
    ink.bookmark("cover", "Cover and index")
    flow = Flow(ink)
    flow.put(paragraph(ink, totals.title, flow.width, 24, bold=True))
    flow.put(paragraph(ink, totals.source, flow.width))
    of = f" of the {totals.whole} in the set" if totals.count != totals.whole else ""
    flow.put(
        paragraph(ink, f"{totals.count} structures{of}{totals.filters}, one sheet each", flow.width, 14, bold=True)
    )
    flow.put(paragraph(ink, INTRO, flow.width))
    flow.put(_counts(ink, totals))
    for part in _loads(ink, totals, flow.width):
        flow.put(part)
    flow.put(paragraph(ink, "Index", flow.width, 14, bold=True), keep=12 * LINE)
    heads = ("sheet (file)" if files > 1 else "sheet", "id", "street", "order", "figures")
    flow.put(_heads(ink, heads, flow.width), gap=0.6)
    for entry in entries:
        flow.put(_line(ink, entry, flow.width, files), gap=0.6)


def _counts(ink: Ink, totals: Totals) -> Part:
    """Methods, directions and readiness beside each other."""
    methods = [(word, str(totals.methods[name])) for name, word in METHOD_WORDS.items() if totals.methods[name]]
    ready = [(words[0].lower(), str(totals.ready[name])) for name, words in READY.items() if totals.ready[name]]
    moved = {"raise": "raise", "lower": "lower", "none": "no change", "": "not known"}
    actions = [(word, str(totals.actions[name])) for name, word in moved.items() if totals.actions[name]]
    left = table(ink, "What is done", (), [*methods, ("all", str(totals.count))], (78.0, 12.0), rules=1)
    middle = table(ink, "The figures", (), ready, (48.0, 10.0))
    right = table(ink, "The rims", (), actions, (24.0, 10.0))

    def draw(x: float, y: float) -> None:
        for part, at in ((left, 0.0), (middle, 96.0), (right, 158.0)):
            part.draw(x + at - (0.0 if at < 150 else max(0.0, at + 34.0 - ink.size[0] + 2 * SIDE)), y)

    return Part(max(left.height, middle.height, right.height), draw)


def _loads(ink: Ink, totals: Totals, width: float) -> Iterator[Part]:
    """Rings, liners and risers per street, and altogether."""
    if not totals.parts:
        return
    yield paragraph(ink, "Parts to bring, per street", width, 14, bold=True)
    every: Counter[str] = Counter()
    for street, parts in totals.parts.items():
        every += parts
        yield paragraph(ink, f"{street or NO_STREET}: {_listed(parts)}", width)
    if len(totals.parts) > 1:
        yield paragraph(ink, f"All streets: {_listed(every)}", width, bold=True)


def _listed(parts: Mapping[str, int]) -> str:
    return ", ".join(f"{count} x {name}" for name, count in sorted(parts.items()))


def _columns(width: float, files: int) -> tuple[float, ...]:
    """Left edges of the index's columns [mm]."""
    first = 16.0 if files == 1 else 30.0
    return (0.0, first, first + 46.0, first + 86.0, width - 40.0)


def _heads(ink: Ink, words: Sequence[str], width: float) -> Part:
    columns = _columns(width, 2 if "file" in words[0] else 1)

    def draw(x: float, y: float) -> None:
        for at, word in zip(columns, words, strict=True):
            ink.text(x + at, y + 0.92 * TYPE * POINT, word, TYPE, bold=True)
        ink.line([(x, y + LINE + 0.3), (x + width, y + LINE + 0.3)], 0.6)

    return Part(LINE + 0.6, draw)


def _line(ink: Ink, entry: Entry, width: float, files: int) -> Part:
    """One sheet: number, id (whole, however long), street, order, what it is good for."""
    columns = _columns(width, files)
    name = paragraph(ink, entry.name, columns[2] - columns[1] - 2)
    street = shortened(ink, entry.street or NO_STREET, columns[3] - columns[2] - 2)
    order = shortened(ink, entry.order, columns[4] - columns[3] - 2)
    ready = READY.get(entry.ready, READY["unknown"])[0].lower()

    def draw(x: float, y: float) -> None:
        base = y + 0.92 * TYPE * POINT
        number = str(entry.number) if files == 1 else f"{entry.number} ({entry.file})"
        ink.text(x, base, number, TYPE, bold=True)
        name.draw(x + columns[1], y)
        for at, text in zip(columns[2:], (street, order, ready), strict=True):
            ink.text(x + at, base, text, TYPE)
        ink.line([(x, y + name.height + 0.3), (x + width, y + name.height + 0.3)], 0.1)
        if entry.file == 1:
            ink.link(x, y, width, name.height, f"sheet-{entry.number}")

    return Part(name.height, draw)
