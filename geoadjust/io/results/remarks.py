"""The order of each structure in one line, as a crew reads it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from string import Formatter
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from geoadjust.core.columns import METHODS, POLICIES
from geoadjust.core.parts import Catalogue
from geoadjust.io.intake.cells import texts_of, words
from geoadjust.io.results.stack_table import NO_RING
from geoadjust.io.working.chunk_files import Records
from geoadjust.units import factor, format_raise

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
LOWERED = "Lower before milling, put back at today's height."
RAISE_STEPS = {"us": 16 / factor("in"), "metric": 1000.0}
"""Steps per metre in which a raise is written: sixteenths of an inch, millimetres."""


def remarks(results: Records, stacks: pa.Array, catalogue: Catalogue, units: str) -> pa.Array:
    """The order in one line (n,), in words and display units; `stacks` (n,) as texts."""
    method, per_metre = results["verdicts.method"], RAISE_STEPS[units]
    orders = texts_of(results["rims.raise_"], per_metre, lambda lift: order_words(lift, units))
    blanks = {
        "order": orders,
        "rings": _ring_words(results["stacks.policy"], stacks),
        "riser": words(results["verdicts.riser"], [part.id for part in catalogue.riser]),
        "liner": words(results["liners.part"], [part.id for part in catalogue.liner]),
        "change": texts_of(results["chimneys.change"], per_metre, lambda change: change_words(change, units)),
    }
    found = words(method, [SENTENCES[name] for name in METHODS])
    for index in np.unique(method).tolist():
        name = METHODS[index]
        if "{" in SENTENCES[name]:
            found = pc.if_else(pa.array(method == index), _filled(SENTENCES[name], blanks), found)
    lowered = (method == METHODS.index("keep")) & (results["millings.lower_by"] > 0)
    found = pc.if_else(pa.array(lowered), LOWERED, found)
    still = pc.and_(pa.array(method == METHODS.index("extend")), pc.equal(orders, STILL))
    return pc.if_else(still, f"{STILL}.", found)


def _filled(sentence: str, blanks: Mapping[str, pa.Array]) -> pa.Array:
    """The sentence (n,) with every blank filled."""
    pieces: list[Any] = []
    for plain, name, _, _ in Formatter().parse(sentence):
        pieces += [plain] if name is None else [plain, blanks[name]]
    return pc.binary_join_element_wise(*pieces, "", null_handling="replace")


def _ring_words(policy: NDArray[np.int8], stacks: pa.Array) -> pa.Array:
    bare = words(policy, [BARE_WORDS[name] for name in POLICIES])
    built = words(policy, [POLICY_WORDS[name] for name in POLICIES])
    listed = pc.binary_join_element_wise(built, ", bottom to top: ", stacks, "")
    return pc.if_else(pc.equal(stacks, NO_RING), bare, listed)


def order_words(lift: float, units: str) -> str:
    """The rim's move; without one, `Set to the target`."""
    return format_raise(lift, units) if math.isfinite(lift) else "Set to the target"


def change_words(change: float, units: str) -> str:
    """`add 1 3/8 in`, `take 35 mm off`, in the words of a crew.

    Examples
    --------
    >>> change_words(0.06003, "metric"), change_words(-0.03493, "us")
    ('add 60 mm to the chimney', 'take 1 3/8 in off the chimney')
    """
    if not math.isfinite(change):
        return "see the chimney's height"
    moved = format_raise(change, units).partition(" ")
    if moved[0] == "Raise":
        return f"add {moved[2]} to the chimney"
    return f"take {moved[2]} off the chimney" if moved[0] == "Lower" else "leave the chimney as it is"
