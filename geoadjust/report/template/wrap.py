"""The cut line round the outside of a liner, unrolled, in millimetres of paper.

    h(turn) = mean + ahead cos turn + right sin turn,    turn clockwise from the mark, seen from above

through the stored ordinates. Who looks at the outside of a liner that stands on its foot sees clockwise run to the
left. The template is printed on its outer face, so the mark stands at its right end and the stations run to the left::

    u = 0           tab          tab + circumference
    | tab        END line ... 4 ... 3 ... 2 ... START line |
                 mark again                      mark
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from geoadjust.errors import Fault, InputError
from geoadjust.report.facts import Facts
from geoadjust.report.figures_unrolled import stored_ordinates
from geoadjust.report.words import name_of
from geoadjust.units import format_inches, format_mm

TAB = 50.0
"""The template goes on so far beyond one turn; it lies under the start [mm]."""
EDGE = 14.0
"""Paper right of the start line, with words; it is cut away [mm]."""
BESIDE = 20.0
"""Paper above the long side, and below the short side where the foot is not on the page [mm]."""
WITHIN = 0.05
"""A measured circumference lies within this share of the catalogue's; common practice, no source."""
PLANE_SLACK = 0.01
"""Ordinates are stored to 0.001 mm; those of a cut lie on its curve to this [mm]."""
MM = 1000.0


@dataclass(frozen=True, slots=True)
class Wrap:
    """A template [mm]. `low` and `top` are its edges above the foot of the liner; `low` 0 = it reaches the foot.

    Parameters
    ----------
    circumference : on which it closes
    assumed : nobody measured the circumference
    catalogue : circumference of the catalogue's outside diameter
    heights : ordinates, clockwise from the mark
    mean, ahead, right : of the curve; `ahead` towards the mark, `right` a quarter of a turn clockwise from it
    """

    circumference: float
    assumed: bool
    catalogue: float
    heights: tuple[float, ...]
    mean: float
    ahead: float
    right: float
    low: float = 0.0
    top: float = 0.0

    @property
    def start(self) -> float:
        """Where the start line stands."""
        return TAB + self.circumference

    @property
    def length(self) -> float:
        """Of the paper, with tab and edge."""
        return self.start + EDGE

    @property
    def height(self) -> float:
        """Of the paper."""
        return self.top - self.low

    @property
    def swing(self) -> float:
        """Rise of the long side over the mean."""
        return math.hypot(self.ahead, self.right)

    @property
    def long_turn(self) -> float:
        """Turn of the long side [rad], 0 to 2 pi."""
        return math.atan2(self.right, self.ahead) % (2 * math.pi)

    def at(self, turn: float) -> float:
        """Place along the template of a turn clockwise from the mark [rad]."""
        return self.start - turn / (2 * math.pi) * self.circumference

    def turn(self, along: float) -> float:
        """Turn [rad] of a place along the template."""
        return (self.start - along) / self.circumference * 2 * math.pi

    def cut(self, turn: float) -> float:
        """Height of the cut above the foot.

        Examples
        --------
        >>> flat = Wrap(2000.0, True, 2000.0, (50.0,) * 4, 50.0, 3.0, 4.0)
        >>> flat.cut(0.0), round(flat.cut(flat.long_turn), 9), flat.at(math.pi)
        (53.0, 55.0, 1050.0)
        """
        return self.mean + self.ahead * math.cos(turn) + self.right * math.sin(turn)

    def within(self, room: float, units: str) -> Wrap:
        """The same with its edges: down to the foot where that has room [mm], else a band about the cut.

        The lower edge of a band lies at a whole inch, or at whole 10 mm, above the foot.
        """
        top, step = self.mean + self.swing + BESIDE, 25.4 if units == "us" else 10.0
        short = self.mean - self.swing - BESIDE
        low = 0.0 if top <= room else max(math.floor(short / step + 1e-9), 0) * step
        return replace(self, low=low, top=top)


def wrap_of(facts: Facts, circumference: float | None = None) -> Wrap:
    """The template of a structure whose method is a liner.

    Parameters
    ----------
    circumference : as measured round the outside of the liner [m]; None = that of the catalogue's diameter

    Raises
    ------
    InputError
        the ordinates are not those of a cylinder that is cut along a plane; a circumference that cannot be the liner's
    """
    heights = [each * MM for each in stored_ordinates(facts)]
    outside = 2 * math.pi * facts.ordinate("wrap_mm") * MM
    name = f"structure {name_of(facts)}"
    if not heights or facts.ordinates["basis"] != "height" or not math.isfinite(outside):
        raise InputError(Fault(name, "the set holds no cut of a round liner", remedy="run the job again"))
    count = len(heights)
    turns = [2 * math.pi * place / count for place in range(count)]
    mean = sum(heights) / count
    ahead = 2 / count * sum(h * math.cos(turn) for h, turn in zip(heights, turns, strict=True))
    right = 2 / count * sum(h * math.sin(turn) for h, turn in zip(heights, turns, strict=True))
    measured = None if circumference is None else circumference * MM
    wrap = Wrap(measured or outside, measured is None, outside, tuple(heights), mean, ahead, right)
    if max(abs(wrap.cut(turn) - h) for h, turn in zip(heights, turns, strict=True)) > PLANE_SLACK:
        raise InputError(Fault(name, "the ordinates do not lie on a plane", remedy="run the job again"))
    if measured is not None:
        _check(measured, outside, name, facts)
    return wrap


def _check(measured: float, outside: float, name: str, facts: Facts) -> None:
    """A circumference far from the catalogue's is a misread, a diameter, or another liner."""
    share = measured / outside - 1
    if abs(share) <= WITHIN:
        return
    low, high = ((1 + sign * WITHIN) * outside for sign in (-1, 1))
    what = f"circumference {both(measured)} is {abs(100 * share):.0f} % {'over' if share > 0 else 'under'} the "
    what += f"{both(outside)} of liner {facts.text('liner')}"
    raise InputError(
        Fault(
            name,
            what,
            f"{both(low)} to {both(high)}",
            "measure round the outside with a tape; or correct outside_diameter in the catalogue and run the job again",
        )
    )


def both(millimetres: float) -> str:
    """A circumference in both units; the template must close on it.

    Examples
    --------
    >>> both(2544.69)
    '2545 mm (100 3/16 in)'
    """
    return f"{format_mm(millimetres / MM, 0)} ({format_inches(millimetres / MM)})"
