"""Vacuum tests of structures against the owner's table: how long the vacuum must hold, and what a record says.

A test passes where it began with the table's vacuum at least, and lost no more than the table's drop in the
table's time or longer. The table's time is that of the structure's own diameter and of the one depth band that holds
its depth; nothing is put between diameters or beyond the bands. Air leaks in the slower the less vacuum is left, so of
a test that ran longer than the table asks at least the share required / seconds was lost in the table's time.

A test with the plate on the cone says nothing of the chimney.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated

from geoadjust.core.settings import Length, Number, Setting, Word
from geoadjust.core.settings import Table as Table
from geoadjust.errors import Fault

KPA = {"inHg": 3.386389, "kPa": 1.0}
"""Kilopascal per unit; inch of mercury at 0 degrees C: NIST Special Publication 811, 2008, appendix B.8."""
FOOT = 0.3048
BOUNDARIES = ("on_cone", "on_frame")
OUTCOMES = ("pass", "fail", "incomplete", "invalid", "not_applicable")
SAME_DIAMETER = 0.002
"""Diameters this near each other [m] are one."""
SLACK = 1e-6


@dataclass(frozen=True)
class VacuumBand(Table):
    """One time of the table: a diameter, a band of depths, seconds. A band without ends holds for all depths."""

    seconds: Annotated[float, Number(help="how long the vacuum must hold [s]", low=1.0, high=86_400.0)]
    diameter: Annotated[
        float | None, Length(help="inside diameter of the structure; none = every one", low="300 mm", high="10 m")
    ] = None
    at_least: Annotated[float | None, Length(help="depth from which on the band holds, itself in it", high="100 m")] = (
        None
    )
    above: Annotated[float | None, Length(help="depth above which the band holds, itself not in it", high="100 m")] = (
        None
    )
    at_most: Annotated[float | None, Length(help="depth up to which the band holds, itself in it", high="100 m")] = None
    below: Annotated[float | None, Length(help="depth below which the band holds, itself not in it", high="100 m")] = (
        None
    )
    more_per_foot: Annotated[
        float, Number(help="seconds more for each foot of depth beyond the band's lower end", high=3600.0)
    ] = 0.0

    @property
    def low(self) -> tuple[float, bool]:
        """Least depth [m], and whether it is in the band."""
        if self.above is not None:
            return self.above, False
        return (self.at_least or 0.0), True

    @property
    def high(self) -> tuple[float, bool]:
        """Greatest depth [m], and whether it is in the band."""
        if self.below is not None:
            return self.below, False
        return (math.inf, False) if self.at_most is None else (self.at_most, True)

    def holds(self, depth: float) -> bool:
        """Whether a depth [m] lies in the band."""
        (low, with_low), (high, with_high) = self.low, self.high
        return (depth > low or (with_low and depth == low)) and (depth < high or (with_high and depth == high))

    def time(self, depth: float) -> float:
        """Seconds that the vacuum must hold at a depth [m] of the band."""
        return self.seconds + self.more_per_foot * (depth - self.low[0]) / FOOT


@dataclass(frozen=True)
class VacuumTable(Table):
    """An owner's vacuum test."""

    name: Annotated[str, Setting(help="name in the results")]
    unit: Annotated[str, Word(help="unit of start and drop", words=tuple(KPA))]
    start: Annotated[float, Number(help="vacuum at which the time begins, at least", low=0.1, high=100.0)]
    drop: Annotated[float, Number(help="loss of vacuum that is allowed", low=0.01, high=100.0)]
    band: Annotated[tuple[VacuumBand, ...], Setting(help="times")]
    source: Annotated[str, Setting(help="where the table comes from; kept in the results")] = ""
    stabilise: Annotated[
        float, Number(help="the vacuum must have been held this long before the time begins [s]", high=3600.0)
    ] = 0.0

    def bands_of(self, diameter: float) -> list[VacuumBand]:
        """Bands of a structure's diameter [m]."""
        return [
            band for band in self.band if band.diameter is None or abs(band.diameter - diameter) <= SAME_DIAMETER + 1e-9
        ]

    @property
    def by_diameter(self) -> bool:
        """Whether the time depends on the structure's diameter."""
        return any(band.diameter is not None for band in self.band)

    @property
    def by_depth(self) -> bool:
        """Whether the time depends on the structure's depth."""
        return any(band.low != (0.0, True) or not math.isinf(band.high[0]) for band in self.band)

    def time(self, diameter: float, depth: float) -> float | None:
        """Seconds that are required [s] for a diameter and a depth [m]; None where the table has no such one."""
        found = [band for band in self.bands_of(diameter) if band.holds(depth)]
        return found[0].time(depth) if found else None


