"""A window on a template: what lies in it is drawn at 1:1, what lies outside is left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from geoadjust.report.paper.ink import POINT, SHIFT, Ink, Place

RISE, FALL = 0.76, 0.24
"""Of a line of text above and below its baseline, in its size; DejaVu Sans: capitals 0.73, descenders 0.24."""


@dataclass(frozen=True, slots=True)
class Pane:
    """Part of a template on a page [mm].

    Parameters
    ----------
    left, top : upper left corner on the page
    u0, u1 : along the template
    v0, v1 : above the foot
    """

    ink: Ink
    left: float
    top: float
    u0: float
    u1: float
    v0: float
    v1: float

    def place(self, u: float, v: float) -> Place:
        """On the page."""
        return self.left + u - self.u0, self.top + self.v1 - v

    @contextmanager
    def clipped(self) -> Iterator[None]:
        """Nothing is drawn outside the window."""
        with self.ink.clip(self.left, self.top, self.u1 - self.u0, self.v1 - self.v0):
            yield

    def sees(self, u: float, reach: float = 0.0) -> bool:
        """Whether something at a place along the template, so far to both sides, is in the window."""
        return self.u0 - reach < u < self.u1 + reach

    def line(
        self,
        places: Sequence[Place],
        width: float = 0.3,
        *,
        dash: Sequence[float] = (),
        closed: bool = False,
        fill: float | None = None,
    ) -> None:
        """A line through places of the template."""
        self.ink.line([self.place(u, v) for u, v in places], width, dash=dash, closed=closed, fill=fill)

    def word(
        self,
        u: float,
        v: float,
        text: str,
        size: float = 11,
        *,
        bold: bool = False,
        align: str = "left",
        ground: bool = True,
    ) -> None:
        """Text with its baseline at v, on white; left out where none of it is in the window."""
        wide = self.ink.width(text, size, bold=bold)
        left, high = u - SHIFT[align] * wide, size * POINT
        if left >= self.u1 or left + wide <= self.u0 or v - FALL * high >= self.v1 or v + RISE * high <= self.v0:
            return
        x, y = self.place(left, v)
        if ground:
            self.ink.rect(x - 0.8, y - RISE * high - 0.6, wide + 1.6, (RISE + FALL) * high + 0.9, 0.0, fill=1.0)
        self.ink.text(x, y, text, size, bold=bold)
