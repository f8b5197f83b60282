"""Lengths: read from text exactly, converted between units, rounded and printed for people.

No other module parses or prints a length. Text becomes a `Fraction` of a metre, so that 7 3/4 in is 7 3/4 in
and a tie is a tie; arrays are converted and rounded by plain arithmetic, which needs no numpy here.

Sources: international foot 0.3048 m exactly, 85 FR 62698, 5 Oct 2020; US survey foot 1200/3937 m, from memory of
the standard; inch 25.4 mm = 1/12 international foot.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import Any, TypeVar, cast

from geoadjust.errors import Fault

Values = TypeVar("Values")  # a float, or an array of floats

MM = Fraction(1, 1000)
FOOT = Fraction(3048, 10000)
INCH = FOOT / 12
US_FOOT = Fraction(1200, 3937)

UNITS: Mapping[str, Fraction] = MappingProxyType(
    {"m": Fraction(1), "cm": 10 * MM, "mm": MM, "in": INCH, "ft": FOOT, "us-ft": US_FOOT}
)

TIE_SLACK = 6e-7
"""[m] Lengths are stored to 1e-6 m: a stored tie may lie half of that below the true one. Under 1e-6 m, so that the
next stored value below a metric tie is still rounded down."""

_LONGEST_TEXT = 100
_LARGEST = Fraction(10**9)
_LENGTHS = "7 3/4 in, 1'-2 3/8\", 0.65 ft, 200 mm, 1.5 m"
_RATIOS = "1 %, 1:48, 0.02"

_NAMES = {
    "m": "m metre metres meter meters",
    "cm": "cm centimetre centimetres centimeter centimeters",
    "mm": "mm millimetre millimetres millimeter millimeters",
    "in": 'in in. inch inches "',
    "ft": "ft ft. foot feet '",
    "us-ft": "us-ft us-foot us-feet",
}
_UNIT_OF = {name: unit for unit, names in _NAMES.items() for name in names.split()}

# What typesetting does to a length: dashes for the hyphen and minus, primes and quotes for the marks, fraction glyphs.
_PLAIN = str.maketrans("‐‑‒–−′’‘ʹʼ″”“ʺ", "-----'''''\"\"\"\"")
_GLYPHS = "¼½¾⅐⅑⅒⅓⅔⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞"
_GLYPH_EDGE = re.compile(f"(?<=[0-9{_GLYPHS}])(?=[{_GLYPHS}])|(?<=[{_GLYPHS}])(?=[0-9])")
_SPELLED = str.maketrans({glyph: unicodedata.normalize("NFKC", glyph) for glyph in _GLYPHS})


def _any_of(*units: str) -> str:
    return "|".join(re.escape(name) for name, unit in _UNIT_OF.items() if unit in units)


_NUMBER = re.compile(
    r"(?P<decimal>(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:e[+-]?[0-9]{1,3})?)"
    r"|(?:(?P<whole>[0-9]+)[ -])?(?P<top>[0-9]+)(?P<slash>[/⁄])(?P<bottom>[0-9]+)"
)
_NUMBER_UNIT = re.compile(r"(?P<number>.*[0-9]\.?) ?(?P<name>[^0-9]*)")
_FEET_INCHES = re.compile(
    rf"(?P<feet>.+?) ?(?P<foot>{_any_of('ft', 'us-ft')})(?P<joint>[ +-]*)"
    rf"(?P<inches>[0-9].*?) ?(?P<inch>{_any_of('in')})?"
)


class LengthError(ValueError):
    """A text that is not a length (or ratio, or unit): the text seen, what is wrong, what is allowed, what to write.

    >>> print(LengthError("12 yd", "unknown unit `yd`", "m, ft"))
    `12 yd`: unknown unit `yd` (allowed: m, ft)
    """

    def __init__(self, text: str, what: str, allowed: str = _LENGTHS, remedy: str = "") -> None:
        super().__init__(text, what, allowed, remedy)
        self.text, self.what, self.allowed, self.remedy = text, what, allowed, remedy

    def _shown(self) -> str:
        return f"`{_printable(self.text if len(self.text) <= _LONGEST_TEXT else self.text[:40] + '...')}`"

    def __str__(self) -> str:
        return str(Fault(self._shown(), self.what, self.allowed, self.remedy))

    def fault(self, where: str) -> Fault:
        """Return the same as a fault of `where`, the file, job key or column that held the text.

        >>> print(LengthError("12 yd", "unknown unit `yd`", "m, ft").fault("rules.recess"))
        rules.recess: `12 yd`: unknown unit `yd` (allowed: m, ft)
        """
        return Fault(where, f"{self._shown()}: {self.what}", self.allowed, self.remedy)


def parse_length(text: str, unit: str | None = None, *, foot: str = "ft") -> Fraction:
    """Read a length from text, exact [m].

    A leading sign covers the whole. Inches after feet are twelfths of that foot. Typographic minus, primes, quotes
    and fractions are understood; decimal commas, thousands separators and whatever else could mean two things are not.

    Parameters
    ----------
    text : str
        ``7 3/4 in``, ``7-3/4"``, ``1'-2 3/8"``, ``1 ft 2 3/8 in``, ``0.65 ft``, ``200 mm``, ``1e-3 m``; a bare
        number where `unit` is given. A unit in the text beats `unit`.
    unit : str, optional
        Declared unit of a bare number, a key of `UNITS`.
    foot : str
        What ``ft`` and ``'`` in the text mean: ``ft`` or ``us-ft``. Does not touch `unit`.

    Raises
    ------
    LengthError
        If the text is not one length of at most 1e9 m in at most 100 characters, or `unit` or `foot` is unknown.

    Examples
    --------
    >>> parse_length("7 3/4 in") == Fraction(31, 4) * INCH
    True
    >>> float(parse_length("1'-2 3/8\\""))
    0.365125
    """
    if unit is not None:
        _metres_per(unit)
    if foot not in ("ft", "us-ft"):
        raise LengthError(foot, "unknown foot", "ft, us-ft")
    sign, body = _sign_and_body(text, _LENGTHS)
    split = _FEET_INCHES.fullmatch(body)
    size = _feet_inches(text, split, foot) if split else _number_unit(text, body, unit, foot)
    return sign * _within(size, text, _LENGTHS)


def parse_size(text: str, unit: str | None = None, *, foot: str = "ft") -> tuple[Fraction, ...]:
    """A diameter, or width and length of a rectangle, in metres.

    A side without a unit takes the last side's, else `unit`.

    Examples
    --------
    >>> [float(side) for side in parse_size("24x36 in")], [float(side) for side in parse_size("660 mm")]
    ([0.6096, 0.9144], [0.66])
    """
    sides = [side.strip() for side in re.split(r"[xX\u00d7]", text)]
    if len(sides) == 1:
        return (parse_length(text, unit, foot=foot),)
    if len(sides) != 2 or not all(sides):
        raise LengthError(text, "is neither a diameter nor WIDTHxLENGTH", "660 mm, 24x36 in, 600 mm x 900 mm")
    last = parse_length(sides[1], unit, foot=foot)
    return parse_length(sides[0], _unit_beside(sides[1], unit, foot), foot=foot), last


def _unit_beside(text: str, unit: str | None, foot: str) -> str | None:
    """Unit of a bare side beside `text`: that of its number; `unit` where it has none, None beside feet and inches."""
    _, body = _sign_and_body(text, _LENGTHS)
    found = None if _FEET_INCHES.fullmatch(body) else _NUMBER_UNIT.fullmatch(body)
    if not found:
        return None
    name = _UNIT_OF.get(found["name"])
    return (foot if name == "ft" else name) if name else unit


def parse_ratio(text: str) -> Fraction:
    """Read a slope or a share from text, exact [m/m]: per cent, rise:run, or a bare number, which is the ratio itself.

    Raises LengthError if `text` is not one ratio of at most 1e9 in at most 100 characters.

    >>> parse_ratio("1:48"), parse_ratio("0.5%")
    (Fraction(1, 48), Fraction(1, 200))
    """
    sign, body = _sign_and_body(text, _RATIOS)
    rise, colon, run = (body[:-1], "%", "100") if body.endswith("%") else body.partition(":")
    above = _number(text, rise.rstrip(), _RATIOS)
    below = _number(text, run.lstrip(), _RATIOS) if colon else Fraction(1)
    if below == 0:
        raise LengthError(text, "the run is zero", _RATIOS, "write rise:run, such as 1:48")
    return sign * _within(above / below, text, _RATIOS)


def factor(unit: str) -> float:
    """Return the metres per unit [m]; raises LengthError for a unit that is not in `UNITS`.

    >>> factor("in")
    0.0254
    """
    return float(_metres_per(unit))


def to_metres(value: Values, unit: str) -> Values:
    """Convert `value` [unit], a float or an array, to metres; NaN stays NaN. Raises LengthError for an unknown unit.

    >>> to_metres(2.0, "ft")
    0.6096
    """
    return cast(Values, cast(Any, value) * factor(unit))


def from_metres(value: Values, unit: str) -> Values:
    """Convert `value` [m], a float or an array, to `unit`; NaN stays NaN. Raises LengthError for an unknown unit.

    >>> from_metres(0.6096, "ft")
    2.0
    """
    return cast(Values, cast(Any, value) / factor(unit))


def round_half_up(value: Values, step: float, *, slack: float | None = None) -> Values:
    """Round to a multiple of `step`, ties away from zero, so that raise and lower print alike; no minus zero.

    A float seldom holds a tie exactly: whatever lies within `slack` of a tie counts as one.

    Parameters
    ----------
    value : float or array
        What to round, finite or NaN; NaN stays NaN.
    step : float
        In the unit of `value`; ValueError if below 1e-12.
    slack : float, optional
        In the unit of `value`; default a millionth of `step`, ValueError from half a step on. For lengths stored to
        1e-6 m, whose ties are not whole micrometres (inches, feet), pass `TIE_SLACK` in that unit.

    Examples
    --------
    >>> round_half_up(2.5, 1.0), round_half_up(-2.5, 1.0), round_half_up(0.15, 0.1)
    (3.0, -3.0, 0.2)
    """
    if not 1e-12 <= step < math.inf:
        raise ValueError(f"step {step} (allowed: 1e-12 or more)")
    slack = step * 1e-6 if slack is None else slack
    if not 0 <= slack < step / 2:
        raise ValueError(f"slack {slack} (allowed: from 0 to under half the step {step})")
    number = cast(Any, value)
    per_one = round(1 / step) if step <= 1 else 0  # 3 / 10 is 0.3, 3 * 0.1 is not
    inverse = per_one if per_one and abs(per_one * step - 1) < 1e-12 else 0
    steps = abs(number) * inverse if inverse else abs(number) / step
    count = (1.0 - 2.0 * (number < 0)) * ((steps + slack / step + 0.5) // 1)
    return cast(Values, (count / inverse if inverse else count * step) + 0.0)


def inches_sixteenth(metres: Values) -> Values:
    """Convert `metres` [m], a float or an array, to decimal inches [in] in whole sixteenths, ties away from zero.

    >>> inches_sixteenth(0.05715), inches_sixteenth(-0.00079375)
    (2.25, -0.0625)
    """
    return round_half_up(from_metres(metres, "in"), 1 / 16, slack=TIE_SLACK / factor("in"))


def format_inches(metres: float, denominator: int = 16) -> str:
    """Print `metres` [m] as inches and a reduced fraction; NaN and infinity give an empty text.

    Raises ValueError if `denominator` is not 1, 2, 4, 8, 16, 32 or 64.

    >>> format_inches(0.05715), format_inches(-0.0381), format_inches(0.0)
    ('2 1/4 in', '-1 1/2 in', '0 in')
    """
    count = _steps_of_inch(metres, denominator)
    return "" if count is None else f"{'-' * (count < 0)}{_mixed(abs(count), denominator)} in"


def format_feet_inches(metres: float, denominator: int = 16) -> str:
    """Print `metres` [m] as international feet, inches and a reduced fraction; NaN and infinity give an empty text.

    Raises ValueError if `denominator` is not 1, 2, 4, 8, 16, 32 or 64.

    >>> print(format_feet_inches(0.365125), format_feet_inches(-0.015875))
    1'-2 3/8" -0'-5/8"
    """
    count = _steps_of_inch(metres, denominator)
    if count is None:
        return ""
    feet, rest = divmod(abs(count), 12 * denominator)
    return f"{'-' * (count < 0)}{feet}'-{_mixed(rest, denominator)}\""


def format_mm(metres: float, decimals: int = 1) -> str:
    """Print `metres` [m] as millimetres, ties away from zero; NaN and infinity give an empty text.

    >>> format_mm(0.05715), format_mm(0.05715, 0)
    ('57.2 mm', '57 mm')
    """
    if not math.isfinite(metres):
        return ""
    return f"{round_half_up(1000.0 * metres, 10.0**-decimals):.{decimals}f} mm"


def format_raise(metres: float, system: str) -> str:
    """Print a raise [m], plus = up, as the order that a crew reads: words, never a sign.

    `system` is ``us`` (inches to 1/16) or ``metric`` (whole millimetres); raises ValueError for another one.

    >>> format_raise(0.05715, "us"), format_raise(-0.057, "metric"), format_raise(0.0004, "us")
    ('Raise 2 1/4 in', 'Lower 57 mm', 'No change')
    """
    if system not in ("us", "metric"):
        raise ValueError(f"system {system!r} (allowed: us, metric)")
    if not math.isfinite(metres):
        return "Raise unknown"
    size = format_inches(abs(metres)) if system == "us" else format_mm(abs(metres), 0)
    if size in ("0 in", "0 mm"):
        return "No change"
    return f"{'Raise' if metres > 0 else 'Lower'} {size}"


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def _metres_per(unit: str) -> Fraction:
    if unit not in UNITS:
        raise LengthError(unit, "unknown unit", ", ".join(UNITS))
    return UNITS[unit]


def _sign_and_body(text: str, allowed: str) -> tuple[int, str]:
    """Refuse what no number may hold; return the sign and the rest in plain characters with single blanks."""
    if len(text) > _LONGEST_TEXT:
        raise LengthError(text, f"longer than {_LONGEST_TEXT} characters", allowed)
    if any(c.isdigit() and not c.isascii() for c in text):
        raise LengthError(text, "digits other than 0 to 9", allowed)
    if "," in text:
        raise LengthError(text, "a comma", allowed, "write a decimal point, and no thousands separator")
    body = _GLYPH_EDGE.sub(" ", " ".join(text.lower().translate(_PLAIN).split()))
    body = body.translate(_SPELLED).replace("''", '"')
    if not body:
        raise LengthError(text, "empty", allowed)
    if body[0] in "+-":
        return (-1 if body[0] == "-" else 1), body[1:].lstrip()
    return 1, body


def _number(text: str, body: str, allowed: str) -> Fraction:
    """Read an unsigned decimal, fraction, or whole number and fraction."""
    found = _NUMBER.fullmatch(body)
    if not found:
        raise LengthError(text, f"`{_printable(body)}` is not a number", allowed)
    if found["decimal"]:
        return Fraction(found["decimal"])
    whole, top, bottom = int(found["whole"] or 0), int(found["top"]), int(found["bottom"])
    if bottom == 0:
        raise LengthError(text, "a fraction over zero", allowed)
    # Unicode normalization (NFKC) makes 7½ into 71⁄2: with that slash a top-heavy fraction is a lost blank.
    if top >= bottom and (found["whole"] or found["slash"] == "⁄"):
        raise LengthError(text, "a fraction not below one", allowed, "number, blank, fraction below one: 7 1/4")
    return whole + Fraction(top, bottom)


def _number_unit(text: str, body: str, unit: str | None, foot: str) -> Fraction:
    """Read a number and its unit, or a number in the declared unit [m]."""
    found = _NUMBER_UNIT.fullmatch(body)
    if not found:
        raise LengthError(text, "no number in it")
    number, name = _number(text, found["number"], _LENGTHS), found["name"]
    if not name and unit:
        return number * UNITS[unit]
    if not name:
        raise LengthError(text, "a number without a unit", remedy=f"write the unit, such as `{body} in`")
    if name not in _UNIT_OF:
        raise LengthError(text, f"unknown unit `{_printable(name)}`", f"{', '.join(UNITS)}, such as {_LENGTHS}")
    return number * UNITS[foot if _UNIT_OF[name] == "ft" else _UNIT_OF[name]]


def _feet_inches(text: str, split: re.Match[str], foot: str) -> Fraction:
    """Read whole feet and inches [m]."""
    if not re.fullmatch("[0-9]+", split["feet"]):
        raise LengthError(text, f"`{_printable(split['feet'])}` before inches is not a whole number of feet")
    if split["joint"] not in ("", " ", "-", "- ", " - ") or (split["foot"] + split["joint"]).endswith("."):
        raise LengthError(text, "feet and inches joined by other than a blank or a hyphen", remedy="write 1'-2 3/8\"")
    if not split["inch"]:
        raise LengthError(text, "a number after feet without an inch mark", remedy='end it in " or in')
    inches = _number(text, split["inches"], _LENGTHS)
    if inches >= 12:
        raise LengthError(text, "12 inches or more after feet", remedy="write the feet and less than 12 inches")
    return (int(split["feet"]) + inches / 12) * UNITS[foot if _UNIT_OF[split["foot"]] == "ft" else "us-ft"]


def _within(size: Fraction, text: str, allowed: str) -> Fraction:
    if size > _LARGEST:
        raise LengthError(text, "more than 1e9", allowed)
    return size


def _steps_of_inch(metres: float, denominator: int) -> int | None:
    """Count the whole steps of 1/denominator inch; None where there is no number."""
    if denominator not in (1, 2, 4, 8, 16, 32, 64):
        raise ValueError(f"denominator {denominator} (allowed: 1, 2, 4, 8, 16, 32, 64)")
    if not math.isfinite(metres):
        return None
    per_metre = denominator / factor("in")
    return int(round_half_up(metres * per_metre, 1.0, slack=TIE_SLACK * per_metre))


def _mixed(count: int, denominator: int) -> str:
    whole, rest = divmod(count, denominator)
    if rest == 0:
        return str(whole)
    return f"{whole} {Fraction(rest, denominator)}" if whole else str(Fraction(rest, denominator))
