"""What an adjustment record says of a structure: its events by phase, in words and as a row of a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from geoadjust.core.history import Event, Standing
from geoadjust.core.vacuum import KPA
from geoadjust.units import format_inches

PHASES = ("planned", "measured", "built", "tested", "accepted")
TITLES = {
    "planned": "Planned",
    "measured": "Measured on the prepared bearing",
    "built": "Built",
    "tested": "Tested for leaks",
    "accepted": "Judged when finished",
}
BUILT = ("lowered", "milled", "cut", "set")
WORDS = {
    "raise_mm": "raise",
    "chimney_mm": "chimney at the centre, joints included",
    "slope_pct": "slope",
    "long_side_deg": "long side from the mark, clockwise",
    "rough_cut_mm": "rough cut",
    "depth_mm": "depth of the bearing below the bar",
    "casting_height_mm": "casting's height",
    "off_plan_mm": "off the plan",
    "worst_mm": "worst gap",
    "mean_mm": "mean gap",
    "tilt_pct": "tilt against the road",
    "settled_mm": "settled",
    "lost_kpa": "vacuum lost",
    "seconds": "held for",
    "required_s": "required",
    "rule_set": "rule set",
    "table": "owner's table",
}
"""Names of values that people read; others are named as they are stored."""
COLUMNS: dict[str, tuple[str, ...]] = {
    "planned": ("method", "raise_mm", "chimney_mm", "slope_pct", "rule_set", "ready", "flags"),
    "measured": ("method", "chimney_mm", "slope_pct", "depth_mm", "casting_height_mm", "off_plan_mm", "ready", "flags"),
    "built": ("chimney_mm", "parts", "note"),
    "tested": ("outcome", "why", "lost_kpa", "seconds", "required_s", "table"),
    "accepted": ("outcome", "worst_mm", "mean_mm", "settled_mm", "findings", "rule_set"),
}
"""Values of each phase that stand in the table; of several events of one phase the last one that states a value."""


def phase_of(event: Event) -> str:
    """The phase that an event belongs to.

    A crew's word that a structure is accepted, or comes back, belongs to the judging of the finished cover.
    """
    kind = event.source.get("kind", "")
    if kind in ("planned", "measured", "tested", "accepted"):
        return kind
    if event.state in BUILT:
        return "built"
    return {"planned": "planned", "measured": "measured"}.get(event.state, "accepted")


@dataclass(frozen=True, slots=True)
class Record:
    """A structure's record: where it has come to, and its events by phase in their order."""

    standing: Standing
    phases: Mapping[str, tuple[Event, ...]]

    @classmethod
    def of(cls, standing: Standing) -> Record:
        """From its events."""
        return cls(
            standing,
            {phase: tuple(each for each in standing.events if phase_of(each) == phase) for phase in PHASES},
        )

    def row(self) -> dict[str, Any]:
        """One row of the table; None where nothing is said."""
        standing = self.standing
        found: dict[str, Any] = {
            "structure": standing.structure,
            "street": standing.street,
            "state": standing.state,
            "when": standing.when,
            "by": standing.by,
            "conflict": "yes" if standing.conflict else "",
        }
        for phase in PHASES:
            events = self.phases[phase]
            found[f"{phase}_when"] = events[-1].when if events else None
            found[f"{phase}_by"] = (events[-1].by or None) if events else None
            for name in COLUMNS[phase]:
                said = [event.values[name] for event in events if event.values.get(name) is not None]
                found[f"{phase}_{name}"] = said[-1] if said else None
        return found | {"events": len(standing.events), "last_event": standing.heads[-1].event}


def lines_of(event: Event, units: str) -> Iterator[str]:
    """An event in lines: what it is, when and by whom; then its figures.

    Parameters
    ----------
    units : of lengths, metric or us
    """
    head = event.state or event.source.get("kind", "")
    who = f", {event.by}" if event.by else ""
    yield f"{head}, {event.when or 'no date'}{who}"
    order = {name: place for place, name in enumerate(COLUMNS[phase_of(event)])}
    names = sorted(event.values, key=lambda name: order.get(name, len(order)))
    told = [
        f"{WORDS.get(name, name.replace('_', ' '))}: {shown(name, event.values[name], units)}"
        for name in names
        if event.values[name] not in (None, "")
    ]
    if told:
        yield "; ".join(told)
    yield f"event {event.event[:16]}"


def shown(name: str, value: Any, units: str) -> str:
    """A value with its unit, by the ending of its name.

    Examples
    --------
    >>> shown("chimney_mm", 184.15, "us"), shown("chimney_mm", 184.15, "metric"), shown("slope_pct", 2.329, "us")
    ('7 1/4 in', '184 mm', '2.33 %')
    >>> shown("worst_mm", -3.2, "us"), shown("worst_mm", 3.2, "metric"), shown("seconds", 75.0, "us")
    ('0.13 in LOW', '3.2 mm PROUD', '75 s')
    """
    if not isinstance(value, (int, float)):
        return str(value)
    if name in ("worst_mm", "mean_mm", "settled_mm"):
        side = "" if name == "settled_mm" else {1: " PROUD", -1: " LOW"}.get((value > 0) - (value < 0), "")
        size = value if name == "settled_mm" else abs(value)
        return (f"{size / 25.4:.2f} in" if units == "us" else f"{size:.1f} mm") + side
    if name.endswith("_mm"):
        return format_inches(value / 1000) if units == "us" else f"{value:.0f} mm"
    if name.endswith("_kpa"):
        return f"{value / KPA['inHg']:.2f} inHg" if units == "us" else f"{value:.2f} kPa"
    endings = {"_pct": (".2f", " %"), "_deg": (".0f", " degrees"), "_s": ("g", " s"), "seconds": ("g", " s")}
    for ending, (digits, unit) in endings.items():
        if name.endswith(ending):
            return f"{value:{digits}}{unit}"
    return f"{value:g}"
