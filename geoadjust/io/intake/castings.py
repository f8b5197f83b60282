"""Castings at the door: today's, and the one that will stand.

What a row states of its size and make speaks of today's casting; it beats the catalogue, which beats the rule set's
usual sizes. Where another casting takes the place, its catalogue speaks first of the sizes, and alone of the rest:
what hangs below a casting that is gone says nothing of the new one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.parts import CastingPart
from geoadjust.core.rules import RuleSet
from geoadjust.io.intake.reading import Reading, first_stated

Floats = NDArray[np.float64]
Index = NDArray[np.int16]
Mask = NDArray[np.bool_]
Columns = dict[str, NDArray[np.generic]]

DETAILS = ("flange_inside_diameter", "ridge_diameter", "seat_diameter", "travel")


def take_castings(
    reading: Reading, castings: Sequence[CastingPart], rules: Sequence[RuleSet], rule_set: Index, axis: Floats
) -> Columns:
    """Fields of `Structures` that speak of castings.

    Parameters
    ----------
    reading : the batch
    castings : of the catalogue
    rules : rule sets, for the usual sizes
    rule_set : (n,) index of each structure's rule set
    axis : (n,) street axis [rad]; a rectangular frame without a direction of its own lies along it
    """
    old, new = reading.parts("casting", castings), reading.parts("new_casting", castings)
    height = first_stated(reading.numbers("casting_height"), _figures(castings, "height", old))
    new_height = reading.numbers("new_casting_height")
    recast = (reading.texts("new_casting") != "") | np.isfinite(new_height)
    new_height = first_stated(new_height, _figures(castings, "height", new), np.where(recast, np.nan, height))
    usual = [_usual_sizes(rules, name, rule_set) for name in ("usual_flange_diameter", "usual_frame_diameter")]
    sizes, flange, frame = _sizes(reading, castings, old, new, *usual)
    return {
        "casting": old,
        "recast": recast,
        "casting_height": height,
        "new_casting_height": new_height,
        **sizes,
        "frame_azimuth": _frame_azimuths(reading, np.isfinite(flange[1]) | np.isfinite(frame[1]), axis),
        **_details(reading, castings, old, new, recast),
    }


def _sizes(
    reading: Reading,
    castings: Sequence[CastingPart],
    old: Index,
    new: Index,
    usual_flange: Floats,
    usual_frame: Floats,
) -> tuple[Columns, Floats, Floats]:
    """Fields of the sizes, and flange and frame of the casting that will stand, (2, n) each."""
    own_flange, own_frame = reading.sizes("flange_outside_diameter"), reading.sizes("frame_top_diameter")
    old_flange = first_stated(own_flange, _catalogue_sizes(castings, "flange_outside_diameter", old))
    flange = first_stated(_catalogue_sizes(castings, "flange_outside_diameter", new), old_flange)
    inside = np.stack([np.minimum(np.fmin(*flange), usual_frame[0]), usual_frame[1]])
    frame = first_stated(
        _catalogue_sizes(castings, "frame_top_diameter", new),
        own_frame,
        _catalogue_sizes(castings, "frame_top_diameter", old),
        inside,
        usual_frame,
    )
    known = np.isfinite(flange[0])
    flange = first_stated(flange, usual_flange)
    sizes: Columns = {
        "size_known": known,
        "old_flange_diameter": _across(first_stated(old_flange, flange)),
        "flange_diameter": flange[0],
        "flange_length": flange[1],
        "frame_top_diameter": frame[0],
        "frame_top_length": frame[1],
    }
    return sizes, flange, frame


def _details(reading: Reading, castings: Sequence[CastingPart], old: Index, new: Index, recast: Mask) -> Columns:
    """What decides which parts fit the casting that will stand; NaN where unknown."""
    found: Columns = {}
    for name in DETAILS:
        today = first_stated(reading.numbers(name), _figures(castings, name, old))
        found[name] = np.where(recast, _figures(castings, name, new), today)
    own = reading.yes_no("floating")
    floats = np.array([*(part.floating for part in castings), False])
    today = np.where(own >= 0, own == 1, floats[old])
    return {**found, "floating": np.where(recast, floats[new], today)}


def _frame_azimuths(reading: Reading, rectangular: Mask, axis: Floats) -> Floats:
    """Direction of a frame's length [rad]: its own, else the street's; NaN where unknown, 0 for a round one."""
    own = np.mod(reading.numbers("frame_azimuth"), 2 * np.pi)
    azimuth = first_stated(own, axis)
    reading.notes.add("frame_azimuth_missing", rectangular & np.isnan(azimuth))
    return np.where(rectangular, azimuth, 0.0)


def _figures(castings: Sequence[CastingPart], name: str, index: Index) -> Floats:
    """One figure of the castings named, (n,); NaN where none is named or the catalogue does not say."""
    figures = np.array([*(getattr(part, name) for part in castings), np.nan], dtype=float)
    return np.asarray(figures[index])


def _catalogue_sizes(castings: Sequence[CastingPart], name: str, index: Index) -> Floats:
    """One size of the castings named, (2, n)."""
    sizes = np.array([*(getattr(part, name) for part in castings), (np.nan, np.nan)], dtype=float)
    sizes[:, 1] = np.where(sizes[:, 1] > 0, sizes[:, 1], np.nan)
    return np.ascontiguousarray(sizes[index].T)


def _usual_sizes(rules: Sequence[RuleSet], name: str, rule_set: Index) -> Floats:
    """A round size of each structure's rule set, (2, n)."""
    sizes = np.array([(getattr(item, name), np.nan) for item in rules], dtype=float).reshape(-1, 2)
    return np.ascontiguousarray(sizes[rule_set].T)


def _across(size: Floats) -> Floats:
    """Greatest distance across sizes (2, n): the diameter, or the diagonal."""
    across: Floats = np.where(np.isnan(size[1]), size[0], np.hypot(size[0], size[1]))
    return across
