"""Figures on a page: how many digits they need, and a small calculator that reads them back.

A line of a page is arithmetic as text, units and all: `215.1230 m - 215.0920 m`. Its figures are shown with as many
digits as it takes for the text, worked out by itself, to give the shown result to its last digit. So what stands on the
page can be checked with a pocket calculator, and is checked here before it is shown.
"""

from __future__ import annotations

import ast
import math
import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Scale:
    """SI per unit, and decimals: at least, at most. At most is what tables store."""

    factor: float
    least: int
    most: int


SCALES: dict[str, Scale] = {
    "m": Scale(1.0, 4, 6),
    "mm": Scale(1e-3, 1, 3),
    "mm2": Scale(1e-6, 2, 6),
    "%": Scale(1e-2, 2, 7),
    "deg": Scale(math.pi / 180, 2, 6),
    "": Scale(1.0, 5, 9),
    "count": Scale(1.0, 0, 0),
}


@dataclass(frozen=True, slots=True)
class Figure:
    """A value [SI] that is to be shown in a unit.

    Examples
    --------
    >>> length = Figure(0.0312345, "mm")
    >>> length.show(), length.show(1), Figure(0.18, "mm").show(2), Figure(-0.02, "").show()
    ('31.2 mm', '31.23 mm', '180.0 mm', '(-0.02000)')
    """

    value: float
    unit: str = ""

    def show(self, extra: int = 0) -> str:
        """With `extra` digits beyond the least where they tell something; negative ones stand in brackets."""
        text = self.bare(extra)
        return f"({text})" if text.startswith("-") else text

    def bare(self, extra: int = 0) -> str:
        """The same without brackets."""
        scale = SCALES[self.unit]
        text = plain(self.value / scale.factor, min(scale.least + extra, scale.most))
        if "." in text:
            whole, _, digits = text.partition(".")
            text = f"{whole}.{digits.rstrip('0').ljust(scale.least, '0')}"
        name = "" if self.unit == "count" else self.unit
        return f"{text} {name}".strip()


def plain(value: float, decimals: int) -> str:
    """Fixed decimals; a value that rounds to 0 has no sign."""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def metres(value: float) -> Figure:
    """An elevation or a distance in metres."""
    return Figure(value, "m")


def mm(value: float) -> Figure:
    """A length of a part, a height, a gap in millimetres."""
    return Figure(value, "mm")


def pure(value: float) -> Figure:
    """A slope in m/m, or a ratio."""
    return Figure(value, "")


def degrees(value: float) -> Figure:
    """An angle, given in radians."""
    return Figure(value, "deg")


@dataclass(frozen=True, slots=True)
class Worked:
    """Arithmetic and result as text; `agrees` = the text gives what is stored."""

    text: str
    result: str
    agrees: bool


def work_out(template: str, figures: Mapping[str, Figure], result: Figure, slack: float) -> Worked:
    """Fill figures into arithmetic so that it gives the result to its last digit.

    Parameters
    ----------
    template : arithmetic with {names}
    figures : what the names stand for
    result : what is to come out [SI]
    slack : difference from the result that the rounding of stored figures may make [SI]

    Examples
    --------
    Four decimals would give 31.0 mm; one more tells the truth:

    >>> work_out("{a} - {b}", {"a": metres(215.12304), "b": metres(215.09198)}, mm(0.03106), 2e-6)
    Worked(text='215.12304 m - 215.09198 m', result='31.1 mm', agrees=True)
    """
    for extra in range(8):
        text = template.format(**{name: figure.show(extra) for name, figure in figures.items()})
        found = Figure(evaluate(text), result.unit)
        if found.bare() == result.bare():
            return Worked(text, result.bare(), True)
    near = abs(found.value - result.value) <= slack
    return Worked(text, found.bare(), near)


_UNITS = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?)(?: (mm2|mm|m|%|deg))?(?![\w.])")
_OPERATORS: dict[type, Callable[[Any, Any], Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}
_FUNCTIONS: dict[str, Callable[..., float]] = {
    "sqrt": math.sqrt,
    "sin": math.sin,
    "cos": math.cos,
    "acos": math.acos,
    "atan2": math.atan2,
    "hypot": math.hypot,
    "min": min,
    "max": max,
    "abs": abs,
    "Phi": lambda z: math.erfc(-z / math.sqrt(2)) / 2,
}


def evaluate(text: str) -> float:
    """Value [SI] of arithmetic as it stands on a page.

    Knows + - * / ^, brackets, pi, the units of `SCALES` and the functions sqrt, sin, cos, acos, atan2, hypot, min, max,
    abs, and Phi, the normal distribution. Angles are radians unless they say deg.

    Examples
    --------
    >>> round(evaluate("0.2 m * sqrt(1 + 0.03^2) + 6.0 mm * sin(90 deg)"), 6)
    0.20609
    """
    counted = _UNITS.sub(lambda found: f"({found[1]}*{SCALES[found[2] or ''].factor!r})", text)
    return _value(ast.parse(counted.replace("^", "**"), mode="eval").body)


def _value(node: ast.expr) -> float:
    match node:
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.Name(id="pi"):
            return math.pi
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            return -_value(operand)
        case ast.BinOp(left=left, op=sign, right=right) if type(sign) in _OPERATORS:
            return float(_OPERATORS[type(sign)](_value(left), _value(right)))
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in _FUNCTIONS:
            return float(_FUNCTIONS[name](*(_value(each) for each in args)))
    raise ValueError(f"{ast.unparse(node)!r} is not arithmetic")
