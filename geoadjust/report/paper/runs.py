"""A line of text as runs of one font each, left to right as they are drawn.

Text of strangers comes out as it is: what no font holds, and what cannot be seen (control characters, marks that turn
the direction), becomes a box with its code point. Hebrew and Arabic run from right to left, Arabic letters are joined.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from pathlib import Path

from geoadjust.report.paper.fonts import Font, fonts, library

_BOXES = 0xF0000
"""Boxes stand in for characters in the first private plane while the direction is worked out: code point + this."""
_PRIVATE = 0xE000
_RIGHT = ("R", "AL")
_HIDDEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
"""Categories that leave no mark on paper."""


@dataclass(frozen=True, slots=True)
class Run:
    """Characters of one font; without a font `text` is one character that is drawn as a box. `width` in thousandths."""

    text: str
    font: Font | None
    width: float


@lru_cache(maxsize=65536)
def runs(text: str, *, bold: bool = False, more: tuple[Path, ...] = ()) -> tuple[Run, ...]:
    """Runs of a line.

    Parameters
    ----------
    text : one line
    bold : of the typeface
    more : fonts that are asked before the widest one
    """
    faces = fonts(bold=bold, more=more)
    if text.isascii() and text.isprintable():
        return (Run(text, faces[0], faces[0].width(text)),) if text else ()
    composed = unicodedata.normalize("NFC", text)
    marked = [(character, _face(character, faces)) for character in composed]
    lacking = sorted({character for character, face in marked if face is None})
    stand_in = {character: chr(_BOXES + place) for place, character in enumerate(lacking)}
    shown = _in_order("".join(stand_in.get(character, character) for character, _ in marked))
    back = {mark: character for character, mark in stand_in.items()}
    found: list[Run] = []
    for face, group in groupby(shown, lambda character: None if character in back else _face(character, faces)):
        part = "".join(group)
        if face is None:
            found += [Run(back.get(mark, mark), None, box_width(back.get(mark, mark))) for mark in part]
        else:
            found.append(Run(part, face, face.width(part)))
    return tuple(found)


def box_width(character: str) -> float:
    """Width of the box of a character, thousandths of the size."""
    return 700.0 if ord(character) <= 0xFFFF else 950.0


def _face(character: str, faces: tuple[Font, ...]) -> Font | None:
    if unicodedata.category(character) in _HIDDEN:
        return None
    return next((face for face in faces if face.holds(character)), None)


def _in_order(text: str) -> str:
    """From the order of reading to that of drawing."""
    if not any(unicodedata.bidirectional(character) in _RIGHT for character in text):
        return text
    joined = library("arabic_reshaper").reshape(text)
    return str(library("bidi").get_display(joined))
