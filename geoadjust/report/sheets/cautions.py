"""Cautions and signature, at the foot of every sheet."""

from __future__ import annotations

from geoadjust.report.figures import TYPE
from geoadjust.report.paper.ink import Ink
from geoadjust.report.sheets.parts import LINE, Part, paragraph

CAUTIONS = (
    "Nobody enters or leans in: the air may be deadly. The owner's confined-space procedure and air test govern. "
    "Measure from above by rod or tape. Guard the opening; plates rated, seated, pinned, signed. Lift with a device. "
    "Traffic control by the authority's plan. Saw a piece clamped on a stand, wet or with a vacuum; protect eyes, "
    "hands, ears, lungs. Stop for a cracked cone, loose brick, gas, live cable. Keep debris out of the channel. "
    "Measure again before you saw. Let bedding get strong before traffic. Local codes, the owner's standard and the "
    "licensed engineer govern: the numbers are not an approval."
)


def draw_cautions(ink: Ink, width: float) -> Part:
    """The cautions in a frame."""
    text = paragraph(ink, CAUTIONS, width - 4)

    def draw(x: float, y: float) -> None:
        ink.rect(x, y, width, text.height + 2.4, 0.6)
        text.draw(x + 2, y + 1.0)

    return Part(text.height + 2.4, draw)


def draw_signature(ink: Ink, width: float) -> Part:
    """A line to sign on."""

    def draw(x: float, y: float) -> None:
        base, left = y + LINE + 0.6, x
        for words, share in (("Work done by", 0.6), ("Date", 0.4)):
            ink.text(left, base, words, TYPE)
            start = left + ink.width(words, TYPE) + 2
            left += share * width
            ink.line([(start, base + 0.6), (left - 3, base + 0.6)], 0.35)

    return Part(LINE + 2.0, draw)
