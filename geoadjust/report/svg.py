"""Drawings as SVG, for a screen that shows one by itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape

from geoadjust.report.figures import TYPE, Circle, Figure, Line, Mark, Place, Word

POINT = 25.4 / 72
"""Millimetres in a point."""
ANCHORS = {"left": "start", "center": "middle", "right": "end"}
TITLE = 7.0
"""Room for the title [mm]."""


def svg(*figures: Figure, heading: str = "", gap: float = 6.0) -> str:
    """Drawings beside each other as one document, each with its title above it; `gap` between them [mm].

    Examples
    --------
    >>> print(svg(Figure(20.0, 10.0)).partition(">")[0])
    <svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="10mm" viewBox="0 0 20 10"
    """
    above = TITLE if heading else 0.0
    top = above + (TITLE if any(figure.title for figure in figures) else 0.0)
    width = sum(figure.width for figure in figures) + gap * (len(figures) - 1)
    height = max(figure.height for figure in figures) + top
    inside, left = ([_word(Word((0.0, TITLE - 2.4), heading, bold=True))] if heading else []), 0.0
    for figure in figures:
        title = [_word(Word((0.0, -2.4), figure.title, bold=True))] if figure.title else []
        inside.append(f'<g transform="translate({left:g} {top:g})">{"".join([*title, *_marks(figure.marks)])}</g>')
        left += figure.width + gap
    head = f'width="{width:g}mm" height="{height:g}mm" viewBox="0 0 {width:g} {height:g}"'
    style = f'font-family="sans-serif" font-size="{TYPE * POINT:.2f}" fill="#000"'
    ground = f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {head}><g {style}>{ground}{"".join(inside)}</g></svg>'


def _marks(marks: Iterable[Mark]) -> Iterator[str]:
    for mark in marks:
        if isinstance(mark, Word):
            yield _word(mark)
        elif isinstance(mark, Circle):
            x, y = mark.place
            yield f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{mark.radius:.2f}" {_stroke(mark)}/>'
        else:
            kind = "polygon" if mark.closed else "polyline"
            yield f'<{kind} points="{_places(mark.places)}" {_stroke(mark)}/>'


def _places(places: Iterable[Place]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in places)


def _grey(share: float) -> str:
    level = round(255 * share)
    return f"#{level:02x}{level:02x}{level:02x}"


def _stroke(mark: Line | Circle) -> str:
    filled = "none" if mark.fill is None else _grey(mark.fill)
    line = _grey(mark.grey if isinstance(mark, Line) else 0.0) if mark.width else "none"
    dash = f' stroke-dasharray="{" ".join(f"{each:g}" for each in mark.dash)}"' if mark.dash else ""
    return f'fill="{filled}" stroke="{line}" stroke-width="{mark.width:g}"{dash}'


def _word(word: Word) -> str:
    x, y = word.place
    ground = ' paint-order="stroke" stroke="#fff" stroke-width="0.8"' if word.ground else ""
    weight = ' font-weight="bold"' if word.bold else ""
    anchor = ANCHORS[word.align]
    return f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}"{weight}{ground}>{escape(_shown(word.text))}</text>'


def _shown(text: str) -> str:
    """XML has no place for control characters."""
    return "".join(char if char.isprintable() else "\ufffd" for char in text)
