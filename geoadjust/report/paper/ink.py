"""Draws on PDF pages: millimetres from the upper left corner, y down; type sizes in points.

The file is the same for the same drawing, byte by byte. It asks the viewer not to scale when it prints (ISO 32000-1,
12.2, PrintScaling).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from geoadjust.report.paper.fonts import fonts, library
from geoadjust.report.paper.runs import Run, runs

SIZES = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}
"""Width and height of a page [mm]: ANSI/ASME Y14.1 size A, ISO 216."""
POINT = 25.4 / 72
"""A point in millimetres."""
SHIFT = {"left": 0.0, "center": 0.5, "right": 1.0}

Place = tuple[float, float]


class Ink:
    """A PDF file that is being drawn.

    Parameters
    ----------
    file : takes the bytes when `close` is called
    size : of the pages [mm], width and height
    title, subject : of the document
    extra_fonts : TrueType files for scripts that ours lack
    """

    def __init__(
        self,
        file: BinaryIO,
        size: tuple[float, float] = SIZES["letter"],
        *,
        title: str = "",
        subject: str = "",
        extra_fonts: tuple[Path, ...] = (),
    ) -> None:
        canvas = library("reportlab.pdfgen.canvas")
        fonts(more=extra_fonts)
        self.size = size
        self.boxed: set[str] = set()
        self._more = extra_fonts
        self._pages = 0
        self._to = canvas.Canvas(
            file, pagesize=_points(size), invariant=1, pageCompression=1, initialFontName=fonts()[0].name
        )
        self._to.setTitle(title)
        self._to.setSubject(subject)
        self._to.setCreator("geoadjust")
        self._to.setAuthor("")
        self._to.setViewerPreference("PrintScaling", "None")

    @property
    def pages(self) -> int:
        """Pages begun so far."""
        return self._pages

    def new_page(self, size: tuple[float, float] | None = None) -> None:
        """Begin a page; `size` [mm] holds for this one and those after it."""
        if self._pages:
            self._to.showPage()
        self._pages += 1
        if size is not None:
            self.size = size
        self._to.setPageSize(_points(self.size))
        self._to.setLineCap(0)
        self._to.setLineJoin(1)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 11,
        *,
        bold: bool = False,
        align: str = "left",
        grey: float = 0.0,
        turn: float = 0.0,
    ) -> None:
        """One line; `y` is its baseline, `turn` in degrees counter-clockwise about (x, y)."""
        found = runs(text, bold=bold, more=self._more)
        start = -SHIFT[align] * sum(run.width for run in found) * size / 1000
        if turn:
            self._to.saveState()
            self._to.translate(*self._at(x, y))
            self._to.rotate(turn)
            self._runs(found, start, 0.0, size, grey)
            self._to.restoreState()
            return
        left, base = self._at(x, y)
        self._runs(found, left + start, base, size, grey)

    def _runs(self, found: Sequence[Run], x: float, y: float, size: float, grey: float) -> None:
        self._to.setFillGray(grey)
        for run in found:
            if run.font is None:
                self._box(run, x, y, size, grey)
            else:
                self._to.setFont(run.font.name, size)
                self._to.drawString(x, y, run.text)
            x += run.width * size / 1000

    def _box(self, run: Run, x: float, y: float, size: float, grey: float) -> None:
        """A box with the code point in two lines."""
        self.boxed.add(run.text)
        code = f"{ord(run.text):04X}" if ord(run.text) <= 0xFFFF else f"{ord(run.text):06X}"
        half, width, small = len(code) // 2, run.width * size / 1000, size * 0.38
        self._to.setStrokeGray(grey)
        self._to.setLineWidth(size * 0.04)
        self._to.setDash()
        self._to.rect(x + size * 0.05, y - size * 0.12, width - size * 0.1, size * 0.86)
        self._to.setFont(fonts()[0].name, small)
        for line, part in enumerate((code[half:], code[:half])):
            self._to.drawCentredString(x + width / 2, y + size * (0.0 + 0.4 * line), part)

    def width(self, text: str, size: float = 11, *, bold: bool = False) -> float:
        """Width of a line [mm]."""
        return sum(run.width for run in runs(text, bold=bold, more=self._more)) * size / 1000 * POINT

    def wrap(self, text: str, width: float, size: float = 11, *, bold: bool = False) -> list[str]:
        """The text in lines no wider than `width` [mm]. A word that is too long is broken; no character is lost."""
        lines: list[str] = []
        for paragraph in text.split("\n"):
            line = ""
            for word in paragraph.split(" "):
                grown = f"{line} {word}" if line else word
                if self.width(grown, size, bold=bold) <= width:
                    line = grown
                    continue
                lines += [line] if line else []
                *full, line = self._broken(word, width, size, bold)
                lines += full
            lines.append(line)
        return lines

    def _broken(self, word: str, width: float, size: float, bold: bool) -> list[str]:
        """A word in pieces that fit, of one character at least."""
        pieces, piece = [], ""
        for character in word:
            if piece and self.width(piece + character, size, bold=bold) > width:
                pieces.append(piece)
                piece = ""
            piece += character
        return [*pieces, piece]

    def block(
        self,
        x: float,
        y: float,
        width: float,
        text: str,
        size: float = 11,
        *,
        bold: bool = False,
        leading: float = 1.25,
        align: str = "left",
        grey: float = 0.0,
    ) -> float:
        """Lines below `y` (the upper edge) within `width`; the lower edge [mm]."""
        step = size * leading * POINT
        left = x + SHIFT[align] * width
        for line in self.wrap(text, width, size, bold=bold):
            self.text(left, y + size * POINT, line, size, bold=bold, align=align, grey=grey)
            y += step
        return y

    def line(
        self,
        places: Sequence[Place],
        width: float = 0.3,
        *,
        grey: float = 0.0,
        dash: Sequence[float] = (),
        closed: bool = False,
        fill: float | None = None,
    ) -> None:
        """A line through places; widths and dashes in mm, width 0 = none, greys 0 (black) to 1."""
        path = self._to.beginPath()
        path.moveTo(*self._at(*places[0]))
        for place in places[1:]:
            path.lineTo(*self._at(*place))
        if closed:
            path.close()
        self._pen(width, grey, dash, fill)
        self._to.drawPath(path, stroke=int(width > 0), fill=int(fill is not None))

    def circle(
        self,
        x: float,
        y: float,
        radius: float,
        width: float = 0.3,
        *,
        grey: float = 0.0,
        dash: Sequence[float] = (),
        fill: float | None = None,
    ) -> None:
        """A circle about a place."""
        self._pen(width, grey, dash, fill)
        left, base = self._at(x, y)
        self._to.circle(left, base, radius / POINT, stroke=int(width > 0), fill=int(fill is not None))

    def rect(
        self,
        x: float,
        y: float,
        w: float,
        h: float,
        width: float = 0.3,
        *,
        grey: float = 0.0,
        dash: Sequence[float] = (),
        fill: float | None = None,
    ) -> None:
        """A rectangle below and right of a place."""
        self.line([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], width, grey=grey, dash=dash, closed=True, fill=fill)

    @contextmanager
    def clip(self, x: float, y: float, w: float, h: float) -> Iterator[None]:
        """Draw nothing outside of a rectangle."""
        self._to.saveState()
        path = self._to.beginPath()
        left, base = self._at(x, y + h)
        path.rect(left, base, w / POINT, h / POINT)
        self._to.clipPath(path, stroke=0, fill=0)
        try:
            yield
        finally:
            self._to.restoreState()

    def bookmark(self, name: str, title: str, level: int = 0) -> None:
        """This page under a name that links can reach, and in the outline."""
        self._to.bookmarkPage(name)
        self._to.addOutlineEntry(title, name, level=level, closed=True)

    def link(self, x: float, y: float, w: float, h: float, name: str) -> None:
        """A rectangle that leads to a page's name."""
        left, base = self._at(x, y + h)
        self._to.linkAbsolute("", name, (left, base, left + w / POINT, base + h / POINT), Border="[0 0 0]")

    def close(self) -> set[str]:
        """Write the file; the characters that were drawn as boxes."""
        self._to.save()
        return self.boxed

    def _pen(self, width: float, grey: float, dash: Sequence[float], fill: float | None) -> None:
        self._to.setLineWidth(width / POINT)
        self._to.setStrokeGray(grey)
        self._to.setDash([each / POINT for each in dash])
        if fill is not None:
            self._to.setFillGray(fill)

    def _at(self, x: float, y: float) -> Place:
        return x / POINT, (self.size[1] - y) / POINT


def _points(size: tuple[float, float]) -> tuple[Any, Any]:
    return size[0] / POINT, size[1] / POINT