def table_faults(table: VacuumTable, where: str) -> Iterator[Fault]:
    """Bands that leave a depth undefined, or that define one twice.

    Parameters
    ----------
    where : file, for faults
    """
    if not table.band:
        yield Fault(f"{where}: band", "no time at all", remedy="write one [[band]] at least")
    diameters = sorted({band.diameter for band in table.band if band.diameter is not None})
    listed: list[float | None] = [*diameters] or [None]
    if diameters and any(band.diameter is None for band in table.band):
        what = "some bands state a diameter and some do not"
        yield Fault(f"{where}: band.diameter", what, remedy="state it in all bands or in none")
        return
    for number, band in enumerate(table.band):
        yield from _band_faults(band, f"{where}: band.{number}")
    for diameter in listed:
        bands = [band for band in table.band if band.diameter == diameter]
        name = f"{where}: bands" if diameter is None else f"{where}: bands of diameter {_told(diameter)}"
        yield from _neighbour_faults(bands, name)


def _band_faults(band: VacuumBand, where: str) -> Iterator[Fault]:
    for first, second in (("at_least", "above"), ("at_most", "below")):
        if getattr(band, first) is not None and getattr(band, second) is not None:
            yield Fault(where, f"{first} and {second}", "one of both", "remove one")
    if band.high[0] < band.low[0] or (band.high[0] == band.low[0] and not (band.high[1] and band.low[1])):
        yield Fault(where, "holds no depth", remedy="its upper end lies above its lower one")
    if band.more_per_foot and band.low[0] == 0.0:
        yield Fault(f"{where}.more_per_foot", "from which depth on is not said", remedy="write above or at_least")


def _neighbour_faults(bands: Sequence[VacuumBand], where: str) -> Iterator[Fault]:
    """Each band must begin where the one before ends, with that depth in exactly one of them."""
    ordered = sorted(bands, key=lambda band: (band.low[0], not band.low[1]))
    for before, band in pairwise(ordered):
        (end, with_end), (low, with_low) = before.high, band.low
        if low > end or (low == end and not with_end and not with_low):
            told = _told(end) if low == end else f"{_told(end)} to {_told(low)}"
            yield Fault(
                where, f"a depth of {told} is in no band", "each depth in one band", "ask the owner which one holds"
            )
        elif low < end or (with_end and with_low):
            told = _told(low) if low == end else f"{_told(low)} to {_told(min(end, band.high[0]))}"
            yield Fault(
                where, f"a depth of {told} is in two bands", "each depth in one band", "ask the owner which one holds"
            )


def _told(metres: float) -> str:
    return "any" if math.isinf(metres) else f"{metres / FOOT:g} ft ({metres:g} m)"


@dataclass(frozen=True, slots=True)
class VacuumTest:
    """One test as it was recorded; NaN = not written.

    Parameters
    ----------
    boundary : one of BOUNDARIES: the plate sat on the cone, below the chimney, or on the frame; '' = not written
    diameter, depth : of the structure [m]
    start, end : vacuum when the time began and ended [kPa]
    seconds : between them
    stabilised : the vacuum was held before as long as the table asks; None = not written
    """

    boundary: str
    diameter: float
    depth: float
    start: float
    end: float
    seconds: float
    stabilised: bool | None


