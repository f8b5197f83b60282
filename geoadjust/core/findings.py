"""What a test in the field found of n structures: findings with value and limit, and the outcome that they leave.

A finding asks for `rework`, leaves the outcome `open` (something is missing to judge by), or only informs. Without any
of the first two a structure passes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64] | float

TELL, OPEN, REWORK = range(3)
FACTORS = {"": 1.0, "mm": 1000.0, "gap": 1000.0, "%": 100.0, "d": 1.0}
"""From SI to the unit of a kind; a gap is told with its side."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of finding: code, what it asks for, unit of value and limit, sentence with {value} and {limit}."""

    code: str
    asks: int
    unit: str
    text: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding of one structure: its place among n, kind, value and limit in the kind's unit (NaN = none)."""

    place: int
    kind: Kind
    value: float
    limit: float

    def sentence(self, units: str = "metric") -> str:
        """In words.

        Parameters
        ----------
        units : of lengths, metric or us

        Examples
        --------
        >>> found = Finding(0, Kind("gap_past_tolerance", REWORK, "gap", "{value}; it ends at {limit}"), -9.0, -6.0)
        >>> found.sentence(), found.sentence("us")
        ('9.0 mm LOW; it ends at 6.0 mm LOW', '0.35 in LOW; it ends at 0.24 in LOW')
        """
        value, limit = (_shown(each, self.kind.unit, units) for each in (self.value, self.limit))
        return self.kind.text.format(value=value, limit=limit)


def _shown(value: float, unit: str, units: str) -> str:
    if unit in ("", "d"):
        return f"{value:.0f}" + (" days" if unit else "")
    if unit == "%":
        return f"{value:.1f} %"
    size = abs(value) if unit == "gap" else value
    length = f"{size / 25.4:.2f} in" if units == "us" else f"{size:.1f} mm"
    side = {1: " PROUD", -1: " LOW"}.get((value > 0) - (value < 0), "") if unit == "gap" else ""
    return length + side


class Findings:
    """Collects the findings of n structures; values and limits are given in SI."""

    def __init__(self, n: int, kinds: Sequence[Kind]) -> None:
        self.n, self.kinds = n, {kind.code: kind for kind in kinds}
        self._found: list[Finding] = []

    def add(self, code: str, where: NDArray[Any], value: Values = float("nan"), limit: Values = float("nan")) -> None:
        """Note a finding where the mask (n,) says so; value and limit [SI] are scalars or (n,)."""
        kind = self.kinds[code]
        factor = FACTORS[kind.unit]
        both = [np.broadcast_to(np.asarray(each, dtype=float), self.n) * factor for each in (value, limit)]
        for place in np.flatnonzero(where):
            self._found.append(Finding(int(place), kind, float(both[0][place]), float(both[1][place])))

    def sorted(self) -> list[Finding]:
        """By structure, then in the order of the kinds."""
        order = {code: number for number, code in enumerate(self.kinds)}
        return sorted(self._found, key=lambda each: (each.place, order[each.kind.code]))

    def worst(self) -> NDArray[np.int8]:
        """What is asked for, (n,): TELL, OPEN or REWORK."""
        found = np.zeros(self.n, dtype=np.int8)
        for each in self._found:
            found[each.place] = max(found[each.place], each.kind.asks)
        return found
