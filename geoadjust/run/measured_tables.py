"""The tables `readings` and `measurements` of a set of measured structures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from geoadjust.core.measured import ROADS, Measured, Remeasured
from geoadjust.io.intake.readings import Taken
from geoadjust.io.results.field_columns import MEASUREMENTS, READINGS
from geoadjust.io.results.step_set import step_batch

Floats = NDArray[np.float64]
Parts = Sequence[tuple[NDArray[np.intp], Remeasured]]


def field_tables(
    rows: Sequence[int],
    names: Sequence[str],
    taken: Sequence[Taken],
    measured: Measured,
    mark: Floats,
    parts: Parts,
) -> dict[str, pa.RecordBatch]:
    """Both tables.

    Parameters
    ----------
    rows, names, taken : of the n structures
    measured, mark : (n,) as they were computed with
    parts : places and results of each rule set
    """
    return {
        "readings": step_batch(_readings(rows, names, measured, mark, parts), READINGS),
        "measurements": step_batch(_measurements(rows, names, taken, measured, parts), MEASUREMENTS),
    }


def _readings(
    rows: Sequence[int], names: Sequence[str], measured: Measured, mark: Floats, parts: Parts
) -> dict[str, Any]:
    off = np.full(measured.depth.shape, np.nan)
    suspect = np.full(len(rows), -1)
    for index, again in parts:
        off[index], suspect[index] = again.fits.off, again.fits.suspect
    place, station = np.nonzero(np.isfinite(measured.depth))
    numbered = [int(x) for x in np.concatenate([np.arange(1, k + 1) for k in np.bincount(place, minlength=len(rows))])]
    return {
        "row": [rows[i] for i in place.tolist()],
        "structure_id": [names[i] for i in place.tolist()],
        "position": numbered,
        "mark_deg": np.degrees(mark[place]),
        "azimuth_deg": np.mod(np.degrees(measured.azimuth[place, station]), 360),
        "radius_mm": 1000 * measured.radius[place, station],
        "reading_mm": 1000 * measured.depth[place, station],
        "off_mm": 1000 * off[place, station],
        "left_out": [int(x) for x in suspect[place] == station],
    }


def _measurements(
    rows: Sequence[int], names: Sequence[str], taken: Sequence[Taken], measured: Measured, parts: Parts
) -> dict[str, Any]:
    n = len(rows)
    figures = {name: np.full(n, np.nan) for name in ("depth", "east", "north", "off", "off_sd")}
    count = np.zeros(n, dtype=int)
    for index, again in parts:
        figures["depth"][index], count[index] = again.fits.depth, again.fits.count
        structures = again.plan.structures
        known = np.isfinite(again.fits.depth)
        figures["east"][index] = np.where(known, structures.bearing_slope_east, np.nan)
        figures["north"][index] = np.where(known, structures.bearing_slope_north, np.nan)
        figures["off"][index], figures["off_sd"][index] = again.off_plan, again.off_plan_sd
    slope = np.hypot(figures["east"], figures["north"])
    uphill = np.mod(np.degrees(np.arctan2(figures["east"], figures["north"])), 360)
    return {
        "row": [int(row) for row in rows],
        "structure_id": list(names),
        "reference": [ROADS[index] if index >= 0 else None for index in measured.reference],
        "readings": [int(each) for each in count],
        "depth_mm": 1000 * figures["depth"],
        "to_come_mm": 1000 * measured.to_come,
        "bearing_slope_pct": 100 * slope,
        "bearing_uphill_deg": np.where(slope > 0, uphill, np.nan),
        "casting_height_mm": 1000 * measured.casting_height,
        "flange_diameter_mm": 1000 * measured.flange_diameter,
        "off_plan_mm": 1000 * figures["off"],
        "off_plan_sd_mm": 1000 * figures["off_sd"],
        **{name: [getattr(each, name) or None for each in taken] for name in ("by", "taken_at", "note")},
    }