@dataclass(frozen=True, slots=True)
class VacuumVerdict:
    """Outcome, why in a sentence, required seconds (NaN where the table has none) and what was lost [kPa]."""

    outcome: str
    why: str
    required: float
    lost: float


def judge_vacuum(test: VacuumTest, table: VacuumTable) -> VacuumVerdict:
    """What a record says.

    Examples
    --------
    >>> table = VacuumTable("t", "inHg", 10.0, 1.0, (VacuumBand(60.0),))
    >>> held = VacuumTest("on_frame", 1.2192, 3.0, 10 * KPA["inHg"], 9.2 * KPA["inHg"], 60.0, None)
    >>> judge_vacuum(held, table).outcome
    'pass'
    """
    required = _required(test, table)
    lost = test.start - test.end

    def found(outcome: str, why: str) -> VacuumVerdict:
        return VacuumVerdict(outcome, why, math.nan if required is None else required, lost)

    if test.boundary == "on_cone":
        return found("not_applicable", "The plate sat on the cone: the test says nothing of the chimney.")
    if wrong := _wrong(test, table):
        return found("invalid", wrong)
    if required is None:
        return found("not_applicable", _out_of(test, table))
    return found(*_held(test, table, required, lost))


def _required(test: VacuumTest, table: VacuumTable) -> float | None:
    return None if _unwritten(test, table) else table.time(test.diameter, test.depth if table.by_depth else 0.0)


def _unwritten(test: VacuumTest, table: VacuumTable) -> list[str]:
    """What the table asks for and nobody wrote down."""
    asked = (("diameter", test.diameter, table.by_diameter), ("depth", test.depth, table.by_depth))
    return [name for name, value, needed in asked if needed and math.isnan(value)]


def _wrong(test: VacuumTest, table: VacuumTable) -> str:
    """Why a record cannot be judged; '' where it can."""
    if not test.boundary:
        return "Where the plate sat is not written: on_cone or on_frame."
    figures = {"start": test.start, "end": test.end, "seconds": test.seconds}
    if missing := [name for name, value in figures.items() if math.isnan(value)]:
        return f"Not written: {', '.join(missing)}."
    least = table.start * KPA[table.unit]
    if test.start < least - SLACK:
        return f"Started at {_shown(test.start, table)}; {_shown(least, table)} is required."
    if test.end > test.start + SLACK:
        return f"Ended with more vacuum ({_shown(test.end, table)}) than it started with."
    if table.stabilise and not test.stabilised:
        was = "was not held" if test.stabilised is False else "is not written to have been held"
        return f"The vacuum {was} for {table.stabilise:g} s before the time began."
    return ""


def _out_of(test: VacuumTest, table: VacuumTable) -> str:
    if missing := _unwritten(test, table):
        return f"The table asks for the structure's {' and '.join(missing)}, which nobody wrote down."
    if not table.bands_of(test.diameter):
        return f"The table has no diameter of {_told(test.diameter)}; nothing is put between diameters."
    return f"The table has no depth of {_told(test.depth)}; nothing is put beyond its bands."


def _held(test: VacuumTest, table: VacuumTable, required: float, lost: float) -> tuple[str, str]:
    allowed = table.drop * KPA[table.unit]
    told = f"{_shown(lost, table)} lost in {test.seconds:g} s; {_shown(allowed, table)} is allowed in {required:g} s"
    long_enough = test.seconds >= required - SLACK
    if lost <= allowed + SLACK:
        return ("pass", f"{told}.") if long_enough else ("incomplete", f"{told}: stopped early.")
    if not long_enough or lost * required / test.seconds > allowed + SLACK:
        return "fail", f"{told}."
    return "incomplete", f"{told}: it ran longer, and the vacuum at {required:g} s was not written."


def _shown(pressure: float, table: VacuumTable) -> str:
    return f"{pressure / KPA[table.unit]:.2f} {table.unit}"
