"""Parts below each other, over as many pages as they need."""

from __future__ import annotations

from geoadjust.report.paper.ink import Ink
from geoadjust.report.sheets.page import FOOT, SIDE, TOP
from geoadjust.report.sheets.parts import GAP, Part


class Flow:
    """Puts parts below each other, on a new page where one has no room."""

    def __init__(self, ink: Ink) -> None:
        self.ink, self.y = ink, TOP
        self.width = ink.size[0] - 2 * SIDE

    def put(self, part: Part, *, gap: float = GAP, keep: float = 0.0) -> None:
        """Draw a part; `keep` is the room that must be left below it."""
        if self.y + part.height + keep > self.ink.size[1] - FOOT and self.y > TOP:
            self.ink.new_page()
            self.y = TOP
        part.draw(SIDE, self.y)
        self.y += part.height + gap
