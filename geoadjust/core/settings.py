"""What a setting is: a dataclass field whose ``Annotated`` metadata says help, limits and flag.

The metadata classes below parse what people write ("7 3/4 in", "2 %") into what the code uses (metres, m/m). They
implement pydantic's hooks without importing pydantic, so that declarations stay cheap to import; `geoadjust.process`
hands the annotated dataclasses to a ``TypeAdapter`` for validation and JSON Schema.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from decimal import Decimal
from fractions import Fraction
from typing import Any, ClassVar, get_type_hints

from geoadjust.units import parse_length, parse_ratio, parse_size


class Table:
    """Base of the job's tables and of the catalogue's parts: unknown keys are refused."""

    __pydantic_config__: ClassVar[dict[str, object]] = {"extra": "forbid", "strict": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Base of the metadata: what the setting means, the command-line flag that reaches it, the file that it names."""

    help: str
    flag: str = ""
    file: str = ""

    def parse(self, value: object) -> object:
        """Turn what a person wrote into the inner value; raises ValueError with what is allowed."""
        return value

    def show(self, value: object) -> str:
        """Write the inner value the way a job file says it (a TOML value)."""
        return _toml(value)

    def schema(self) -> dict[str, Any]:
        """JSON Schema of what people may write."""
        return {}

    def __get_pydantic_core_schema__(self, source: object, handler: Callable[[object], Any]) -> Any:
        """Validate by `parse`; None passes where the field may be missing."""
        from pydantic_core import core_schema

        if type(self).parse is Setting.parse:
            return handler(source)
        return core_schema.no_info_plain_validator_function(
            lambda value: None if value is None else self.parse(value),
        )

    def __get_pydantic_json_schema__(self, core: Any, handler: Callable[[Any], dict[str, Any]]) -> dict[str, Any]:
        """Schema of the written form, with the help as description."""
        if type(self).parse is Setting.parse:
            return {**handler(core), "description": self.help}
        return {**self.schema(), "description": self.help}


