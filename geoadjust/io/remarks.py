"""The order of each structure in one line, as a crew reads it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from geoadjust.core.columns import METHODS, POLICIES
from geoadjust.core.parts import Catalogue
from geoadjust.io.spill import Records
from geoadjust.io.stack_table import NO_RING
from geoadjust.units import format_raise

SENTENCES = {
    "monument": "Do not touch: a licensed land surveyor references it first.",
    "other_owner": "Notify the owner.",
    "not_paved": "Outside the paving.",
    "keep": "Leave as it is.",
    "riser": "{order}: riser {riser} on the frame.",
    "rings": "{order}: {rings}.",
    "liner": "{order}: liner {liner}, cut to the ordinates after measuring again.",
    "extend": "{order}: draw the top section.",
    "replace_top": "{order}: replace the top section.",
    "float": "{order} with the paving; no chimney.",
    "adjust": "{order}: {change} at the centre.",
    "rebuild": "{order}: past the owner's limits, an engineer decides.",
    "unknown": "Cannot be computed; see the reasons.",
}


POLICY_WORDS = {"replace_all": "new rings on the bearing", "add_on_top": "rings on the old stack"}
BARE_WORDS = {
    "replace_all": "the frame in mortar on the bearing, no ring",
    "add_on_top": "the frame in a new joint on the old stack, no ring",
}
"""Where rings and bedding are asked for and the bedding alone makes the height."""
STILL = "No change"


def remarks(results: Records, stacks: Sequence[str], catalogue: Catalogue, units: str) -> list[str]:
    """The order in one line, in words and display units."""
    fields = ("verdicts.method", "rims.raise_", "chimneys.change", "millings.lower_by", "verdicts.riser")
    columns: list[Sequence[Any]] = [results[field].tolist() for field in fields]
    columns += [results["liners.part"].tolist(), results["stacks.policy"].tolist(), stacks]
    return [_remark(*row, catalogue=catalogue, units=units) for row in zip(*columns, strict=True)]


def _remark(
    method: int,
    lift: float,
    change: float,
    lower: float,
    riser: int,
    liner: int,
    policy: int,
    stack: str,
    *,
    catalogue: Catalogue,
    units: str,
) -> str:
    sentence = SENTENCES[METHODS[method]]
    if METHODS[method] == "keep" and lower > 0:
        return "Lower before milling, put back at today's height."
    if "{" not in sentence:
        return sentence
    order = format_raise(lift, units) if math.isfinite(lift) else "Set to the target"
    if METHODS[method] == "extend" and order == STILL:
        return f"{STILL}."
    return sentence.format(
        order=order,
        rings=_ring_words(POLICIES[policy], stack) if policy >= 0 else "",
        riser=catalogue.riser[riser].id if riser >= 0 else "",
        liner=catalogue.liner[liner].id if liner >= 0 else "",
        change=change_words(change, units) if math.isfinite(change) else "see the chimney's height",
    )


def _ring_words(policy: str, stack: str) -> str:
    return BARE_WORDS[policy] if stack == NO_RING else f"{POLICY_WORDS[policy]}, bottom to top: {stack}"


def change_words(change: float, units: str) -> str:
    """`add 1 3/8 in`, `take 35 mm off`, in the words of a crew.

    Examples
    --------
    >>> change_words(0.06003, "metric"), change_words(-0.03493, "us")
    ('add 60 mm to the chimney', 'take 1 3/8 in off the chimney')
    """
    moved = format_raise(change, units).partition(" ")
    if moved[0] == "Raise":
        return f"add {moved[2]} to the chimney"
    return f"take {moved[2]} off the chimney" if moved[0] == "Lower" else "leave the chimney as it is"
