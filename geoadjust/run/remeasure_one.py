"""One structure measured again, without a file: depths to a level bearing in, heights of the piece that is cut out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa

from geoadjust.core.blank import blank
from geoadjust.core.columns import KINDS, RIM_BASES, Bars, Pavings, RoadModels, Structures
from geoadjust.core.judge import Setting
from geoadjust.core.measured import ROADS, Measured, Planned, Remeasured, remeasure
from geoadjust.core.parts import Catalogue
from geoadjust.core.readings import fit_readings
from geoadjust.core.rim import Roads
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RingTable, RuleSet
from geoadjust.errors import Fault, InputError
from geoadjust.io.intake.readings import COLUMNS
from geoadjust.io.intake.structures import RawBatch, StructureFacts
from geoadjust.io.results import tables
from geoadjust.io.results.columns import ORDINATES, REASONS, SCHEDULE
from geoadjust.io.results.tables import Bucket, Naming
from geoadjust.io.working.spill import to_records
from geoadjust.run.chunks import flatten
from geoadjust.units import LengthError, format_inches, format_mm, parse_length

LIMITS = {column.name: (column.low, column.high) for column in COLUMNS if column.holds == "length"}
MOST = 16
SAMPLES = 1000
"""Stands for a road that is known: the bar lies on the road itself."""
FINE = 0.001
"""Scale of its samples [m]; with no noise it changes nothing."""
CLOCK = {"12": "h01_mm", "3": "h05_mm", "6": "h09_mm", "9": "h13_mm"}


@dataclass(frozen=True, slots=True)
class OneStructure:
    """What a crew says of one structure; lengths as texts with their units.

    Parameters
    ----------
    depths : from the bar's underside to the bearing, evenly spaced, clockwise, the first at the mark
    casting, flange, radius : height of the casting, flange's outside diameter, distance of the readings
    reference : road that the bar lay on
    to_come : finished road above that road
    joint, recess : one joint (below and above the piece); rim below the finished road
    """

    depths: str
    casting: str
    flange: str
    radius: str
    reference: str
    to_come: str
    joint: str = "6 mm"
    recess: str = "0 mm"


def remeasure_one(given: OneStructure) -> dict[str, Any]:
    """Heights of the piece, with the names of the schedule's columns; and the reasons.

    The bearing is taken to be level, so the road's slope is that of the depths. Nothing is known of parts: whether a
    piece clears the iron is not looked at.

    Raises
    ------
    InputError
        with every length that cannot be read or is not plausible
    """
    lengths = _lengths(given)
    depths = lengths["depths"]
    turn = np.arange(len(depths)) * 2 * math.pi / len(depths)
    measured = Measured(
        reference=np.array([ROADS.index(given.reference)]),
        azimuth=turn[None],
        radius=np.full((1, len(depths)), lengths["radius"][0]),
        depth=np.array([depths]),
        to_come=np.array(lengths["to_come"]),
        casting_height=np.array(lengths["casting"]),
        flange_diameter=np.array(lengths["flange"]),
    )
    rules = RuleSet(name="flags", methods=(), joint=lengths["joint"][0], recess=lengths["recess"][0])
    setting = Setting(Ring(), RingTable().rough)
    structures = _structure(lengths["casting"][0], lengths["flange"][0])
    fits = fit_readings(measured.azimuth, measured.radius, measured.depth, setting.accuracy.reading)
    road = _road(float(fits.east[0]), float(fits.north[0]))
    unknown = np.full(1, np.nan)
    roads = Roads(road, road, road, blank(Bars, 1), blank(Pavings, 1))
    planned = Planned(*(unknown.copy() for _ in range(5)))
    again = remeasure(structures, roads, measured, planned, rules, Catalogue(), setting)
    return _answer(again, rules, "us" if any(mark in given.depths for mark in ("in", '"', "ft", "'")) else "metric")


def _lengths(given: OneStructure) -> dict[str, list[float]]:
    """Metres of each option; every fault at once."""
    named = {
        "depths": ("reading", given.depths.split(",")),
        "casting": ("casting_height", [given.casting]),
        "flange": ("flange_outside_diameter", [given.flange]),
        "radius": ("radius", [given.radius]),
        "to_come": ("to_come", [given.to_come]),
        "joint": ("joint", [given.joint]),
        "recess": ("recess", [given.recess]),
    }
    limits = {**LIMITS, "joint": (0.0, 0.05), "recess": (0.0, 0.1)}
    faults: list[Fault] = []
    found = {name: [_length(f"--{name.replace('_', '-')}", text, limits[column], faults) for text in texts]
             for name, (column, texts) in named.items()}  # fmt: skip
    if not 3 <= len(found["depths"]) <= MOST:
        faults.append(Fault("--depths", f"{len(found['depths'])} depths", f"3 to {MOST}, with commas between"))
    if faults:
        raise InputError(faults)
    return found


def _length(where: str, text: str, limits: tuple[float, float], faults: list[Fault]) -> float:
    try:
        found = float(parse_length(text.strip()))
    except LengthError as error:
        faults.append(error.fault(where))
        return math.nan
    if not limits[0] <= found <= limits[1]:
        faults.append(Fault(where, f"{text.strip()!r} is not plausible", f"{limits[0]:g} m to {limits[1]:g} m"))
    return found


def _structure(casting: float, flange: float) -> Structures:
    """A round one of which only the casting is known; the mark lies at azimuth 0."""
    one = {name: np.array([value]) for name, value in {
        "axis": 0.0, "casting_height": casting, "new_casting_height": casting, "old_flange_diameter": flange,
        "flange_diameter": flange, "frame_top_diameter": flange, "mill": 0.0, "overlay": 0.0, "convergence": 0.0,
    }.items()}  # fmt: skip
    words = {"kind": KINDS.index("manhole"), "claimed_basis": RIM_BASES.index("none")}
    return replace(
        blank(Structures, 1),
        row=np.zeros(1, dtype=np.int64),
        rule_set=np.zeros(1, dtype=np.int64),
        size_known=np.ones(1, dtype=bool),
        **one,
        **{name: np.array([index], dtype=np.int8) for name, index in words.items()},
    )


def _road(east: float, north: float) -> RoadModels:
    figures = {"height": 0.0, "slope_east": east, "slope_north": north, "coverage": 1.0, "spacing": 0.1}
    figures |= dict.fromkeys(("fold", "fold_azimuth", "fold_offset", "noise", "rms"), 0.0) | {"scale": FINE}
    counts = {"samples": SAMPLES, "left_out": 0, "pattern": SAMPLES, "source": 0}
    return replace(
        blank(RoadModels, 1),
        **{name: np.array([value]) for name, value in figures.items()},
        **{name: np.array([value], dtype=np.int64) for name, value in counts.items()},
        covariance=np.zeros((1, 3, 3)),
        shape=np.zeros(1, dtype=np.int8),
    )


SHOWN = (
    *("method", "ready", "severity", "slope_pct", "uphill_deg", "chimney_mm", "chimney_min_mm", "chimney_max_mm"),
    *("long_side_deg", "rough_cut_mm", "flags"),
)
"""Columns of the schedule that have a meaning here."""


def _answer(again: Remeasured, rules: RuleSet, units: str) -> dict[str, Any]:
    arrays = flatten(again.plan)
    results = to_records({name: array for name, array in arrays.items() if not name.startswith("reasons.")})
    reasons = to_records({k.removeprefix("reasons."): v for k, v in arrays.items() if k.startswith("reasons.")})
    place = np.full(1, np.nan)
    raw = RawBatch(0, pa.table({}), place, place, place, np.zeros(1, dtype=np.int64), np.full((1, 2), np.nan))
    bucket = Bucket(results, reasons, raw, np.array([""], dtype=object))
    naming = Naming([rules], Catalogue(), ["bar"], StructureFacts("", "", "", "", (), {}, ""), units)
    names = [column.name for column in SCHEDULE]
    shown = dict(zip(names, (array[0].as_py() for array in tables.schedule_arrays(bucket, naming)), strict=True))
    ordinates = _first(tables.ordinate_rows(bucket), [column.name for column in ORDINATES])
    told = tables.reason_rows(bucket).to_pylist()
    joints = 2 * 1000 * rules.joint
    heights = {f"piece_{name}mm": _less(shown[f"chimney_{name}mm"], joints) for name in ("", "min_", "max_")}
    figures = {name: shown[name] for name in SHOWN}
    kept = [column.name for column in REASONS[2:]]
    return {
        "units": units,
        **figures,
        **heights,
        **{name: ordinates.get(name) for name in ("radius_mm", *(f"h{i:02d}_mm" for i in range(1, 17)))},
        "joints_mm": round(joints, 3),
        "misread_mm": None if np.isnan(again.fits.worst[0]) else round(1000 * float(again.fits.worst[0]), 3),
        "reasons": [{name: reason[name] for name in kept} for reason in told],
    }


def _first(batch: pa.RecordBatch, names: Sequence[str]) -> Mapping[str, Any]:
    return dict(zip(names, (column[0].as_py() for column in batch.columns), strict=True)) if len(batch) else {}


def _less(value: float | None, gone: float) -> float | None:
    return None if value is None else round(value - gone, 6)


LEVEL = "The bearing is taken to be level: lay a level on it. Whether the piece clears the iron was not looked at."


def told(found: Mapping[str, Any]) -> list[str]:
    """The answer in lines for a small screen.

    Parameters
    ----------
    found : what `remeasure_one` gives
    """

    def length(name: str) -> str:
        metres = found[name] / 1000
        return format_inches(metres) if found["units"] == "us" else format_mm(metres, 0)

    lines = [f"ready: {found['ready']}{'' if found['ready'] == 'cut' else ' (do not cut by these figures)'}"]
    if found["piece_mm"] is not None:
        clock = [f"at {hour}: {length(name)}" for hour, name in CLOCK.items()]
        lines += [
            f"piece between the joints, at the centre: {length('piece_mm')}",
            f"short side: {length('piece_min_mm')}; long side: {length('piece_max_mm')}, "
            f"{found['long_side_deg']:.0f} degrees clockwise from the mark",
            f"{'; '.join(clock)} (12 = the mark, seen from above)",
            f"slope: {found['slope_pct']:.2f} %; rough cut: {length('rough_cut_mm')}",
            f"joints below and above, together: {length('joints_mm')}",
        ]
    lines += [f"{reason['severity']}: {reason['text']}" for reason in found["reasons"]]
    return [*lines, LEVEL]