def _toml(value: object) -> str:
    """A value as TOML 1.0 writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, Mapping):
        pairs = ", ".join(f"{_toml_key(str(key))} = {_toml(item)}" for key, item in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    return str(value)


def _toml_key(key: str) -> str:
    return key if re.fullmatch("[A-Za-z0-9_-]+", key) else _toml(key)


def _decimal(value: float, shift: int) -> str:
    """The shortest decimal that reads back as `value`, times a power of ten.

    Examples
    --------
    >>> _decimal(0.1, 3), _decimal(0.00079375, 3), _decimal(0.0, 3)
    ('100', '0.79375', '0')
    """
    text = f"{Decimal(repr(float(value))).scaleb(shift):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Length(Setting):
    """A length: text with its unit, or the number 0. Inside: metres."""

    low: str = "0 mm"
    high: str = "10 m"

    def parse(self, value: object) -> float:
        """Metres, within the limits."""
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise ValueError(f"{value!r} is not a length; write for example {self.example()}")
        if not isinstance(value, str) and value != 0:
            raise ValueError(f'{value!r} has no unit; write it as text with its unit, for example "{value} mm"')
        metres = float(parse_length(value)) if isinstance(value, str) else 0.0
        if not float(parse_length(self.low)) <= metres <= float(parse_length(self.high)):
            raise ValueError(f"{value!r} is outside {self.low} to {self.high}")
        return metres

    def example(self) -> str:
        """A text that would be accepted."""
        return f'"{self.high}"'

    def show(self, value: object) -> str:
        """`"6 mm"`, with as many decimals as it takes to read the same value back."""
        return f'"{_decimal(value, 3)} mm"'  # type: ignore[arg-type]

    def schema(self) -> dict[str, Any]:
        """Text with a unit, or the number 0."""
        text = {"type": "string", "examples": [self.low, self.high], "x-limits": [self.low, self.high]}
        return {"anyOf": [text, {"const": 0}]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Size(Length):
    """A diameter, or WIDTHxLENGTH of a rectangle. Inside: width and length in metres, length 0 = round."""

    def parse(self, value: object) -> tuple[float, float]:  # type: ignore[override]
        """Width and length, each within the limits."""
        if not isinstance(value, str):
            return Length.parse(self, value), 0.0
        sides = [float(side) for side in parse_size(value)]
        low, high = float(parse_length(self.low)), float(parse_length(self.high))
        if not all(low <= side <= high for side in sides):
            raise ValueError(f"{value!r} is outside {self.low} to {self.high}")
        return (sides[0], sides[1]) if len(sides) == 2 else (sides[0], 0.0)

    def show(self, value: object) -> str:
        """`"660 mm"` or `"600 mm x 900 mm"`."""
        width, length = (float(side) for side in value)  # type: ignore[attr-defined]
        shown = Length.show(self, width)
        return shown if not length else f"{shown[:-1]} x {Length.show(self, length)[1:]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Number(Setting):
    """A plain number within limits, in the unit that its help says."""

    low: float = 0.0
    high: float = 1e9

    def parse(self, value: object) -> float:
        """The number, within the limits."""
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ValueError(f"{value!r} is not a number")
        if not self.low <= value <= self.high:
            raise ValueError(f"{value!r} is outside {self.low:g} to {self.high:g}")
        return float(value)

    def schema(self) -> dict[str, Any]:
        """Number with limits."""
        return {"type": "number", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio(Setting):
    """A slope or a share: `2 %`, `1:48` or a plain number. Inside: m/m."""

    low: float = 0.0
    high: float = 1.0

    def parse(self, value: object) -> float:
        """m/m, within the limits."""
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise ValueError(f'{value!r} is not a ratio; write for example "2 %"')
        ratio = float(parse_ratio(value)) if isinstance(value, str) else float(value)
        if not self.low <= ratio <= self.high:
            raise ValueError(f"{value!r} is outside {100 * self.low:g} % to {100 * self.high:g} %")
        return ratio

    def show(self, value: object) -> str:
        """`"2 %"`; `"1:48"` where per cent would need more than four decimals; either reads back as the same value."""
        ratio = float(value)  # type: ignore[arg-type]
        share = _decimal(ratio, 2)
        short = Fraction(ratio).limit_denominator(10_000)
        if len(share.partition(".")[2]) > 4 and float(short) == ratio:
            return f'"{short.numerator}:{short.denominator}"'
        return f'"{share} %"'

    def schema(self) -> dict[str, Any]:
        """Text or number."""
        return {"anyOf": [{"type": "string"}, {"type": "number", "minimum": self.low, "maximum": self.high}]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Count(Setting):
    """A whole number within limits."""

    low: int = 0
    high: int = 1_000_000

    def parse(self, value: object) -> int:
        """The number, within the limits."""
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError(f"{value!r} is not a whole number")
        if not self.low <= value <= self.high:
            raise ValueError(f"{value!r} is outside {self.low} to {self.high}")
        return value

    def schema(self) -> dict[str, Any]:
        """Integer with limits."""
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts(Count):
    """A list of different whole numbers within limits, at least one."""

    def parse(self, value: object) -> tuple[int, ...]:  # type: ignore[override]
        """The numbers; none twice."""
        if not isinstance(value, (list, tuple)) or not value or len(set(map(str, value))) != len(value):
            raise ValueError(f"{value!r} is not a list of different whole numbers")
        return tuple(Count.parse(self, number) for number in value)

    def schema(self) -> dict[str, Any]:
        """Array of integers with limits."""
        return {"type": "array", "items": Count.schema(self), "minItems": 1, "uniqueItems": True}


@dataclass(frozen=True, slots=True, kw_only=True)
class Word(Setting):
    """One word of a closed list."""

    words: tuple[str, ...] = ()

    def parse(self, value: object) -> str:
        """The word itself."""
        if value not in self.words:
            raise ValueError(f"{value!r} is not one of {', '.join(filter(None, self.words))}")
        return str(value)

    def schema(self) -> dict[str, Any]:
        """Enumeration."""
        return {"type": "string", "enum": list(self.words)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Words(Word):
    """A list of words of a closed list, in the owner's order; only `again` may stand there more than once."""

    again: str = ""

    def parse(self, value: object) -> tuple[str, ...]:  # type: ignore[override]
        """The words."""
        if not isinstance(value, (list, tuple)):
            raise ValueError(f"{value!r} is not a list of different words")
        once = [word for word in value if word != self.again]
        if len(set(map(str, once))) != len(once):
            raise ValueError(f"{value!r} is not a list of different words")
        return tuple(Word.parse(self, word) for word in value)

    def schema(self) -> dict[str, Any]:
        """Array of the enumeration."""
        return {"type": "array", "items": {"type": "string", "enum": list(self.words)}, "uniqueItems": not self.again}


@dataclass(frozen=True, slots=True, kw_only=True)
class Paths(Setting):
    """One path, or a list of paths. Inside: the text, or a tuple of texts."""

    def parse(self, value: object) -> str | tuple[str, ...]:
        """The path; of a list at least one, none of them empty."""
        if isinstance(value, str):
            return value
        if not isinstance(value, (list, tuple)) or not all(isinstance(item, str) and item for item in value):
            raise ValueError(f"{value!r} is neither a path nor a list of paths")
        if not value:
            raise ValueError("the list of paths is empty; write at least one")
        return tuple(value)

    def schema(self) -> dict[str, Any]:
        """Text, or array of texts."""
        return {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}


def settings_of(table: type) -> Mapping[str, Setting]:
    """Metadata of every field of a settings dataclass that has any, in order.

    Examples
    --------
    >>> from geoadjust.core.rules import RuleSet
    >>> settings_of(RuleSet)["tolerance"].help
    'largest gap between cover and finished road that is accepted'
    """
    hints = get_type_hints(table, include_extras=True)
    found = {}
    for field in fields(table):
        marks = [mark for mark in getattr(hints[field.name], "__metadata__", ()) if isinstance(mark, Setting)]
        if marks:
            found[field.name] = marks[0]
    return found


def metres(text: str) -> float:
    """Default of a length setting, written the way people write it.

    Examples
    --------
    >>> metres("7 3/4 in")
    0.19685
    """
    return float(parse_length(text))
