"""A page of plain text: sections, facts, calculations, and the rules they are judged by; at most 100 columns.

    name = formula in words = arithmetic = result (in feet and inches)                                [column]
        rule: value <= name of the rule = value: holds

A calculation that needs more room goes on below, indented by six. Every calculation is worked out from the figures that
are shown; where that does not give what the set holds, the line says so.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field

from geoadjust.report.facts import Facts
from geoadjust.report.numbers import Figure, evaluate, work_out
from geoadjust.units import format_inches, from_metres, round_half_up

WIDTH = 100
LEVEL, DEEPER, BELOW = "  ", "    ", "      "
SLACK = 1e-6
"""Limits are compared with this much slack [m, m/m], as the plan does."""
ROUNDING = 4e-6
"""Stored figures are rounded to 1e-6 m; a few of them stand in one line."""
UNIT_OF_ENDING = {"mm": "mm", "m": "m", "pct": "%", "deg": "deg"}
NONE: Mapping[str, Figure] = {}
_TIGHT = "\u00a0"
_FIGURE = re.compile(r"(?<=\d)() (mm2|mm|m|%|deg)(?!\w)")


@dataclass(slots=True)
class Page:
    """A page about one structure, line by line."""

    facts: Facts
    lines: list[str] = field(default_factory=list)
    disagreements: int = 0
    sections: int = 0

    def section(self, title: str) -> None:
        """A numbered heading."""
        self.sections += 1
        self.lines += ["", f"{self.sections} {title.upper()}"]

    def text(self, words: str, indent: str = LEVEL) -> None:
        """A remark; wrapped. An equals sign would make a calculation of it."""
        self.lines += textwrap.wrap(
            clean(words).replace(" = ", ": "), WIDTH, initial_indent=indent, subsequent_indent=indent + LEVEL
        )

    def word(self, name: str, words: str, column: str = "") -> None:
        """A fact that is no figure: `name: words   [column]`."""
        self._put([clean(f"{name}: {words}").replace(" = ", ": ")], column)

    def fact(self, name: str, figure: Figure, column: str = "", *, us: bool = False) -> float:
        """A figure that is not computed here, with its column; gives its value [SI]."""
        value = self.facts.value(column) if column else figure.value
        if not math.isfinite(value):
            self.word(name, "not known", column)
            return value
        figure = Figure(value, figure.unit)
        self._put([name, f"= {figure.bare(self._digits(figure))}{self.us(figure, us)}"], column)
        return value

    def same(
        self, name: str, figure: Figure, column: str = "", *, held: float | None = None, us: bool = False
    ) -> float:
        """A figure that another one must equal: that of a column, or one that the set holds elsewhere [SI]."""
        held = self.facts.value(column) if held is None else held
        told = ""
        if not abs(held - figure.value) <= ROUNDING:
            self.disagreements += 1
            told = f" (!) the set holds {Figure(held, figure.unit).bare()}"
        self._put([name, f"= {figure.bare(self._digits(figure))}{self.us(figure, us)}{told}"], column)
        return figure.value

    def line(
        self,
        name: str,
        words: str,
        template: str,
        unit: str = "",
        *,
        column: str = "",
        stored: float | None = None,
        us: bool = False,
        slack: float = ROUNDING,
        figures: Mapping[str, Figure] = NONE,
        **more: Figure,
    ) -> float:
        """A calculation; gives the stored result where there is one, else what was worked out [SI].

        Parameters
        ----------
        name, words : what it is, and its formula; the formula may be empty
        template : arithmetic with names in braces
        unit : of the result; a column's ending says it too
        column : published column that holds the result; of the schedule where nothing is stored elsewhere
        stored : result that is held elsewhere [SI]
        us : add feet or inches where the set is in them
        slack : what the rounding of stored figures may change [SI]
        figures, more : what the names stand for
        """
        figures = {**figures, **more}
        unit = UNIT_OF_ENDING[column.rsplit("_", 1)[-1]] if column and not unit else unit
        if not all(math.isfinite(figure.value) for figure in figures.values()):
            self.word(name, f"not known ({words or 'a figure is missing'})", column)
            return math.nan
        exact = evaluate(template.format(**{key: f"({item.value:.15f})" for key, item in figures.items()}))
        held = self.facts.value(column) if column and stored is None else stored  # a column of another table is a tag
        result = Figure(exact if held is None else held, unit)
        done = work_out(template, figures, result, slack)
        told = f"= {done.result}{self.us(result, us)}"
        if not done.agrees:
            self.disagreements += 1
            told += f" (!) the set holds {result.bare() if math.isfinite(result.value) else 'nothing'}"
        self._put([name, *([f"= {words}"] if words else []), f"= {done.text}", told], column)
        return result.value

    def rule(self, value: Figure, relation: str, name: str, limit: Figure, *, slack: float = SLACK) -> bool:
        """How a figure is judged; gives whether the rule holds. The limit is told in full."""
        off = value.value - limit.value
        holds = off <= slack if relation == "<=" else off >= -slack
        bound, extra = limit.bare(9), 0
        while extra < 5 and abs(off) > slack and value.bare(extra) == bound:
            extra += 1
        word = "holds" if holds else "fails"
        self._put([f"rule: {value.bare(extra)} {relation} {name} = {bound}: {word}"], indent=DEEPER)
        return holds

    def us(self, figure: Figure, wanted: bool) -> str:
        """Feet or inches in brackets where the set's people read them; empty elsewhere."""
        if self.facts.units != "us" or not wanted or not math.isfinite(figure.value):
            return ""
        if figure.unit == "mm":
            return f" ({format_inches(figure.value)})"
        if figure.unit == "m":
            feet = round_half_up(float(from_metres(figure.value, self.facts.foot)), 0.001)
            return f" ({feet:.3f} {'ft' if self.facts.foot == 'ft' else 'US survey ft'})"
        return ""

    def finish(self) -> str:
        """The whole page."""
        return "\n".join(self.lines) + "\n"

    @staticmethod
    def _digits(figure: Figure) -> int:
        return 0 if figure.unit in ("m", "count") else 1

    def _put(self, pieces: list[str], column: str = "", indent: str = LEVEL) -> None:
        """One line where it fits, else one below the other."""
        tag = f"[{column}]" if column else ""
        pieces = [_tied(piece) for piece in pieces]
        rows = [indent + " ".join(pieces)]
        if len(rows[0]) + 2 * bool(tag) + len(tag) > WIDTH:
            rows = _laid_below(pieces, indent)
        if tag and len(rows[-1]) + 2 + len(tag) > WIDTH:
            rows.append(BELOW)
        if tag:
            rows[-1] = rows[-1].ljust(WIDTH - len(tag)) + tag
        self.lines += [row.replace(_TIGHT, " ") for row in rows]


def _tied(piece: str) -> str:
    """A figure and its unit stay on one line."""
    return _FIGURE.sub(rf"\1{_TIGHT}\2", piece)


def _laid_below(pieces: list[str], indent: str) -> list[str]:
    rows = [indent + pieces[0]]
    for piece in pieces[1:]:
        if len(rows[-1]) + 1 + len(piece) <= WIDTH:
            rows[-1] += f" {piece}"
        elif len(BELOW) + len(piece) <= WIDTH:
            rows.append(BELOW + piece)
        else:
            rows += [BELOW + part for part in _wrapped(piece)]
    return [part for row in rows for part in ([row] if len(row) <= WIDTH else _hard(row))]


def _wrapped(piece: str) -> list[str]:
    return textwrap.wrap(piece, WIDTH - len(BELOW), break_long_words=False, break_on_hyphens=False)


def _hard(row: str) -> list[str]:
    return textwrap.wrap(row, WIDTH, subsequent_indent=BELOW, break_on_hyphens=False)


def clean(text: str) -> str:
    """Texts of strangers must not move the cursor, end a line or hide what stands beside them."""
    return "".join(char if char.isprintable() else "\ufffd" for char in text)
