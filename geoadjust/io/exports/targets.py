"""Structures of a set as places with a target: what points and drawings show."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.outline import Outlines
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.exports.frame import WHERE, SetFrame
from geoadjust.io.exports.tables import Floats, batches, numbers, places
from geoadjust.io.results.whole import WholeSet
from geoadjust.units import format_raise

SCHEDULE = (
    *("row", "structure_id", "kind", "street", "method", "ready", "severity"),
    *("target_rim_m", "raise_mm", "axis_deg"),
)
MODELS = (
    *("row", "structures_frame_top_diameter", "structures_frame_top_length", "structures_frame_azimuth"),
    *("rims_target_slope_east", "rims_target_slope_north", "rims_mark"),
)
UNTOUCHED = ("monument", "other_owner", "not_paved")
"""Methods of structures at which nothing is set to a target."""
NO_ORDER = ("keep", "unknown", *UNTOUCHED)
"""Methods whose raise is no order."""


@dataclass(frozen=True, slots=True, eq=False)
class Targets:
    """Some structures in input order, (n,) each.

    Parameters
    ----------
    row : 0-based row of the input
    texts : structure_id, kind, street, method, ready, severity, as the set has them; '' where empty
    raise_ : finished minus existing rim [m]; NaN = unknown
    east, north : of the cover [unit of the CRS]; NaN = no position
    height, slope_east, slope_north : target rim plane [m, m/m on the ground along the grid]; NaN = none
    frame : outline of the frame's top; a rectangle's azimuth is NaN where nothing states it
    mark : azimuth of the first station [rad]
    jacobian : (n, 2, 2) from ground metres to the CRS's unit
    """

    row: NDArray[np.int64]
    texts: dict[str, list[str]]
    raise_: Floats
    east: Floats
    north: Floats
    height: Floats
    slope_east: Floats
    slope_north: Floats
    frame: Outlines
    mark: Floats
    jacobian: Floats

    def __len__(self) -> int:
        return len(self.row)

    def name(self, index: int) -> str:
        """The structure's id, or its row where it has none."""
        return self.texts["structure_id"][index] or f"row {self.row[index]}"

    def order(self, index: int, units: str) -> str:
        """What is done in words; '' where nothing is ordered."""
        if self.texts["method"][index] in NO_ORDER or not np.isfinite(self.raise_[index]):
            return ""
        return format_raise(float(self.raise_[index]), units)

    def absent(self, index: int) -> str:
        """Why nothing is staked out: position, target, or the method; '' where it is."""
        if self.texts["method"][index] in UNTOUCHED:
            return self.texts["method"][index]
        if not np.isfinite(self.east[index]):
            return "position"
        return "" if np.isfinite(self.height[index]) else "target"

    def on_map(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        """Coordinates (n, k) [unit of the CRS] of offsets (n, k) from the covers [m on the ground]."""
        moved = np.einsum("nij,jnk->ink", self.jacobian, np.stack([east, north]))
        return self.east[:, None] + moved[0], self.north[:, None] + moved[1]

    def heights(self, east: Floats, north: Floats) -> Floats:
        """Target elevation (n, k) [m] at such offsets."""
        return self.height[:, None] + self.slope_east[:, None] * east + self.slope_north[:, None] * north


def targets(whole: WholeSet, frame: SetFrame) -> Iterator[Targets]:
    """All structures of a set, batch after batch."""
    ground = Georeference(frame.crs, frame.crs, where=WHERE)
    east, north = places(whole)
    first = 0
    for schedule, models in zip(batches(whole, "schedule", SCHEDULE), batches(whole, "models", MODELS), strict=True):
        if schedule["row"] != models["row"]:
            raise AssertionError("schedule and models do not lie in one order")
        part = slice(first, first + len(schedule["row"]))
        first = part.stop
        yield _targets(schedule, models, east[part], north[part], ground)


def _targets(
    schedule: dict[str, list[Any]], models: dict[str, list[Any]], east: Floats, north: Floats, ground: Georeference
) -> Targets:
    axis = np.radians(numbers(schedule["axis_deg"]))
    azimuth = numbers(models["structures_frame_azimuth"])
    return Targets(
        row=np.array(schedule["row"], dtype=np.int64),
        texts={name: [value or "" for value in schedule[name]] for name in SCHEDULE[1:7]},
        raise_=numbers(schedule["raise_mm"]) / 1000,
        east=east,
        north=north,
        height=numbers(schedule["target_rim_m"]),
        slope_east=numbers(models["rims_target_slope_east"]),
        slope_north=numbers(models["rims_target_slope_north"]),
        frame=Outlines(
            numbers(models["structures_frame_top_diameter"]),
            numbers(models["structures_frame_top_length"]),
            np.where(np.isfinite(azimuth), azimuth, axis),
        ),
        mark=numbers(models["rims_mark"]),
        jacobian=ground.jacobians(east, north),
    )
