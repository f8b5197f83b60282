"""What a structure asks for, in the words of a crew: the order, what it is good for, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geoadjust.core.flag_list import FLAGS
from geoadjust.report.facts import Facts
from geoadjust.units import format_inches, format_mm, format_raise

KINDS = {
    "manhole": "manhole",
    "inlet": "inlet",
    "valve": "valve box",
    "handhole": "handhole",
    "monument": "survey monument",
}
FIXED = {
    "monument": "Do not disturb",
    "other_owner": "Notify the owner",
    "not_paved": "Nothing to do",
    "keep": "Leave as it is",
    "rebuild": "Engineer decides",
    "unknown": "Not known yet",
}
"""Orders that are not a move of the rim."""
METHOD_WORDS = {
    "monument": "survey monument: do not disturb",
    "other_owner": "notify the owner",
    "not_paved": "outside the paving",
    "keep": "leave as it is",
    "riser": "riser on the frame",
    "rings": "rings",
    "liner": "liner",
    "extend": "draw the top section",
    "replace_top": "replace the top section",
    "float": "set with the paving",
    "adjust": "change the chimney",
    "rebuild": "engineer decides",
    "unknown": "not known yet",
}
"""What is done, in few words."""
LOWER_HOW = {
    "rings_out": "take rings out",
    "casting_out_and_plate": "take the casting out and plate the opening",
    "mill_around": "it stays, mill around it",
}
READY = {
    "order": ("GOOD FOR ORDERING", "Parts may be ordered. Measure on the bearing before you saw."),
    "measure": ("MEASURE FIRST", "For planning only: take the readings below before you order or saw."),
    "review": ("REVIEW FIRST", "The office decides before any work starts. See the reasons below."),
    "unknown": ("NOT COMPUTED", "Do not work by this sheet. See the reasons below."),
    "cut": ("MEASURED", "From readings on the prepared bearing: cut by these heights."),
}
"""What the figures are good for: in capitals, and in a sentence."""
STILL = {
    "order": ("FIGURES ARE GOOD", "Nothing is built here by this sheet."),
    "measure": ("CHECK ON SITE", "For planning only: look at the cover before you rely on this."),
}
"""The same where nothing is built."""
IDLE = ("monument", "other_owner", "not_paved", "keep")
"""Methods by which nothing is built."""
DEPTH = {"info": 2, "warn": 1, "stop": 0}
_FLAGS = {flag.code: flag for flag in FLAGS}
_LEVELS = ("order", "measure", "review", "unknown")
TWO_SIDED = 1.96
"""Standard deviations within which 95 % of the values of a normal distribution lie."""
_UNSIGNED = ("rim_disagrees", "batch_bias", "no_ring_stack")


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be done: the main words, and more of it in sentences."""

    main: str
    more: tuple[str, ...] = ()


def length(metres: float, units: str) -> str:
    """A length as people read it: inches to 1/16, or whole millimetres; a dash where it is not known."""
    return (format_inches(metres) if units == "us" else format_mm(metres, 0)) or "-"


def name_of(facts: Facts) -> str:
    """The structure's id; its row where it has none."""
    return facts.text("structure_id") or f"no id, row {facts.schedule['row']}"


def order_of(facts: Facts) -> Order:
    """The order of one structure."""
    method, raise_ = facts.method, facts.value("raise_mm")
    moved = format_raise(raise_, facts.units) if math.isfinite(raise_) else "Set to the target rim"
    main, more = FIXED.get(method, moved), list(_more(facts, moved))
    lowered = facts.value("lower_by_mm")
    if _lowered(facts) and facts.text("ready") != "cut":  # its bearing lies open: it is lowered
        how = LOWER_HOW.get(facts.text("lower_how"), "how is not known")
        more.append(f"Before milling: lower {length(lowered, facts.units)}; {how}.")
        if method == "keep":
            main = "Put back as it is"
    return Order(main, tuple(more))


def _more(facts: Facts, moved: str) -> tuple[str, ...]:
    method, units = facts.method, facts.units
    computed = f"Computed: {moved}." if math.isfinite(facts.value("raise_mm")) else "The raise is not known."
    if method == "rings":
        return (_rings(facts),)
    if method == "liner":
        return (f"Liner {facts.text('liner')}, after measuring again.",)
    if method == "riser":
        part = facts.catalogue.riser[facts.index("verdicts_riser")]
        return (f"Riser {part.id} ({length(part.height, units)}) on the frame that stands. The chimney stays.",)
    return {
        "monument": ("A licensed land surveyor references it before and after the work.", computed),
        "other_owner": ("It is not ours: its owner does the work or agrees to it.", computed),
        "not_paved": ("It lies outside the paving.",),
        "keep": ("The cover is within the tolerance of the finished road.",),
        "extend": (_extend(facts),),
        "replace_top": ("Replace the top section: the travel that is left does not reach.",),
        "float": ("The pavement bears this casting: it is set with the paving. There is no chimney.",),
        "adjust": (f"Chimney: {change_words(facts.value('stack_change_mm'), units)} at the centre.",),
        "rebuild": (computed, "A limit of the owner is passed."),
        "unknown": ("The set has no order for this structure.",),
    }.get(method, ())


def _extend(facts: Facts) -> str:
    travel = facts.model("structures_travel")
    left = f" It can be drawn up {length(travel, facts.units)}." if math.isfinite(travel) else ""
    return f"Draw the sliding top section.{left}"


