"""Lengths in whole steps, as a tape is read: sixteenths of an inch, or millimetres. Sums of them add up on a page."""

from __future__ import annotations

import math

from geoadjust.units import factor, format_feet_inches, format_inches, inches_sixteenth, round_half_up

FOOT = 192
"""Sixteenths of an inch in a foot: from here on lengths are written in feet and inches."""


def steps(metres: float, units: str) -> int | None:
    """Whole steps of a length [m]; None where it is not known.

    Examples
    --------
    >>> steps(0.05715, "us"), steps(0.05715, "metric"), steps(math.nan, "us")
    (36, 57, None)
    """
    if not math.isfinite(metres):
        return None
    return round(inches_sixteenth(metres) * 16) if units == "us" else round(round_half_up(1000.0 * metres, 1.0))


def shown(count: int | None, units: str) -> str:
    """Steps as a length; a dash where it is not known.

    Examples
    --------
    >>> shown(36, "us"), shown(200, "us"), shown(57, "metric"), shown(None, "us")
    ('2 1/4 in', '1\\'-1/2"', '57 mm', '-')
    """
    if count is None:
        return "-"
    if units != "us":
        return f"{count} mm"
    metres = count / 16 * factor("in")
    return format_inches(metres) if abs(count) < FOOT else format_feet_inches(metres)


def shared(total: int, sizes: list[float], units: str) -> list[int]:
    """Whole steps for sizes [m] so that they add up to a total: the largest remainders are rounded up.

    Examples
    --------
    >>> shared(25, [0.006, 0.006, 0.0128], "metric")
    [6, 6, 13]
    """
    unit = factor("in") / 16 if units == "us" else 1e-3
    whole = sum(sizes) / unit
    scaled = [size / unit * (total / whole if whole else 0.0) for size in sizes]
    found = [math.floor(each + 1e-9) for each in scaled]
    order = sorted(range(len(sizes)), key=lambda place: (found[place] - scaled[place], place))
    for place in order[: total - sum(found)]:
        found[place] += 1
    return found