def _rings(facts: Facts) -> str:
    bare = facts.value("ring_count") == 0
    if facts.text("stack_policy") == "add_on_top":
        return "The frame in a new joint on the old stack, no ring." if bare else "New rings on top of the old stack."
    return "The frame in mortar on the bearing, no ring." if bare else "New rings on the bearing. The old stack goes."


def change_words(change: float, units: str) -> str:
    """What is added to a chimney, or taken off.

    Examples
    --------
    >>> change_words(0.06003, "metric"), change_words(-0.03493, "us"), change_words(0.0, "us")
    ('add 60 mm', 'take 1 3/8 in off', 'no change')
    """
    if not math.isfinite(change):
        return "the change is not known"
    word, _, size = format_raise(change, units).partition(" ")
    return {"Raise": f"add {size}", "Lower": f"take {size} off"}.get(word, "no change")


def readiness_of(facts: Facts) -> tuple[str, str]:
    """What the figures are good for: in capitals, and in a sentence."""
    ready = facts.text("ready")
    if facts.method in IDLE and ready in STILL:
        return STILL[ready]
    return READY.get(ready, READY["unknown"])


def framed(facts: Facts) -> bool:
    """Whether the readiness is to stand in a frame: nothing may be ordered by the sheet."""
    return facts.text("ready") not in ("order", "cut")


def reasons_of(facts: Facts) -> tuple[list[str], list[str]]:
    """Reasons in sentences: those that somebody must know, and mere remarks.

    Those that decide the readiness stand first, then by severity, then as they were found. What the order says already
    is left out.
    """
    ready = facts.text("ready")
    level = _LEVELS.index(ready) if ready in _LEVELS else 0

    def rank(place: int) -> tuple[bool, int, int]:
        reason = facts.reasons[place]
        flag = _FLAGS.get(reason["code"])
        decides = level > 0 and flag is not None and flag.ready == level
        return not decides, DEPTH.get(reason["severity"], 2), place

    ranks = sorted(rank(place) for place in range(len(facts.reasons)) if not _said(facts, place))
    needed = [place for later, depth, place in ranks if not later or depth < DEPTH["info"]]
    remarks = [place for later, depth, place in ranks if later and depth >= DEPTH["info"]]
    first = [_not_exact(facts)] if ready == "measure" and all(later for later, _, _ in ranks) else []
    told = [reason_words(facts, place) for place in needed]
    return [*first, *told], [reason_words(facts, place) for place in remarks]


def _not_exact(facts: Facts) -> str:
    """Why parts cannot be ordered where no flag stands against it: what is known is not exact enough."""
    what, sd = "raise", facts.value("raise_sd_mm")
    if facts.method in ("rings", "liner"):
        what, sd = "chimney", facts.value("chimney_sd_mm")
    if not math.isfinite(sd):
        return f"How exact the {what} is known is not known."
    return f"Not exact enough to order by: the {what} is known to \u00b1 {length(TWO_SIDED * sd, facts.units)} (95 %)."


def _said(facts: Facts, place: int) -> bool:
    """Whether the order tells the reason."""
    code = facts.reasons[place]["code"]
    return code == facts.method or (code == "lower_before_milling" and _lowered(facts))


def _lowered(facts: Facts) -> bool:
    """The order says by how much the rim goes down before milling."""
    still = ("monument", "other_owner", "not_paved", "unknown")
    return facts.value("lower_by_mm") > 0 and facts.method not in still


def reason_words(facts: Facts, place: int) -> str:
    """One reason, its lengths in the units that people read."""
    return reason_text(facts.reasons[place], facts.units)


def reason_text(reason: Mapping[str, Any], units: str) -> str:
    """The same from a row of the table `reasons`: code, value, limit, text."""
    flag = _FLAGS.get(reason["code"])
    if units != "us" or flag is None or flag.unit != "mm" or "{subject}" in flag.text:
        return str(reason["text"])
    value, limit = (_figure(reason[name]) for name in ("value", "limit"))
    value = value.lstrip("-") if flag.code in _UNSIGNED else value
    return flag.text.format(value=value, limit=limit, subject="")


def _figure(millimetres: float | None) -> str:
    if millimetres is None or not math.isfinite(millimetres):
        return "an unknown amount"
    metres = millimetres / 1000
    if abs(metres) >= 3.0:
        return f"{metres / 0.3048:.1f} ft"
    shown = format_inches(metres)
    return "under 1/16 in" if shown == "0 in" and metres else shown


WINDS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


def wind(azimuth: float) -> str:
    """Direction of an azimuth [rad] on the compass.

    Examples
    --------
    >>> wind(0.0), wind(math.radians(76)), wind(math.radians(-20))
    ('N', 'ENE', 'NNW')
    """
    return WINDS[round(azimuth / (math.pi / 8)) % 16]


def clock(turn: float) -> str:
    """A turn clockwise from the mark [rad] on the clock's face, to the nearest half hour.

    Examples
    --------
    >>> clock(0.0), clock(math.radians(45)), clock(math.radians(-90))
    ('12', '1:30', '9')
    """
    half = round(turn / (math.pi / 12)) % 24
    return f"{half // 2 or 12}{':30' if half % 2 else ''}"
